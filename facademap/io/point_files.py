"""Points picked in several photos, and the same points carried into one photo."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from facademap.errors import InputError
from facademap.io.csv_tables import read_csv_rows
from facademap.io.picked_pixels import PIXELS_COLUMN, picked_pixel
from facademap.io.whole_files import write_whole
from facademap.photo.control import hold_points
from facademap.photo.mosaic_views import MosaicPoint
from facademap.photo.orientation import Turn

__all__ = ["PhotoPoint", "read_mosaic_points", "read_photo_points", "write_carried_points"]


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoPoint:
    """A named pixel of one photo (named by its file, without folder)."""

    photo: str
    name: str
    x_px: float
    y_px: float


def read_photo_points(
    path: Path, *, photos: Mapping[str, Turn], stored_pixels: bool = False
) -> list[PhotoPoint]:
    """Read ``photo,name,x_px,y_px``, and ``pixels`` (upright or stored); the points come in upright pixels.

    Parameters
    ----------
    path : Path
    photos : mapping
        Names of the photos given, so that a misspelt one is found, and how each is turned to stand upright.
    stored_pixels : bool
        The rows that do not say otherwise were picked in stored pictures.

    Raises
    ------
    FileError, InputError
        Unreadable table, unknown photo, faulty number.
    """
    points: list[PhotoPoint] = []
    for row in read_csv_rows(
        path, columns=("photo", "name", "x_px", "y_px"), optional=(PIXELS_COLUMN,), what="points"
    ):
        photo = row.text("photo")
        if photo not in photos:
            raise InputError(
                f"{row.where}: photo {photo} is not among the photos given",
                f"Use the file names without folder: {', '.join(sorted(photos)[:4])}.",
            )
        x_px, y_px = picked_pixel(row, photos[photo], stored=stored_pixels)
        points.append(PhotoPoint(photo=photo, name=row.text("name"), x_px=x_px, y_px=y_px))
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
    path: Path, *, photos: Sequence[str], turns: Sequence[Turn], stored_pixels: bool = False
) -> list[MosaicPoint]:
    """Control and check points in several photos: ``photo,name,u_m,v_m,x_px,y_px,role``.

    Parameters
    ----------
    path : Path
        ``sigma_px``, ``sigma_mm`` and ``pixels`` (upright or stored) may be added. A point may be seen in several photos, one row each.
    photos : sequence of str
        File names of the photos, without folder, in their order.
    turns : sequence of Turn
        Sizes of the photos, and how each is turned to stand upright.
    stored_pixels : bool
        The rows that do not say otherwise were picked in stored pictures.

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
        optional=("sigma_px", "sigma_mm", PIXELS_COLUMN),
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
        turn = turns[number]
        x, y = picked_pixel(row, turn, stored=stored_pixels)
        width, height = turn.width_px, turn.height_px
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
