"""Use case: the photos of a relief laid on it become a true elevation, with a statement of how true it is."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from facademap.errors import InputError
from facademap.io.pictures import read_picture
from facademap.io.rasters import write_elevation
from facademap.io.target_files import TargetPick
from facademap.relief.build import Relief
from facademap.relief.stations import Station
from facademap.relief.true_elevation import TruePicture, places_of_pixels, true_picture
from facademap.wall.grid import PixelGrid

__all__ = ["make_true_elevation"]

_WINDOW = 512


def make_true_elevation(
    path: Path,
    relief: Relief,
    stations: Sequence[Station],
    photos: Sequence[Path],
    picks: Sequence[tuple[int, TargetPick]],
    *,
    gsd_m: float | None,
    crs_wkt: str,
) -> dict[str, Any]:
    """Lay photos on their relief and write the picture.

    Parameters
    ----------
    path : Path
        GeoTIFF to write.
    relief : Relief
    stations : sequence of Station
    photos : sequence of Path
        In the order of ``stations``.
    picks : sequence of (int, TargetPick)
        Check points, each with the number of its photo.
    gsd_m : float, optional
        Side of a pixel; default: half a cell of the relief.
    crs_wkt : str

    Returns
    -------
    dict
        What is to be said of it.

    Raises
    ------
    InputError
        Pixels that cannot be made.
    """
    gsd = relief.grid.gsd_m / 2 if gsd_m is None else gsd_m
    if not (math.isfinite(gsd) and 0 < gsd < 1):
        raise InputError(
            f"pixels of {gsd * 1000:g} mm cannot be made", "Give --gsd-mm above 0, such as 1."
        )
    grid = PixelGrid.over(relief.grid.extent, gsd_m=gsd)
    made = true_picture(relief, _pictures(stations, photos), grid)
    values = _statement(made) | _checked(relief, stations, picks)
    write_elevation(
        path,
        grid,
        _windows(made),
        crs_wkt=crs_wkt,
        tags={"TRUE_ELEVATION": json.dumps(values, allow_nan=False)},
    )
    return values


def _pictures(
    stations: Sequence[Station], photos: Sequence[Path]
) -> Iterator[tuple[Station, NDArray[np.uint8]]]:
    for station, photo in zip(stations, photos, strict=True):
        picture, _ = read_picture(photo)
        if picture.ndim == 2:
            picture = np.asarray(cv2.cvtColor(picture, cv2.COLOR_GRAY2RGB), np.uint8)
        yield station, picture


def _windows(made: TruePicture) -> Iterator[tuple[Any, Any, Any]]:
    for window in made.grid.windows(_WINDOW):
        part = np.s_[
            window.row : window.row + window.height, window.column : window.column + window.width
        ]
        yield window, np.ascontiguousarray(made.rgb[part]), np.ascontiguousarray(made.mask[part])


def _statement(made: TruePicture) -> dict[str, Any]:
    return {
        "gsd_m": made.grid.gsd_m,
        "seen_share": round(made.seen_share, 4),
        "bridged_share": round(made.bridged_share, 4),
        "hidden_share": round(made.hidden_share, 4),
        "shift_sigma_m": round(made.shift_sigma_m, 6),
        "corrected_95_m": round(made.corrected_m, 6),
    }


def _checked(
    relief: Relief, stations: Sequence[Station], picks: Sequence[tuple[int, TargetPick]]
) -> dict[str, Any]:
    """Distance between the surveyed places of check points and where their picks meet the relief."""
    miss = []
    for number, station in enumerate(stations):
        own = [p for k, p in picks if k == number]
        if own:
            found = places_of_pixels(relief, station, np.array([p.pixel_px for p in own]))
            miss.append(found - np.array([p.uvw_m[:2] for p in own]))
    off = np.concatenate(miss) if miss else np.empty((0, 2))
    off = off[np.isfinite(off).all(axis=1)]
    rmse = float(np.sqrt(np.mean(np.sum(off**2, axis=1)))) if len(off) else None
    return {"check_rmse_m": None if rmse is None else round(rmse, 6), "check_n": len(off)}
