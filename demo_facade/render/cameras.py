"""Cameras: Brown-Conrady lens in OpenCV's meaning, poses in the wall frame, EXIF."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

WIDTH_PX, HEIGHT_PX = 4000, 3000
CAMERA = {
    "width": WIDTH_PX, "height": HEIGHT_PX, "fx": 3472.4, "fy": 3471.3, "cx": 2011.6, "cy": 1490.8,
    "k1": -0.0812, "k2": 0.0307, "k3": 0.0, "p1": 0.00041, "p2": -0.00033,
}  # fmt: skip
FOCAL_MM, FOCAL_35_MM = 15.0, 30


@dataclass(frozen=True)
class Pose:
    """Standpoint and aim in the wall frame (u, v, w metres), roll in degrees, look of the exposure."""

    stem: str
    position: tuple[float, float, float]
    aim: tuple[float, float]
    roll_deg: float
    exposure: float
    white_balance: tuple[float, float, float]
    light_slope: tuple[float, float]
    taken: str

    @property
    def rotation(self) -> NDArray[np.float64]:
        """Wall to camera rotation (camera x right, y down, z ahead)."""
        c = np.array(self.position)
        z = np.array([*self.aim, 0.0]) - c
        z /= np.linalg.norm(z)
        x = np.cross(z, [0.0, 1.0, 0.0])
        x /= np.linalg.norm(x)
        y = np.cross(z, x)
        r = np.deg2rad(self.roll_deg)
        return np.array([np.cos(r) * x + np.sin(r) * y, -np.sin(r) * x + np.cos(r) * y, z])

    @property
    def pan_tilt_deg(self) -> tuple[float, float]:
        z = self.rotation[2]
        return float(np.degrees(np.arctan2(z[0], -z[2]))), float(np.degrees(np.arcsin(z[1])))


POSES = (
    Pose("river_front_1", (0.95, 1.62, 6.50), (3.42, 2.52), 0.6, 1.06, (1.015, 1.0, 0.985), (0.05, -0.02), "2026:04:14 10:12:31"),
    Pose("river_front_2", (9.05, 1.68, 6.75), (6.75, 2.75), -0.9, 1.12, (0.985, 1.0, 1.02), (-0.04, 0.03), "2026:04:14 10:15:04"),
    Pose("river_front_3", (7.70, 1.95, 6.60), (9.25, 2.95), 0.4, 1.03, (1.0, 1.0, 1.0), (0.06, 0.02), "2026:04:14 10:19:47"),
    Pose("river_front_4", (2.30, 2.05, 7.10), (3.60, 5.20), -0.5, 1.15, (0.98, 1.0, 1.03), (-0.05, -0.03), "2026:04:14 10:31:20"),
    Pose("river_front_5", (7.75, 3.05, 6.85), (5.75, 5.30), 1.1, 1.08, (1.02, 1.0, 0.975), (0.03, 0.05), "2026:04:14 10:36:52"),
    Pose("river_front_6", (10.25, 2.45, 7.05), (8.75, 5.25), 0.3, 1.10, (0.99, 1.0, 1.01), (-0.06, 0.02), "2026:04:14 10:41:09"),
)  # fmt: skip
CHART_POSE = 1


def camera_matrix() -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Camera matrix and distortion vector (k1, k2, p1, p2, k3)."""
    c = CAMERA
    k = np.array([[c["fx"], 0, c["cx"]], [0, c["fy"], c["cy"]], [0, 0, 1.0]])
    return k, np.array([c["k1"], c["k2"], c["p1"], c["p2"], c["k3"]])


def project(
    pose: Pose, points: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Pixels (n, 2) and depths (n,) of wall points (n, 3) by the pinhole and lens equations."""
    xyz = (np.asarray(points, float) - np.array(pose.position)) @ pose.rotation.T
    depth = xyz[:, 2]
    x, y = (xyz[:, :2] / depth[:, None]).T
    c = CAMERA
    r2 = x * x + y * y
    radial = 1 + r2 * (c["k1"] + r2 * (c["k2"] + r2 * c["k3"]))
    xd = x * radial + 2 * c["p1"] * x * y + c["p2"] * (r2 + 2 * x * x)
    yd = y * radial + c["p1"] * (r2 + 2 * y * y) + 2 * c["p2"] * x * y
    return np.column_stack([c["fx"] * xd + c["cx"], c["fy"] * yd + c["cy"]]), depth


def ray_grid(offset: tuple[float, float], *, step: int = 8) -> NDArray[np.float32]:
    """Undistorted (x, y, 2) of every pixel shifted by ``offset``, from a coarse grid made denser."""
    gx = np.arange(0, WIDTH_PX + step, step, dtype=float)
    gy = np.arange(0, HEIGHT_PX + step, step, dtype=float)
    xx, yy = np.meshgrid(gx + offset[0], gy + offset[1])
    k, d = camera_matrix()
    pts = np.stack([xx.ravel(), yy.ravel()], axis=-1)[:, None]
    criteria = (cv2.TERM_CRITERIA_MAX_ITER | cv2.TERM_CRITERIA_EPS, 60, 1e-12)
    und = cv2.undistortPoints(pts, k, d, None, None, None, criteria)
    grid = und.reshape(len(gy), len(gx), 2).astype(np.float32)
    m = np.array([[1.0 / step, 0, 0], [0, 1.0 / step, 0]])
    return cv2.warpAffine(
        grid, m, (WIDTH_PX, HEIGHT_PX), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    )
