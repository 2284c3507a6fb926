"""Sound area and largest usable rectangle of the faces of a yard."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from facademap.errors import GeometryError, InputError
from facademap.salvage.usable import usable_part
from facademap.store.project import Project

__all__ = ["face_rectangles"]


def face_rectangles(
    folder: str | Path, *, block: str | None = None, proportion: float | None = None
) -> list[dict[str, Any]]:
    """Usable part of every face, or of those of one block, in the order of the inventory.

    Returns
    -------
    list of dict
        ``block``, ``face``, ``problem`` (None, or why nothing of it can be used), and the values of
        :func:`facademap.salvage.usable.usable_part`.

    Raises
    ------
    InputError
        The block is unknown.
    """
    with Project.open(folder, read_only=True) as project:
        if block is not None:
            project.row("blocks", block)
        faces = project.read("faces", where=None if block is None else {"block": block}).to_dict(
            "records"
        )
    result = []
    for face in faces:
        row: dict[str, Any] = {"block": face["block"], "face": face["id"], "problem": None}
        try:
            row |= usable_part(
                face["outline"], [f["ring"] for f in face["flaws"] or ()], proportion=proportion
            )
        except GeometryError as error:
            row["problem"] = error.problem
        result.append(row)
    if block is not None and not result:
        raise InputError(
            f"block {block} has no measured face", "Measure one with facademap yard measure."
        )
    return result
