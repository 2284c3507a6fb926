"""Cells, columns and tables of a project that cannot be read: found one by one, and named."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from facademap.errors import ProjectError
from facademap.store.cells import UNREADABLE, cell_from_sql, outline_from_blob
from facademap.store.dialect import Connection, dialect_of
from facademap.tables import TABLES, Column, Table

__all__ = [
    "Damage",
    "damage_of_row",
    "damaged_cells",
    "missing_parts",
    "set_aside_words",
    "unreadable",
]

_TOO_LONG = 120


@dataclass(frozen=True, slots=True, kw_only=True)
class Damage:
    """One cell that cannot be read.

    Parameters
    ----------
    table, row, field : str
        Where it stands; a row without an id that can be read is called by its number.
    reason : str
        What is wrong with it.
    fid : int
        Number of the row in the file.
    """

    table: str
    row: str
    field: str
    reason: str
    fid: int

    def __str__(self) -> str:
        return f"table {self.table}, row {self.row}, field {self.field}: {self.reason}"


def unreadable(damage: Damage, *, where: str = "") -> ProjectError:
    """The error that names a damaged cell and says what to do with its row."""
    return ProjectError(f"{where}{damage}", set_aside_words(damage))


def set_aside_words(damage: Damage) -> str:
    """What to do with a damaged row."""
    return (
        f"Set the row aside with facademap check PROJECT --set-aside {damage.table}:{damage.row[:80]} (it is kept and can be "
        "put back), or restore the project from a copy."
    )


def missing_parts(connection: Connection) -> Iterator[tuple[Table, tuple[str, ...]]]:
    """Tables and columns that the contracts name and the file lacks; no columns where the whole table is missing."""
    for table in TABLES.values():
        present = columns_of(connection, table)
        wanted = (*table.names, *(("geom",) if table.geometry else ()), "rev")
        lacking = tuple(n for n in wanted if n not in present)
        if lacking:
            yield table, lacking if present else ()


def columns_of(connection: Connection, table: Table) -> frozenset[str]:
    """Columns that the file has for a table; none where it lacks the table."""
    return dialect_of(connection).columns_of(connection, table.name)


def damaged_cells(connection: Connection, table: Table) -> Iterator[Damage]:
    """Every cell of a table that cannot be read, in the order of the rows; whatever is damaged, the others are read."""
    present = columns_of(connection, table)
    if not {"fid", "id"} <= present:
        return
    fids = [f for (f,) in connection.execute(f'SELECT "fid" FROM "{table.name}" ORDER BY "fid"')]
    for fid in fids:
        yield from damage_of_row(connection, table, fid, present=present)


def damage_of_row(
    connection: Connection, table: Table, fid: int, *, present: frozenset[str] | None = None
) -> Iterator[Damage]:
    """Every cell of one row that cannot be read."""
    present = columns_of(connection, table) if present is None else present
    cells = _cells(connection, table, fid, present)
    name = cells.get("id")
    row = name if isinstance(name, str) and name else f"number {fid}"
    faults: dict[str, str] = {}
    for field in [c.name for c in table.columns] + (["geom"] if table.geometry else []):
        if field in present and (reason := _fault(table, field, cells[field])):
            faults[field] = reason
    if not faults and table.whole_row and (found := table.whole_row(cells)):
        faults[found[0]] = found[1]
    for field, reason in faults.items():
        yield Damage(
            table=table.name,
            row=row,
            field="geometry" if field == "geom" else field,
            reason=reason[:_TOO_LONG],
            fid=fid,
        )


def _cells(
    connection: Connection, table: Table, fid: int, present: frozenset[str]
) -> dict[str, Any]:
    """What the file gives for every column of a row; an error stands for a cell that it cannot give."""
    cells: dict[str, Any] = {}
    for field in present:
        asked = dialect_of(connection).outline if field == "geom" else f'"{field}"'
        try:
            found = connection.execute(
                f'SELECT {asked} FROM "{table.name}" WHERE "fid" = ?', (fid,)
            ).fetchone()
            cells[field] = found[0] if found else None
        except sqlite3.DatabaseError as error:
            cells[field] = error
    return cells


def _fault(table: Table, field: str, value: Any) -> str | None:
    if isinstance(value, Exception):
        return f"cannot be read ({value})"
    column: Column | None = None if field == "geom" else table.column(field)
    try:
        if column is None:
            outline_from_blob(table, value)
        else:
            cell_from_sql(column, value)
    except UNREADABLE as error:
        kind = "no outline" if column is None else f"no {column.kind}"
        return f"{kind} ({str(error)[:_TOO_LONG]})"
    if field == "id" and (fault := table.id_fault(value)):
        return fault
    return None
