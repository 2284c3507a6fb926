"""Use case: lines of sections that a surface keeps, so that its drawings show them."""

from __future__ import annotations

import math
import re
from pathlib import Path
from typing import Any

from facademap.errors import InputError
from facademap.store.project import Project
from facademap.tasks.survey.add_photos import surface_of
from facademap.tasks.survey.kept_reliefs import sections_of

__all__ = ["forget_section", "keep_section"]

_NAME = re.compile(r"[^\W_][\w' -]{0,11}\Z")
_MOST = 40
Line = tuple[float, float, float, float]


def keep_section(
    folder: str | Path,
    name: str,
    line_m: Line,
    *,
    surface: str | None = None,
    who: str = "surveyor",
) -> dict[str, Any]:
    """Keep a line under a name; a line that has the name already is replaced.

    Parameters
    ----------
    folder : path
        Project.
    name : str
        Short, as it stands on the drawing.
    line_m : tuple of float
        Both ends: u0, v0, u1, v1.
    surface : str, optional
        May be left out where the project has one.
    who : str

    Returns
    -------
    dict
        ``surface``, ``sections`` (names).

    Raises
    ------
    InputError
        A name that does not fit a drawing, a line without length, or too many of them.
    """
    if not _NAME.match(name):
        raise InputError(
            f"{name[:40]!r} is no name of a section", "Use 1 to 12 letters or digits, such as A."
        )
    length = math.hypot(line_m[2] - line_m[0], line_m[3] - line_m[1])
    if not (math.isfinite(length) and length > 0):
        raise InputError("the line of the section has no length", "Give two ends on the wall.")
    with Project.open(folder) as project:
        id = surface_of(project, surface)
        row = project.row("surfaces", id)
        lines = dict(sections_of(row)) | {name: line_m}
        if len(lines) > _MOST:
            raise InputError(
                f"surface {id} keeps {_MOST} sections already", "Take one back that is not needed."
            )
        _store(project, id, row, lines, f"section {name} of {id}", who)
    return {"surface": id, "sections": list(lines)}


def forget_section(
    folder: str | Path, name: str, *, surface: str | None = None, who: str = "surveyor"
) -> dict[str, Any]:
    """Take a line away.

    Parameters
    ----------
    folder : path
    name : str
    surface : str, optional
    who : str

    Returns
    -------
    dict
        ``surface``, ``sections`` (names that are left).

    Raises
    ------
    InputError
        There is no section of this name.
    """
    with Project.open(folder) as project:
        id = surface_of(project, surface)
        row = project.row("surfaces", id)
        lines = dict(sections_of(row))
        if name not in lines:
            known = ", ".join(lines) or "none"
            raise InputError(f"surface {id} keeps no section {name[:40]!r}", f"It keeps: {known}.")
        del lines[name]
        _store(project, id, row, lines, f"section {name} of {id} taken away", who)
    return {"surface": id, "sections": list(lines)}


def _store(
    project: Project, id: str, row: Any, lines: dict[str, Line], what: str, who: str
) -> None:
    kept = [{"name": n, "line_m": [round(float(v), 4) for v in line]} for n, line in lines.items()]
    with project.edit(who=who, what=what) as edit:
        edit.update("surfaces", id, {"sections": kept}, rev=row["rev"])
