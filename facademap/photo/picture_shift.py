"""How far two rectified pictures of one wall disagree, from the places of their texture."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["PictureShift", "measure_shift"]

Floats = NDArray[np.floating[Any]]

_TILE_PX = 128
#: Peak of the correlation from which two tiles are taken to show the same texture.
_LEAST_RESPONSE = 0.15
_FEWEST_TILES = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class PictureShift:
    """Second picture less the first.

    Parameters
    ----------
    du_m, dv_m : float
        Median of the tiles, along and up.
    spread_m : float
        95 of 100 tiles lie within it of the median.
    n : int
        Tiles compared.
    """

    du_m: float
    dv_m: float
    spread_m: float
    n: int


def measure_shift(
    first: NDArray[np.uint8], second: NDArray[np.uint8], seen: NDArray[np.bool_], *, gsd_m: float
) -> PictureShift | None:
    """Shift between two pictures on one grid; None where too little texture is common to both.

    Parameters
    ----------
    first, second : ndarray of uint8, shape (rows, columns)
        Grey.
    seen : ndarray of bool, shape (rows, columns)
        Where both show the wall.
    gsd_m : float

    Notes
    -----
    Phase correlation of tiles (Kuglin and Hines 1975); shifts beyond a third of a tile are not found.
    """
    window = cv2.createHanningWindow((_TILE_PX, _TILE_PX), cv2.CV_32F)
    found = []
    step = _TILE_PX // 2
    for top in range(0, first.shape[0] - _TILE_PX + 1, step):
        for left in range(0, first.shape[1] - _TILE_PX + 1, step):
            part = slice(top, top + _TILE_PX), slice(left, left + _TILE_PX)
            if not seen[part].all():
                continue
            a, b = first[part].astype(np.float32), second[part].astype(np.float32)
            if min(a.std(), b.std()) < 2:
                continue
            (dx, dy), response = cv2.phaseCorrelate(a, b, window)
            if response >= _LEAST_RESPONSE and max(abs(dx), abs(dy)) < _TILE_PX / 3:
                found.append((dx, -dy))
    if len(found) < _FEWEST_TILES:
        return None
    shift = np.asarray(found) * gsd_m
    middle = np.median(shift, axis=0)
    spread = float(np.quantile(np.hypot(*(shift - middle).T), 0.95))
    return PictureShift(du_m=float(middle[0]), dv_m=float(middle[1]), spread_m=spread, n=len(found))
