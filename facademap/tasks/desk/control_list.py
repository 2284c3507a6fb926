"""A surveyor's list brought to the desk: read by the one reader of tables, and stored as the command stores it."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from facademap.errors import InputError
from facademap.io.whole_files import temporary_folder, write_whole
from facademap.tables.names import file_name
from facademap.tasks.desk.outlines import file_content
from facademap.tasks.survey.add_control import add_control

__all__ = ["read_control_list"]

_ENDINGS = (".csv", ".txt", ".tsv", ".xlsx", ".ods")


def read_control_list(
    folder: str | Path, options: Mapping[str, Any], *, who: str
) -> dict[str, Any]:
    """Store the points of a list.

    Parameters
    ----------
    folder : path
        Project.
    options : mapping
        ``name`` and ``content`` (base64) of the file, and ``surface``.
    who : str

    Returns
    -------
    dict
        That of `facademap.tasks.survey.add_control.add_control`.
    """
    name = str(options.get("name") or "")[:200]
    ending = Path(name).suffix.lower()
    if ending not in _ENDINGS:
        raise InputError(
            f"{name or 'a file without a name'} is no table of points",
            f"Choose one of {', '.join(_ENDINGS)}.",
        )
    with temporary_folder() as scratch:
        path = scratch / (file_name(Path(name).stem) + ending)
        write_whole(path, file_content(options))
        return add_control(folder, path, surface=str(options.get("surface") or "") or None, who=who)
