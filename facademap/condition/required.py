"""What a project requires of its conditions, and what is missing."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Any

import shapely

from facademap.tables import is_missing
from facademap.tables.settings import REQUIRABLE, RequirableField

__all__ = ["missing_fields"]

_SHAPES = {0: "point", 1: "line", 2: "area"}


def missing_fields(row: Mapping[Any, Any], required: Collection[str]) -> tuple[str, ...]:
    """Columns that a condition should have and has not, in the order of the contract.

    Parameters
    ----------
    row : mapping
        Row of the conditions with its ``geometry``.
    required : collection of str
        Columns that the project requires.
    """
    return tuple(
        f.column
        for f in REQUIRABLE
        if f.column in required and _is_asked(f, row) and _is_empty(f.column, row.get(f.column))
    )


def _is_asked(field: RequirableField, row: Mapping[Any, Any]) -> bool:
    if field.families and str(row.get("family")) not in field.families:
        return False
    if row.get("layer") in field.layers_without or (
        field.origin and row.get("origin") != field.origin
    ):
        return False
    shape = row.get("geometry")
    return shape is None or _SHAPES.get(int(shapely.get_dimensions(shape)), "area") in field.shapes


def _is_empty(column: str, value: Any) -> bool:
    if is_missing(value) or (isinstance(value, str) and not value.strip()):
        return True
    return column == "activity" and value == "unknown"
