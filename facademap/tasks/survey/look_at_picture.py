"""What everything that proposes from a picture needs: the picture, alone or of a surface, and a file for what was seen in it."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from facademap.errors import FileError, InputError
from facademap.io.pictures import read_picture
from facademap.io.rasters import open_elevation
from facademap.io.vectors import MARK, pixel_mark
from facademap.io.whole_files import check_writable, write_whole
from facademap.store.project import Project
from facademap.tables import is_missing
from facademap.wall.grid import PixelGrid

__all__ = [
    "LOOK_PX",
    "NOTHING",
    "NOT_PROVED",
    "in_metres",
    "in_pixels",
    "lone_picture",
    "need_size",
    "picture_of",
    "write_proposals",
]

#: Pixels of an elevation that are looked at, at most.
LOOK_PX = 26_000_000
#: A picture smaller than this shows no wall.
_FEWEST_PX = 48
#: Sample distances that a wall is photographed with, millimetres.
_GSD_MM = (0.05, 100.0)
NOTHING = "no masonry was recognised in it: nothing is proposed"
NOT_PROVED = "confidence is how often such proposals were right on rendered walls; on photographs it is not proved"


def lone_picture(photo: Path, *, out: Path, gsd_mm: float | None) -> tuple[Any, float | None]:
    """A picture without a project, shape (rows, columns, 3), and its sample distance in metres.

    Raises
    ------
    FileError, InputError
        It cannot be used, nobody photographs a wall with such a sample distance, or the result cannot be written.
    """
    check_writable(out)
    if out.resolve() == photo.resolve():
        raise InputError(
            f"{out.name} would overwrite the picture", "Choose another file for the result."
        )
    gsd_m = _checked_gsd_m(gsd_mm)
    rgb, _ = read_picture(photo)
    return rgb, gsd_m


def write_proposals(
    out: Path,
    photo: Path,
    shape: Sequence[int],
    features: Sequence[Mapping[str, Any]],
    **more: Any,
) -> None:
    """Write proposals in pixels of an upright picture of a shape (rows, columns, ..) as GeoJSON."""
    told = {
        "type": "FeatureCollection",
        MARK: pixel_mark(photo.name, width_px=shape[1], height_px=shape[0]),
        "confidence": NOT_PROVED,
        "features": features,
        **more,
    }
    write_whole(out, json.dumps(told, ensure_ascii=False) + "\n")


def picture_of(
    project: Project, name: str, *, most_px: int = LOOK_PX, finest_m: float = 0.0
) -> tuple[PixelGrid, Any, Any]:
    """Grid, picture and where it shows anything, no finer than ``finest_m`` and than can be looked at."""
    row = project.row("surfaces", name)
    if is_missing(row["picture"]):
        raise FileError(f"surface {name} has no picture", "Rectify photos of it first.")
    with open_elevation(project.place(str(row["picture"]))) as elevation:
        pixels = elevation.grid.width_px * elevation.grid.height_px
        own_m = elevation.grid.gsd_m
        return elevation.read(gsd_m=max(own_m, finest_m, own_m * math.sqrt(pixels / most_px)))


def need_size(rgb: Any, name: str, *, what: str) -> None:
    """Refuse a picture in which nothing can be told."""
    rows, columns = rgb.shape[:2]
    if min(rows, columns) < _FEWEST_PX:
        raise InputError(
            f"{name}: {columns} x {rows} px are too few to tell {what} in",
            f"Give a picture of at least {_FEWEST_PX} px each way.",
        )


def in_metres(places_px: Any, grid: PixelGrid) -> Any:
    """Places (x, y) in pixels of a picture, shape (n, 2), as metres of the wall."""
    return grid.wall_from_pixel(places_px[:, 0], places_px[:, 1])


def in_pixels(places_m: Any, grid: PixelGrid) -> Any:
    """Places on the wall, shape (n, 2), as pixels (x, y) of a picture."""
    return grid.pixel_from_wall(places_m[:, 0], places_m[:, 1])


def _checked_gsd_m(gsd_mm: float | None) -> float | None:
    if gsd_mm is None:
        return None
    if not (math.isfinite(gsd_mm) and _GSD_MM[0] <= gsd_mm <= _GSD_MM[1]):
        raise InputError(
            f"a sample distance of {gsd_mm:g} mm",
            f"Give millimetres of the wall to a pixel, {_GSD_MM[0]:g} to {_GSD_MM[1]:g}.",
        )
    return gsd_mm / 1000
