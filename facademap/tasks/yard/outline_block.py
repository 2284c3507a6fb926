"""Outline and size of a block's face from one photo with a scale."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np

from facademap.io.picked_pixels import upright_place
from facademap.io.pictures import read_picture
from facademap.io.vectors import MARK, pixel_mark
from facademap.io.whole_files import check_writable, write_whole
from facademap.photo.homography import apply_homography
from facademap.salvage.face_size import FaceSize
from facademap.salvage.traced_face import TracedFace, measure_traced_face
from facademap.tables.names import as_id
from facademap.tasks.yard.face_scale import FoundScale, ScaleChoice, find_scale

__all__ = ["outline_block"]


def outline_block(
    photo: Path,
    *,
    click_px: tuple[float, float],
    out: Path,
    scale: ScaleChoice,
    bed_deg: float | None = None,
    block: str | None = None,
    stone_type: str | None = None,
    depth_m: float | None = None,
) -> dict[str, Any]:
    """Trace the face under a click, measure it and write its outline as GeoJSON.

    Parameters
    ----------
    photo : Path
    click_px : tuple of float
        Place on the face in pixels of the upright picture (of the stored one where ``scale`` says so).
    out : Path
        GeoJSON with the outline in pixels (x right, y down).
    scale : ScaleChoice
    bed_deg : float, optional
        Direction of the bed on the face.
    block, stone_type : str, optional
        Name of the block (that of the photo without it) and its stone, so that ``add-blocks`` takes the file as it is.
    depth_m : float, optional
        How deep the block is, sound all through.

    Returns
    -------
    dict
        The properties written.

    Raises
    ------
    FacademapError
        Nothing is written.
    """
    check_writable(out)
    picture, info = read_picture(photo)
    click_px = upright_place(click_px, info.turn, stored=scale.stored_pixels)
    found = find_scale(picture, scale, turn=info.turn)
    traced = measure_traced_face(
        picture,
        click_px,
        found.scale,
        bed_deg=bed_deg,
        flags=found.flags,
        covered_px=found.covered_px,
    )
    properties = {
        **_properties(photo, click_px, traced.size, found),
        **_row(photo, traced, block=block, stone_type=stone_type, depth_m=depth_m),
        "bed": "unknown" if bed_deg is None else "x",
    }
    closed = [
        [round(float(x), 3), round(float(y), 3)] for x, y in [*traced.ring_px, traced.ring_px[0]]
    ]
    feature = {
        "type": "Feature",
        "geometry": {"type": "Polygon", "coordinates": [closed]},
        "properties": properties,
    }
    write_whole(
        out,
        json.dumps(
            {
                "type": "FeatureCollection",
                MARK: pixel_mark(photo.name, width_px=picture.shape[1], height_px=picture.shape[0]),
                "features": [feature],
            },
            indent=1,
        )
        + "\n",
    )
    return properties


def _row(
    photo: Path,
    traced: TracedFace,
    *,
    block: str | None,
    stone_type: str | None,
    depth_m: float | None,
) -> dict[str, Any]:
    """The same as a row of the inventory of blocks."""
    outline_mm = np.round(traced.outline_m * 1000, 1)
    left, bottom = traced.outline_m.min(axis=0)
    right, top = traced.outline_m.max(axis=0)
    box = np.array([(left, bottom), (right, bottom), (right, top), (left, top)])
    corners = apply_homography(traced.photo_matrix, box)
    depth_mm = None if depth_m is None else round(depth_m * 1000, 1)
    return {
        "id": block or as_id(photo.stem),
        "stone_type": stone_type or "unknown",
        "length_mm": round(float(right - left) * 1000, 1),
        "height_mm": round(float(top - bottom) * 1000, 1),
        "depth_mm": depth_mm,
        "usable_depth_mm": depth_mm,
        "outline_mm": ", ".join(f"{x:g} {y:g}" for x, y in outline_mm),
        "face_photo": photo.name,
        "face_corners_px": ", ".join(f"{x:.1f} {y:.1f}" for x, y in corners),
        "pixels": "upright",
    }


def _properties(
    photo: Path, click_px: tuple[float, float], size: FaceSize, found: FoundScale
) -> dict[str, Any]:
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
        "scale": found.source,
        "control_rmse_mm": None if found.rmse_m is None else round(found.rmse_m * 1000, 3),
        "left_out": list(found.left_out),
        "warnings": list(found.warnings),
    }
