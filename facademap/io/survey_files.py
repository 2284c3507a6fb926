"""The surveyor's lists: points with their place on the wall or in the world, and where photos show them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from facademap.errors import InputError
from facademap.io.csv_tables import CsvRow, TableWords, read_csv_rows, read_table
from facademap.io.picked_pixels import PIXELS_COLUMN, in_stored_pixels
from facademap.io.plug_ins import listed, offered
from facademap.io.whole_files import need_file
from facademap.limits import hold_within

__all__ = ["Observation", "SurveyPoint", "read_observations", "read_survey_points"]


_COORDINATES = ("u_m", "v_m", "w_m", "east_m", "north_m", "height_m")


@dataclass(frozen=True, slots=True, kw_only=True)
class SurveyPoint:
    """One line of a point list; a coordinate that is not given is ``None``."""

    name: str
    role: str
    u_m: float | None
    v_m: float | None
    w_m: float | None
    east_m: float | None
    north_m: float | None
    height_m: float | None
    sigma_m: float | None
    measured_by: str | None = None

    @property
    def on_wall(self) -> bool:
        """Whether its place on the wall is given."""
        return self.u_m is not None and self.v_m is not None

    @property
    def in_world(self) -> bool:
        """Whether its place in the world is given."""
        return None not in (self.east_m, self.north_m, self.height_m)


@dataclass(frozen=True, slots=True, kw_only=True)
class Observation:
    """Where a photo shows a point; ``stored``: before the turn that the photo's EXIF asks for."""

    photo: str
    name: str
    x_px: float
    y_px: float
    stored: bool = False


def _number(row: CsvRow, column: str) -> float | None:
    return row.number(column) if row.cells.get(column, "").strip() else None


def read_survey_points(
    path: Path, *, words: TableWords | None = None, notes: list[str] | None = None
) -> list[SurveyPoint]:
    """Read ``name,role`` with ``u_m,v_m[,w_m]`` and/or ``east_m,north_m,height_m``, ``sigma_mm`` and ``measured_by``.

    Raises
    ------
    FileError, InputError
        Unreadable, a name twice, a role that is none, a point without any place.
    """
    coordinates = _COORDINATES
    ending = path.suffix.lower().removeprefix(".")
    rows: Sequence[CsvRow]
    if ending in offered("survey_readers"):
        rows = _rows_of_reader(path, ending)
    else:
        rows = _rows_of_table(path, words, notes)
    points: list[SurveyPoint] = []
    seen: set[str] = set()
    for row in rows:
        name = row.text("name")
        if name in seen:
            raise InputError(
                f"{row.where}: point {name} was given before", "Give every point its own name."
            )
        seen.add(name)
        values = {c: _number(row, c) for c in coordinates}
        sigma_mm = _number(row, "sigma_mm")
        role = _role(row)
        if sigma_mm is not None and sigma_mm < 0:
            raise InputError(f"{row.where}: sigma_mm of {name} is negative", "Give 0 or more.")
        point = SurveyPoint(
            name=name,
            role=role,
            sigma_m=None if sigma_mm is None else sigma_mm / 1000,
            measured_by=row.cells.get("measured_by", "").strip() or None,
            **values,
        )
        if not point.on_wall and not point.in_world:
            raise InputError(
                f"{row.where}: point {name} has no place",
                "Give u_m and v_m, or east_m, north_m and height_m.",
            )
        points.append(point)
    return points


def _rows_of_table(
    path: Path, words: TableWords | None, notes: list[str] | None
) -> Sequence[CsvRow]:
    table = read_table(
        path,
        columns=("name",),
        optional=("role", *_COORDINATES, "sigma_mm", "measured_by"),
        what="point list",
        words=words,
    )
    if notes is not None:
        notes += table.notes
        if table.unused:
            notes.append(f"columns not used: {', '.join(table.unused)}")
    return table.rows


def _rows_of_reader(path: Path, ending: str) -> list[CsvRow]:
    """The points that a plug-in reads from an instrument's list, checked like rows of a table afterwards."""
    need_file(path)
    known = {"name", "role", *_COORDINATES, "sigma_mm", "measured_by"}
    rows = []
    for number, point in enumerate(listed("survey_readers", ending, path), start=1):
        strange = sorted(set(point) - known)
        if strange:
            raise InputError(
                f"{path.name}: its reader gives {', '.join(strange)}, which no point has",
                f"Tell its makers: points have {', '.join(sorted(known))}.",
            )
        cells = {k: "" if v is None else str(v) for k, v in point.items()}
        rows.append(CsvRow(path.name, number, cells, row_word="point"))
    hold_within(
        "rows",
        len(rows),
        what=f"{path.name}: {len(rows)} points",
        remedy="Give only those of this wall",
    )
    return rows


def _role(row: CsvRow) -> str:
    role = row.cells.get("role", "").strip().lower() or "control"
    if role not in ("control", "check", "instrument"):
        raise InputError(
            f"{row.where}: role is {role!r}",
            "Give the role control or check, or instrument for the place that the wall was measured from.",
        )
    return role


def read_observations(path: Path, *, stored_pixels: bool = False) -> list[Observation]:
    """Read ``photo,name,x_px,y_px``, and ``pixels`` (upright or stored); each point once a photo.

    Raises
    ------
    FileError, InputError
    """
    rows = read_csv_rows(
        path,
        columns=("photo", "name", "x_px", "y_px"),
        optional=(PIXELS_COLUMN,),
        what="list of observations",
    )
    result: list[Observation] = []
    seen: set[tuple[str, str]] = set()
    for row in rows:
        key = (row.text("photo"), row.text("name"))
        if key in seen:
            raise InputError(
                f"{row.where}: {key[1]} is given twice in {key[0]}", "Keep one of them."
            )
        seen.add(key)
        result.append(
            Observation(
                photo=key[0],
                name=key[1],
                x_px=row.number("x_px"),
                y_px=row.number("y_px"),
                stored=in_stored_pixels(row, otherwise=stored_pixels),
            )
        )
    return result
