"""Rectified elevations: tiled GeoTIFF in wall coordinates, written in windows and read by window.

Where the photo does not show the wall, a fourth band (alpha) is 0. Alpha is read as transparency by
GIS and image programs alike, leaves black stone black, and stays lossless in overviews; a nodata
value would have made holes of that colour, and an internal mask is not shown by every program.
"""

from __future__ import annotations

import json
import struct
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from facademap.errors import FileError, InputError
from facademap.io.tiled_tiff import TiledTiffWriter
from facademap.wall.grid import Extent, PixelGrid, Window

__all__ = ["CRS_TAG", "Elevation", "open_elevation", "write_elevation"]

Bytes = NDArray[np.uint8]

#: GeoTIFF keeps neither datum nor axes of an engineering CRS; the full text stands in this tag.
CRS_TAG = "WALL_CRS_WKT2"
_GEO_TAGS = (33550, 33922, 34264, 34735, 34736, 34737, 42112, 42113)
_TIFF_BYTES = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 12: 8, 16: 8}
_CACHE_BYTES = 32_000_000


@contextmanager
def _gdal() -> Iterator[Any]:
    import rasterio

    with rasterio.Env(
        GDAL_CACHEMAX=_CACHE_BYTES, GDAL_DISABLE_READDIR_ON_OPEN="EMPTY_DIR", CPL_DEBUG=False
    ):
        yield rasterio


def _geo_tags(
    grid: PixelGrid, crs_wkt: str, tags: Mapping[str, str]
) -> dict[int, tuple[int, int, bytes]]:
    """Let GDAL make the geographic keys and the metadata in a one-tile file, and take them over."""
    from rasterio.io import MemoryFile
    from rasterio.transform import Affine

    with _gdal(), MemoryFile() as memory:
        with memory.open(
            driver="GTiff",
            width=1,
            height=1,
            count=1,
            dtype="uint8",
            crs=crs_wkt,
            transform=Affine(*grid.transform),
        ) as dataset:
            dataset.update_tags(**tags)
        data = memory.read()
    offset = struct.unpack_from("<I", data, 4)[0]
    result = {}
    for i in range(struct.unpack_from("<H", data, offset)[0]):
        tag, kind, count = struct.unpack_from("<HHI", data, offset + 2 + 12 * i)
        if tag in _GEO_TAGS:
            size = _TIFF_BYTES[kind] * count
            at = offset + 2 + 12 * i + 8
            if size > 4:
                at = struct.unpack_from("<I", data, at)[0]
            result[tag] = (kind, count, data[at : at + size])
    return result


def write_elevation(
    path: Path,
    grid: PixelGrid,
    windows: Iterable[tuple[Window, Bytes, Bytes]],
    *,
    crs_wkt: str,
    tags: Mapping[str, Any] | None = None,
    threads: int = 2,
) -> None:
    """Write a rectified elevation as a cloud-optimised GeoTIFF (RGB and alpha, lossless), in one pass.

    Parameters
    ----------
    path : Path
        Replaced only when everything is written.
    grid : PixelGrid
    windows : iterable of (Window, rgb, mask)
        The windows of ``grid.windows(512)`` in that order; rgb (height, width, 3) uint8, mask
        (height, width) uint8 with 255 where the wall is seen.
    crs_wkt : str
        From `facademap.wall.world.wall_crs`.
    tags : mapping, optional
        Accuracy and provenance; values that are not text are written as JSON.
    threads : int

    Raises
    ------
    FileError
        A folder that does not exist or may not be written.
    """
    text = {
        key: value if isinstance(value, str) else json.dumps(value, ensure_ascii=False)
        for key, value in (tags or {}).items()
    }
    text[CRS_TAG] = crs_wkt
    text["AREA_OR_POINT"] = "Area"
    if path.is_dir():
        raise FileError(f"{path} is a folder", "Give the path of a file to write.")
    with TiledTiffWriter(
        path,
        width_px=grid.width_px,
        height_px=grid.height_px,
        bands=4,
        alpha=True,
        tags=_geo_tags(grid, crs_wkt, text),
        threads=threads,
    ) as writer:
        for window, rgb, mask in windows:
            writer.write_tile(
                window.column, window.row, np.asarray(cv2.merge([rgb, mask]), np.uint8)
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class Elevation:
    """An open rectified elevation.

    Parameters
    ----------
    path : Path
    grid : PixelGrid
    crs_wkt : str
        Full WKT 2 of the wall's coordinate system (from the file's own tag where it has one).
    tags : dict of str to str
    """

    path: Path
    grid: PixelGrid
    crs_wkt: str
    tags: dict[str, str]
    _dataset: Any

    def __enter__(self) -> Elevation:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._dataset.close()

    def close(self) -> None:
        """Close the file."""
        self._dataset.close()

    def read(
        self, extent: Extent | Window | None = None, *, gsd_m: float | None = None
    ) -> tuple[PixelGrid, Bytes, Bytes]:
        """Pixels of a part of the wall, from the overview that suits.

        Parameters
        ----------
        extent : Extent or Window, optional
            Part in metres or in pixels of the full grid; everything without it.
        gsd_m : float, optional
            Ground sample distance wanted; the file's own without it (never finer than it).

        Returns
        -------
        grid : PixelGrid
            Of the pixels returned.
        rgb : ndarray of uint8, shape (height, width, 3)
        mask : ndarray of uint8, shape (height, width)
            255 where the wall is seen.

        Raises
        ------
        InputError
            The extent lies outside the elevation.
        """
        from rasterio.enums import Resampling
        from rasterio.windows import Window as RasterWindow

        window = Window(column=0, row=0, width=self.grid.width_px, height=self.grid.height_px)
        if isinstance(extent, Window):
            window = extent
        elif extent is not None:
            found = self.grid.window_of(extent)
            if found is None:
                raise InputError(
                    f"{', '.join(f'{x:.3f}' for x in extent.as_tuple())} m lies outside elevation {self.path.name}",
                    "Choose a part of the wall that the elevation shows.",
                )
            window = found
        part = self.grid.crop(window)
        ratio = max(1.0, (gsd_m or part.gsd_m) / part.gsd_m)
        width, height = max(1, round(window.width / ratio)), max(1, round(window.height / ratio))
        with _gdal():
            data = self._dataset.read(
                window=RasterWindow(window.column, window.row, window.width, window.height),
                out_shape=(self._dataset.count, height, width),
                resampling=Resampling.average if ratio > 1 else Resampling.nearest,
            )
            if self._dataset.count in (2, 4):
                mask = data[-1]
            else:
                mask = self._dataset.dataset_mask(
                    window=RasterWindow(window.column, window.row, window.width, window.height),
                    out_shape=(height, width),
                )
        rgb = data[:3] if self._dataset.count >= 3 else np.repeat(data[:1], 3, axis=0)
        # sides that do not divide evenly stretch a pixel by less than one part in its count
        grid = PixelGrid(
            left_m=part.left_m,
            top_m=part.top_m,
            gsd_m=part.gsd_m * window.width / width,
            width_px=width,
            height_px=height,
        )
        return (
            grid,
            np.ascontiguousarray(np.moveaxis(rgb, 0, -1)),
            np.where(mask > 127, 255, 0).astype(np.uint8),
        )


def open_elevation(path: Path) -> Elevation:
    """Open a rectified elevation for reading.

    Raises
    ------
    FileError, InputError
        Missing, not a GeoTIFF, turned, pixels not square, or not in 8 bit.
    """
    from rasterio.errors import RasterioError

    if not path.exists():
        raise FileError(f"elevation {path} does not exist", "Check the spelling of the path.")
    with _gdal() as rasterio:
        try:
            # of this kind alone: GDAL also takes descriptions of pictures elsewhere, on this machine or in a network
            dataset = rasterio.open(path, driver="GTiff")
        except RasterioError as error:
            raise InputError(
                f"elevation {path.name} cannot be read ({error})", "Rectify the photo again."
            ) from None
        t = dataset.transform
        if t.b or t.d or t.a <= 0 or abs(t.a + t.e) > 1e-9 * t.a or dataset.dtypes[0] != "uint8":
            dataset.close()
            raise InputError(
                f"elevation {path.name} is not an upright 8 bit picture with square pixels in metres",
                "Use an elevation made by facademap rectify.",
            )
        tags = dataset.tags()
        wkt = tags.get(CRS_TAG) or (dataset.crs.to_wkt() if dataset.crs else "")
        grid = PixelGrid(
            left_m=t.c, top_m=t.f, gsd_m=t.a, width_px=dataset.width, height_px=dataset.height
        )
    return Elevation(path=path, grid=grid, crs_wkt=wkt, tags=tags, _dataset=dataset)
