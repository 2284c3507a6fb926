"""Damaged rows that were set aside: kept cell by cell as the file held them, and put back the same way."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Mapping
from typing import Any

from facademap.errors import InputError
from facademap.store.cells import UNREADABLE, cell_from_sql, outline_from_blob
from facademap.store.damage import columns_of
from facademap.store.dialect import Connection, dialect_of
from facademap.tables import Table
from facademap.tables.names import same_id

__all__ = ["TABLE_SQL", "Aside", "keep_aside", "kept_aside", "put_back", "readable_part"]

#: Made when the first row is set aside; other programs see it as a plain table.
TABLE_SQL = """
CREATE TABLE IF NOT EXISTS facademap_set_aside (
  seq INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, txn TEXT NOT NULL, at TEXT NOT NULL, who TEXT NOT NULL,
  table_name TEXT NOT NULL, row_id TEXT NOT NULL, cells TEXT NOT NULL, put_back TEXT)
"""

#: Number in the table of what is set aside, and its cells.
Aside = tuple[int, dict[str, Any]]


def keep_aside(
    connection: Connection, table: Table, fid: int, *, row: str, txn: str, at: str, who: str
) -> dict[str, Any]:
    """Take one row out of its table and keep its cells; returns them."""
    names = sorted(columns_of(connection, table))
    cells = {n: _cell(connection, table, n, fid) for n in names}
    if not dialect_of(connection).columns_of(connection, "facademap_set_aside"):
        connection.execute(TABLE_SQL)
    connection.execute(
        "INSERT INTO facademap_set_aside (txn, at, who, table_name, row_id, cells) VALUES (?,?,?,?,?,?)",
        (txn, at, who, table.name, row, json.dumps({n: _coded(v) for n, v in cells.items()})),
    )
    connection.execute(f'DELETE FROM "{table.name}" WHERE "fid" = ?', (fid,))
    return cells


def kept_aside(connection: Connection, txn: str) -> dict[tuple[str, str], Aside]:
    """What one transaction set aside and nobody put back, by table and row."""
    try:
        found = connection.execute(
            "SELECT seq, table_name, row_id, cells FROM facademap_set_aside WHERE txn = ? AND put_back IS NULL",
            (txn,),
        ).fetchall()
    except sqlite3.OperationalError:
        return {}  # nothing was ever set aside here
    return {
        (table, row): (seq, {n: _decoded(v) for n, v in json.loads(cells).items()})
        for seq, table, row, cells in found
    }


def put_back(
    connection: Connection, table: Table, row: str, aside: Aside, *, txn: str
) -> dict[str, Any]:
    """Put a row back as it was, damage and all; returns its cells.

    Raises
    ------
    InputError
        Another row has its id by now.
    """
    seq, cells = aside
    taken = connection.execute(
        f'SELECT 1 FROM "{table.name}" WHERE {dialect_of(connection).folded("id")} = ?',
        (same_id(str(cells.get("id"))),),
    ).fetchone()
    if taken:
        raise InputError(
            f"{table.title.lower()}: there is another {row!r} by now",
            "Delete or rename that one first.",
        )
    present = columns_of(connection, table)
    names = [n for n in cells if n in present]
    outline = dialect_of(connection).outline_mark
    columns = ", ".join(f'"{n}"' for n in names)
    marks = ",".join(outline if n == "geom" else "?" for n in names)
    connection.execute(
        f'INSERT INTO "{table.name}" ({columns}) VALUES ({marks})', [cells[n] for n in names]
    )
    connection.execute("UPDATE facademap_set_aside SET put_back = ? WHERE seq = ?", (txn, seq))
    return cells


def readable_part(table: Table, cells: Mapping[str, Any]) -> dict[str, Any]:
    """What can be read of a row, nothing for the rest, as the history keeps it."""
    row: dict[str, Any] = {}
    for column in table.columns:
        try:
            row[column.name] = cell_from_sql(column, cells.get(column.name))
        except UNREADABLE:
            row[column.name] = None
    if table.geometry:
        try:
            row["geometry"] = outline_from_blob(table, cells.get("geom"))
        except UNREADABLE:
            row["geometry"] = None
    return row


def _cell(connection: Connection, table: Table, name: str, fid: int) -> Any:
    asked = dialect_of(connection).outline if name == "geom" else f'"{name}"'
    try:
        return connection.execute(
            f'SELECT {asked} FROM "{table.name}" WHERE "fid" = ?', (fid,)
        ).fetchone()[0]
    except sqlite3.OperationalError:
        # text that is no UTF-8: its bytes are kept
        return connection.execute(
            f'SELECT CAST("{name}" AS BLOB) FROM "{table.name}" WHERE "fid" = ?', (fid,)
        ).fetchone()[0]


def _coded(value: Any) -> Any:
    return {"hex": value.hex()} if isinstance(value, bytes) else value


def _decoded(value: Any) -> Any:
    return bytes.fromhex(value["hex"]) if isinstance(value, dict) else value
