"""Outline and size of a block's face from one photo with a scale."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import numpy as np

from facademap.errors import InputError
from facademap.io.camera_files import read_camera
from facademap.io.csv_tables import read_csv_rows, write_text_atomically
from facademap.io.pictures import read_picture
from facademap.salvage.face_size import (
    SCALE_AGREEMENT,
    FaceScale,
    FaceSize,
    PlaneScale,
    check_outline,
    fit_face_plane,
    measure_outline,
    scale_from_length,
)
from facademap.salvage.outline import trace_face
from facademap.salvage.target_sheet import find_target_sheet

__all__ = ["outline_block", "read_face_control"]

SQUARE_ON = "one known length: the picture is taken to be square on to the face, and its lens to be free of distortion"


def outline_block(photo: Path, *, click_px: tuple[float, float], out: Path, control: Path | None = None,
                  camera: Path | None = None, scale: tuple[float, float, float, float, float] | None = None,
                  bed_deg: float | None = None, sheet: bool = False) -> dict[str, Any]:
    """Trace the face under a click, measure it and write its outline as GeoJSON.

    Parameters
    ----------
    photo : Path
    click_px : tuple of float
        Place on the face in pixels of the stored picture.
    out : Path
        GeoJSON with the outline in pixels (x right, y down).
    control : Path, optional
        Table ``name,x_px,y_px,x_mm,y_mm`` of four or more points in the plane of the face.
    camera : Path, optional
        Lens, for use with ``control``.
    scale : tuple of float, optional
        ``x0, y0, x1, y1, length_mm``: one known length in a picture taken square on.
    bed_deg : float, optional
        Direction of the bed on the face.
    sheet : bool
        Take the scale from the printed target sheet in the photo.

    Returns
    -------
    dict
        The properties written.

    Raises
    ------
    FacademapError
        Nothing is written.
    """
    if control is None and scale is None and not sheet:
        raise InputError("no scale is given", "Give --control with four points of known place on the face, --sheet with "
                                              "the target sheet in the photo, or --scale with one known length in a "
                                              "picture taken square on.")
    if camera is not None and control is None and not sheet:
        raise InputError("a camera is given without control points", "Give --control with the points on the face.")
    if control is not None and sheet:
        raise InputError("both control points and the target sheet are given", "Give one of the two.")
    picture, _ = read_picture(photo)
    rows, cols = picture.shape[:2]
    by_plane = _plane(control, camera, picture) if control is not None or sheet else None
    by_length = None if scale is None else scale_from_length(scale[:2], scale[2:4], scale[4] / 1000)
    if by_plane is not None and scale is not None:
        _compare(by_plane, scale)
    chosen: FaceScale | None = by_plane or by_length
    assert chosen is not None
    flags = tuple(by_plane.view.flags) if by_plane is not None else (SQUARE_ON,)
    ring = trace_face(picture, click_px, vanishing_px=None if by_plane is None else by_plane.vanishing_px)
    check_outline(ring, width_px=cols, height_px=rows)
    size = measure_outline(ring, chosen, bed_deg=bed_deg, flags=flags)
    properties = _properties(photo, click_px, size, by_plane)
    closed = [[round(float(x), 3), round(float(y), 3)] for x, y in [*ring, ring[0]]]
    feature = {"type": "Feature", "geometry": {"type": "Polygon", "coordinates": [closed]}, "properties": properties}
    write_text_atomically(out, json.dumps({"type": "FeatureCollection", "features": [feature]}, indent=1) + "\n")
    return properties


def read_face_control(path: Path) -> tuple[list[str], np.ndarray, np.ndarray]:
    """Read ``name,x_px,y_px,x_mm,y_mm``: names, pixels, and places in metres."""
    rows = read_csv_rows(path, columns=("name", "x_px", "y_px", "x_mm", "y_mm"), what="control table")
    if len(rows) < 4:
        raise InputError(f"control table {path.name} has {len(rows)} points, a face needs at least 4",
                         "Add points in the plane of the face, or use --scale for a picture taken square on.")
    pixel = np.array([[r.number("x_px"), r.number("y_px")] for r in rows])
    face = np.array([[r.number("x_mm"), r.number("y_mm")] for r in rows]) / 1000
    return [r.text("name") for r in rows], pixel, face


def _plane(control: Path | None, camera: Path | None, picture: np.ndarray) -> PlaneScale:
    """Scale from the control table, or from the target sheet in the picture."""
    rows, cols = picture.shape[:2]
    names, pixel, face = find_target_sheet(picture) if control is None else read_face_control(control)
    lens = None if camera is None else read_camera(camera, size_px=(cols, rows))
    return fit_face_plane(names, pixel, face, width_px=cols, height_px=rows, camera=lens)


def _compare(plane: PlaneScale, scale: tuple[float, float, float, float, float]) -> None:
    ends = plane.metres(np.array([scale[:2], scale[2:4]]))
    seen_mm = float(np.hypot(*(ends[1] - ends[0]))) * 1000
    if not math.isfinite(seen_mm) or abs(seen_mm / scale[4] - 1) > SCALE_AGREEMENT:
        raise InputError(f"two scales contradict each other: {scale[4]:g} mm is {seen_mm:.1f} mm by the control points",
                         "Check both, or give only the one you trust.")


def _properties(photo: Path, click_px: tuple[float, float], size: FaceSize,
                plane: PlaneScale | None) -> dict[str, Any]:
    rmse = None
    if plane is not None:
        rmse = round(float(np.sqrt(np.mean(np.sum(plane.view.residual_m[plane.view.used] ** 2, axis=1)))) * 1000, 3)
    return {
        "photo": photo.name,
        "click_px": [float(c) for c in click_px],
        "width_mm": round(size.width_m * 1e3, 2),
        "width_mm_pm95": round(size.width_pm95_m * 1e3, 2),
        "height_mm": round(size.height_m * 1e3, 2),
        "height_mm_pm95": round(size.height_pm95_m * 1e3, 2),
        "area_mm2": round(size.area_m2 * 1e6, 1),
        "area_mm2_pm95": round(size.area_pm95_m2 * 1e6, 1),
        "bed_deg": round(size.bed_deg, 2),
        "scale": "one length, square on" if plane is None else "control points",
        "control_rmse_mm": rmse,
        "left_out": [] if plane is None else [b.name for b in plane.view.blunders],
        "warnings": list(size.flags) + ([b.sentence() for b in plane.view.blunders] if plane is not None else []),
    }
