"""Start values and blunders: a fit that does not believe every point.

Steps: (1) homographies through four points each, for a few strengths of lens distortion, scored by
how many others they explain; (2) least squares with Cauchy weights from the best of them; (3) the
points that stay beyond the limit are set aside one by one, the largest first, and taken back when
the others turn out to agree with them.

References
----------
.. [1] M. Fischler, R. Bolles, "Random sample consensus", Comm. ACM 24 (1981) 381-395.
.. [2] W. Baarda, "A testing procedure for use in geodetic networks", Delft 1968 (testing one
   observation after the other by its standardised residual).
"""

from __future__ import annotations

import itertools
import math
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from facademap.errors import FacademapError
from facademap.photo.adjust import Adjustment, LensPrior, adjust_plane
from facademap.photo.camera import Camera
from facademap.photo.homography import fit_homography_dlt

__all__ = [
    "estimate_scale",
    "expected_miss_px",
    "find_consensus",
    "find_rivals",
    "standardised_residuals",
    "surprise",
]

Floats = NDArray[np.floating[Any]]
Flags = NDArray[np.bool_]

#: Distortions tried as start values when the lens is unknown.
K1_TRIALS = (0.0, -0.08, -0.16, -0.24, -0.32, 0.06)
#: A point is a blunder beyond this many standard deviations and this many pixels (common practice).
BLUNDER_SIGMAS = 5.0
BLUNDER_PX = 2.0
#: Weight of the stated precision against the residuals, in observations.
PRIOR_OBSERVATIONS = 3.0
#: Up to so many points, every way of leaving some out is compared.
MOST_POINTS_TO_COMPARE = 10
#: Scatter over the stated precision above which the first consensus of few points is doubted, and below which a
#: smaller set is believed instead (common practice).
DOUBTED_SCATTER = 3.0
BELIEVED_SCATTER = 2.0
#: Each point of such a set left out must miss by so many standard deviations and this share of the diagonal.
GROSS_SIGMAS = 12.0
GROSS_SHARE = 0.0025
#: A blunder may lie anywhere within this share of the diagonal; scatter of points on real walls, as a share of it
#: (both common practice: a wrong target, a slip of the hand; relief of some millimetres).
BLUNDER_REACH = 0.05
USUAL_SCATTER = 0.0005
_MOST_SAMPLES = 400


def estimate_scale(fit: Adjustment, *, used: Flags, scale: float) -> float:
    """Factor on the stated sigmas: residuals of the used points, drawn towards the stated precision.

    Parameters
    ----------
    fit : Adjustment
    used : ndarray of bool, shape (n,)
    scale : float
        The factor with which ``fit`` was made.
    """
    redundancy = max(fit.redundancy, 0.0)
    total = float(np.sum(fit.whitened[used] ** 2)) * scale**2
    return math.sqrt((PRIOR_OBSERVATIONS + total) / (PRIOR_OBSERVATIONS + redundancy))


def expected_miss_px(fit: Adjustment, used: Flags) -> Floats:
    """Distance of every point from where the *other* points put it, shape (n,), pixels."""
    miss = fit.residual_px.copy()
    for i in np.flatnonzero(used):
        reduced = np.eye(2) - fit.leverage[i]
        if np.linalg.eigvalsh((reduced + reduced.T) / 2)[0] > 1e-6:
            miss[i] = np.linalg.solve(reduced, miss[i])
    return np.asarray(np.hypot(miss[:, 0], miss[:, 1]))


def standardised_residuals(fit: Adjustment, *, used: Flags) -> Floats:
    """Residual over its own standard deviation, largest axis, shape (n,); 0 where nothing checks a point."""
    result = np.zeros(len(used))
    for i in range(len(used)):
        sign = -1.0 if used[i] else 1.0
        spread = np.eye(2) + sign * fit.leverage[i]
        values, vectors = np.linalg.eigh((spread + spread.T) / 2)
        along = vectors.T @ fit.whitened[i]
        checked = values > 0.02
        if checked.any():
            result[i] = float(np.max(np.abs(along[checked]) / np.sqrt(values[checked])))
    return result


def _homographies_of_four(source: Floats, target: Floats) -> Floats:
    """Exact homographies of many groups of four pairs, shape (m, 3, 3); singular groups give NaN."""
    m = len(source)
    rows = np.zeros((m, 8, 8))
    u, v = source[..., 0], source[..., 1]
    x, y = target[..., 0], target[..., 1]
    rows[:, 0::2, 0], rows[:, 0::2, 1], rows[:, 0::2, 2] = u, v, 1.0
    rows[:, 1::2, 3], rows[:, 1::2, 4], rows[:, 1::2, 5] = u, v, 1.0
    rows[:, 0::2, 6], rows[:, 0::2, 7] = -x * u, -x * v
    rows[:, 1::2, 6], rows[:, 1::2, 7] = -y * u, -y * v
    value = np.empty((m, 8))
    value[:, 0::2], value[:, 1::2] = x, y
    good = np.abs(np.linalg.det(rows)) > 1e-9
    result = np.full((m, 9), np.nan)
    if good.any():
        result[good, :8] = np.linalg.solve(rows[good], value[good][..., None])[..., 0]
    result[:, 8] = 1.0
    return result.reshape(m, 3, 3)


def _groups_of_four(n: int, rng: np.random.Generator) -> NDArray[np.intp]:
    if math.comb(n, 4) <= _MOST_SAMPLES:
        return np.array(list(itertools.combinations(range(n), 4)), dtype=np.intp)
    return np.array([rng.choice(n, 4, replace=False) for _ in range(_MOST_SAMPLES)], dtype=np.intp)


def _sampled_starts(
    wall: Floats,
    pixel_px: Floats,
    camera: Camera,
    trials: tuple[float, ...],
    rng: np.random.Generator,
) -> list[tuple[Floats, Camera]]:
    """Best start of each trial distortion, the most promising first."""
    groups = _groups_of_four(len(wall), rng)
    limit = max(3.0, 0.002 * math.hypot(camera.width_px, camera.height_px)) / camera.fx_px
    scored = []
    for k1 in trials:
        trial = replace(camera, k1=k1) if k1 else camera
        rays = trial.ray_from_pixel(pixel_px)
        if not np.isfinite(rays).all():
            continue
        matrices = _homographies_of_four(wall[groups], rays[groups])
        matrices = np.concatenate([matrices, fit_homography_dlt(wall, rays)[None]])
        homogeneous = np.c_[wall, np.ones(len(wall))] @ np.transpose(matrices, (0, 2, 1))
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            miss = np.hypot(
                homogeneous[..., 0] / homogeneous[..., 2] - rays[:, 0],
                homogeneous[..., 1] / homogeneous[..., 2] - rays[:, 1],
            )
        score = np.log1p((np.clip(np.nan_to_num(miss, nan=1e6), 0, 1e6) / limit) ** 2).sum(axis=1)
        best = int(np.argmin(score))
        if np.isfinite(matrices[best]).all() and matrices[best][2, 2] != 0:
            scored.append((float(score[best]), matrices[best], trial))
    scored.sort(key=lambda item: item[0])
    return [(matrix, trial) for _, matrix, trial in scored[:3]]


def _robust_fit(
    wall: Floats,
    pixel_px: Floats,
    start: tuple[Floats, Camera],
    camera: Camera,
    prior: LensPrior,
    sigma_px: Floats,
    sigma_wall: Floats,
) -> tuple[float, Adjustment]:
    """Least squares with Cauchy weights whose width follows the residuals; returns its score too."""
    matrix, trial = start
    limit = max(3.0, 0.002 * math.hypot(camera.width_px, camera.height_px))
    fit = _start_adjustment(wall, pixel_px, matrix, trial)
    for _ in range(12):
        distance = np.hypot(*fit.residual_px.T)
        width = max(1.0, 2.0 * float(np.median(distance)))
        weight = 1.0 / (1.0 + (distance / width) ** 2) ** 2
        fit_camera = replace(
            camera,
            k1=fit.camera.k1,
            k2=fit.camera.k2,
            k3=fit.camera.k3,
            p1=fit.camera.p1,
            p2=fit.camera.p2,
            cx_px=fit.camera.cx_px,
            cy_px=fit.camera.cy_px,
        )
        fit = _adjust_from(
            wall, pixel_px, fit.homography, fit_camera, camera, prior, sigma_px, sigma_wall, weight
        )
    distance = np.hypot(*fit.residual_px.T)
    return float(np.log1p((distance / (limit / 3)) ** 2).sum()), fit


def _start_adjustment(wall: Floats, pixel_px: Floats, matrix: Floats, trial: Camera) -> Adjustment:
    n = len(wall)
    return adjust_plane(
        wall,
        pixel_px,
        matrix,
        trial,
        prior=LensPrior(),
        sigma_px=np.ones(n),
        sigma_wall=np.zeros(n),
        max_steps=0,
    )


def _adjust_from(
    wall: Floats,
    pixel_px: Floats,
    homography: Floats,
    start: Camera,
    mean: Camera,
    prior: LensPrior,
    sigma_px: Floats,
    sigma_wall: Floats,
    weight: Floats,
    *,
    scale: float = 1.0,
) -> Adjustment:
    """Adjust with start values that are not the prior's mean."""
    return adjust_plane(
        wall,
        pixel_px,
        homography,
        mean,
        prior=prior,
        sigma_px=sigma_px,
        sigma_wall=sigma_wall,
        weight=weight,
        scale=scale,
        start_camera=start,
    )


def find_consensus(
    wall: Floats,
    pixel_px: Floats,
    camera: Camera,
    *,
    prior: LensPrior,
    sigma_px: Floats,
    sigma_wall: Floats,
    least_used: int,
    rng: np.random.Generator,
) -> tuple[Adjustment, Flags, float]:
    """Fit the points that agree and set the others aside.

    Parameters
    ----------
    wall : ndarray, shape (n, 2)
        Normalised wall coordinates.
    pixel_px : ndarray, shape (n, 2)
    camera : Camera
        Known camera, or the nominal one when the prior leaves lens terms free.
    prior : LensPrior
    sigma_px, sigma_wall : ndarray, shape (n,)
    least_used : int
        Never set aside so many that fewer than this remain.
    rng : numpy.random.Generator

    Returns
    -------
    fit : Adjustment
    used : ndarray of bool, shape (n,)
    scale : float
        Factor on the stated sigmas.
    """
    trials = K1_TRIALS if prior.sigma[2] > 0 else (camera.k1,)
    n = len(wall)
    everything = np.ones(n, dtype=bool)
    starts = _sampled_starts(wall, pixel_px, camera, trials, rng)
    if n <= 4 or not starts:
        start = (
            starts[0]
            if starts
            else (fit_homography_dlt(wall, camera.ray_from_pixel(pixel_px)), camera)
        )
        fit = _adjust_from(
            wall, pixel_px, start[0], start[1], camera, prior, sigma_px, sigma_wall, np.ones(n)
        )
        return fit, everything, estimate_scale(fit, used=everything, scale=1.0)
    fits = [
        _robust_fit(wall, pixel_px, start, camera, prior, sigma_px, sigma_wall) for start in starts
    ]
    fit = min(fits, key=lambda pair: pair[0])[1]
    distance = np.hypot(*fit.residual_px.T)
    order = np.argsort(distance)
    core = float(np.median(distance))
    used = distance <= max(BLUNDER_PX, 6.0 * core)
    used[order[:least_used]] = True
    visited = _snoop(wall, pixel_px, fit, used, camera, prior, sigma_px, sigma_wall, least_used)
    fit, used, scale = visited[-1]
    if n <= MOST_POINTS_TO_COMPARE and ((~used).any() or scale > DOUBTED_SCATTER):
        compared = _compare_subsets(wall, pixel_px, camera, prior, sigma_px, sigma_wall, least_used)
        if compared is not None and (compared[0] != used).any():
            begin = adjust_plane(
                wall,
                pixel_px,
                compared[1],
                camera,
                prior=prior,
                sigma_px=sigma_px,
                sigma_wall=sigma_wall,
                weight=compared[0].astype(float),
            )
            visited.append(
                _settled(wall, pixel_px, begin, compared[0], camera, prior, sigma_px, sigma_wall)
            )
    if not all(used.all() for _, used, _ in visited):
        visited += [
            _settled(wall, pixel_px, fit, everything, camera, prior, sigma_px, sigma_wall)
            for fit, _, _ in visited[-1:]
        ]
    return min(visited, key=lambda one: surprise(one[0], one[1], one[2], sigma_px, camera))


def surprise(fit: Adjustment, used: Flags, scale: float, sigma_px: Floats, camera: Camera) -> float:
    """How little a fit with some points set aside is to be expected: minus the logarithm of its likelihood.

    Notes
    -----
    The used points scatter normally with a width that is estimated along (walls are not flat, so it may be
    many times the stated precision); every point set aside may lie anywhere within a share of the picture. Points
    are so set aside only when that explains the rest better than a wider scatter of all of them.
    """
    diagonal = math.hypot(camera.width_px, camera.height_px)
    width = scale * float(np.median(sigma_px))
    aside = int((~used).sum())
    anywhere = math.log((BLUNDER_REACH * diagonal) ** 2 / 2.0) + 1.0
    choices = math.log(math.comb(len(used), aside))
    likely = math.log1p((width / (USUAL_SCATTER * diagonal)) ** 2)
    return max(fit.redundancy, 0.0) * math.log(width) + likely + aside * anywhere + choices


def _settled(
    wall: Floats,
    pixel_px: Floats,
    fit: Adjustment,
    used: Flags,
    camera: Camera,
    prior: LensPrior,
    sigma_px: Floats,
    sigma_wall: Floats,
) -> tuple[Adjustment, Flags, float]:
    """Fit of given points, with the scale that belongs to it."""
    scale = 1.0
    for _ in range(3):
        fit = _adjust_from(
            wall,
            pixel_px,
            fit.homography,
            fit.camera,
            camera,
            prior,
            sigma_px,
            sigma_wall,
            used.astype(float),
            scale=scale,
        )
        scale = estimate_scale(fit, used=used, scale=scale)
    return fit, used, scale


def _without(
    point: int,
    wall: Floats,
    pixel_px: Floats,
    fit: Adjustment,
    camera: Camera,
    prior: LensPrior,
    sigma_px: Floats,
    sigma_wall: Floats,
) -> Adjustment:
    weight = np.ones(len(wall))
    weight[point] = 0.0
    return _adjust_from(
        wall, pixel_px, fit.homography, fit.camera, camera, prior, sigma_px, sigma_wall, weight
    )


def find_rivals(
    wall: Floats,
    pixel_px: Floats,
    fit: Adjustment,
    used: Flags,
    *,
    prior: LensPrior,
    sigma_px: Floats,
    sigma_wall: Floats,
) -> list[int]:
    """Points that might be the blunder just as well as the one set aside (few points only).

    Parameters
    ----------
    wall, pixel_px : ndarray, shape (n, 2)
    fit : Adjustment
    used : ndarray of bool, shape (n,)
        With exactly one point set aside, else the answer is empty.
    prior : LensPrior
        With the lens held as in ``fit``.
    sigma_px, sigma_wall : ndarray, shape (n,)

    Returns
    -------
    list of int
    """
    if (~used).sum() != 1 or len(wall) > MOST_POINTS_TO_COMPARE:
        return []
    chosen = int(np.flatnonzero(~used)[0])
    costs = [
        _without(i, wall, pixel_px, fit, fit.camera, prior, sigma_px, sigma_wall).cost
        for i in range(len(wall))
    ]
    return [i for i, cost in enumerate(costs) if i != chosen and cost < 4.0 * costs[chosen] + 10.0]


def _compare_subsets(
    wall: Floats,
    pixel_px: Floats,
    camera: Camera,
    prior: LensPrior,
    sigma_px: Floats,
    sigma_wall: Floats,
    least_used: int,
) -> tuple[Flags, Floats] | None:
    """With few points the largest residual may sit on the wrong one: try every way of leaving some out.

    Returns the smallest set whose absence makes the rest agree, with a start value; None when no set does.
    """
    n = len(wall)
    gross = GROSS_SHARE * math.hypot(camera.width_px, camera.height_px)
    for left_out in range(min(n - least_used, 3) + 1):
        best: tuple[float, Flags, Floats] | None = None
        for group in itertools.combinations(range(n), left_out):
            keep = np.ones(n, dtype=bool)
            keep[list(group)] = False
            try:
                begin = fit_homography_dlt(wall[keep], camera.ray_from_pixel(pixel_px[keep]))
            except FacademapError:
                continue
            if begin[2, 2] <= 0:
                continue
            fit = adjust_plane(
                wall,
                pixel_px,
                begin,
                camera,
                prior=prior,
                sigma_px=sigma_px,
                sigma_wall=sigma_wall,
                weight=keep.astype(float),
                max_steps=8,
            )
            scatter = math.sqrt(
                (PRIOR_OBSERVATIONS + fit.cost) / (PRIOR_OBSERVATIONS + max(fit.redundancy, 0.0))
            )
            miss = np.hypot(*fit.residual_px[~keep].T) if left_out else np.array([math.inf])
            if (
                float(miss.min()) > GROSS_SIGMAS * scatter * float(sigma_px.max())
                and float(miss.min()) > gross
                and (best is None or scatter < best[0])
            ):
                best = scatter, keep, begin
        if best is not None and best[0] < BELIEVED_SCATTER:
            return best[1], best[2]
    return None


def _snoop(
    wall: Floats,
    pixel_px: Floats,
    fit: Adjustment,
    used: Flags,
    camera: Camera,
    prior: LensPrior,
    sigma_px: Floats,
    sigma_wall: Floats,
    least_used: int,
) -> list[tuple[Adjustment, Flags, float]]:
    """Set aside the worst point, refit, take back what agrees, until nothing changes; every stop on the way."""
    scale = 1.0
    visited: list[tuple[Adjustment, Flags, float]] = []
    seen: set[bytes] = set()
    for _ in range(3 * len(wall)):
        for _ in range(2):
            fit = _adjust_from(
                wall,
                pixel_px,
                fit.homography,
                fit.camera,
                camera,
                prior,
                sigma_px,
                sigma_wall,
                used.astype(float),
                scale=scale,
            )
            scale = estimate_scale(fit, used=used, scale=scale)
        visited.append((fit, used, scale))
        miss = expected_miss_px(fit, used)
        score = standardised_residuals(fit, used=used)
        wrong = (score > BLUNDER_SIGMAS) & (miss > BLUNDER_PX * np.maximum(1.0, sigma_px / 0.5))
        if used.tobytes() in seen:
            break
        seen.add(used.tobytes())
        back = ~used & ~wrong
        out = used & wrong
        if back.any():
            used = used.copy()
            used[np.flatnonzero(back)[np.argmin(score[back])]] = True
        elif out.any() and used.sum() > least_used:
            used = used.copy()
            used[np.flatnonzero(out)[np.argmax(score[out])]] = False
        else:
            break
    return visited
