"""How stones of a course are judged and counted in a project."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from pathlib import Path
from typing import Any

from facademap.store.project import Project
from facademap.tables.coursing import COURSING_SETTING, coursing_from

__all__ = ["set_coursing"]


def set_coursing(
    folder: str | Path, wanted: Mapping[str, Any], *, default: bool = False, who: str = "facademap"
) -> dict[str, Any]:
    """Change what a project takes for a stone of a course; nothing where nothing is wanted.

    Parameters
    ----------
    folder : path
    wanted : mapping
        Values by the names of :class:`facademap.tables.coursing.Coursing`.
    default : bool
        Go back to the usual values first.

    Returns
    -------
    dict
        All values that hold now.

    Raises
    ------
    InputError
        A name or a value that is not known; nothing is changed.
    """
    with Project.open(folder, read_only=not (wanted or default)) as project:
        kept = {} if default else dict(project.setting(COURSING_SETTING) or {})
        found = coursing_from({**kept, **wanted})
        if wanted or default:
            with project.edit(who=who, what="how stones of courses are counted") as edit:
                edit.set(COURSING_SETTING, {**kept, **wanted})
    return asdict(found)
