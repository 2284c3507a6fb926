"""A patch that stands out under a click by its colour and its texture: a spall, a stain, growth, a repair.

The pixels round the click that differ little from it are taken together, and the more difference is allowed the farther
they reach. Where the patch stays the same while the allowance grows, its border is seen; the longer it stays, and the more
what lies outside differs, the more distinct it is.

References
----------
.. [1] J. Matas et al., "Robust wide baseline stereo from maximally stable extremal regions", BMVC 2002: regions that stay the
   same over a range of thresholds.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from facademap.values import frozen_value

__all__ = ["Patch", "patch_at"]

Floats = NDArray[Any]

#: Half sides of the views, pixels of the picture, and the side to which they are reduced.
_REACHES_PX, _SIDE_PX = (26, 60, 140, 330), 144
#: Differences that are allowed, in units of CIELAB: the first, the growth from one to the next, and their number.
_FIRST, _GROWTH, _STEPS = 2.5, 1.16, 22
#: Weight of a difference in texture against one in colour, and half the side of what counts as the click, pixels.
_TEXTURE, _CLICK_PX = 1.5, 3
#: Smallest patch in a view, and the difference to what lies outside that counts in full.
_SMALLEST_PX, _FULL_DIFFERENCE = 90, 12.0
#: The border is traced this many times as fine as the view, and simplified by this many pixels of the view.
_FINER, _SIMPLE_PX = 4, 0.6


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class Patch:
    """A ring (x, y) and how distinct it is, 0 to 1."""

    ring_px: Floats
    distinct: float


def patch_at(rgb: NDArray[Any], x_px: float, y_px: float) -> Patch | None:
    """The most distinct patch round a click over views from near to far, or None.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (rows, columns, 3)
    x_px, y_px : float
    """
    best: Patch | None = None
    for reach in _REACHES_PX:
        if reach > max(rgb.shape[:2]):
            break
        left, top = max(0, int(x_px - reach)), max(0, int(y_px - reach))
        part = rgb[top : int(y_px + reach) + 1, left : int(x_px + reach) + 1]
        scale = min(1.0, _SIDE_PX / 2 / reach)
        small = (
            part
            if scale == 1.0
            else cv2.resize(part, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
        )
        if min(small.shape[:2]) < 16:
            continue
        seed = round((y_px - top + 0.5) * scale - 0.5), round((x_px - left + 0.5) * scale - 0.5)
        found = _most_stable(_differences(small, seed), seed)
        if found is not None and (best is None or found.distinct > best.distinct):
            best = Patch(
                ring_px=(found.ring_px + 0.5) / scale - 0.5 + np.array([left, top]),
                distinct=found.distinct,
            )
    return best


def _differences(rgb: NDArray[Any], seed: tuple[int, int]) -> Floats:
    """How far the colour and the texture of each pixel are from those at the click."""
    lab = cv2.cvtColor(rgb.astype(np.float32) / 255.0, cv2.COLOR_RGB2LAB)
    smooth = cv2.GaussianBlur(lab, (0, 0), 1.3)
    texture: Any = np.sqrt(cv2.blur((lab[..., 0] - smooth[..., 0]) ** 2, (7, 7)))
    seen = np.dstack([smooth, _TEXTURE * cv2.GaussianBlur(texture, (0, 0), 2.0)])
    row, column = seed
    here = seen[
        max(0, row - _CLICK_PX) : row + _CLICK_PX + 1,
        max(0, column - _CLICK_PX) : column + _CLICK_PX + 1,
    ]
    away = np.linalg.norm(seen - np.median(here.reshape(-1, here.shape[-1]), axis=0), axis=2)
    away[max(0, row - 1) : row + 2, max(0, column - 1) : column + 2] = 0.0
    return np.asarray(away)


def _most_stable(away: Floats, seed: tuple[int, int]) -> Patch | None:
    """The patch that stays most the same while more difference is allowed; none that runs out of the view."""
    grown: list[NDArray[np.bool_]] = []
    for allowed in _FIRST * _GROWTH ** np.arange(_STEPS):
        _, labels, told, _ = cv2.connectedComponentsWithStats(
            (away < allowed).astype(np.uint8), connectivity=4
        )
        left, top, width, height, _ = told[labels[seed]]
        if left == 0 or top == 0 or left + width == away.shape[1] or top + height == away.shape[0]:
            break
        grown.append(labels == labels[seed])
    best: tuple[float, NDArray[np.uint8]] | None = None
    sizes = [int(part.sum()) for part in grown]
    for k in range(2, len(grown) - 1):
        if sizes[k] < _SMALLEST_PX:
            continue
        opened = cv2.morphologyEx(
            grown[k].astype(np.uint8), cv2.MORPH_OPEN, np.ones((3, 3), np.uint8)
        )
        contours, _ = cv2.findContours(opened, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
        if not contours:
            continue
        border = max(contours, key=cv2.contourArea)
        whole = cv2.drawContours(np.zeros_like(opened), [border], -1, 1, -1)
        if not whole[seed]:
            continue
        rim = (cv2.dilate(whole, np.ones((9, 9), np.uint8)) > 0) & (
            cv2.dilate(whole, np.ones((3, 3), np.uint8)) == 0
        )
        difference = float(np.median(away[rim]) - np.median(away[whole > 0])) if rim.any() else 0.0
        compact = cv2.contourArea(border) / max(cv2.contourArea(cv2.convexHull(border)), 1.0)
        distinct = sizes[k - 2] / sizes[k + 1] * min(1.0, difference / _FULL_DIFFERENCE) * compact
        if best is None or distinct > best[0]:
            best = distinct, np.asarray(whole, np.uint8)
    return None if best is None else Patch(ring_px=_border(best[1]), distinct=best[0])


def _border(whole: NDArray[np.uint8]) -> Floats:
    """Ring round a patch, without the steps of its pixels."""
    fine = cv2.resize(
        cv2.GaussianBlur(whole.astype(np.float32), (0, 0), 0.6),
        None,
        fx=_FINER,
        fy=_FINER,
        interpolation=cv2.INTER_LINEAR,
    )
    contours, _ = cv2.findContours(
        (fine > 0.5).astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE
    )
    ring = cv2.approxPolyDP(max(contours, key=cv2.contourArea), _SIMPLE_PX * _FINER, True)[
        :, 0
    ].astype(float)
    return np.asarray((ring + 0.5) / _FINER - 0.5)
