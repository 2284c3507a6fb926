"""Projects in a database: made, and given a folder that stands for them."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from functools import partial
from pathlib import Path
from typing import Any

from facademap.errors import FileError, InputError
from facademap.store.part import paths_in
from facademap.store.project import FOLDERS, Project
from facademap.store.team_address import (
    files_folder,
    is_address,
    keep_folder,
    read_address,
    schema_named,
)
from facademap.tasks.project.create_project import ProjectPlan, create_project

__all__ = [
    "create_team_project",
    "is_address",
    "join_project",
    "limits_in_project",
    "need_pictures",
    "rights_in_project",
]


def create_team_project(
    address: str, plan: ProjectPlan, *, files: Path | None = None
) -> dict[str, Any]:
    """Make a project in a database, with its elevations and surfaces.

    Parameters
    ----------
    address : str
        ``postgresql://user@host:port/database``, with ``#name`` where the project is to be called otherwise than its
        campaign.
    plan : ProjectPlan
        What it starts with.
    files : Path, optional
        Folder for pictures and papers; one for all projects of this user when it is not given.

    Returns
    -------
    dict
        ``address``, ``project`` (the folder), ``elevations``, ``surfaces``.
    """
    place = read_address(address)
    place = dataclasses.replace(place, project=place.project or schema_named(plan.name))
    folder = files or files_folder(place)
    made = create_project(folder, plan, create=partial(Project.create_in, place))
    keep_folder(place, folder)
    return {**made, "address": str(place)}


def join_project(address: str, files: Path | None = None) -> Path:
    """The folder that stands for a project which is in a database already, made where it is missing."""
    from facademap.store.team_schema import join_team

    return join_team(read_address(address), files)


def need_pictures(project: Project) -> None:
    """Refuse a folder without a single picture of those that the rows name: one that was made for an address, while they lie elsewhere.

    Raises
    ------
    FileError
        It is such a folder.
    """
    named = {
        path
        for table in ("photos", "surfaces", "faces")
        for row in project.read(table).to_dict("records")
        for path in paths_in(row)
        if path.partition("/")[0] in FOLDERS
    }
    if named and not any((project.folder / path).is_file() for path in named):
        raise FileError(
            f"{project.folder}: holds none of the {len(named)} pictures that rows of this project name",
            "Say which folder holds them, with facademap new ADDRESS --join --files FOLDER.",
        )


def rights_in_project(
    folder: str | Path,
    *,
    role: str | None = None,
    may: str | None = None,
    elevations: Sequence[str] = (),
) -> dict[str, str]:
    """Roles of the database and what they may do in a project, after one was given its right where one is named.

    Parameters
    ----------
    folder : path
        Project in a database.
    role, may : str, optional
        Whom to give which of ``nothing``, ``layers``, ``read`` and ``edit``.
    elevations : sequence of str
        Those to which the role is limited; none for the whole project.

    Returns
    -------
    dict
        ``layers``, ``read`` or ``edit`` by role; the owner, who may everything, is left out.
    """
    from facademap.store.team_rights import MAY, rights_of, set_rights

    with Project.open(folder) as project:
        if role is not None:
            wanted = next((m for m in MAY if m == may), None)
            if wanted is None:
                raise InputError(f"there is no right {may!r}", f"Use one of {', '.join(MAY)}.")
            set_rights(project, role, wanted, elevations=elevations)
        return dict(rights_of(project))


def limits_in_project(folder: str | Path) -> dict[str, list[str]]:
    """Elevations to which roles of the database are limited; those that see the whole project are left out."""
    from facademap.store.team_rights import elevations_of_roles

    with Project.open(folder) as project:
        return elevations_of_roles(project)
