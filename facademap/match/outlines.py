"""Blanks: the outline that the saw must find room for, from the cut-out, its joints and the trim."""

from __future__ import annotations

import functools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import shapely
from shapely.geometry.polygon import orient

from facademap.errors import GeometryError
from facademap.match.problem import Params, Point, Repair

__all__ = ["Blank", "blank_of", "offset_outline", "turned"]

_PARALLEL = 1e-9
_ROUND = 9


@dataclass(frozen=True, slots=True, kw_only=True)
class Blank:
    """A blank in wall position, lower-left corner of its bounding box at the origin.

    ``parts_mm`` are convex pieces with three or four vertices, counter-clockwise, that cover the
    outline; two of them may overlap.
    """

    outline_mm: tuple[Point, ...]
    parts_mm: tuple[tuple[Point, ...], ...]
    width_mm: float
    height_mm: float
    area_mm2: float


def offset_outline(
    ring: Sequence[Point], offsets_mm: Sequence[float], *, what: str = "an outline"
) -> tuple[Point, ...]:
    """Move every edge of a simple ring outward (positive) or inward (negative) and mitre the corners.

    Parameters
    ----------
    ring : sequence of (x, y)
        A simple ring, either way round.
    offsets_mm : sequence of float
        One offset an edge, edge i from vertex i to i + 1.
    what : str
        What the outline belongs to, for the error.

    Returns
    -------
    tuple of (x, y)
        The moved ring, counter-clockwise, without mitre limit.

    Raises
    ------
    GeometryError
        When nothing, several parts or a ring that touches itself would be left.
    """
    points, offsets = list(ring), list(offsets_mm)
    if shapely.LinearRing(points).is_ccw is False:
        points = points[::-1]
        offsets = offsets[::-1][1:] + offsets[::-1][:1]
    edges = []
    for i, (x, y) in enumerate(points):
        ex, ey = points[(i + 1) % len(points)][0] - x, points[(i + 1) % len(points)][1] - y
        length = math.hypot(ex, ey)
        ex, ey = ex / length, ey / length
        edges.append((x + ey * offsets[i], y - ex * offsets[i], ex, ey))
    result = _corners(edges)
    while (gone := _collapsed(edges, result)) is not None and len(edges) > 3:
        edges.pop(gone)
        result = _corners(edges)
    flat = [corner for pair in result for corner in dict.fromkeys(pair)]
    remedy = "Make the cut-out larger or its joints smaller."
    if gone is not None or len(flat) < 3:
        raise GeometryError(f"{what}: nothing is left of the piece after its joints", remedy)
    polygon = shapely.Polygon(flat)
    if not polygon.is_valid or polygon.area <= 0.0 or not polygon.exterior.is_ccw:
        raise GeometryError(
            f"{what}: the piece falls into parts or touches itself after its joints", remedy
        )
    return tuple(flat)


def _corners(edges: list[tuple[float, float, float, float]]) -> list[tuple[Point, ...]]:
    """Corner between edge i - 1 and edge i; two points where parallel edges are moved unequally."""
    corners: list[tuple[Point, ...]] = []
    for i, (bx, by, bdx, bdy) in enumerate(edges):
        ax, ay, adx, ady = edges[i - 1]
        cross = adx * bdy - ady * bdx
        if abs(cross) < _PARALLEL:
            along = (bx - ax) * adx + (by - ay) * ady
            foot = (round(ax + along * adx, _ROUND), round(ay + along * ady, _ROUND))
            corners.append((foot, (round(bx, _ROUND), round(by, _ROUND))))
            continue
        t = ((bx - ax) * bdy - (by - ay) * bdx) / cross
        corner = (round(ax + t * adx, _ROUND), round(ay + t * ady, _ROUND))
        corners.append((corner, corner))
    return corners


def _collapsed(
    edges: list[tuple[float, float, float, float]], corners: list[tuple[Point, ...]]
) -> int | None:
    """The edge that has turned round the most, if any."""
    worst, worst_i = -1e-7, None
    for i, (_, _, dx, dy) in enumerate(edges):
        (sx, sy), (ex, ey) = corners[i][1], corners[(i + 1) % len(corners)][0]
        along = (ex - sx) * dx + (ey - sy) * dy
        if along < worst:
            worst, worst_i = along, i
    return worst_i


def _is_rectilinear(ring: Sequence[Point]) -> bool:
    return all(
        abs(a[0] - b[0]) < 1e-9 or abs(a[1] - b[1]) < 1e-9
        for a, b in zip(ring, (*ring[1:], ring[0]), strict=True)
    )


def _rectangles(ring: Sequence[Point], polygon: shapely.Polygon) -> list[tuple[Point, ...]]:
    """The maximal rectangles of a rectilinear outline; together they cover it."""
    xs, ys = sorted({p[0] for p in ring}), sorted({p[1] for p in ring})
    boxes: list[tuple[float, float, float, float]] = []
    grown = polygon.buffer(1e-6, join_style="mitre")
    shapely.prepare(grown)
    for i, x0 in enumerate(xs):
        for x1 in xs[i + 1 :]:
            for j, y0 in enumerate(ys):
                for y1 in ys[j + 1 :]:
                    if grown.covers(shapely.box(x0, y0, x1, y1)):
                        boxes.append((x0, y0, x1, y1))
    largest = [
        a
        for a in boxes
        if not any(
            b != a and b[0] <= a[0] and b[1] <= a[1] and b[2] >= a[2] and b[3] >= a[3]
            for b in boxes
        )
    ]
    return [((x0, y0), (x1, y0), (x1, y1), (x0, y1)) for x0, y0, x1, y1 in largest]


def _convex_parts(ring: tuple[Point, ...]) -> tuple[tuple[Point, ...], ...]:
    polygon = orient(shapely.Polygon(ring))
    if _is_rectilinear(ring):
        return tuple(_rectangles(ring, polygon))
    corners = [tuple(p) for p in polygon.exterior.coords[:-1]]
    if len(corners) <= 4 and abs(polygon.convex_hull.area - polygon.area) < 1e-9:
        return (tuple(corners),)
    triangles = shapely.constrained_delaunay_triangles(polygon)
    return tuple(
        tuple((float(x), float(y)) for x, y in orient(triangle).exterior.coords[:-1])
        for triangle in triangles.geoms
    )


@functools.lru_cache(maxsize=65536)
def _blank(ring: tuple[Point, ...], offsets: tuple[float, ...], what: str) -> Blank:
    outline = offset_outline(ring, offsets, what=what)
    x0, y0 = min(p[0] for p in outline), min(p[1] for p in outline)
    moved = tuple((round(x - x0, _ROUND), round(y - y0, _ROUND)) for x, y in outline)
    return Blank(
        outline_mm=moved,
        parts_mm=_convex_parts(moved),
        width_mm=max(p[0] for p in moved),
        height_mm=max(p[1] for p in moved),
        area_mm2=float(shapely.Polygon(moved).area),
    )


def blank_of(repair: Repair, params: Params) -> Blank:
    """The blank of a repair: cut-out less joints plus trim, one mitred offset of trim - joint an edge.

    Raises
    ------
    GeometryError
        When nothing, several parts or a ring that touches itself would be left.
    """
    offsets = tuple(params.trim_mm - joint for joint in repair.joints_mm)
    return _blank(repair.outline_mm, offsets, f"repair {repair.id}")


def turned(
    points: Sequence[Point], rot_deg: int, *, width_mm: float, height_mm: float
) -> tuple[Point, ...]:
    """Turn points of a blank counter-clockwise and put the bounding box back to the origin."""
    if rot_deg == 0:
        return tuple(points)
    if rot_deg == 90:
        return tuple((height_mm - y, x) for x, y in points)
    if rot_deg == 180:
        return tuple((width_mm - x, height_mm - y) for x, y in points)
    return tuple((y, width_mm - x) for x, y in points)
