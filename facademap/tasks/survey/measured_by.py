"""How the places of control were found, where a list says so: a wall by tape alone is marked as that."""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd

from facademap.store.edit import Edit
from facademap.store.project import Project

__all__ = ["control_by", "mark_measured_by"]

#: Setting: id of a control point to how its place was found.
_SETTING = "control_measured_by"


def mark_measured_by(project: Project, edit: Edit, said: Mapping[str, str | None]) -> None:
    """Keep how the places of points were found, as part of the edit that gives them; ``None`` takes an older word away."""
    before = project.setting(_SETTING, {}) or {}
    now = {name: how for name, how in {**before, **said}.items() if how is not None}
    if now != before:
        edit.set(_SETTING, now)


def control_by(project: Project, points: pd.DataFrame) -> str | None:
    """How all control of a surface was measured, such as ``tape``; None where it is not said of every point."""
    said = project.setting(_SETTING, {}) or {}
    control = points.loc[points["role"] == "control", "id"]
    words = {said.get(point) for point in control}
    if not words or None in words:
        return None
    return " and ".join(sorted(str(w) for w in words))
