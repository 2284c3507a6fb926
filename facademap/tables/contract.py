"""What a column and a table are, and how rows are checked against their contract."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from facademap.errors import TableError
from facademap.tables.names import LONGEST_KEY, as_id, id_fault, same_id
from facademap.tables.shapes import JUST, Shape, is_writable, read_json

__all__ = ["Column", "GeometryKind", "Kind", "Table", "is_missing", "text_of"]

Kind = Literal["text", "int", "float", "bool", "date", "time", "json"]
GeometryKind = Literal["polygon", "line", "point", "any"]

#: Texts longer than this are cut off by no one: they are refused, since a note of a megabyte is a mistake.
MAX_TEXT_LENGTH = 20_000
MAX_FAULTS_IN_ONE_LINE = 3
_GEOMETRY_TYPES: Mapping[GeometryKind, frozenset[str]] = {
    "polygon": frozenset({"Polygon", "MultiPolygon"}),
    "line": frozenset({"LineString", "MultiLineString"}),
    "point": frozenset({"Point"}),
    "any": frozenset({"Polygon", "MultiPolygon", "LineString", "MultiLineString", "Point"}),
}
_TYPE_NAMES: Mapping[int, str] = {
    0: "Point", 1: "LineString", 2: "LinearRing", 3: "Polygon", 4: "MultiPoint", 5: "MultiLineString", 6: "MultiPolygon",
    7: "GeometryCollection",
}  # fmt: skip
#: No wall is larger; coordinates beyond it are in the wrong unit or the wrong frame.
MAX_WALL_COORDINATE_M = 2_000.0


def is_missing(value: Any) -> bool:
    """True for ``None``, NaN, NaT and empty text."""
    if value is None or value is pd.NA or value is pd.NaT:
        return True
    if isinstance(value, float):
        return math.isnan(value)
    return isinstance(value, str) and not value.strip()


def text_of(value: Any, otherwise: str = "") -> str:
    """A value of a table as text, or what stands in its place where it is missing."""
    return otherwise if is_missing(value) else str(value)


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """One column of a table.

    Parameters
    ----------
    name : str
        Column name; a dimension carries its unit (``depth_m``).
    kind : str
        ``text``, ``int``, ``float``, ``bool``, ``date`` (YYYY-MM-DD), ``time`` (ISO 8601 UTC) or ``json``.
    meaning : str
        What the value says, in one sentence, for docs and templates.
    unit : str
        Unit in words, empty for none.
    nullable : bool
        Whether the value may be missing.
    default : object
        Value of a row that does not give one; ``None`` leaves it missing.
    choices : tuple of str
        The only values allowed, where not empty.
    minimum, maximum : float, optional
        Bounds, inclusive.
    refers : str
        Name of the table whose ``id`` the value names, empty for none.
    many : bool
        Whether the value is a list of such names.
    shape : Shape, optional
        What a ``json`` value must look like.
    longest : int
        Characters of a text.
    """

    name: str
    kind: Kind
    meaning: str
    unit: str = ""
    nullable: bool = True
    default: Any = None
    choices: tuple[str, ...] = ()
    minimum: float | None = None
    maximum: float | None = None
    refers: str = ""
    many: bool = False
    shape: Shape | None = None
    longest: int = MAX_TEXT_LENGTH

    def names(self, value: Any) -> tuple[str, ...]:
        """The ids that a value of this column names; a dash names nothing."""
        if not self.refers or is_missing(value) or value == "-":
            return ()
        return tuple(str(v) for v in value) if self.many else (str(value),)

    def read(self, value: Any) -> Any:
        """The value in the column's type; ``ValueError`` with what is expected when it has none.

        Raises
        ------
        ValueError
            It has none; says what is expected.
        """
        if is_missing(value):
            value = self.default
        if is_missing(value):
            if self.nullable:
                return math.nan if self.kind == "float" else None
            raise ValueError("a value is required")
        result = _READERS[self.kind](value)
        if self.kind == "text" and len(result) > self.longest:
            raise ValueError(f"expected at most {self.longest} characters")
        if self.kind == "json" and (fault := (self.shape or JUST).fault(result)):
            raise ValueError(fault)
        if self.refers == "photos":
            result = as_id(result)  # people write the name that the file had
        if self.choices and result not in self.choices:
            raise ValueError("expected one of " + ", ".join(self.choices))
        if self.minimum is not None and result < self.minimum:
            raise ValueError(f"expected at least {self.minimum:g}")
        if self.maximum is not None and result > self.maximum:
            raise ValueError(f"expected at most {self.maximum:g}")
        return result


def _read_text(value: Any) -> str:
    text = str(value)
    if "\x00" in text:
        raise ValueError("expected text without NUL characters")
    if not text.isascii() and not is_writable(text):
        raise ValueError("expected text that can be written as UTF-8")
    return text.strip()


def _read_float(value: Any) -> float:
    if isinstance(value, (bool, np.bool_)):
        raise ValueError("expected a number")
    try:
        number = float(value)
    except (TypeError, ValueError):
        raise ValueError("expected a number") from None
    if not math.isfinite(number):
        raise ValueError("expected a finite number")
    return number


def _read_int(value: Any) -> int:
    number = _read_float(value)
    if number != int(number):
        raise ValueError("expected a whole number")
    return int(number)


def _read_bool(value: Any) -> bool:
    if isinstance(value, (bool, np.bool_)):
        return bool(value)
    if isinstance(value, (int, float, np.integer, np.floating)) and value in (0, 1):
        return bool(value)
    word = str(value).strip().lower()
    if word in {"true", "yes", "1", "y"}:
        return True
    if word in {"false", "no", "0", "n"}:
        return False
    raise ValueError("expected yes or no")


def _read_date(value: Any) -> str:
    if isinstance(value, (dt.datetime, dt.date, pd.Timestamp)):
        return value.strftime("%Y-%m-%d")
    try:
        return dt.date.fromisoformat(str(value).strip()[:10]).isoformat()
    except ValueError:
        raise ValueError("expected a date as YYYY-MM-DD") from None


def _read_time(value: Any) -> str:
    if isinstance(value, (dt.datetime, pd.Timestamp)):
        return value.isoformat()
    try:
        dt.datetime.fromisoformat(str(value).strip())
    except ValueError:
        raise ValueError("expected a time as YYYY-MM-DDTHH:MM:SS+00:00") from None
    return str(value).strip()


def _read_json(value: Any) -> Any:
    return read_json(value) if isinstance(value, str) else value


_READERS: Mapping[Kind, Callable[[Any], Any]] = {
    "text": _read_text,
    "int": _read_int,
    "float": _read_float,
    "bool": _read_bool,
    "date": _read_date,
    "time": _read_time,
    "json": _read_json,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """One table of a project: its columns and, where it has one, its geometry.

    The key is always the text column ``id`` of the grammar in :mod:`facademap.tables.names`; with ``joined_ids`` it is
    made from ids of other tables, with ``free_ids`` it is any printable text that no file is named by. Geometry, where declared, is in metres of the wall
    frame of the row's ``surface``. ``whole_row`` tells the column and the fault of values that depend on one another.
    """

    name: str
    title: str
    meaning: str
    columns: tuple[Column, ...]
    geometry: GeometryKind | None = None
    geometry_nullable: bool = False
    joined_ids: bool = False
    free_ids: bool = False
    whole_row: Callable[[Mapping[str, Any]], tuple[str, str] | None] | None = None
    _by_name: Mapping[str, Column] = field(
        init=False, repr=False, compare=False, default_factory=dict
    )

    def __post_init__(self) -> None:
        object.__setattr__(self, "_by_name", {c.name: c for c in self.columns})

    @property
    def names(self) -> tuple[str, ...]:
        """Column names in order, without the geometry."""
        return tuple(c.name for c in self.columns)

    def column(self, name: str) -> Column:
        """The column of that name."""
        return self._by_name[name]

    def id_fault(self, id: str) -> str | None:
        """What is wrong with an id of this table; ``None`` for a good one."""
        if self.free_ids:
            good = len(id) <= LONGEST_KEY and id.isprintable()
            return None if good else f"expected at most {LONGEST_KEY} printable characters"
        return id_fault(id, joined=self.joined_ids)

    def empty(self) -> pd.DataFrame:
        """A frame of no rows with the contract's columns and types."""
        return self._frame([], [])

    def check(self, frame: pd.DataFrame, *, source: str = "") -> pd.DataFrame:
        """A new frame whose rows keep the contract, columns in order; the input is left alone.

        Parameters
        ----------
        frame : DataFrame or GeoDataFrame
            Rows with any of the table's columns; columns that the table does not have are refused.
        source : str
            Where the rows came from, named in the error.

        Raises
        ------
        TableError
            Listing every bad row with column, value and what is expected.
        """
        geometry_name = frame.geometry.name if isinstance(frame, gpd.GeoDataFrame) else "geometry"
        unknown = [c for c in frame.columns if c not in self._by_name and c != geometry_name]
        where = f"{source}: " if source else ""
        if unknown:
            raise TableError(
                f"{where}table {self.name} has no column {', '.join(map(str, unknown[:5]))}",
                f"Use the columns {', '.join(self.names)}.",
            )
        records: list[dict[str, Any]] = [
            {str(k): v for k, v in r.items()} for r in frame.to_dict("records")
        ]
        faults: list[str] = []
        rows = [
            self._check_row(record, number, faults)
            for number, record in enumerate(records, start=1)
        ]
        geometries = self._check_geometries(records, geometry_name, faults)
        faults += _repeated_ids(rows)
        if faults:
            raise self._error(faults, where)
        return self._frame(
            rows, geometries, crs=getattr(frame, "crs", None) if self.geometry else None
        )

    def check_row(self, values: Mapping[str, Any], *, source: str = "") -> dict[str, Any]:
        """One complete row (geometry under ``geometry`` as a shapely object) that keeps the contract.

        Raises
        ------
        TableError
            A column that the table does not have, or a value that breaks its contract.
        """
        faults: list[str] = []
        unknown = [k for k in values if k not in self._by_name and k != "geometry"]
        if unknown:
            raise TableError(
                f"table {self.name} has no column {', '.join(unknown[:5])}",
                f"Use the columns {', '.join(self.names)}.",
            )
        row = self._check_row(values, 1, faults)
        geometry = self._check_geometries([values], "geometry", faults)
        if faults:
            raise self._error(faults, f"{source}: " if source else "")
        if self.geometry:
            row["geometry"] = geometry[0]
        return row

    def template(self) -> pd.DataFrame:
        """Column, unit, whether required, allowed values and meaning: for docs and import templates."""
        return pd.DataFrame(
            [
                {
                    "column": c.name,
                    "kind": c.kind,
                    "unit": c.unit,
                    "required": not c.nullable and c.default is None,
                    "allowed": ", ".join(c.choices),
                    "meaning": c.meaning,
                }
                for c in self.columns
            ]
        )

    def _check_row(
        self, record: Mapping[str, Any], number: int, faults: list[str]
    ) -> dict[str, Any]:
        label = record.get("id")
        name = f"row {number}" + (f" ({str(label)[:40]})" if not is_missing(label) else "")
        row: dict[str, Any] = {}
        for column in self.columns:
            value = record.get(column.name)
            try:
                row[column.name] = column.read(value)
                if column.name == "id" and (fault := self.id_fault(row["id"])):
                    raise ValueError(fault)
            except ValueError as reason:
                shown = (
                    "nothing"
                    if is_missing(value)
                    else repr(value if len(str(value)) < 60 else str(value)[:57] + "...")
                )
                faults.append(f"{name}, {column.name}: {shown}, {reason}")
        if len(row) == len(self.columns) and self.whole_row and (found := self.whole_row(row)):
            faults.append(f"{name}, {found[0]}: {found[1]}")
        return row

    def _check_geometries(
        self, records: Iterable[Mapping[str, Any]], geometry_name: str, faults: list[str]
    ) -> list[Any]:
        if self.geometry is None:
            return []
        result: list[Any] = []
        for number, record in enumerate(records, start=1):
            shape = record.get(geometry_name)
            label = record.get("id")
            name = f"row {number}" + (f" ({label})" if not is_missing(label) else "")
            if not isinstance(shape, shapely.Geometry) or shape.is_empty:
                shape = None
            if fault := self.outline_fault(shape):
                faults.append(f"{name}, geometry: {fault}")
            result.append(shape)
        return result

    def outlines_sound(self, shapes: Any) -> bool:
        """Whether :meth:`outline_fault` finds nothing in an array of outlines; all of them are looked at together."""
        allowed = _GEOMETRY_TYPES[self.geometry or "any"]
        there = shapes[~shapely.is_missing(shapes)]
        if len(there) < len(shapes) and not self.geometry_nullable:
            return False
        corners = shapely.get_coordinates(there)
        return bool(
            {_TYPE_NAMES[int(t)] for t in np.unique(shapely.get_type_id(there))} <= allowed
            and not shapely.is_empty(there).any()
            and np.isfinite(corners).all()
            and np.abs(corners).max(initial=0.0) <= MAX_WALL_COORDINATE_M
            and shapely.is_valid(there).all()
        )

    def outline_fault(self, shape: shapely.Geometry | None) -> str | None:
        """What is wrong with an outline of this table; ``None`` for a good one."""
        if self.geometry is None:
            return None
        if shape is None or shape.is_empty:
            return (
                None if self.geometry_nullable else f"nothing, expected a {self.geometry} outline"
            )
        allowed = _GEOMETRY_TYPES[self.geometry]
        if shape.geom_type not in allowed:
            return f"{shape.geom_type}, expected {' or '.join(sorted(allowed))}"
        corners = shapely.get_coordinates(shape)
        if not np.isfinite(corners).all():
            return "coordinates that are not finite numbers"
        if np.abs(corners).max() > MAX_WALL_COORDINATE_M:
            return f"coordinates beyond {MAX_WALL_COORDINATE_M:g} m, expected metres of the wall"
        return None if shape.is_valid else str(shapely.is_valid_reason(shape))

    def _frame(
        self, rows: list[dict[str, Any]], geometries: list[Any], *, crs: Any = None
    ) -> pd.DataFrame:
        data: dict[str, Any] = {}
        for column in self.columns:
            values = [row[column.name] for row in rows]
            dtype = "float64" if column.kind == "float" else "object"
            if column.kind in ("int", "bool") and values and all(v is not None for v in values):
                dtype = "int64" if column.kind == "int" else "bool"
            data[column.name] = pd.Series(values, dtype=dtype)
        if self.geometry is None:
            return pd.DataFrame(data)
        located: pd.DataFrame = gpd.GeoDataFrame(
            data, geometry=gpd.GeoSeries(geometries, crs=crs), crs=crs
        )
        return located

    def _error(self, faults: list[str], where: str) -> TableError:
        shown = "; ".join(faults[:MAX_FAULTS_IN_ONE_LINE])
        more = len(faults) - MAX_FAULTS_IN_ONE_LINE
        tail = f"; and {more} more" if more > 0 else ""
        return TableError(
            f"{where}{len(faults)} fault{'s' if len(faults) > 1 else ''} in {self.title.lower()}: {shown}{tail}",
            "Correct these values and read the rows again; nothing was stored.",
            faults=tuple(faults),
        )


def _repeated_ids(rows: list[dict[str, Any]]) -> list[str]:
    seen: dict[str, tuple[int, str]] = {}
    faults = []
    for number, row in enumerate(rows, start=1):
        name = row.get("id")
        if name is None:
            continue
        there, other = seen.setdefault(same_id(name), (number, name))
        if there != number:
            alike = "" if other == name else f" as {other!r}, which differs in case only"
            faults.append(
                f"row {number}, id: {name!r} stands in row {there} already{alike}, expected a name of its own"
            )
    return faults
