"""What a network that has learned what damage looks like sees in a picture: kinds of damage, and the region that clicks point at.

It was trained on rendered walls only (``benchmarks/damage_net``), so every photograph is new to it. Where there is a relief it
is looked at, too; where there is none, the picture alone speaks.

References
----------
.. [1] O. Ronneberger, P. Fischer, T. Brox, "U-Net: convolutional networks for biomedical image segmentation", MICCAI
   2015: the shape of the network.
"""

from __future__ import annotations

import threading
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from facademap.condition.network_files import network_session
from facademap.condition.tiles import STEP_PX, boxed, enlarged, spans, surroundings
from facademap.values import frozen_value

__all__ = ["FILE", "KINDS", "DamageSeen", "look_at_clicks", "look_for_damage"]

Floats = NDArray[Any]

FILE = "damage_net.onnx"
#: Terms of the glossary in the order of the network's maps; an earlier repair is told as one, what it is made of is not.
KINDS = (
    "cement repair",
    "missing part",
    "black crust",
    "biological colonization",
    "efflorescence",
    "moist area",
    "open joint",
)
#: The relief over its surroundings goes in, in this unit and cut off beyond so many of it; clicks are spots of this width.
_UNIT_M, _MOST_UNITS, _AROUND_PX, _CLICK_PX = 0.008, 4.0, 255, 5.0
_BANDS, _COARSER = 7, 8
_lock = threading.Lock()


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class DamageSeen:
    """Share of each of ``KINDS``, bytes 0 to 255, shape (kinds, rows, columns), and of the region clicked, shape (rows, columns)."""

    kinds: NDArray[np.uint8]
    region: NDArray[np.uint8]


def look_for_damage(rgb: NDArray[np.uint8], relief_m: Floats | None = None) -> DamageSeen:
    """What the network sees.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (rows, columns, 3)
    relief_m : ndarray, shape (rows, columns), optional
        How far the surface stands out, metres; not a number where unknown.

    Returns
    -------
    DamageSeen
        Maps of shape (rows, columns).

    Raises
    ------
    InputError
        onnxruntime or the network is not installed.
    """
    rows, columns = rgb.shape[:2]
    mean, spread = surroundings(rgb)
    depth = _relief_bands(relief_m, (rows, columns))
    maps = np.zeros((len(KINDS) + 2, rows, columns), np.uint8)
    for top, tall, down in spans(rows):
        for left, wide, along in spans(columns):
            bottom, right = min(top + tall, rows), min(left + wide, columns)
            part, place = np.s_[top:bottom, left:right], (left, top, right, bottom)
            view = np.zeros((_BANDS, bottom - top, right - left), np.float32)
            colours = rgb[part].astype(np.float32) - enlarged(mean, place)[..., None]
            view[:3] = (colours / enlarged(spread, place)[..., None]).transpose(2, 0, 1)
            if depth is not None:
                view[3:5] = depth[:, top:bottom, left:right]
            weight = 255 * down[: bottom - top, None] * along[None, : right - left]
            maps[:, top:bottom, left:right] += np.round(_asked(view, tall, wide) * weight).astype(
                np.uint8
            )
    return DamageSeen(kinds=maps[1:-1], region=maps[-1])


def look_at_clicks(
    rgb: NDArray[np.uint8],
    inside: Sequence[Sequence[float]],
    outside: Sequence[Sequence[float]] = (),
    relief_m: Floats | None = None,
) -> DamageSeen:
    """What the network sees in one view when it is told places inside and outside one damage.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (rows, columns, 3)
        View of some hundreds of pixels each way.
    inside, outside : sequence of (x, y)
        Places in pixels.
    relief_m : ndarray, shape (rows, columns), optional

    Returns
    -------
    DamageSeen
        ``region`` is what the places point at.

    Raises
    ------
    InputError
        onnxruntime or the network is not installed.
    """
    rows, columns = rgb.shape[:2]
    view = np.zeros((_BANDS, rows, columns), np.float32)
    colours = rgb.astype(np.float32)
    view[:3] = ((colours - colours.mean()) / max(float(colours.std()), 6.0)).transpose(2, 0, 1)
    depth = _relief_bands(relief_m, (rows, columns))
    if depth is not None:
        view[3:5] = depth
    y, x = np.mgrid[0:rows, 0:columns].astype(np.float32)
    for band, places in ((5, inside), (6, outside)):
        for at_x, at_y in places:
            spot = np.exp(-((x - at_x) ** 2 + (y - at_y) ** 2) / (2 * _CLICK_PX**2))
            view[band] = np.maximum(view[band], spot)
    tall, wide = (-(-n // STEP_PX) * STEP_PX for n in (rows, columns))
    maps = np.round(255 * _asked(view, tall, wide)).astype(np.uint8)
    return DamageSeen(kinds=maps[1:-1], region=maps[-1])


def _asked(view: Floats, tall: int, wide: int) -> Floats:
    """The answer of the network to a view that is grown to ``tall`` by ``wide``."""
    rows, columns = view.shape[1:]
    grown = np.pad(view, ((0, 0), (0, tall - rows), (0, wide - columns)), mode="edge")
    with _lock:
        session = network_session(FILE, purpose="looking for damage")
        (answer,) = session.run(["maps"], {"view": np.ascontiguousarray(grown[None])})
    return np.asarray(answer[0, :, :rows, :columns])


def _relief_bands(relief_m: Floats | None, shape: tuple[int, int]) -> Floats | None:
    """Relief over its surroundings in the network's unit, and where it is known; None without one."""
    if relief_m is None or not np.isfinite(relief_m).any():
        return None
    known = np.isfinite(relief_m)
    size = tuple(max(1, round(n / _COARSER)) for n in shape[::-1])
    share = cv2.resize(known.astype(np.float32), size, interpolation=cv2.INTER_AREA)
    height = cv2.resize(
        np.where(known, relief_m, 0).astype(np.float32), size, interpolation=cv2.INTER_AREA
    )
    window = _AROUND_PX // _COARSER
    small = boxed(np.asarray(height, np.float32), window)
    small /= np.maximum(boxed(np.asarray(share, np.float32), window), 1e-3)
    around = cv2.resize(small, shape[::-1], interpolation=cv2.INTER_LINEAR)
    units = np.clip((relief_m - around) / _UNIT_M, -_MOST_UNITS, _MOST_UNITS)
    return np.stack([np.where(known, units, 0), known]).astype(np.float32)
