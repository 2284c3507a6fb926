"""Targets picked in several photos: ``photo,name,u_m,v_m,w_m,x_px,y_px,role``."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from facademap.errors import InputError
from facademap.io.csv_tables import CsvRow, read_csv_rows

__all__ = ["TargetPick", "read_target_picks"]


@dataclass(frozen=True, slots=True, kw_only=True)
class TargetPick:
    """One target in one photo.

    Parameters
    ----------
    photo, name : str
    uvw_m : tuple of 3 float
        In the wall frame; w out of the wall.
    pixel_px : tuple of 2 float
    role : {"control", "check"}
    """

    photo: str
    name: str
    uvw_m: tuple[float, float, float]
    pixel_px: tuple[float, float]
    role: Literal["control", "check"]


def read_target_picks(path: Path) -> list[TargetPick]:
    """Targets of a survey in several photos.

    Parameters
    ----------
    path : Path
        CSV with a row for each target in each photo; an empty ``w_m`` is 0.

    Raises
    ------
    FileError, InputError
        A row that cannot be used, a target twice in one photo, or with two places.
    """
    rows = read_csv_rows(
        path,
        columns=("photo", "name", "u_m", "v_m", "x_px", "y_px", "role"),
        optional=("w_m",),
        what="control file",
    )
    picks = [_pick(row) for row in rows]
    _refuse_contradictions(list(zip(rows, picks, strict=True)))
    return picks


def _pick(row: CsvRow) -> TargetPick:
    role = row.text("role").lower()
    if role not in ("control", "check"):
        raise InputError(f"{row.where}: role is {role!r}", "Give the role control or check.")
    return TargetPick(
        photo=row.text("photo"),
        name=row.text("name"),
        uvw_m=(row.number("u_m"), row.number("v_m"), row.number("w_m", default=0.0)),
        pixel_px=(row.number("x_px"), row.number("y_px")),
        role="control" if role == "control" else "check",
    )


def _refuse_contradictions(named: list[tuple[CsvRow, TargetPick]]) -> None:
    seen: dict[tuple[str, str], CsvRow] = {}
    place: dict[str, tuple[CsvRow, TargetPick]] = {}
    for row, pick in named:
        if (pick.photo, pick.name) in seen:
            raise InputError(
                f"{row.where}: {pick.name} was given before in {pick.photo} "
                f"(line {seen[pick.photo, pick.name].line})",
                "Give every target once a photo.",
            )
        seen[pick.photo, pick.name] = row
        first, known = place.setdefault(pick.name, (row, pick))
        if known.uvw_m != pick.uvw_m or known.role != pick.role:
            raise InputError(
                f"{row.where}: {pick.name} has another place or role than in line {first.line}",
                "Give a target one place and one role in all photos.",
            )
