"""Places of a round surface: developed (arc, height, out of the surface) and straight (x right, y up, z out).

Both have their origin on the surface, at arc 0; there u and x, v and y, w and z run alike. The axis stands a radius behind,
or before a surface that is seen from within (a negative radius). Without a radius the two are the same.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["axes_at", "developed", "straight"]

Floats = NDArray[np.floating[Any]]


def straight(uvw_m: ArrayLike, radius_m: float | None) -> Floats:
    """x, y, z of developed places, shape (..., 3); NaN beyond half the way round.

    Parameters
    ----------
    uvw_m : array_like, shape (..., 3)
    radius_m : float, optional
        Negative for a surface seen from within.
    """
    uvw = np.asarray(uvw_m, dtype=float)
    if radius_m is None:
        return uvw
    r, side = abs(radius_m), math.copysign(1.0, radius_m)
    angle = _angle(uvw[..., 0], r)
    reach = r + side * uvw[..., 2]
    return np.stack(
        [reach * np.sin(angle), uvw[..., 1], side * (reach * np.cos(angle) - r)], axis=-1
    )


def developed(xyz_m: ArrayLike, radius_m: float | None) -> Floats:
    """Inverse of `straight`, shape (..., 3).

    Parameters
    ----------
    xyz_m : array_like, shape (..., 3)
    radius_m : float, optional
    """
    xyz = np.asarray(xyz_m, dtype=float)
    if radius_m is None:
        return xyz
    r, side = abs(radius_m), math.copysign(1.0, radius_m)
    depth = r + side * xyz[..., 2]
    reach = np.hypot(xyz[..., 0], depth)
    return np.stack([r * np.arctan2(xyz[..., 0], depth), xyz[..., 1], side * (reach - r)], axis=-1)


def axes_at(u_m: ArrayLike, radius_m: float) -> Floats:
    """Directions along, up and out at places of a round surface, as rows; shape (..., 3, 3).

    Parameters
    ----------
    u_m : array_like, shape (...)
    radius_m : float
    """
    angle = _angle(np.asarray(u_m, dtype=float), abs(radius_m))
    side = math.copysign(1.0, radius_m)
    c, s, nought = np.cos(angle), np.sin(angle), np.zeros_like(angle)
    along = np.stack([c, nought, -side * s], axis=-1)
    up = np.stack([nought, np.ones_like(angle), nought], axis=-1)
    out = np.stack([side * s, nought, c], axis=-1)
    return np.stack([along, up, out], axis=-2)


def _angle(u_m: Floats, r: float) -> Floats:
    return np.where(np.abs(u_m) <= math.pi * r, u_m / r, np.nan)
