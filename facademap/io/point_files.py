"""Points picked in several photos, and the same points carried into one photo."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from facademap.errors import InputError
from facademap.io.csv_tables import read_csv_rows
from facademap.io.whole_files import write_whole
from facademap.photo.control import hold_points
from facademap.photo.mosaic_views import MosaicPoint

__all__ = ["PhotoPoint", "read_mosaic_points", "read_photo_points", "write_carried_points"]


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
            raise InputError(
                f"{row.where}: photo {photo} is not among the photos given",
                f"Use the file names without folder: {', '.join(sorted(known)[:4])}.",
            )
        points.append(
            PhotoPoint(
                photo=photo, name=row.text("name"), x_px=row.number("x_px"), y_px=row.number("y_px")
            )
        )
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
    write_whole(path, text.getvalue())


def read_mosaic_points(
    path: Path, *, photos: Sequence[str], sizes_px: Sequence[tuple[int, int]]
) -> list[MosaicPoint]:
    """Control and check points in several photos: ``photo,name,u_m,v_m,x_px,y_px,role``.

    Parameters
    ----------
    path : Path
        ``sigma_px`` and ``sigma_mm`` may be added. A point may be seen in several photos, one row each.
    photos : sequence of str
        File names of the photos, without folder, in their order.
    sizes_px : sequence of (int, int)
        Width and height of the photos.

    Raises
    ------
    FileError, InputError
        Unreadable table, unknown photo or role, a pixel outside its photo, a point with two places.
    """
    points: list[MosaicPoint] = []
    places: dict[str, tuple[float, float]] = {}
    roles: dict[str, str] = {}
    rows = read_csv_rows(
        path,
        columns=("photo", "name", "u_m", "v_m", "x_px", "y_px", "role"),
        optional=("sigma_px", "sigma_mm"),
        what="control file",
    )
    hold_points(len(rows))
    for row in rows:
        photo, name, role = row.text("photo"), row.text("name"), row.text("role").lower()
        if photo not in photos:
            raise InputError(
                f"{row.where}: photo {photo} is not among the photos given",
                "Use the file names without folder, or give the photo.",
            )
        if role not in ("control", "check"):
            raise InputError(f"{row.where}: role is {role!r}", "Give the role control or check.")
        place = (row.number("u_m"), row.number("v_m"))
        if places.setdefault(name, place) != place or roles.setdefault(name, role) != role:
            raise InputError(
                f"{row.where}: point {name} has another place or role in another row",
                "Give every point one place on the wall and one role.",
            )
        number = list(photos).index(photo)
        x, y = row.number("x_px"), row.number("y_px")
        width, height = sizes_px[number]
        if not (-0.5 <= x <= width - 0.5 and -0.5 <= y <= height - 0.5):
            raise InputError(
                f"{row.where}: ({x:g}, {y:g}) lies outside photo {photo} of {width} x {height} px",
                "Correct the pixel, or name the photo it was picked in.",
            )
        sigma_px, sigma_mm = (
            row.number("sigma_px", default=0.5),
            row.number("sigma_mm", default=0.0),
        )
        if sigma_px <= 0 or sigma_mm < 0:
            raise InputError(
                f"{row.where}: the stated precision is not positive",
                "Give sigma_px above 0 and sigma_mm of 0 or more.",
            )
        points.append(
            MosaicPoint(
                photo=number,
                name=name,
                pixel_px=(x, y),
                wall_m=place,
                is_control=role == "control",
                sigma_px=sigma_px,
                sigma_m=sigma_mm / 1000,
            )
        )
    return points
