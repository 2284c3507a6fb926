"""What a project requires of its conditions, set and audited."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from facademap.condition.required import missing_fields
from facademap.store.project import Project
from facademap.tables.settings import (
    REQUIRABLE,
    REQUIRED_DEFAULT,
    REQUIRED_FIELDS,
    read_desk_setting,
)

__all__ = ["missing_of", "required_of", "set_required"]


def required_of(project: Project) -> tuple[str, ...]:
    """Columns that the project requires of its conditions; the default where it decided nothing."""
    kept = project.setting(REQUIRED_FIELDS)
    return REQUIRED_DEFAULT if kept is None else tuple(kept)


def missing_of(project: Project) -> dict[str, tuple[str, ...]]:
    """Conditions that miss something required, each with the columns that are empty."""
    required = required_of(project)
    found = {
        str(row["id"]): missing_fields(row, required)
        for row in project.read("conditions").to_dict("records")
    }
    return {id: columns for id, columns in found.items() if columns}


def set_required(
    folder: str | Path,
    columns: Sequence[str] | None = None,
    *,
    default: bool = False,
    who: str = "facademap required",
) -> dict[str, Any]:
    """Say what the project requires, if anything is said, and tell what is missing.

    Parameters
    ----------
    columns : sequence of str, optional
        New list; the list is left as it is when not given.
    default : bool
        Go back to the default list.

    Returns
    -------
    dict
        ``required`` (columns), ``may_be`` (column and title of everything that may be required), ``missing``
        (condition and columns).
    """
    with Project.open(folder, read_only=columns is None and not default) as project:
        if default:
            columns = REQUIRED_DEFAULT
        if columns is not None:
            wanted = read_desk_setting(REQUIRED_FIELDS, json.dumps(list(columns)))
            with project.edit(who=who, what="required fields") as edit:
                edit.set(REQUIRED_FIELDS, wanted)
        return {
            "required": list(required_of(project)),
            "may_be": {f.column: f.title for f in REQUIRABLE},
            "missing": {id: list(columns) for id, columns in missing_of(project).items()},
        }
