"""Revision clouds: scalloped lines round what changed since the revision before."""

from __future__ import annotations

import itertools
import math
from typing import Any

import numpy as np
import shapely

from facademap.report.page import Page

__all__ = ["draw_clouds"]

_INK, _PEN_MM = "#a3161b", 0.45
#: Space between an outline and its cloud, length of one arc, points on it.
_GAP_MM, _ARC_MM, _POINTS = 3.0, 5.0, 7


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
    boxes = [shapely.box(*b).buffer(_GAP_MM, join_style="mitre") for b in shapely.bounds(shapes)]
    for part in shapely.get_parts(shapely.intersection(shapely.union_all(boxes), room)):
        if part.geom_type != "Polygon" or part.area < 1.0:
            continue
        page.rings([_scalloped(np.asarray(part.exterior.coords))], ink=_INK, width_mm=_PEN_MM)
        _, _, x1, y1 = part.bounds
        x, y = min(x1 + 3.0, within[2] - 4.0), min(y1 + 2.0, within[3] - 5.0)
        page.rings(
            [[(x - 3, y - 2), (x + 3, y - 2), (x, y + 3.2)]], ink=_INK, fill="#ffffff", width_mm=0.3
        )
        page.text(x, y - 1.4, letter, size_pt=7, weight="bold", anchor="centre", ink=_INK)


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
