"""Codes in a photo of a paper: read by several looks, since one at a screen's size misses what a closer one sees."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from facademap.errors import InputError
from facademap.io.pictures import read_picture

__all__ = ["read_codes"]

#: Long sides at which a picture is looked at, in pixels: codes are found best at some pixels a square of theirs.
_LOOKS_PX = (1200, 2000, 3200, 800)


def read_codes(path: Path) -> tuple[str, ...]:
    """What the codes in a picture say, without repeats, in the order in which they are found.

    Parameters
    ----------
    path : Path
        A photo or a screenshot.

    Raises
    ------
    InputError
        No picture, one that cannot be decoded or is too large, or no code that can be read.
    """
    rgb, _ = read_picture(path, limit="upload_megapixels")
    grey = np.asarray(cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY), np.uint8)
    for side in _LOOKS_PX:
        looked = _sized(grey, side)
        if found := (_codes(looked) or _codes(_evened(looked))):
            return found
    raise InputError(
        "no code can be read in this picture",
        "Take it from nearer, straight on and without glare, or type the number in the margin of the sheet.",
    )


def _sized(grey: NDArray[np.uint8], side: int) -> NDArray[np.uint8]:
    factor = side / max(grey.shape)
    how = cv2.INTER_AREA if factor < 1 else cv2.INTER_CUBIC
    size = tuple(max(1, round(n * factor)) for n in grey.shape[::-1])
    return np.asarray(cv2.resize(grey, size, interpolation=how), np.uint8)


def _evened(grey: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """The same without the fall of light across it."""
    light = cv2.GaussianBlur(grey, (0, 0), max(grey.shape) / 40).astype(np.float32)
    return np.clip(grey / np.maximum(light, 1.0) * 190.0, 0, 255).astype(np.uint8)


def _codes(grey: NDArray[np.uint8]) -> tuple[str, ...]:
    try:
        _, texts, _, _ = cv2.QRCodeDetector().detectAndDecodeMulti(grey)
    except cv2.error:  # some pictures of noise trouble the reader
        return ()
    return tuple(dict.fromkeys(str(t) for t in texts if t))
