"""Use case: looks at conditions, repairs and walls are entered, and what they showed over the years is read."""

from __future__ import annotations

import datetime as dt
import math
from pathlib import Path
from typing import Any

from facademap.errors import InputError
from facademap.store.gate import gated_edit
from facademap.store.project import Project
from facademap.tables import LOOKED_AT, is_missing
from facademap.tasks.record.days import day_of
from facademap.treatment.follow_up import FollowUp, follow_ups

__all__ = ["enter_look", "looks_of_project"]


def enter_look(
    folder: str | Path,
    about: str,
    *,
    finding: str,
    looked_on: str | None = None,
    by: str | None = None,
    hollow_share: float | None = None,
    open_joint_m: float | None = None,
    colour_difference: float | None = None,
    photo: str | None = None,
    note: str | None = None,
    today: dt.date | None = None,
    who: str = "facademap follow-up",
) -> dict[str, Any]:
    """Enter a look that was made.

    Parameters
    ----------
    folder : path
        Project.
    about : str
        Number of a condition, a repair or a surface.
    finding : str
        ``sound``, ``as before``, ``worse``, ``failed`` or ``not reached``.
    looked_on : str, optional
        Day as YYYY-MM-DD; today when not given.
    by : str, optional
        Who looked.
    hollow_share, open_joint_m, colour_difference : float, optional
        See the table of looks.
    photo, note : str, optional
    today : datetime.date, optional
    who : str
        Named in the history.

    Returns
    -------
    dict
        The row.

    Raises
    ------
    InputError
        Nothing has this number, the day has not come, or a number that is none.
    """
    day = day_of(looked_on, "Give the day of the look.", today=today)
    told = {
        "hollow_share": hollow_share,
        "open_joint_m": open_joint_m,
        "colour_difference": colour_difference,
    }
    for name, value in told.items():
        if value is not None and not math.isfinite(value):
            raise InputError(f"{name} of {value} is no number", "Leave out what was not measured.")
    with Project.open(folder) as project:
        table = next((t for t in LOOKED_AT if project.read(t, where={"id": about}).shape[0]), None)
        if table is None:
            raise InputError(
                f"there is no condition, repair or surface {about[:40]!r}", "Check its number."
            )
        values = {**told, "by": by, "photo": photo, "note": note}
        with gated_edit(project, who=who, what=f"look at {about}: {finding}") as edit:
            row: dict[str, Any] = {
                "id": edit.new_id("LK"),
                "about_table": table,
                "about": about,
                "looked_on": day,
                "finding": finding,
                **{k: v for k, v in values.items() if v is not None},
            }
            edit.insert("looks", [row])
        kept = project.row("looks", row["id"])
    return {k: None if is_missing(v) else v for k, v in kept.items() if k != "geometry"}


def looks_of_project(folder: str | Path) -> list[FollowUp]:
    """Everything that was looked at.

    Parameters
    ----------
    folder : path
    """
    with Project.open(folder, read_only=True) as project:
        return follow_ups(project.read("looks").to_dict("records"))
