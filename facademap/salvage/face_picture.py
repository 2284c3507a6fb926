"""The face of a block laid flat at one scale, so that it can be compared with the wall."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Any

import cv2
import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray

from facademap.errors import InputError

__all__ = ["COMPARE_GSD_M", "RIM_M", "flat_face", "sound_mask"]

#: Walls and faces are compared at this ground sample distance: spread and grain depend on it (project rule).
COMPARE_GSD_M = 0.003
#: The rim of a face is left out of its appearance: broken edges and shadow (common practice).
RIM_M = 0.012
#: A photo is averaged from at most this many of its pixels along one side of a pixel of the flat face.
_MOST_FINER = 8


def flat_face(
    picture: NDArray[np.uint8],
    outline_m: ArrayLike,
    matrix: ArrayLike,
    *,
    gsd_m: float = COMPARE_GSD_M,
) -> NDArray[np.uint8]:
    """The box of a face from its photo, rows downward, averaged to one ground sample distance.

    Parameters
    ----------
    picture : ndarray of uint8, shape (rows, cols, 3)
    outline_m : array_like, shape (n, 2)
        Outline in metres of the face, y up.
    matrix : array_like, shape (3, 3)
        Homography from metres of the face to pixels of the photo.
    gsd_m : float

    Raises
    ------
    InputError
        The face is smaller than a few pixels, or absurdly large.
    """
    ring, to_photo = np.asarray(outline_m, dtype=float), np.asarray(matrix, dtype=float)
    (x0, y0), (x1, y1) = ring.min(axis=0), ring.max(axis=0)
    cols, rows = _size(ring, gsd_m)
    box = cv2.perspectiveTransform(np.array([[(x0, y0), (x1, y0), (x1, y1), (x0, y1)]]), to_photo)[
        0
    ]
    sides = np.hypot(*(np.roll(box, -1, axis=0) - box).T)
    photo_gsd = min((x1 - x0) / max(sides[0], 1e-9), (y1 - y0) / max(sides[1], 1e-9))
    finer = int(np.clip(math.floor(gsd_m / photo_gsd + 0.5), 1, _MOST_FINER))
    step = gsd_m / finer
    to_face = np.array([[step, 0, x0 + step / 2], [0, -step, y1 - step / 2], [0, 0, 1.0]])
    flat = cv2.warpPerspective(
        picture,
        to_photo @ to_face,
        (cols * finer, rows * finer),
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )
    if finer > 1:
        flat = cv2.resize(flat, (cols, rows), interpolation=cv2.INTER_AREA)
    return np.asarray(flat, np.uint8)


def sound_mask(
    outline_m: ArrayLike,
    flaws_m: Iterable[ArrayLike],
    *,
    gsd_m: float = COMPARE_GSD_M,
    rim_m: float = RIM_M,
) -> NDArray[np.bool_]:
    """Pixels of `flat_face` that show sound stone: without its rim and its flaws."""
    ring = np.asarray(outline_m, dtype=float)
    sound = shapely.Polygon(ring).buffer(-rim_m)
    for flaw in flaws_m:
        sound = sound.difference(shapely.Polygon(flaw).buffer(rim_m / 2))
    cols, rows = _size(ring, gsd_m)
    x0, y1 = ring[:, 0].min(), ring[:, 1].max()
    mask = np.zeros((rows, cols), np.uint8)
    for part in shapely.get_parts(sound):
        for number, edge in enumerate((part.exterior, *part.interiors)):
            corners = np.asarray(edge.coords)
            pixels = np.column_stack(
                [(corners[:, 0] - x0) / gsd_m - 0.5, (y1 - corners[:, 1]) / gsd_m - 0.5]
            )
            cv2.fillPoly(mask, [np.round(pixels).astype(np.int32)], 0 if number else 1)
    return mask.astype(bool)


def _size(ring: NDArray[Any], gsd_m: float) -> tuple[int, int]:
    cols, rows = (max(1, round(float(v) / gsd_m)) for v in np.ptp(ring, axis=0))
    if cols * rows > 50_000_000:
        raise InputError(
            f"the face would be {cols} x {rows} pixels", "Check the size of its outline."
        )
    return cols, rows
