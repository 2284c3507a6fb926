"""What a field copy knows of the project that it was taken from."""

from __future__ import annotations

import datetime as dt
import uuid
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from facademap.errors import InputError, ProjectError
from facademap.store.changes import newest_change
from facademap.store.part import Place
from facademap.store.project import Project

__all__ = ["FIELD_COPY", "FieldCopy", "field_copy_of", "mark_field_copy"]

#: Setting of a field copy.
FIELD_COPY = "field_copy"


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldCopy:
    """Where a field copy came from.

    Parameters
    ----------
    copy : str
        Name that no other copy has.
    of : str
        Name of the project that no other project has.
    source : str
        Folder or address, as it was named.
    surfaces : tuple of str
        What was taken.
    here : int
        The newest change in the copy when it was taken.
    at, who : str
        When and by whom.
    """

    copy: str
    of: str
    source: str
    surfaces: tuple[str, ...]
    here: int
    at: str
    who: str


def mark_field_copy(folder: Path, *, of: str, kept: Iterable[Place], source: str, who: str) -> None:
    """Write into a copy what it is; until then it is none, and is made again."""
    with Project.open(folder) as made:
        told = {
            "copy": uuid.uuid4().hex,
            "of": of,
            "source": source,
            "surfaces": sorted(i for t, i in kept if t == "surfaces"),
            # the setting is the first change that is the copy's own, and never brought back
            "here": newest_change(made),
            "at": dt.datetime.now(dt.UTC).isoformat(timespec="seconds"),
            "who": who,
        }
        with made.edit(who=who, what="field copy") as edit:
            edit.set(FIELD_COPY, told)


def field_copy_of(project: Project) -> FieldCopy:
    """What a project says of itself as a field copy.

    Raises
    ------
    InputError
        It is none.
    ProjectError
        What it says cannot be read.
    """
    told: Any = project.setting(FIELD_COPY)
    if told is None:
        raise InputError(
            f"{project.folder}: is no field copy",
            "Take one with facademap copy PROJECT FOLDER --elevation NAME.",
        )
    try:
        return FieldCopy(
            copy=str(told["copy"]),
            of=str(told["of"]),
            source=str(told["source"]),
            surfaces=tuple(map(str, told["surfaces"])),
            here=int(told["here"]),
            at=str(told["at"]),
            who=str(told["who"]),
        )
    except (KeyError, TypeError, ValueError):
        raise ProjectError(
            f"{project.folder}: does not say any more where it was copied from",
            "Restore it from a copy of its folder.",
        ) from None
