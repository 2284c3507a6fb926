"""The stone under a click, as the network that outlines whole walls sees it among its neighbours.

The first network's answer tells how large the stone may be; it is looked at so that it is some dozens of pixels broad, and
once more where it turns out larger or smaller.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray

from facademap.condition.network_files import network_is_there
from facademap.condition.wall_net import FILE, look
from facademap.condition.wall_outlines import likelihood_of
from facademap.condition.wall_regions import Region, regions_of
from facademap.errors import InputError

__all__ = ["stone_among_neighbours", "stones_in_view"]

Floats = NDArray[Any]

#: Side of a look and the breadth at which the stone is wanted in it.
SIDE_PX, BREADTH_PX = 320, 64.0
#: A stone this many times broader or narrower than wanted is looked at again.
_OFF = 1.8
_FINEST, _LOOKS = 3.0, 3
#: Stones of a view are looked for at this sample distance, on at most so many pixels a side, and kept from this likelihood on.
VIEW_GSD_M, VIEW_PX, LIKELY = 0.005, 640, 0.5


def stone_among_neighbours(
    rgb: NDArray[Any], x_px: float, y_px: float, *, breadth_px: float | None = None
) -> tuple[Floats, float] | None:
    """Ring of the stone under a click and the likelihood that it is right.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (rows, columns, 3)
    x_px, y_px : float
    breadth_px : float, optional
        How broad it may be; the picture's pixels are taken as they are where nobody knows.

    Returns
    -------
    tuple of ndarray, shape (n, 2), and float; or None where no stone is seen or the network is not installed
    """
    if not network_is_there(FILE):
        return None
    scale = BREADTH_PX / breadth_px if breadth_px else 1.0
    best: tuple[Floats, float] | None = None
    for _ in range(_LOOKS):
        scale = min(max(scale, SIDE_PX / 2 / max(rgb.shape[:2])), _FINEST)
        try:
            found = _looked(rgb, (x_px, y_px), scale)
        except InputError:
            return None  # onnxruntime is not installed: the first network alone answers
        if found is None:
            break
        ring, region = found
        likelihood = likelihood_of(region)
        if best is None or likelihood > best[1]:
            best = ring, likelihood
        wanted = BREADTH_PX / region.breadth_px
        if 1 / _OFF < wanted < _OFF or (scale == _FINEST and wanted > 1):
            break
        scale *= wanted
    return best


def stones_in_view(rgb: NDArray[Any], *, gsd_m: float) -> list[Floats]:
    """Rings of all stones seen in a view, in one look at the sample distance at which walls are looked at.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (rows, columns, 3)
    gsd_m : float
        Its sample distance.

    Returns
    -------
    list of ndarray, shape (n, 2)
        Places (x, y) in pixels of the view; empty where none are seen.
    """
    if not network_is_there(FILE):
        return []
    scale = min(_FINEST, gsd_m / VIEW_GSD_M, VIEW_PX / max(rgb.shape[:2]))
    size = tuple(max(1, round(n * scale)) for n in rgb.shape[1::-1])
    how = cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC
    exact = np.array(size) / rgb.shape[1::-1]
    found = regions_of(look(np.asarray(cv2.resize(rgb, size, interpolation=how), np.uint8)))
    return [
        (r.ring_px + 0.5) / exact - 0.5 for r in found if not r.cut and likelihood_of(r) > LIKELY
    ]


def _looked(
    rgb: NDArray[Any], click: tuple[float, float], scale: float
) -> tuple[Floats, Region] | None:
    """The stone in one look round the click, in pixels of the picture."""
    half = SIDE_PX / 2 / scale
    rows, columns = rgb.shape[:2]
    left, right = _span(click[0], half, columns)
    top, bottom = _span(click[1], half, rows)
    part = rgb[top:bottom, left:right]
    size = (
        max(1, min(SIDE_PX, round(part.shape[1] * scale))),
        max(1, min(SIDE_PX, round(part.shape[0] * scale))),
    )
    how = cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC
    small = np.asarray(cv2.resize(part, size, interpolation=how), np.uint8)
    exact = np.array(size) / [part.shape[1], part.shape[0]]
    place = (np.array(click) - [left, top] + 0.5) * exact - 0.5
    point = shapely.Point(place)
    for region in regions_of(look(small)):
        if shapely.make_valid(shapely.Polygon(region.ring_px)).contains(point):
            return (region.ring_px + 0.5) / exact - 0.5 + [left, top], region
    return None


def _span(middle: float, half: float, length: int) -> tuple[int, int]:
    """A span of twice ``half`` round a place, moved into the picture where it can be."""
    wide = min(length, max(8, round(2 * half)))
    low = int(np.clip(round(middle - half), 0, length - wide))
    return low, low + wide
