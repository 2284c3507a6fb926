"""Parts of rectified elevations for the papers: each file is read once where it fits in memory, by window where not."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from facademap.errors import FileError, InputError

__all__ = ["ElevationReader"]

Box = tuple[float, float, float, float]
Rgb = npt.NDArray[np.uint8]
#: A larger elevation is read window by window; 60 megapixels are 180 MB.
MOST_KEPT_PX = 60_000_000


@dataclass(eq=False)
class ElevationReader:
    """Reads boxes of elevations and keeps the pixels of the last one."""

    most_kept_px: int = MOST_KEPT_PX
    _path: Path | None = None
    _pixels: Rgb | None = None
    _transform: Any = None
    _read: int = field(default=0)

    def box(self, path: Path, box: Box, *, most_px: int) -> tuple[Rgb, Box]:
        """Pixels of a box of the wall frame, at most ``most_px`` a side, and the box that they cover.

        Where the elevation has no picture the pixels are white.

        Raises
        ------
        InputError, FileError
            The file is missing or damaged, or covers nothing of the box.
        """
        import rasterio
        from rasterio.errors import RasterioError

        if not path.is_file():
            raise FileError(
                f"{path.name}: the rectified elevation is missing", "Rectify the elevation again."
            )
        try:
            if path == self._path and self._pixels is not None:
                return self._cut(path, box, most_px)
            with rasterio.open(path, driver="GTiff") as file:
                if file.width * file.height <= self.most_kept_px:
                    self._pixels, self._transform, self._path = (
                        _pixels(file, None, None),
                        file.transform,
                        path,
                    )
                    self._read += 1
                    return self._cut(path, box, most_px)
                return _window(file, path, box, most_px)
        except RasterioError as error:
            raise InputError(
                f"{path.name}: cannot be read ({str(error)[:120]})", "Rectify the elevation again."
            ) from None

    def _cut(self, path: Path, box: Box, most_px: int) -> tuple[Rgb, Box]:
        assert self._pixels is not None
        height, width = self._pixels.shape[:2]
        c0, r0, c1, r1 = _columns_rows(self._transform, (width, height), box, path)
        part = self._pixels[r0:r1, c0:c1]
        step = max(part.shape[:2]) / most_px
        if step > 1.0:
            size = (max(1, round(part.shape[1] / step)), max(1, round(part.shape[0] / step)))
            part = np.asarray(cv2.resize(part, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)
        return np.ascontiguousarray(part), _covered(self._transform, c0, r0, c1, r1)


def _columns_rows(t: Any, size: tuple[int, int], box: Box, path: Path) -> tuple[int, int, int, int]:
    c0, c1 = (
        max(0, int(np.floor((box[0] - t.c) / t.a))),
        min(size[0], int(np.ceil((box[2] - t.c) / t.a))),
    )
    r0, r1 = (
        max(0, int(np.floor((box[3] - t.f) / t.e))),
        min(size[1], int(np.ceil((box[1] - t.f) / t.e))),
    )
    if c1 <= c0 or r1 <= r0:
        left, bottom, right, top = _covered(t, 0, 0, *size)
        raise InputError(
            f"{path.name} covers u {left:.2f} to {right:.2f} m, v {bottom:.2f} to {top:.2f} m only, and something drawn lies outside it",
            "Rectify the elevation over a larger extent.",
        )
    return c0, r0, c1, r1


def _covered(t: Any, c0: int, r0: int, c1: int, r1: int) -> Box:
    return (t.c + c0 * t.a, t.f + r1 * t.e, t.c + c1 * t.a, t.f + r0 * t.e)


def _window(file: Any, path: Path, box: Box, most_px: int) -> tuple[Rgb, Box]:
    from rasterio.windows import Window

    c0, r0, c1, r1 = _columns_rows(file.transform, (file.width, file.height), box, path)
    step = max(1.0, max(c1 - c0, r1 - r0) / most_px)
    size = (max(1, round((r1 - r0) / step)), max(1, round((c1 - c0) / step)))
    return _pixels(file, Window(c0, r0, c1 - c0, r1 - r0), size), _covered(
        file.transform, c0, r0, c1, r1
    )


def _pixels(file: Any, window: Any, size: tuple[int, int] | None) -> Rgb:
    """Three bands of a window as rows, columns, bands; white where the mask band says that nothing is there."""
    from rasterio.enums import Resampling

    bands = [1, 2, 3] if file.count >= 3 else [1, 1, 1]
    data = file.read(
        bands,
        window=window,
        out_shape=None if size is None else (3, *size),
        resampling=Resampling.average,
    )
    rgb = np.ascontiguousarray(np.moveaxis(data, 0, 2)).astype(np.uint8, copy=False)
    if file.count >= 4:
        rgb[file.read(4, window=window, out_shape=size) == 0] = 255
    return rgb
