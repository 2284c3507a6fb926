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
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from facademap.errors import FacademapError
from facademap.photo.adjust import adjust_plane
from facademap.photo.homography import apply_homography
from facademap.photo.plane import PlaneView
from facademap.photo.resample import SurfaceView

__all__ = [
    "EXACT",
    "TOGETHER",
    "Proof",
    "ProofRules",
    "apart_from_control",
    "control_hull_m",
    "leave_control_out",
    "left_out_by_refit",
    "prove",
    "prove_extent",
    "prove_photos",
    "prove_view",
    "share_outside",
    "shows_any",
]

Floats = NDArray[np.floating[Any]]

#: What is said where nothing was surplus.
EXACT = "exact by construction, not proved: add a point"
#: The same where check points repeat control.
ONE_PLACE = (
    "not proved: the check points stand where control stands, and test nothing; add one elsewhere"
)
#: The same for photos adjusted together, whose control is not left out in turn.
TOGETHER = "not proved: photos joined together are tested by check points alone; keep some back from the fit"

#: Fewer points surround nothing, and fewer places carry no fit.
LEAST_ROUND, LEAST_FIT = 3, 4


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
    twin_share : float
        Points nearer to one another than this share of the control's span are one place: what happens at one happens at
        the other, so neither tests it (common practice).
    most_reach : float
        Share of the diagonal of what the points surround that a place may lie away from the nearest check point; beyond
        it the check points stand together in one part (common practice: a half is the middle, one a corner).
    few_checks : int
        Below so many check points the upper limit of their error at 90 % is taken, since so few may be met by luck.
    """

    least_checks: int = 1
    least_left_out: int = 6
    least_surplus: float = 4.0
    worst_share: float = 0.02
    most_outside: float = 0.5
    twin_share: float = 0.02
    most_reach: float = 0.75
    few_checks: int = 4


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

    Points of the same place go out together, since one would tell where the other is.

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
    twins = _same_place(points.wall_m)
    for i in range(len(points)):
        weight = np.where(twins[i], 0.0, 1.0)
        if _count_places(points.wall_m[~twins[i]]) < LEAST_FIT:
            continue
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


def left_out_by_refit(
    places_m: Floats, miss_without: Callable[[NDArray[np.bool_]], Floats]
) -> Floats:
    """The same for any surface whose fit is a function of the points kept, shape (n, 2).

    Parameters
    ----------
    places_m : ndarray, shape (n, 2)
        Of the control points.
    miss_without : callable
        Takes the mask of the points kept and returns place seen minus place given of all points, shape (n, 2).
    """
    result = np.full((len(places_m), 2), np.nan)
    twins = _same_place(places_m)
    for i in range(len(places_m)):
        keep = ~twins[i]
        if _count_places(places_m[keep]) < LEAST_FIT:
            continue
        try:
            result[i] = miss_without(keep)[i]
        except (FacademapError, np.linalg.LinAlgError):
            continue
    return result


def _same_place(places_m: Floats, share: float | None = None) -> NDArray[np.bool_]:
    """Which points lie so near to which that they are one place, shape (n, n)."""
    share = ProofRules().twin_share if share is None else share
    span = float(np.ptp(places_m, axis=0).max()) if len(places_m) else 0.0
    apart = np.linalg.norm(places_m[:, None] - places_m[None], axis=-1)
    return np.asarray(apart <= share * span)


def _count_places(places_m: Floats, share: float | None = None) -> int:
    """Number of places that are not the same as an earlier one."""
    same = _same_place(places_m, share)
    kept: list[int] = []
    for i in range(len(places_m)):
        if not same[i, kept].any():
            kept.append(i)
    return len(kept)


def _rmse(miss_m: Floats) -> float:
    good = miss_m[np.isfinite(miss_m).all(axis=1)]
    return float(np.sqrt(np.mean(np.sum(good**2, axis=1)))) if len(good) else math.nan


def _luck(n: int, rules: ProofRules) -> float:
    """Factor from the RMSE of few check points to its upper limit at 90 % (chi-square with two degrees each)."""
    if n >= rules.few_checks:
        return 1.0
    from scipy.special import chdtri

    return math.sqrt(2.0 * n / float(chdtri(2 * n, 0.9)))


def _untested_reason(
    check_at_m: Floats,
    control_at_m: Floats,
    extent_m: tuple[float, float, float, float] | None,
    rules: ProofRules,
) -> str | None:
    """Why check points, however well met, do not test what the points surround; None where they do."""
    if not len(check_at_m):
        return ONE_PLACE
    if len(control_at_m) < LEAST_ROUND and extent_m is not None:
        low, high = np.array(extent_m[:2]), np.array(extent_m[2:])
    else:
        low, high = _region(np.concatenate([control_at_m, check_at_m]), extent_m)
    lattice = np.stack(
        np.meshgrid(*(np.linspace(a, b, 9) for a, b in zip(low, high, strict=True))), axis=-1
    ).reshape(-1, 1, 2)
    away = float(np.linalg.norm(lattice - check_at_m[None], axis=-1).min(axis=1).max())
    if away <= rules.most_reach * math.dist(low, high):
        return None
    return (
        f"not proved: the check points stand together in one part, and places lie up to {away:.1f} m from the nearest; "
        "add check points there"
    )


def _region(
    places_m: Floats, extent_m: tuple[float, float, float, float] | None
) -> tuple[Floats, Floats]:
    """Lower left and upper right of what the points surround, within the picture where they meet."""
    low, high = places_m.min(axis=0), places_m.max(axis=0)
    if extent_m is None:
        return low, high
    inner = np.maximum(low, extent_m[:2]), np.minimum(high, extent_m[2:])
    return inner if (inner[0] < inner[1]).all() else (low, high)


def prove(
    *,
    check_m: Floats,
    check_sigma_m: Floats,
    check_at_m: Floats,
    left_out_m: Floats,
    control_at_m: Floats,
    surplus: float = math.inf,
    doubts: tuple[str, ...] = (),
    otherwise: str = EXACT,
    extent_m: tuple[float, float, float, float] | None = None,
    rules: ProofRules | None = None,
) -> Proof:
    """Judge check points and control left out.

    Parameters
    ----------
    check_m : ndarray, shape (n, 2)
        Place seen minus place given at check points.
    check_sigma_m : ndarray, shape (n,)
        Stated precision of their survey, per axis.
    check_at_m : ndarray, shape (n, 2)
        Their places. One at a control point tests nothing, nor do check points that stand together in one part.
    left_out_m : ndarray, shape (k, 2)
        The same as ``check_m`` at control points that were left out of the fit one by one.
    control_at_m : ndarray, shape (m, 2)
        Places of the control, in the order of ``left_out_m`` where that has rows; empty where there is none.
    surplus : float
        Surplus observations of the fit.
    doubts : tuple of str
        Sentences that say that a point may be wrong.
    otherwise : str
        What is said where there is nothing to judge.
    extent_m : tuple of float, optional
        u0, v0, u1, v1 of the picture.
    rules : ProofRules, optional
    """
    rules = rules or ProofRules()
    limit = rules.worst_share * _span(control_at_m, extent_m)
    if len(check_m):
        apart = apart_from_control(check_at_m, control_at_m, rules)
        # a check point where control stands is met by the fit itself, and would thin out the misses of the others
        told = apart if apart.any() else np.ones_like(apart)
        n = int(told.sum())
        survey = math.sqrt(2.0 * float(np.mean(check_sigma_m[told] ** 2)))
        found = math.hypot(_rmse(check_m[told]), survey)
        error = math.hypot(_luck(n, rules) * _rmse(check_m[told]), survey)
        source = f"RMSE of {n} check point{'s' * (n > 1)}"
        if not (np.isfinite(check_m).all() and found <= limit):
            return _unproved(
                "not proved: the check points are missed by "
                f"{found * 1000:.0f} mm, so a coordinate or a pick is wrong"
                if np.isfinite(check_m).all()
                else "not proved: a check point lies beyond the horizon of the wall",
                source,
            )
        why_not = _untested_reason(check_at_m[apart], control_at_m, extent_m, rules)
        if why_not is None and int(apart.sum()) >= rules.least_checks:
            return _proved_by_checks(n, found, error, rules)
        otherwise = why_not or otherwise
    return _prove_by_left_out(
        left_out_m,
        control_at_m,
        check_m,
        limit=limit,
        surplus=surplus,
        doubts=doubts,
        otherwise=otherwise,
        rules=rules,
    )


def _span(control_at_m: Floats, extent_m: tuple[float, float, float, float] | None) -> float:
    """Larger side of the control, or of the picture where little or none tells it."""
    if len(control_at_m) >= LEAST_ROUND or extent_m is None:
        return float(np.ptp(control_at_m, axis=0).max()) if len(control_at_m) else math.inf
    return max(extent_m[2] - extent_m[0], extent_m[3] - extent_m[1])


def apart_from_control(
    check_at_m: Floats, control_at_m: Floats, rules: ProofRules | None = None
) -> NDArray[np.bool_]:
    """Which check points do not stand where control stands; the others test nothing.

    Parameters
    ----------
    check_at_m, control_at_m : ndarray, shape (n, 2)
    rules : ProofRules, optional

    Returns
    -------
    ndarray of bool, shape (n,)
    """
    share = (rules or ProofRules()).twin_share
    if not len(control_at_m):
        return np.ones(len(check_at_m), dtype=bool)
    span = float(np.ptp(control_at_m, axis=0).max())
    gap = np.linalg.norm(check_at_m[:, None] - control_at_m[None], axis=-1).min(axis=1)
    return np.asarray(gap > share * span)


def _proved_by_checks(n: int, rmse_m: float, error_m: float, rules: ProofRules) -> Proof:
    words = f"proved by {n} check point{'s' * (n > 1)}: RMSE {rmse_m * 1000:.1f} mm"
    source = f"RMSE of {n} check points"
    if n < rules.few_checks:
        words += f"; so few may be met by luck, so that {error_m * 1000:.1f} mm is taken"
        source = f"RMSE of {n} check point{'s' * (n > 1)}, upper limit at 90 % since they are few"
    return Proof(proved=True, error_m=error_m, source=source, reason=words)


def _prove_by_left_out(
    left_out_m: Floats,
    control_at_m: Floats,
    check_m: Floats,
    *,
    limit: float,
    surplus: float,
    doubts: tuple[str, ...],
    otherwise: str,
    rules: ProofRules,
) -> Proof:
    """Judge control left out, with check points that do not prove by themselves."""
    good = np.isfinite(left_out_m).all(axis=1)
    if len(left_out_m) < 5 or not good.any():
        return _unproved(otherwise)
    if doubts:
        return _unproved(f"not proved: {doubts[0]}")
    error = max(_rmse(left_out_m), _rmse(check_m) if len(check_m) else 0.0)
    if error > limit:
        return _unproved(
            f"not proved: points left out of the fit are missed by {error * 1000:.0f} mm, so a coordinate or a "
            "pick is wrong"
        )
    seen = _count_places(control_at_m[good], rules.twin_share)
    surplus -= 2.0 * (int(good.sum()) - seen)
    if seen < rules.least_left_out or surplus < rules.least_surplus:
        return _unproved(
            otherwise
            if len(check_m)
            else "not proved: too few surplus points to tell a mistake; add control points, or check points of their own"
        )
    source = f"{seen} control points left out one by one"
    if len(check_m):
        source += f" and {len(check_m)} check point{'s' * (len(check_m) > 1)}"
    return Proof(
        proved=True,
        error_m=error,
        source=source,
        reason=f"proved by {source}: missed by {error * 1000:.1f} mm (RMSE)",
    )


def prove_view(
    view: PlaneView,
    *,
    left_out_m: Floats | None = None,
    extent_m: tuple[float, float, float, float] | None = None,
) -> Proof:
    """Judge one photo of one plane by its own points.

    Parameters
    ----------
    view : PlaneView
    left_out_m : ndarray, shape (k, 2), optional
        As from `leave_control_out`, where it is known already.
    extent_m : tuple of float, optional
        u0, v0, u1, v1 of the picture.
    """
    check = ~view.points.is_control
    return prove(
        check_m=view.residual_m[check],
        check_sigma_m=view.points.sigma_m[check],
        check_at_m=view.points.wall_m[check],
        left_out_m=leave_control_out(view) if left_out_m is None else left_out_m,
        control_at_m=view.points.wall_m[view.used],
        extent_m=extent_m,
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


def prove_photos(proof: Proof, untested: Sequence[str]) -> Proof:
    """What check points prove of photos adjusted together holds for the photos that show one.

    Parameters
    ----------
    proof : Proof
        Of all photos together.
    untested : sequence of str
        Names of the photos that show the place of no check point and do not prove themselves.
    """
    if not (proof.proved and untested):
        return proof
    names = ", ".join(untested[:5]) + (
        f" and {len(untested) - 5} more" if len(untested) > 5 else ""
    )
    return _unproved(
        f"not proved: {names} show{'s' * (len(untested) == 1)} no check point, and photos joined together are tested "
        "where check points lie",
        proof.source,
    )


def shows_any(view: SurfaceView, size_px: tuple[int, int], places_m: Floats) -> bool:
    """Whether a photo shows one of the places.

    Parameters
    ----------
    view : SurfaceView
    size_px : tuple of int
        Width and height of the photo.
    places_m : ndarray, shape (n, 2)
    """
    pixel = view.pixel_from_wall(*np.asarray(places_m, dtype=float).reshape(-1, 2).T)
    with np.errstate(invalid="ignore"):
        inside = (pixel >= -0.5) & (pixel <= np.array(size_px) - 0.5)
    return bool(inside.all(axis=-1).any())


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
