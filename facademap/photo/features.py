"""Local features of photos: places that can be found again in another photo of the same wall.

References
----------
.. [1] D. Lowe, "Distinctive image features from scale-invariant keypoints", IJCV 60 (2004) 91-110.
.. [2] R. Arandjelovic, A. Zisserman, "Three things everyone should know to improve object retrieval",
   CVPR 2012 (square root of the descriptor).
.. [3] J.-M. Morel, G. Yu, "ASIFT: a new framework for fully affine invariant image comparison",
   SIAM J. Imaging Sciences 2 (2009) 438-469 (simulated tilts for very oblique views).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from facademap.errors import InputError
from facademap.values import frozen_value

__all__ = [
    "Features",
    "find_features",
    "find_tilted_features",
    "grey_picture",
    "match_features",
    "reduced",
]

Floats = NDArray[np.floating[Any]]
Bytes = NDArray[np.uint8]

#: Longest side on which features are looked for, and how many are kept (common practice).
LONGEST_PX = 2000
MOST_FEATURES = 6000
#: Longest side and tilts of the simulated views.
TILTED_LONGEST_PX = 900
TILTS = (2.0**0.5, 2.0, 2.0 * 2.0**0.5)
#: The nearest descriptor must be nearer than this share of the second nearest.
RATIO = 0.8
_CELLS = 12


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class Features:
    """Features of one photo.

    Attributes
    ----------
    xy_px : ndarray, shape (n, 2)
        Places in the full-size photo.
    descriptors : ndarray of float32, shape (n, 128)
        Of unit length.
    """

    xy_px: Floats
    descriptors: NDArray[np.float32]

    def __len__(self) -> int:
        return len(self.xy_px)


def grey_picture(picture: Bytes) -> Bytes:
    """Luma of an RGB picture (a grey one is passed through)."""
    if picture.ndim == 2:
        return picture
    if picture.shape[2] == 1:
        return np.asarray(picture[:, :, 0])
    return np.asarray(cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY))


def reduced(grey: Bytes, longest_px: float) -> tuple[Bytes, float]:
    """A copy whose longer side is at most ``longest_px``, and how much smaller it is (>= 1)."""
    factor = max(grey.shape) / longest_px
    if factor <= 1.0:
        return grey, 1.0
    size = (max(1, round(grey.shape[1] / factor)), max(1, round(grey.shape[0] / factor)))
    return np.asarray(cv2.resize(grey, size, interpolation=cv2.INTER_AREA)), grey.shape[1] / size[0]


def find_features(
    grey: Bytes, *, longest_px: float = LONGEST_PX, most: int = MOST_FEATURES
) -> Features:
    """Features spread over the whole photo.

    Parameters
    ----------
    grey : ndarray of uint8, shape (rows, columns)
    longest_px : float
        Longest side of the copy that is searched.
    most : int
        Number kept, the strongest of every part of the photo.

    Raises
    ------
    InputError
        The photo is too small to be searched.
    """
    if min(grey.shape) < 32:
        raise InputError(
            f"a photo of {grey.shape[1]} x {grey.shape[0]} px is too small to be registered",
            "Give the photo in its full size.",
        )
    small, factor = reduced(grey, longest_px)
    # contrast threshold lower than usual: weathered ashlar is pale
    detector: Any = cv2.SIFT.create(contrastThreshold=0.01, edgeThreshold=12)
    points = _spread(detector.detect(small, None), small.shape, most)
    points, descriptors = detector.compute(small, points)
    return _features(points, descriptors, factor)


def _features(points: Any, descriptors: Any, factor: float) -> Features:
    if descriptors is None or not len(points):
        return Features(xy_px=np.zeros((0, 2)), descriptors=np.zeros((0, 128), np.float32))
    xy = np.array([p.pt for p in points], dtype=float)
    return Features(xy_px=(xy + 0.5) * factor - 0.5, descriptors=_rooted(descriptors))


def _rooted(descriptors: NDArray[np.float32]) -> NDArray[np.float32]:
    total = np.abs(descriptors).sum(axis=1, keepdims=True)
    return np.asarray(np.sqrt(descriptors / np.maximum(total, 1e-9)), np.float32)


def _spread(points: Any, shape: tuple[int, ...], most: int) -> list[Any]:
    """The strongest points of every cell of the picture."""
    if len(points) <= most:
        return list(points)
    xy = np.array([p.pt for p in points])
    response = np.array([p.response for p in points])
    cell = (
        (xy[:, 1] * _CELLS // shape[0]).clip(0, _CELLS - 1) * _CELLS
        + (xy[:, 0] * _CELLS // shape[1]).clip(0, _CELLS - 1)
    ).astype(int)
    order = np.lexsort((-response, cell))
    first = np.searchsorted(cell[order], cell[order], side="left")
    rank = np.arange(len(order)) - first
    # cells give their best first; what a poor cell cannot give, the others may
    chosen = order[np.argsort(rank, kind="stable")[:most]]
    return [points[i] for i in np.sort(chosen)]


def find_tilted_features(
    grey: Bytes, *, longest_px: float = TILTED_LONGEST_PX, most: int = 10000
) -> Features:
    """Features of the photo and of simulated oblique views of it, for pairs that plain features cannot join."""
    small, factor = reduced(grey, longest_px)
    parts = [find_features(small, longest_px=longest_px, most=most // 4)]
    views = [(tilt, turn) for tilt in TILTS for turn in np.arange(0.0, 180.0, 72.0 / tilt)]
    for tilt, turn in views:
        warped, back = _tilted(small, tilt, turn)
        found = find_features(warped, longest_px=1e9, most=max(300, int(most / len(views))))
        if len(found):
            xy = found.xy_px @ back[:, :2].T + back[:, 2]
            inside = ((xy >= 4) & (xy <= np.array(small.shape[::-1]) - 5)).all(axis=1)
            parts.append(Features(xy_px=xy[inside], descriptors=found.descriptors[inside]))
    xy = np.concatenate([p.xy_px for p in parts])
    return Features(
        xy_px=(xy + 0.5) * factor - 0.5, descriptors=np.concatenate([p.descriptors for p in parts])
    )


def _tilted(grey: Bytes, tilt: float, turn_deg: float) -> tuple[Bytes, Floats]:
    """The picture turned and squeezed by ``tilt`` along x, and the affine map back, shape (2, 3)."""
    height, width = grey.shape
    angle = np.radians(turn_deg)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    corners = np.array([[0, 0], [width, 0], [0, height], [width, height]]) @ turn.T
    low = corners.min(axis=0)
    size = np.ceil(corners.max(axis=0) - low).astype(int)
    turned = cv2.warpAffine(
        grey,
        np.column_stack([turn, -low]),
        (int(size[0]), int(size[1])),
        flags=cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    blur = 0.8 * np.sqrt(tilt**2 - 1.0)
    turned = cv2.GaussianBlur(turned, (0, 0), sigmaX=blur, sigmaY=0.01)
    squeezed = cv2.resize(
        turned, (max(40, int(size[0] / tilt)), int(size[1])), interpolation=cv2.INTER_NEAREST
    )
    stretch = size[0] / squeezed.shape[1]
    back = np.linalg.inv(turn) @ np.diag([stretch, 1.0])
    offset = np.linalg.inv(turn) @ (low + np.array([0.5 * stretch - 0.5, 0.0]))
    return np.asarray(squeezed), np.column_stack([back, offset])


def match_features(
    first: Features, second: Features, *, ratio: float = RATIO
) -> tuple[NDArray[np.intp], Floats]:
    """Mutually nearest features that are clearly nearer than the second nearest.

    Returns
    -------
    pairs : ndarray of int, shape (m, 2)
        Index into the first and the second photo's features, the clearest pair first.
    clarity : ndarray, shape (m,)
        Ratio of the distances to the nearest and the second nearest.
    """
    if len(first) < 2 or len(second) < 2:
        return np.zeros((0, 2), np.intp), np.zeros(0)
    count = len(first)
    best, runner = np.zeros(count, np.intp), np.zeros(count)
    top = np.zeros(count)
    column_best, column_top = np.zeros(len(second), np.intp), np.full(len(second), -2.0, np.float32)
    columns = np.arange(len(second))
    for start in range(0, count, 1024):
        rows = slice(start, min(start + 1024, count))
        similarity = first.descriptors[rows] @ second.descriptors.T
        at = similarity.argmax(axis=0)
        highest = similarity[at, columns]
        better = highest > column_top
        column_top[better], column_best[better] = highest[better], at[better] + start
        nearest = similarity.argmax(axis=1)
        here = np.arange(len(nearest))
        best[rows], top[rows] = nearest, similarity[here, nearest]
        similarity[here, nearest] = -2.0
        if ratio < 1.0:
            runner[rows] = _second_place(similarity, second.xy_px, nearest)
    distance = np.sqrt(np.maximum(2.0 - 2.0 * top, 0.0))
    second_distance = np.sqrt(np.maximum(2.0 - 2.0 * runner, 1e-12))
    clarity = distance / second_distance
    keep = (column_best[best] == np.arange(count)) & (clarity < ratio)
    order = np.argsort(clarity[keep], kind="stable")
    pairs = np.stack([np.flatnonzero(keep), best[keep]], axis=1)[order]
    return pairs, clarity[keep][order]


def _second_place(similarity: NDArray[np.float32], xy: Floats, nearest: NDArray[np.intp]) -> Floats:
    """Similarity of the second nearest that lies elsewhere (a feature found twice is no rival)."""
    second = similarity.argmax(axis=1)
    here = np.arange(len(second))
    for _ in range(3):
        same = np.hypot(*(xy[second] - xy[nearest]).T) < 3.0
        if not same.any():
            break
        similarity[here[same], second[same]] = -2.0
        second[same] = similarity[same].argmax(axis=1)
    return np.asarray(similarity[here, second])
