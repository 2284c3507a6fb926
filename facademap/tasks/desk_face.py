"""A face of a block measured in a stored photo: one click on it and one known length."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from facademap.errors import FacademapError, InputError
from facademap.io.pictures import read_picture
from facademap.salvage.traced_face import TracedFace, measure_traced_face
from facademap.store.project import Project
from facademap.tasks.face_colour import UNCALIBRATED, face_colour
from facademap.tasks.face_scale import ScaleChoice, find_scale

__all__ = ["measure_face", "traced_columns"]


def measure_face(project: Project, photo: str, *, click_px: Sequence[float], scale_px: Sequence[float], length_m: float) -> dict[str, Any]:
    """Outline, size and colour of the face under a click.

    Parameters
    ----------
    photo : str
        Id of a stored photo, taken square on to the face.
    click_px : (x, y)
        A place on the face, pixels of the stored picture.
    scale_px : (x0, y0, x1, y1)
        Ends of a known length in the plane of the face.
    length_m : float
        That length.

    Returns
    -------
    dict
        ``ring_px`` (outline in the photo), ``face`` (values for the table of faces), ``height_pm95_m``,
        ``width_pm95_m``, ``warnings``.

    Raises
    ------
    FacademapError
        Nothing can be traced there, or the scale makes no sense. Nothing is stored here in any case.
    """
    row = project.row("photos", photo)
    picture, _ = read_picture(project.place(str(row["path"])))
    rows, cols = picture.shape[:2]
    places = [(click_px[0], click_px[1]), (scale_px[0], scale_px[1]), (scale_px[2], scale_px[3])]
    if any(not (0 <= x <= cols - 1 and 0 <= y <= rows - 1) for x, y in places):
        raise InputError("a click beside the photo", "Click on the face, and on both ends of the known length.")
    found = find_scale(picture, ScaleChoice(lengths=((*places[1], *places[2], length_m),)))
    traced = measure_traced_face(picture, places[0], found.scale, flags=found.flags)
    face: dict[str, Any] = {"photo": photo, **traced_columns(traced)}
    warnings = list(found.warnings)
    try:
        face |= face_colour(picture, traced.outline_m, [], traced.photo_matrix, face=face)
        warnings.append(UNCALIBRATED)
    except FacademapError as error:
        warnings.append(f"no colour: {error.problem}")
    return {"ring_px": np.round(traced.ring_px, 2).tolist(), "face": face, "width_pm95_m": traced.size.width_pm95_m,
            "height_pm95_m": traced.size.height_pm95_m, "warnings": warnings}


def traced_columns(traced: TracedFace) -> dict[str, Any]:
    """Values of a traced face for the table of faces."""
    size = traced.size
    return {"outline": traced.outline_m.tolist(), "photo_matrix": traced.photo_matrix.tolist(), "width_m": size.width_m,
            "height_m": size.height_m, "size_pm95_m": max(size.width_pm95_m, size.height_pm95_m)}
