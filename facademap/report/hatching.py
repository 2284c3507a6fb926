"""Hatches cut exactly at the outline, one geometry for every kind of drawing.

Lines are found by scan: every edge is crossed with the lines of the hatch, and crossings of one shape on
one line are paired. That is exact for any simple outline with holes and needs no clip path, which PDF
readers draw slowly.
"""

from __future__ import annotations

from typing import Any, Protocol

import numpy as np
import numpy.typing as npt
import shapely

from facademap.condition.glossary import Hatch
from facademap.condition.signs import DOT_RADIUS_MM, HATCH_LINE_MM, MARK_MM
from facademap.errors import InputError
from facademap.report.page import Page

__all__ = ["draw_hatch", "draw_marks", "hatch_dots", "hatch_lines"]


class Hatched(Protocol):
    """What has a colour and a hatch."""

    @property
    def colour(self) -> str: ...
    @property
    def hatch(self) -> Hatch: ...


Array = npt.NDArray[np.float64]


def _edges(shapes: Any, angle_deg: float) -> tuple[Array, npt.NDArray[np.intp]]:
    """Edges of all rings, turned so that the hatch is level, (n, 4), and the shape each belongs to."""
    parts, owner = shapely.get_parts(shapes, return_index=True)
    polygons = shapely.get_type_id(parts) == 3
    rings, of_part = shapely.get_rings(parts[polygons], return_index=True)
    coordinates, of_ring = shapely.get_coordinates(rings, return_index=True)
    if not len(coordinates):
        return np.empty((0, 4)), np.empty(0, dtype=np.intp)
    angle = np.radians(angle_deg)
    cos, sin = np.cos(angle), np.sin(angle)
    turned = np.column_stack(
        [
            coordinates[:, 0] * cos + coordinates[:, 1] * sin,
            coordinates[:, 1] * cos - coordinates[:, 0] * sin,
        ]
    )
    same = of_ring[1:] == of_ring[:-1]
    edges = np.hstack([turned[:-1][same], turned[1:][same]])
    return edges, owner[polygons][of_part[of_ring[:-1][same]]]


def _scan(
    shapes: Any, angle_deg: float, spacing: float, shift: float
) -> tuple[Array, Array, Array]:
    """Start, stop and level of every stretch inside a shape, in the turned frame."""
    if not spacing > 0:
        raise InputError(f"hatch spacing {spacing}", "Give a spacing above 0.")
    edges, owner = _edges(shapes, angle_deg)
    low, high = np.minimum(edges[:, 1], edges[:, 3]), np.maximum(edges[:, 1], edges[:, 3])
    # half open, so that a line through a corner is crossed once
    first = np.ceil((low - shift) / spacing).astype(np.int64)
    last = np.ceil((high - shift) / spacing).astype(np.int64) - 1
    count = np.maximum(last - first + 1, 0)
    which = np.repeat(np.arange(len(edges)), count)
    step = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count)
    line = first[which] + step
    level = line * spacing + shift
    e = edges[which]
    x = e[:, 0] + (level - e[:, 1]) * (e[:, 2] - e[:, 0]) / (e[:, 3] - e[:, 1])
    order = np.lexsort((x, line, owner[which]))
    x, level = x[order], level[order]
    return x[0::2], x[1::2], level[0::2]


def hatch_lines(shapes: Any, hatch: Hatch, *, shift: float = 0.0) -> Array:
    """Strokes of a hatch inside outlines, (n, 2, 2), in the units of the outlines.

    Parameters
    ----------
    shapes : array of shapely polygons
        Outlines in millimetres of paper.
    hatch : Hatch
        Directions and spacing; a hatch without directions has no strokes, see :func:`hatch_dots`.
    shift : float
        Moves the pattern.
    """
    shapes = np.atleast_1d(np.asarray(shapes, dtype=object))
    found = []
    for angle_deg in hatch.angles_deg:
        start, stop, level = _scan(shapes, angle_deg, hatch.spacing_mm, shift)
        angle = np.radians(angle_deg)
        cos, sin = np.cos(angle), np.sin(angle)
        ends = [
            np.column_stack([x * cos - level * sin, x * sin + level * cos]) for x in (start, stop)
        ]
        found.append(np.stack(ends, axis=1))
    return np.concatenate(found) if found else np.empty((0, 2, 2))


def hatch_dots(shapes: Any, hatch: Hatch) -> Array:
    """Dots of a hatch inside outlines, (n, 2): rows in quincunx."""
    shapes = np.atleast_1d(np.asarray(shapes, dtype=object))
    spacing = hatch.spacing_mm
    rise = spacing * np.sqrt(3.0) / 2.0
    start, stop, level = _scan(shapes, 0.0, rise, 0.0)
    offset = np.where(np.round(level / rise).astype(np.int64) % 2 == 0, 0.0, spacing / 2)
    first = np.ceil((start - offset) / spacing).astype(np.int64)
    count = np.maximum(np.floor((stop - offset) / spacing).astype(np.int64) - first + 1, 0)
    which = np.repeat(np.arange(len(start)), count)
    step = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count)
    return np.column_stack([(first[which] + step) * spacing + offset[which], level[which]])


def draw_hatch(page: Page, shapes: Any, sign: Hatched) -> None:
    """Fill outlines, in millimetres of paper, with the hatch of a sign."""
    if sign.hatch.angles_deg:
        page.lines(
            hatch_lines(shapes, sign.hatch),
            ink=sign.colour,
            width_mm=HATCH_LINE_MM,
            dash_mm=sign.hatch.dash_mm,
        )
    else:
        page.discs(hatch_dots(shapes, sign.hatch), DOT_RADIUS_MM, fill=sign.colour)


def draw_marks(page: Page, places: Any, colour: str, width_mm: float) -> None:
    """A triangle at each place, (n, 2) in millimetres of paper, for what has no extent."""
    half, high = MARK_MM / 3.0**0.5, MARK_MM * 2.0 / 3.0
    corners = np.array([(0.0, high), (half, -high / 2.0), (-half, -high / 2.0)])
    page.rings(
        [np.asarray(p) + corners for p in places], ink=colour, width_mm=width_mm, fill="#ffffff"
    )
