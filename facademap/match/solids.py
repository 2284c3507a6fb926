"""Solids under the saw: prisms on the face of a block, and what each kind of cut makes of one."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from facademap.match.problem import Point

__all__ = [
    "DUST_MM2",
    "Solid",
    "contour",
    "holds_round",
    "parted",
    "polygons",
    "ring_of",
    "straight",
]

#: Smaller bits than this do not survive the blade; they count as dust.
DUST_MM2 = 1.0
_DIGITS = 6


@dataclass(frozen=True, slots=True, kw_only=True)
class Solid:
    """A prism: an outline on the face (x right, y up as seen from outside), from ``z0_mm`` to ``z1_mm`` behind it."""

    id: str
    outline_mm: tuple[Point, ...]
    z0_mm: float
    z1_mm: float

    @property
    def polygon(self) -> shapely.Polygon:
        """The outline."""
        return shapely.polygons(np.asarray(self.outline_mm))

    @property
    def depth_mm(self) -> float:
        """Thickness, square to the face."""
        return self.z1_mm - self.z0_mm

    @property
    def volume_mm3(self) -> float:
        """Area times thickness."""
        ring = self.outline_mm
        x0, y0 = ring[0]
        twice = math.fsum(
            (ax - x0) * (by - y0) - (bx - x0) * (ay - y0)
            for (ax, ay), (bx, by) in zip(ring, (*ring[1:], ring[0]), strict=True)
        )
        return abs(twice) / 2 * self.depth_mm

    @property
    def size_mm(self) -> tuple[float, float, float]:
        """Width, height and thickness over all."""
        width, height = np.ptp(np.asarray(self.outline_mm), axis=0)
        return float(width), float(height), self.depth_mm


def ring_of(polygon: shapely.Polygon) -> tuple[Point, ...]:
    """Corners of a polygon without holes, the first not repeated, to a millionth of a millimetre."""
    points = np.round(shapely.get_coordinates(polygon.exterior), _DIGITS)[:-1] + 0.0
    moved = (points != np.roll(points, 1, axis=0)).any(axis=1)
    return tuple((x, y) for x, y in points[moved].tolist())


def polygons(shape: shapely.Geometry) -> list[shapely.Polygon]:
    """The polygons of a shape that are more than dust, the largest first."""
    found = [p for p in shapely.get_parts(shape) if p.geom_type == "Polygon" and p.area > DUST_MM2]
    return sorted(found, key=lambda p: (-p.area, p.bounds))


def straight(
    part: shapely.Polygon, *, normal: Point, at_mm: float, kerf_mm: float
) -> tuple[list[shapely.Polygon], list[shapely.Polygon]]:
    """What a straight cut from end to end leaves of an outline, on both sides of its kerf.

    Parameters
    ----------
    normal : (x, y)
        Unit vector square to the cut.
    at_mm : float
        The kerf lies where ``at_mm`` <= point * normal <= ``at_mm + kerf_mm``.

    Returns
    -------
    below, above
        Polygons on the side that the normal comes from, and on the side that it points to.
    """
    return polygons(_half(part, normal, at_mm, -1)), polygons(
        _half(part, normal, at_mm + kerf_mm, 1)
    )


def _half(part: shapely.Polygon, normal: Point, at_mm: float, side: int) -> shapely.Geometry:
    """The part of an outline beyond a line."""
    left, bottom, right, top = part.bounds
    if normal in ((1.0, 0.0), (0.0, 1.0)):
        axis = 0 if normal[0] else 1
        box = [left - 1, bottom - 1, right + 1, top + 1]
        box[axis + (2 if side < 0 else 0)] = at_mm
        return part.intersection(shapely.box(*box)) if box[axis] < box[axis + 2] else part.boundary
    reach = 2 * (abs(right - left) + abs(top - bottom)) + 1
    n = np.array(normal)
    along = np.array([-n[1], n[0]])
    centre = np.array([(left + right) / 2, (bottom + top) / 2])
    foot = centre + (at_mm - centre @ n) * n
    corners = [
        foot - reach * along,
        foot + reach * along,
        foot + reach * along + side * reach * n,
        foot - reach * along + side * reach * n,
    ]
    return part.intersection(shapely.Polygon(corners))


def parted(
    boxes: Sequence[tuple[float, float, float, float]], *, kerf_mm: float, slack_mm: float
) -> tuple[int, float, list[int], list[int]] | None:
    """The widest gap through which a straight cut parts boxes: axis, where its kerf begins, and both groups by number."""
    best: tuple[float, int, float, list[int], list[int]] | None = None
    for axis in (0, 1):
        order = sorted(range(len(boxes)), key=lambda i: (boxes[i][axis], boxes[i][axis + 2], i))
        reach = boxes[order[0]][axis + 2]
        for k in range(1, len(order)):
            gap = boxes[order[k]][axis] - reach
            if gap >= kerf_mm - slack_mm and (best is None or gap > best[0] + 1e-6):
                best = (gap, axis, reach, order[:k], order[k:])
            reach = max(reach, boxes[order[k]][axis + 2])
    return None if best is None else best[1:]


def contour(
    part: shapely.Polygon, blank: shapely.Polygon, *, kerf_mm: float
) -> tuple[shapely.Polygon, list[shapely.Polygon]]:
    """Cut round a blank with a wire: the blank, and what is left of the part.

    Where the blank lies inside, the wire runs in from the nearest edge by a slit, so that what is left
    is a solid without a hole. No other blank lies in that slit when the nearest blank is taken first
    and all are at least a kerf apart.
    """
    gone = blank.buffer(kerf_mm, join_style="mitre", mitre_limit=2.0)
    rest = part.difference(gone)
    if any(p.interiors for p in shapely.get_parts(rest) if p.geom_type == "Polygon"):
        way = shapely.shortest_line(part.exterior, blank.exterior)
        (ax, ay), (bx, by) = shapely.get_coordinates(way)
        along = np.array([bx - ax, by - ay])
        length = float(np.hypot(*along))
        along = along / length if length > 0 else np.array([1.0, 0.0])
        start = np.array([ax, ay]) - along
        slit = shapely.LineString([start, np.array([bx, by])])
        rest = rest.difference(slit.buffer(max(kerf_mm / 2, 0.01), cap_style="flat"))
    return blank.intersection(part), polygons(rest)


def holds_round(outline: shapely.Polygon, width_mm: float) -> bool:
    """Whether a round piece of that width has room in an outline: a rectangle must be as wide on its shorter side."""
    left, bottom, right, top = outline.bounds
    if min(right - left, top - bottom) < width_mm:
        return False
    if outline.area >= 0.9999 * (right - left) * (top - bottom):
        return True
    return not outline.buffer(-width_mm / 2, join_style="mitre").is_empty
