"""Stones from what the network sees: their middles are grown to their borders, and each stone is judged by how well it agrees.

References
----------
.. [1] L. Vincent, P. Soille, "Watersheds in digital spaces: an efficient algorithm based on immersion simulations", IEEE
   TPAMI 13 (1991) 583-598.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numba import njit
from numpy.typing import NDArray

from facademap.condition.wall_net import Seen
from facademap.values import frozen_value

__all__ = ["Region", "regions_of"]

Floats = NDArray[Any]

#: A middle is deeper than this and no border; a face is likelier than this. All of 255.
_MIDDLE, _FACE, _OTHER = 128, 128, 128
#: Two stones whose common border is seen less than this are one, of 255.
_NO_BORDER = 84
_SMALLEST_PX = 24
#: Outlines are traced this many times as fine as the pixels, and simplified by this many of them.
_FINER, _SIMPLE_PX = 3, 0.45
#: Outlines seen lie this far outside the true ones in the middle, pixels of the look, on rendered walls held back.
_TOO_FAR_PX = 0.3


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class Region:
    """A stone: ring (x, y) in pixels, its breadth, and how well it agrees with what was seen.

    Parameters
    ----------
    breadth_px : float
        Twice the largest distance from its border.
    agrees : float
        One less the mean difference between the depth seen and that of the outline.
    face, border, other : float
        Mean of what was seen on its face, along its border, and of other things on its face, 0 to 1.
    cut : bool
        It touches the frame.
    """

    ring_px: Floats
    breadth_px: float
    agrees: float
    face: float
    border: float
    other: float
    cut: bool


def regions_of(seen: Seen) -> list[Region]:
    """All stones seen at one scale."""
    face = (seen.stone >= _FACE) & (seen.other < _OTHER)
    middles = (face & (seen.depth >= _MIDDLE) & (seen.edge < _MIDDLE)).astype(np.uint8)
    number, labels = cv2.connectedComponents(middles, connectivity=4, ltype=cv2.CV_32S)
    if number < 2:
        return []
    cost = ((seen.edge.astype(np.uint16) + (255 - seen.depth)) // 2).astype(np.uint8)
    _flood(cost.ravel(), labels.ravel(), face.ravel(), labels.shape[1])
    labels = _united(np.asarray(labels, np.int32), seen.edge, number)
    number = int(labels.max()) + 1
    step = _steps(labels)
    own = cv2.distanceTransform(((labels > 0) & ~step).astype(np.uint8), cv2.DIST_L2, 5)
    sums, boxes = _measured(
        labels, own, step, seen.depth, seen.stone, seen.edge, seen.other, number
    )
    found = []
    rows, columns = labels.shape
    for k in range(1, number):
        area, deepest, away, faces, borders, along, others = sums[k]
        if area < _SMALLEST_PX or deepest < 1.5:
            continue
        top, bottom, left, right = (int(v) for v in boxes[k])
        ring = _ring(labels, seen.stone, k, (top, bottom, left, right))
        if ring is None:
            continue
        found.append(
            Region(
                ring_px=ring,
                breadth_px=2 * float(deepest),
                agrees=1 - float(away / area),
                face=float(faces / area / 255),
                border=float(borders / max(along, 1) / 255),
                other=float(others / area / 255),
                cut=top == 0 or left == 0 or bottom == rows - 1 or right == columns - 1,
            )
        )
    return found


def _steps(labels: NDArray[np.int32]) -> NDArray[np.bool_]:
    """Pixels beside one of another number."""
    step = np.zeros(labels.shape, bool)
    along = labels[:, 1:] != labels[:, :-1]
    step[:, 1:] |= along
    step[:, :-1] |= along
    down = labels[1:] != labels[:-1]
    step[1:] |= down
    step[:-1] |= down
    return step


def _united(labels: NDArray[np.int32], edge: NDArray[np.uint8], number: int) -> NDArray[np.int32]:
    """Parts joined where no border is seen between them."""
    pairs, seen = [], []
    for a, b, e, f in (
        (labels[:, 1:], labels[:, :-1], edge[:, 1:], edge[:, :-1]),
        (labels[1:], labels[:-1], edge[1:], edge[:-1]),
    ):
        met = (a != b) & (a > 0) & (b > 0)
        low, high = np.minimum(a[met], b[met]).astype(np.int64), np.maximum(a[met], b[met])
        pairs.append(low * number + high)
        seen.append(np.maximum(e[met], f[met]))
    keys, place = np.unique(np.concatenate(pairs), return_inverse=True)
    if not len(keys):
        return labels
    values = np.concatenate(seen).astype(np.float64)
    mean = np.bincount(place, values) / np.bincount(place)
    parent = list(range(number))

    def root(k: int) -> int:
        while parent[k] != k:
            parent[k] = parent[parent[k]]
            k = parent[k]
        return k

    for key in keys[mean < _NO_BORDER]:
        one, two = root(int(key // number)), root(int(key % number))
        parent[max(one, two)] = min(one, two)
    roots = np.array([root(k) for k in range(number)], np.int32)
    return np.asarray(roots[labels])


def _ring(
    labels: NDArray[np.int32], stone: NDArray[np.uint8], k: int, box: tuple[int, int, int, int]
) -> Floats | None:
    """Outline of a stone between the pixels: where the likelihood of its face falls to one half."""
    top, bottom, left, right = box
    part = np.s_[
        max(top - 2, 0) : bottom + 3,
        max(left - 2, 0) : right + 3,
    ]
    here, likely = labels[part], stone[part]
    mine = here == k
    field = np.where(
        mine, np.maximum(likely, 129), np.where((here == 0) & (likely < _FACE), likely, 0)
    )
    field = np.pad(field.astype(np.uint8), 1)
    fine = cv2.resize(field, None, fx=_FINER, fy=_FINER, interpolation=cv2.INTER_LINEAR)
    contours, _ = cv2.findContours(
        (fine >= _FACE).astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE
    )
    if not contours:
        return None
    largest = max(contours, key=cv2.contourArea)
    ring = largest[:, 0].astype(np.float32)
    if len(ring) < 8:
        return None
    ring = _outward(ring)
    ring = cv2.approxPolyDP(ring[:, None], _SIMPLE_PX * _FINER, True)[:, 0].astype(float)
    if len(ring) < 3:
        return None
    place = np.array([max(left - 2, 0), max(top - 2, 0)], float)
    return np.asarray((ring + 0.5) / _FINER - 0.5 - 1 + place)


def _outward(ring: Floats) -> Floats:
    """A traced ring runs through the middles of its pixels: moved to their sides, less what is seen too far, and smoothed."""
    before, after = np.roll(ring, 2, axis=0), np.roll(ring, -2, axis=0)
    along = after - before
    length = np.maximum(np.hypot(*along.T), 1e-6)[:, None]
    # findContours runs so that the outside lies to the left of the way in a picture with rows going down
    outward = np.column_stack([along[:, 1], -along[:, 0]]) / length
    area = float(
        np.sum(ring[:, 0] * np.roll(ring[:, 1], -1) - np.roll(ring[:, 0], -1) * ring[:, 1])
    )
    outward = outward if area > 0 else -outward
    smooth = (np.roll(ring, 1, axis=0) + 2 * ring + np.roll(ring, -1, axis=0)) / 4
    return np.asarray(smooth + (0.5 - _TOO_FAR_PX * _FINER) * outward, np.float32)


@njit(cache=True)
def _flood(
    cost: Any, labels: Any, within: Any, columns: int
) -> None:  # pragma: no cover - compiled
    """Grow the numbers over the pixels within, the cheapest first; numbers are changed in place."""
    total = labels.size
    first = np.full(256, -1, np.int32)
    last = np.full(256, -1, np.int32)
    following = np.full(total, -1, np.int32)
    for i in range(total):
        if labels[i] > 0:
            c = cost[i]
            if first[c] < 0:
                first[c] = i
            else:
                following[last[c]] = i
            last[c] = i
    level = 0
    while level < 256:
        i = first[level]
        if i < 0:
            level += 1
            continue
        first[level] = following[i]
        column = i % columns
        for side in range(4):
            if side == 0:
                if column == 0:
                    continue
                j = i - 1
            elif side == 1:
                if column == columns - 1:
                    continue
                j = i + 1
            elif side == 2:
                j = i - columns
                if j < 0:
                    continue
            else:
                j = i + columns
                if j >= total:
                    continue
            if labels[j] == 0 and within[j]:
                labels[j] = labels[i]
                c = max(cost[j], level)
                following[j] = -1
                if first[c] < 0:
                    first[c] = j
                else:
                    following[last[c]] = j
                last[c] = j


@njit(cache=True)
def _measured(  # pragma: no cover - compiled
    labels: Any, own: Any, step: Any, depth: Any, stone: Any, edge: Any, other: Any, number: int
) -> Any:
    """Of each number: pixels, deepest, difference in depth, face, border, pixels of the border, other things; and its box."""
    sums = np.zeros((number, 7), np.float64)
    boxes = np.zeros((number, 4), np.int32)
    boxes[:, 0] = labels.shape[0]
    boxes[:, 2] = labels.shape[1]
    for y in range(labels.shape[0]):
        for x in range(labels.shape[1]):
            k = labels[y, x]
            if k > 0:
                sums[k, 0] += 1
                sums[k, 1] = max(sums[k, 1], own[y, x])
                boxes[k, 0] = min(boxes[k, 0], y)
                boxes[k, 1] = max(boxes[k, 1], y)
                boxes[k, 2] = min(boxes[k, 2], x)
                boxes[k, 3] = max(boxes[k, 3], x)
    for y in range(labels.shape[0]):
        for x in range(labels.shape[1]):
            k = labels[y, x]
            if k > 0:
                sums[k, 2] += abs(own[y, x] / max(sums[k, 1], 1e-3) - depth[y, x] / 255.0)
                sums[k, 3] += stone[y, x]
                sums[k, 6] += other[y, x]
                if step[y, x]:
                    sums[k, 4] += edge[y, x]
                    sums[k, 5] += 1
    return sums, boxes
