"""Where the scale of a photographed face comes from: control points, known lengths, or the target sheet."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from facademap.errors import InputError
from facademap.io.camera_files import read_camera_for
from facademap.io.csv_tables import read_csv_rows
from facademap.io.picked_pixels import PIXELS_COLUMN, picked_pixel
from facademap.photo.orientation import Turn
from facademap.salvage.face_size import (
    SCALE_AGREEMENT,
    FaceScale,
    OneLengthScale,
    PlaneScale,
    fit_face_plane,
    scale_from_length,
    scale_from_two_lengths,
)
from facademap.salvage.target_sheet import find_target_sheet, sheet_corners_m
from facademap.values import frozen_value

__all__ = ["SQUARE_ON", "FoundScale", "Length", "ScaleChoice", "find_scale", "read_face_control"]

#: ``x0, y0, x1, y1, length_m``.
Length = tuple[float, float, float, float, float]
#: Nominal length of the check bar on the target sheet.
SHEET_BAR_M = 0.1
SQUARE_ON = "known length: the picture is taken to be square on to the face, and its lens to be free of distortion"


@dataclass(frozen=True, slots=True, kw_only=True)
class ScaleChoice:
    """What the user gives for the scale.

    Parameters
    ----------
    control : Path, optional
        Table ``name,x_px,y_px,x_mm,y_mm`` of four or more points in the plane of the face.
    camera : Path, optional
        Lens, with control or the target sheet.
    stored_pixels : bool
        Control and lengths were picked in the stored picture, before the turn that its EXIF asks for.
    lengths : tuple of Length
        One or two known lengths. Beside control or the sheet they are compared with it.
    sheet : bool
        Whether the printed target sheet lies on the face, or beside it in its plane.
    sheet_bar_m : float, optional
        Measured length of the sheet's check bar, where it was not printed true to scale.
    """

    control: Path | None = None
    camera: Path | None = None
    stored_pixels: bool = False
    lengths: tuple[Length, ...] = ()
    sheet: bool = False
    sheet_bar_m: float | None = None

    def __post_init__(self) -> None:
        by_points = self.control is not None or self.sheet
        if not by_points and not self.lengths:
            raise InputError(
                "no scale is given",
                "Give four control points on the face, the target sheet in the photo, "
                "or one or two known lengths in a picture taken square on.",
            )
        if self.control is not None and self.sheet:
            raise InputError(
                "both control points and the target sheet are given", "Give one of the two."
            )
        if self.camera is not None and not by_points:
            raise InputError(
                "a camera is given without control points",
                "Give the control points on the face as well.",
            )
        if self.sheet_bar_m is not None and not self.sheet:
            raise InputError(
                "the length of the target sheet's bar is given without the sheet",
                "Say that the sheet is in the photo.",
            )
        if len(self.lengths) > 2:
            raise InputError(
                f"{len(self.lengths)} known lengths are given",
                "Give one or two, or four control points.",
            )


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class FoundScale:
    """A scale with how it was found.

    Parameters
    ----------
    scale : FaceScale
    source : str
        In words.
    flags : tuple of str
        What is doubtful.
    covered_px : ndarray, shape (4, 2), optional
        Corners of the target sheet, which may hide a part of the face.
    """

    scale: FaceScale
    source: str
    flags: tuple[str, ...]
    covered_px: NDArray[Any] | None = None

    @property
    def plane(self) -> PlaneScale | None:
        """The scale by points, where it is one."""
        return self.scale if isinstance(self.scale, PlaneScale) else None

    @property
    def rmse_m(self) -> float | None:
        """Root mean square residual of the control."""
        if self.plane is None:
            return None
        view = self.plane.view
        return float(np.sqrt(np.mean(np.sum(view.residual_m[view.used] ** 2, axis=1))))

    @property
    def left_out(self) -> tuple[str, ...]:
        """Control points that the others contradict."""
        return () if self.plane is None else tuple(b.name for b in self.plane.view.blunders)

    @property
    def warnings(self) -> tuple[str, ...]:
        """Flags, and a sentence for each point left out."""
        blunders = (
            () if self.plane is None else tuple(b.sentence() for b in self.plane.view.blunders)
        )
        return (*self.flags, *blunders)


def find_scale(
    picture: NDArray[Any], choice: ScaleChoice, *, turn: Turn | None = None
) -> FoundScale:
    """The scale of the face in an upright picture; ``turn`` says how it was stored (as it is, without it).

    Raises
    ------
    InputError, GeometryError, FileError, SolveError
        Two scales contradict each other, or there is none.
    """
    rows, cols = picture.shape[:2]
    turn = turn or Turn(width_px=cols, height_px=rows)
    lengths = tuple(_upright(n, turn) if choice.stored_pixels else n for n in choice.lengths)
    for length in lengths:
        if any(
            not (-0.5 <= length[k] <= cols - 0.5 and -0.5 <= length[k + 1] <= rows - 0.5)
            for k in (0, 2)
        ):
            raise InputError(
                f"an end of the known length {length[4] * 1000:g} mm lies outside the picture of {cols} x {rows} px",
                "Mark both ends in the picture.",
            )
    by_length = _by_lengths(lengths)
    if choice.control is None and not choice.sheet:
        assert by_length is not None
        words = (
            "two known lengths, square on" if len(choice.lengths) == 2 else "one length, square on"
        )
        return FoundScale(scale=by_length, source=words, flags=(SQUARE_ON,))
    if choice.control is None:
        names, pixel, face = find_target_sheet(
            picture, printed_scale=(choice.sheet_bar_m or SHEET_BAR_M) / SHEET_BAR_M
        )
    else:
        names, pixel, face = read_face_control(
            choice.control, turn=turn, stored_pixels=choice.stored_pixels
        )
    lens = (
        None
        if choice.camera is None
        else read_camera_for(choice.camera, turn, stored_pixels=choice.stored_pixels)
    )
    plane = fit_face_plane(names, pixel, face, width_px=cols, height_px=rows, camera=lens)
    for length in lengths:
        _compare(plane, length)
    covered = plane.view.pixel_from_wall(*sheet_corners_m(face).T) if choice.sheet else None
    return FoundScale(
        scale=plane,
        source="target sheet" if choice.sheet else "control points",
        flags=tuple(plane.view.flags),
        covered_px=covered,
    )


def _upright(length: Length, turn: Turn) -> Length:
    (x0, y0), (x1, y1) = turn.upright_pixels([length[:2], length[2:4]]).tolist()
    return (x0, y0, x1, y1, length[4])


def _by_lengths(lengths: tuple[Length, ...]) -> OneLengthScale | None:
    if not lengths:
        return None
    if len(lengths) == 1:
        return scale_from_length(lengths[0][:2], lengths[0][2:4], lengths[0][4])
    return scale_from_two_lengths(*lengths)


def _compare(plane: PlaneScale, length: Length) -> None:
    ends = plane.metres(np.array([length[:2], length[2:4]]))
    seen_m = float(np.hypot(*(ends[1] - ends[0])))
    if not math.isfinite(seen_m) or abs(seen_m / length[4] - 1) > SCALE_AGREEMENT:
        raise InputError(
            f"two scales contradict each other: {length[4] * 1000:g} mm is {seen_m * 1000:.1f} mm by the control points",
            "Check both, or give only the one you trust.",
        )


def read_face_control(
    path: Path, *, turn: Turn | None = None, stored_pixels: bool = False
) -> tuple[list[str], np.ndarray, np.ndarray]:
    """Read ``name,x_px,y_px,x_mm,y_mm``: names, upright pixels, and places in metres."""
    rows = read_csv_rows(
        path,
        columns=("name", "x_px", "y_px", "x_mm", "y_mm"),
        optional=(PIXELS_COLUMN,),
        what="control table",
    )
    if len(rows) < 4:
        raise InputError(
            f"control table {path.name} has {len(rows)} points, a face needs at least 4",
            "Add points in the plane of the face, or give a known length in a picture taken square on.",
        )
    pixel = np.array([picked_pixel(r, turn, stored=stored_pixels) for r in rows])
    face = np.array([[r.number("x_mm"), r.number("y_mm")] for r in rows]) / 1000
    return [r.text("name") for r in rows], pixel, face
