"""Camera pose from the homography of one plane.

References
----------
.. [1] Z. Zhang, "A flexible new technique for camera calibration", IEEE PAMI 22 (2000) 1330-1334: the two conditions that a
   rotation puts on the homography of a plane.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from facademap.values import frozen_value

__all__ = ["CameraPose", "pose_from_homography"]

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


def _focal_factor(homography: Floats) -> tuple[float, bool]:
    """Factor on the rays that makes the homography's columns those of a rotation, and whether it is determined."""
    trials = np.linspace(-1.2, 1.2, 481)
    scaled = homography[:, :2] * np.exp(trials)[:, None, None] ** np.array([1.0, 1.0, 0.0])[:, None]
    a, b = scaled[..., 0], scaled[..., 1]
    la, lb = np.linalg.norm(a, axis=1), np.linalg.norm(b, axis=1)
    askew, uneven = np.sum(a * b, axis=1) / (la * lb), np.log(la / lb)
    costs = (askew**2 + uneven**2) / _RIGHT_ANGLE_SIGMA**2 + (trials / _FOCAL_SIGMA) ** 2
    best = int(np.argmin(costs))
    inner = min(max(best, 1), len(trials) - 2)
    step = trials[1] - trials[0]
    curvature = float(costs[inner - 1] - 2 * costs[inner] + costs[inner + 1]) / step**2 / 2
    determined = bool(curvature > 4.0 / _FOCAL_SIGMA**2)
    return math.exp(float(trials[best])), determined


def pose_from_homography(
    homography: Floats, focal_px: float, *, focal_is_known: bool
) -> CameraPose:
    """Camera pose from wall to rays.

    Parameters
    ----------
    homography : ndarray, shape (3, 3)
        Wall coordinates (any unit, same on both axes) to rays of the camera.
    focal_px : float
        With which the rays were made.
    focal_is_known : bool
        Otherwise the focal length is taken from the convergence of the wall's two directions where the view is oblique
        enough, else as given.

    Returns
    -------
    CameraPose
        Lengths in the unit of the wall coordinates.
    """
    factor, known = (1.0, True) if focal_is_known else _focal_factor(homography)
    matrix = np.diag([factor, factor, 1.0]) @ homography
    scale = 2.0 / (np.linalg.norm(matrix[:, 0]) + np.linalg.norm(matrix[:, 1]))
    first, second, shift = (matrix * scale).T
    u, _, vt = np.linalg.svd(np.stack([first, second, np.cross(first, second)], axis=1))
    rotation = u @ np.diag([1.0, 1.0, np.linalg.det(u @ vt)]) @ vt
    return CameraPose(
        centre_m=-rotation.T @ shift,
        rotation=rotation,
        focal_px=focal_px / factor,
        focal_is_known=known,
    )
