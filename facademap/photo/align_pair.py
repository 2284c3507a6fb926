"""A later photo laid over an earlier one of the same place, so that before and after can be compared.

Both are searched for the same points; a plane picture goes over into another by a homography (R. Hartley, A. Zisserman, Multiple
View Geometry, 2nd ed., chapter 4), found by consensus so that the place that was changed between the two does not count.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from facademap.photo.features import find_features, grey_picture, match_features
from facademap.photo.homography import apply_homography
from facademap.values import frozen_value

__all__ = ["LEAST_POINTS", "Aligned", "align_pair"]

#: Fewer common points could agree by chance (common practice).
LEAST_POINTS = 20
_REACH_PX = 3.0
_LARGEST_SCALE = 6.0


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class Aligned:
    """How a later photo lies on an earlier one.

    Attributes
    ----------
    matrix : ndarray, shape (3, 3)
        From pixels of the later photo to those of the earlier.
    points : int
        Common points that agree.
    rms_px : float
        Of their distances, in pixels of the earlier photo.
    picture : ndarray of uint8, shape (rows, columns, 3)
        The later photo as the earlier was taken; white where it shows nothing.
    covered : float
        Share of the earlier photo that the later one shows, 0 to 1.
    """

    matrix: NDArray[np.float64]
    points: int
    rms_px: float
    picture: NDArray[np.uint8]
    covered: float


def align_pair(earlier: NDArray[np.uint8], later: NDArray[np.uint8]) -> tuple[Aligned | None, str]:
    """Lay a later photo over an earlier one.

    Parameters
    ----------
    earlier, later : ndarray of uint8, shape (rows, columns, 3)

    Returns
    -------
    aligned : Aligned or None
    why : str
        Why it could not be done; empty where it was.

    Notes
    -----
    Holds for a wall that is nearly plane where the photos overlap; what stands out of it is moved by parallax.
    """
    one, two = find_features(grey_picture(earlier)), find_features(grey_picture(later))
    pairs, _ = match_features(one, two)
    if len(pairs) < LEAST_POINTS:
        return None, f"{len(pairs)} points are found in both, {LEAST_POINTS} are needed"
    to, start = one.xy_px[pairs[:, 0]], two.xy_px[pairs[:, 1]]
    cv2.setRNGSeed(0)
    found, kept = cv2.findHomography(start, to, cv2.RANSAC, _REACH_PX, maxIters=4000)
    count = 0 if found is None else int(kept.sum())
    if found is None or count < LEAST_POINTS:
        return None, f"{count} points agree, {LEAST_POINTS} are needed"
    matrix = np.asarray(found, dtype=np.float64)
    if not _plausible(matrix, later.shape[1], later.shape[0]):
        return None, "the points agree on a view that cannot be"
    inside = kept.ravel().astype(bool)
    off = apply_homography(matrix, start[inside]) - to[inside]
    size = (earlier.shape[1], earlier.shape[0])
    picture = cv2.warpPerspective(
        later, matrix, size, flags=cv2.INTER_AREA, borderValue=(255.0, 255.0, 255.0)
    )
    seen = cv2.warpPerspective(
        np.ones(later.shape[:2], np.uint8), matrix, size, flags=cv2.INTER_NEAREST
    )
    return Aligned(
        matrix=matrix,
        points=count,
        rms_px=float(np.sqrt((off**2).sum(axis=1).mean())),
        picture=np.asarray(picture, dtype=np.uint8),
        covered=float(seen.mean()),
    ), ""


def _plausible(matrix: NDArray[np.float64], width: int, height: int) -> bool:
    """Whether the corners keep their order and the picture neither shrinks nor grows beyond reason."""
    corners = np.array([[0, 0], [width, 0], [width, height], [0, height]], dtype=float)
    depth = np.hstack([corners, np.ones((4, 1))]) @ matrix[2]
    if (depth <= 0).any() and (depth >= 0).any():
        return False
    moved = apply_homography(matrix, corners)
    sides = np.roll(moved, -1, axis=0) - moved
    turns = sides[:, 0] * np.roll(sides[:, 1], -1) - sides[:, 1] * np.roll(sides[:, 0], -1)
    if (turns <= 0).any():
        return False
    x, y = moved.T
    area = 0.5 * abs(float(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1))))
    scale = np.sqrt(area / (width * height))
    return bool(1 / _LARGEST_SCALE < scale < _LARGEST_SCALE)
