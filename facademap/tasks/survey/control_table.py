"""The one table of control where a photo shows it: places on the wall, in the world, or both."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np

from facademap.errors import InputError
from facademap.io.control_files import read_control
from facademap.io.csv_tables import CsvRow, read_csv_rows
from facademap.io.picked_pixels import PIXELS_COLUMN, picked_pixel
from facademap.io.survey_files import Observation, SurveyPoint, read_survey_points
from facademap.photo.control import ControlPoint, ControlPoints
from facademap.photo.orientation import Turn
from facademap.tasks.survey.outside import FEWEST_WORLD_POINTS, place_wall, world_of
from facademap.tasks.survey.world_points import refuse_absurd
from facademap.values import frozen_value
from facademap.wall.frame import WorldPlacement

__all__ = ["PhotoControl", "control_in_photo", "control_on_arc"]

_WORLD = ("east_m", "north_m", "height_m")


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoControl:
    """Control of one photo, in the wall frame.

    Parameters
    ----------
    points : ControlPoints
    frame : str or None
        Origin and direction of the frame, where it was made from places in the world.
    placement : WorldPlacement or None
        Where that frame stands.
    notes : tuple of str
        What was left out and why.
    """

    points: ControlPoints
    frame: str | None = None
    placement: WorldPlacement | None = None
    notes: tuple[str, ...] = ()

    def report(self) -> dict[str, Any]:
        """What a report says of the frame."""
        if self.placement is None:
            return {}
        return {"frame": self.frame, "placement": self.placement.to_dict()}


def control_in_photo(
    path: Path,
    *,
    turn: Turn | None = None,
    stored_pixels: bool = False,
    placement: WorldPlacement | None = None,
) -> PhotoControl:
    """Read the table of control of one photo.

    Parameters
    ----------
    path : Path
        ``name,x_px,y_px,role`` with ``u_m,v_m`` and/or ``east_m,north_m,height_m``, ``sigma_px``, ``sigma_mm``, ``pixels``.
    turn, stored_pixels
        As for `read_control`.
    placement : WorldPlacement, optional
        The frame of the wall, where it stands in the world already; without it the frame comes from the table, and its
        outside from the photo.

    Raises
    ------
    FileError, InputError, GeometryError
        Also points in the world that no frame carries to the wall.
    """
    rows = read_csv_rows(
        path,
        columns=("name",),
        optional=("u_m", "v_m", "x_px", "y_px", "sigma_px", PIXELS_COLUMN, *_WORLD),
        what="control file",
    )
    if not any(_given(row, *_WORLD) and not _given(row, "u_m", "v_m") for row in rows):
        return PhotoControl(points=read_control(path, turn=turn, stored_pixels=stored_pixels))
    survey = {p.name: p for p in read_survey_points(path)}
    pixels = {
        row.text("name"): picked_pixel(row, turn, stored=stored_pixels)
        for row in rows
        if row.cells.get("x_px", "").strip() or row.cells.get("y_px", "").strip()
    }
    picks = {row.text("name"): row.number("sigma_px", default=0.5) for row in rows}
    in_world = [p for p in survey.values() if p.in_world]
    refuse_absurd(
        np.array([world_of(p) for p in in_world], dtype=float).reshape(-1, 3),
        [p.name for p in in_world],
        outside_enh=None,
        epsg=None,
    )
    notes: list[str] = []
    if placement is not None:
        frame, strangers = "the frame of the surface", frozenset[str]()
    else:
        placement, frame, strangers = _frame(path, survey, pixels, notes)
    unseen = [p.name for p in survey.values() if p.name not in pixels and p.role != "instrument"]
    if unseen:
        notes.append(
            f"without a place in the photo, and so only part of the frame: {', '.join(unseen)}"
        )
    points = [
        _point(survey[name], pixel, picks[name], placement)
        for name, pixel in pixels.items()
        if name not in strangers and survey[name].role != "instrument"
    ]
    return PhotoControl(
        points=ControlPoints.from_points(points),
        frame=frame,
        placement=placement,
        notes=tuple(notes),
    )


def control_on_arc(
    path: Path, *, turn: Turn | None = None, stored_pixels: bool = False
) -> ControlPoints:
    """Read the table for a round surface, whose places are arcs; those in the world are refused with the way to get them."""
    rows = read_csv_rows(
        path, columns=("name",), optional=("u_m", "v_m", *_WORLD), what="control file"
    )
    for row in rows:
        if _given(row, *_WORLD) and not _given(row, "u_m", "v_m"):
            raise InputError(
                f"{row.where}: point {row.text('name')} has a place in the world and none on the round surface",
                "Let facademap frame --cylinder unroll the survey, and give its u_m and v_m.",
            )
    return read_control(path, turn=turn, stored_pixels=stored_pixels)


def _frame(
    path: Path,
    survey: dict[str, SurveyPoint],
    pixels: dict[str, tuple[float, float]],
    notes: list[str],
) -> tuple[WorldPlacement, str, frozenset[str]]:
    """Frame of the wall from the table, its sentence, and the points that do not lie on it."""
    seen = [
        Observation(photo=path.name, name=name, x_px=x, y_px=y) for name, (x, y) in pixels.items()
    ]
    wall = place_wall(list(survey.values()), seen=seen)
    if wall is None:
        lost = next(p.name for p in survey.values() if not p.on_wall)
        raise InputError(
            f"{path.name}: point {lost} has no place on the wall, and too few points place the wall in the world",
            f"Give u_m and v_m, or east_m, north_m and height_m of {FEWEST_WORLD_POINTS} points or more.",
        )
    placed = wall.placement
    notes += placed.flags
    strangers = frozenset(
        name
        for name, used in zip(placed.names, placed.used, strict=True)
        if not used and not survey[name].on_wall
    )
    return placed, wall.sentence(), strangers


def _given(row: CsvRow, *columns: str) -> bool:
    return all(row.cells.get(column, "").strip() for column in columns)


def _point(
    point: SurveyPoint, pixel: tuple[float, float], sigma_px: float, placement: WorldPlacement
) -> ControlPoint:
    if point.u_m is not None and point.v_m is not None:
        u_m, v_m = point.u_m, point.v_m
    else:
        u_m, v_m, _ = (float(x) for x in placement.wall_from_world(world_of(point)))
    if not (sigma_px > 0 and math.isfinite(sigma_px)):
        raise InputError(
            f"point {point.name}: the stated precision is not positive", "Give sigma_px above 0."
        )
    role: Literal["control", "check"] = "check" if point.role == "check" else "control"
    return ControlPoint(
        name=point.name,
        u_m=u_m,
        v_m=v_m,
        x_px=pixel[0],
        y_px=pixel[1],
        role=role,
        sigma_px=sigma_px,
        sigma_m=point.sigma_m or 0.0,
    )
