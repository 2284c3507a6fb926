"""control.csv and the points to be located."""

from __future__ import annotations

import math
from pathlib import Path

from facademap.errors import InputError
from facademap.io.csv_tables import CsvRow, read_csv_rows
from facademap.io.picked_pixels import PIXELS_COLUMN, picked_pixel
from facademap.photo.control import ControlPoint, ControlPoints, Role
from facademap.photo.orientation import Turn

__all__ = ["read_control", "read_offsets", "read_pixel_points"]


def read_control(
    path: Path, *, turn: Turn | None = None, stored_pixels: bool = False
) -> ControlPoints:
    """Control and check points, their pixels those of the upright picture.

    Parameters
    ----------
    path : Path
        CSV: ``name,u_m,v_m,x_px,y_px,role`` (role ``control`` or ``check``); ``sigma_px`` and
        ``sigma_mm`` (one sigma of picking and of survey, per axis) and ``pixels`` (upright or stored) may be added.
    turn : Turn, optional
        How the stored picture is turned to stand upright.
    stored_pixels : bool
        The rows that do not say otherwise were picked in the stored picture.

    Raises
    ------
    FileError, InputError
    """
    rows = read_csv_rows(
        path,
        columns=("name", "u_m", "v_m", "x_px", "y_px", "role"),
        optional=("sigma_px", "sigma_mm", PIXELS_COLUMN),
        what="control file",
    )
    points = [_control_point(row, picked_pixel(row, turn, stored=stored_pixels)) for row in rows]
    _refuse_double_names([(row, point.name) for row, point in zip(rows, points, strict=True)])
    return ControlPoints.from_points(points)


def read_offsets(path: Path) -> dict[str, float]:
    """How far points of the table of control stand out of the wall, metres, by name: its column ``w_m``, where it has one."""
    rows = read_csv_rows(path, columns=("name",), optional=("w_m",), what="control file")
    return {row.text("name"): row.number("w_m") for row in rows if row.cells.get("w_m", "").strip()}


def _control_point(row: CsvRow, pixel_px: tuple[float, float]) -> ControlPoint:
    role = row.text("role").lower()
    if role not in ("control", "check"):
        raise InputError(f"{row.where}: role is {role!r}", "Give the role control or check.")
    checked: Role = "control" if role == "control" else "check"
    sigma_px, sigma_mm = row.number("sigma_px", default=0.5), row.number("sigma_mm", default=0.0)
    if sigma_px <= 0 or sigma_mm < 0:
        raise InputError(
            f"{row.where}: the stated precision is not positive",
            "Give sigma_px above 0 and sigma_mm of 0 or more.",
        )
    return ControlPoint(
        name=row.text("name"),
        u_m=row.number("u_m"),
        v_m=row.number("v_m"),
        x_px=pixel_px[0],
        y_px=pixel_px[1],
        role=checked,
        sigma_px=sigma_px,
        sigma_m=sigma_mm / 1000,
    )


def _refuse_double_names(named: list[tuple[CsvRow, str]]) -> None:
    first: dict[str, CsvRow] = {}
    for row, name in named:
        if name in first:
            raise InputError(
                f"{row.where}: name {name} was given before (line {first[name].line})",
                "Give every point its own name.",
            )
        first[name] = row


def read_pixel_points(
    path: Path, *, turn: Turn | None = None, stored_pixels: bool = False
) -> list[tuple[str, float, float]]:
    """Points to be located: ``name,x_px,y_px``, and ``pixels`` as in `read_control`.

    Raises
    ------
    FileError, InputError
    """
    rows = read_csv_rows(
        path, columns=("name", "x_px", "y_px"), optional=(PIXELS_COLUMN,), what="points file"
    )
    points = [(row.text("name"), *picked_pixel(row, turn, stored=stored_pixels)) for row in rows]
    _refuse_double_names([(row, point[0]) for row, point in zip(rows, points, strict=True)])
    for row, (name, x, y) in zip(rows, points, strict=True):
        if max(math.fabs(x), math.fabs(y)) > 1e7:
            raise InputError(
                f"{row.where}: pixel of {name} ({x:g}, {y:g}) is out of every picture",
                "Correct the row.",
            )
    return points
