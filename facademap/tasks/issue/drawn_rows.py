"""What a drawing shows of each row, as a short digest, so that the next revision can tell what changed."""

from __future__ import annotations

import hashlib
import json

import numpy as np
import shapely

from facademap.report.drawing_content import DONE_STAGES
from facademap.tasks.issue.papers_context import Context
from facademap.tasks.issue.papers_drawings import COVER, drawing_names

__all__ = ["digest_of", "drawn_rows"]

#: Beyond this many outlines a drawing bears no clouds, since its register entry would outgrow the project.
_MOST_ROWS = 30_000
_SHOWN = {
    "conditions": ("term", "cc", "uc", "surface", "origin", "confirmed_by"),
    "repairs": ("treatment", "surface"),
}
_LENGTH = 8


def digest_of(said: str, shape: shapely.Geometry | None) -> str:
    """What is said of a row and where it lies, in short.

    Parameters
    ----------
    said : str
    shape : shapely.Geometry, optional
    """
    total = hashlib.sha256(said.encode())
    if shape is not None:
        total.update((np.round(shapely.get_coordinates(shape), 5) + 0.0).tobytes())
    return total.hexdigest()[:_LENGTH]


def drawn_rows(context: Context, file: str) -> dict[str, str]:
    """Digest of each outline that a drawing shows, by its number; empty where there are too many to keep.

    Parameters
    ----------
    context : Context
    file : str
        Name of the drawing in the folder of papers.
    """
    if file == COVER:
        return {}
    kind, elevation = drawing_names(context)[file]
    surfaces = context.frame("surfaces")
    on = set(surfaces["id"][surfaces["elevation"] == elevation])
    found: dict[str, str] = {}
    for table in ("conditions", "repairs"):
        if (table == "conditions" and kind == "repair") or (
            table == "repairs" and kind == "condition"
        ):
            continue
        frame = context.frame(table)
        rows = frame[frame["surface"].isin(on)]
        if kind == "as-built" and table == "repairs":
            rows = rows[rows["stage"].isin(DONE_STAGES)]
        plain = rows[list(_SHOWN[table])].to_dict("records")
        for id, said, shape in zip(rows["id"], plain, rows.geometry, strict=True):
            found[str(id)] = digest_of(json.dumps(said, default=str, sort_keys=True), shape)
    return found if len(found) <= _MOST_ROWS else {}
