"""Outlines by a small network that has learned what masonry looks like.

The network sees square views round the click and tells for each pixel how likely it belongs to what was clicked. It is
asked about views from near to far, since nobody told how large a stone is; the view in which the answer is clearest is
taken, and asked again with the stone in the middle, as seen and as in a mirror. It was trained on rendered walls only
(``benchmarks/outline_net``), so every photograph is new to it.

References
----------
.. [1] O. Ronneberger, P. Fischer, T. Brox, "U-Net: convolutional networks for biomedical image segmentation", MICCAI
   2015: the shape of the network.
.. [2] N. Xu et al., "Deep interactive object selection", CVPR 2016: the click as a further band of the picture.
"""

from __future__ import annotations

import threading
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from facademap.values import frozen_value

__all__ = ["Likely", "likely_outline"]

Floats = NDArray[Any]

SIDE_PX = 128
#: Half sides of the views, pixels of the picture.
_NEAREST_PX, _FARTHER, _VIEWS = 18.0, 1.5, 10
#: Share of a view that the stone fills when it is asked again.
_FILLS = 0.72
#: Smallest extent in a view that counts in full.
_WELL_SEEN_PX = 35
_FINER = 4
#: Likelihood from which a pixel belongs to the stone in the last answer.
_INSIDE = 0.6
_CLICK_PX, _NEAR_CLICK_PX = 2.5, 14.0
_lock = threading.Lock()


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class Likely:
    """A ring (x, y) and how clearly it was seen, 0 to 1."""

    ring_px: Floats
    clear: float


@cache
def _network() -> Any:
    data = files("facademap.condition").joinpath("outline_net.onnx").read_bytes()
    return cv2.dnn.readNetFromONNX(np.frombuffer(data, np.uint8))


def _asked(views: Floats) -> Floats:
    """Likelihood of each pixel, shape (views, side, side)."""
    with _lock:
        network = _network()
        network.setInput(views)
        return np.array(network.forward()[:, 0])


def likely_outline(rgb: NDArray[Any], x_px: float, y_px: float) -> Likely | None:
    """The likeliest outline round a click, or None.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (rows, columns, 3)
    x_px, y_px : float
    """
    longest = max(rgb.shape[:2])
    halves = [h for h in _NEAREST_PX * _FARTHER ** np.arange(_VIEWS) if h < longest] or [
        longest / 2
    ]
    click = np.array([x_px, y_px])
    answers = _asked(np.stack([_view(rgb, click, click, half) for half in halves]))
    best: tuple[float, Floats, float] | None = None
    for likely, half in zip(answers, halves, strict=True):
        scale = SIDE_PX / 2 / half
        part = _part_at(likely > 0.5, (SIDE_PX - 1) / 2, (SIDE_PX - 1) / 2)
        if part is None:
            continue
        box = np.array(cv2.boundingRect(part), dtype=float)
        clear = _clearness(likely, part) * min(1.0, float(box[2:].max()) / _WELL_SEEN_PX)
        if best is None or clear > best[0]:
            middle = click + (box[:2] + (box[2:] - 1) / 2 - (SIDE_PX - 1) / 2) / scale
            best = (clear, middle, float(box[2:].max()) / scale / 2 / _FILLS)
    if best is None:
        return None
    return _again(rgb, click, best[1], [best[2], 1.25 * best[2]])


def _again(
    rgb: NDArray[Any], click: Floats, middle: Floats, halves: Sequence[float]
) -> Likely | None:
    """The outline from near views with the stone in the middle, their answers taken together."""
    views = np.stack([_view(rgb, click, middle, half) for half in halves])
    answers = _asked(np.concatenate([views, views[..., ::-1]]))
    first, second = 0.5 * (answers[:2] + answers[2:, :, ::-1])
    side = SIDE_PX * _FINER
    fine = cv2.resize(first, (side, side), interpolation=cv2.INTER_LINEAR)
    ratio = halves[0] / halves[1]
    to_first = np.array(
        [[_FINER / ratio, 0, (side - 1) / 2 - _FINER / ratio * (SIDE_PX - 1) / 2]] * 2
    )
    to_first[1] = to_first[1, [1, 0, 2]]
    fine = 0.5 * fine + 0.5 * cv2.warpAffine(second, to_first, (side, side), flags=cv2.INTER_LINEAR)
    scale = SIDE_PX / 2 / halves[0]
    place = ((click - middle) * scale + (SIDE_PX - 1) / 2 + 0.5) * _FINER - 0.5
    part = _part_at(fine > _INSIDE, *place)
    if part is None:
        return None
    contours, _ = cv2.findContours(part, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    ring = cv2.approxPolyDP(max(contours, key=cv2.contourArea), 0.7 * _FINER, True)[:, 0].astype(
        float
    )
    if len(ring) < 3:
        return None
    ring = (ring + 0.5) / _FINER - 0.5
    return Likely(ring_px=(ring - (SIDE_PX - 1) / 2) / scale + middle, clear=_clearness(fine, part))


def _view(rgb: NDArray[Any], click: Floats, middle: Floats, half: float) -> Floats:
    """Five bands of a view: colours about their mean, and the click narrow and wide."""
    scale = SIDE_PX / 2 / half
    low = np.maximum((middle - half - 2).astype(int), 0)
    part = rgb[
        low[1] : max(int(middle[1] + half) + 3, low[1] + 2),
        low[0] : max(int(middle[0] + half) + 3, low[0] + 2),
    ]
    centre, reduced = middle - low, scale
    if scale < 1:
        factor = max(1, int(1 / scale))
        part = (
            part
            if factor == 1
            else cv2.resize(part, None, fx=1 / factor, fy=1 / factor, interpolation=cv2.INTER_AREA)
        )
        centre, reduced = (centre + 0.5) / factor - 0.5, scale * factor
    shift = (SIDE_PX - 1) / 2 - reduced * centre
    seen = cv2.warpAffine(
        part,
        np.array([[reduced, 0, shift[0]], [0, reduced, shift[1]]]),
        (SIDE_PX, SIDE_PX),
        flags=cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REFLECT,
    ).astype(np.float32)
    seen -= seen.mean(axis=(0, 1))
    seen /= max(float(seen.std()), 4.0)
    at = (click - middle) * scale + (SIDE_PX - 1) / 2
    y, x = np.mgrid[0:SIDE_PX, 0:SIDE_PX]
    away = (x - at[0]) ** 2 + (y - at[1]) ** 2
    bands = [
        *seen.transpose(2, 0, 1),
        np.exp(-away / (2 * _CLICK_PX**2)),
        np.exp(-away / (2 * _NEAR_CLICK_PX**2)),
    ]
    return np.stack(bands).astype(np.float32)


def _part_at(mask: NDArray[np.bool_], x: float, y: float) -> NDArray[np.uint8] | None:
    """The connected part of a mask that holds a place."""
    column, row = (int(np.clip(round(v), 0, len(mask) - 1)) for v in (x, y))
    if not mask[row, column]:
        return None
    _, labels = cv2.connectedComponents(mask.astype(np.uint8), connectivity=4)
    return np.asarray(labels == labels[row, column], np.uint8)


def _clearness(likely: Floats, part: NDArray[np.uint8]) -> float:
    """How far the likelihood inside is from that just outside; half of it where the part runs out of the view."""
    reach = max(9, 2 * (len(part) // 28) + 1)
    rim = cv2.dilate(part, np.ones((reach, reach), np.uint8)) > part
    if not rim.any():
        return 0.0
    left, top, width, height = cv2.boundingRect(part)
    last = len(part) - 2
    whole = left >= 2 and top >= 2 and left + width <= last and top + height <= last
    return max(0.0, float(likely[part > 0].mean() - likely[rim].mean())) * (1.0 if whole else 0.5)
