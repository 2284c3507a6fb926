"""Where the camera stood, as seen from the wall frame: distance, obliqueness, effect of relief."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from facademap.photo.mosaic_views import WallView
from facademap.photo.plane import PlaneView
from facademap.values import frozen_value

__all__ = ["CameraPose", "find_pose", "obliqueness_deg", "relief_shift_m"]

Floats = NDArray[np.floating[Any]]

#: One sigma of the logarithm of an unknown focal length about its nominal value, and of the two right-angle
#: conditions that the plane gives (common practice).
_FOCAL_SIGMA = 0.3
_RIGHT_ANGLE_SIGMA = 0.01


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class CameraPose:
    """Exterior orientation in the wall frame (u right, v up, w out of the wall).

    Parameters
    ----------
    centre_m : ndarray, shape (3,)
        Perspective centre.
    rotation : ndarray, shape (3, 3)
        Wall axes to camera axes (x right, y down, z forward).
    focal_px : float
    focal_is_known : bool
        False: the focal length was not given and the view is too square to the wall to tell it well.
    """

    centre_m: Floats
    rotation: Floats
    focal_px: float
    focal_is_known: bool

    @property
    def distance_m(self) -> float:
        """Distance of the camera from the wall plane."""
        return float(self.centre_m[2])

    @property
    def tilt_deg(self) -> float:
        """Angle between the optical axis and the wall's normal."""
        return math.degrees(math.acos(min(1.0, abs(float(self.rotation[2, 2])))))


def _conditions(matrix: Floats) -> Floats:
    a, b = matrix[:, 0], matrix[:, 1]
    la, lb = np.linalg.norm(a), np.linalg.norm(b)
    return np.array([a @ b / (la * lb), np.log(la / lb)])


def _focal_factor(homography: Floats) -> tuple[float, bool]:
    """Factor on the rays that makes the homography's columns those of a rotation, and whether it is determined."""
    trials = np.linspace(-1.2, 1.2, 481)
    costs = np.array(
        [
            np.sum(
                (
                    _conditions(np.diag([math.exp(t), math.exp(t), 1.0]) @ homography)
                    / _RIGHT_ANGLE_SIGMA
                )
                ** 2
            )
            + (t / _FOCAL_SIGMA) ** 2
            for t in trials
        ]
    )
    best = int(np.argmin(costs))
    inner = min(max(best, 1), len(trials) - 2)
    step = trials[1] - trials[0]
    curvature = float(costs[inner - 1] - 2 * costs[inner] + costs[inner + 1]) / step**2 / 2
    determined = bool(curvature > 4.0 / _FOCAL_SIGMA**2)
    return math.exp(float(trials[best])), determined


def find_pose(view: PlaneView | WallView, *, focal_is_known: bool | None = None) -> CameraPose:
    """Camera pose from the homography of the plane.

    Parameters
    ----------
    view : PlaneView or WallView
        With a given lens the pose is as good as the fit; otherwise the focal length is taken from the
        convergence of the wall's two directions where the view is oblique enough, else nominal.
    focal_is_known : bool, optional
        Whether the focal length of the view's camera holds (as after an adjustment of many photos); by
        default when the lens was given.

    References
    ----------
    .. [1] Z. Zhang, "A flexible new technique for camera calibration", IEEE PAMI 22 (2000) 1330-1334.
    """
    homography = view.homography
    holds = (
        isinstance(view, PlaneView) and view.lens == "given"
        if focal_is_known is None
        else focal_is_known
    )
    factor, known = (1.0, True) if holds else _focal_factor(homography)
    matrix = np.diag([factor, factor, 1.0]) @ homography
    scale = 2.0 / (np.linalg.norm(matrix[:, 0]) + np.linalg.norm(matrix[:, 1]))
    first, second, shift = (matrix * scale).T
    u, _, vt = np.linalg.svd(np.stack([first, second, np.cross(first, second)], axis=1))
    rotation = u @ np.diag([1.0, 1.0, np.linalg.det(u @ vt)]) @ vt
    return CameraPose(
        centre_m=-rotation.T @ shift,
        rotation=rotation,
        focal_px=view.camera.fx_px / factor,
        focal_is_known=known,
    )


def obliqueness_deg(pose: CameraPose, u_m: ArrayLike, v_m: ArrayLike) -> Floats:
    """Angle between the line of sight and the wall's normal at places of the wall.

    Parameters
    ----------
    pose : CameraPose
    u_m, v_m : array_like
    """
    du, dv = (
        np.asarray(u_m, dtype=float) - pose.centre_m[0],
        np.asarray(v_m, dtype=float) - pose.centre_m[1],
    )
    return np.degrees(np.arctan2(np.hypot(du, dv), pose.distance_m))


def relief_shift_m(offset_m: ArrayLike, depth_m: ArrayLike, distance_m: ArrayLike) -> Floats:
    """Shift of a point that stands before (or behind) the rectified plane: r dZ / (D - dZ).

    Parameters
    ----------
    offset_m : array_like
        Distance on the wall between the point and the camera's foot.
    depth_m : array_like
        How far the point stands out of the plane; negative: recessed.
    distance_m : array_like
        Distance of the camera from the plane.

    Returns
    -------
    ndarray
        Positive: away from the camera's foot.

    Notes
    -----
    Similar triangles: the line of sight through a point at height dZ meets the plane further out.

    Examples
    --------
    >>> float(relief_shift_m(4.0, 0.015, 10.0).round(5))
    0.00601
    """
    r, dz, d = (np.asarray(x, dtype=float) for x in (offset_m, depth_m, distance_m))
    return np.asarray(r * dz / (d - dz))
