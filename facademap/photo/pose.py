"""Where the camera stood, as seen from the wall frame: distance, obliqueness, effect of relief."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from facademap.photo.mosaic_views import WallView
from facademap.photo.plane import PlaneView
from facademap.photo.plane_pose import CameraPose, pose_from_homography

__all__ = ["CameraPose", "find_pose", "obliqueness_deg", "relief_shift_m"]

Floats = NDArray[np.floating[Any]]


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
    holds = (
        isinstance(view, PlaneView) and view.lens == "given"
        if focal_is_known is None
        else focal_is_known
    )
    return pose_from_homography(view.homography, view.camera.fx_px, focal_is_known=holds)


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
    return np.asarray(np.degrees(np.arctan2(np.hypot(du, dv), pose.distance_m)))


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
