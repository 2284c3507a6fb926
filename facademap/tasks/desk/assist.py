"""Outlines, lines and courses proposed from the picture of a wall, in metres of the wall."""

from __future__ import annotations

import contextlib
import math
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import shapely

from facademap.condition.assist_course import find_course
from facademap.condition.assist_lines import follow_line
from facademap.condition.assist_wall import stones_in_view
from facademap.condition.coursing import DrawnStone, Judged, judge_course
from facademap.condition.damage_clicks import damage_clicked
from facademap.condition.damage_net import FILE as DAMAGE_NETWORK
from facademap.condition.network_files import network_is_there
from facademap.condition.wall_net import FILE as WALL_NETWORK
from facademap.errors import FacademapError, FileError, InputError
from facademap.store.project import Project
from facademap.tables.coursing import COURSING_SETTING, coursing_from
from facademap.tasks.desk.pictures import Pictures
from facademap.tasks.survey.assist import outline_finder
from facademap.tasks.survey.look_at_picture import in_metres, in_pixels
from facademap.tasks.survey.propose_damage import note_of, relief_on
from facademap.wall.mending import mend

__all__ = ["MODEL_SETTING", "Assistant"]

#: Proposals are worked out on at most this many pixels of the view.
MOST_PX = 2_000_000
#: Vertices closer to the line between their neighbours than this many pixels are left out of a proposal.
SIMPLE_PX = 0.9
#: A course is looked for on a view this much wider and higher on each side than its stroke.
COURSE_MARGIN_M = 1.5
#: Project setting that names a segmentation model inside the project folder.
MODEL_SETTING = "outline_model"
#: A course is looked for again from strokes so far above and below, until this share of the stroke is covered.
_SHIFTS_M = (0.02, -0.02, 0.05, -0.05)
_ENOUGH = 0.6
_KINDS = ("outline", "line", "course", "joints", "damage")
#: Joints are looked for so far round the places asked for.
_JOINTS_MARGIN_M = 0.3
#: Damage is looked for in the picture so far round the clicks, and on this many pixels at most.
_DAMAGE_MARGIN_M, _DAMAGE_PX = 1.2, 700_000
_MARGINS_M = {"course": COURSE_MARGIN_M, "joints": _JOINTS_MARGIN_M}


class Assistant:
    """Makes proposals; keeps the user's segmentation model, if there is one, between them.

    Parameters
    ----------
    model : Path, optional
        ONNX file given when the desk was started; goes before the one that the project names.
    """

    def __init__(self, model: Path | None = None) -> None:
        self._given = model
        self._finders: dict[Path, Callable[..., Any]] = {}
        if model is not None:
            self._finders[model] = outline_finder(model)

    @property
    def model(self) -> Path | None:
        """The one given when the desk was started."""
        return self._given

    def available(self) -> dict[str, bool]:
        """Which proposals can be made; ``stones`` are those of a whole wall."""
        return {
            **dict.fromkeys(_KINDS, True),
            "damage": network_is_there(DAMAGE_NETWORK),
            "stones": network_is_there(WALL_NETWORK),
        }

    def finder(self, project: Project) -> Callable[..., Any]:
        """What finds outlines in a project."""
        named = project.setting(MODEL_SETTING)
        path = self._given or (project.place(str(named)) if named else None)
        if path is None:
            return outline_finder(None)
        if path not in self._finders:
            self._finders[path] = outline_finder(path)
        return self._finders[path]

    def propose(
        self,
        project: Project,
        pictures: Pictures,
        kind: str,
        *,
        surface: str,
        box: Sequence[float],
        points: Sequence[Sequence[float]],
    ) -> list[dict[str, Any]]:
        """GeoJSON geometries in metres of the wall.

        Parameters
        ----------
        kind : str
            ``outline`` (one click inside), ``line`` (clicks along it), ``course`` (a stroke along it) or ``joints`` (places
            round which the outlines of stones are wanted).
        box : (u0, v0, u1, v1)
            Part of the wall in view, metres.
        points : sequence of (u_m, v_m)
            Clicks.
        """
        if kind not in _KINDS:
            raise InputError(f"no proposals of kind {kind[:40]!r}", "Draw it by hand.")
        if kind in _MARGINS_M:
            # the places alone say where to look: nearer than the view of a whole wall
            view = _round_places(points, _MARGINS_M[kind])
        else:
            view = _view(box, points)
        try:
            grid, rgb = pictures.surface_part(project, surface, view, most_px=MOST_PX)
        except (InputError, FileError):
            if (
                kind == "joints"
            ):  # what is not seen is no joint to land on, and no mistake of whoever moves a corner
                return []
            raise
        px = _in_picture(points, grid)
        if kind != "joints" and any(
            not (0 <= x <= rgb.shape[1] - 1 and 0 <= y <= rgb.shape[0] - 1) for x, y in px
        ):
            raise InputError("a click beside the picture", "Click on the wall.")
        if kind == "outline":
            found = [self.finder(project)(rgb, *px[0])]
        elif kind == "line":
            found = [follow_line(rgb, px)]
        elif kind == "joints":
            found = stones_in_view(rgb, gsd_m=grid.gsd_m)
        else:
            found = find_course(rgb, px, outline=self.finder(project))
        return [_simple(kind, in_metres(ring, grid), grid.gsd_m) for ring in found]

    def propose_damage(
        self,
        project: Project,
        pictures: Pictures,
        *,
        surface: str,
        box: Sequence[float],
        points: Sequence[Sequence[float]],
        outside: Sequence[Sequence[float]] = (),
    ) -> dict[str, Any]:
        """The damage that places inside and outside it point at: geometry in metres, a guess of its term, confidence, a note."""
        _view(box, [*points, *outside])
        view = _round_places([*points, *outside], _DAMAGE_MARGIN_M)
        grid, rgb = pictures.surface_part(project, surface, view, most_px=_DAMAGE_PX)
        inside, off = _in_picture(points, grid), _in_picture(outside, grid)
        if any(not (0 <= x < rgb.shape[1] and 0 <= y < rgb.shape[0]) for x, y in inside):
            raise InputError("a click beside the picture", "Click on the wall.")
        kept, relief_m = None, None
        with contextlib.suppress(
            FileError, InputError
        ):  # without its file the picture alone speaks
            kept, relief_m = relief_on(project, surface, grid)
        found = damage_clicked(rgb, inside, off, gsd_m=grid.gsd_m, relief_m=relief_m)
        shape = shapely.transform(found.shape_px, lambda p: in_metres(p, grid))
        return {
            "geometry": dict(shapely.geometry.mapping(shape)),
            "term": found.term,
            "confidence": found.confidence,
            "note": "; ".join([note_of(found), *([] if kept is None else kept.warnings)]),
        }

    def propose_course(
        self,
        project: Project,
        pictures: Pictures,
        *,
        surface: str,
        box: Sequence[float],
        points: Sequence[Sequence[float]],
    ) -> Judged:
        """Stones of a course that can be stones, each with its place in the wall; and what was left out, and why.

        A hand is not exact: where most of what is found can be no stone, the course is looked for again from strokes a
        little above and below, and what covers most of the stroke counts.
        """
        coursing = coursing_from(project.setting(COURSING_SETTING))
        drawn = _drawn_stones(project, surface)
        best: tuple[float, Judged] | None = None
        fault: FacademapError | None = None
        for shift_m in (0.0, *_SHIFTS_M):
            moved = [[p[0], p[1] + shift_m] for p in points] if shift_m else points
            try:
                found = self.propose(
                    project, pictures, "course", surface=surface, box=box, points=moved
                )
            except FacademapError as error:
                fault = fault or error
                continue
            outlines = [shapely.geometry.shape(g) for g in found]
            judged = judge_course(outlines, drawn, coursing=coursing)
            covered = sum(p.geometry.bounds[2] - p.geometry.bounds[0] for p in judged.proposals)
            if best is None or covered > best[0] + 1e-9:
                best = covered, judged
            if covered >= _ENOUGH * abs(points[-1][0] - points[0][0]):
                break
        if best is None:
            raise fault or InputError("no stones are seen along the stroke", "Draw them by hand.")
        return best[1]


def _drawn_stones(project: Project, surface: str) -> list[DrawnStone]:
    frame = project.read("wall_stones", where={"surface": surface})
    return [
        DrawnStone(
            id=str(row.id),
            geometry=row.geometry,
            course=_whole(row.course),
            number=_whole(row.number),
        )
        for row in frame.itertuples()
        if row.geometry is not None
    ]


def _whole(value: Any) -> int | None:
    return None if value is None or value != value else int(value)


def _round_places(
    points: Sequence[Sequence[float]], margin_m: float
) -> tuple[float, float, float, float]:
    left, low, right, high = _view([*points[0], *points[0]] if points else [], points)
    return (left - margin_m, low - margin_m, right + margin_m, high + margin_m)


def _in_picture(points: Sequence[Sequence[float]], grid: Any) -> list[tuple[float, float]]:
    return [(x, y) for x, y in in_pixels(np.reshape(points, (-1, 2)).astype(float), grid)]


def _simple(kind: str, wall: Any, gsd_m: float) -> dict[str, Any]:
    if kind != "line":
        shape: Any = mend(shapely.Polygon(wall), name="the outline found").simplify(
            SIMPLE_PX * gsd_m
        )
        parts = [p for p in shapely.get_parts(shape) if p.geom_type == "Polygon"]
        if not parts:
            raise InputError(
                "nothing with a border was found there",
                "Click in the middle of it, or draw it by hand.",
            )
        shape = max(parts, key=lambda p: p.area)
    else:
        shape = shapely.LineString(wall).simplify(SIMPLE_PX * gsd_m)
    return dict(shapely.geometry.mapping(shape))


def _view(
    box: Sequence[float], points: Sequence[Sequence[float]]
) -> tuple[float, float, float, float]:
    """The view, checked, and grown so that all clicks lie in it."""
    try:
        values = [float(v) for v in box]
        places = [[float(v) for v in p] for p in points]
    except (TypeError, ValueError):
        values, places = [], []
    flat = [*values, *(v for p in places for v in p)]
    if (
        len(values) != 4
        or not places
        or any(len(p) != 2 for p in places)
        or not all(math.isfinite(v) and abs(v) < 2000 for v in flat)
    ):
        raise InputError(
            "a view or clicks that are not numbers",
            "Send box as four and points as pairs of metres.",
        )
    if len(places) > 500:
        raise InputError(f"{len(places)} clicks", "Follow the line in shorter parts.")
    us, vs = [p[0] for p in places], [p[1] for p in places]
    return (
        min(values[0], *us) - 1e-3,
        min(values[1], *vs) - 1e-3,
        max(values[2], *us) + 1e-3,
        max(values[3], *vs) + 1e-3,
    )
