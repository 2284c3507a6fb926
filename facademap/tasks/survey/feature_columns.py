"""Properties of outlines as any office names them, in the columns, units and types of our tables."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import geopandas as gpd
import pandas as pd

from facademap.errors import InputError
from facademap.io.cell_words import (
    HeaderMatch,
    cell_in_unit,
    column_unit,
    day_order,
    decimal_sign,
    iso_date,
    match_column,
)
from facademap.tables import Table, is_missing
from facademap.units import LENGTH_UNITS_M

__all__ = ["fit_columns"]


def fit_columns(
    frame: gpd.GeoDataFrame, table: Table, *, mapping: Mapping[str, str], source: str
) -> tuple[gpd.GeoDataFrame, list[str]]:
    """A frame with the table's columns only, and what was left out or converted.

    Raises
    ------
    InputError
        Two columns mean the same one, or the unit of a length is not known.
    """
    geometry = frame.geometry.name
    result = gpd.GeoDataFrame(geometry=frame.geometry.to_numpy())
    unused: list[str] = []
    notes: list[str] = []
    for name in frame.columns:
        if name == geometry:
            continue
        match = match_column(str(name), table.names, mapping=mapping)
        if match is None:
            unused.append(str(name))
            continue
        if match.column in result:
            raise InputError(
                f"{source}: column {match.column} is given twice, once as {name}",
                "Keep one of them.",
            )
        values = list(frame[name])
        result[match.column] = pd.Series(
            _values(values, table, match, str(name), source), dtype=object
        )
        own = column_unit(match.column)[1]
        if match.unit not in (None, own):
            notes.append(f"column {name} was read from {match.unit} as {match.column}")
    names = [n for n in unused if n.lower() == "name"]
    if "id" not in result and names and frame[names[0]].is_unique:
        result["id"] = list(frame[names[0]])
        unused.remove(names[0])
    if unused:
        notes.append(f"columns not used: {', '.join(unused)}")
    return result, notes


def _values(
    values: list[Any], table: Table, match: HeaderMatch, name: str, source: str
) -> list[Any]:
    column = table.column(match.column)
    own = column_unit(match.column)[1]
    if column.kind == "date":
        texts = [(f"{source}: row {k}", str(v)) for k, v in enumerate(values, start=1)]
        order = day_order(texts)
        return [iso_date(v, order) if isinstance(v, str) else v for v in values]
    if column.kind != "float" or own not in LENGTH_UNITS_M:
        return values
    if match.unit is None and not all(is_missing(v) for v in values):
        raise InputError(
            f"{source}: column {name} does not say its unit",
            f"Say it with --column {name}={match.column.removesuffix('_m')}_mm (or _cm, _in, _m).",
        )
    texts = [(f"{source}: row {k}", v) for k, v in enumerate(values, start=1) if isinstance(v, str)]
    sign = decimal_sign(texts) if texts else "."
    return [
        _length(v, match, str(own), sign, f"{source}: row {k}")
        for k, v in enumerate(values, start=1)
    ]


def _length(value: Any, match: HeaderMatch, own: str, sign: str, where: str) -> Any:
    if is_missing(value):
        return None
    if not isinstance(value, str):
        if match.unit in (None, own) or isinstance(value, bool):
            return value
        return float(value) * LENGTH_UNITS_M[str(match.unit)] / LENGTH_UNITS_M[own]
    try:
        return cell_in_unit(value, unit=match.unit, own=own, sign=sign)
    except ValueError as reason:
        raise InputError(
            f"{where}: {match.column} is {value[:40]!r}, {reason}", "Correct it."
        ) from None
