"""Places on a wall in the world: planes and unrolled cylinders, and which part of a wall stands within a piece of ground."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from facademap.values import frozen_value

__all__ = ["WallInWorld"]

Floats = NDArray[np.floating[Any]]
Box = tuple[float, float, float, float]

#: No wall reaches farther from its origin than this.
_REACH_M = 2000.0
_STEPS_ROUND = 1440


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class WallInWorld:
    """A surface that has its place in a projected coordinate system with heights.

    Parameters
    ----------
    epsg : int
        Code of the projected system.
    matrix : ndarray, shape (3, 4)
        Wall (u, v, w, 1) in metres to (E, N, H).
    radius_m : float, optional
        Of an unrolled cylinder whose u = 0 lies at the origin; negative when seen from inside.
    """

    epsg: int
    matrix: Floats
    radius_m: float | None = None

    def enh(self, uv_m: ArrayLike) -> Floats:
        """East, north and height of places on the wall, shape (n, 2) to (n, 3); NaN beyond half the way round a cylinder."""
        uv = np.asarray(uv_m, dtype=float)
        u, v = uv[:, 0], uv[:, 1]
        w = np.zeros_like(u)
        if self.radius_m is not None:
            r, side = abs(self.radius_m), math.copysign(1.0, self.radius_m)
            angle = np.where(np.abs(u) <= math.pi * r * (1 + 1e-9), u / r, np.nan)
            u, w = r * np.sin(angle), side * r * (np.cos(angle) - 1.0)
        return np.column_stack([u, v, w]) @ self.matrix[:, :3].T + self.matrix[:, 3]

    def part_within(
        self, ground_m: ArrayLike, heights_m: tuple[float, float] | None = None
    ) -> Box | None:
        """The part of the wall that stands within a piece of ground, as the box round it; ``None`` where none does.

        Parameters
        ----------
        ground_m : array_like, shape (n, 2)
            Corners (E, N) of a convex piece of ground, anticlockwise.
        heights_m : (lowest, highest), optional

        Returns
        -------
        (u_min_m, v_min_m, u_max_m, v_max_m) or None

        Notes
        -----
        Exact for a wall that stands upright; a wall that leans is taken by the box round the part.
        """
        ground = np.asarray(ground_m, dtype=float)
        if self.radius_m is not None:
            return self._arc_within(ground, heights_m)
        east_north = self.matrix[:2, :2]
        part: Floats = _REACH_M * np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]])
        for start, end in zip(ground, np.roll(ground, -1, axis=0), strict=True):
            inward = np.array([start[1] - end[1], end[0] - start[0]])
            part = _clipped(part, inward @ east_north, float(inward @ (self.matrix[:2, 3] - start)))
        if heights_m is not None:
            up, origin = self.matrix[2, :2], float(self.matrix[2, 3])
            part = _clipped(part, up, origin - heights_m[0])
            part = _clipped(part, -up, heights_m[1] - origin)
        if not len(part):
            return None
        (u0, v0), (u1, v1) = part.min(axis=0), part.max(axis=0)
        return float(u0), float(v0), float(u1), float(v1)

    def _arc_within(self, ground: Floats, heights_m: tuple[float, float] | None) -> Box | None:
        half_way = math.pi * abs(self.radius_m or 0.0)
        u = np.linspace(-half_way, half_way, _STEPS_ROUND + 1)
        place = self.enh(np.column_stack([u, np.zeros_like(u)]))
        inside = np.ones(len(u), dtype=bool)
        for start, end in zip(ground, np.roll(ground, -1, axis=0), strict=True):
            along = end - start
            inside &= (
                along[0] * (place[:, 1] - start[1]) - along[1] * (place[:, 0] - start[0]) >= -1e-9
            )
        if not inside.any():
            return None
        v0, v1 = -_REACH_M, _REACH_M
        if heights_m is not None:
            origin = float(self.matrix[2, 3])
            v0, v1 = heights_m[0] - origin, heights_m[1] - origin
        return float(u[inside][0]), v0, float(u[inside][-1]), v1


def _clipped(corners: Floats, normal: Floats, offset: float) -> Floats:
    """The part of a convex polygon where ``normal @ (u, v) + offset`` is not negative."""
    if not len(corners):
        return corners
    length = float(np.hypot(*normal))
    # a side that tells nothing of (u, v) is met everywhere or nowhere
    scale = length if length > 1e-9 else 1.0
    depth = (corners @ normal + offset) / scale
    if length <= 1e-9:
        return corners if offset >= -1e-6 else corners[:0]
    kept = []
    for here, there, d0, d1 in zip(
        corners, np.roll(corners, -1, axis=0), depth, np.roll(depth, -1), strict=True
    ):
        if d0 >= -1e-6:
            kept.append(here)
        if (d0 < -1e-6) != (d1 < -1e-6):
            kept.append(here + (there - here) * (d0 / (d0 - d1)))
    return np.array(kept).reshape(-1, 2)
