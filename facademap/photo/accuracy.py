"""The accuracy statement of a rectified elevation.

References
----------
.. [1] ASPRS Positional Accuracy Standards for Digital Geospatial Data, Edition 2 (2023): at least 30
   check points for a tested statement; RMSE without removal of the mean.
.. [2] FGDC-STD-007.3-1998 (NSSDA): 95 % factor 1.7308 on the radial RMSE (value from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from facademap.photo.plane import PlaneView
from facademap.photo.pose import CameraPose, find_pose, obliqueness_deg, relief_shift_m
from facademap.photo.proof import (
    Proof,
    apart_from_control,
    control_hull_m,
    leave_control_out,
    prove_extent,
    prove_view,
    share_outside,
)
from facademap.photo.resample import SurfaceView
from facademap.wall.grid import Extent

__all__ = [
    "AccuracyRules",
    "AccuracyStatement",
    "Differences",
    "describe_differences",
    "few_checks_warning",
    "finest_scale",
    "proof_values",
    "sample_distances_m",
    "state_accuracy",
]

Floats = NDArray[np.floating[Any]]


@dataclass(frozen=True, slots=True, kw_only=True)
class AccuracyRules:
    """Thresholds of the statement; all can be set by an office.

    Parameters
    ----------
    least_check_points : int
        ASPRS Edition 2 (2023).
    plot_error_mm : float
        Detail on a drawing must be good to this, mm on paper (common survey rule, 0.2 mm).
    plot_sample_mm : float
        Largest ground sample distance on paper, mm (common practice, 0.1 mm).
    scales : tuple of int
        Denominators of drawing scales in use.
    relief_m : float
        Relief for which the shift at the edge is stated.
    least_redundancy : int
        Control points beyond four below which control residuals mean little (common practice).
    oblique_deg : float
        Obliqueness above which a warning is given (common practice).
    outside_share : float
        Share of the extent outside the control above which a warning is given (common practice: the usual
        margin of a picture stays below it).
    """

    least_check_points: int = 30
    plot_error_mm: float = 0.2
    plot_sample_mm: float = 0.1
    scales: tuple[int, ...] = (1, 2, 5, 10, 20, 25, 50, 100, 200, 250, 500, 1000)
    relief_m: float = 0.020
    least_redundancy: int = 2
    oblique_deg: float = 45.0
    outside_share: float = 0.35


@dataclass(frozen=True, slots=True, kw_only=True)
class Differences:
    """Summary of differences at points, metres, two axes.

    Parameters
    ----------
    n : int
    mean_m, sd_m, rmse_m : tuple of float
        Per axis (u, v); the standard deviation with n - 1; RMSE about zero.
    rmse_radial_m : float
    largest_m : float
        Longest difference.
    largest_index : int
    """

    n: int
    mean_m: tuple[float, float]
    sd_m: tuple[float, float]
    rmse_m: tuple[float, float]
    rmse_radial_m: float
    largest_m: float
    largest_index: int

    @property
    def radius95_m(self) -> float:
        """Radius that holds 95 % of errors (NSSDA; needs errors of like size on both axes)."""
        low, high = sorted(self.rmse_m)
        if high > 0 and 0.6 <= low / high < 1.0:
            return 2.4477 * 0.5 * (low + high)
        return 1.7308 * self.rmse_radial_m


def describe_differences(difference_m: ArrayLike) -> Differences | None:
    """Summarise differences (measured minus true), shape (n, 2); None when there are none."""
    d = np.asarray(difference_m, dtype=float).reshape(-1, 2)
    d = d[np.isfinite(d).all(axis=1)]
    if not len(d):
        return None
    rmse = np.sqrt(np.mean(d**2, axis=0))
    sd = d.std(axis=0, ddof=1) if len(d) > 1 else np.full(2, np.nan)
    length = np.hypot(d[:, 0], d[:, 1])
    return Differences(
        n=len(d),
        mean_m=(float(d[:, 0].mean()), float(d[:, 1].mean())),
        sd_m=(float(sd[0]), float(sd[1])),
        rmse_m=(float(rmse[0]), float(rmse[1])),
        rmse_radial_m=float(np.hypot(*rmse)),
        largest_m=float(length.max()),
        largest_index=int(length.argmax()),
    )


def finest_scale(
    error_m: float, sample_m: float, *, rules: AccuracyRules | None = None
) -> int | None:
    """Denominator of the finest drawing scale that an error and a sample distance allow; None beyond the list.

    Examples
    --------
    >>> finest_scale(0.050, 0.001)
    250
    """
    rules = rules or AccuracyRules()
    for scale in rules.scales:
        if error_m * 1000 <= rules.plot_error_mm * scale * (
            1 + 1e-9
        ) and sample_m * 1000 <= rules.plot_sample_mm * scale * (1 + 1e-9):
            return scale
    return None


@dataclass(frozen=True, slots=True, kw_only=True)
class AccuracyStatement:
    """How good a rectified elevation is.

    Parameters
    ----------
    control, check : Differences or None
        Control is None where the fit is exact by construction: its residuals say nothing.
    left_out : Differences or None
        At control points left out of the fit one by one.
    proof : Proof
    control_hull_m : tuple of tuple of float
        Corners of the outline round the control, u and v; places outside it are extrapolated.
    outside_share : float
        Share of the extent that lies outside that outline.
    check_with_survey_m : float
        Radial RMSE of the check points with the stated precision of their survey added (ASPRS Edition 2,
        2023: root of the sum of squares); NaN without check points.
    blunders : tuple of str
        Names of control points left out.
    sigma_median_m, sigma_worst_m : float
        Radial one-sigma uncertainty of a place measured in the elevation, over the extent (from the
        covariance of the fit and the picking precision); NaN where the points can vouch for nothing.
    sample_distance_m : tuple of tuple of float
        Coarser wall length of one photo pixel, on a lattice of places, rows from the top.
    obliqueness_deg : tuple of tuple of float
        Angle of sight at the same places.
    tilt_deg, distance_m, focal_px : float
    pose_is_known : bool
    empty_corners : tuple of str
        Quarters of the extent without control.
    control_share : float
        Area of the control's hull over the extent's area.
    relief_m, relief_shift_m : float
        Shift of a point that stands out by ``relief_m`` at the worst corner.
    error_m : float
        The error behind ``scale``.
    error_source : str
    scale : int or None
    scale_rule : str
    warnings : tuple of str
    """

    control: Differences | None
    check: Differences | None
    left_out: Differences | None
    proof: Proof
    control_hull_m: tuple[tuple[float, ...], ...]
    outside_share: float
    check_with_survey_m: float
    blunders: tuple[str, ...]
    sigma_median_m: float
    sigma_worst_m: float
    sample_distance_m: tuple[tuple[float, ...], ...]
    obliqueness_deg: tuple[tuple[float, ...], ...]
    tilt_deg: float
    distance_m: float
    focal_px: float
    pose_is_known: bool
    empty_corners: tuple[str, ...]
    control_share: float
    relief_m: float
    relief_shift_m: float
    error_m: float
    error_source: str
    scale: int | None
    scale_rule: str
    warnings: tuple[str, ...]


def state_accuracy(
    view: PlaneView, extent: Extent, *, gsd_m: float, rules: AccuracyRules | None = None
) -> AccuracyStatement:
    """Make the accuracy statement of one photo of one plane.

    Parameters
    ----------
    view : PlaneView
    extent : Extent
        Part of the wall that is rectified.
    gsd_m : float
        Ground sample distance of the elevation.
    rules : AccuracyRules, optional
    """
    rules = rules or AccuracyRules()
    left = leave_control_out(view)
    control = describe_differences(view.residual_m[view.used]) if np.isfinite(left).any() else None
    telling = ~view.points.is_control
    telling[telling] = apart_from_control(
        view.points.wall_m[telling], view.points.wall_m[view.used]
    )
    check = describe_differences(view.residual_m[telling])
    tested = view.used | ~view.points.is_control
    proof = prove_extent(
        prove_view(view, left_out_m=left, extent_m=extent.as_tuple()),
        view.points.wall_m[tested],
        extent.as_tuple(),
    )
    u = np.linspace(extent.u0_m, extent.u1_m, 7)[None, :]
    v = np.linspace(extent.v1_m, extent.v0_m, 5)[:, None]
    pixel = view.pixel_from_wall(u, v)
    inside = (pixel >= -0.5) & (
        pixel <= np.array([view.camera.width_px, view.camera.height_px]) - 0.5
    )
    seen = np.asarray(inside.all(axis=-1))
    samples = np.where(seen, view.sample_distance_m(u, v)[..., 1], np.nan)
    covariance = view.covariance_m2(u, v)
    places = np.stack(np.broadcast_arrays(u, v), axis=-1).reshape(-1, 2)
    bias = np.sum(view.bias_m(places) ** 2, axis=1).reshape(seen.shape)
    sigma = np.sqrt(np.trace(covariance, axis1=-2, axis2=-1) + bias)[seen & view.can_vouch]
    pose = find_pose(view)
    sight = np.where(seen, obliqueness_deg(pose, u, v), np.nan)
    shift = _worst_relief_shift(pose, extent, rules.relief_m)
    empty, share = _distribution(view, extent)
    sigma_median, sigma_worst = (
        (float(np.median(sigma)), float(sigma.max())) if sigma.size else (math.nan, math.nan)
    )
    with_survey = math.nan
    if check is not None:
        survey = view.points.sigma_m[telling]
        with_survey = math.hypot(check.rmse_radial_m, math.sqrt(2.0 * float(np.mean(survey**2))))
    sample = max(gsd_m, float(np.nanmedian(samples)) if np.isfinite(samples).any() else gsd_m)
    hull = control_hull_m(view.points.wall_m[view.used])
    outside = share_outside(hull, extent.as_tuple())
    error = proof.error_m
    if outside > rules.outside_share and check is None and sigma.size:
        error = max(error, sigma_worst)  # nothing tests what is extrapolated
    warnings = [
        *([] if proof.proved else [proof.reason]),
        *(blunder.sentence() for blunder in view.blunders),
        *view.flags,
        *_warnings(view, control, check, empty, outside, samples, gsd_m, pose, seen, rules),
    ]
    return AccuracyStatement(
        control=control,
        check=check,
        left_out=describe_differences(left),
        proof=proof,
        control_hull_m=_rows(hull),
        outside_share=outside,
        check_with_survey_m=with_survey,
        blunders=tuple(b.name for b in view.blunders),
        sigma_median_m=sigma_median,
        sigma_worst_m=sigma_worst,
        sample_distance_m=_rows(samples),
        obliqueness_deg=_rows(sight),
        tilt_deg=pose.tilt_deg,
        distance_m=pose.distance_m,
        focal_px=pose.focal_px,
        pose_is_known=pose.focal_is_known,
        empty_corners=empty,
        control_share=share,
        relief_m=rules.relief_m,
        relief_shift_m=shift,
        error_m=error if proof.proved else math.nan,
        error_source=proof.source
        if not error > proof.error_m
        else "uncertainty at the place farthest from the control",
        scale=finest_scale(error, sample, rules=rules) if proof.proved else None,
        scale_rule=_scale_rule(rules),
        warnings=tuple(warnings),
    )


def _rows(values: Floats) -> tuple[tuple[float, ...], ...]:
    return tuple(tuple(float(x) for x in row) for row in values)


def _worst_relief_shift(pose: CameraPose, extent: Extent, relief_m: float) -> float:
    corners = np.array(
        [(u, v) for u in (extent.u0_m, extent.u1_m) for v in (extent.v0_m, extent.v1_m)]
    )
    offset = np.hypot(*(corners - pose.centre_m[:2]).T).max()
    return (
        float(relief_shift_m(offset, relief_m, pose.distance_m))
        if pose.distance_m > relief_m
        else math.nan
    )


def _distribution(view: PlaneView, extent: Extent) -> tuple[tuple[str, ...], float]:
    places = view.points.wall_m[view.used]
    middle_u, middle_v = (extent.u0_m + extent.u1_m) / 2, (extent.v0_m + extent.v1_m) / 2
    right, upper = places[:, 0] >= middle_u, places[:, 1] >= middle_v
    quarters = {
        "upper left": ~right & upper,
        "upper right": right & upper,
        "lower left": ~right & ~upper,
        "lower right": right & ~upper,
    }
    empty = tuple(name for name, here in quarters.items() if not here.any())
    hull = cv2.convexHull((places - places.mean(axis=0)).astype(np.float32))
    return empty, float(cv2.contourArea(hull)) / (extent.width_m * extent.height_m)


def _warnings(
    view: PlaneView,
    control: Differences | None,
    check: Differences | None,
    empty: tuple[str, ...],
    outside: float,
    samples: Floats,
    gsd_m: float,
    pose: CameraPose,
    seen: NDArray[np.bool_],
    rules: AccuracyRules,
) -> list[str]:
    warnings = []
    n = check.n if check else 0
    few = few_checks_warning(n, rules=rules)
    if few is not None:
        warnings.append(few)
    used = int(view.used.sum())
    if used < 4 + rules.least_redundancy:
        warnings.append(
            f"{used} control points leave almost no surplus: their residuals say nothing about the accuracy "
            "of the elevation"
        )
    if empty:
        warnings.append(f"no control in the {', '.join(empty)} quarter of the extent")
    if outside > rules.outside_share:
        warnings.append(
            f"{outside:.0%} of the extent lies outside the control: places there are extrapolated"
        )
    if not seen.all():
        warnings.append("the photo does not show all of the extent")
    if pose.tilt_deg > rules.oblique_deg:
        warnings.append(
            f"the photo looks at the wall at {pose.tilt_deg:.0f} degrees: relief and picking errors grow"
        )
    if np.isfinite(samples).any() and gsd_m < 0.5 * float(np.nanmin(samples)):
        warnings.append(
            f"the ground sample distance of {gsd_m * 1000:g} mm is finer than the photo shows "
            f"({float(np.nanmin(samples)) * 1000:.2g} to {float(np.nanmax(samples)) * 1000:.2g} mm)"
        )
    if (
        check is not None
        and control is not None
        and used >= 6
        and n >= 4
        and check.rmse_radial_m > 3 * max(control.rmse_radial_m, 1e-12)
        and check.rmse_radial_m > 2 * gsd_m
    ):
        warnings.append(
            "check points are missed three times as far as control points: check their coordinates, or "
            "whether the wall is flat between the control"
        )
    return warnings


def sample_distances_m(view: SurfaceView, extent: Extent, size_px: tuple[int, int]) -> Floats:
    """Coarser wall length of one photo pixel on a lattice of places, shape (5, 7), rows from the top; NaN where unseen.

    Parameters
    ----------
    view : SurfaceView
        Of any surface: plane, set-back plane, round pier, one photo of a mosaic.
    extent : Extent
    size_px : tuple of int
        Width and height of the photo.
    """
    u, v = np.meshgrid(
        np.linspace(extent.u0_m, extent.u1_m, 7), np.linspace(extent.v1_m, extent.v0_m, 5)
    )
    here = view.pixel_from_wall(u, v)
    step = 1e-4 * max(extent.width_m, extent.height_m)
    slopes = [
        (view.pixel_from_wall(u + a, v + b) - view.pixel_from_wall(u - a, v - b)) / (2 * step)
        for a, b in ((step, 0.0), (0.0, step))
    ]
    inside = ((here >= -0.5) & (here <= np.array(size_px) - 0.5)).all(axis=-1)
    jacobian = np.stack(slopes, axis=-1)
    good = inside & np.isfinite(jacobian).all(axis=(-2, -1))
    result = np.full(u.shape, np.nan)
    if good.any():
        result[good] = 1.0 / np.maximum(
            np.linalg.svd(jacobian[good], compute_uv=False)[:, 1], 1e-12
        )
    return result


def proof_values(
    proof: Proof, sample_m: float, *, rules: AccuracyRules | None = None
) -> dict[str, Any]:
    """What is proved and the drawing scale that it supports with a sample distance, in the words of the report.

    Parameters
    ----------
    proof : Proof
    sample_m : float
        Coarser of the ground sample distance and what the photos show.
    rules : AccuracyRules, optional
    """
    rules = rules or AccuracyRules()
    scale = (
        finest_scale(proof.error_m, sample_m, rules=rules)
        if proof.proved and math.isfinite(sample_m)
        else None
    )
    return {
        "proved": proof.proved,
        "proof": proof.reason,
        "supports_scale": scale,
        "scale": scale,
        "scale_text": f"1:{scale}" if scale else None,
        "scale_rule": _scale_rule(rules),
        "scale_error_m": proof.error_m if proof.proved else None,
        "scale_error_source": proof.source,
    }


def few_checks_warning(n: int, *, rules: AccuracyRules | None = None) -> str | None:
    """A sentence when there are fewer check points than a tested statement needs."""
    least = (rules or AccuracyRules()).least_check_points
    return (
        f"indicative: {n} check points, below the {least} of ASPRS Edition 2 (2023)"
        if n < least
        else None
    )


def _scale_rule(rules: AccuracyRules) -> str:
    return (
        f"error at most {rules.plot_error_mm:g} mm and one sample at most {rules.plot_sample_mm:g} mm on the "
        "drawing (common survey rule; the office may set its own)"
    )
