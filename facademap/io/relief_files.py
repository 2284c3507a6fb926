"""Relief of a wall: GeoTIFF of 32 bit, band 1 metres out of the wall frame, band 2 their standard deviation, NaN for none."""

from __future__ import annotations

import contextlib
import json
import warnings
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from facademap.errors import FileError, InputError
from facademap.io.rasters import CRS_TAG
from facademap.io.whole_files import move_whole, scratch_folder
from facademap.limits import hold_within
from facademap.wall.grid import PixelGrid

__all__ = [
    "ORIGIN_BAND",
    "RELIEF_BANDS",
    "ReliefWriter",
    "control_of_relief",
    "open_relief_writer",
    "read_relief",
]

RELIEF_BANDS = ("out of the wall frame, m", "standard deviation, m")
#: Third band of a relief from photos and a scan.
ORIGIN_BAND = "from: 1 photos, 2 scan"

Floats = NDArray[np.float32]
_CONTROL_TAG = "FACADEMAP_CONTROL_M"


@dataclass(frozen=True, slots=True, kw_only=True)
class ReliefWriter:
    """Rows of a relief, from the top."""

    grid: PixelGrid
    _dataset: Any

    def write_rows(self, row: int, *bands: Floats | NDArray[np.uint8]) -> None:
        """Write whole rows of every band: metres out of the frame, their standard deviation."""
        from rasterio.windows import Window

        window = Window(0, row, self.grid.width_px, bands[0].shape[0])
        self._dataset.write(np.stack(bands).astype(np.float32, copy=False), window=window)


@contextlib.contextmanager
def open_relief_writer(
    path: Path,
    grid: PixelGrid,
    *,
    crs_wkt: str,
    bands: tuple[str, ...] = RELIEF_BANDS,
    control_m: Mapping[str, Sequence[float]] | None = None,
) -> Iterator[ReliefWriter]:
    """Write a relief, or a difference of two; the target appears whole when the body ends without an error.

    The control points that the frame rests on go along, so that a later survey sees whether the frame is still the same.
    """
    import rasterio
    from rasterio.transform import Affine

    with scratch_folder(path) as folder:
        made = folder / "relief.tif"
        with (
            rasterio.Env(GDAL_CACHEMAX=64_000_000),
            rasterio.open(
                made,
                "w",
                driver="GTiff",
                width=grid.width_px,
                height=grid.height_px,
                count=len(bands),
                dtype="float32",
                nodata=float("nan"),
                crs=crs_wkt,
                transform=Affine(*grid.transform),
                tiled=True,
                blockxsize=512,
                blockysize=512,
                interleave="band",
                compress="deflate",
                predictor=3,
                zlevel=1,
                num_threads=2,
                bigtiff="if_safer",
            ) as dataset,
        ):
            dataset.update_tags(**{CRS_TAG: crs_wkt, "AREA_OR_POINT": "Area"})
            if control_m:
                told = {n: [round(float(c), 5) for c in place] for n, place in control_m.items()}
                dataset.update_tags(**{_CONTROL_TAG: json.dumps(told, ensure_ascii=False)})
            for number, words in enumerate(bands, start=1):
                dataset.set_band_description(number, words)
            yield ReliefWriter(grid=grid, _dataset=dataset)
        move_whole(made, path)


@contextlib.contextmanager
def _quiet() -> Iterator[None]:
    """A picture without a place is refused in a line, and GDAL need not say so too."""
    from rasterio.errors import NotGeoreferencedWarning

    with warnings.catch_warnings():
        warnings.simplefilter("ignore", NotGeoreferencedWarning)
        yield


def read_relief(
    path: Path, within_m: tuple[float, float, float, float] | None = None
) -> tuple[PixelGrid, Floats, Floats]:
    """The relief, whole or round a part of the wall: grid, metres out of the frame, standard deviation.

    Parameters
    ----------
    path : Path
    within_m : tuple of float, optional
        Left, bottom, right and top of the part, metres; cells that it touches are read, at least one.

    Returns
    -------
    tuple
        Grid of the cells read, and two arrays of shape (rows, columns).

    Raises
    ------
    FileError, InputError
    """
    import rasterio
    from rasterio.errors import RasterioError

    if not path.is_file():
        raise FileError(f"relief {path} does not exist", "Check the spelling of the path.")
    try:
        with _quiet(), rasterio.open(path, driver="GTiff") as dataset:
            part = _cells_within(dataset, within_m)
            hold_within(
                "megapixels",
                part.width * part.height / 1e6,
                what=f"relief {path.name} claims {dataset.width} x {dataset.height} cells",
                unit=" million",
                remedy="Check the file, make it with larger cells",
            )
            if dataset.count < 2:
                raise InputError(
                    f"{path.name} has {dataset.count} band, not relief and standard deviation",
                    "Give a relief of facademap relief or add-elevation.",
                )
            out_m, sd_m = dataset.read((1, 2), window=part).astype(np.float32)
            t = dataset.window_transform(part)
    except (RasterioError, ValueError):
        raise InputError(
            f"relief {path.name} cannot be read",
            "Make it again with facademap relief or add-elevation.",
        ) from None
    if t.b or t.d or t.a <= 0 or abs(t.a + t.e) > 1e-6 * t.a:
        raise InputError(
            f"relief {path.name} is turned or has cells that are not square",
            "Export it north-up in metres of the wall.",
        )
    grid = PixelGrid(
        left_m=t.c, top_m=t.f, gsd_m=t.a, width_px=out_m.shape[1], height_px=out_m.shape[0]
    )
    return grid, out_m, sd_m


def _cells_within(dataset: Any, within_m: tuple[float, float, float, float] | None) -> Any:
    """Window of the cells that a part touches; all of them without one."""
    from rasterio.windows import Window

    if within_m is None:
        return Window(0, 0, dataset.width, dataset.height)
    t = dataset.transform
    ends = []
    for low, high, start, step, count in (
        (within_m[0], within_m[2], t.c, t.a, dataset.width),
        (within_m[3], within_m[1], t.f, t.e, dataset.height),
    ):
        first, last = (low - start) / step, (high - start) / step
        at = int(np.clip(np.floor(first), 0, count - 1))
        ends.append((at, int(np.clip(np.ceil(last), at + 1, count)) - at))
    (column, columns), (row, rows) = ends
    return Window(column, row, columns, rows)


def control_of_relief(path: Path) -> dict[str, list[float]]:
    """Control points that the frame of a relief rests on; none where the file does not tell them.

    Parameters
    ----------
    path : Path
    """
    import rasterio
    from rasterio.errors import RasterioError

    try:
        with _quiet(), rasterio.open(path, driver="GTiff") as dataset:
            told = json.loads(dataset.tags().get(_CONTROL_TAG, "{}"))
            return {
                str(n): [float(c) for c in place] for n, place in told.items() if len(place) == 3
            }
    except (RasterioError, ValueError, TypeError, AttributeError):
        return {}
