"""A whole table in few bytes, column by column, so that a page opens it without reading it row by row.

The form, all numbers little endian:

- 4 bytes ``FMT1``, 4 bytes length of the head, the head as JSON, zeros up to a multiple of 8;
- the arrays that the head names, each at a multiple of 8 bytes from the start of the file.

A column is one value for all rows (``same``), numbers (``f8``, not a number for nothing), or a number of
an entry in a list of values (``values`` with ``u1``, ``u2`` or ``u4``). Outlines are whole micrometres: per row the kind of
shape and the end of its rings, per ring the end of its points and whether it begins a part, then all points.
"""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from facademap.store.cells import UNREADABLE, column_from_sql, outlines_from_blobs
from facademap.store.database import in_plain_words
from facademap.store.dialect import dialect_of, selected
from facademap.store.edit import table_named
from facademap.store.geopackage import wkb_of_blob
from facademap.store.project import Project
from facademap.tables import Column, Table

__all__ = ["KINDS", "PER_M", "pack_table", "packed_head"]

MAGIC = b"FMT1"
#: Outlines are kept to a thousandth of a millimetre.
PER_M = 1_000_000
#: Shapes by their number in the file; 0 is none.
KINDS = ("", "Point", "LineString", "MultiLineString", "Polygon", "MultiPolygon", "MultiPoint")
_KIND_OF_TYPE = {0: 1, 1: 2, 2: 2, 3: 4, 4: 6, 5: 3, 6: 5}


def pack_table(project: Project, table_name: str) -> bytes:
    """Every row of a table, its revisions and its outlines, as they stood at one change (``seq`` in the head)."""
    table = table_named(table_name)
    connection = project._connection
    names = selected(connection, table)
    with in_plain_words(project.path):
        # both questions see the same moment
        connection.execute(dialect_of(connection).begin_reading)
        try:
            newest = connection.execute(
                "SELECT seq, txn FROM edit_log ORDER BY seq DESC LIMIT 1"
            ).fetchone() or (0, "")
            rows = connection.execute(
                f'SELECT "rev", {names} FROM "{table.name}" ORDER BY "fid"'
            ).fetchall()
        finally:
            connection.execute("COMMIT")
    columns = (
        list(zip(*rows, strict=True))
        if rows
        else [()] * (1 + len(table.columns) + bool(table.geometry))
    )
    try:
        return _packed(project, table, newest, columns)
    except UNREADABLE as error:
        raise project._damaged(table, error) from None


def _packed(
    project: Project, table: Table, newest: tuple[int, str], columns: Sequence[Sequence[Any]]
) -> bytes:
    for column, stored in zip(table.columns, columns[1:], strict=False):
        column_from_sql(column, stored)  # nothing that breaks its contract is told to the pages
    if table.geometry:
        outlines_from_blobs(table, columns[-1])
    file = _File()
    head: dict[str, Any] = {
        "table": table.name,
        "seq": newest[0],
        "txn": newest[1],
        "n": len(columns[0]),
        "project": project.project_id,
        "rev": file.coded(columns[0]),
    }
    head["columns"] = {
        c.name: _column(c, values, file)
        for c, values in zip(table.columns, columns[1:], strict=False)
    }
    if table.geometry:
        head |= _outlines(columns[-1], file)
    return file.bytes_with(head)


def packed_head(data: bytes) -> dict[str, Any] | None:
    """The head of a packed table; ``None`` when it is none."""
    if data[:4] != MAGIC or len(data) < 8:
        return None
    start = 8 + int.from_bytes(data[4:8], "little")
    try:
        head = json.loads(data[8:start])
    except ValueError:
        return None
    return (
        head
        if isinstance(head, dict) and len(data) == start + head.get("bytes", math.inf)
        else None
    )


class _File:
    """Arrays one after another, each at a multiple of 8 bytes."""

    def __init__(self) -> None:
        self._parts: list[bytes] = []
        self._length = 0

    def array(self, values: NDArray[Any]) -> list[Any]:
        """Place and form of an array: [offset behind the head, length, type]."""
        data = values.astype(values.dtype.newbyteorder("<"), copy=False).tobytes()
        place = [self._length, len(values), f"{values.dtype.kind}{values.dtype.itemsize}"]
        padded = data + b"\0" * (-len(data) % 8)
        self._parts.append(padded)
        self._length += len(padded)
        return place

    def coded(self, values: Sequence[Any]) -> dict[str, Any]:
        """Values by number in a list of those that occur."""
        codes, found = pd.factorize(
            np.fromiter(values, dtype=object, count=len(values)), use_na_sentinel=False
        )
        listed = [None if isinstance(v, float) and math.isnan(v) else v for v in found.tolist()]
        if len(listed) <= 1:
            return {"same": listed[0] if listed else None}
        kind = (
            np.uint8 if len(listed) < 1 << 8 else np.uint16 if len(listed) < 1 << 16 else np.uint32
        )
        if len(listed) == len(values):
            return {"values": listed}
        return {"values": listed, "code": self.array(codes.astype(kind))}

    def bytes_with(self, head: dict[str, Any]) -> bytes:
        """The whole file."""
        text = json.dumps(
            {**head, "bytes": self._length},
            ensure_ascii=False,
            separators=(",", ":"),
            allow_nan=False,
        ).encode()
        text += b" " * (-(len(text) + 8) % 8)
        return b"".join([MAGIC, len(text).to_bytes(4, "little"), text, *self._parts])


def _column(column: Column, stored: Sequence[Any], file: _File) -> dict[str, Any]:
    if column.kind == "float":
        numbers = np.array([math.nan if v is None else v for v in stored], dtype=np.float64)
        if not len(numbers) or np.isnan(numbers).all():
            return {"same": None}
        return {"number": file.array(numbers)}
    coded = file.coded(stored)
    if column.kind in ("json", "bool"):
        # kept as text and numbers in the project; told as what they mean
        read = json.loads if column.kind == "json" else bool
        for name in ("same", "values"):
            if name in coded:
                was = coded[name]
                coded[name] = (
                    [None if v is None else read(v) for v in was]
                    if name == "values"
                    else None
                    if was is None
                    else read(was)
                )
    return coded


def _outlines(blobs: Sequence[bytes | None], file: _File) -> dict[str, Any]:
    shapes = (
        shapely.from_wkb(np.array([wkb_of_blob(b) for b in blobs], dtype=object))
        if blobs
        else np.empty(0, dtype=object)
    )
    kinds = np.array([_KIND_OF_TYPE.get(int(t), 0) for t in range(8)], np.uint8)
    types = shapely.get_type_id(shapes)
    kind = np.where(types < 0, 0, kinds[np.clip(types, 0, 7)]).astype(np.uint8)
    kind[shapely.is_empty(shapes)] = 0
    shapes = shapes.copy()
    shapes[kind == 0] = None
    parts, row_of_part = shapely.get_parts(shapes, return_index=True)
    flat = shapely.get_type_id(parts) != 3
    rings, part_of_ring = shapely.get_rings(parts, return_index=True)
    # rings of polygons and whole lines or points, in the order of rows and parts
    pieces = np.concatenate([rings, parts[flat]])
    part = np.concatenate([part_of_ring, np.flatnonzero(flat)])
    order = np.argsort(part, kind="stable")
    pieces, part = pieces[order], part[order]
    points = shapely.get_coordinates(pieces)
    first = np.ones(len(part), np.uint8)
    first[1:] = part[1:] != part[:-1]
    row = row_of_part[part]
    return {
        "kind": file.array(kind),
        "ringsTo": file.array(
            np.searchsorted(row, np.arange(len(shapes)), side="right").astype(np.uint32)
        ),
        "pointsTo": file.array(np.cumsum(shapely.get_num_coordinates(pieces)).astype(np.uint32)),
        "begins": file.array(first),
        "xy": file.array(np.round(points * PER_M).astype(np.int32).ravel()),
    }
