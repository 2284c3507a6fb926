"""The rules of a project's yard: kerfs, trim, slabs, and what the matching weighs."""

from __future__ import annotations

from dataclasses import fields

from facademap.errors import InputError
from facademap.match.problem import Params
from facademap.store.project import Project

__all__ = ["rules_of_yard"]


def rules_of_yard(project: Project) -> Params:
    """The rules as set in the project, the usual ones where nothing is set.

    Raises
    ------
    InputError
        The setting ``matching`` has a name that is not known, or a value out of range.
    """
    given = project.setting("matching", {}) or {}
    unknown = sorted(set(given) - {f.name for f in fields(Params)})
    if unknown:
        raise InputError(
            f"setting matching has no {unknown[0]}",
            f"Use {', '.join(f.name for f in fields(Params))}.",
        )
    return Params(**given)
