"""What a fit can vouch for: the precision of picking, told from surplus points, and the covariance that follows.

Every plus or minus and every "good for 1 : n" starts here. Parts: picking (from the residuals of surplus points,
else the stated setting), survey (as stated for each point), lens (given: held; else with the spread of ordinary
lenses, narrowed by what the points show), relief (told from the pattern of the same residuals, and growing with the
distance from the foot of the camera), and with all of them the distance from the control. What is measured may stand
out further (`facademap.photo.measure`).

References
----------
.. [1] E. M. Mikhail, "Observations and Least Squares", 1976: variance of unit weight, propagation.
.. [2] Student (W. S. Gosset), "The probable error of a mean", Biometrika 6 (1908) 1-25: ranges from few surplus
   observations.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import optimize, stats

from facademap.photo.adjust import (
    Adjustment,
    LensPrior,
    adjust_plane,
    lens_terms,
    project_with_jacobian,
    right_angle,
    right_angle_jacobian,
    whitening,
)
from facademap.photo.camera import Camera
from facademap.photo.plane_pose import pose_from_homography
from facademap.photo.standing_out import StandingOut, split_scatter
from facademap.values import frozen_value

__all__ = ["NORMAL_95", "FitQuality", "factor_95", "half_range_95", "judge_fit", "radius_factor_95"]

Floats = NDArray[np.floating[Any]]

#: 95 % of a normal distribution lie within so many standard deviations on either side.
NORMAL_95 = 1.95996
#: Surplus observations from which the picking precision is taken from the residuals; below it is as stated.
LEAST_SURPLUS = 0.8
#: Nobody picks better than this, one sigma, pixels (common practice: the best of automatic targets).
FINEST_PICK_PX = 0.02


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class FitQuality:
    """Precision behind one fit.

    Parameters
    ----------
    pick_px : float
        One sigma of a pick, per axis.
    surplus : float
        Surplus observations behind ``pick_px``; 0 where it is only stated.
    is_exact : bool
        Four points, which any photo fits.
    covariance : ndarray, shape (15, 15)
        Of the eight homography and seven lens terms, with what relief does to them.
    relief : StandingOut
        How far places of this wall stand out, in normalised wall coordinates; 0 where no surplus tells it.
    belief : ndarray, shape (15, 15)
        The part of it that comes from the spread of ordinary lenses, not from the points.
    lens_mean, lens_prior
        Lens that the fit was drawn towards, and how strongly, for fits with a point left out.
    rival : tuple of Camera and ndarray, or None
        The likeliest map when the lens is allowed to bend as ordinary ones do, where the fit itself holds the lens.
    """

    pick_px: float
    surplus: float
    is_exact: bool
    covariance: Floats
    relief: StandingOut
    belief: Floats
    lens_mean: Camera
    lens_prior: LensPrior
    rival: tuple[Camera, Floats] | None = None


def factor_95(surplus: float) -> float:
    """Standard deviations on either side that hold 95 %: Student's factor, the normal one without surplus.

    Examples
    --------
    >>> round(factor_95(10.0), 3), round(factor_95(0.0), 3)
    (2.228, 1.96)
    """
    return float(stats.norm.ppf(0.975) if surplus <= 0 else stats.t.ppf(0.975, surplus))


def radius_factor_95(surplus: float) -> float:
    """Standard deviations of one axis in the radius that holds 95 % of a round scatter (from F with 2 and ``surplus``).

    Examples
    --------
    >>> round(radius_factor_95(0.0), 5)
    2.44775
    """
    if surplus <= 0:
        return math.sqrt(float(stats.chi2.ppf(0.95, 2)))
    return math.sqrt(2.0 * float(stats.f.ppf(0.95, 2, surplus)))


def half_range_95(bias: float, sigma: float) -> float:
    """Half width of a range about the measured value that holds 95 %, where the error scatters about ``bias``.

    Examples
    --------
    >>> round(half_range_95(0.0, 1.0), 3), round(half_range_95(-5.0, 1.0), 3)
    (1.96, 6.645)
    """
    if not sigma > 0:
        return abs(bias)
    shift = abs(bias) / sigma

    def beyond(half: float) -> float:
        return float(stats.norm.cdf(half - shift) - stats.norm.cdf(-half - shift)) - 0.95

    return sigma * float(optimize.brentq(beyond, 0.0, shift + 3.0))


def judge_fit(
    wall: Floats,
    pixel_px: Floats,
    fit: Adjustment,
    camera: Camera,
    *,
    prior: LensPrior,
    used: NDArray[np.bool_],
    sigma_px: Floats,
    sigma_wall: Floats,
    fit_prior: LensPrior,
    scale: float,
) -> FitQuality:
    """Estimate picking precision and covariance of a fit.

    Parameters
    ----------
    wall, pixel_px : ndarray, shape (n, 2)
        Normalised wall coordinates and pixels.
    fit : Adjustment
    camera : Camera
        Mean of the lens terms.
    prior : LensPrior
        What is believed of the lens, whether or not the fit estimated it.
    used : ndarray of bool, shape (n,)
    sigma_px, sigma_wall : ndarray, shape (n,)
        Stated precision; that of the survey is held, that of picking is scaled.
    fit_prior : LensPrior
        With which the fit itself was made; where it is another one the likeliest map with ``prior`` is kept as the
        rival.
    scale : float
        Scatter of the fit over the stated precision.

    Returns
    -------
    FitQuality
    """
    factor, likely = 1.0, fit
    finest = FINEST_PICK_PX / float(np.median(sigma_px))
    surplus = 0.0

    def fit_with(factor: float, start: Adjustment) -> Adjustment:
        return adjust_plane(
            wall,
            pixel_px,
            start.homography,
            camera,
            prior=prior,
            sigma_px=sigma_px * factor,
            sigma_wall=sigma_wall,
            weight=used.astype(float),
            start_camera=start.camera,
        )

    for _ in range(12):
        likely = fit_with(factor, likely)
        surplus = max(likely.redundancy - float((~used).sum()), 0.0)
        if surplus < LEAST_SURPLUS:
            break
        ratio = math.sqrt(float(np.sum(likely.whitened[used] ** 2)) / likely.redundancy)
        before, factor = factor, max(factor * ratio, finest)
        if abs(math.log(factor / before)) < 1e-3:
            break
    pose = pose_from_homography(
        likely.homography, camera.fx_px, focal_is_known=math.isfinite(prior.right_angle_sigma)
    )
    relief = StandingOut(sigma=0.0, foot=pose.centre_m[:2], distance=pose.distance_m)
    if surplus < LEAST_SURPLUS:
        # the lens may take up what little is surplus: the plain fit still has its own, and the worse of it and of the
        # stated precision counts
        surplus = 0.0
        factor = max(1.0, scale) if used.sum() > 4 else 1.0
        likely = fit_with(factor, fit)
    else:
        even, relief = _told_apart(
            likely, wall, relief, camera, prior, used, (sigma_px * factor, sigma_wall)
        )
        # the means hold what few surplus points leave open, which Student's factor brings in again
        student = NORMAL_95 / factor_95(surplus)
        relief = replace(relief, sigma=relief.sigma * student)
        factor = max(factor * math.sqrt(even) * student, finest)
        likely = fit_with(factor, likely)
    held = np.asarray(prior.sigma, dtype=float)
    weight = np.divide(1.0, held**2, out=np.zeros(7), where=held > 0)
    by_lens = likely.covariance[:, 8:]
    lifted = relief.sigma * _lifted(likely, wall, relief, (sigma_px * factor, sigma_wall))
    moved = np.einsum("nij,ni->nj", likely.rows[used], lifted[used]) @ likely.covariance
    return FitQuality(
        pick_px=factor * float(np.median(sigma_px)),
        surplus=surplus,
        is_exact=bool(used.sum() <= 4),
        covariance=likely.covariance + moved.T @ moved,
        relief=relief,
        belief=by_lens @ (weight[:, None] * by_lens.T),
        lens_mean=camera,
        lens_prior=fit_prior,
        rival=None if fit_prior == prior else (likely.camera, likely.homography),
    )


def _told_apart(
    likely: Adjustment,
    wall: Floats,
    relief: StandingOut,
    camera: Camera,
    prior: LensPrior,
    used: NDArray[np.bool_],
    sigma: tuple[Floats, Floats],
) -> tuple[float, StandingOut]:
    """Factor on the variance of picking, and how far the control stands out, from the residuals of a fit."""
    spread = np.asarray(prior.sigma, dtype=float)
    by_lens = likely.rows[used][..., 8:].reshape(-1, 7)
    held = right_angle(likely.homography), right_angle_jacobian(likely.homography)
    trust = prior.right_angle_sigma
    even, square = split_scatter(
        likely.whitened[used].ravel() - by_lens @ (lens_terms(likely.camera) - lens_terms(camera)),
        likely.rows[used][..., :8].reshape(-1, 8),
        by_lens[:, spread > 0] * spread[spread > 0],
        _lifted(likely, wall, relief, sigma)[used],
        (held[0] / trust, held[1] / trust)
        if math.isfinite(trust)
        else (np.empty(0), np.empty((0, 8))),
    )
    return even, replace(relief, sigma=math.sqrt(square))


def _lifted(
    fit: Adjustment, wall: Floats, relief: StandingOut, sigma: tuple[Floats, Floats]
) -> Floats:
    """Whitened shift in the picture of points that stand out by one unit, shape (n, 2)."""
    by_wall = project_with_jacobian(fit.homography, fit.camera, wall)[2]
    shift = np.einsum("nij,nj->ni", by_wall, relief.shift(wall))
    return np.asarray(np.einsum("nij,nj->ni", whitening(by_wall, *sigma), shift))
