"""One photo of one flat wall: the map between wall and picture, with its quality.

The fit: normalised direct linear transform, then least squares on reprojection with the lens given,
estimated or left out; blunders set aside and named; covariance carried on to every place.

References
----------
.. [1] R. Hartley, A. Zisserman, "Multiple View Geometry in Computer Vision", 2nd ed. 2004, algorithm 4.2: the start.
.. [2] E. M. Mikhail, "Observations and Least Squares", 1976: adjustment and propagation of covariance.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from facademap.errors import GeometryError, InputError, SolveError
from facademap.photo.adjust import (
    Adjustment,
    LensPrior,
    adjust_plane,
    camera_with_terms,
    lens_terms,
    project_with_jacobian,
)
from facademap.photo.camera import Camera, nominal_camera
from facademap.photo.control import ControlPoints, check_control
from facademap.photo.error_model import FitQuality, judge_fit
from facademap.photo.homography import apply_homography, homography_depth
from facademap.photo.robust import (
    estimate_scale,
    expected_miss_px,
    find_consensus,
    find_rivals,
    surprise,
)
from facademap.values import frozen_value

__all__ = ["Blunder", "PlaneView", "fit_plane_view"]

Floats = NDArray[np.floating[Any]]
LensState = Literal["given", "estimated", "none"]

#: Trust in a given camera file: one sigma of the right angle and of the ratio of the axes (common practice).
GIVEN_RIGHT_ANGLE_SIGMA = 0.003
#: One sigma of an unknown lens's terms (cx, cy in shares of the longer side; k1 k2 k3 p1 p2), for the
#: estimate and for the uncertainty where nothing could be estimated (common practice: an ordinary lens).
ESTIMATE_SIGMA = (0.006, 0.006, 0.2, 0.1, 0.02, 2e-4, 2e-4)
#: The same for a lens whose centre lies far off (an old camera, a cropped picture), taken when the points insist.
LOOSE_SIGMA = (0.03, 0.03, 0.2, 0.15, 0.05, 3e-4, 3e-4)
#: By so much the points must prefer it (natural logarithm of the likelihood; sum of squares over twice the variance).
LOOSE_GAIN = 6.0
RADIAL_SIGMA = (0.0, 0.0, 0.2, 0.0, 0.0, 0.0, 0.0)
#: Control points needed before a lens is estimated (8 unknowns of the plane, at least 1 of the lens,
#: and surplus to judge it).
LEAST_POINTS_FOR_LENS = 6
#: An estimate is kept when it lowers the prediction error of points left out by this share over the number of
#: points (the more points, the smaller a gain that is no accident), or the scatter by the factor below.
LENS_GAIN = 0.8
SCATTER_GAIN = 0.6
#: Residuals above this share of the picture's diagonal mean that the points are not those of the picture.
MAX_SIGMA_SHARE = 0.02
#: Surplus observations from which a wide scatter speaks for itself and is no doubt about single points (common practice).
SURPLUS_AGAINST_DOUBT = 6.0
#: Sum of squared standardised residuals of four points with a known camera (two surplus conditions) that is doubted.
DOUBTFUL_COST = 25.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Blunder:
    """A control point that the others contradict and that was left out of the fit.

    Parameters
    ----------
    name : str
    miss_px : float
        Distance in the picture between the picked pixel and where the others put the point.
    du_m, dv_m : float
        Place on the wall seen at the picked pixel minus the place given.
    hint : str
        What to check.
    """

    name: str
    miss_px: float
    du_m: float
    dv_m: float
    hint: str

    def sentence(self) -> str:
        """The blunder in one line."""
        if math.isfinite(self.du_m):
            where = (
                f"{math.hypot(self.du_m, self.dv_m) * 1000:.0f} mm on the wall ({self.du_m * 1000:+.0f} mm along, "
                f"{self.dv_m * 1000:+.0f} mm up)"
            )
        else:
            where = "beyond the horizon of the wall"
        return f"control point {self.name} was left out: {self.miss_px:.1f} px off, {where}; {self.hint}"


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class PlaneView:
    """How one photo sees one plane.

    Parameters
    ----------
    camera : Camera
        Given, estimated, or nominal without distortion.
    homography : ndarray, shape (3, 3)
        Wall metres to rays of the camera, third coordinate positive before it.
    lens : {"given", "estimated", "none"}
    points : ControlPoints
        All points, as given.
    used : ndarray of bool, shape (n,)
        Control points in the fit (false for check points and blunders).
    residual_m : ndarray, shape (n, 2)
        Place on the wall seen at the picked pixel minus the place given; NaN beyond the horizon.
    residual_px : ndarray, shape (n, 2)
        Projected minus picked.
    sigma_px : float
        One-sigma precision of picking (per axis) after the fit, for a stated precision of one.
    blunders : tuple of Blunder
    flags : tuple of str
        Sentences about limits of this fit.
    doubts : tuple of str
        Those of them that say that a point or the camera file may be wrong.
    origin_m, unit_m, parameter_homography
        Normalised frame of the fit.
    quality : FitQuality
        What the fit can vouch for: picking precision with the surplus behind it, covariance of the eight
        homography and seven lens terms, and the map that a lens nobody knows would give instead.
    """

    camera: Camera
    homography: Floats
    lens: LensState
    points: ControlPoints
    used: NDArray[np.bool_]
    residual_m: Floats
    residual_px: Floats
    sigma_px: float
    blunders: tuple[Blunder, ...]
    flags: tuple[str, ...]
    origin_m: Floats
    unit_m: float
    parameter_homography: Floats
    quality: FitQuality
    doubts: tuple[str, ...] = ()

    @property
    def can_vouch(self) -> bool:
        """Whether anything can be said of the uncertainty: surplus points, or a given lens that nothing contradicts."""
        if self.doubts and self.quality.surplus < SURPLUS_AGAINST_DOUBT:
            return False
        return self.lens == "given" or not self.quality.is_exact

    @property
    def covariance(self) -> Floats:
        """Of the eight homography terms and the seven lens terms."""
        return self.quality.covariance

    def bias_m(self, places_m: ArrayLike) -> Floats:
        """How far places would move if the unknown lens bent the picture as the points make likeliest, shape (n, 2).

        Zero where the lens was given or estimated in full.
        """
        places = np.asarray(places_m, dtype=float)
        if self.quality.rival is None:
            return np.zeros_like(places)
        camera, homography = self.quality.rival
        ray = camera.ray_from_pixel(self.pixel_from_wall(places[:, 0], places[:, 1]))
        moved = apply_homography(np.linalg.inv(homography), ray) * self.unit_m + self.origin_m
        return np.asarray(np.nan_to_num(moved - places, nan=0.0))

    def pixel_from_wall(self, u_m: ArrayLike, v_m: ArrayLike) -> Floats:
        """Pixels of places on the wall, shape (..., 2); NaN behind the camera or beyond the lens."""
        u, v = np.broadcast_arrays(np.asarray(u_m, dtype=float), np.asarray(v_m, dtype=float))
        return self.camera.pixel_from_ray(
            apply_homography(self.homography, np.stack([u, v], axis=-1))
        )

    def wall_from_pixel(self, x_px: ArrayLike, y_px: ArrayLike) -> Floats:
        """Places on the wall seen at pixels, shape (..., 2), metres; NaN beyond the horizon."""
        x, y = np.broadcast_arrays(np.asarray(x_px, dtype=float), np.asarray(y_px, dtype=float))
        ray = self.camera.ray_from_pixel(np.stack([x, y], axis=-1))
        inverse = np.linalg.inv(self.homography)
        homogeneous = ray @ inverse[:, :2].T + inverse[:, 2]
        with np.errstate(divide="ignore", invalid="ignore"):
            scale = np.where(
                homogeneous[..., 2] > 1e-12 * np.abs(inverse[2]).max(), homogeneous[..., 2], np.nan
            )
            return np.asarray(homogeneous[..., :2] / scale[..., None])

    def depth(self, u_m: ArrayLike, v_m: ArrayLike) -> Floats:
        """Relative distance before the camera: 1 at the control's centre, 0 on the horizon."""
        u, v = np.broadcast_arrays(np.asarray(u_m, dtype=float), np.asarray(v_m, dtype=float))
        return homography_depth(self.homography, np.stack([u, v], axis=-1)) / float(
            homography_depth(self.homography, self.origin_m)
        )

    def jacobian_px_per_m(self, u_m: ArrayLike, v_m: ArrayLike) -> Floats:
        """Derivative of the pixel by the place on the wall, shape (..., 2, 2)."""
        return np.asarray(self._derivatives(u_m, v_m)[1] / self.unit_m)

    def sample_distance_m(self, u_m: ArrayLike, v_m: ArrayLike) -> Floats:
        """Wall length of one pixel, shape (..., 2): the finer and the coarser direction."""
        values = np.linalg.svd(self.jacobian_px_per_m(u_m, v_m), compute_uv=False)
        with np.errstate(divide="ignore"):
            return np.asarray(1.0 / values)

    def covariance_m2(
        self, u_m: ArrayLike, v_m: ArrayLike, *, pick_px: float | None = None
    ) -> Floats:
        """Covariance of places measured in this photo, shape (..., 2, 2), square metres.

        Parameters
        ----------
        u_m, v_m : array_like
        pick_px : float, optional
            One-sigma precision (per axis) of picking the place in the photo; by default as good as
            the control points were picked. 0 leaves only the uncertainty of the fit; otherwise the place
            stands out of the plane as the control does.
        """
        by_unknown, by_wall = self._derivatives(u_m, v_m)
        pick = self.sigma_px if pick_px is None else pick_px
        in_picture = by_unknown @ self.covariance @ np.swapaxes(
            by_unknown, -1, -2
        ) + pick**2 * np.eye(2)
        inverse = np.linalg.inv(by_wall)
        on_wall = inverse @ in_picture @ np.swapaxes(inverse, -1, -2)
        if pick > 0:
            places = np.stack(np.broadcast_arrays(u_m, v_m), axis=-1)
            on_wall = on_wall + self._standing_out(places).reshape(on_wall.shape)
        return np.asarray(on_wall * self.unit_m**2)

    def joint_covariance_m2(self, places_m: ArrayLike, *, pick_px: float | None = None) -> Floats:
        """Covariance of several measured places together, shape (2 n, 2 n): u1 v1 u2 v2 ..

        Parameters
        ----------
        places_m : array_like, shape (n, 2)
        pick_px : float, optional
            As for `covariance_m2`; the picks are independent of one another.
        """
        places = np.asarray(places_m, dtype=float)
        by_unknown, by_wall = self._derivatives(places[:, 0], places[:, 1])
        inverse = np.linalg.inv(by_wall)
        rows = (inverse @ by_unknown).reshape(-1, 15)
        result = rows @ self.covariance @ rows.T
        pick = self.sigma_px if pick_px is None else pick_px
        standing = self._standing_out(places) if pick > 0 else np.zeros((len(places), 2, 2))
        for i, one in enumerate(inverse):
            result[2 * i : 2 * i + 2, 2 * i : 2 * i + 2] += pick**2 * one @ one.T + standing[i]
        return np.asarray(result * self.unit_m**2)

    def _standing_out(self, places_m: Floats) -> Floats:
        """Covariance of places from how far the control stands out, shape (n, 2, 2), normalised units."""
        places = (np.asarray(places_m, dtype=float).reshape(-1, 2) - self.origin_m) / self.unit_m
        return self.quality.relief.covariance(places)

    def belief_covariance_m2(self, places_m: ArrayLike) -> Floats:
        """The part of `joint_covariance_m2` that rests on what ordinary lenses are like, shape (2 n, 2 n)."""
        places = np.asarray(places_m, dtype=float)
        by_unknown, by_wall = self._derivatives(places[:, 0], places[:, 1])
        rows = (np.linalg.inv(by_wall) @ by_unknown).reshape(-1, 15)
        return np.asarray(rows @ self.quality.belief @ rows.T * self.unit_m**2)

    def _derivatives(self, u_m: ArrayLike, v_m: ArrayLike) -> tuple[Floats, Floats]:
        u, v = np.broadcast_arrays(np.asarray(u_m, dtype=float), np.asarray(v_m, dtype=float))
        places = (np.stack([u, v], axis=-1).reshape(-1, 2) - self.origin_m) / self.unit_m
        _, by_unknown, by_wall = project_with_jacobian(
            self.parameter_homography, self.camera, places
        )
        return by_unknown.reshape(*u.shape, 2, 15), by_wall.reshape(*u.shape, 2, 2)


def fit_plane_view(
    points: ControlPoints,
    *,
    width_px: int,
    height_px: int,
    camera: Camera | None = None,
    focal_35mm_mm: float | None = None,
    estimate_lens: bool = True,
    rng: np.random.Generator | None = None,
) -> PlaneView:
    """Fit the map between one flat wall and one photo.

    Parameters
    ----------
    points : ControlPoints
        Check points are carried along and never used in the fit.
    width_px, height_px : int
        Size of the stored picture.
    camera : Camera, optional
        Known lens.
    focal_35mm_mm : float, optional
        35 mm equivalent focal length (EXIF), a start value only.
    estimate_lens : bool
        Whether an unknown lens may be estimated from the points.
    rng : numpy.random.Generator, optional
        For the trial groups of the robust start; a fixed seed without it.

    Returns
    -------
    PlaneView

    Raises
    ------
    InputError, GeometryError
        Control that cannot carry the fit, or a camera that does not belong to the picture.
    SolveError
        Points that do not agree with any plane.

    Notes
    -----
    With four points and no camera the map is the exact homography. With six or more a lens
    (k1, k2 and its centre, each with a prior) is estimated and kept only when it predicts points left
    out of the fit better than no lens does.
    """
    check_control(points, width_px=width_px, height_px=height_px)
    if camera is not None and (camera.width_px, camera.height_px) != (width_px, height_px):
        raise InputError(
            f"the camera file is for pictures of {camera.width_px} x {camera.height_px} px, the photo has "
            f"{width_px} x {height_px} px",
            "Use the unresized, unturned photo or the camera file that belongs to it.",
        )
    rng = np.random.default_rng(20081) if rng is None else rng
    control = points.control
    origin = control.wall_m.mean(axis=0)
    unit = float(np.ptp(control.wall_m, axis=0).max()) / 2
    problem = _Problem(
        wall=(control.wall_m - origin) / unit,
        pixel_px=control.pixel_px,
        sigma_px=control.sigma_px,
        sigma_wall=control.sigma_m / unit,
        rng=rng,
    )
    flags: list[str] = []
    if camera is not None:
        lens: LensState = "given"
        prior = LensPrior(right_angle_sigma=GIVEN_RIGHT_ANGLE_SIGMA)
        fit, used, scale = problem.consensus(camera, prior)
        _compare_with_free_lens(problem, fit, used, scale, flags)
        quality = problem.judge(fit, camera, prior, used, fit_prior=prior, scale=scale)
    else:
        nominal = nominal_camera(width_px, height_px, focal_35mm_mm=focal_35mm_mm)
        fit, used, scale, lens, prior, fit_prior = _fit_unknown_lens(
            problem, nominal, estimate_lens, flags
        )
        quality = problem.judge(fit, nominal, prior, used, fit_prior=fit_prior, scale=scale)
    _refuse_nonsense(control, fit, used, width_px, height_px)
    doubts = _doubts(control, fit, used, scale, lens, problem)
    view = _assemble(points, fit, used, quality, lens, origin, unit, (*flags, *doubts))
    return replace(view, doubts=tuple(doubts))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Problem:
    """Control in the normalised frame."""

    wall: Floats
    pixel_px: Floats
    sigma_px: Floats
    sigma_wall: Floats
    rng: np.random.Generator

    def consensus(
        self, camera: Camera, prior: LensPrior
    ) -> tuple[Adjustment, NDArray[np.bool_], float]:
        least = max(4, math.ceil(0.6 * len(self.wall)))
        if math.isinf(prior.right_angle_sigma):
            least = max(least, min(5, len(self.wall)))
        return find_consensus(
            self.wall,
            self.pixel_px,
            camera,
            prior=prior,
            sigma_px=self.sigma_px,
            sigma_wall=self.sigma_wall,
            least_used=least,
            rng=self.rng,
        )

    def refit(
        self,
        start: Adjustment,
        camera: Camera,
        prior: LensPrior,
        used: NDArray[np.bool_],
        scale: float,
    ) -> tuple[Adjustment, float]:
        fit = start
        for _ in range(3):
            fit = adjust_plane(
                self.wall,
                self.pixel_px,
                fit.homography,
                camera,
                prior=prior,
                sigma_px=self.sigma_px,
                sigma_wall=self.sigma_wall,
                weight=used.astype(float),
                scale=scale,
                start_camera=_held_terms(fit.camera, camera, prior),
            )
            scale = estimate_scale(fit, used=used, scale=scale)
        return fit, scale

    def judge(
        self,
        fit: Adjustment,
        camera: Camera,
        prior: LensPrior,
        used: NDArray[np.bool_],
        *,
        fit_prior: LensPrior,
        scale: float,
    ) -> FitQuality:
        return judge_fit(
            self.wall,
            self.pixel_px,
            fit,
            camera,
            prior=prior,
            used=used,
            sigma_px=self.sigma_px,
            sigma_wall=self.sigma_wall,
            fit_prior=fit_prior,
            scale=scale,
        )


def _held_terms(start: Camera, mean: Camera, prior: LensPrior) -> Camera:
    """Start values with the held terms at the mean."""
    return camera_with_terms(
        mean, np.where(np.asarray(prior.sigma) > 0, lens_terms(start), lens_terms(mean))
    )


def _prior(sigmas: tuple[float, ...], camera: Camera) -> LensPrior:
    longer = max(camera.width_px, camera.height_px)
    return LensPrior(sigma=(sigmas[0] * longer, sigmas[1] * longer, *sigmas[2:]))


def _left_out_error_px(fit: Adjustment, used: NDArray[np.bool_]) -> float:
    """Root mean square error of predicting each used point from the others."""
    return float(np.sqrt(np.mean(expected_miss_px(fit, used)[used] ** 2)))


def _fit_unknown_lens(
    problem: _Problem,
    nominal: Camera,
    estimate: bool,
    flags: list[str],
) -> tuple[Adjustment, NDArray[np.bool_], float, LensState, LensPrior, LensPrior]:
    """Fit, used points, scale, state of the lens, what is believed of it, and with which belief the fit was made."""
    n = len(problem.wall)
    usual = _prior(ESTIMATE_SIGMA, nominal)
    if estimate and n >= LEAST_POINTS_FOR_LENS:
        full, used, scale, prior = _lens_consensus(problem, nominal)
        plain, plain_scale = problem.refit(full, nominal, LensPrior(), used, scale)
        radial, radial_scale = problem.refit(
            full, nominal, _prior(RADIAL_SIGMA, nominal), used, scale
        )
        errors = [_left_out_error_px(f, used) for f in (plain, radial, full)]
        # two witnesses: points left out are predicted better, or the scatter (after paying for the extra
        # unknowns) falls so far that it can be no accident
        least = 1.0 - LENS_GAIN / float(used.sum())
        full_gains = errors[2] < least * min(errors[:2]) or scale < SCATTER_GAIN * min(
            plain_scale, radial_scale
        )
        radial_gains = errors[1] < least * errors[0] or radial_scale < SCATTER_GAIN * plain_scale
        if full_gains:
            return full, used, scale, "estimated", prior, prior
        if radial_gains:
            flags.append(
                "the points support only one lens term (k1); k2 and the lens centre were left at their nominal values"
            )
            return radial, used, radial_scale, "estimated", prior, _prior(RADIAL_SIGMA, nominal)
        flags.append(
            "no lens was estimated: the points show no distortion that stands out from their scatter"
        )
        return plain, used, plain_scale, "none", prior, LensPrior()
    if estimate:
        flags.append(
            f"no lens was estimated: {n} control points are too few ({LEAST_POINTS_FOR_LENS} or more are "
            "needed); an ordinary lens can shift places away from the control by several pixels"
        )
    fit, used, scale = problem.consensus(nominal, LensPrior())
    return fit, used, scale, "none", usual, LensPrior()


def _lens_consensus(
    problem: _Problem, nominal: Camera
) -> tuple[Adjustment, NDArray[np.bool_], float, LensPrior]:
    """Consensus with an ordinary lens, or with one whose centre lies far off where the points insist."""
    ordinary, wide = _prior(ESTIMATE_SIGMA, nominal), _prior(LOOSE_SIGMA, nominal)
    usual = problem.consensus(nominal, ordinary)
    loose = problem.consensus(nominal, wide)
    if (usual[1] == loose[1]).all():
        gain = (usual[0].cost * (usual[2] / loose[2]) ** 2 - loose[0].cost) / 2.0
    else:
        gain = surprise(*usual, problem.sigma_px, nominal) - surprise(
            *loose, problem.sigma_px, nominal
        )
    return (*loose, wide) if gain > LOOSE_GAIN else (*usual, ordinary)


def _compare_with_free_lens(
    problem: _Problem, fit: Adjustment, used: NDArray[np.bool_], scale: float, flags: list[str]
) -> None:
    """Refuse or flag a camera file that the points contradict."""
    if len(problem.wall) < LEAST_POINTS_FOR_LENS:
        return
    camera = nominal_camera(fit.camera.width_px, fit.camera.height_px)
    free, free_used, _ = problem.consensus(camera, _prior(LOOSE_SIGMA, camera))
    given_px, free_px = _left_out_error_px(fit, used), _left_out_error_px(free, free_used)
    better = given_px > 4.0 * free_px or (given_px > 2.0 * free_px and used.sum() < free_used.sum())
    if given_px > 3.0 and better and free_used.sum() >= max(LEAST_POINTS_FOR_LENS, used.sum()):
        raise InputError(
            f"the camera file does not fit this photo: points are missed by {given_px:.1f} px with it and by "
            f"{free_px:.1f} px with a lens estimated from the points",
            "Use the camera file of this very lens, zoom and focus, or leave it out so that the lens is estimated.",
        )
    if given_px > 2.0 * free_px and given_px > 1.0:
        flags.append(
            f"the camera file may not belong to this photo: points are missed by {given_px:.1f} px with it, "
            f"by {free_px:.1f} px with a lens estimated from the points"
        )


def _doubts(
    control: ControlPoints,
    fit: Adjustment,
    used: NDArray[np.bool_],
    scale: float,
    lens: LensState,
    problem: _Problem,
) -> list[str]:
    """Sentences for fits that hold, but that the points cannot vouch for."""
    doubts = []
    rivals = find_rivals(
        problem.wall,
        problem.pixel_px,
        fit,
        used,
        sigma_px=problem.sigma_px,
        sigma_wall=problem.sigma_wall,
        prior=LensPrior(right_angle_sigma=GIVEN_RIGHT_ANGLE_SIGMA)
        if lens == "given"
        else LensPrior(),
    )
    if rivals:
        names = ", ".join(control.name[i] for i in rivals)
        doubts.append(
            f"so few points cannot tell for certain which one is wrong: it may be {names} instead; add control"
        )
    sigma_px = scale * float(np.median(control.sigma_px))
    if scale > 6.0:
        cause = (
            "one of them is wrong, or the lens bends the picture"
            if lens == "none"
            else "some of them are wrong, or the wall is not flat"
        )
        doubts.append(
            f"the control points miss by {sigma_px:.1f} px (one sigma), far more than points are picked to: "
            f"{cause}; check them and add control"
        )
    elif lens == "given" and len(control) == 4 and fit.cost > DOUBTFUL_COST:
        doubts.append(
            "seen with this camera, the four points do not have the shape that was given: one of them is "
            "wrong, or the camera file does not belong to this photo; add control"
        )
    return doubts


def _refuse_nonsense(
    control: ControlPoints, fit: Adjustment, used: NDArray[np.bool_], width_px: int, height_px: int
) -> None:
    wall = (control.wall_m - control.wall_m.mean(axis=0)) / (
        np.ptp(control.wall_m, axis=0).max() / 2
    )
    _, _, by_wall = project_with_jacobian(fit.homography, fit.camera, wall)
    depth = homography_depth(fit.homography, wall)
    sigma = float(np.sqrt(np.mean(np.sum(fit.residual_px[used] ** 2, axis=1))))
    limit = MAX_SIGMA_SHARE * math.hypot(width_px, height_px) / (1 if len(used) < 8 else 2)
    if sigma > limit or ((~used).sum() > len(used) / 3 and sigma > limit / 10):
        worst = np.argsort(-np.hypot(*fit.residual_px.T))[:3]
        named = ", ".join(
            f"{control.name[i]} ({np.hypot(*fit.residual_px[i]):.0f} px)" for i in worst
        )
        raise SolveError(
            f"the control points do not fit this photo: they miss by {sigma:.0f} px on average, worst {named}",
            "Check that the points belong to this photo and this wall, that no two names are exchanged and that u "
            "and v are not swapped.",
        )
    if float(np.median(np.linalg.det(by_wall[used]))) > 0:
        raise GeometryError(
            "the control is mirrored: seen from outside, u must run right and v up",
            "Exchange the sign of u (or of v), check that the photo is not flipped and that no two points are exchanged.",
        )
    if (depth[used] <= 0).any():
        names = ", ".join(np.array(control.name)[used & (depth <= 0)])
        raise GeometryError(
            f"the control points contradict each other: {names} would lie behind the camera",
            "Check for exchanged points: two names swapped, or a pixel picked at another target.",
        )
    values = np.linalg.svd(by_wall[used].mean(axis=0), compute_uv=False)
    if not fit.converged or values[1] < 1e-3 * values[0]:
        raise GeometryError(
            "the control is ill-conditioned: the wall is seen almost edge-on or the points are in bad places",
            "Spread the control wider or use a photo taken more squarely to the wall.",
        )


def _assemble(
    points: ControlPoints,
    fit: Adjustment,
    used_control: NDArray[np.bool_],
    quality: FitQuality,
    lens: LensState,
    origin: Floats,
    unit: float,
    flags: tuple[str, ...],
) -> PlaneView:
    shift = np.array(
        [[1 / unit, 0.0, -origin[0] / unit], [0.0, 1 / unit, -origin[1] / unit], [0.0, 0.0, 1.0]]
    )
    homography = fit.homography @ shift
    homography /= np.linalg.norm(homography)
    used = np.zeros(len(points), dtype=bool)
    used[np.flatnonzero(points.is_control)[used_control]] = True
    view = PlaneView(
        camera=fit.camera,
        homography=homography,
        lens=lens,
        points=points,
        used=used,
        residual_m=np.empty((0, 2)),
        residual_px=np.empty((0, 2)),
        sigma_px=quality.pick_px,
        blunders=(),
        flags=flags,
        origin_m=origin,
        unit_m=unit,
        parameter_homography=fit.homography,
        quality=quality,
    )
    residual_m = view.wall_from_pixel(*points.pixel_px.T) - points.wall_m
    residual_px = view.pixel_from_wall(*points.wall_m.T) - points.pixel_px
    view = replace(view, residual_m=residual_m, residual_px=residual_px)
    return replace(view, blunders=_name_blunders(view))


def _name_blunders(view: PlaneView) -> tuple[Blunder, ...]:
    points = view.points
    wrong = np.flatnonzero(points.is_control & ~view.used)
    result = []
    for i in wrong:
        others = [
            j
            for j in range(len(points))
            if j != i
            and np.hypot(*(view.pixel_from_wall(*points.wall_m[i]) - points.pixel_px[j]))
            < max(5.0 * view.sigma_px, 3.0)
        ]
        du, dv = view.residual_m[i]
        swapped_axes = np.hypot(
            *(view.pixel_from_wall(*points.wall_m[i][::-1]) - points.pixel_px[i])
        )
        if others:
            hint = f"its place fits the pixel of {points.name[others[0]]}: check whether the two names are exchanged"
        elif swapped_axes < max(5.0 * view.sigma_px, 3.0):
            hint = "it fits with u and v exchanged: check its row"
        elif not math.isfinite(du):
            hint = "check that its pixel lies on this wall"
        else:
            hint = "check the picked pixel, the typed u and v, and whether the target lies on this plane"
        result.append(
            Blunder(
                name=points.name[i],
                miss_px=float(np.hypot(*view.residual_px[i])),
                du_m=float(du),
                dv_m=float(dv),
                hint=hint,
            )
        )
    return tuple(result)
