"""Pictures whose values matter as they are stored: 8 or 16 bits, red, green, blue, no turning."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from facademap.errors import FileError

__all__ = ["read_rgb"]

MAX_PIXELS = 600_000_000


def read_rgb(path: Path) -> NDArray[Any]:
    """Read a picture as it is stored (before any EXIF turn).

    Returns
    -------
    ndarray, shape (rows, columns, 3), uint8 or uint16
        Red, green, blue.

    Raises
    ------
    FileError
        The file is missing, is no picture, is damaged or is too large.
    """
    from PIL import Image, UnidentifiedImageError

    if not path.is_file():
        raise FileError(f"{path}: no such photo", "Check the spelling of the path.")
    try:
        with Image.open(path) as head:
            width, height = head.size
    except Image.DecompressionBombError as error:
        raise FileError(f"{path}: has too many pixels", "Give a smaller picture.") from error
    except (UnidentifiedImageError, OSError, ValueError, SyntaxError) as error:
        raise FileError(f"{path}: is not a picture or is damaged", "Give a JPEG, PNG or TIFF picture.") from error
    if width * height > MAX_PIXELS:
        raise FileError(f"{path}: has {width} x {height} px, more than {MAX_PIXELS // 1_000_000} million",
                        "Give a smaller picture.")
    picture = cv2.imdecode(np.fromfile(path, dtype=np.uint8), cv2.IMREAD_UNCHANGED)
    if picture is None:
        raise FileError(f"{path}: cannot be decoded", "Copy it again from the camera, or save it as PNG.")
    if picture.ndim == 2:
        picture = np.repeat(picture[:, :, None], 3, axis=2)
    if picture.dtype not in (np.uint8, np.uint16):
        raise FileError(f"{path}: stores values of type {picture.dtype}", "Save it with 8 or 16 bits a channel.")
    return np.ascontiguousarray(picture[:, :, 2::-1])
