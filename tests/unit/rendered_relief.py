"""Rendered walls with true relief: photographs with parallax, occlusion and shade, the truth beside them.

Written apart from the package: rays are marched through a height field by this file alone, and its camera shares
no code with what it tests. Coordinates are those of a wall frame: u right, v up, w out of the wall, metres.
"""

from __future__ import annotations

import csv
import math
from dataclasses import dataclass, field
from pathlib import Path

import cv2
import numba
import numpy as np


@dataclass(frozen=True)
class ReliefWall:
    """A wall as two rasters, the top row first.

    Attributes
    ----------
    w_m : ndarray, shape (rows, columns)
        Metres out of the plane of the wall.
    albedo : ndarray, shape (rows, columns)
        Reflectance, 0 to 1.
    step_m : float
        Side of a raster cell; the lower left corner of the raster is u = v = 0.
    losses : dict
        Name to mask of the cells of each loss.
    """

    w_m: np.ndarray
    albedo: np.ndarray
    step_m: float
    losses: dict[str, np.ndarray] = field(default_factory=dict)

    @property
    def size_m(self) -> tuple[float, float]:
        """Width and height."""
        return self.w_m.shape[1] * self.step_m, self.w_m.shape[0] * self.step_m

    def depth_at(self, u_m: np.ndarray, v_m: np.ndarray) -> np.ndarray:
        """Metres out of the plane at places (bilinear)."""
        x = np.asarray(u_m, np.float32) / self.step_m - 0.5
        y = (self.size_m[1] - np.asarray(v_m, np.float32)) / self.step_m - 0.5
        w = self.w_m.astype(np.float32)
        return cv2.remap(
            w,
            np.atleast_2d(x).astype(np.float32),
            np.atleast_2d(y).astype(np.float32),
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        ).reshape(np.shape(u_m))


def _noise(rng: np.random.Generator, shape: tuple[int, int], size: float) -> np.ndarray:
    small = max(1, int(size / 2.5))
    rough = rng.normal(0, 1, (shape[0] // small + 8, shape[1] // small + 8)).astype(np.float32)
    rough = cv2.GaussianBlur(rough, (0, 0), max(size / small, 0.6))
    layer = cv2.resize(
        rough, (rough.shape[1] * small, rough.shape[0] * small), interpolation=cv2.INTER_CUBIC
    )[4 : 4 + shape[0], 4 : 4 + shape[1]]
    return (layer - layer.mean()) / layer.std()


def make_wall(
    seed: int,
    *,
    width_m: float = 2.0,
    height_m: float = 1.5,
    step_m: float = 0.001,
    losses: int = 4,
    deepest_m: float = 0.045,
    joint_m: float = 0.006,
) -> ReliefWall:
    """Ashlar with recessed joints, stones that stand out or lean a little, and losses with rough beds."""
    rng = np.random.default_rng(seed)
    rows, columns = round(height_m / step_m), round(width_m / step_m)
    w = np.full((rows, columns), -joint_m, np.float32)
    albedo = np.full((rows, columns), 0.42, np.float32)
    ys, xs = np.mgrid[0:rows, 0:columns].astype(np.float32)
    top = 0
    while top < rows:
        course = int(rng.uniform(0.22, 0.34) / step_m)
        left = -int(rng.uniform(0, 0.4) / step_m)
        while left < columns:
            length = int(rng.uniform(0.35, 0.7) / step_m)
            gap = int(rng.uniform(0.002, 0.004) / step_m)
            part = np.s_[
                max(top + gap, 0) : top + course - gap,
                max(left + gap, 0) : max(left + length - gap, 0),
            ]
            lean_x, lean_y = rng.normal(0, 0.002, 2)
            w[part] = (
                rng.normal(0, 0.0012)
                + lean_x * (xs[part] - left - length / 2) * step_m
                + lean_y * (ys[part] - top - course / 2) * step_m
            )
            albedo[part] = 0.56 + rng.normal(0, 0.05)
            left += length
        top += course
    w += 0.0003 * _noise(rng, w.shape, 0.006 / step_m)
    named = {}
    for k in range(losses):
        a, b = rng.uniform(0.07, 0.2, 2)
        cu, cv = rng.uniform(0.25, width_m - 0.25), rng.uniform(0.25, height_m - 0.25)
        wobble = 1.0 + 0.12 * _noise(rng, w.shape, 0.04 / step_m)
        reach = np.hypot((xs * step_m - cu) / a, (ys * step_m - cv) / b) * wobble
        deep = rng.uniform(0.4, 1.0) * deepest_m
        bed = -deep * np.clip((1.0 - reach) / 0.35, 0, 1) + 0.0012 * _noise(
            rng, w.shape, 0.02 / step_m
        )
        inside = (reach < 1.0) & (bed < w)
        w = np.where(inside, bed, w).astype(np.float32)
        albedo = np.where(inside, 0.5 + 0.03 * _noise(rng, w.shape, 0.01 / step_m), albedo)
        named[f"L{k + 1}"] = inside
    for size, amount in ((0.0015, 0.035), (0.005, 0.035), (0.03, 0.03), (0.2, 0.03)):
        albedo = albedo + amount * _noise(rng, w.shape, max(size / step_m, 1.2))
    return ReliefWall(w, np.clip(albedo, 0.05, 0.95).astype(np.float32), step_m, named)


def deepened(wall: ReliefWall, growth_m: dict[str, float]) -> ReliefWall:
    """The wall after its losses have grown deeper, each by so much."""
    w = wall.w_m.copy()
    for name, metres in growth_m.items():
        w[wall.losses[name]] -= metres
    return ReliefWall(w, wall.albedo, wall.step_m, wall.losses)


@dataclass(frozen=True)
class Station:
    """A camera before the wall, looking at ``target`` (u, v, 0) from ``centre`` (u, v, w)."""

    centre: tuple[float, float, float]
    target: tuple[float, float]
    roll: float = 0.0
    focal_px: float = 1500.0
    size_px: tuple[int, int] = (1500, 1125)
    k1: float = -0.06
    k2: float = 0.02
    shift_px: tuple[float, float] = (4.0, -3.0)

    @property
    def rotation(self) -> np.ndarray:
        """Wall to camera axes: x right, y down, z forward."""
        forward = np.array([*self.target, 0.0]) - np.array(self.centre)
        forward /= np.linalg.norm(forward)
        right = np.cross(forward, [0.0, 1.0, 0.0])
        right /= np.linalg.norm(right)
        down = np.cross(forward, right)
        c, s = math.cos(self.roll), math.sin(self.roll)
        return np.stack([c * right + s * down, -s * right + c * down, forward])

    @property
    def centre_px(self) -> tuple[float, float]:
        """Principal point; an integer is the middle of a pixel."""
        return (
            (self.size_px[0] - 1) / 2 + self.shift_px[0],
            (self.size_px[1] - 1) / 2 + self.shift_px[1],
        )

    def project(self, uvw: np.ndarray) -> np.ndarray:
        """Pixels of places, shape (n, 2)."""
        seen = (np.asarray(uvw, float) - self.centre) @ self.rotation.T
        x, y = seen[:, 0] / seen[:, 2], seen[:, 1] / seen[:, 2]
        r2 = x * x + y * y
        bend = 1 + self.k1 * r2 + self.k2 * r2 * r2
        return np.stack(
            [
                self.focal_px * x * bend + self.centre_px[0],
                self.focal_px * y * bend + self.centre_px[1],
            ],
            axis=-1,
        )

    def rays(self, over: int = 1) -> np.ndarray:
        """Directions of all pixels, or of ``over`` places a pixel each way; shape (n, 3), row after row."""
        width, height = self.size_px
        ys, xs = np.mgrid[0 : height * over, 0 : width * over]
        x = ((xs.ravel() + 0.5) / over - 0.5 - self.centre_px[0]) / self.focal_px
        y = ((ys.ravel() + 0.5) / over - 0.5 - self.centre_px[1]) / self.focal_px
        ax, ay = x.copy(), y.copy()
        for _ in range(12):
            r2 = ax * ax + ay * ay
            bend = 1 + self.k1 * r2 + self.k2 * r2 * r2
            ax, ay = x / bend, y / bend
        return np.stack([ax, ay, np.ones_like(ax)], axis=-1) @ self.rotation


@numba.njit(cache=True)
def _march(height, step, origin, directions, top_w, bottom_w, out):  # type: ignore[no-untyped-def]
    rows, columns = height.shape
    for n in range(directions.shape[0]):
        du, dv, dw = directions[n]
        out[n, 0] = np.nan
        if dw >= 0:
            continue
        near, far = (top_w - origin[2]) / dw, (bottom_w - origin[2]) / dw
        steps = 60
        before_t, before_gap, hit = near, 1.0, -1.0
        for k in range(steps + 1):
            t = near + (far - near) * k / steps
            x = (origin[0] + t * du) / step - 0.5
            y = rows - (origin[1] + t * dv) / step - 0.5
            if x < 0 or y < 0 or x >= columns - 1 or y >= rows - 1:
                break
            i, j = int(y), int(x)
            fy, fx = y - i, x - j
            ground = (height[i, j] * (1 - fx) + height[i, j + 1] * fx) * (1 - fy) + (
                height[i + 1, j] * (1 - fx) + height[i + 1, j + 1] * fx
            ) * fy
            gap = origin[2] + t * dw - ground
            if gap <= 0:
                share = before_gap / (before_gap - gap) if k > 0 else 0.0
                hit = before_t + (t - before_t) * share
                break
            before_t, before_gap = t, gap
        if hit >= 0:
            out[n, 0] = origin[0] + hit * du
            out[n, 1] = origin[1] + hit * dv


def photograph(
    wall: ReliefWall,
    station: Station,
    *,
    light: tuple[float, float, float] = (-0.5, 0.6, 0.7),
    noise: float = 1.5,
    seed: int = 0,
    over: int = 2,
) -> np.ndarray:
    """An RGB picture of the wall with Lambert's shade, sensor noise and a slow fall-off."""
    rng = np.random.default_rng(seed)
    width, height = station.size_px
    directions = station.rays(over)
    place = np.empty((len(directions), 2))
    _march(
        wall.w_m.astype(np.float64),
        wall.step_m,
        np.array(station.centre, float),
        directions,
        float(wall.w_m.max()) + 1e-4,
        float(wall.w_m.min()) - 1e-3,
        place,
    )
    gy, gx = np.gradient(wall.w_m, wall.step_m)
    normal = np.stack([-gx, gy, np.ones_like(gx)], axis=-1)
    normal /= np.linalg.norm(normal, axis=-1, keepdims=True)
    toward = np.array(light) / np.linalg.norm(light)
    shade = (wall.albedo * (0.35 + 0.65 * np.clip(normal @ toward, 0, 1))).astype(np.float32)
    mx = (place[:, 0] / wall.step_m - 0.5).reshape(height * over, width * over).astype(np.float32)
    my = (
        (wall.w_m.shape[0] - place[:, 1] / wall.step_m - 0.5)
        .reshape(height * over, width * over)
        .astype(np.float32)
    )
    seen = cv2.remap(
        shade, mx, my, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=0.3
    )
    seen = cv2.resize(np.nan_to_num(seen, nan=0.3), (width, height), interpolation=cv2.INTER_AREA)
    grey = 255 * np.clip(seen * rng.uniform(0.92, 1.08), 0, 1) ** (1 / 2.2)
    rgb = grey[..., None] * np.array([1.0, 0.97, 0.9]) + rng.normal(0, noise, (height, width, 3))
    return np.clip(rgb, 0, 255).astype(np.uint8)


def stations(
    wall: ReliefWall, *, count: int = 5, distance_m: float = 2.0, seed: int = 0, **camera: object
) -> list[Station]:
    """Cameras in front of the middle, to both sides, above and below, a little at random."""
    rng = np.random.default_rng(seed)
    u, v = wall.size_m[0] / 2, wall.size_m[1] / 2
    base = 0.3 * distance_m
    offsets = [
        (0, 0),
        (-base, 0.1),
        (base, -0.1),
        (0.15, base),
        (-0.15, -base),
        (base, base),
        (-base, -base),
    ]
    out = []
    for du, dv in offsets[:count]:
        du, dv = du + rng.normal(0, 0.05), dv + rng.normal(0, 0.05)
        out.append(
            Station(
                (u + du, v + dv, distance_m + rng.normal(0, 0.05)),
                (u + 0.12 * du, v + 0.12 * dv),
                roll=rng.normal(0, 0.02),
                **camera,  # type: ignore[arg-type]
            )
        )
    return out


def write_survey(
    folder: Path,
    wall: ReliefWall,
    views: list[Station],
    *,
    seed: int = 0,
    pick_px: float = 0.15,
    light: tuple[float, float, float] = (-0.5, 0.6, 0.7),
    quality: int = 95,
    over: int = 2,
    noise: float = 1.5,
    blur_px: float = 0.0,
    exposure: float = 0.0,
) -> Path:
    """Photos and ``control.csv`` of nine targets on sound stone and four check points; returns the control file.

    ``blur_px`` is the lens's, before the noise of the sensor; each photo is exposed otherwise by up to a share ``exposure``.
    """
    rng = np.random.default_rng(seed + 100)
    folder.mkdir(parents=True, exist_ok=True)
    width, height = wall.size_m
    lost = np.zeros(wall.w_m.shape, bool)
    for mask in wall.losses.values():
        lost |= mask
    # nobody sticks a target over a joint or on an arris of a loss
    lost = cv2.dilate(lost.astype(np.uint8), np.ones((41, 41), np.uint8)) > 0
    joint = (wall.w_m < -0.0035).astype(np.uint8)
    lost |= cv2.dilate(joint, np.ones((25, 25), np.uint8)) > 0

    def sound(u: float, v: float) -> tuple[float, float]:
        for _ in range(200):
            i, j = int((height - v) / wall.step_m), int(u / wall.step_m)
            if 0 <= i < lost.shape[0] and 0 <= j < lost.shape[1] and not lost[i, j]:
                return u, v
            u = float(np.clip(u + rng.normal(0, 0.04), 0.05, width - 0.05))
            v = float(np.clip(v + rng.normal(0, 0.04), 0.05, height - 0.05))
        return u, v

    places = [
        (f"T{i}{j}", "control", *sound(width * fu, height * fv))
        for i, fu in enumerate((0.08, 0.5, 0.92))
        for j, fv in enumerate((0.08, 0.5, 0.92))
    ] + [
        (f"K{n}", "check", *sound(width * fu, height * fv))
        for n, (fu, fv) in enumerate(((0.3, 0.3), (0.7, 0.3), (0.3, 0.7), (0.7, 0.7)))
    ]
    rows = []
    for k, station in enumerate(views):
        clean = 0.0 if blur_px or exposure else noise
        picture = photograph(wall, station, seed=seed * 10 + k, light=light, over=over, noise=clean)
        if blur_px or exposure:
            bright = 1.0 + rng.uniform(-exposure, exposure)
            linear = (picture / np.float32(255)) ** np.float32(2.2) * np.float32(bright)
            soft = cv2.GaussianBlur(linear, (0, 0), blur_px) if blur_px else linear
            grey = 255 * np.clip(soft, 0, 1) ** (1 / 2.2) + rng.normal(0, noise, picture.shape)
            picture = np.clip(grey, 0, 255).astype(np.uint8)
        name = f"p{k + 1}.jpg"
        cv2.imwrite(str(folder / name), picture[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, quality])
        for point, role, u, v in places:
            w = float(wall.depth_at(np.array([u]), np.array([v]))[0])
            ((x, y),) = station.project(np.array([[u, v, w]])) + rng.normal(0, pick_px, 2)
            if 5 < x < station.size_px[0] - 5 and 5 < y < station.size_px[1] - 5:
                rows.append(
                    [name, point, f"{u:.4f}", f"{v:.4f}", f"{w:.4f}", f"{x:.3f}", f"{y:.3f}", role]
                )
    path = folder / "control.csv"
    with path.open("w", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(["photo", "name", "u_m", "v_m", "w_m", "x_px", "y_px", "role"])
        writer.writerows(rows)
    return path
