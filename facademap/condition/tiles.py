"""A large picture worked through in tiles that overlap and fade into one another, each place judged by the light round it."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["STEP_PX", "TILE_PX", "boxed", "enlarged", "spans", "surroundings"]

#: Side of a tile and what it shares with the next, both multiples of the 64 px by which the networks halve.
TILE_PX, SHARED_PX, STEP_PX = 1024, 192, 64
#: The light and the contrast are taken over windows of this side, on a picture reduced this many times.
AROUND_PX, REDUCED = 512, 16
_LEAST_SPREAD = 6.0


def surroundings(rgb: NDArray[np.uint8]) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Mean and spread round each place, on the reduced picture."""
    small_size = tuple(max(1, round(n / REDUCED)) for n in rgb.shape[1::-1])
    first = cv2.resize(rgb, small_size, interpolation=cv2.INTER_AREA).astype(np.float32)
    square = np.zeros(first.shape[:2], np.float32)
    for band in range(3):
        fine = rgb[..., band].astype(np.float32)
        fine *= fine
        square += cv2.resize(fine, small_size, interpolation=cv2.INTER_AREA) / 3
    window = AROUND_PX // REDUCED
    mean = boxed(first.mean(axis=2), window)
    spread = np.sqrt(np.maximum(boxed(square, window) - mean**2, _LEAST_SPREAD**2))
    return mean, spread.astype(np.float32)


def boxed(values: NDArray[np.float32], window: int) -> NDArray[np.float32]:
    """Means over windows that end at the frame."""
    values = values.astype(np.float32)
    number = cv2.boxFilter(
        np.ones_like(values),
        -1,
        (window + 1, window + 1),
        normalize=False,
        borderType=cv2.BORDER_CONSTANT,
    )
    total = cv2.boxFilter(
        values, -1, (window + 1, window + 1), normalize=False, borderType=cv2.BORDER_CONSTANT
    )
    return np.asarray(total / number, np.float32)


def enlarged(small: NDArray[np.float32], place: tuple[int, int, int, int]) -> NDArray[np.float32]:
    """A part (left, top, right, bottom) of a reduced map at the size of the picture."""
    left, top, right, bottom = place
    x = (np.arange(left, right, dtype=np.float32) + 0.5) / REDUCED - 0.5
    y = (np.arange(top, bottom, dtype=np.float32) + 0.5) / REDUCED - 0.5
    return np.asarray(
        cv2.remap(
            small,
            np.broadcast_to(x[None], (len(y), len(x))).copy(),
            np.broadcast_to(y[:, None], (len(y), len(x))).copy(),
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        )
    )


def spans(length: int) -> list[tuple[int, int, NDArray[np.float32]]]:
    """Where tiles begin along one side, how long they are, and the weight along them; the weights of all add up to one."""
    if length <= TILE_PX:
        tall = max(STEP_PX, -(-length // STEP_PX) * STEP_PX)
        return [(0, tall, np.ones(tall, np.float32))]
    stride = TILE_PX - SHARED_PX
    starts = list(range(0, length - SHARED_PX, stride))
    ramp = (np.arange(SHARED_PX, dtype=np.float32) + 0.5) / SHARED_PX
    spans = []
    for k, start in enumerate(starts):
        tall = min(TILE_PX, -(-(length - start) // STEP_PX) * STEP_PX)
        weight = np.ones(tall, np.float32)
        if k > 0:
            weight[:SHARED_PX] = ramp
        if k + 1 < len(starts):
            weight[stride : stride + SHARED_PX] = ramp[::-1]
        spans.append((start, tall, weight))
    return spans
