"""How the places of control were found, where a list says so: a wall by tape alone is marked as that."""

from __future__ import annotations

from collections.abc import Iterable

import pandas as pd

from facademap.io.survey_files import SurveyPoint
from facademap.store.edit import Edit
from facademap.store.project import Project

__all__ = ["control_by", "keep_measured_by"]

#: Setting: id of a control point to how its place was found.
_SETTING = "control_measured_by"


def keep_measured_by(
    project: Project, edit: Edit, surface: str, points: Iterable[SurveyPoint]
) -> None:
    """Keep what the list says of its points, as part of the edit that reads it; a point without word loses an older one."""
    before = project.setting(_SETTING, {}) or {}
    now = dict(before)
    for point in points:
        now.pop(f"{surface}:{point.name}", None)
        if point.measured_by is not None:
            now[f"{surface}:{point.name}"] = point.measured_by
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
