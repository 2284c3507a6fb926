"""Rectified pictures from elsewhere: GeoTIFF, TIFF, JPEG or PNG with or without a world file, read strip by strip.

Grey pictures and those of 16 bit keep their range: the white of the usual sensor depth that holds the brightest pixel
becomes white, so that nothing is clipped and no contrast is invented.
"""

from __future__ import annotations

import re
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from facademap.errors import FileError, InputError
from facademap.io.pictures import read_orientation, white_of_depth
from facademap.photo.orientation import Turn
from facademap.values import frozen_value
from facademap.wall.grid import PixelGrid, Window

__all__ = ["Orthoimage", "open_orthoimage", "strips"]

Bytes = NDArray[np.uint8]
Floats = NDArray[np.floating[Any]]

#: Pixels of the small copy in which the brightest value is looked for.
_LOOK_PX = 1500
_STRIP_PX = 512
_CACHE_BYTES = 128_000_000
#: How a file of each kind begins; others (among them lists of further files) are not opened.
_KINDS = {
    b"II*\0": "GTiff",
    b"MM\0*": "GTiff",
    b"II+\0": "GTiff",
    b"MM\0+": "GTiff",
    b"\xff\xd8\xff": "JPEG",
    b"\x89PNG": "PNG",
}


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class Orthoimage:
    """An open picture, upright as every program shows it.

    Parameters
    ----------
    path : Path
    width_px, height_px : int
    turn : Turn
        How the stored rows are turned to stand upright.
    place : ndarray, shape (2, 3), or None
        From raster corner coordinates (column, row, 1) of the upright picture to those that the file or its world file
        gives.
    crs : rasterio CRS or None
    tags : dict of str to str
    white : float
        Value that becomes 255.
    """

    path: Path
    width_px: int
    height_px: int
    turn: Turn
    place: Floats | None
    crs: Any
    tags: dict[str, str]
    white: float
    _dataset: Any

    def read_rows(self, row: int, rows: int) -> tuple[Bytes, Bytes]:
        """Rows of the picture as RGB and mask (255 where it shows something)."""
        from rasterio.windows import Window as RasterWindow

        first, last = self.turn.stored_pixels([(0, row), (self.width_px - 1, row + rows - 1)])
        left, top = np.round(np.minimum(first, last)).astype(int).tolist()
        wide, high = (np.abs(np.round(last - first)).astype(int) + 1).tolist()
        rgb, mask = _as_rgb(
            self._dataset, RasterWindow(left, top, wide, high), self.white, self.path
        )
        return self.turn.upright_picture(rgb), self.turn.upright_picture(mask)

    def warped(self, grid: PixelGrid, place: Floats, *, wkt: str) -> Any:
        """A virtual copy on a grid of the wall; ``place`` maps corner coordinates to the wall."""
        from rasterio.enums import Resampling
        from rasterio.transform import Affine
        from rasterio.vrt import WarpedVRT

        return WarpedVRT(
            self._dataset,
            src_crs=wkt,
            crs=wkt,
            src_transform=Affine(*(place @ self._upright_corners()).ravel()),
            transform=Affine(*grid.transform),
            width=grid.width_px,
            height=grid.height_px,
            resampling=Resampling.cubic,
            add_alpha=self._dataset.count in (1, 3) and self._dataset.nodata is None,
        )

    def _upright_corners(self) -> Floats:
        """From corner coordinates of the stored rows to those of the upright picture, shape (3, 3)."""
        matrix = self.turn.matrix.copy()
        matrix[:2, 2] += 0.5 - self.turn.axes @ (0.5, 0.5)
        return matrix


@contextmanager
def open_orthoimage(path: Path) -> Iterator[Orthoimage]:
    """Open a picture that may have a place on the wall.

    Raises
    ------
    FileError, InputError
        Missing, no picture, of pixels that have no defined white.
    """
    import rasterio
    from rasterio.errors import NotGeoreferencedWarning, RasterioError

    if not path.is_file():
        raise FileError(f"picture {path} does not exist", "Check the spelling of the path.")
    with rasterio.Env(GDAL_CACHEMAX=_CACHE_BYTES, CPL_DEBUG=False), warnings.catch_warnings():
        warnings.simplefilter("ignore", NotGeoreferencedWarning)
        with path.open("rb") as file:
            start = file.read(4)
        driver = next((k for begin, k in _KINDS.items() if start.startswith(begin)), None)
        try:
            dataset = rasterio.open(path, driver=driver) if driver else None
        except RasterioError:
            dataset = None
        if dataset is None:
            raise InputError(
                f"picture {path.name} cannot be read as TIFF, JPEG or PNG",
                "Export it again as GeoTIFF, or as TIFF, JPEG or PNG with a world file.",
            )
        with dataset:
            _check_world_files(_world_files(path, dataset.files))
            t = dataset.transform
            place = None if t.is_identity else np.array([[t.a, t.b, t.c], [t.d, t.e, t.f]])
            try:
                white = _white(dataset, path)
            except RasterioError:
                raise _damaged(path) from None
            orientation = read_orientation(path)
            wide, high = dataset.width, dataset.height
            wide, high = (high, wide) if orientation >= 5 else (wide, high)
            yield Orthoimage(
                path=path,
                width_px=wide,
                height_px=high,
                turn=Turn(orientation=orientation, width_px=wide, height_px=high),
                place=place,
                crs=dataset.crs,
                tags=dataset.tags(),
                white=white,
                _dataset=dataset,
            )


def _world_files(picture: Path, read: list[str]) -> list[Path]:
    """World files that were read with a picture, and those that would have been, had they been whole."""
    ending = picture.suffix.lower().removeprefix(".")
    usual = {".wld", f".{ending}w", f".{ending[:1]}{ending[-1:]}w"}
    beside = [p for p in (picture.with_suffix(e) for e in sorted(usual)) if p.is_file()]
    known = [
        p
        for p in map(Path, read[1:])
        if p.suffix.lower() in (".wld", ".tifw", ".tiffw")
        or re.fullmatch(r"\.\w{2,3}w", p.suffix.lower())
    ]
    return [*known, *(p for p in beside if p not in known)]


def _check_world_files(files: list[Path]) -> None:
    """GDAL takes a line that is no number for nought, and no notice of a short file; six numbers are wanted."""
    remedy = "Export the picture again, or write six numbers, a line each."
    for path in files:
        lines = path.read_text(encoding="latin-1").split()[:6]
        for number, text in enumerate(lines, start=1):
            try:
                float(text.replace(",", "."))
            except ValueError:
                raise InputError(
                    f"world file {path.name}, number {number} is {text[:40]!r}", remedy
                ) from None
        if len(lines) < 6:
            raise InputError(
                f"world file {path.name} holds {len(lines)} numbers, six are wanted", remedy
            )
        right, down, right_too, down_too = (float(t.replace(",", ".")) for t in lines[:4])
        if right * down_too == down * right_too:
            raise InputError(f"world file {path.name} gives its pixels no size", remedy)


def _damaged(path: Path) -> InputError:
    return InputError(f"picture {path.name} is truncated or damaged", "Copy or export it again.")


def _white(dataset: Any, path: Path) -> float:
    from rasterio.enums import ColorInterp

    if ColorInterp.cyan in dataset.colorinterp:
        raise InputError(f"picture {path.name} is in print colours (CMYK)", "Export it as RGB.")
    kind = dataset.dtypes[0]
    if kind == "uint8":
        return 255.0
    ratio = max(1.0, max(dataset.width, dataset.height) / _LOOK_PX)
    shape = (
        dataset.count,
        max(1, int(dataset.height / ratio)),
        max(1, int(dataset.width / ratio)),
    )
    if kind == "uint16":
        brightest = int(dataset.read(out_shape=shape)[:3].max())
        return float(white_of_depth(brightest))
    if kind in ("float32", "float64"):
        values = dataset.read(out_shape=shape)[:3]
        if np.nanmin(values) >= 0 and np.nanmax(values) <= 1:
            return 1.0
    raise InputError(
        f"picture {path.name} has pixels of type {kind}, which have no defined white",
        "Export it with 8 or 16 bit a colour.",
    )


def _as_rgb(dataset: Any, window: Any, white: float, path: Path) -> tuple[Bytes, Bytes]:
    """Colour and mask of a window of a dataset or a virtual one."""
    from rasterio.errors import RasterioError

    count, colours = dataset.count, min(3, dataset.count if dataset.count >= 3 else 1)
    alpha = dataset.count in (2, 4) and str(dataset.colorinterp[-1].name) == "alpha"
    try:
        if alpha or all(
            "all_valid" in {f.name for f in flags} for flags in dataset.mask_flag_enums
        ):
            data = dataset.read(
                list(range(1, colours + 1)) + ([count] if alpha else []), window=window
            )
            mask = data[-1] if alpha else None
            data = data[:colours]
        else:
            data = dataset.read(list(range(1, colours + 1)), window=window)
            mask = dataset.dataset_mask(window=window)
    except RasterioError:
        raise _damaged(path) from None
    if str(dataset.colorinterp[0].name) == "palette":
        table = np.zeros((256, 3), np.uint8)
        for index, entry in dataset.colormap(1).items():
            table[index] = entry[:3]
        rgb = table[data[0]]
    elif colours == 1:
        rgb = cv2.cvtColor(_eight_bit(data[0], white), cv2.COLOR_GRAY2RGB)
    else:
        rgb = cv2.merge([_eight_bit(band, white) for band in data])
    if mask is None:
        shown = np.full(rgb.shape[:2], 255, np.uint8)
    else:
        shown = np.where(mask > (127 if mask.dtype == np.uint8 else 0), 255, 0).astype(np.uint8)
    return np.asarray(rgb, np.uint8), shown


def _eight_bit(band: NDArray[Any], white: float) -> Bytes:
    if band.dtype == np.uint8:
        return np.asarray(band)
    scaled = np.clip(np.nan_to_num(band.astype(np.float32)) * np.float32(255 / white), 0, 255)
    return np.asarray(np.round(scaled), dtype=np.uint8)


def strips(
    picture: Orthoimage,
    grid: PixelGrid,
    *,
    place: Floats | None,
    wkt: str,
    progress: Callable[[float], None] = lambda fraction: None,
) -> Iterator[tuple[Window, Bytes, Bytes]]:
    """Windows of the grid in the order that an elevation is written, read in strips of whole rows.

    Parameters
    ----------
    picture : Orthoimage
    grid : PixelGrid
        Same size as the picture where ``place`` is None.
    place : ndarray, shape (2, 3), optional
        From corner coordinates to the wall, where the picture must be resampled.
    wkt : str
        Reference system of the wall.
    """
    from rasterio.windows import Window as RasterWindow

    source = None if place is None else picture.warped(grid, place, wkt=wkt)
    try:
        for top in range(0, grid.height_px, _STRIP_PX):
            rows = min(_STRIP_PX, grid.height_px - top)
            if source is None:
                rgb, mask = picture.read_rows(top, rows)
            else:
                window = RasterWindow(0, top, grid.width_px, rows)
                rgb, mask = _as_rgb(source, window, picture.white, picture.path)
            for left in range(0, grid.width_px, _STRIP_PX):
                part = slice(left, min(left + _STRIP_PX, grid.width_px))
                yield (
                    Window(column=left, row=top, width=part.stop - part.start, height=rows),
                    rgb[:, part],
                    mask[:, part],
                )
            progress((top + rows) / grid.height_px)
    finally:
        if source is not None:
            source.close()
