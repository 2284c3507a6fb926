"""One least squares over many photos of one flat wall: their homographies, their lens, the tie points.

Every photo has a homography from wall coordinates to rays and shares its lens terms with the photos
of its group; every tie point has wall coordinates that are solved along; control points hold them to
the survey. Photos of one camera may be tied further: the columns of each homography are those of a
rotation.

References
----------
.. [1] B. Triggs et al., "Bundle adjustment, a modern synthesis", 2000 (reduced camera system).
.. [2] Z. Zhang, "A flexible new technique for camera calibration", IEEE PAMI 22 (2000) 1330-1334.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from facademap.errors import SolveError
from facademap.photo.adjust import camera_with_terms, lens_terms, project_with_jacobian
from facademap.photo.camera import Camera
from facademap.photo.homography import apply_homography
from facademap.values import frozen_value

__all__ = ["Bundle", "BundleResult", "adjust_bundle"]

Floats = NDArray[np.floating[Any]]
Indices = NDArray[np.intp]
_LENS = 7


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class Bundle:
    """What is known before the adjustment.

    Attributes
    ----------
    cameras : sequence of Camera
        One a photo; those of one group start alike.
    group : ndarray of int, shape (photos,)
        Lens group of every photo.
    homographies : ndarray, shape (photos, 3, 3)
        Wall coordinates to rays, start values, positive third coordinate over the photo.
    held : ndarray of bool, shape (photos,)
        Photos whose homography stays as it is.
    photo, point : ndarray of int, shape (n,)
        Which photo shows which point.
    pixel_px : ndarray, shape (n, 2)
        Where.
    sigma_px : ndarray, shape (n,)
        Precision of the observation.
    wall : ndarray, shape (points, 2)
        Start values of the points in wall coordinates.
    wall_sigma : ndarray, shape (points,)
        Precision of surveyed points in wall units, infinite for tie points.
    lens_sigma : tuple of 7 float
        Prior of cx, cy, k1, k2, k3, p1, p2; 0 holds a term.
    right_angle_sigma : float
        Strength of the rotation constraint; infinite: none.
    focal_sigma : float
        Prior of the logarithm of a common factor on the focal length (with the rotation constraint).
    """

    cameras: Sequence[Camera]
    group: Indices
    homographies: Floats
    held: NDArray[np.bool_]
    photo: Indices
    point: Indices
    pixel_px: Floats
    sigma_px: Floats
    wall: Floats
    wall_sigma: Floats
    lens_sigma: tuple[float, ...] = (0.0,) * _LENS
    right_angle_sigma: float = float("inf")
    focal_sigma: float = 0.0


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class BundleResult:
    """The adjusted photos.

    Attributes
    ----------
    cameras : tuple of Camera
        With the estimated lens.
    homographies : ndarray, shape (photos, 3, 3)
        Wall coordinates to rays.
    wall : ndarray, shape (points, 2)
        Adjusted points.
    residual_px : ndarray, shape (n, 2)
        Projected minus observed.
    weight : ndarray, shape (n,)
        Robust weights 0 to 1.
    sigma0 : float
        Scale of the residuals against the stated precision.
    focal_factor : ndarray, shape (groups,)
        Factor on the focal lengths where it was estimated.
    covariance : ndarray, shape (photos, 8, 8)
        Of each photo's homography terms in its own local coordinates (see ``local``).
    local : ndarray, shape (photos, 3)
        Centre (two) and scale of the local wall coordinates of each photo.
    """

    cameras: tuple[Camera, ...]
    homographies: Floats
    wall: Floats
    residual_px: Floats
    weight: Floats
    sigma0: float
    focal_factor: Floats
    covariance: Floats
    local: Floats

    def wall_from_pixel(self, photo: int, pixel_px: Floats) -> Floats:
        """Wall coordinates of pixels of one photo, NaN beyond the horizon; shape (n, 2)."""
        rays = self.cameras[photo].ray_from_pixel(pixel_px)
        # homographies are positive before the camera, so their inverses are too
        return apply_homography(np.linalg.inv(self.homographies[photo]), rays)

    def sigma_wall(self, photo: int, pixel_px: Floats) -> Floats:
        """One standard deviation (radial) of the wall coordinates of pixels, from the homography alone; (n,)."""
        wall = self.wall_from_pixel(photo, pixel_px)
        local = (wall - self.local[photo, :2]) / self.local[photo, 2]
        matrix = _localised(self.homographies[photo], self.local[photo])
        good = np.isfinite(local).all(axis=1)
        out = np.full(len(wall), np.nan)
        if good.any():
            _, by_unknown, by_wall = project_with_jacobian(matrix, self.cameras[photo], local[good])
            move = np.linalg.solve(by_wall, by_unknown[:, :, :8])
            spread = np.einsum("nik,kl,nil->n", move, self.covariance[photo], move)
            out[good] = np.sqrt(np.maximum(spread, 0.0)) * self.local[photo, 2]
        return out


def _localised(matrix: Floats, local: Floats) -> Floats:
    move = np.array([[local[2], 0.0, local[0]], [0.0, local[2], local[1]], [0.0, 0.0, 1.0]])
    moved = matrix @ move
    return np.asarray(moved / moved[2, 2])


def _unlocalised(matrix: Floats, local: Floats) -> Floats:
    back = np.array([[1.0, 0.0, -local[0]], [0.0, 1.0, -local[1]], [0.0, 0.0, local[2]]]) / local[2]
    return np.asarray(matrix @ back)


def _local_frames(bundle: Bundle) -> Floats:
    """Centre and half-size of the points that each photo shows."""
    local = np.zeros((len(bundle.cameras), 3))
    local[:, 2] = 1.0
    for k in range(len(local)):
        seen = bundle.wall[bundle.point[bundle.photo == k]]
        if len(seen):
            low, high = seen.min(axis=0), seen.max(axis=0)
            local[k] = (*(low + high) / 2.0, max(float(np.max(high - low)) / 2.0, 1e-9))
    return local


class _System:
    """Linear system about the present values, with the points reduced out."""

    def __init__(self, bundle: Bundle, local: Floats) -> None:
        self.bundle, self.local = bundle, local
        self.groups = int(bundle.group.max()) + 1 if len(bundle.group) else 0
        self.photos = len(bundle.cameras)
        self.rows = [np.flatnonzero(bundle.photo == k) for k in range(self.photos)]
        per_photo = np.repeat(~bundle.held, 8)
        lens = np.tile(np.r_[np.array(bundle.lens_sigma) > 0, bundle.focal_sigma > 0], self.groups)
        self.free = np.flatnonzero(np.r_[per_photo, lens])
        self.size = 8 * self.photos + (_LENS + 1) * self.groups
        self.prior = np.where(
            np.isfinite(bundle.wall_sigma), 1.0 / np.maximum(bundle.wall_sigma, 1e-12) ** 2, 0.0
        )
        self.survey = bundle.wall

    def residuals(self, state: _State) -> Floats:
        b = self.bundle
        out = np.zeros((len(b.photo), 2))
        for k, rows in enumerate(self.rows):
            if len(rows):
                local = (state.wall[b.point[rows]] - self.local[k, :2]) / self.local[k, 2]
                ray = apply_homography(state.matrices[k], local)
                out[rows] = state.cameras[k].pixel_from_ray(ray) - b.pixel_px[rows]
        return out

    def constraint(self, state: _State) -> Floats:
        """Right-angle and equal-length misfit of every photo, shape (photos, 2)."""
        factor = np.exp(state.log_focal[self.bundle.group])
        g = state.matrices[:, :, :2].copy()
        g[:, :2] /= factor[:, None, None]
        one, two = np.linalg.norm(g[:, :, 0], axis=1), np.linalg.norm(g[:, :, 1], axis=1)
        return np.stack(
            [np.einsum("ni,ni->n", g[:, :, 0], g[:, :, 1]) / (one * two), np.log(one / two)], axis=1
        )

    def cost(self, state: _State, weight: Floats) -> float:
        b = self.bundle
        miss = self.residuals(state)
        if not np.isfinite(miss).all():
            return float("inf")
        value = float(np.sum(weight[:, None] * (miss / b.sigma_px[:, None]) ** 2))
        value += float(np.sum(self.prior[:, None] * (state.wall - self.survey) ** 2))
        sigma = np.array(b.lens_sigma)
        for g, terms in enumerate(state.lens):
            move = terms - lens_terms(b.cameras[int(np.flatnonzero(b.group == g)[0])])
            value += float(np.sum((move[sigma > 0] / sigma[sigma > 0]) ** 2))
        if np.isfinite(b.right_angle_sigma):
            value += float(np.sum((self.constraint(state)[~b.held] / b.right_angle_sigma) ** 2))
            if b.focal_sigma > 0:
                value += float(np.sum((state.log_focal / b.focal_sigma) ** 2))
        return value

    def build(self, state: _State, weight: Floats) -> tuple[Any, Any, Any, Any, Any]:
        """Normal equations: camera block, coupling, point blocks, both right sides."""
        b = self.bundle
        n = len(b.photo)
        root = np.sqrt(weight) / b.sigma_px
        camera_rows, camera_columns, camera_values = [], [], []
        by_point, value = np.zeros((n, 2, 2)), np.zeros((n, 2))
        for k, rows in enumerate(self.rows):
            if not len(rows):
                continue
            local = (state.wall[b.point[rows]] - self.local[k, :2]) / self.local[k, 2]
            pixel, by_unknown, by_wall = project_with_jacobian(
                state.matrices[k], state.cameras[k], local
            )
            scale = root[rows][:, None, None]
            by_point[rows] = by_wall / self.local[k, 2] * scale
            value[rows] = (pixel - b.pixel_px[rows]) * root[rows][:, None]
            lens_at = 8 * self.photos + (_LENS + 1) * int(b.group[k])
            columns = np.r_[8 * k + np.arange(8), lens_at + np.arange(_LENS)]
            block = by_unknown * scale
            at = np.repeat(2 * rows[:, None] + np.arange(2)[None], len(columns), axis=1)
            camera_rows.append(at.ravel())
            camera_columns.append(np.tile(columns, 2 * len(rows)))
            camera_values.append(block.reshape(len(rows), -1).ravel())
        Jc = sparse.csr_matrix(
            (
                np.concatenate(camera_values),
                (np.concatenate(camera_rows), np.concatenate(camera_columns)),
            ),
            shape=(2 * n, self.size),
        )[:, self.free]
        point_columns = (
            2 * b.point[:, None, None] + np.zeros((1, 2, 1), int) + np.arange(2)[None, None]
        )
        point_rows = (
            2 * np.arange(n)[:, None, None] + np.arange(2)[None, :, None] + np.zeros((1, 1, 2), int)
        )
        Jp = sparse.csr_matrix(
            (by_point.ravel(), (point_rows.ravel(), point_columns.ravel())),
            shape=(2 * n, 2 * len(b.wall)),
        )
        r = value.ravel()
        U = (Jc.T @ Jc).toarray()
        gradient = Jc.T @ r
        self._add_priors(state, U, gradient)
        V = np.zeros((len(b.wall), 2, 2))
        np.add.at(V, b.point, np.einsum("nij,nik->njk", by_point, by_point))
        V[:, 0, 0] += self.prior
        V[:, 1, 1] += self.prior
        point_gradient = (Jp.T @ r).reshape(-1, 2) + self.prior[:, None] * (
            state.wall - self.survey
        )
        return U, Jc.T @ Jp, V, gradient, point_gradient

    def _add_priors(self, state: _State, U: Floats, gradient: Floats) -> None:
        b = self.bundle
        full_u = np.zeros(self.size)
        full_g = np.zeros(self.size)
        sigma = np.array(b.lens_sigma)
        for g, terms in enumerate(state.lens):
            at = 8 * self.photos + (_LENS + 1) * g
            start = lens_terms(b.cameras[int(np.flatnonzero(b.group == g)[0])])
            inverse = np.where(sigma > 0, np.where(sigma > 0, sigma, 1.0) ** -2.0, 0.0)
            full_u[at : at + _LENS] = inverse
            full_g[at : at + _LENS] = inverse * (terms - start)
            if b.focal_sigma > 0:
                full_u[at + _LENS] = b.focal_sigma**-2
                full_g[at + _LENS] = state.log_focal[g] * b.focal_sigma**-2
        U[np.diag_indices(len(U))] += full_u[self.free]
        gradient += full_g[self.free]
        if not np.isfinite(b.right_angle_sigma):
            return
        slope = np.zeros((2 * self.photos, self.size))
        base = self.constraint(state)
        step = 1e-6
        for j in range(8):
            moved = state.matrices.copy()
            moved.reshape(-1, 9)[:, j] += step
            change = (self.constraint(replace(state, matrices=moved)) - base) / step
            for k in range(self.photos):
                slope[2 * k : 2 * k + 2, 8 * k + j] = change[k]
        change = (self.constraint(replace(state, log_focal=state.log_focal + step)) - base) / step
        for k in range(self.photos):
            slope[2 * k : 2 * k + 2, 8 * self.photos + (_LENS + 1) * int(b.group[k]) + _LENS] = (
                change[k]
            )
        slope[np.repeat(b.held, 2)] = 0.0
        slope = slope[:, self.free] / b.right_angle_sigma
        miss = np.where(np.repeat(b.held, 2), 0.0, base.ravel()) / b.right_angle_sigma
        U += slope.T @ slope
        gradient += slope.T @ miss


@dataclass(frozen=True, slots=True, eq=False)
class _State:
    matrices: Floats
    lens: Floats
    log_focal: Floats
    wall: Floats
    cameras: tuple[Camera, ...]


def _moved(state: _State, system: _System, step: Floats, point_step: Floats) -> _State | None:
    b = system.bundle
    full = np.zeros(system.size)
    full[system.free] = step
    matrices = state.matrices.copy()
    matrices.reshape(-1, 9)[:, :8] += full[: 8 * system.photos].reshape(-1, 8)
    tail = full[8 * system.photos :].reshape(-1, _LENS + 1)
    lens, focal = state.lens + tail[:, :_LENS], state.log_focal + tail[:, _LENS]
    try:
        by_group = [
            camera_with_terms(b.cameras[int(np.flatnonzero(b.group == g)[0])], terms)
            for g, terms in enumerate(lens)
        ]
    except ValueError:
        return None
    return _State(
        matrices, lens, focal, state.wall + point_step, tuple(by_group[g] for g in b.group)
    )


def _solve(
    system: _System, state: _State, weight: Floats, damping: float
) -> tuple[Floats, Floats, Floats]:
    """Step of the photos and lens, step of the points, and the undamped reduced normal matrix."""
    U, W, V, gradient, point_gradient = system.build(state, weight)
    damped = V + damping * np.einsum("nij,ij->nij", V, np.eye(2)) + 1e-12 * np.eye(2)
    inverse = np.linalg.inv(damped)
    blocks = sparse.bsr_matrix(
        (inverse, np.arange(len(V)), np.arange(len(V) + 1)), shape=(2 * len(V), 2 * len(V))
    )
    WV = W @ blocks.tocsr()
    reduced = U - (WV @ W.T).toarray()
    right = -gradient + WV @ point_gradient.ravel()
    scale = np.sqrt(np.maximum(np.diag(U), 1e-30))
    scaled = reduced / np.outer(scale, scale)
    scaled[np.diag_indices(len(scaled))] += damping + 1e-12
    try:
        from scipy.linalg import cho_factor, cho_solve

        step = cho_solve(cho_factor(scaled), right / scale) / scale
    except (np.linalg.LinAlgError, ValueError):
        step = np.linalg.lstsq(scaled, right / scale, rcond=1e-12)[0] / scale
    points = np.einsum("nij,nj->ni", inverse, -point_gradient - (W.T @ step).reshape(-1, 2))
    return step, points, reduced


def adjust_bundle(
    bundle: Bundle, *, rounds: int = 4, robust_px: float = 1.0, steps: int = 25
) -> BundleResult:
    """Adjust photos, lens and tie points together.

    Parameters
    ----------
    bundle : Bundle
        Observations and start values.
    rounds : int
        Rounds of robust reweighting.
    robust_px : float
        Residual, in units of the stated precision, beyond which an observation loses weight.
    steps : int
        Most Gauss-Newton steps of a round.

    Returns
    -------
    BundleResult

    Raises
    ------
    SolveError
        The start values put a point on or beyond the horizon of its photo.
    """
    local = _local_frames(bundle)
    system = _System(bundle, local)
    matrices = np.stack(
        [_localised(h, loc) for h, loc in zip(bundle.homographies, local, strict=True)]
    )
    lens = np.stack(
        [
            lens_terms(bundle.cameras[int(np.flatnonzero(bundle.group == g)[0])])
            for g in range(system.groups)
        ]
    )
    state = _State(
        matrices, lens, np.zeros(system.groups), bundle.wall.copy(), tuple(bundle.cameras)
    )
    weight = np.ones(len(bundle.photo))
    if not np.isfinite(system.residuals(state)).all():
        raise SolveError(
            "a tie point lies on or beyond the horizon of its photo",
            "Leave out the photo taken most obliquely.",
        )
    width = robust_px
    for turn in range(max(1, rounds)):
        miss = np.linalg.norm(system.residuals(state), axis=1) / bundle.sigma_px
        width = max(robust_px, 2.5 * float(np.median(miss)))
        weight = (
            np.ones(len(miss))
            if rounds == 1
            else 1.0 / (1.0 + (miss / width) ** 2) ** (1 if turn < 2 else 2)
        )
        state = _converged(system, state, weight, steps)
    miss = system.residuals(state)
    _, _, reduced = _solve(system, state, weight, 0.0)
    redundancy = max(1.0, 2.0 * float(weight.sum()) - 2.0 * len(bundle.wall) - len(system.free))
    sigma0 = float(
        np.sqrt(np.sum(weight[:, None] * (miss / bundle.sigma_px[:, None]) ** 2) / redundancy)
    )
    inverse = np.linalg.pinv(reduced, hermitian=True, rcond=1e-14) * max(sigma0, 0.1) ** 2
    full = np.zeros((system.size, system.size))
    full[np.ix_(system.free, system.free)] = inverse
    photos = range(system.photos)
    covariance = np.stack([full[8 * k : 8 * k + 8, 8 * k : 8 * k + 8] for k in photos])
    return BundleResult(
        cameras=state.cameras,
        homographies=np.stack([_unlocalised(state.matrices[k], local[k]) for k in photos]),
        wall=state.wall,
        residual_px=miss,
        weight=weight,
        sigma0=sigma0,
        focal_factor=np.exp(state.log_focal),
        covariance=covariance,
        local=local,
    )


def _converged(system: _System, state: _State, weight: Floats, steps: int) -> _State:
    damping = 1e-6
    cost = system.cost(state, weight)
    for _ in range(steps):
        step, points, _ = _solve(system, state, weight, damping)
        trial = _moved(state, system, step, points)
        trial_cost = float("inf") if trial is None else system.cost(trial, weight)
        if trial is not None and trial_cost <= cost:
            gained, state, cost = cost - trial_cost, trial, trial_cost
            damping = max(damping / 10.0, 1e-9)
            if gained < 1e-7 * (cost + 1e-6):
                break
        else:
            damping *= 10.0
            if damping > 1e4:
                break
    return state
