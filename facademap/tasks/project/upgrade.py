"""Bring a project up to date, or only say what that would change."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Any

from facademap.store.project import Project
from facademap.store.upgrade import foresee_upgrade

__all__ = ["upgrade_project"]


def upgrade_project(folder: str | Path, *, dry_run: bool = False) -> dict[str, Any]:
    """Bring a project of an older version up to date.

    Parameters
    ----------
    folder : path
        Project.
    dry_run : bool
        Only say what would change; nothing of the project is written.

    Returns
    -------
    dict
        ``needed``, ``done``, ``version`` as it was, ``wanted``, and what is changed: ``tables``, ``columns``, ``edits`` (``what`` the
        history says and ``rows``), ``signs``.

    Raises
    ------
    FileError, ProjectError
        There is no project; it is newer, in use, or may not be changed.
    """
    found = foresee_upgrade(Path(folder))
    done = found.is_needed and not dry_run
    if done:
        Project.open(folder).close()
    told = asdict(found)
    told["edits"] = [{"what": what, "rows": rows} for what, rows in found.edits]
    return {"needed": found.is_needed, "done": done, **told}
