"""Least squares on reprojection for one plane: homography and, where wanted, lens terms.

The unknowns are the eight terms of a homography from (normalised) wall coordinates to rays and
seven lens terms, each of them free, held, or free with a prior. A known camera adds two soft
constraints: the columns of the homography are those of a rotation, so they are at right angles and
of one length.

References
----------
.. [1] Z. Zhang, "A flexible new technique for camera calibration", IEEE PAMI 22 (2000) 1330-1334
   (the two constraints on the homography of a plane).
.. [2] B. Triggs et al., "Bundle adjustment, a modern synthesis", 2000 (Gauss-Newton with damping).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from facademap.errors import GeometryError
from facademap.photo.camera import Camera
from facademap.values import frozen_value

__all__ = [
    "LENS_TERMS",
    "Adjustment",
    "LensPrior",
    "adjust_plane",
    "camera_with_terms",
    "lens_terms",
    "project_with_jacobian",
    "right_angle",
    "right_angle_jacobian",
    "whitening",
]

Floats = NDArray[np.floating[Any]]

LENS_TERMS = ("cx_px", "cy_px", "k1", "k2", "k3", "p1", "p2")


@dataclass(frozen=True, slots=True, kw_only=True)
class LensPrior:
    """What is believed about the lens before the points are looked at.

    Parameters
    ----------
    sigma : tuple of 7 float
        One sigma of each of ``LENS_TERMS`` about the camera's values; 0 holds the term.
    right_angle_sigma : float
        One sigma of the two constraints that a rotation puts on the homography; infinite: none.
    """

    sigma: tuple[float, ...] = (0.0,) * 7
    right_angle_sigma: float = float("inf")


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class Adjustment:
    """Result of one least-squares fit.

    Parameters
    ----------
    homography : ndarray, shape (3, 3)
        Normalised wall coordinates to rays, last element 1.
    camera : Camera
        With the estimated lens terms.
    covariance : ndarray, shape (15, 15)
        Of the eight homography terms and the seven lens terms, unscaled (for the stated sigmas).
    residual_px : ndarray, shape (n, 2)
        Projected minus picked.
    whitened : ndarray, shape (n, 2)
        Residuals in units of the (scaled) stated precision.
    rows : ndarray, shape (n, 2, 15)
        Derivative of the whitened residuals by the unknowns, held ones among them.
    leverage : ndarray, shape (n, 2, 2)
        Part of each point's own observation in its fitted value (whitened).
    cost : float
        Sum of squared whitened residuals with the priors' part.
    redundancy : float
        Effective number of surplus observations.
    converged : bool
    """

    homography: Floats
    camera: Camera
    covariance: Floats
    residual_px: Floats
    whitened: Floats
    rows: Floats
    leverage: Floats
    cost: float
    redundancy: float
    converged: bool


def lens_terms(camera: Camera) -> Floats:
    """The seven lens terms of a camera in the order of ``LENS_TERMS``."""
    return np.array([getattr(camera, term) for term in LENS_TERMS])


def camera_with_terms(camera: Camera, terms: Floats) -> Camera:
    """The camera with other lens terms."""
    cx, cy, k1, k2, k3, p1, p2 = (float(value) for value in terms)
    return replace(camera, cx_px=cx, cy_px=cy, k1=k1, k2=k2, k3=k3, p1=p1, p2=p2)


def project_with_jacobian(
    homography: Floats, camera: Camera, wall: Floats
) -> tuple[Floats, Floats, Floats]:
    """Pixels of wall points with their derivatives.

    Parameters
    ----------
    homography : ndarray, shape (3, 3)
    camera : Camera
    wall : ndarray, shape (n, 2)

    Returns
    -------
    pixel : ndarray, shape (n, 2)
    by_unknown : ndarray, shape (n, 2, 15)
        Eight homography terms (the ninth is held at 1), seven lens terms.
    by_wall : ndarray, shape (n, 2, 2)
    """
    u, v = wall[:, 0], wall[:, 1]
    h = homography
    w = h[2, 0] * u + h[2, 1] * v + h[2, 2]
    x = (h[0, 0] * u + h[0, 1] * v + h[0, 2]) / w
    y = (h[1, 0] * u + h[1, 1] * v + h[1, 2]) / w
    one = np.ones_like(u)
    zero = np.zeros_like(u)
    ray_by_h = (
        np.stack(
            [
                np.stack([u, v, one, zero, zero, zero, -x * u, -x * v], axis=-1),
                np.stack([zero, zero, zero, u, v, one, -y * u, -y * v], axis=-1),
            ],
            axis=1,
        )
        / w[:, None, None]
    )
    ray_by_wall = (
        np.stack(
            [
                np.stack([h[0, 0] - x * h[2, 0], h[0, 1] - x * h[2, 1]], axis=-1),
                np.stack([h[1, 0] - y * h[2, 0], h[1, 1] - y * h[2, 1]], axis=-1),
            ],
            axis=1,
        )
        / w[:, None, None]
    )
    distorted, by_ray = camera._distorted_with_jacobian(np.stack([x, y], axis=-1))
    focal = np.array([camera.fx_px, camera.fy_px])
    by_ray = by_ray * focal[None, :, None]
    pixel = distorted * focal + np.array([camera.cx_px, camera.cy_px])
    r2 = x * x + y * y
    by_lens = np.empty((len(u), 2, 7))
    by_lens[:, 0] = np.stack(
        [
            one,
            zero,
            *(camera.fx_px * t for t in (x * r2, x * r2**2, x * r2**3, 2 * x * y, r2 + 2 * x * x)),
        ],
        axis=-1,
    )
    by_lens[:, 1] = np.stack(
        [
            zero,
            one,
            *(camera.fy_px * t for t in (y * r2, y * r2**2, y * r2**3, r2 + 2 * y * y, 2 * x * y)),
        ],
        axis=-1,
    )
    by_unknown = np.concatenate([by_ray @ ray_by_h, by_lens], axis=2)
    return pixel, by_unknown, by_ray @ ray_by_wall


def right_angle(h: Floats) -> Floats:
    """The two conditions that a rotation puts on the homography of a plane: both values are 0."""
    a, b = h[:, 0], h[:, 1]
    la, lb = np.linalg.norm(a), np.linalg.norm(b)
    return np.array([a @ b / (la * lb), np.log(la / lb)])


def right_angle_jacobian(h: Floats) -> Floats:
    """Derivative of the two conditions by the eight homography terms, shape (2, 8)."""
    flat = h.ravel()
    result = np.zeros((2, 8))
    for i in range(8):
        step = 1e-6 * max(1.0, abs(flat[i]))
        up, down = flat.copy(), flat.copy()
        up[i] += step
        down[i] -= step
        result[:, i] = (right_angle(up.reshape(3, 3)) - right_angle(down.reshape(3, 3))) / (
            2 * step
        )
    return result


def whitening(by_wall: Floats, sigma_px: Floats, sigma_wall: Floats) -> Floats:
    """Inverse Cholesky factors of each point's covariance in the picture, shape (n, 2, 2).

    Raises
    ------
    GeometryError
        Points that give no place of the picture that can be worked out.
    """
    covariance = sigma_px[:, None, None] ** 2 * np.eye(2) + sigma_wall[:, None, None] ** 2 * (
        by_wall @ np.transpose(by_wall, (0, 2, 1))
    )
    try:
        return np.asarray(np.linalg.inv(np.linalg.cholesky(covariance)))
    except np.linalg.LinAlgError:
        raise GeometryError(
            "the control points give no place of the picture that can be worked out",
            "Check the coordinates and the precision of the control points.",
        ) from None


def adjust_plane(
    wall: Floats,
    pixel_px: Floats,
    homography: Floats,
    camera: Camera,
    *,
    prior: LensPrior,
    sigma_px: Floats,
    sigma_wall: Floats,
    weight: Floats | None = None,
    scale: float = 1.0,
    start_camera: Camera | None = None,
    max_steps: int = 60,
) -> Adjustment:
    """Fit homography and lens terms to picked points.

    Parameters
    ----------
    wall : ndarray, shape (n, 2)
        Normalised wall coordinates (same scale on both axes).
    pixel_px : ndarray, shape (n, 2)
    homography : ndarray, shape (3, 3)
        Start value.
    camera : Camera
        Prior mean of the lens terms (and their start, unless another is given).
    prior : LensPrior
    sigma_px, sigma_wall : ndarray, shape (n,)
        Stated precision, picking and survey (the latter in normalised wall units).
    weight : ndarray, shape (n,), optional
        Robust weights (1: full).
    scale : float
        Factor on all stated sigmas (from the residuals of an earlier fit).
    start_camera : Camera, optional
    max_steps : int

    Returns
    -------
    Adjustment
        ``leverage`` is given for every point as if it had full weight.
    """
    terms0 = lens_terms(camera)
    sigma_lens = np.asarray(prior.sigma, dtype=float)
    free = np.r_[np.ones(8, dtype=bool), sigma_lens > 0]
    root_weight = np.sqrt(np.ones(len(wall)) if weight is None else weight)[:, None]
    constrained = np.isfinite(prior.right_angle_sigma)

    def system(h: Floats, cam: Camera) -> tuple[Floats, Floats, Floats, Floats, Floats]:
        pixel, by_unknown, by_wall = project_with_jacobian(h, cam, wall)
        white = whitening(by_wall, sigma_px * scale, sigma_wall * scale)
        miss = pixel - pixel_px
        plain = np.einsum("nij,njk->nik", white, by_unknown)
        rows = plain * root_weight[:, None]
        values = np.einsum("nij,nj->ni", white, miss)
        jacobian, value = [rows.reshape(-1, 15)], [(values * root_weight).ravel()]
        held = sigma_lens > 0
        lens_rows = np.zeros((int(held.sum()), 15))
        lens_rows[np.arange(int(held.sum())), 8 + np.flatnonzero(held)] = 1.0 / sigma_lens[held]
        jacobian.append(lens_rows)
        value.append((lens_terms(cam) - terms0)[held] / sigma_lens[held])
        if constrained:
            angle_rows = np.zeros((2, 15))
            angle_rows[:, :8] = right_angle_jacobian(h) / prior.right_angle_sigma
            jacobian.append(angle_rows)
            value.append(right_angle(h) / prior.right_angle_sigma)
        return np.concatenate(jacobian)[:, free], np.concatenate(value), miss, values, plain

    h, cam = homography / homography[2, 2], start_camera or camera
    jacobian, value, miss, whitened, rows = system(h, cam)
    cost, damping, converged = float(value @ value), 1e-6, False
    for _ in range(max_steps):
        column = np.linalg.norm(jacobian, axis=0)
        column[column == 0] = 1.0
        scaled = jacobian / column
        normal = scaled.T @ scaled
        step = np.zeros(15)
        step[free] = (
            -np.linalg.lstsq(normal + damping * np.eye(len(normal)), scaled.T @ value, rcond=None)[
                0
            ]
            / column
        )
        new_h = (h.ravel() + np.r_[step[:8], 0.0]).reshape(3, 3)
        try:
            new_cam = camera_with_terms(cam, lens_terms(cam) + step[8:])
            new_jacobian, new_value, *new_points = system(new_h, new_cam)
            new_cost = float(new_value @ new_value)
        except (ValueError, np.linalg.LinAlgError):
            new_cost = float("inf")
        if np.isfinite(new_cost) and new_cost <= cost * (1 + 1e-13):
            converged = cost - new_cost <= 1e-11 * (1.0 + cost)
            h, cam, jacobian, value = new_h, new_cam, new_jacobian, new_value
            miss, whitened, rows = new_points
            cost, damping = new_cost, max(damping / 10, 1e-14)
            if converged:
                break
        else:
            damping *= 10
            if damping > 1e8:
                converged = True
                break
    column = np.linalg.norm(jacobian, axis=0)
    column[column == 0] = 1.0
    covariance = np.zeros((15, 15))
    covariance[np.ix_(free, free)] = np.linalg.pinv(
        (jacobian / column).T @ (jacobian / column), hermitian=True
    ) / np.outer(column, column)
    leverage = rows @ covariance @ np.transpose(rows, (0, 2, 1))
    used = float(np.sum(np.trace(leverage, axis1=1, axis2=2) * root_weight[:, 0] ** 2))
    return Adjustment(
        homography=h,
        camera=cam,
        covariance=covariance,
        residual_px=miss,
        whitened=whitened,
        rows=rows,
        leverage=leverage,
        cost=cost,
        redundancy=float(2 * np.sum(root_weight**2) - used),
        converged=converged,
    )
