"""Outlines from outside: looked at cheaply first, mended within limits, or refused naming the row.

Everybody who makes an outline valid does it here. What the geometry library does for an outline that crosses itself
grows with the square of the crossings, so these are counted before, and counting stops at the limit.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from facademap.errors import GeometryError
from facademap.limits import Limits, limits_now, raise_limit

__all__ = ["check_size", "count_contacts", "mend", "mend_all"]

#: Sides looked at in one go; few, since each may cross all others.
_SIDES_AT_ONCE = 8


def check_size(shape: shapely.Geometry, *, name: str, limits: Limits | None = None) -> None:
    """Refuse an outline of too many corners.

    Raises
    ------
    GeometryError
    """
    limits = limits or limits_now()
    corners = int(shapely.get_num_coordinates(shape))
    if corners > limits.corners:
        raise GeometryError(
            f"{name}: an outline of {corners} corners, more than {limits.corners}",
            f"Draw it with fewer corners, {raise_limit('corners')}.",
        )


def count_contacts(shape: shapely.Geometry, *, most: int) -> int:
    """Pairs of sides of an outline that meet elsewhere than at their common corner, counted only so far as to pass ``most``.

    Mending costs the square of this number or more: an outline of 600 corners at random meets itself in forty
    thousand places and holds a processor for minutes, so that it is counted before it is mended.
    """
    rings = [shapely.get_coordinates(r) for r in shapely.get_rings(shape)]
    rings = [r[np.append(True, np.any(np.diff(r, axis=0) != 0, axis=1))] for r in rings]
    sides = np.concatenate([np.stack([r[:-1], r[1:]], axis=1) for r in rings])
    if not len(sides):
        return 0
    lengths = np.repeat([len(r) - 1 for r in rings], [len(r) - 1 for r in rings])
    first = np.repeat(
        np.cumsum([0, *(len(r) - 1 for r in rings[:-1])]), [len(r) - 1 for r in rings]
    )
    after = first + (np.arange(len(sides)) - first + 1) % lengths
    lines = shapely.linestrings(sides)
    tree, found = shapely.STRtree(lines), 0
    for begin in range(0, len(lines), _SIDES_AT_ONCE):
        one, other = tree.query(lines[begin : begin + _SIDES_AT_ONCE], predicate="intersects")
        one = one + begin
        apart = (one < other) & (after[one] != other) & (after[other] != one)
        found += int(np.count_nonzero(apart))
        if found > most:
            break
    return found


def mend(shape: shapely.Geometry, *, name: str, limits: Limits | None = None) -> shapely.Geometry:
    """A valid geometry of the same dimension; one that is valid comes back as it is.

    Parameters
    ----------
    shape : geometry
    name : str
        What is named when it is refused.

    Raises
    ------
    GeometryError
        Too many corners, too many crossings, or nothing left of it.
    """
    limits = limits or limits_now()
    check_size(shape, name=name, limits=limits)
    try:
        if shape.is_valid:
            return shape
        if count_contacts(shape, most=limits.contacts) > limits.contacts:
            raise GeometryError(
                f"{name}: it meets itself in more than {limits.contacts} places",
                f"Draw it again so that it does not cross itself, {raise_limit('contacts')}.",
            )
        mended = _same_dimension(shapely.make_valid(shape), shape)
    except shapely.errors.ShapelyError as error:
        raise GeometryError(
            f"{name}: an outline that cannot be worked with ({str(error)[:80]})", "Draw it again."
        ) from None
    if mended is None:
        raise GeometryError(f"{name}: an outline that encloses nothing", "Draw it again.")
    return mended


def mend_all(shapes: Any, *, what: str = "outline", limits: Limits | None = None) -> NDArray[Any]:
    """:func:`mend` for an array; only those that are not valid cost anything."""
    result = np.array(shapes, dtype=object)
    for position in np.flatnonzero(~shapely.is_valid(result) & ~shapely.is_missing(result)):
        result[position] = mend(result[position], name=f"{what} {position + 1}", limits=limits)
    return result


def _same_dimension(
    mended: shapely.Geometry, original: shapely.Geometry
) -> shapely.Geometry | None:
    """The parts of a mended geometry that have the dimension of the original."""
    dimension = int(shapely.get_dimensions(original))
    flat = [
        q
        for p in shapely.get_parts(mended)
        for q in shapely.get_parts(p)
        if shapely.get_dimensions(q) == dimension and not q.is_empty
    ]
    if not flat:
        return None
    if len(flat) == 1:
        return flat[0]
    return shapely.MultiPolygon(flat) if dimension == 2 else shapely.MultiLineString(flat)
