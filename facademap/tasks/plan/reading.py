"""In which units the people of a project read, on paper and at the desk."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from facademap.store.gate import gated_edit
from facademap.store.project import Project
from facademap.tasks.plan.plan import profile_of_project

__all__ = ["choose_units", "reads_inches"]


def reads_inches(project: Project) -> bool:
    """Whether inches come first: as it was chosen, else as the trade values are given."""
    return profile_of_project(project).inches


def choose_units(
    folder: str | Path, first: str | None = None, *, who: str = "facademap units"
) -> dict[str, Any]:
    """Say which units come first, after choosing them where some are given.

    Parameters
    ----------
    folder : path
        Project.
    first : {"mm", "inch"}, optional
        From now on; left as it is where not given.
    who : str
        Named in the history.

    Returns
    -------
    dict
        ``units``: ``mm`` or ``inch``.

    Notes
    -----
    Nothing that was planned changes: sizes, trade values and checks stay, only how they are told.
    """
    with Project.open(folder, read_only=first is None) as project:
        if first is not None:
            with gated_edit(project, who=who, what=f"{first} first") as edit:
                edit.set("units", first)
        return {"units": "inch" if reads_inches(project) else "mm"}
