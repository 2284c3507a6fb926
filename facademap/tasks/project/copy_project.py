"""Copy a whole project, rows, history, pictures and papers, between a folder and a database or two of either."""

from __future__ import annotations

import dataclasses
import uuid
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from facademap.errors import FileError, InputError, ProjectError
from facademap.io.pictures import hash_file
from facademap.io.whole_files import STORE_NAME, TEAM_FILE, copy_whole, make_folder
from facademap.store.copying import Copied, copy_into_database, copy_into_folder, digests_of
from facademap.store.part import Place, paths_in, rows_of_surfaces
from facademap.store.project import Project
from facademap.store.team_address import (
    files_folder,
    is_address,
    keep_folder,
    read_address,
    schema_named,
)
from facademap.tables import TABLES
from facademap.tasks.project.field_copy import mark_field_copy
from facademap.tasks.project.team import join_project, need_pictures

__all__ = ["copy_project"]

#: What is made again when it is missing stays behind.
#: Not the folder of training: it holds people's names and the key by which their certificates are verified.
_COPIED = ("photos", "elevations", "blocks", "out", "issued", "guide", "languages", "evidence")


def copy_project(
    source: str,
    target: str,
    *,
    files: Path | None = None,
    elevations: Sequence[str] = (),
    surfaces: Sequence[str] = (),
    who: str = "surveyor",
    progress: Callable[[float], None] = lambda fraction: None,
) -> dict[str, Any]:
    """Copy a project whole, or the part of it that some surfaces need in the field, and prove it row by row.

    Files come first and are left where they are when the copy is broken off, so that the next try goes on from there; the
    rows come last, all or none.

    Parameters
    ----------
    source, target : str
        Folder, or address of a database.
    files : Path, optional
        Folder for the pictures of a project that goes into a database.
    elevations, surfaces : sequence of str
        Ids. With any, the copy is a field copy in a folder: what lies on these surfaces, on those of these elevations, and what
        belongs to it, to be brought back by :func:`facademap.tasks.project.bring_back.bring_back`.
    who : str
        Who takes a field copy.
    progress : callable
        Told the fraction that is done.

    Returns
    -------
    dict
        ``project``, ``address``, ``rows``, ``changes``, ``files``, ``files_there``, ``digests``.

    Raises
    ------
    FileError, ProjectError
        The target holds a project, or something of the source cannot be read.
    """
    origin = join_project(source) if is_address(source) else Path(source)
    in_part = bool(elevations or surfaces)
    if in_part and is_address(target):
        raise InputError("a field copy lies in a folder", "Name a folder to copy to.")
    with Project.open(origin, read_only=True) as project:
        if is_address(source):
            need_pictures(project)
        kept = _part_of(project, elevations, surfaces) if in_part else None
        if is_address(target):
            place = read_address(target)
            named = place.project or schema_named(str(project.setting("name", origin.name)))
            place = dataclasses.replace(place, project=named)
            folder = files or files_folder(place)
        else:
            place, folder = None, Path(target)
        for taken in (STORE_NAME, TEAM_FILE):
            if (folder / taken).exists():
                raise FileError(
                    f"{folder}: holds a project already", "Choose another folder, or another name."
                )
        if _one_in_the_other(project.folder, folder):
            raise FileError(f"{folder}: lies in the project, or holds it", "Choose another folder.")
        if place is not None:
            from facademap.store.team_schema import need_room

            need_room(place)
        progress(0.0)
        make_folder(folder)
        only = None if kept is None else _files_of(project, kept)
        copied, there = _copy_files(project.folder, folder, only)
        progress(0.5)
        done = (
            _copied_into(project, folder, kept)
            if place is None
            else copy_into_database(project, place, folder)
        )
        taken_from = project.project_id
    progress(0.8)
    with Project.open(folder, read_only=True) as made:
        _need_same(done, digests_of(made))
    if place is not None:
        keep_folder(place, folder)
    if kept is not None:
        mark_field_copy(folder, of=taken_from, kept=kept, source=source, who=who)
    return {
        "project": str(folder),
        "address": str(place) if place else "",
        "rows": sum(done.rows[n] for n in done.rows if n not in ("edit_log", "facademap_numbers")),
        "changes": done.rows["edit_log"],
        "files": copied,
        "files_there": there,
        "digests": dict(done.digests),
    }


def _part_of(
    project: Project, elevations: Sequence[str], surfaces: Sequence[str]
) -> frozenset[Place]:
    """The rows of the surfaces that are named, or that are of an elevation that is."""
    rows = project.read("surfaces").to_dict("records")
    for name in elevations:
        project.row("elevations", name)
    for name in surfaces:
        project.row("surfaces", name)
    wanted = {str(r["id"]) for r in rows if r["elevation"] in elevations or r["id"] in surfaces}
    if not wanted:
        raise InputError(
            f"elevation {', '.join(elevations)} has no surface", "Add one, or name another."
        )
    return rows_of_surfaces(project, wanted)


def _files_of(project: Project, kept: frozenset[Place]) -> frozenset[str]:
    """The files that the rows of a part name."""
    found: set[str] = set()
    for name in TABLES:
        for row in project.read(name).to_dict("records"):
            if (name, str(row["id"])) in kept:
                found |= set(paths_in(row))
    return frozenset(found)


def _copied_into(project: Project, folder: Path, kept: frozenset[Place] | None) -> Copied:
    if kept is None:
        return copy_into_folder(project, folder)
    return copy_into_folder(
        project, folder, kept=lambda *place: place in kept, project_id=str(uuid.uuid4())
    )


def _one_in_the_other(one: Path, other: Path) -> bool:
    one, other = one.resolve(), other.resolve()
    return one == other or one in other.parents or other in one.parents


def _copy_files(source: Path, target: Path, only: frozenset[str] | None = None) -> tuple[int, int]:
    """Pictures and papers, known by their content; how many were copied, and how many were there already."""
    copied = there = 0
    for sub in _COPIED:
        for path in sorted((source / sub).rglob("*")):
            if not path.is_file() or path.is_symlink():
                continue
            if only is not None and path.relative_to(source).as_posix() not in only:
                continue
            inside = target / path.relative_to(source)
            if inside.is_file() and hash_file(inside) == hash_file(path):
                there += 1
                continue
            copy_whole(path, path.relative_to(source), inside=target)
            if hash_file(inside) != hash_file(path):
                raise FileError(f"{inside}: did not come across as it is", "Copy it again.")
            copied += 1
    return copied, there


def _need_same(written: Copied, stored: Copied) -> None:
    """What was stored is what was written; a program that wrote in between would be seen too."""
    if written != stored:
        raise ProjectError(
            "the copy is not what was written into it",
            "Somebody worked in it meanwhile, or its disk is faulty.",
        )
