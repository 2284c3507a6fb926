"""Ids of older projects that the grammar does not know any more are renamed, everywhere they stand, and it is said."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable, Mapping
from typing import Any

from facademap.store.dialect_geopackage import GEOPACKAGE
from facademap.store.geopackage import (
    add_surface_view,
    drop_surface_view,
    register_reference_system,
)
from facademap.tables import TABLES, Table
from facademap.tables.names import as_id, id_fault, same_id, unique_id

__all__ = ["rename_odd_ids"]

Names = dict[str, dict[str, str]]
#: Keys that are made from two columns.
_JOINED_FROM = {
    "control_points": ("surface", "name"),
    "observations": ("photo", "control_point"),
    "placements": ("plan", "repair"),
}
#: JSON columns that hold ids, and of which tables.
_HOLD_IDS: Mapping[tuple[str, str], tuple[str, ...]] = {
    ("repairs", "conditions"): ("conditions",),
    ("pieces", "forbid_blocks"): ("blocks",),
    ("plans", "solution"): ("repairs", "pieces", "blocks", "faces"),
    ("plans", "premises"): ("repairs", "pieces", "blocks", "faces"),
}
_STONE = "wall stone "


def rename_odd_ids(connection: sqlite3.Connection) -> Names:
    """Rename, within the transaction that is open, every id that breaks the grammar or differs from another in case only.

    References, lists of ids, plans and the history follow.

    Returns
    -------
    dict
        Per table the old ids and the new ones.
    """
    names: Names = {}
    present = {
        r[0] for r in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")
    }
    tables = [t for t in TABLES.values() if t.name in present and not t.free_ids]
    # keys made from other ids come last, those of control points before those of what was seen of them
    for table in sorted(tables, key=lambda t: (t.joined_ids, t.name)):
        found = _new_names(connection, table, names)
        if found:
            names[table.name] = found
    if names:
        _rename_rows(connection, tables, names)
        _rename_history(connection, names)
        _rename_layers(connection, names.get("surfaces", {}))
    return names


def _new_names(connection: sqlite3.Connection, table: Table, names: Names) -> dict[str, str]:
    parts = _JOINED_FROM.get(table.name)
    columns = "".join(f', "{p}"' for p in parts or ())
    rows = [
        (str(r[0]), r[1:])
        for r in connection.execute(f'SELECT "id"{columns} FROM "{table.name}" ORDER BY "fid"')
    ]
    wanted = {old: _joined(table, old, values, names) if parts else old for old, values in rows}
    good: dict[str, str] = {}
    odd = []
    for old, new in wanted.items():
        if id_fault(new, joined=table.joined_ids) is None and same_id(new) not in good:
            good[same_id(new)] = old
        else:
            odd.append(old)
    result = {old: wanted[old] for old in good.values() if wanted[old] != old}
    for old in odd:
        head, _, tail = wanted[old].rpartition(":") if table.joined_ids else ("", "", wanted[old])
        prefix = ":".join(as_id(p) for p in head.split(":")) + ":" if head else ""
        taken = [g[len(prefix) :] for g in good if g.startswith(same_id(prefix))]
        result[old] = prefix + unique_id(tail, taken)
        good[same_id(result[old])] = old
    return result


def _joined(table: Table, old: str, values: tuple[Any, ...], names: Names) -> str:
    """The key made anew from what its row refers to now."""
    if old != ":".join(map(str, values)):
        return old
    parts = []
    for column, value in zip(_JOINED_FROM[table.name], values, strict=True):
        refers = table.column(column).refers
        parts.append(names.get(refers, {}).get(str(value), str(value)) if refers else as_id(value))
    return ":".join(parts)


def _rename_rows(connection: sqlite3.Connection, tables: list[Table], names: Names) -> None:
    for table in tables:
        for old, new in names.get(table.name, {}).items():
            connection.execute(f'UPDATE "{table.name}" SET "id" = ? WHERE "id" = ?', (new, old))
        for column in table.columns:
            change = _change_of(table, column.name, names)
            if change is None:
                continue
            stored = connection.execute(
                f'SELECT "fid", "{column.name}" FROM "{table.name}" WHERE "{column.name}" IS NOT NULL'
            ).fetchall()
            for fid, value in stored:
                changed = _in_cell(value, change) if column.kind == "json" else change(value)
                if changed != value:
                    connection.execute(
                        f'UPDATE "{table.name}" SET "{column.name}" = ? WHERE "fid" = ?',
                        (changed, fid),
                    )


def _change_of(table: Table, column: str, names: Names) -> Callable[[Any], Any] | None:
    """What happens to a value of a column; ``None`` for nothing."""
    if table.column(column).refers in names:
        known = names[table.column(column).refers]
        return lambda value: known.get(value, value) if isinstance(value, str) else value
    held = {
        old: new
        for name in _HOLD_IDS.get((table.name, column), ())
        for old, new in names.get(name, {}).items()
    }
    if held:
        return lambda value: _deep(value, held)
    stones = names.get("wall_stones")
    if (table.name, column) == ("blocks", "provenance") and stones:
        return lambda value: (
            _STONE + stones.get(value.removeprefix(_STONE), value.removeprefix(_STONE))
            if isinstance(value, str) and value.startswith(_STONE)
            else value
        )
    return None


def _in_cell(text: Any, change: Callable[[Any], Any]) -> Any:
    try:
        value = json.loads(text)
    except (TypeError, ValueError):
        return text  # damage is for the check to name
    changed = change(value)
    return text if changed == value else json.dumps(changed, ensure_ascii=False)


def _deep(value: Any, names: Mapping[str, str]) -> Any:
    if isinstance(value, str):
        return names.get(value, value)
    if isinstance(value, list):
        return [_deep(v, names) for v in value]
    if isinstance(value, dict):
        return {names.get(k, k): _deep(v, names) for k, v in value.items()}
    return value


def _rename_history(connection: sqlite3.Connection, names: Names) -> None:
    """The history goes on under the new name; time, order and everything else stay."""
    connection.execute(GEOPACKAGE.lift_promise)
    rows = connection.execute(
        "SELECT seq, table_name, row_id, before, after FROM edit_log"
    ).fetchall()
    for seq, table_name, row_id, before, after in rows:
        if table_name not in TABLES:
            continue
        table = TABLES[table_name]
        new = (
            names.get(table_name, {}).get(row_id, row_id),
            _renamed_entry(table, before, names),
            _renamed_entry(table, after, names),
        )
        if new != (row_id, before, after):
            connection.execute(
                "UPDATE edit_log SET row_id = ?, before = ?, after = ? WHERE seq = ?", (*new, seq)
            )
    connection.execute(GEOPACKAGE.keep_promise)


def _renamed_entry(table: Table, text: str | None, names: Names) -> str | None:
    if text is None:
        return None
    try:
        row = json.loads(text)
    except ValueError:
        return text
    changed = dict(row)
    changed["id"] = names.get(table.name, {}).get(row.get("id"), row.get("id"))
    for column in table.names:
        change = _change_of(table, column, names)
        if change is not None and column in changed:
            changed[column] = change(changed[column])
    return text if changed == row else json.dumps(changed, ensure_ascii=False)


def _rename_layers(connection: sqlite3.Connection, surfaces: Mapping[str, str]) -> None:
    """Layers of all surfaces anew, since those alike in all but case shared one."""
    if not surfaces:
        return
    with_frames = connection.execute('SELECT "id", "frame_wkt" FROM "surfaces"').fetchall()
    for table in TABLES.values():
        if not (table.geometry and "surface" in table.names):
            continue
        for old in surfaces:
            drop_surface_view(connection, table, surface=old)
        for surface, wkt in with_frames:
            if wkt:
                srs_id = register_reference_system(connection, wkt, name=f"wall frame of {surface}")
                add_surface_view(connection, table, surface=surface, srs_id=srs_id)
