"""Revision clouds: scalloped lines round what changed since the revision before."""

from __future__ import annotations

import itertools
import math
from typing import Any

import numpy as np
import shapely

from facademap.report.page import Page, Text
from facademap.report.typeface import MM_PER_PT, text_width_mm

__all__ = ["draw_clouds"]

_INK, _PEN_MM = "#a3161b", 0.45
#: Space between an outline and its cloud, length of one arc, points on it.
_GAP_MM, _ARC_MM, _POINTS = 3.0, 5.0, 7
#: Half the width of the triangle, and how far it reaches below and above its place.
_HALF_MM, _BELOW_MM, _ABOVE_MM = 3.0, 2.0, 3.2


def draw_clouds(
    page: Page, shapes: Any, letter: str, *, within: tuple[float, float, float, float]
) -> None:
    """Clouds round shapes in millimetres of the page, those close together in one, each with the revision in a triangle.

    Parameters
    ----------
    page : Page
    shapes : array of geometries
    letter : str
        The revision.
    within : (x0, y0, x1, y1)
        Field that no cloud leaves.
    """
    if not len(shapes):
        return
    room = shapely.box(*within).buffer(-1.5)
    written = shapely.STRtree([_box_of(m) for m in page.marks if isinstance(m, Text)])
    boxes = [shapely.box(*b).buffer(_GAP_MM, join_style="mitre") for b in shapely.bounds(shapes)]
    for part in shapely.get_parts(shapely.intersection(shapely.union_all(boxes), room)):
        if part.geom_type != "Polygon" or part.area < 1.0:
            continue
        page.rings([_scalloped(np.asarray(part.exterior.coords))], ink=_INK, width_mm=_PEN_MM)
        x, y = _place(part.bounds, written, within)
        foot, half = y - _BELOW_MM, _HALF_MM
        page.rings(
            [[(x - half, foot), (x + half, foot), (x, y + _ABOVE_MM)]], ink=_INK, fill="#ffffff", width_mm=0.3
        )  # fmt: skip
        page.text(x, y - 1.4, letter, size_pt=7, weight="bold", anchor="centre", ink=_INK)


def _place(
    cloud: tuple[float, float, float, float],
    written: shapely.STRtree,
    within: tuple[float, float, float, float],
) -> tuple[float, float]:
    """Where the triangle stands: at the first corner of the cloud at which it hides nothing that is written."""
    x0, y0, x1, y1 = cloud
    places = [
        (min(max(x, within[0] + 4.0), within[2] - 4.0), min(max(y, within[1] + 3.0), within[3] - 5.0))
        for y in (y1 + 2.0, y0 - 3.0)
        for x in (x1 + 3.0, x0 - 3.0, (x0 + x1) / 2)
    ]  # fmt: skip
    for x, y in places:
        triangle = shapely.box(x - _HALF_MM, y - _BELOW_MM, x + _HALF_MM, y + _ABOVE_MM)
        if not len(written.query(triangle, predicate="intersects")):
            return x, y
    return places[0]


def _box_of(text: Text) -> Any:
    """The room of a line of writing that is not turned."""
    wide, tall = text_width_mm(text.text, text.size_pt, text.weight), text.size_pt * MM_PER_PT
    left = text.x_mm - {"left": 0.0, "centre": 0.5, "right": 1.0}[text.anchor] * wide
    return shapely.box(left, text.y_mm - 0.2 * tall, left + wide, text.y_mm + 0.8 * tall)


def _scalloped(ring: Any) -> Any:
    """The outline as arcs that bulge outwards."""
    line = shapely.LineString(ring if shapely.is_ccw(shapely.LinearRing(ring)) else ring[::-1])
    count = max(8, round(line.length / _ARC_MM))
    ends = np.array(
        [line.interpolate(k / count, normalized=True).coords[0] for k in range(count + 1)]
    )
    points: list[tuple[float, float]] = []
    for (ax, ay), (bx, by) in itertools.pairwise(ends):
        mx, my, radius = (ax + bx) / 2, (ay + by) / 2, math.hypot(bx - ax, by - ay) / 2
        start = math.atan2(ay - my, ax - mx)
        for k in range(_POINTS):
            angle = start + math.pi * k / _POINTS
            points.append((mx + radius * math.cos(angle), my + radius * math.sin(angle)))
    return np.array(points)
