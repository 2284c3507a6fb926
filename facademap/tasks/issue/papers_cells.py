"""Cells of a raster of the wall as the picture under a drawing."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from facademap.wall.grid import PixelGrid

__all__ = ["cells_as_picture"]

Box = tuple[float, float, float, float]
#: Cells are enlarged so that their edges stay sharp on paper.
_MOST_ENLARGED = 4


def cells_as_picture(
    grid: PixelGrid,
    paint: Callable[[tuple[slice, slice], int], NDArray[Any]],
    box: Box,
    most_px: int,
) -> tuple[bytes, Box] | None:
    """The cells of a box as JPEG, and the box that they cover; nothing where the box lies beside the grid.

    Parameters
    ----------
    grid : PixelGrid
    paint : callable
        From a part of the grid and how many cells become one, to RGB.
    box : (u0, v0, u1, v1)
    most_px : int
        Longer side of the picture.
    """
    from facademap.report.face_picture import encode_jpeg

    cell = grid.gsd_m
    j0, j1 = (round((u - grid.left_m) / cell) for u in (box[0], box[2]))
    i0, i1 = (round((grid.top_m - v) / cell) for v in (box[3], box[1]))
    j0, i0, j1, i1 = max(0, j0), max(0, i0), min(grid.width_px, j1), min(grid.height_px, i1)
    if j1 <= j0 or i1 <= i0:
        return None
    thin = max(1, -(-max(i1 - i0, j1 - j0) // max(most_px, 1)))
    rgb = paint((slice(i0, i1, thin), slice(j0, j1, thin)), thin)
    larger = min(_MOST_ENLARGED, most_px // max(rgb.shape[:2]))
    if larger > 1:
        rgb = np.asarray(
            cv2.resize(rgb, None, fx=larger, fy=larger, interpolation=cv2.INTER_NEAREST),
            dtype=np.uint8,
        )
    covered = (
        grid.left_m + j0 * cell,
        grid.top_m - i1 * cell,
        grid.left_m + j1 * cell,
        grid.top_m - i0 * cell,
    )
    return encode_jpeg(np.ascontiguousarray(rgb), quality=88), covered
