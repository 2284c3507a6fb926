"""Lengths and widths of joints and cracks from their outlines."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely

__all__ = ["Strip", "measure_strip", "points_along", "strips_of_joints"]

#: A piece of joint shorter than its width times this is a crumb left by the outlines of stones.
_CRUMB = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Strip:
    """A narrow band: its length along the middle, its mean width, and which way it runs.

    Parameters
    ----------
    length_m, width_m : float
        ``length_m * width_m`` is the area.
    lies : str
        ``bed`` within 30 degrees of level, ``perpend`` within 30 degrees of upright, else ``slanting``.
    """

    length_m: float
    width_m: float
    lies: str

    @property
    def area_m2(self) -> float:
        """Face area."""
        return self.length_m * self.width_m


def measure_strip(shape: shapely.Polygon) -> Strip:
    """Length and width of a narrow band of even width.

    Parameters
    ----------
    shape : Polygon
        Metres.

    Notes
    -----
    A band of length L and width w has the area ``A = L w`` and the perimeter ``P = 2 (L + w)``, so that both are the roots of
    ``x^2 - x P / 2 + A``. This holds for bent bands as well, since the inner side loses at a bend what the outer gains, and
    nearly for branched ones. A shape rounder than a square has no such roots and is taken as a square.

    Examples
    --------
    >>> strip = measure_strip(shapely.box(0, 0, 0.8, 0.01))
    >>> round(strip.length_m, 6), round(strip.width_m, 6), strip.lies
    (0.8, 0.01, 'bed')
    """
    area, half = shape.area, shape.length / 2
    root = math.sqrt(max(half**2 / 4 - area, 0.0))
    width = half / 2 - root if root > 0 else math.sqrt(area)
    length = area / width if width > 0 else half
    return Strip(length_m=length, width_m=width, lies=_lies(shape))


def strips_of_joints(zone: Any, stones: list[Any]) -> list[Strip]:
    """The joints within a zone that was drawn generously: what no stone covers, piece by piece.

    Parameters
    ----------
    zone : Polygon or MultiPolygon
        Area of the damage, metres.
    stones : list of Polygon
        Outlines of the stones near it.
    """
    free = shapely.difference(zone, shapely.union_all(stones)) if stones else zone
    parts = [p for p in shapely.get_parts(free) if p.geom_type == "Polygon" and p.area > 0]
    found = [measure_strip(p) for p in parts]
    return [s for s in found if s.length_m > _CRUMB * s.width_m]


def points_along(line: Any, spacing_m: float) -> np.ndarray:
    """Points evenly along a line, both ends included, no further apart than ``spacing_m``.

    Returns
    -------
    array of shape (n, 2)
        At least two points; metres.

    Examples
    --------
    >>> len(points_along(shapely.LineString([(0, 0), (1, 0)]), 0.3))
    5
    """
    count = max(math.ceil(line.length / spacing_m - 1e-9), 1) + 1
    at = np.linspace(0.0, line.length, count)
    return np.asarray(shapely.get_coordinates(shapely.line_interpolate_point(line, at)))


def _lies(shape: Any) -> str:
    box = shapely.minimum_rotated_rectangle(shape)
    corners = shapely.get_coordinates(box)
    if len(corners) < 4:
        corners = shapely.get_coordinates(shape)
    sides = np.diff(corners[:3], axis=0)
    side = sides[int(np.argmax(np.hypot(*sides.T)))]
    slope = math.degrees(math.atan2(abs(side[1]), abs(side[0])))
    return "bed" if slope <= 30 else "perpend" if slope >= 60 else "slanting"
