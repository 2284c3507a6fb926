"""Whether a rectified wall is proved: by check points, or by control that the others predict when it is left out.

Four control points fit any photo exactly, so their residuals say nothing; a surplus point is a test. Each control
point in turn is left out, the fit is made again as it was made, and the place it then sees is compared with the
place that was given.

References
----------
.. [1] M. Stone, "Cross-validatory choice and assessment of statistical predictions", J. R. Stat. Soc. B 36 (1974)
   111-147.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from facademap.errors import FacademapError
from facademap.photo.adjust import adjust_plane
from facademap.photo.homography import apply_homography
from facademap.photo.plane import PlaneView

__all__ = [
    "EXACT",
    "TOGETHER",
    "Proof",
    "ProofRules",
    "control_hull_m",
    "leave_control_out",
    "left_out_by_refit",
    "prove",
    "prove_extent",
    "prove_view",
    "share_outside",
]

Floats = NDArray[np.floating[Any]]

#: What is said where nothing was surplus.
EXACT = "exact by construction, not proved: add a point"
#: The same for photos adjusted together, whose control is not left out in turn.
TOGETHER = "not proved: photos joined together are tested by check points alone; keep some back from the fit"


@dataclass(frozen=True, slots=True, kw_only=True)
class ProofRules:
    """When check points or surplus control prove an elevation; all can be set by an office.

    Parameters
    ----------
    least_checks : int
        Check points that prove by themselves (common practice; few of them are called indicative besides).
    least_left_out : int
        Control points that can be left out in turn and still be predicted (common practice).
    least_surplus : float
        Surplus observations, after the lens and the points set aside (common practice: two points).
    worst_share : float
        An error above this share of the control's span proves nothing but that something is wrong (common practice).
    most_outside : float
        Share of a picture that may lie beyond all points; more of it is extrapolated, and no point there says how well
        (common practice).
    """

    least_checks: int = 1
    least_left_out: int = 6
    least_surplus: float = 4.0
    worst_share: float = 0.02
    most_outside: float = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Proof:
    """What is proved of a rectified wall.

    Parameters
    ----------
    proved : bool
    error_m : float
        Radial root mean square error that is proved; NaN where nothing is.
    source : str
        Where the error comes from, in words.
    reason : str
        One sentence for papers.
    """

    proved: bool
    error_m: float
    source: str
    reason: str


def leave_control_out(view: PlaneView) -> Floats:
    """Where each used control point is seen when the others alone make the fit, minus the place given, shape (n, 2).

    Parameters
    ----------
    view : PlaneView

    Returns
    -------
    ndarray
        Rows in the order of the control points used; NaN where the others do not carry a fit.
    """
    points = view.points.select(view.used)
    wall = (points.wall_m - view.origin_m) / view.unit_m
    result = np.full((len(points), 2), np.nan)
    if len(points) < 5:
        return result
    factor = view.sigma_px / float(np.median(view.points.sigma_px[view.points.is_control]))
    for i in range(len(points)):
        weight = np.ones(len(points))
        weight[i] = 0.0
        try:
            fit = adjust_plane(
                wall,
                points.pixel_px,
                view.parameter_homography,
                view.quality.lens_mean,
                prior=view.quality.lens_prior,
                sigma_px=points.sigma_px * factor,
                sigma_wall=points.sigma_m / view.unit_m,
                weight=weight,
                start_camera=view.camera,
            )
            ray = fit.camera.ray_from_pixel(points.pixel_px[i : i + 1])
            place = apply_homography(np.linalg.inv(fit.homography), ray)[0]
        except (FacademapError, np.linalg.LinAlgError):
            continue
        result[i] = place * view.unit_m + view.origin_m - points.wall_m[i]
    return result


def left_out_by_refit(n: int, miss_without: Callable[[NDArray[np.bool_]], Floats]) -> Floats:
    """The same for any surface whose fit is a function of the points kept, shape (n, 2).

    Parameters
    ----------
    n : int
        Control points.
    miss_without : callable
        Takes the mask of the points kept and returns place seen minus place given of all points, shape (n, 2).
    """
    result = np.full((n, 2), np.nan)
    for i in range(n):
        keep = np.arange(n) != i
        try:
            result[i] = miss_without(keep)[i]
        except (FacademapError, np.linalg.LinAlgError):
            continue
    return result


def _rmse(miss_m: Floats) -> float:
    good = miss_m[np.isfinite(miss_m).all(axis=1)]
    return float(np.sqrt(np.mean(np.sum(good**2, axis=1)))) if len(good) else math.nan


def prove(
    *,
    check_m: Floats,
    check_sigma_m: Floats,
    left_out_m: Floats,
    span_m: float,
    surplus: float = math.inf,
    doubts: tuple[str, ...] = (),
    otherwise: str = EXACT,
    rules: ProofRules | None = None,
) -> Proof:
    """Judge check points and control left out.

    Parameters
    ----------
    check_m : ndarray, shape (n, 2)
        Place seen minus place given at check points.
    check_sigma_m : ndarray, shape (n,)
        Stated precision of their survey, per axis.
    left_out_m : ndarray, shape (k, 2)
        The same at control points that were left out of the fit one by one.
    span_m : float
        Larger side of the control on the wall.
    surplus : float
        Surplus observations of the fit.
    doubts : tuple of str
        Sentences that say that a point may be wrong.
    otherwise : str
        What is said where there is nothing to judge.
    rules : ProofRules, optional
    """
    rules = rules or ProofRules()
    limit = rules.worst_share * span_m
    if len(check_m) >= rules.least_checks:
        error = math.hypot(_rmse(check_m), math.sqrt(2.0 * float(np.mean(check_sigma_m**2))))
        source = f"RMSE of {len(check_m)} check points"
        if not (np.isfinite(check_m).all() and error <= limit):
            return _unproved(
                "not proved: the check points are missed by "
                f"{error * 1000:.0f} mm, so a coordinate or a pick is wrong"
                if math.isfinite(error)
                else "not proved: a check point lies beyond the horizon of the wall",
                source,
            )
        return Proof(
            proved=True,
            error_m=error,
            source=source,
            reason=f"proved by {len(check_m)} check points: RMSE {error * 1000:.1f} mm",
        )
    seen = left_out_m[np.isfinite(left_out_m).all(axis=1)]
    if not len(check_m) and (len(left_out_m) < 5 or not len(seen)):
        return _unproved(otherwise)
    if doubts:
        return _unproved(f"not proved: {doubts[0]}")
    error = max(_rmse(left_out_m), _rmse(check_m) if len(check_m) else 0.0)
    if error > limit:
        return _unproved(
            f"not proved: points left out of the fit are missed by {error * 1000:.0f} mm, so a coordinate or a "
            "pick is wrong"
        )
    if len(seen) < rules.least_left_out or surplus < rules.least_surplus:
        return _unproved(
            "not proved: too few surplus points to tell a mistake; add control points, or check points of their own"
        )
    source = f"{len(seen)} control points left out one by one"
    if len(check_m):
        source += f" and {len(check_m)} check point{'s' * (len(check_m) > 1)}"
    return Proof(
        proved=True,
        error_m=error,
        source=source,
        reason=f"proved by {source}: missed by {error * 1000:.1f} mm (RMSE)",
    )


def prove_view(view: PlaneView, *, left_out_m: Floats | None = None) -> Proof:
    """Judge one photo of one plane by its own points.

    Parameters
    ----------
    view : PlaneView
    left_out_m : ndarray, shape (k, 2), optional
        As from `leave_control_out`, where it is known already.
    """
    check = ~view.points.is_control
    return prove(
        check_m=view.residual_m[check],
        check_sigma_m=view.points.sigma_m[check],
        left_out_m=leave_control_out(view) if left_out_m is None else left_out_m,
        span_m=float(np.ptp(view.points.wall_m[view.used], axis=0).max()),
        surplus=view.quality.surplus,
        doubts=view.doubts,
    )


def prove_extent(
    proof: Proof,
    places_m: Floats,
    extent_m: tuple[float, float, float, float],
    rules: ProofRules | None = None,
) -> Proof:
    """What is proved at the points holds for a picture only where the points surround it.

    Parameters
    ----------
    proof : Proof
        Of the points.
    places_m : ndarray, shape (n, 2)
        Control and check points that are used.
    extent_m : tuple of float
        u0, v0, u1, v1 of the picture.
    rules : ProofRules, optional
    """
    beyond = share_outside(control_hull_m(places_m), extent_m) if proof.proved else 0.0
    if beyond <= (rules or ProofRules()).most_outside:
        return proof
    return _unproved(
        f"not proved: {beyond:.0%} of the picture lies beyond the points, where places are extrapolated; "
        "add points there, or make the extent smaller",
        proof.source,
    )


def _unproved(reason: str, source: str = "no check points") -> Proof:
    return Proof(proved=False, error_m=math.nan, source=source, reason=reason)


def control_hull_m(places_m: Floats) -> Floats:
    """Corners of the smallest convex outline round control, shape (k, 2), metres; beyond it places are extrapolated."""
    places = np.asarray(places_m, dtype=float).reshape(-1, 2)
    if len(places) < 3:
        return places
    shift = places.mean(axis=0)
    hull = cv2.convexHull((places - shift).astype(np.float32), returnPoints=False)
    return np.asarray(places[hull[:, 0]])


def share_outside(hull_m: Floats, extent_m: tuple[float, float, float, float]) -> float:
    """Share of a rectangle u0, v0, u1, v1 that lies outside the outline of the control.

    Examples
    --------
    >>> square = np.array([(0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 1.0)])
    >>> share_outside(square, (0.0, 0.0, 2.0, 1.0))
    0.5
    """
    from shapely import Polygon, box

    whole = box(*extent_m)
    if len(hull_m) < 3:
        return 1.0
    return float(whole.difference(Polygon(hull_m)).area / whole.area)
