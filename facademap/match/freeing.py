"""Freeing one blank from the part that it lies in: its sides, its depth, its slanted edges, its notches."""

from __future__ import annotations

import itertools
import math

import numpy as np
import shapely

from facademap.match.problem import Point
from facademap.match.saw_bench import OVER_MM, Bench, cannot_be_sawn, lay_aside
from facademap.match.saw_model import Blank
from facademap.match.solids import DUST_MM2, contour, polygons, ring_of, straight

__all__ = ["free_blank", "one_polygon"]

#: A blank with more slanted sides than this is cut round by a wire.
_MOST_SLANTED = 8


def free_blank(bench: Bench, part: int, blank: Blank, shape: shapely.Polygon) -> None:
    """Free one blank: its sides, the larger rest first, its depth, its slanted edges, its notches, the last by hand."""
    over = bench.over_mm
    while (side := _largest_rest(bench.parts[part].polygon, shape.bounds, over)) is not None:
        below, above = bench.across(part, side % 2, shape.bounds[side], -1 if side < 2 else 1)
        part = lay_aside(bench, [*below, *above], shape, blank)
    if bench.parts[part].z1 - bench.parts[part].z0 - blank.depth_mm > over:
        part, behind = bench.off_the_back(part, blank.depth_mm)
        bench.left += behind
    edges = _slanted(bench.parts[part].polygon, shape, over)
    while edges and len(edges) <= _MOST_SLANTED:
        part = _cut_slanted(bench, part, *edges[0], blank, shape)
        edges = _slanted(bench.parts[part].polygon, shape, over)
    p = bench.parts[part]
    if p.polygon.difference(shape.buffer(over, join_style="mitre")).area > DUST_MM2 / 100:
        inside, offcuts = contour(p.polygon, shape, kerf_mm=bench.params.kerf_mm)
        part, *off = bench.cut(
            part,
            "contour",
            [(q, p.z0, p.z1) for q in (one_polygon(inside, shape), *offcuts)],
            line_mm=ring_of(shape),
        )
        bench.left += off
    bench.piece_of[blank.piece_id] = _dressed(bench, part, blank, shape)


def _dressed(bench: Bench, part: int, blank: Blank, shape: shapely.Polygon) -> int:
    """The blank itself: what stands over by the trim at most is dressed off by hand, less than can be seen goes with the last cut."""
    p = bench.parts[part]
    inside = one_polygon(p.polygon.intersection(shape), p.polygon)
    thick = p.z1 - p.z0 - blank.depth_mm > OVER_MM
    seen = shape.buffer(OVER_MM, join_style="mitre")
    if thick or p.polygon.difference(seen).area > DUST_MM2 / 100:
        end = p.z0 + blank.depth_mm if thick else p.z1
        return bench.cut(part, "dressed", [(inside, p.z0, end)], line_mm=ring_of(shape))[0]
    if p.step:
        p.polygon = inside
    return part


def _largest_rest(
    part: shapely.Polygon, box: tuple[float, float, float, float], over_mm: float
) -> int | None:
    """The side of a box beyond which most of a part lies; ``None`` where no more than ``over_mm`` stands over."""
    now = part.bounds
    over = [(box[s] - now[s]) if s < 2 else (now[s] - box[s]) for s in range(4)]
    rests = [
        (max(0.0, gap) * (now[3 - s % 2] - now[1 - s % 2]), s)
        for s, gap in enumerate(over)
        if gap > over_mm
    ]
    return max(rests)[1] if rests else None


def _slanted(
    part: shapely.Polygon, shape: shapely.Polygon, over_mm: float
) -> list[tuple[Point, Point]]:
    """Edges of the blank's hull beyond which stone of the part stands over, the longest first."""
    hull = shape.convex_hull
    ring = shapely.get_coordinates(shapely.orient_polygons(hull).exterior)
    corners = shapely.get_coordinates(part.exterior)
    found = []
    for a, b in itertools.pairwise(ring):
        along = (b - a) / np.hypot(*(b - a))
        out = np.array([along[1], -along[0]])
        if float((corners @ out).max()) > float(a @ out) + over_mm:
            found.append((float(np.hypot(*(b - a))), tuple(map(float, a)), tuple(map(float, b))))
    found.sort(reverse=True)
    return [(a, b) for _, a, b in found]  # type: ignore[misc]


def _cut_slanted(
    bench: Bench, part: int, start: Point, end: Point, blank: Blank, shape: shapely.Polygon
) -> int:
    """Cut along one edge of the blank's hull, end to end of the part."""
    p = bench.parts[part]
    length = math.hypot(end[0] - start[0], end[1] - start[1])
    normal = ((end[1] - start[1]) / length, -(end[0] - start[0]) / length)
    at = start[0] * normal[0] + start[1] * normal[1]
    below, above = straight(p.polygon, normal=normal, at_mm=at, kerf_mm=bench.params.kerf_mm)
    if not below:
        raise cannot_be_sawn(bench.order, f"a cut meets piece {blank.piece_id}")
    edge = shapely.LineString(
        [
            (start[0] - normal[1] * -9e4, start[1] + normal[0] * -9e4),
            (start[0] - normal[1] * 9e4, start[1] + normal[0] * 9e4),
        ]
    ).intersection(p.polygon)
    ends = shapely.get_coordinates(edge)
    numbers = bench.cut(
        part,
        "slanted",
        [(q, p.z0, p.z1) for q in (*below, *above)],
        line_mm=(tuple(map(float, ends[0])), tuple(map(float, ends[-1]))),  # type: ignore[arg-type]
    )
    return lay_aside(bench, numbers, shape, blank)


def one_polygon(shape: shapely.Geometry, otherwise: shapely.Polygon) -> shapely.Polygon:
    """The one polygon of a shape."""
    found = polygons(shape)
    return found[0] if found else otherwise
