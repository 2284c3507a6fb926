"""Closed borders round a click as the cheapest path over directions: stains, losses, patches, coins.

The view is unrolled round the click, and one radius is chosen for every direction, so that the step of colour from
inside to outside is strong and of one sign all round while the radius changes little from one direction to the next.

References
----------
.. [1] A. Amini, T. Weymouth, R. Jain, "Using dynamic programming for solving variational problems in vision", IEEE
   Trans. Pattern Analysis and Machine Intelligence 12(9), 1990.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["round_borders"]

Floats = NDArray[Any]

_DIRECTIONS = 96
#: Inner and outer radius of the rings searched, pixels of the view.
_RINGS_PX = ((5, 26), (14, 60), (32, 120))
_BEND = 0.35


def round_borders(lab: Floats, seed: tuple[int, int]) -> Iterator[Floats]:
    """Closed borders round a pixel, each an array (n, 2) of (x, y).

    Parameters
    ----------
    lab : ndarray of float32, shape (rows, columns, 3)
        Smoothed colours.
    seed : (row, column)
    """
    rows, columns = lab.shape[:2]
    angle = np.arange(_DIRECTIONS) * (2 * np.pi / _DIRECTIONS)
    gains: list[Floats] = []
    places: list[tuple[Floats, Floats]] = []
    for inner, outer in _RINGS_PX:
        if inner > 0.45 * max(rows, columns):
            break
        radius = np.linspace(inner, outer, 48)
        x = seed[1] + np.cos(angle)[:, None] * radius
        y = seed[0] + np.sin(angle)[:, None] * radius
        unrolled = cv2.remap(lab, x.astype(np.float32), y.astype(np.float32), cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        unrolled = cv2.blur(unrolled, (1, 3), borderType=cv2.BORDER_REFLECT)
        step = cv2.filter2D(unrolled, cv2.CV_32F, np.array([[-1, -1, -1, 0, 1, 1, 1]], np.float32) / 3,
                            borderType=cv2.BORDER_REPLICATE)
        outside = (x < 1) | (y < 1) | (x > columns - 2) | (y > rows - 2)
        for gain in (step[..., 0], -step[..., 0], np.linalg.norm(step, axis=2)):
            clipped = np.where(outside, 0.0, np.clip(gain, 0, 25.0))
            gains.append(clipped / max(float(np.quantile(clipped, 0.9)), 1.0))
            places.append((x, y))
    if not gains:
        return
    pick = np.arange(_DIRECTIONS)
    for (x, y), path in zip(places, _closed_paths(np.stack(gains)), strict=True):
        yield np.column_stack([x[pick, path], y[pick, path]])


def _closed_paths(gains: Floats) -> NDArray[np.intp]:
    """Radius for each direction, with the most gain and little change; the directions are gone round twice.

    Parameters
    ----------
    gains : ndarray, shape (maps, directions, radii)

    Returns
    -------
    ndarray of int, shape (maps, directions)
    """
    maps, turns, number = gains.shape
    moves = np.array([-2, -1, 0, 1, 2])
    bend = (_BEND * np.abs(moves))[:, None, None]
    total = np.full((maps, number + 4), -1e9)
    total[:, 2:-2] = gains[:, 0]
    came = np.zeros((2 * turns, maps, number), np.intp)
    for k in range(1, 2 * turns):
        options = np.stack([total[:, i : i + number] for i in range(5)]) - bend
        best = options.argmax(axis=0)
        came[k] = np.arange(number) + best - 2
        total[:, 2:-2] = options.max(axis=0) + gains[:, k % turns]
    path = np.zeros((2 * turns, maps), np.intp)
    path[-1] = total[:, 2:-2].argmax(axis=1)
    for k in range(2 * turns - 1, 0, -1):
        path[k - 1] = came[k, np.arange(maps), path[k]]
    half = turns // 2
    return np.roll(path[half : half + turns], half, axis=0).T
