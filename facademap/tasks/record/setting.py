"""What the record asks of the setting of an inset: that it can be done, its steps, and its photos."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from facademap.errors import InputError, StageError
from facademap.repair.criteria import Criteria
from facademap.repair.measured import PieceAsMeasured, pins_as_measured
from facademap.repair.replay import Replay, replay_rows
from facademap.repair.stages import CheckState
from facademap.repair.steps import photo_note, photos_taken, steps_for
from facademap.store.project import Project
from facademap.tables import is_missing
from facademap.tasks.plan.plan import settings_of_project
from facademap.tasks.record.editing import record_edit

__all__ = ["need_assembly", "record_photo", "state_of_steps", "with_pins_as_measured"]


def record_photo(
    folder: str | Path,
    repair: str,
    slot: str,
    photo: str,
    *,
    at: dt.datetime | None = None,
    mason: str | None = None,
    who: str = "facademap record",
    now: dt.datetime | None = None,
    key: str | None = None,
) -> dict[str, Any]:
    """Enter a photo of the project under one of the slots of the photo sequence; ``key`` names the transaction.

    Raises
    ------
    InputError
        There is no such slot, photo or repair.
    """
    now = now or dt.datetime.now(dt.UTC)
    note = photo_note(slot)
    with Project.open(folder) as project:
        project.row("repairs", repair)
        project.row("photos", photo)
        if at is not None and at > now + dt.timedelta(minutes=5):
            raise InputError(f"{repair}: {at.isoformat()} lies in the future", "Check the clock.")
        entry: dict[str, Any] = {
            "repair": repair,
            "at": (at or now).astimezone(dt.UTC).isoformat(timespec="seconds"),
            "stage": None,
            "check": None,
            "result": None,
            "measured": None,
            "mason": mason,
            "photo": photo,
            "reason": None,
            "corrects": None,
            "note": note,
        }
        with record_edit(project, key, who=who, what=f"{repair}: photo, {slot}") as edit:
            entry["id"] = edit.new_id("W", digits=5)
            edit.insert("work_log", [entry])
    return entry


def state_of_steps(
    states: Iterable[CheckState],
    entries: Iterable[Mapping[Any, Any]],
    *,
    criteria: Criteria,
    treatment: str,
) -> list[dict[str, Any]]:
    """The steps of the setting sheet with the result of every check and the photos taken."""
    result = {s.criterion: s.result for s in states}
    taken = photos_taken(entries)
    return [
        {
            "step": number,
            "title": step.title,
            "before": step.before,
            "hold": step.hold,
            "checks": {name: result.get(name, "missing") for name in checks},
            "photo": step.photo or None,
            "photos": [str(e["photo"]) for e in taken.get(step.photo, [])],
        }
        for number, (step, checks) in enumerate(steps_for(criteria, treatment=treatment), start=1)
    ]


def need_assembly(project: Project, repair: Mapping[str, Any]) -> None:
    """Raise where the piece cannot be pushed on, taken off and set as it is planned."""
    for piece in project.read("pieces", where={"repair": repair["id"]}).to_dict("records"):
        found = _gone_through(project, repair, piece)
        if not found.passed:
            first, more = found.faults[0], len(found.faults) - 1
            raise StageError(
                f"{repair['id']} cannot be set as planned: {first.about}: {first.problem}"
                + (f", and {more} more" if more else ""),
                first.remedy,
            )


def with_pins_as_measured(
    project: Project, repair: Mapping[str, Any], piece: Mapping[str, Any], found: PieceAsMeasured
) -> tuple[dict[str, Any], list[str]]:
    """Columns of the repair whose pins follow the cut-out as cut, and what still cannot be done.

    Parameters
    ----------
    repair, piece : mapping
        Rows as they will be stored, the repair's pins still those of the drawing.
    """
    columns = pins_as_measured(repair, found, settings=settings_of_project(project))
    gone_through = _gone_through(project, {**repair, **columns}, piece)
    return columns, [
        f"It cannot be set as cut: {fault.about}: {fault.problem}. {fault.remedy}"
        for fault in gone_through.faults
    ]


def _gone_through(project: Project, repair: Mapping[str, Any], piece: Mapping[str, Any]) -> Replay:
    stones = (
        []
        if is_missing(repair["wall_stone"])
        else project.read("wall_stones", where={"id": repair["wall_stone"]}).to_dict("records")
    )
    return replay_rows(
        repair,
        piece,
        settings=settings_of_project(project),
        stone=stones[0] if stones else None,
    )[1]
