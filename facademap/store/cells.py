"""What the file holds, as the contract of its table promises it; anything else is refused where it stands."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import shapely
from shapely.errors import ShapelyError

from facademap.store.geopackage import geometry_from_blob, wkb_of_blob
from facademap.tables import Column, Table
from facademap.tables.contract import Kind
from facademap.tables.setting_shapes import setting_shape
from facademap.tables.shapes import JUST, Shape, read_json

__all__ = [
    "UNREADABLE",
    "cell_from_sql",
    "column_from_sql",
    "outline_from_blob",
    "outlines_from_blobs",
    "row_from_sql",
    "setting_from_sql",
]

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
_NOTHING = type(None)
#: Marks of JSON texts that had their shape: the same rows are read over and over while a desk is served.
_SOUND: set[int] = set()
_MOST_SOUND = 200_000


def cell_from_sql(column: Column, value: Any) -> Any:
    """A stored value as the contract reads it.

    Raises
    ------
    ValueError
        It has another type, lies out of bounds, or has not the shape of its column.
    """
    if value is None:
        if not column.nullable and column.default is None:
            raise ValueError("nothing, a value is required")
        return math.nan if column.kind == "float" else None
    if not isinstance(value, _STORED_AS[column.kind]):
        raise ValueError(f"{value!r:.40}, expected {column.kind}")
    result = _READERS.get(column.kind, _as_it_is)(value)
    if column.kind == "json":
        _refuse_shape(column.shape or JUST, str(value), result)
    if column.choices and result not in column.choices:
        raise ValueError(f"{value!r:.40}, expected one of {', '.join(column.choices)}")
    if column.minimum is not None and not result >= column.minimum:
        raise ValueError(f"{value!r:.40}, expected at least {column.minimum:g}")
    if column.maximum is not None and not result <= column.maximum:
        raise ValueError(f"{value!r:.40}, expected at most {column.maximum:g}")
    return result


def _refuse_shape(shape: Shape, text: str, value: Any) -> None:
    """Refuse a value that has not its shape; texts that were found sound before are not walked through again."""
    mark = hash((id(shape), text))
    if mark in _SOUND:
        return
    if fault := shape.fault(value):
        raise ValueError(fault)
    if len(_SOUND) >= _MOST_SOUND:
        _SOUND.clear()
    _SOUND.add(mark)


def _as_it_is(value: Any) -> Any:
    return value


def _finite(value: float) -> float:
    if not math.isfinite(value):
        raise ValueError("no finite number")
    return float(value)


def _date(value: str) -> str:
    dt.date.fromisoformat(value)
    return value


def _time(value: str) -> str:
    dt.datetime.fromisoformat(value)
    return value


_READERS: Mapping[str, Any] = {
    "json": read_json,
    "bool": bool,
    "float": _finite,
    "date": _date,
    "time": _time,
}


def column_from_sql(column: Column, stored: Sequence[Any]) -> list[Any]:
    """The values of one column, checked as :func:`cell_from_sql` does, the plain ones all at once."""
    types = set(map(type, stored))
    if (
        column.kind != "text"
        or not types <= {str, _NOTHING}
        or (_NOTHING in types and not column.nullable)
    ):
        return [cell_from_sql(column, v) for v in stored]
    if column.choices:
        for value in set(stored):
            cell_from_sql(column, value)
    return list(stored)


def outlines_from_blobs(table: Table, blobs: Sequence[Any]) -> list[shapely.Geometry | None]:
    """The outlines of a table, each with the kind and within the bounds that its contract asks for."""
    if not len(blobs):
        return []
    shapes = np.array(
        shapely.from_wkb(np.array([wkb_of_blob(b) for b in blobs], dtype=object)), dtype=object
    )
    if table.outlines_sound(shapes):
        return list(shapes)
    return [outline_from_blob(table, b) for b in blobs]


def outline_from_blob(table: Table, blob: Any) -> shapely.Geometry | None:
    """One outline of a table; ``ValueError`` where it is none that the table takes."""
    shape = geometry_from_blob(blob)
    if fault := table.outline_fault(shape):
        raise ValueError(fault)
    return shape


def row_from_sql(table: Table, values: Sequence[Any]) -> dict[str, Any]:
    """A row from what the database gives for its columns, then its geometry where it has one."""
    row = {c.name: cell_from_sql(c, v) for c, v in zip(table.columns, values, strict=False)}
    if table.geometry:
        row["geometry"] = outline_from_blob(table, values[len(table.names)])
    return row


def setting_from_sql(name: str, value: Any) -> Any:
    """The value of a setting; ``ValueError`` where it is no JSON, or not of the shape that setting has."""
    if not isinstance(value, str):
        raise ValueError(f"{value!r:.40}, expected JSON")
    result = read_json(value)
    if fault := setting_shape(name).fault(result):
        raise ValueError(fault)
    return result
