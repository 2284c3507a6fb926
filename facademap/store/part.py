"""What of a project belongs to some surfaces: their rows, what hangs on those, and what all of it names."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from facademap.store.project import Project
from facademap.tables import TABLES, Column

__all__ = ["Place", "paths_in", "rows_of_surfaces"]

#: A row, by its table and name.
Place = tuple[str, str]
#: Tables of which a row belongs to what it names in these columns; a list that names others too does not draw it in.
_HANGS_ON = {
    "observations": ("photo", "control_point"),
    "faces": ("block",),
    "placements": ("repair",),
    "work_log": ("repair",),
    "trials": ("wall_stone", "photo_before", "photo_after"),
    "variations": ("repair", "elevation"),
    "consents": ("repairs", "surfaces", "evidence_photo"),
    "orders": ("pieces",),
    "gauge_readings": ("gauge",),
    "looks": ("photo",),
}


def rows_of_surfaces(project: Project, surfaces: Iterable[str]) -> frozenset[Place]:
    """The rows that a copy of some surfaces takes along.

    Parameters
    ----------
    project : Project
    surfaces : iterable of str
        Ids of surfaces that are there.

    Returns
    -------
    frozenset of (table, id)
        What lies on the surfaces, what hangs on that (the record of a repair, the readings of a gauge), all that these rows
        name, what that names in turn, reviews of any of it, and every setting.
    """
    tables = {name: project.read(name).to_dict("records") for name in TABLES}
    wanted = frozenset(surfaces)
    core: set[Place] = {("surfaces", s) for s in wanted}
    core |= {("elevations", str(s["elevation"])) for s in tables["surfaces"] if s["id"] in wanted}
    for name, rows in tables.items():
        table = TABLES[name]
        if name != "surfaces" and "surface" in table.names:
            core |= {(name, str(r["id"])) for r in rows if r["surface"] in wanted}
    core |= {("settings", str(r["id"])) for r in tables["settings"]}
    _draw_in(core, tables)
    known = {(name, str(r["id"])): r for name, rows in tables.items() for r in rows}
    _add_named(core, known)
    core |= {
        ("faces", str(f["id"])) for f in tables["faces"] if ("blocks", str(f["block"])) in core
    }
    _add_named(core, known)
    core |= {
        ("reviews", str(r["id"]))
        for r in tables["reviews"]
        if (str(r["about_table"]), str(r["about"])) in core
    }
    return frozenset(core)


def _draw_in(core: set[Place], tables: Mapping[str, list[dict[str, Any]]]) -> None:
    """Add what hangs on rows that are in, and on what hangs on them."""
    grown = True
    while grown:
        grown = False
        for name, columns in _HANGS_ON.items():
            for row in tables[name]:
                place = (name, str(row["id"]))
                if place in core:
                    continue
                named = [
                    (TABLES[name].column(c).refers, n)
                    for c in columns
                    for n in TABLES[name].column(c).names(row[c])
                ]
                if named and any((str(t), n) in core for t, n in named):
                    core.add(place)
                    grown = True


def _add_named(core: set[Place], known: Mapping[Place, Mapping[str, Any]]) -> None:
    """Add all that rows name, and what that names."""
    queue = list(core)
    while queue:
        at = queue.pop()
        for place in _named_by(at[0], known[at]):
            if place in known and place not in core:
                core.add(place)
                queue.append(place)


def _named_by(table: str, row: Mapping[str, Any]) -> Iterable[Place]:
    columns: Iterable[Column] = TABLES[table].columns
    for column in columns:
        if column.refers:
            for name in column.names(row[column.name]):
                yield column.refers, name


def paths_in(value: Any) -> Iterable[str]:
    """Every text in a value, and in what it holds, that could be a path."""
    if isinstance(value, str):
        if "/" in value and len(value) < 1000:
            yield value
    elif isinstance(value, Mapping):
        for one in value.values():
            yield from paths_in(one)
    elif isinstance(value, (list, tuple)):
        for one in value:
            yield from paths_in(one)
