"""Copy a whole project, rows, history, pictures and papers, between a folder and a database or two of either."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from pathlib import Path
from typing import Any

from facademap.errors import FileError, ProjectError
from facademap.io.pictures import hash_file
from facademap.io.whole_files import STORE_NAME, TEAM_FILE, copy_whole, make_folder
from facademap.store.copying import Copied, copy_into_database, copy_into_folder, digests_of
from facademap.store.project import Project
from facademap.store.team_address import files_folder, is_address, read_address, schema_named
from facademap.tasks.project.team import join_project

__all__ = ["copy_project"]

#: What is made again when it is missing stays behind.
#: Not the folder of training: it holds people's names and the key by which their certificates are verified.
_COPIED = ("photos", "elevations", "blocks", "out", "issued", "guide", "languages", "evidence")


def copy_project(
    source: str,
    target: str,
    *,
    files: Path | None = None,
    progress: Callable[[float], None] = lambda fraction: None,
) -> dict[str, Any]:
    """Copy a project whole, and prove it row by row.

    Files come first and are left where they are when the copy is broken off, so that the next try goes on from there; the
    rows come last, all or none.

    Parameters
    ----------
    source, target : str
        Folder, or address of a database.
    files : Path, optional
        Folder for the pictures of a project that goes into a database.
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
    with Project.open(origin, read_only=True) as project:
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
        progress(0.0)
        make_folder(folder)
        copied, there = _copy_files(project.folder, folder)
        progress(0.5)
        done = (
            copy_into_folder(project, folder)
            if place is None
            else copy_into_database(project, place, folder)
        )
    progress(0.8)
    with Project.open(folder, read_only=True) as made:
        _need_same(done, digests_of(made))
    return {
        "project": str(folder),
        "address": str(place) if place else "",
        "rows": sum(done.rows[n] for n in done.rows if n not in ("edit_log", "facademap_numbers")),
        "changes": done.rows["edit_log"],
        "files": copied,
        "files_there": there,
        "digests": dict(done.digests),
    }


def _one_in_the_other(one: Path, other: Path) -> bool:
    one, other = one.resolve(), other.resolve()
    return one == other or one in other.parents or other in one.parents


def _copy_files(source: Path, target: Path) -> tuple[int, int]:
    """Pictures and papers, known by their content; how many were copied, and how many were there already."""
    copied = there = 0
    for sub in _COPIED:
        for path in sorted((source / sub).rglob("*")):
            if not path.is_file() or path.is_symlink():
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
