"""Options of commands that work on pictures."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import click

from facademap.errors import InputError

__all__ = ["check_project_or_picture", "project_or_picture", "stored_pixels_option"]

_Function = TypeVar("_Function", bound=Callable[..., Any])


def stored_pixels_option(function: _Function) -> _Function:
    """Add ``--stored-pixels``, for every command that is given pixels of a picture."""
    option = click.option(
        "--stored-pixels",
        is_flag=True,
        help="Pixels are those of the stored picture, before the turn by EXIF; a column pixels (upright, stored) says it row by row.",
    )
    return option(function)


def project_or_picture(function: _Function) -> _Function:
    """Add the argument PROJECT and the options of commands that also propose from a picture without a project."""
    path = click.Path(path_type=Path)
    for add in (
        click.option(
            "--gsd-mm", type=float, help="Millimetres of the wall to a pixel of the picture."
        ),
        click.option(
            "--out", type=path, help="GeoJSON to write for a picture, in its pixels, upright."
        ),
        click.option("--photo", type=path, help="Picture of a wall, instead of a project."),
        click.option("--surface", help="Surface; may be left out where the project has one."),
        click.argument("project", type=path, required=False),
    ):
        function = add(function)
    return function


def check_project_or_picture(
    name: str,
    project: Path | None,
    *,
    surface: str | None,
    photo: Path | None,
    out: Path | None,
    gsd_mm: float | None,
) -> None:
    """Refuse what does not go together in a command with `project_or_picture`.

    Raises
    ------
    InputError
        Both or none of project and picture, or options of the other.
    """
    if (project is None) == (photo is None):
        raise InputError(
            f"{name} needs a project or a picture",
            "Give the folder of a project, or --photo and --out.",
        )
    if photo is not None and (out is None or surface is not None):
        raise InputError(
            "a picture needs a file for the result and has no surface",
            "Give --out, and leave --surface out.",
        )
    if project is not None and (out is not None or gsd_mm is not None):
        raise InputError(
            "--out and --gsd-mm belong to a picture",
            "Leave them out: a project knows its sample distance and keeps what is proposed.",
        )
