"""A rendered round wall with true relief: the walls of ``rendered_relief`` bent round an upright cylinder.

Written apart from the package, as they are. Straight axes: x right, y up, z out of the surface at the middle of the wall; the
axis of the cylinder stands a radius behind, or before a wall seen from within (``radius_m`` negative). The wall's u runs
along the arc from its left edge.
"""

from __future__ import annotations

import csv
import math
from pathlib import Path

import cv2
import numba
import numpy as np
from rendered_relief import ReliefWall, Station


@numba.njit(cache=True)
def _meets(origin, direction, radius, side, reach):  # type: ignore[no-untyped-def]
    """Way along a ray to a cylinder of radius ``reach`` about the axis, or to the place nearest to it."""
    z = origin[2] + side * abs(radius)
    a = direction[0] ** 2 + direction[2] ** 2
    b = origin[0] * direction[0] + z * direction[2]
    c = origin[0] ** 2 + z**2 - reach**2
    return (-b - side * math.sqrt(max(b * b - a * c, 0.0))) / a


@numba.njit(cache=True)
def _march(height, step, radius, origin, directions, ends, out):  # type: ignore[no-untyped-def]
    """Developed place at which each ray first goes below the wall."""
    rows, columns = height.shape
    r, side = abs(radius), 1.0 if radius > 0 else -1.0
    for n in range(directions.shape[0]):
        out[n, 0] = np.nan
        near = _meets(origin, directions[n], radius, side, r + side * ends[1])
        far = _meets(origin, directions[n], radius, side, r + side * ends[0])
        before_gap, before_t = -1.0, 0.0
        for k in range(61):
            t = near + (far - near) * k / 60
            x = origin[0] + t * directions[n, 0]
            depth = r + side * (origin[2] + t * directions[n, 2])
            u = r * math.atan2(x, depth)
            w = side * (math.sqrt(x * x + depth * depth) - r)
            column = u / step + columns / 2 - 0.5
            row = rows - (origin[1] + t * directions[n, 1]) / step - 0.5
            if not (0 <= row < rows - 1 and 0 <= column < columns - 1):
                before_gap = -1.0
                continue
            i, j = int(row), int(column)
            fy, fx = row - i, column - j
            ground = (height[i, j] * (1 - fx) + height[i, j + 1] * fx) * (1 - fy) + (
                height[i + 1, j] * (1 - fx) + height[i + 1, j + 1] * fx
            ) * fy
            gap = w - ground
            if gap <= 0:
                if before_gap > 0:
                    t = before_t + (t - before_t) * before_gap / (before_gap - gap)
                    x = origin[0] + t * directions[n, 0]
                    depth = r + side * (origin[2] + t * directions[n, 2])
                    out[n, 0] = r * math.atan2(x, depth)
                    out[n, 1] = origin[1] + t * directions[n, 1]
                break
            before_gap, before_t = gap, t


def straight(uvw: np.ndarray, radius_m: float) -> np.ndarray:
    """x, y, z of developed places, u from the middle of the wall; shape (n, 3)."""
    r, side = abs(radius_m), math.copysign(1, radius_m)
    angle, reach = uvw[:, 0] / r, r + side * uvw[:, 2]
    return np.stack([reach * np.sin(angle), uvw[:, 1], side * (reach * np.cos(angle) - r)], axis=1)


def photograph_round(
    wall: ReliefWall, radius_m: float, station: Station, *, seed: int, noise: float = 1.5
) -> np.ndarray:
    """A grey picture, shaded by the slope of the stone."""
    width, height = station.size_px
    directions = station.rays()
    place = np.empty((len(directions), 2))
    _march(
        wall.w_m.astype(np.float64),
        wall.step_m,
        radius_m,
        np.array(station.centre, float),
        directions,
        np.array([wall.w_m.min() - 1e-3, wall.w_m.max() + 1e-4]),
        place,
    )
    gy, gx = np.gradient(wall.w_m, wall.step_m)
    shade = wall.albedo * np.clip(0.75 + 0.4 * gx + 0.5 * gy, 0.2, 1.2)
    mx = place[:, 0] / wall.step_m + wall.w_m.shape[1] / 2 - 0.5
    my = wall.w_m.shape[0] - place[:, 1] / wall.step_m - 0.5
    seen = cv2.remap(
        shade.astype(np.float32),
        np.nan_to_num(mx, nan=-9).reshape(height, width).astype(np.float32),
        np.nan_to_num(my, nan=-9).reshape(height, width).astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=0.2,
    )
    grey = 255 * np.clip(seen, 0, 1) ** (1 / 2.2)
    grey = grey + np.random.default_rng(seed).normal(0, noise, grey.shape)
    return np.clip(grey, 0, 255).astype(np.uint8)


def write_round_survey(
    folder: Path, wall: ReliefWall, radius_m: float, views: list[Station], *, pick_px: float = 0.15
) -> Path:
    """Photos and ``control.csv``: twelve targets and two check points, u along the arc from the middle."""
    folder.mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng(3)
    width, height = wall.size_m
    sound = cv2.dilate((wall.w_m < -0.0035).astype(np.uint8), np.ones((9, 9), np.uint8))
    places = []
    aims = [(fu, fv, "control") for fu in (0.07, 0.35, 0.65, 0.93) for fv in (0.1, 0.5, 0.9)]
    for n, (fu, fv, role) in enumerate([*aims, (0.25, 0.3, "check"), (0.75, 0.7, "check")]):
        u, v = fu * width, fv * height
        while sound[int((height - v) / wall.step_m), int(u / wall.step_m)]:
            u = float(np.clip(fu * width + rng.normal(0, 0.03), 0.02, width - 0.02))
            v = float(np.clip(fv * height + rng.normal(0, 0.03), 0.02, height - 0.02))
        w = float(wall.depth_at(np.array([u]), np.array([v]))[0])
        places.append((f"T{n}", role, np.array([[u - width / 2, v, w]])))
    path = folder / "control.csv"
    with path.open("w", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(["photo", "name", "u_m", "v_m", "w_m", "x_px", "y_px", "role"])
        for k, station in enumerate(views):
            picture = photograph_round(wall, radius_m, station, seed=k)
            cv2.imwrite(str(folder / f"p{k + 1}.png"), picture)
            for name, role, place in places:
                ((x, y),) = station.project(straight(place, radius_m)) + rng.normal(0, pick_px, 2)
                if 5 < x < station.size_px[0] - 5 and 5 < y < station.size_px[1] - 5:
                    u, v, w = (f"{c:.4f}" for c in place[0])
                    writer.writerow([f"p{k + 1}.png", name, u, v, w, f"{x:.3f}", f"{y:.3f}", role])
    return path
