"""A plane through surveyed points: weighted by their stated precision, the same for every order of rows.

The points of a wall scatter about its plane by their own precision (as stated) and by the unevenness of the wall,
which is estimated. A point is left out only where a plane through the others says that it does not belong, and that
in so few of a hundred surveys that good points stay in.

References
----------
.. [1] D. A. Harville, "Maximum likelihood approaches to variance component estimation", J. Am. Stat. Assoc. 72 (1977)
   320-338: stated and common variance together.
.. [2] P. J. Rousseeuw, "Least median of squares regression", J. Am. Stat. Assoc. 79 (1984) 871-880: the start.
.. [3] R. D. Cook, S. Weisberg, "Residuals and Influence in Regression", 1982: a point judged by a fit without it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from facademap.errors import InputError
from facademap.values import frozen_value

__all__ = [
    "FLOOR_M2",
    "OFF_PLANE_M",
    "FittedPlane",
    "common_variance",
    "fit_plane",
    "stated_sigmas",
]

Floats = NDArray[np.floating[Any]]
Flags = NDArray[np.bool_]

#: A point that is nearer to the plane than this is never left out (common practice).
OFF_PLANE_M = 0.005
#: Share of surveys without a fault in which a point may be left out.
FALSE_ALARMS = 0.01
#: What is believed of a wall before it is measured: it is uneven by 3 mm, as sure as four surplus points make it (common
#: practice; it decides only where there are few points).
USUAL_UNEVENNESS_M = 0.003
_BELIEF = 1.0
_TRIALS = 300
#: No point is known better than this (0.01 mm): keeps weights finite.
FLOOR_M2 = 1e-10


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class FittedPlane:
    """A plane and the points that carry it.

    Parameters
    ----------
    centre : ndarray, shape (3,)
        A place on the plane.
    normal : ndarray, shape (3,)
        Unit vector; its side is not told.
    used : ndarray of bool, shape (n,)
    unevenness_m : float
        One sigma of the wall about its plane, beyond what the stated precision explains.
    spread : float
        Second over first extent of the points used; 0: they lie on one line.
    """

    centre: Floats
    normal: Floats
    used: Flags
    unevenness_m: float
    spread: float


def fit_plane(points: Floats, sigma_m: Floats, *, upright: bool = False) -> FittedPlane:
    """Fit a plane.

    Parameters
    ----------
    points : ndarray, shape (n, 3)
        At least three, near the origin.
    sigma_m : ndarray, shape (n,)
        Stated one-sigma precision, 0 or more.
    upright : bool
        Hold the plane vertical.

    Notes
    -----
    Of four points of which one is off nobody can tell which: they are all kept, and the unevenness tells.
    """
    order = np.lexsort(
        (*points.T, sigma_m)
    )  # sums and trials are then the same for every order of rows
    p, s = points[order], sigma_m[order]
    if upright:
        p = p * (1.0, 1.0, 0.0)
    keep = _start(p, upright)
    keep = _without_strangers(p, s, keep, upright)
    fit = _weighted(p, s, keep, upright)
    used = np.empty(len(points), dtype=bool)
    used[order] = keep
    centre = fit.centre.copy()
    if upright:
        centre[2] = float(points[used][:, 2].mean())
    return FittedPlane(
        centre=centre,
        normal=fit.normal,
        used=used,
        unevenness_m=math.sqrt(fit.variance),
        spread=fit.spread,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Fit:
    centre: Floats
    normal: Floats
    variance: float
    surplus: int
    spread: float
    cofactor: Floats
    along: Floats

    def distance(self, points: Floats) -> Floats:
        return np.asarray((points - self.centre) @ self.normal)

    def own_variance(self, points: Floats) -> Floats:
        """Variance of the plane itself at the feet of points."""
        rows = np.c_[np.ones(len(points)), (points - self.centre) @ self.along.T]
        return np.asarray(np.einsum("ij,jk,ik->i", rows, self.cofactor, rows))


def _weighted(points: Floats, sigma: Floats, keep: Flags, upright: bool) -> _Fit:
    """Plane of least weighted squares; the common variance takes what the stated precision leaves over."""
    p, s = points[keep], sigma[keep]
    variance, surplus = 0.0, len(p) - (2 if upright else 3)
    for _ in range(30):
        weight = 1.0 / (s**2 + variance + FLOOR_M2)
        centre = weight @ p / weight.sum()
        _, _, axes = np.linalg.svd((p - centre) * np.sqrt(weight)[:, None], full_matrices=False)
        axes = _upright_axes(axes) if upright else axes
        distance = (p - centre) @ axes[-1]
        if surplus <= 0:
            break
        before, variance = variance, common_variance(distance, s, surplus)
        if abs(variance - before) <= 1e-3 * variance + 1e-12:
            break
    along = axes[:1] if upright else axes[:2]
    rows = np.c_[np.ones(len(p)), (p - centre) @ along.T]
    cofactor = np.linalg.pinv((rows * weight[:, None]).T @ rows)
    values = np.linalg.svd(p - p.mean(axis=0), compute_uv=False)
    second = values[0] if upright else values[1]
    return _Fit(
        centre=centre,
        normal=axes[-1],
        variance=variance,
        surplus=max(surplus, 0),
        spread=float(second / values[0]) if values[0] else 0.0,
        cofactor=cofactor,
        along=along,
    )


def _upright_axes(axes: Floats) -> Floats:
    """Level direction of the points, the vertical, and the level normal."""
    level = axes[0] * (1.0, 1.0, 0.0)
    level = level / max(float(np.linalg.norm(level)), 1e-12)
    return np.array([level, [0.0, 0.0, 1.0], [-level[1], level[0], 0.0]])


def common_variance(distance: Floats, sigma: Floats, surplus: int) -> float:
    """The likeliest variance common to all points, beside the stated ones.

    Parameters
    ----------
    distance : ndarray, shape (n,)
        Residuals of a fit, metres.
    sigma : ndarray, shape (n,)
        Stated one-sigma precision.
    surplus : int
        Observations that the fit left over; without any the answer is 0.

    Returns
    -------
    float
        Square metres.
    """
    if surplus <= 0:
        return 0.0
    squares = distance**2
    largest = float(squares.sum()) / surplus
    if not sigma.any():
        return largest
    trial = np.r_[0.0, np.geomspace(1e-6, 1.0, 400) * max(largest, FLOOR_M2)]
    variance = sigma**2 + trial[:, None] + FLOOR_M2
    share = surplus / len(distance)
    unlikely = (share * np.log(variance) + squares / variance).sum(axis=1)
    return float(trial[int(np.argmin(unlikely))])


def _start(points: Floats, upright: bool) -> Flags:
    """Points that agree with the plane through a few of them that explains most of the others."""
    count, few = len(points), 2 if upright else 3
    if count <= few + 1:
        return np.ones(count, dtype=bool)
    rng = np.random.default_rng(20082)
    size = float(np.ptp(points, axis=0).max())
    best, chosen = math.inf, np.ones(count, dtype=bool)
    for _ in range(_TRIALS):
        picked = points[rng.choice(count, few, replace=False)]
        normal = (
            np.cross(picked[1] - picked[0], [0.0, 0.0, 1.0])
            if upright
            else np.cross(picked[1] - picked[0], picked[2] - picked[0])
        )
        length = float(np.linalg.norm(normal))
        if length <= 1e-4 * size ** (1 if upright else 2):
            continue
        distance = np.abs((points - picked[0]) @ (normal / length))
        ranked = np.sort(distance)
        # the median of the others first; ties between good planes by how near all points are
        score = float(ranked[math.ceil(0.6 * count) - 1]) + 0.1 * float(
            np.minimum(ranked, 0.1 * size).mean()
        )
        if score < best:
            scale = 1.4826 * float(np.median(distance)) * (1 + 10 / max(count - few, 1))
            best, chosen = score, distance <= max(OFF_PLANE_M, 4.0 * scale)
    return chosen


def _without_strangers(points: Floats, sigma: Floats, keep: Flags, upright: bool) -> Flags:
    """Take the worst out, and good ones in again, until the points used and the fit agree."""
    fewest = (2 if upright else 3) + 1
    seen: set[bytes] = set()
    for _ in range(4 * len(points)):
        if keep.tobytes() in seen:
            return keep
        seen.add(keep.tobytes())
        worst, best = _judged(points, sigma, keep, upright)
        if worst is not None and keep.sum() > fewest:
            keep = keep.copy()
            keep[worst] = False
        elif best is not None:
            keep = keep.copy()
            keep[best] = True
        else:
            return keep
    return keep


def _judged(
    points: Floats, sigma: Floats, keep: Flags, upright: bool
) -> tuple[int | None, int | None]:
    """The point used that belongs least, if it does not, and the one left out that belongs best, if it does.

    A point used is judged by the plane through the others, in closed form from its leverage.
    """
    fit = _weighted(points, sigma, keep, upright)
    variance = sigma**2 + fit.variance + FLOOR_M2
    distance, own = np.abs(fit.distance(points)), fit.own_variance(points)
    free = np.where(keep, 1.0 - own / variance, 1.0)
    alone = free < 0.001  # the others do not fix a plane here
    free = np.where(alone, 1.0, free)
    squares = float(np.sum(distance[keep] ** 2 / variance[keep]))
    surplus = np.maximum(np.where(keep, fit.surplus - 1, fit.surplus), 0)
    left = squares - np.where(keep, distance**2 / (variance * free), 0.0)
    uneven = fit.variance * np.clip(left / np.maximum(surplus, 1), 0.0, None) * (surplus > 0)
    believed = (_BELIEF * USUAL_UNEVENNESS_M**2 + surplus * uneven) / (_BELIEF + surplus)
    limit = stats.t.ppf(1 - FALSE_ALARMS / (2 * len(points)), _BELIEF + surplus)
    allowed = limit * np.sqrt(
        sigma**2 + believed + own * believed / np.maximum(fit.variance, believed) / free
    )
    excess = distance / free / np.maximum(OFF_PLANE_M, allowed)
    inside = np.where(keep & ~alone, excess, -np.inf)
    outside = np.where(keep, np.inf, excess)
    worst = int(np.argmax(inside)) if inside.max() > 1.0 else None
    best = int(np.argmin(outside)) if outside.min() <= 1.0 else None
    return worst, best


def stated_sigmas(sigma_m: ArrayLike | None, count: int) -> Floats:
    """Stated precision of each point, shape (n,); those that state none are taken to be as good as the others.

    Parameters
    ----------
    sigma_m : array_like, shape (n,), optional
        NaN where a point states none.
    count : int

    Raises
    ------
    InputError
    """
    if sigma_m is None:
        return np.zeros(count)
    sigma = np.asarray(sigma_m, dtype=float)
    if sigma.shape != (count,) or (sigma < 0).any():
        raise InputError(
            "the stated precision of the survey points is not one number of 0 or more a point",
            "Give sigma_mm of 0 or more for each point, or leave it out.",
        )
    known = sigma[np.isfinite(sigma)]
    return np.where(np.isfinite(sigma), sigma, np.median(known) if len(known) else 0.0)
