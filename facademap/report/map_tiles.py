"""The picture of a wall as a pyramid of JPEG tiles, for the condition map."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from typing import Any

import numpy as np
import simplejpeg
from numpy.typing import NDArray

__all__ = ["TILE_PX", "count_levels", "pyramid_tiles"]

TILE_PX = 512
#: Ground behind the wall where no photo shows it.
_GROUND = np.array([223, 226, 226], np.uint8)

Bytes = NDArray[np.uint8]


def count_levels(width_px: int, height_px: int) -> int:
    """Levels of a pyramid whose coarsest level fits one tile."""
    return max(1, math.ceil(math.log2(max(width_px, height_px) / TILE_PX)) + 1)


def pyramid_tiles(
    read: Callable[[int, int, int], tuple[Bytes, Bytes] | None],
    width_px: int,
    height_px: int,
    *,
    quality: int = 80,
    progress: Callable[[float], None] | None = None,
) -> Iterator[tuple[str, bytes]]:
    """Every tile that shows some of the wall.

    Parameters
    ----------
    read : callable
        ``read(reduction, column, row)`` gives colours (h, w, 3) and mask (h, w) of one tile of the level
        that is reduced by the factor ``reduction``, or ``None`` outside.
    width_px, height_px : int
        Size of the finest level.
    quality : int
        JPEG quality.

    Yields
    ------
    key : str
        ``z/x/y``; z = 0 is the coarsest level.
    jpeg : bytes
    """
    levels = count_levels(width_px, height_px)
    todo = [
        (z, c, r)
        for z in range(levels)
        for r in range(math.ceil(height_px / 2 ** (levels - 1 - z) / TILE_PX))
        for c in range(math.ceil(width_px / 2 ** (levels - 1 - z) / TILE_PX))
    ]
    for number, (z, column, row) in enumerate(todo):
        found = read(2 ** (levels - 1 - z), column, row)
        if found is not None and found[1].any():
            yield f"{z}/{column}/{row}", encode_tile(*found, quality=quality)
        if progress is not None:
            progress((number + 1) / len(todo))


def encode_tile(rgb: Bytes, mask: Bytes, *, quality: int) -> bytes:
    """One tile as JPEG, filled up to full size, plain ground where the wall is not seen."""
    tile = np.empty((TILE_PX, TILE_PX, 3), np.uint8)
    tile[:] = _GROUND
    height, width = mask.shape
    tile[:height, :width] = np.where(mask[..., None] > 0, rgb, _GROUND)
    encoded: Any = simplejpeg.encode_jpeg(
        tile, quality=quality, colorspace="RGB", colorsubsampling="420"
    )
    return bytes(encoded)
