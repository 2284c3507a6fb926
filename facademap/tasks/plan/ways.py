"""The way of setting of one repair: tried on its solids, and kept only where it can be done."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import geopandas as gpd
from shapely.geometry import Polygon

from facademap.errors import InputError, StageError
from facademap.repair.adjust import can_be_adjusted, keep_pins
from facademap.repair.fixings import BEFORE, FIXINGS
from facademap.repair.mixes import DEFAULT_MIX, mix_named
from facademap.repair.pieces import Gap, design_piece, is_inset
from facademap.repair.pins import BY_HAND_PINS, PinLayout
from facademap.repair.replay import Replay, replay_rows
from facademap.repair.stonework import Stonework
from facademap.repair.ways import Way, way_of
from facademap.store.gate import gated_edit
from facademap.store.project import Project
from facademap.tables import OPENINGS, is_missing
from facademap.tasks.plan.densities import densities_of_project
from facademap.tasks.plan.plan import dust_advice, settings_of_project, ways_of_project

__all__ = ["choose_way", "try_way", "way_state"]

_CHOICES = [
    {
        "name": f.name,
        "title": f.title,
        "rules": list(f.rules),
        "cautions": list(f.cautions),
        "plug": f.plug,
    }
    for f in FIXINGS.values()
]


def way_state(project: Project, repair: str) -> dict[str, Any]:
    """How a repair is set now, whether that can be done, and what may be chosen."""
    row, piece, stone = _rows(project, repair)
    found = replay_rows(row, piece, settings=settings_of_project(project), stone=stone)[1]
    own = ways_of_project(project).get(repair)
    return {
        **_told(repair, way_of(row), found),
        "own": own is not None,
        "open": can_be_adjusted(row),
        "choices": _CHOICES,
    }


def try_way(project: Project, repair: str, way: Way) -> dict[str, Any]:
    """What becomes of a repair when it is set in another way; nothing is stored."""
    return _tried(project, repair, way)[0]


def choose_way(
    folder: str | Path, repair: str, way: Way | None, *, who: str = "facademap plan"
) -> dict[str, Any]:
    """Keep a way of setting for one repair after it was gone through; without one, the project's own counts again.

    Parameters
    ----------
    folder : path
        Project.
    repair : str
        A repair that is proposed or on hold.
    way : Way, optional
        How it is set.
    who : str
        Named in the history.

    Returns
    -------
    dict
        As :func:`try_way`.

    Raises
    ------
    StageError
        The repair is settled, or the piece cannot be set that way; nothing is stored.
    """
    with Project.open(folder) as project:
        own = dict(project.setting("fixings", {}) or {})
        if way is None:
            own.pop(repair, None)
            wanted = Way(fixing=project.setting("fixing", None) or BEFORE)
        else:
            own[repair] = way.as_json()
            wanted = way
        told, columns, gaps = _tried(project, repair, wanted)
        if told["faults"]:
            first, more = told["faults"][0], len(told["faults"]) - 1
            raise StageError(
                f"{repair} cannot be set so: {first['about']}: {first['problem']}"
                + (f", and {more} more" if more else ""),
                first["remedy"],
            )
        others = [g for g in project.setting("plan_gaps", []) or [] if g["about"] != repair]
        with gated_edit(project, who=who, what=f"{repair}: {told['words']}") as edit:
            edit.set("fixings", own)
            edit.set("plan_gaps", others + [g.as_json() for g in gaps])
            edit.update("repairs", repair, columns)
    return told


def _tried(
    project: Project, repair: str, way: Way
) -> tuple[dict[str, Any], dict[str, Any], list[Gap]]:
    """What is told of a way, the columns of the repair that follow from it, and what its rules could not keep."""
    row, piece, stone = _rows(project, repair)
    if not can_be_adjusted(row):
        raise StageError(
            f"{repair} is {row['stage']}: its way of setting is settled",
            "Take it back to proposed with a reason, then change it.",
        )
    settings = settings_of_project(project)
    work = Stonework.from_frames(
        gpd.GeoDataFrame([stone], geometry="geometry"),
        OPENINGS.empty(),
        profiles=project.setting("profile_lines", {}) or {},
    )
    by_hand = BY_HAND_PINS in ((row.get("materials") or {}).get("pins") or {}).get("notes", ())
    notes: list[str] = []

    def place(face: Polygon, layout: PinLayout) -> PinLayout:
        known = row.get("pins") or []
        return keep_pins(repair, face, layout, known, settings, notes) if by_hand else layout

    _, columns, gaps = design_piece(
        row,
        outline=row["geometry"],
        stone=work.stones[str(stone["id"])],
        settings=settings,
        densities=densities_of_project(project),
        mix=mix_named(
            (project.setting("mixes", {}) or {}).get(repair)
            or project.setting("mix", None)
            or DEFAULT_MIX
        ),
        place_pins=place,
        way=way,
    )
    advice = dust_advice(project.setting("dust_tasks", []) or [])
    columns = {**columns, "cautions": [*columns["cautions"], *advice]}
    found = replay_rows({**row, **columns}, piece, settings=settings, stone=stone)[1]
    return {**_told(repair, way, found), "notes": notes}, columns, gaps


def _told(repair: str, way: Way, found: Replay) -> dict[str, Any]:
    fixing = FIXINGS[way.fixing]
    return {
        "repair": repair,
        **way.as_json(),
        "words": f"{fixing.title}, {way.words}",
        "passed": found.passed,
        "faults": [
            {"about": f.about, "problem": f.problem, "remedy": f.remedy} for f in found.faults
        ],
        "way_clear_m": _known(found.way_clear_m),
        "rod_clear_m": _known(found.rod_clear_m),
        "cover_m": _known(found.cover_m),
        "edge_m": _known(found.edge_m),
    }


def _known(length_m: float) -> float | None:
    return length_m if abs(length_m) < 1e6 else None


def _rows(
    project: Project, repair: str
) -> tuple[dict[str, Any], dict[str, Any], Mapping[str, Any]]:
    """The repair, its piece and its wall stone."""
    row = project.row("repairs", repair)
    pieces = project.read("pieces", where={"repair": repair}).to_dict("records")
    if not is_inset(row["treatment"]) or not pieces or is_missing(row["wall_stone"]):
        raise InputError(f"{repair} has no piece that is set", "Choose an inset or a whole stone.")
    return row, pieces[0], project.row("wall_stones", str(row["wall_stone"]))
