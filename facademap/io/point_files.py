"""Points picked in several photos, and the same points carried into one photo."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from facademap.errors import InputError
from facademap.io.csv_tables import read_csv_rows, write_text_atomically

__all__ = ["PhotoPoint", "read_photo_points", "write_carried_points"]


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoPoint:
    """A named pixel of one photo (named by its file, without folder)."""

    photo: str
    name: str
    x_px: float
    y_px: float


def read_photo_points(path: Path, *, photos: Iterable[str]) -> list[PhotoPoint]:
    """Read ``photo,name,x_px,y_px``.

    Parameters
    ----------
    path : Path
    photos : iterable of str
        Names of the photos given, so that a misspelt one is found.

    Raises
    ------
    FileError, InputError
        Unreadable table, unknown photo, faulty number.
    """
    known = set(photos)
    points: list[PhotoPoint] = []
    for row in read_csv_rows(path, columns=("photo", "name", "x_px", "y_px"), what="points"):
        photo = row.text("photo")
        if photo not in known:
            raise InputError(f"{row.where}: photo {photo} is not among the photos given",
                             f"Use the file names without folder: {', '.join(sorted(known)[:4])}.")
        points.append(PhotoPoint(photo=photo, name=row.text("name"), x_px=row.number("x_px"), y_px=row.number("y_px")))
    return points


def write_carried_points(
    path: Path, rows: Iterable[tuple[PhotoPoint, tuple[float, float] | None]]
) -> None:
    """Write ``photo,name,x_px,y_px,ok``; a point that cannot be carried has empty fields and ok 0."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(["photo", "name", "x_px", "y_px", "ok"])
    for point, place in rows:
        cells = ["", "", 0] if place is None else [f"{place[0]:.4f}", f"{place[1]:.4f}", 1]
        writer.writerow([point.photo, point.name, *cells])
    write_text_atomically(path, text.getvalue())
