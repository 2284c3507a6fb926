"""Distances between points of the one table of control that were picked in a photo."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import combinations
from pathlib import Path

from facademap.errors import InputError
from facademap.io.csv_tables import CsvRow, read_csv_rows
from facademap.io.picked_pixels import PIXELS_COLUMN, picked_pixel
from facademap.photo.orientation import Turn

__all__ = ["KnownDistance", "read_known_distances"]

_WALL = ("u_m", "v_m")
_WORLD = ("east_m", "north_m", "height_m")


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownDistance:
    """Two named points, their pixels in the upright picture, and how far apart they are."""

    names: tuple[str, str]
    start_px: tuple[float, float]
    end_px: tuple[float, float]
    distance_m: float


def read_known_distances(
    path: Path, *, turn: Turn, stored_pixels: bool = False
) -> list[KnownDistance]:
    """Distances between all points of a table of control, the longest first.

    Parameters
    ----------
    path : Path
        ``name,x_px,y_px`` with ``u_m,v_m`` and/or ``east_m,north_m,height_m``.
    turn : Turn
        Of the photo.
    stored_pixels : bool

    Raises
    ------
    FileError, InputError
        Unreadable, a point without a place, fewer than two points.
    """
    rows = read_csv_rows(
        path,
        columns=("name", "x_px", "y_px"),
        optional=(*_WALL, *_WORLD, "w_m", "role", PIXELS_COLUMN),
        what="control file",
    )
    points = [(row, picked_pixel(row, turn, stored=stored_pixels)) for row in rows]
    found = [
        KnownDistance(
            names=(a.text("name"), b.text("name")),
            start_px=start,
            end_px=end,
            distance_m=_apart(a, b),
        )
        for (a, start), (b, end) in combinations(points, 2)
    ]
    if not found:
        raise InputError(f"control file {path.name} has one point only", "Give two points or more.")
    return sorted(found, key=lambda d: -d.distance_m)


def _apart(first: CsvRow, second: CsvRow) -> float:
    for columns in (_WALL, _WORLD):
        if all(row.cells.get(c, "").strip() for row in (first, second) for c in columns):
            apart = math.dist(
                [first.number(c) for c in columns], [second.number(c) for c in columns]
            )
            if apart > 0:
                return apart
            raise InputError(
                f"{second.where}: lies at the place of {first.text('name')}", "Correct the row."
            )
    raise InputError(
        f"{second.where}: has no place of the kind that {first.text('name')} has",
        "Give u_m and v_m, or east_m, north_m and height_m, of every point.",
    )
