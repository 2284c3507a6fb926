"""A face of a block measured in a stored photo: one click on it and one known length."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
import shapely

from facademap.errors import FacademapError, InputError
from facademap.io.pictures import read_picture
from facademap.salvage.appearance import measure_appearance
from facademap.salvage.face_picture import COMPARE_GSD_M, flat_face, sound_mask
from facademap.salvage.face_size import FaceSize, OneLengthScale, check_outline, measure_outline, scale_from_length
from facademap.salvage.outline import trace_face
from facademap.store.project import Project
from facademap.tasks.outline_block import SQUARE_ON

__all__ = ["measure_face"]

#: An outline is stored with corners no closer to the line of their neighbours than this.
SIMPLE_M = 0.0004


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
    scale = scale_from_length(places[1], places[2], length_m)
    ring = trace_face(picture, places[0])
    check_outline(ring, width_px=cols, height_px=rows)
    size = measure_outline(ring, scale, flags=(SQUARE_ON,))
    outline = np.asarray(shapely.Polygon(size.outline_m).simplify(SIMPLE_M).exterior.coords)[:-1]
    matrix = _face_to_photo(ring, scale, size)
    face: dict[str, Any] = {
        "photo": photo, "outline": np.round(outline, 6).tolist(), "photo_matrix": matrix.tolist(), "width_m": size.width_m,
        "height_m": size.height_m, "size_pm95_m": max(size.width_pm95_m, size.height_pm95_m)}
    warnings = list(size.flags)
    try:
        seen = measure_appearance(flat_face(picture, outline, matrix), sound_mask(outline, []), gsd_m=COMPARE_GSD_M)
        face |= {"lab": seen.lab.tolist(), "lab_covariance": seen.covariance.tolist(), "lab_n": seen.n, "spread": seen.spread,
                 "calibrated": False, "appearance": seen.as_record()}
        warnings.append("the colour is not made true by a chart or a grey card: it ranks blocks, and no more")
    except FacademapError as error:
        warnings.append(f"no colour: {error.problem}")
    return {"ring_px": np.round(ring, 2).tolist(), "face": face, "width_pm95_m": size.width_pm95_m,
            "height_pm95_m": size.height_pm95_m, "warnings": warnings}


def _face_to_photo(ring_px: Any, scale: OneLengthScale, size: FaceSize) -> Any:
    """Homography (here an affine map) from metres of the face, its box at the origin, to pixels of the photo."""
    angle = math.radians(size.bed_deg)
    turn = np.array([[math.cos(angle), math.sin(angle)], [-math.sin(angle), math.cos(angle)]])
    low = (scale.metres(ring_px) @ turn.T).min(axis=0)
    to_plane = np.eye(3)
    to_plane[:2, :2], to_plane[:2, 2] = turn.T, turn.T @ low
    to_pixel = np.diag([1.0 / scale.m_per_px, -1.0 / (scale.m_per_px * scale.stretch), 1.0])
    return to_pixel @ to_plane
