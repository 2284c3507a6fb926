"""The colour and grain of a face from its photo, as values for the table of faces."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from facademap.errors import InputError
from facademap.photo.colour import ColourCorrection
from facademap.salvage.appearance import measure_appearance
from facademap.salvage.face_picture import COMPARE_GSD_M, flat_face, sound_mask

__all__ = ["UNCALIBRATED", "face_colour"]

#: Fewer pixels than this say nothing about a stone; small faces are then looked at twice or four times as finely.
_FEWEST_PX = 1200
UNCALIBRATED = "the colour is not made true by a chart or a grey card: it ranks blocks, and no more"


def face_colour(
    picture: NDArray[np.uint8],
    outline_m: ArrayLike,
    flaws_m: Iterable[ArrayLike],
    matrix: ArrayLike,
    *,
    face: Mapping[str, Any],
    correction: ColourCorrection | None = None,
) -> dict[str, Any]:
    """Measure the appearance of a face.

    Parameters
    ----------
    picture : ndarray of uint8, shape (rows, cols, 3)
    outline_m, flaws_m : array_like, iterable of array_like
        Rings in metres of the face.
    matrix : array_like, shape (3, 3)
        Homography from metres of the face to pixels.
    face : mapping
        Row of the table of faces: its ``wetness``, ``weathered`` and ``finish`` say the state.
    correction : ColourCorrection, optional
        What makes the colours of the picture true.

    Returns
    -------
    dict
        Columns ``lab`` to ``appearance`` of the table of faces.

    Raises
    ------
    InputError
        No sound stone is seen.
    """
    outline, flaws = np.asarray(outline_m, dtype=float), list(flaws_m)
    ring = cv2.perspectiveTransform(outline[None], np.asarray(matrix, dtype=float))[0]
    if (ring.max(axis=0) < 0).any() or (ring.min(axis=0) > picture.shape[1::-1]).any():
        raise InputError(
            "no sound stone is seen in its photo", "Check face_corners_px and the outline."
        )
    for gsd_m in (COMPARE_GSD_M, COMPARE_GSD_M / 2, COMPARE_GSD_M / 4):
        sound = sound_mask(outline, flaws, gsd_m=gsd_m)
        if np.count_nonzero(sound) >= _FEWEST_PX:
            break
    if not sound.any():
        raise InputError(
            "no sound stone is seen in its photo", "Check face_corners_px and the outline."
        )
    flat = flat_face(picture, outline, matrix, gsd_m=gsd_m)
    found = measure_appearance(
        correction.srgb8(flat) if correction else flat,
        sound,
        gsd_m=gsd_m,
        wetness=face.get("wetness") or "dry",
        weathered=face.get("weathered") in (True, 1, "yes", "true"),
        finish=face.get("finish") or "",
        calibrated=correction is not None,
    )
    return {
        "lab": found.lab.tolist(),
        "lab_covariance": found.covariance.tolist(),
        "lab_n": found.n,
        "spread": found.spread,
        "calibrated": found.calibrated,
        "appearance": found.as_record(),
    }
