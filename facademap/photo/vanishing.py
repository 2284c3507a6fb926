"""True shape without control: the vanishing points of the wall's level and upright lines.

Straight edges (courses, joints) are found in the picture, the two directions with most support are
fitted robustly, and the homography that sends both vanishing points to infinity at right angles
gives the true shape; one distance gives the scale.

References
----------
.. [1] D. Liebowitz, A. Zisserman, "Metric rectification for perspective images of planes", CVPR 1998.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from facademap.errors import GeometryError
from facademap.photo.camera import Camera
from facademap.values import frozen_value

__all__ = ["TrueShape", "find_segments", "fit_true_shape"]

Floats = NDArray[np.floating[Any]]

#: Angle within which a segment belongs to a direction of the wall, degrees.
_AGREE_DEG = 3.0
_LEAST_SEGMENTS = 6


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class TrueShape:
    """The wall's shape up to scale.

    Parameters
    ----------
    homography : ndarray, shape (3, 3)
        Pixels (undistorted) to wall coordinates; y up, unit: one pixel at the picture's centre unless scaled.
    level_count, upright_count : int
        Segments behind each direction.
    level_spread_deg, upright_spread_deg : float
        Root mean square angle of the segments to their direction after rectification.
    aspect_is_known : bool
        False when the view is so square that the focal length cannot be told: then the ratio of width to
        height is only as good as the nominal focal length.
    """

    homography: Floats
    level_count: int
    upright_count: int
    level_spread_deg: float
    upright_spread_deg: float
    aspect_is_known: bool

    def wall_from_pixel(self, pixel_px: ArrayLike) -> Floats:
        """Places of pixels, shape (n, 2)."""
        p = np.asarray(pixel_px, dtype=float)
        q = np.c_[p, np.ones(len(p))] @ self.homography.T
        return np.asarray(q[:, :2] / q[:, 2:])

    def scaled(self, start_px: ArrayLike, end_px: ArrayLike, *, distance_m: float) -> TrueShape:
        """The same in metres, from one distance measured on the wall.

        Raises
        ------
        GeometryError
            A distance that is not above 0, or two pixels that are the same.
        """
        a, b = self.wall_from_pixel(np.array([start_px, end_px], dtype=float))
        length = float(np.hypot(*(b - a)))
        if not (math.isfinite(distance_m) and distance_m > 0 and length > 0):
            raise GeometryError(
                f"distance {distance_m} m between two picked pixels cannot give the scale",
                "Give a positive distance between two different places.",
            )
        factor = distance_m / length
        return TrueShape(
            homography=np.diag([factor, factor, 1.0]) @ self.homography,
            level_count=self.level_count,
            upright_count=self.upright_count,
            level_spread_deg=self.level_spread_deg,
            upright_spread_deg=self.upright_spread_deg,
            aspect_is_known=self.aspect_is_known,
        )


def find_segments(picture: NDArray[np.uint8], *, least_px: float | None = None) -> Floats:
    """Straight edges, shape (n, 4): x0, y0, x1, y1 in pixels.

    Parameters
    ----------
    picture : ndarray of uint8, shape (rows, columns) or (rows, columns, 3)
    least_px : float, optional
        Shortest segment kept; default 4 % of the shorter side.
    """
    grey = picture if picture.ndim == 2 else cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY)
    least = least_px or 0.04 * min(grey.shape)
    smooth = cv2.GaussianBlur(grey, (0, 0), 1.2)
    detector = cv2.createLineSegmentDetector(cv2.LSD_REFINE_STD)
    lines = detector.detect(smooth)[0]
    if lines is None:
        return np.empty((0, 4))
    lines = lines.reshape(-1, 4).astype(float)
    long = np.hypot(lines[:, 2] - lines[:, 0], lines[:, 3] - lines[:, 1]) >= least
    return np.asarray(lines[long])


def _vanishing_point(
    segments: Floats, centre: Floats, scale: float, start_deg: float, rng: np.random.Generator
) -> tuple[Floats, NDArray[np.bool_]]:
    """Homogeneous vanishing point (centred, scaled) of the segments that run roughly in one direction."""
    a, b = (segments[:, :2] - centre) / scale, (segments[:, 2:] - centre) / scale
    middle, along = (a + b) / 2, b - a
    length = np.hypot(*along.T)
    along = along / length[:, None]
    angle = np.degrees(np.arctan2(along[:, 1], along[:, 0]))
    near = np.abs((angle - start_deg + 90) % 180 - 90) < 35.0
    if near.sum() < _LEAST_SEGMENTS:
        raise GeometryError(
            "too few straight joints run along one direction of the wall",
            "Use a photo with more straight courses, or give control points.",
        )
    line = np.cross(np.c_[a, np.ones(len(a))], np.c_[b, np.ones(len(b))])
    candidates = np.flatnonzero(near)
    odds = length[candidates] / length[candidates].sum()
    best, best_score = (
        np.array([math.cos(math.radians(start_deg)), math.sin(math.radians(start_deg)), 0.0]),
        -1.0,
    )
    trials = [best]
    for _ in range(400):
        i, j = rng.choice(candidates, 2, replace=False, p=odds)
        trials.append(np.cross(line[i], line[j]))
    for trial in trials:
        off = _angle_to(trial, middle, along)
        score = float(np.sum(length[near] * np.exp(-0.5 * (off[near] / 1.0) ** 2)))
        if score > best_score:
            best, best_score = trial, score
    agree = near & (_angle_to(best, middle, along) < _AGREE_DEG)
    for step in range(12):
        off = _angle_to(best, middle, along)
        agree = near & (off < max(_AGREE_DEG * (1 - step / 12), 1.0))
        if agree.sum() < 2:
            break
        weight = length**2 / (1 + (off / 0.4) ** 2)
        rows = line[agree] / np.linalg.norm(line[agree, :2], axis=1)[:, None]
        best = np.linalg.svd(rows * np.sqrt(weight[agree])[:, None])[2][-1]
    return best / np.linalg.norm(best), agree


def _angle_to(point: Floats, middle: Floats, along: Floats) -> Floats:
    """Angle in degrees between segments and the direction from their middle to a vanishing point."""
    towards = point[:2] - point[2] * middle
    towards = towards / np.maximum(np.linalg.norm(towards, axis=1), 1e-15)[:, None]
    cross = towards[:, 0] * along[:, 1] - towards[:, 1] * along[:, 0]
    return np.asarray(np.degrees(np.arcsin(np.clip(np.abs(cross), 0, 1))))


def fit_true_shape(
    segments: ArrayLike,
    camera: Camera,
    *,
    focal_is_known: bool = False,
    rng: np.random.Generator | None = None,
) -> TrueShape:
    """True shape of a wall from straight segments of its courses and perpends.

    Parameters
    ----------
    segments : array_like, shape (n, 4)
        x0, y0, x1, y1 in pixels of the stored picture.
    camera : Camera
        Known, or nominal (principal point in the middle).
    focal_is_known : bool
        Whether the camera's focal length may be trusted for the ratio of width to height.
    rng : numpy.random.Generator, optional

    Raises
    ------
    GeometryError
        Too few lines in one of the two directions, or directions that cannot belong to one plane.
    """
    rng = np.random.default_rng(20083) if rng is None else rng
    s = np.asarray(segments, dtype=float).reshape(-1, 4)
    ends = camera.ray_from_pixel(s.reshape(-1, 2)) * np.array(
        [camera.fx_px, camera.fy_px]
    ) + np.array([camera.cx_px, camera.cy_px])
    s = ends.reshape(-1, 4)
    s = s[np.isfinite(s).all(axis=1)]
    centre, scale = np.array([camera.cx_px, camera.cy_px]), float(camera.fx_px)
    level, in_level = _vanishing_point(s, centre, scale, 0.0, rng)
    upright, in_upright = _vanishing_point(s, centre, scale, 90.0, rng)
    if in_level.sum() < _LEAST_SEGMENTS or in_upright.sum() < _LEAST_SEGMENTS:
        raise GeometryError(
            f"only {in_level.sum()} level and {in_upright.sum()} upright lines agree",
            "Use a photo with more straight courses and perpends, or give control points.",
        )
    level = level * (np.sign(level[0]) or 1.0)
    upright = upright * -(np.sign(upright[1]) or 1.0)
    factor, known = 1.0, focal_is_known
    if not focal_is_known and abs(level[2] * upright[2]) > 0.01:
        # directions at right angles: x1 x2 + y1 y2 + f^2 z1 z2 = 0 in units of the nominal focal length
        square = -(level[0] * upright[0] + level[1] * upright[1]) / (level[2] * upright[2])
        if 0.2 < square < 5.0:
            factor, known = math.sqrt(square), True
    weigh = np.diag([1.0, 1.0, factor])
    first, second = weigh @ level, weigh @ upright
    first, second = first / np.linalg.norm(first), second / np.linalg.norm(second)
    if abs(first @ second) < 0.35:
        # share the remaining error between the two, so that they are at right angles in space
        middle, across = first + second, first - second
        middle, across = middle / np.linalg.norm(middle), across / np.linalg.norm(across)
        if known:
            first, second = (middle + across) / math.sqrt(2), (middle - across) / math.sqrt(2)
    else:
        raise GeometryError(
            "the two directions of the joints are not at right angles",
            "Give control points, or lines that run level and upright.",
        )
    normal = np.cross(first, second)
    # rays to wall: a ray meets the plane at distance one from the camera
    columns = np.stack(
        [first, second, np.array([0.0, 0.0, 1.0]) if abs(normal[2]) > 0.05 else normal], axis=1
    )
    ray = np.diag([1 / (scale * factor), 1 / (scale * factor), 1.0]) @ np.array(
        [[1.0, 0.0, -centre[0]], [0.0, 1.0, -centre[1]], [0.0, 0.0, 1.0]]
    )
    homography = np.diag([scale * factor, scale * factor, 1.0]) @ np.linalg.inv(columns) @ ray
    if homography[2] @ np.r_[centre, 1.0] < 0:
        homography = -homography
    shape = TrueShape(
        homography=homography / homography[2, 2] if homography[2, 2] else homography,
        level_count=int(in_level.sum()),
        upright_count=int(in_upright.sum()),
        level_spread_deg=0.0,
        upright_spread_deg=0.0,
        aspect_is_known=known,
    )
    spreads = [
        _spread(shape, s[group], vertical)
        for group, vertical in ((in_level, False), (in_upright, True))
    ]
    return TrueShape(
        homography=shape.homography,
        level_count=shape.level_count,
        upright_count=shape.upright_count,
        level_spread_deg=spreads[0],
        upright_spread_deg=spreads[1],
        aspect_is_known=known,
    )


def _spread(shape: TrueShape, segments: Floats, vertical: bool) -> float:
    d = shape.wall_from_pixel(segments[:, 2:]) - shape.wall_from_pixel(segments[:, :2])
    off = np.degrees(np.arctan2(d[:, 0], d[:, 1]) if vertical else np.arctan2(d[:, 1], d[:, 0]))
    off = (off + 90) % 180 - 90
    return float(np.sqrt(np.mean(off**2)))
