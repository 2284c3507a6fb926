"""What a network that has learned what masonry looks like sees in a picture: stones, their borders, their middles, other things.

It was trained on rendered walls only (``benchmarks/wall_net``), so every photograph is new to it. A large picture is
worked through in tiles that overlap and are faded into one another; each place is judged by the light and the contrast round
it, not by those of its tile, so that no seam shows.

References
----------
.. [1] O. Ronneberger, P. Fischer, T. Brox, "U-Net: convolutional networks for biomedical image segmentation", MICCAI
   2015: the shape of the network.
.. [2] Y. Ibrahim, B. Nagy, C. Benedek, "Deep learning-based masonry wall image analysis", Remote Sensing 12(23), 2020:
   markers from a network, grown to stones by a watershed.
"""

from __future__ import annotations

import threading
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from facademap.errors import InputError
from facademap.values import frozen_value

__all__ = ["Seen", "look", "network_is_there"]

Bytes = NDArray[np.uint8]

_FILE = "wall_net.onnx"
#: Side of a tile and what it shares with the next, both multiples of the 64 px by which the network halves.
TILE_PX, SHARED_PX, _STEP_PX = 1024, 192, 64
#: The light and the contrast are taken over windows of this side, on a picture reduced this many times.
_AROUND_PX, _REDUCED = 512, 16
_LEAST_SPREAD = 6.0
_THREADS = 2
_lock = threading.Lock()


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """Maps of a picture, 0 to 255: face of a stone, border, depth in the stone (255 in its middle), no masonry."""

    stone: Bytes
    edge: Bytes
    depth: Bytes
    other: Bytes


def network_is_there() -> bool:
    """Whether the file of the network came with the package."""
    return files("facademap.condition").joinpath(_FILE).is_file()


@cache
def _session() -> Any:
    try:
        import onnxruntime
    except ImportError:
        raise InputError(
            "outlining a whole wall needs the package onnxruntime, which is not installed",
            "Install it with pip install onnxruntime.",
        ) from None
    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads, options.inter_op_num_threads = _THREADS, 1
    options.log_severity_level = 4
    options.enable_cpu_mem_arena = False
    data = files("facademap.condition").joinpath(_FILE).read_bytes()
    return onnxruntime.InferenceSession(data, options, providers=["CPUExecutionProvider"])


def look(rgb: Bytes) -> Seen:
    """What the network sees.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (rows, columns, 3)

    Returns
    -------
    Seen
        Maps of shape (rows, columns).
    """
    rows, columns = rgb.shape[:2]
    mean, spread = _surroundings(rgb)
    maps = np.zeros((4, rows, columns), np.uint8)
    for top, tall, down in _spans(rows):
        for left, wide, along in _spans(columns):
            bottom, right = min(top + tall, rows), min(left + wide, columns)
            part = np.s_[top:bottom, left:right]
            view = rgb[part].astype(np.float32)
            place = (left, top, right, bottom)
            view -= _enlarged(mean, place)[..., None]
            view /= _enlarged(spread, place)[..., None]
            view = np.pad(
                view, ((0, tall - (bottom - top)), (0, wide - (right - left)), (0, 0)), mode="edge"
            )
            with _lock:
                (answer,) = _session().run(
                    ["maps"], {"view": np.ascontiguousarray(view.transpose(2, 0, 1)[None])}
                )
            weight = 255 * down[: bottom - top, None] * along[None, : right - left]
            seen = answer[0, :, : bottom - top, : right - left] * weight
            maps[:, top:bottom, left:right] += np.round(seen).astype(np.uint8)
    return Seen(stone=maps[0], edge=maps[1], depth=maps[2], other=maps[3])


def _surroundings(rgb: Bytes) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Mean and spread round each place, on the reduced picture."""
    small_size = tuple(max(1, round(n / _REDUCED)) for n in rgb.shape[1::-1])
    first = cv2.resize(rgb, small_size, interpolation=cv2.INTER_AREA).astype(np.float32)
    square = np.zeros(first.shape[:2], np.float32)
    for band in range(3):
        fine = rgb[..., band].astype(np.float32)
        fine *= fine
        square += cv2.resize(fine, small_size, interpolation=cv2.INTER_AREA) / 3
    window = _AROUND_PX // _REDUCED
    mean = _boxed(first.mean(axis=2), window)
    spread = np.sqrt(np.maximum(_boxed(square, window) - mean**2, _LEAST_SPREAD**2))
    return mean, spread.astype(np.float32)


def _boxed(values: NDArray[np.float32], window: int) -> NDArray[np.float32]:
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


def _enlarged(small: NDArray[np.float32], place: tuple[int, int, int, int]) -> NDArray[np.float32]:
    """A part (left, top, right, bottom) of a reduced map at the size of the picture."""
    left, top, right, bottom = place
    x = (np.arange(left, right, dtype=np.float32) + 0.5) / _REDUCED - 0.5
    y = (np.arange(top, bottom, dtype=np.float32) + 0.5) / _REDUCED - 0.5
    return np.asarray(
        cv2.remap(
            small,
            np.broadcast_to(x[None], (len(y), len(x))).copy(),
            np.broadcast_to(y[:, None], (len(y), len(x))).copy(),
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        )
    )


def _spans(length: int) -> list[tuple[int, int, NDArray[np.float32]]]:
    """Where tiles begin along one side, how long they are, and the weight along them; the weights of all add up to one."""
    if length <= TILE_PX:
        tall = max(_STEP_PX, -(-length // _STEP_PX) * _STEP_PX)
        return [(0, tall, np.ones(tall, np.float32))]
    stride = TILE_PX - SHARED_PX
    starts = list(range(0, length - SHARED_PX, stride))
    ramp = (np.arange(SHARED_PX, dtype=np.float32) + 0.5) / SHARED_PX
    spans = []
    for k, start in enumerate(starts):
        tall = min(TILE_PX, -(-(length - start) // _STEP_PX) * _STEP_PX)
        weight = np.ones(tall, np.float32)
        if k > 0:
            weight[:SHARED_PX] = ramp
        if k + 1 < len(starts):
            weight[stride : stride + SHARED_PX] = ramp[::-1]
        spans.append((start, tall, weight))
    return spans
