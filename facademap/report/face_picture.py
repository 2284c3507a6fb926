"""The face of a block as seen square on, cut from its photo."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from facademap.errors import InputError

__all__ = ["FacePicture", "encode_jpeg", "rectify_face"]


@dataclass(frozen=True, slots=True, kw_only=True)
class FacePicture:
    """A JPEG that covers a box of the face frame.

    Parameters
    ----------
    jpeg : bytes
        The picture, y up in the face frame being up in it.
    x0_m, y0_m, x1_m, y1_m : float
        Box covered.
    """

    jpeg: bytes
    x0_m: float
    y0_m: float
    x1_m: float
    y1_m: float


def encode_jpeg(rgb: npt.NDArray[np.uint8], *, quality: int = 82) -> bytes:
    """An RGB array as JPEG."""
    done, data = cv2.imencode(
        ".jpg", cv2.cvtColor(rgb, cv2.COLOR_RGB2BGR), [cv2.IMWRITE_JPEG_QUALITY, quality]
    )
    if not done:
        raise InputError(
            "a picture could not be encoded", "Use pictures of 8 bits with three bands."
        )
    return bytes(data.tobytes())


def rectify_face(
    rgb: npt.NDArray[np.uint8],
    matrix: Any,
    *,
    outline: Any,
    border: float = 0.06,
    width_px: int = 900,
) -> FacePicture:
    """Cut a face out of its photo and turn it square.

    Parameters
    ----------
    rgb : (h, w, 3) array
        The photo.
    matrix : (3, 3) nested list
        Homography from metres of the face to pixels of the photo (pixel centres at whole numbers).
    outline : list of [x_m, y_m]
        Outline of the face; its box, with a border, is what is shown.
    border : float
        Share of the larger side added all round.
    width_px : int
        Pixels along the larger side.

    Raises
    ------
    InputError
        The matrix of the photo is no homography.
    """
    h = np.asarray(matrix, dtype=float)
    ring = np.asarray(outline, dtype=float)
    if h.shape != (3, 3) or not np.isfinite(h).all() or abs(np.linalg.det(h)) < 1e-12:
        raise InputError(
            "the photo's matrix is not a 3 x 3 homography", "Measure the face in its photo again."
        )
    low, high = ring.min(axis=0), ring.max(axis=0)
    grow = border * float((high - low).max())
    low, high = low - grow, high + grow
    gsd = float((high - low).max()) / width_px
    columns, rows = (max(2, round(float(s) / gsd)) for s in high - low)
    # from pixels of the result (y down) to metres of the face (y up)
    to_face = np.array([[gsd, 0, low[0] + gsd / 2], [0, -gsd, high[1] - gsd / 2], [0, 0, 1.0]])
    turned = cv2.warpPerspective(
        rgb,
        h @ to_face,
        (columns, rows),
        flags=cv2.INTER_AREA | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=(235, 235, 235),
    )
    return FacePicture(
        jpeg=encode_jpeg(np.asarray(turned, dtype=np.uint8)),
        x0_m=float(low[0]),
        y0_m=float(low[1]),
        x1_m=float(low[0] + columns * gsd),
        y1_m=float(high[1]),
    )
