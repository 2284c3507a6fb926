"""A wall of known truth seen by a known camera: points only, no pixels."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from facademap.photo.camera import Camera
from facademap.photo.control import ControlPoints

WIDTH_PX, HEIGHT_PX = 6000, 4000
WALL_M = (8.0, 5.0)


@dataclass(frozen=True)
class SyntheticWall:
    camera: Camera
    points: ControlPoints
    wrong: frozenset[str]


def see_wall(
    rng: np.random.Generator,
    *,
    oblique_deg: float,
    k1: float,
    control: int = 16,
    check: int = 60,
    noise_px: float = 0.3,
    blunders: int = 0,
    relief_m: float = 0.0,
    check_relief_m: float = 0.0,
) -> SyntheticWall:
    """Control (noisy) and check points (exact, unless on relief) of one photo that fills its frame with the wall."""
    focal = rng.uniform(0.75, 1.4) * WIDTH_PX
    camera = Camera(
        width_px=WIDTH_PX,
        height_px=HEIGHT_PX,
        fx_px=focal,
        fy_px=focal,
        cx_px=(WIDTH_PX - 1) / 2 + rng.normal(0, 15),
        cy_px=(HEIGHT_PX - 1) / 2 + rng.normal(0, 15),
        k1=k1,
        k2=-0.25 * k1,
    )
    azimuth, tilt = rng.uniform(0, 2 * np.pi), np.radians(oblique_deg)
    direction = np.array(
        [np.sin(tilt) * np.cos(azimuth), np.sin(tilt) * np.sin(azimuth), np.cos(tilt)]
    )
    right = np.cross(-direction, [0.0, 1.0, 0.0])
    right /= np.linalg.norm(right)
    rotation = np.stack([right, np.cross(-direction, right), -direction])
    corners = np.array([(0, 0, 0), (WALL_M[0], 0, 0), (*WALL_M, 0), (0, WALL_M[1], 0)], float)
    for distance in np.arange(4.0, 60.0, 0.25):
        centre = np.r_[np.array(WALL_M) / 2, 0.0] + direction * distance
        pixel = _project(corners, camera, rotation, centre)
        if (
            np.isfinite(pixel).all()
            and (pixel > 20).all()
            and (pixel < [WIDTH_PX - 20, HEIGHT_PX - 20]).all()
        ):
            break
    control_m = np.r_[
        _spread_corners(rng), rng.uniform(0.1, np.array(WALL_M) - 0.1, (control - 4, 2))
    ]
    wall = np.r_[control_m, rng.uniform(0.1, np.array(WALL_M) - 0.1, (check, 2))]
    out = np.r_[rng.normal(0, relief_m, control), np.zeros(check)]
    if check_relief_m:
        out[control:] = rng.normal(0, check_relief_m, check)
    pixel = _project(np.c_[wall, out], camera, rotation, centre)
    pixel[:control] += rng.normal(0, noise_px, (control, 2))
    wrong = rng.choice(control, blunders, replace=False)
    turn = rng.uniform(0, 2 * np.pi, blunders)
    pixel[wrong] += (rng.uniform(25, 300, blunders) * np.array([np.cos(turn), np.sin(turn)])).T
    n = len(wall)
    points = ControlPoints(
        name=tuple(f"p{i}" for i in range(n)),
        wall_m=wall,
        pixel_px=pixel,
        is_control=np.arange(n) < control,
        sigma_px=np.full(n, 0.5),
        sigma_m=np.zeros(n),
    )
    return SyntheticWall(camera, points, frozenset(f"p{i}" for i in wrong))


def _spread_corners(rng: np.random.Generator) -> np.ndarray:
    inner = np.array([(0.08, 0.1), (0.92, 0.1), (0.92, 0.9), (0.08, 0.9)]) + rng.uniform(
        -0.06, 0.06, (4, 2)
    )
    return inner * np.array(WALL_M)


def _project(
    points: np.ndarray, camera: Camera, rotation: np.ndarray, centre: np.ndarray
) -> np.ndarray:
    seen = (points - centre) @ rotation.T
    return camera.pixel_from_ray(seen[:, :2] / seen[:, 2:])
