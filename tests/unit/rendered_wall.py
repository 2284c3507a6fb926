"""Rendered walls with known truth: ashlar with grain, photographed by a pinhole camera with distortion.

Written apart from the package: its projection shares no code with what it tests.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

PX_PER_M = 200


def paint_wall(
    seed: int = 0,
    *,
    width_m: float = 8.0,
    height_m: float = 5.0,
    regular: bool = False,
    grain: float = 8.0,
    spread: float = 10.0,
) -> np.ndarray:
    """An ashlar wall as an RGB picture of PX_PER_M pixels a metre, v down from the top."""
    rng = np.random.default_rng(seed)
    width, height = int(width_m * PX_PER_M), int(height_m * PX_PER_M)
    wall = np.full((height, width, 3), (136, 128, 118), np.float32)
    top, row = 0, 0
    while top < height:
        course = int((0.3 if regular else rng.uniform(0.24, 0.38)) * PX_PER_M)
        left = -int((0.3 * (row % 2) if regular else rng.uniform(0, 0.5)) * PX_PER_M)
        while left < width:
            length = int((0.6 if regular else rng.uniform(0.45, 0.9)) * PX_PER_M)
            colour = (
                np.array([180, 170, 150]) + rng.normal(0, spread) + rng.normal(0, spread / 3, 3)
            )
            wall[
                max(top, 0) + 2 : top + course - 2, max(left + 2, 0) : max(left + length - 2, 0)
            ] = colour
            left += length
        top, row = top + course, row + 1
    noise = np.zeros((height, width), np.float32)
    for size, amount in ((1.2, 1.0), (4.0, 1.0), (16.0, 0.7)):
        layer = cv2.GaussianBlur(rng.normal(0, 1, (height, width)).astype(np.float32), (0, 0), size)
        noise += amount * layer / layer.std()
    return np.clip(wall + (grain * noise / 1.5)[..., None], 0, 255).astype(np.uint8)


@dataclass(frozen=True)
class Shot:
    """A camera before the wall: looking at ``target`` (u, v) from ``distance`` along a turned axis."""

    target: tuple[float, float]
    distance: float
    yaw: float = 0.0
    pitch: float = 0.0
    roll: float = 0.0
    focal_px: float = 667.0
    size_px: tuple[int, int] = (800, 600)
    k1: float = 0.0
    height_m: float = 5.0

    def _pose(self) -> tuple[np.ndarray, np.ndarray]:
        yaw, pitch, roll = np.radians([self.yaw, self.pitch, self.roll])
        turn_y = np.array(
            [[np.cos(yaw), 0, np.sin(yaw)], [0, 1, 0], [-np.sin(yaw), 0, np.cos(yaw)]]
        )
        turn_x = np.array(
            [[1, 0, 0], [0, np.cos(pitch), -np.sin(pitch)], [0, np.sin(pitch), np.cos(pitch)]]
        )
        turn_z = np.array(
            [[np.cos(roll), -np.sin(roll), 0], [np.sin(roll), np.cos(roll), 0], [0, 0, 1]]
        )
        rotation = turn_z @ turn_x @ turn_y
        at = np.array([self.target[0], self.height_m - self.target[1], 0.0])
        return rotation, at - self.distance * rotation.T @ np.array([0, 0, 1.0])

    @property
    def middle(self) -> np.ndarray:
        return (np.array(self.size_px) - 1) / 2

    def pixel(self, wall_m: np.ndarray) -> np.ndarray:
        """Pixels of places (u, v up)."""
        rotation, centre = self._pose()
        points = np.column_stack(
            [wall_m[:, 0], self.height_m - wall_m[:, 1], np.zeros(len(wall_m))]
        )
        seen = (points - centre) @ rotation.T
        ray = seen[:, :2] / seen[:, 2:]
        radius = np.sum(ray**2, axis=1, keepdims=True)
        return ray * (1 + self.k1 * radius) * self.focal_px + self.middle

    def wall(self, pixel: np.ndarray) -> np.ndarray:
        """Places (u, v up) seen at pixels."""
        target = (pixel - self.middle) / self.focal_px
        ray = target.copy()
        for _ in range(15 if self.k1 else 1):
            ray = target / (1 + self.k1 * np.sum(ray**2, axis=1, keepdims=True))
        rotation, centre = self._pose()
        direction = np.column_stack([ray, np.ones(len(ray))]) @ rotation
        far = -centre[2] / direction[:, 2]
        far[far < 0] = np.nan
        place = centre + far[:, None] * direction
        return np.column_stack([place[:, 0], self.height_m - place[:, 1]])

    def photograph(
        self,
        wall: np.ndarray,
        *,
        gain: float = 1.0,
        noise: float = 2.0,
        seed: int = 0,
        vignette: float = 0.0,
    ) -> np.ndarray:
        """The RGB photo of a painted wall."""
        width, height = self.size_px
        y, x = np.mgrid[0:height, 0:width].astype(float)
        place = self.wall(np.column_stack([x.ravel(), y.ravel()]))
        at = np.column_stack([place[:, 0], self.height_m - place[:, 1]]) * PX_PER_M - 0.5
        at = (
            np.clip(np.nan_to_num(at, nan=-1e4), -1e4, 3e4)
            .astype(np.float32)
            .reshape(height, width, 2)
        )
        step = float(np.median(np.abs(np.diff(at[..., 0], axis=1))))
        source = cv2.GaussianBlur(wall, (0, 0), 0.5 * step) if step > 1.2 else wall
        photo = cv2.remap(
            source,
            at[..., 0],
            at[..., 1],
            cv2.INTER_CUBIC,
            borderMode=cv2.BORDER_CONSTANT,
            borderValue=(60, 90, 60),
        ).astype(np.float32)
        shade = np.exp(
            -vignette * (((x - width / 2) / width) ** 2 + ((y - height / 2) / height) ** 2) * 4
        )
        photo = photo * gain * shade[..., None] + np.random.default_rng(seed).normal(
            0, noise, photo.shape
        )
        return np.clip(photo, 0, 255).astype(np.uint8)

    def lattice(self, count: int = 7) -> np.ndarray:
        """Pixels spread over the photo."""
        x, y = (np.linspace(40, s - 41, count) for s in self.size_px)
        return np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
