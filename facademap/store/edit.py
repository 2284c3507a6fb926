"""One edit of a project: wholly there or not there, with every change in the history."""

from __future__ import annotations

import json
import uuid
from collections.abc import Iterable, Mapping
from collections.abc import Set as AbstractSet
from typing import Any

import pandas as pd
import shapely

from facademap.errors import ConflictError, InputError, ProjectError, TableError
from facademap.store.aside import Aside, keep_aside, put_back, readable_part
from facademap.store.cells import UNREADABLE, row_from_sql
from facademap.store.damage import damage_of_row, unreadable
from facademap.store.dialect import Connection, dialect_of, selected
from facademap.store.geopackage import geometry_from_wkb, sql_value
from facademap.tables import TABLES, Table
from facademap.tables.names import same_id
from facademap.tables.shapes import read_json

__all__ = [
    "Edit",
    "read_entry",
    "row_as_json",
    "row_from_json",
    "table_named",
]


def table_named(name: str) -> Table:
    """The contract of a table; refuses a name that is none."""
    if name not in TABLES:
        raise InputError(f"there is no table {name!r}", f"Use one of {', '.join(TABLES)}.")
    return TABLES[name]


def row_as_json(table: Table, row: Mapping[str, Any]) -> dict[str, Any]:
    """A row as plain JSON, geometry as hexadecimal WKB so that no digit is lost."""
    plain = {
        c.name: None if isinstance(v := row[c.name], float) and v != v else v for c in table.columns
    }
    if table.geometry:
        geometry = row.get("geometry")
        plain["geometry"] = (
            None if geometry is None else shapely.to_wkb(geometry, hex=True, output_dimension=2)
        )
    return plain


def row_from_json(table: Table, plain: Mapping[str, Any]) -> dict[str, Any]:
    """The row that :func:`row_as_json` wrote; columns added to the contract since then take their default."""
    row = {c.name: plain.get(c.name) for c in table.columns}
    if table.geometry:
        row["geometry"] = outline_from_hex(plain.get("geometry"))
    return table.check_row(row)


def read_entry(text: Any, seq: int) -> dict[str, Any] | None:
    """A row as an entry of the history holds it; ``None`` where there was none."""
    if text is None:
        return None
    try:
        row = read_json(text)
    except (ValueError, TypeError):
        row = None
    if not isinstance(row, dict):
        raise ProjectError(
            f"entry {seq} of the history cannot be read",
            "What it did cannot be taken back or shown; restore the project from a copy if it must be.",
        )
    return row


def outline_from_hex(text: Any) -> shapely.Geometry | None:
    """An outline as the history keeps it."""
    if not text:
        return None
    try:
        return geometry_from_wkb(bytes.fromhex(text))
    except UNREADABLE:
        raise ProjectError(
            "an outline of the history cannot be read", "Restore the project from a copy."
        ) from None


class Edit:
    """The changes of one transaction. Made by :meth:`Project.edit`; not for use after it ended.

    Attributes
    ----------
    txn : str
        Name of the transaction in the history; hand it to :meth:`Project.undo`.
    """

    def __init__(
        self,
        connection: Connection,
        *,
        who: str,
        what: str,
        at: str,
        undoes: str | None,
        reserved: Mapping[str, range] | None = None,
    ) -> None:
        self._connection = connection
        self._dialect = dialect_of(connection)
        self._reserved = {p: iter(numbers) for p, numbers in (reserved or {}).items()}
        self._kept_up_to = {p: numbers.stop - 1 for p, numbers in (reserved or {}).items()}
        self._who, self._what, self._at, self._undoes = who, what, at, undoes
        self.txn = uuid.uuid4().hex
        #: Tables changed, each with the outlines that were added to it or changed in it.
        self.touched: dict[str, list[shapely.Geometry]] = {}

    def insert(
        self, table_name: str, rows: pd.DataFrame | Iterable[Mapping[str, Any]]
    ) -> list[str]:
        """Add rows; returns their ids. A row without ``id`` is refused: names are given, not invented here.

        Raises
        ------
        TableError
            An id that exists, or rows that break the table's contract.
        """
        table = table_named(table_name)
        checked = self._checked(table, rows)
        taken = self._existing(table, [r["id"] for r in checked])
        if taken:
            raise TableError(
                f"{table.title.lower()}: {', '.join(sorted(taken)[:5])} exists already",
                "Give new ids, or change the rows that exist.",
            )
        self._refuse_alike(table, [r["id"] for r in checked])
        self._insert_many(table, [(row, 1) for row in checked])
        self._log(table, [("insert", row["id"], 1, None, row) for row in checked])
        return [row["id"] for row in checked]

    def update(
        self, table_name: str, id: str, changes: Mapping[str, Any], *, rev: int | None = None
    ) -> int:
        """Change one row; returns its new revision.

        Parameters
        ----------
        rev : int, optional
            Revision that the caller saw; when the row has moved on, :class:`ConflictError` is raised.

        Raises
        ------
        ConflictError, InputError
            Somebody else changed the row meanwhile; the id itself would change.
        """
        table = table_named(table_name)
        before, current = self._row(table, id)
        if rev is not None and rev != current:
            raise ConflictError(
                f"{table.title.lower()}: {id} was changed by somebody else (revision {current}, yours {rev})",
                "Look at both versions and choose.",
            )
        if "id" in changes and changes["id"] != id:
            raise InputError(f"{id}: an id never changes", "Add a new row and delete the old one.")
        after = table.check_row({**before, **changes}, source=table.title.lower())
        self._write(table, after, current + 1)
        self._log(table, [("update", id, current + 1, before, after)])
        return current + 1

    def delete(self, table_name: str, id: str, *, rev: int | None = None) -> None:
        """Remove one row; the history keeps it, and its id is not used again.

        Raises
        ------
        ConflictError
            Somebody else changed the row meanwhile.
        """
        table = table_named(table_name)
        before, current = self._row(table, id)
        if rev is not None and rev != current:
            raise ConflictError(
                f"{table.title.lower()}: {id} was changed by somebody else (revision {current}, yours {rev})",
                "Look at both versions and choose.",
            )
        self._connection.execute(f'DELETE FROM "{table.name}" WHERE "id" = ?', (id,))
        self._log(table, [("delete", id, current, before, None)])

    def set_aside(self, table_name: str, fid: int, *, row: str) -> None:
        """Take a damaged row out of its table; its cells are kept as they are, and undo puts them back.

        Parameters
        ----------
        fid : int
            Number of the row in the file, since its id may be what is damaged.
        row : str
            What the row is called in the history.
        """
        table = table_named(table_name)
        cells = keep_aside(
            self._connection, table, fid, row=row, txn=self.txn, at=self._at, who=self._who
        )
        self._log(table, [("delete", row, _rev(cells), readable_part(table, cells), None)])

    def put_back(self, table_name: str, row: str, aside: Aside) -> None:
        """Put a row back that was set aside, as it was."""
        table = table_named(table_name)
        cells = put_back(self._connection, table, row, aside, txn=self.txn)
        self._log(table, [("insert", row, _rev(cells), None, readable_part(table, cells))])

    def put(self, table_name: str, rows: pd.DataFrame | Iterable[Mapping[str, Any]]) -> list[str]:
        """Insert rows, or change those whose id exists; rows that say the same are left alone."""
        table = table_named(table_name)
        checked = self._checked(table, rows)
        existing = self._existing(table, [r["id"] for r in checked])
        fresh = [r for r in checked if r["id"] not in existing]
        self._refuse_alike(table, [r["id"] for r in fresh])
        self._insert_many(table, [(row, 1) for row in fresh])
        entries: list[tuple[str, str, int, Any, Any]] = [
            ("insert", row["id"], 1, None, row) for row in fresh
        ]
        for row in checked:
            if row["id"] in existing:
                before, current = self._row(table, row["id"])
                if row_as_json(table, before) != row_as_json(table, row):
                    self._write(table, row, current + 1)
                    entries.append(("update", row["id"], current + 1, before, row))
        self._log(table, entries)
        return [row["id"] for row in checked]

    def clear(self, table_name: str, *, where: Mapping[str, Any] | None = None) -> int:
        """Delete all rows that match; returns how many."""
        table = table_named(table_name)
        clause, values = _where(table, where)
        ids = [
            i
            for (i,) in self._connection.execute(
                f'SELECT "id" FROM "{table.name}"{clause}', values
            ).fetchall()
        ]
        for id in ids:
            self.delete(table_name, id)
        return len(ids)

    def new_id(self, prefix: str, *, digits: int = 3) -> str:
        """The next number of a series (``C-001``); a number once given never comes again."""
        number = next(self._reserved.get(prefix, iter(())), None)
        if number is None:
            row = self._connection.execute(
                "SELECT last FROM facademap_numbers WHERE prefix = ?", (prefix,)
            ).fetchone()
            number = (row[0] if row else 0) + 1
        self.keep_number(prefix, number)
        return f"{prefix}-{number:0{digits}d}"

    def set(self, name: str, value: Any) -> None:
        """Set one project setting."""
        self.put("settings", [{"id": name, "value": json.dumps(value, ensure_ascii=False)}])

    def apply(self, table_name: str, id: str, plain: Mapping[str, Any] | None) -> None:
        """Make a row what the history says it was; ``None`` removes it."""
        table = table_named(table_name)
        exists = bool(self._existing(table, [id]))
        if plain is None:
            if exists and any(damage_of_row(self._connection, table, self._fid(table, id))):
                self.set_aside(table_name, self._fid(table, id), row=id)
            elif exists:
                self.delete(table_name, id)
        elif exists:
            self.update(table_name, id, row_from_json(table, plain))
        else:
            row = row_from_json(table, plain)
            self._refuse_alike(table, [row["id"]])
            last = self._connection.execute(
                "SELECT max(rev) FROM edit_log WHERE table_name = ? AND row_id = ?",
                (table.name, id),
            ).fetchone()[0]
            self._insert_many(table, [(row, (last or 0) + 1)])
            self._log(table, [("insert", id, (last or 0) + 1, None, row)])

    def _checked(
        self, table: Table, rows: pd.DataFrame | Iterable[Mapping[str, Any]]
    ) -> list[dict[str, Any]]:
        frame = rows if isinstance(rows, pd.DataFrame) else pd.DataFrame(list(rows))
        checked = table.check(frame) if len(frame) else table.empty()
        return [
            {str(k): None if v is pd.NA else v for k, v in r.items()}
            for r in checked.to_dict("records")
        ]

    def _existing(self, table: Table, ids: list[str], *, column: str = '"id"') -> AbstractSet[str]:
        found: set[str] = set()
        for start in range(0, len(ids), 500):
            part = ids[start : start + 500]
            marks = ",".join("?" * len(part))
            found |= {
                i
                for (i,) in self._connection.execute(
                    f'SELECT "id" FROM "{table.name}" WHERE {column} IN ({marks})', part
                )
            }
        return found

    def _refuse_alike(self, table: Table, ids: list[str]) -> None:
        """New ids that differ in case only from ones that are there."""
        alike = self._existing(table, [same_id(i) for i in ids], column=self._dialect.folded("id"))
        if alike:
            there = sorted(alike)[0]
            new = next(i for i in ids if same_id(i) == same_id(there))
            raise TableError(
                f"{table.title.lower()}: {new!r} differs in case only from {there!r}, which exists",
                "Give it an id of its own; file systems and GIS programs do not tell case apart.",
            )

    def _row(self, table: Table, id: str) -> tuple[dict[str, Any], int]:
        found = self._connection.execute(
            f'SELECT "rev", {selected(self._connection, table)} FROM "{table.name}" WHERE "id" = ?',
            (id,),
        ).fetchone()
        if found is None:
            raise InputError(
                f"{table.title.lower()}: there is no {id!r}",
                "Check the id; it may have been deleted.",
            )
        try:
            return row_from_sql(table, found[1:]), int(found[0])
        except UNREADABLE:
            raise self._unreadable(table, id) from None

    def _unreadable(self, table: Table, id: str) -> ProjectError:
        damage = next(damage_of_row(self._connection, table, self._fid(table, id)))
        return unreadable(damage)

    def _fid(self, table: Table, id: str) -> int:
        return int(
            self._connection.execute(
                f'SELECT "fid" FROM "{table.name}" WHERE "id" = ?', (id,)
            ).fetchone()[0]
        )

    def _sql_rows(
        self, table: Table, rows: Iterable[tuple[Mapping[str, Any], int]]
    ) -> list[list[Any]]:
        """Rows as they are stored: their columns, their outline, their revision."""
        if not table.geometry:
            return [[*_values(table, row), rev] for row, rev in rows]
        blob = self._dialect.to_blob(self._connection, table)
        return [[*_values(table, row), blob(row.get("geometry")), rev] for row, rev in rows]

    def _marks(self, table: Table) -> list[tuple[str, str]]:
        """Every column that is stored and the mark for its value, in the order of :meth:`_sql_rows`."""
        outline = [("geom", self._dialect.outline_mark)] if table.geometry else []
        return [*((n, "?") for n in table.names), *outline, ("rev", "?")]

    def _insert_many(self, table: Table, rows: list[tuple[dict[str, Any], int]]) -> None:
        stored = self._marks(table)
        columns, marks = ", ".join(f'"{n}"' for n, _ in stored), ",".join(m for _, m in stored)
        self._connection.executemany(
            f'INSERT INTO "{table.name}" ({columns}) VALUES ({marks})', self._sql_rows(table, rows)
        )
        for row, _ in rows:
            prefix, _, number = str(row["id"]).rpartition("-")
            if prefix and number.isdigit() and len(number) < 10:
                self.keep_number(prefix, int(number))

    def _write(self, table: Table, row: Mapping[str, Any], rev: int) -> None:
        changed = ", ".join(f'"{n}" = {mark}' for n, mark in self._marks(table))
        self._connection.execute(
            f'UPDATE "{table.name}" SET {changed} WHERE "id" = ?',
            [*self._sql_rows(table, [(row, rev)])[0], row["id"]],
        )

    def keep_number(self, prefix: str, number: int) -> None:
        """Let a number of a series, and those before it, not be given to others."""
        if number <= self._kept_up_to.get(prefix, -1):
            return
        self._connection.execute(
            "INSERT INTO facademap_numbers VALUES (?, ?) ON CONFLICT (prefix) DO UPDATE SET last = excluded.last "
            "WHERE excluded.last > facademap_numbers.last",
            (prefix, number),
        )

    def _log(self, table: Table, entries: list[tuple[str, str, int, Any, Any]]) -> None:
        added = self.touched.setdefault(table.name, [])
        if table.geometry:
            added += [
                after["geometry"]
                for *_, after in entries
                if after is not None and after["geometry"] is not None
            ]
        self._connection.executemany(
            "INSERT INTO edit_log (txn, at, who, what, undoes, table_name, row_id, op, rev, before, after) "
            "VALUES (?,?,?,?,?,?,?,?,?,?,?)",
            [
                (
                    self.txn,
                    self._at,
                    self._who,
                    self._what,
                    self._undoes,
                    table.name,
                    id,
                    op,
                    rev,
                    _dump(table, before),
                    _dump(table, after),
                )
                for op, id, rev, before, after in entries
            ],
        )
        if table.name == "surfaces":
            for op, id, _, _, after in entries:
                self._keep_views(id, None if op == "delete" else after)

    def _keep_views(self, surface: str, row: Mapping[str, Any] | None) -> None:
        for table in TABLES.values():
            if table.geometry and "surface" in table.names:
                self._dialect.keep_view(self._connection, table, surface, row)


def _values(table: Table, row: Mapping[str, Any]) -> list[Any]:
    return [sql_value(c, row[c.name]) for c in table.columns]


def _rev(cells: Mapping[str, Any]) -> int:
    rev = cells.get("rev")
    return rev if isinstance(rev, int) else 1


def _dump(table: Table, row: Mapping[str, Any] | None) -> str | None:
    return None if row is None else json.dumps(row_as_json(table, row), ensure_ascii=False)


def _where(table: Table, where: Mapping[str, Any] | None) -> tuple[str, list[Any]]:
    if not where:
        return "", []
    for name in where:
        if name not in table.names:
            raise InputError(
                f"table {table.name} has no column {name!r}",
                f"Use one of {', '.join(table.names)}.",
            )
    return " WHERE " + " AND ".join(f'"{n}" = ?' for n in where), list(where.values())
