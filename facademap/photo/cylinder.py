"""A cylinder fitted to surveyed points: axis, radius, points off the surface."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import least_squares

from facademap.errors import GeometryError, InputError
from facademap.values import frozen_value
from facademap.wall.plane_fit import FLOOR_M2, common_variance, stated_sigmas

__all__ = ["FittedCylinder", "fit_cylinder"]

Floats = NDArray[np.floating[Any]]

#: A point is off the surface beyond this many robust standard deviations and this distance (common practice).
_OFF_SIGMAS, _OFF_M = 4.0, 0.005


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class FittedCylinder:
    """A round pier, turret or apse in the world.

    Parameters
    ----------
    axis_point_enh : ndarray, shape (3,)
        Point of the axis at the height of the lowest point used.
    axis : ndarray, shape (3,)
        Unit vector, upward.
    radius_m : float
    out_m : ndarray, shape (n,)
        Distance of every point from the surface, positive outwards from the axis.
    used : ndarray of bool, shape (n,)
    rmse_m : float
    flags : tuple of str
    """

    axis_point_enh: Floats
    axis: Floats
    radius_m: float
    out_m: Floats
    used: NDArray[np.bool_]
    rmse_m: float
    flags: tuple[str, ...]

    def unroll(
        self, points_enh: ArrayLike, *, facing_enh: ArrayLike, concave: bool = False
    ) -> Floats:
        """Arc, height and distance from the surface, shape (n, 3).

        Parameters
        ----------
        points_enh : array_like, shape (n, 3)
        facing_enh : array_like, shape (3,)
            A place before the surface, such as the instrument: arc 0 lies on its side.
        concave : bool
            Seen from within; arcs then run the other way round the axis.

        Raises
        ------
        InputError
            The place before the cylinder lies on its axis.
        """
        p = np.asarray(points_enh, dtype=float) - self.axis_point_enh
        towards = np.asarray(facing_enh, dtype=float) - self.axis_point_enh
        front = towards - (towards @ self.axis) * self.axis
        length = float(np.linalg.norm(front))
        if length < 1e-6:
            raise InputError(
                "the place before the cylinder lies on its axis", "Give a place beside the axis."
            )
        front = front / length * (-1.0 if concave else 1.0)
        right = np.cross(self.axis, front)
        radial = p - np.outer(p @ self.axis, self.axis)
        angle = np.arctan2(radial @ right, radial @ front) * (-1.0 if concave else 1.0)
        out = (np.linalg.norm(radial, axis=1) - self.radius_m) * (-1.0 if concave else 1.0)
        return np.stack([angle * self.radius_m, p @ self.axis, out], axis=1)


def fit_cylinder(
    points_enh: ArrayLike,
    *,
    names: Sequence[str] | None = None,
    upright: bool = True,
    sigma_m: ArrayLike | None = None,
) -> FittedCylinder:
    """Fit a cylinder robustly to surveyed points, weighted by their stated precision, the same for every order of rows.

    Parameters
    ----------
    points_enh : array_like, shape (n, 3)
        At least five (upright) or seven points, over a good part of the arc.
    names : sequence of str, optional
    upright : bool
        Hold the axis vertical.
    sigma_m : array_like, shape (n,), optional
        Stated one-sigma precision; NaN where a point states none.

    Raises
    ------
    InputError, GeometryError
        Too few points, or points that lie on a plane as well as on a cylinder.
    """
    p = np.asarray(points_enh, dtype=float)
    if p.ndim != 2 or p.shape[1] != 3 or not np.isfinite(p).all():
        raise InputError("survey points are not finite rows of E, N, H", "Correct the list.")
    least = 5 if upright else 7
    if len(p) < least:
        raise GeometryError(
            f"{len(p)} points are too few for a cylinder, {least} are needed", "Survey more points."
        )
    labels = tuple(names) if names is not None else tuple(str(i + 1) for i in range(len(p)))
    stated = stated_sigmas(sigma_m, len(p))
    order = np.lexsort((*p.T, stated))  # sums are then the same for every order of rows
    shift = p[order].mean(axis=0)
    local, sigma = p[order] - shift, stated[order]
    flat = np.c_[local[:, :2], np.ones(len(p))]
    if np.linalg.cond(flat) > 1e6:
        raise GeometryError("the points lie on one vertical plane", "Survey points round the pier.")
    start = np.linalg.lstsq(flat, -(local[:, 0] ** 2 + local[:, 1] ** 2), rcond=None)[0]
    centre = -start[:2] / 2
    radius = math.sqrt(max(float(centre @ centre - start[2]), 1e-6))

    def distance(x: Floats) -> Floats:
        axis = np.array([x[3], x[4], 1.0]) if not upright else np.array([0.0, 0.0, 1.0])
        axis = axis / np.linalg.norm(axis)
        d = local - np.array([x[0], x[1], 0.0])
        return np.asarray(np.linalg.norm(d - np.outer(d @ axis, axis), axis=1) - x[2])

    unknown = np.r_[centre, radius] if upright else np.r_[centre, radius, 0.0, 0.0]
    answer = least_squares(
        lambda x: distance(x) / np.maximum(sigma / _OFF_M, 1.0),
        unknown,
        loss="cauchy",
        f_scale=_OFF_M,
    )
    kept, variance = np.ones(len(p), dtype=bool), 0.0
    for _ in range(10):
        out = distance(answer.x)
        scatter = 1.4826 * float(np.median(np.abs(out[kept])))
        new = np.abs(out) <= np.maximum(_OFF_M, _OFF_SIGMAS * np.hypot(scatter, sigma))
        if new.sum() < least:
            raise GeometryError(
                "too few points agree with one cylinder", "Check the points or fit a plane."
            )
        variance = common_variance(out[new], sigma[new], int(new.sum()) - len(unknown))
        weight = 1.0 / np.sqrt(sigma[new] ** 2 + variance + FLOOR_M2)
        answer = least_squares(
            lambda x, keep=new, weight=weight: distance(x)[keep] * weight, answer.x, x_scale="jac"
        )
        if (new == kept).all():
            break
        kept = new
    out, used = np.empty(len(p)), np.empty(len(p), dtype=bool)
    out[order], used[order] = distance(answer.x), kept
    radius = float(answer.x[2])
    if not (0.02 < radius < 50 * float(np.ptp(local[:, :2], axis=0).max())):
        raise GeometryError(
            f"the points give a cylinder of {radius:.1f} m radius: they lie on a plane",
            "Treat the surface as a plane, or survey more of the arc.",
        )
    axis = np.array([0.0, 0.0, 1.0]) if upright else np.array([answer.x[3], answer.x[4], 1.0])
    axis /= np.linalg.norm(axis)
    foot = np.array([answer.x[0], answer.x[1], 0.0])
    foot = foot + axis * float(((local - foot) @ axis)[kept].min())
    flags = tuple(
        f"point {labels[i]} lies {abs(out[i]) * 1000:.0f} mm {'outside' if out[i] > 0 else 'inside'} the "
        "cylinder and was left out"
        for i in np.flatnonzero(~used)
    )
    return FittedCylinder(
        axis_point_enh=foot + shift,
        axis=axis,
        radius_m=radius,
        out_m=out,
        used=used,
        rmse_m=float(np.sqrt(np.mean(out[used] ** 2))),
        flags=flags,
    )
