"""Pictures whose values matter as they are: 8 or 16 bits, red, green, blue, upright."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from numpy.typing import NDArray

from facademap.io.pictures import read_deep_picture, read_picture

__all__ = ["read_rgb"]


def read_rgb(path: Path) -> NDArray[Any]:
    """Read an upright picture with all its bits.

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
    deep = read_deep_picture(path, info)  # the common reader rounds to 8 bits
    return picture if deep is None else deep
