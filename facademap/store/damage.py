"""Cells of a project that cannot be read: found one by one, and named by table, row and field."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from shapely.errors import ShapelyError

from facademap.store.geopackage import geometry_from_blob, value_from_sql
from facademap.tables import Table
from facademap.tables.contract import Kind

__all__ = ["UNREADABLE", "Damage", "damaged_cells"]

#: What reading a damaged cell ends in.
UNREADABLE = (ValueError, TypeError, IndexError, ArithmeticError, RecursionError, ShapelyError)

_STORED_AS: Mapping[Kind, tuple[type, ...]] = {
    "text": (str,),
    "date": (str,),
    "time": (str,),
    "json": (str,),
    "int": (int,),
    "bool": (int,),
    "float": (int, float),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Damage:
    """One cell that cannot be read."""

    table: str
    row: str
    field: str
    reason: str

    def __str__(self) -> str:
        return f"table {self.table}, row {self.row}, field {self.field}: {self.reason}"


def damaged_cells(connection: sqlite3.Connection, table: Table) -> Iterator[Damage]:
    """Every cell of a table that cannot be read, in the order of the rows; whatever is damaged, the others are read."""
    fields = [(c.name, c) for c in table.columns] + ([("geom", None)] if table.geometry else [])
    ids = connection.execute(f'SELECT "fid", "id" FROM "{table.name}" ORDER BY "fid"').fetchall()
    names = {fid: str(id) if id is not None else f"number {fid}" for fid, id in ids}
    for field, column in fields:
        for fid in names:
            try:
                (value,) = connection.execute(
                    f'SELECT "{field}" FROM "{table.name}" WHERE "fid" = ?', (fid,)
                ).fetchone()
                if column is None:
                    geometry_from_blob(value)
                else:
                    if value is not None and not isinstance(value, _STORED_AS[column.kind]):
                        raise ValueError(repr(value)[:40])
                    value_from_sql(column, value)
            except (sqlite3.DatabaseError, *UNREADABLE) as error:
                kind = "no outline" if column is None else f"no {column.kind}"
                yield Damage(
                    table=table.name,
                    row=names[fid],
                    field=field,
                    reason=f"{kind} ({str(error)[:80]})",
                )
