"""Pictures whose values matter as they are stored: 8 or 16 bits, red, green, blue, no turning."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from facademap.io.pictures import read_picture

__all__ = ["read_rgb"]


def read_rgb(path: Path) -> NDArray[Any]:
    """Read a picture as it is stored (before any EXIF turn), with all its bits.

    Returns
    -------
    ndarray, shape (rows, columns, 3), uint8 or uint16
        Red, green, blue.

    Raises
    ------
    FileError, InputError
        The file is missing, is no picture, is damaged or is too large.
    """
    picture, info = read_picture(path)
    if info.format in ("PNG", "TIFF", "PPM"):
        # the common reader rounds to 8 bits
        deep = cv2.imdecode(np.fromfile(path, dtype=np.uint8), cv2.IMREAD_UNCHANGED)
        if deep is not None and deep.dtype == np.uint16:
            if deep.ndim == 2:
                deep = np.repeat(deep[:, :, None], 3, axis=2)
            return np.ascontiguousarray(deep[:, :, 2::-1])
    return picture
