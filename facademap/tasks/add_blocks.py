"""Take an inventory of salvaged blocks into a project, with the colour of each face from its photo."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import shapely

from facademap.errors import FacademapError, FileError, InputError
from facademap.io.block_files import BlockRow, read_blocks
from facademap.io.pictures import read_picture
from facademap.photo.chart import read_patch
from facademap.photo.colour import ColourCorrection, fit_correction
from facademap.store.project import Project
from facademap.tasks.add_photos import store_photo
from facademap.tasks.face_colour import face_colour

__all__ = ["add_blocks"]


def add_blocks(folder: str | Path, path: str | Path, *, photos: str | Path | None = None, who: str = "yard",
               progress: Callable[[float], None] = lambda fraction: None) -> dict[str, Any]:
    """Read blocks, copy their photos, measure the colour of each face.

    Parameters
    ----------
    folder : path
        Project.
    path : path
        CSV or XLSX, see :mod:`facademap.io.block_files`.
    photos : path, optional
        Folder of the face photos; the inventory's own folder and its ``photos`` without it.

    Returns
    -------
    dict
        ``added``, ``measured`` (faces with colour), ``notes``.
    """
    path = Path(path)
    rows = read_blocks(path)
    places = [Path(photos)] if photos else [path.parent / "photos", path.parent]
    used: dict[str, str] = {}
    for row in rows:
        if row.photo and row.photo in used:
            raise InputError(f"photo {row.photo} is used for {used[row.photo]} and {row.block['id']}", "Give each block its own photo.")
        used[row.photo] = str(row.block["id"])
    notes = _states(rows)
    faces, pictures = [], []
    with Project.open(folder) as project:
        for number, row in enumerate(rows):
            _check_flaws(row)
            picture, face = _measure(project, row, places, notes)
            faces.append(face)
            if picture:
                pictures.append(picture)
            progress((number + 1) / len(rows))
        with project.edit(who=who, what=f"read blocks from {path.name}") as edit:
            edit.put("photos", pictures)
            edit.put("blocks", [dict(r.block) for r in rows])
            edit.put("faces", faces)
    return {"added": len(rows), "measured": sum(f.get("lab") is not None for f in faces), "notes": notes}


def _states(rows: list[BlockRow]) -> list[str]:
    """Photos of damp or wet faces among dry ones: their colour is not comparable."""
    by_state: dict[str, list[str]] = {}
    for row in rows:
        if row.photo:
            by_state.setdefault(str(row.face.get("wetness") or "dry"), []).append(str(row.block["id"]))
    if "dry" not in by_state:
        return []
    return [f"{', '.join(names)}: photographed {state}, the others dry; wetting darkens stone, photograph again when dry"
            for state, names in by_state.items() if state != "dry"]


def _check_flaws(row: BlockRow) -> None:
    outline = shapely.Polygon(row.face["outline"])
    for flaw in row.face["flaws"]:
        if shapely.Polygon(flaw["ring"]).intersection(outline).area <= 0:
            raise InputError(f"block {row.block['id']}: a flaw lies outside its face", "Measure the flaw again, or leave it out.")


def _measure(project: Project, row: BlockRow, places: list[Path], notes: list[str]) -> tuple[dict[str, Any] | None, dict[str, Any]]:
    name = str(row.block["id"])
    outline = np.asarray(row.face["outline"])
    size = np.ptp(outline, axis=0)
    face: dict[str, Any] = {**row.face, "width_m": float(size[0]), "height_m": float(size[1])}
    if not row.photo:
        notes.append(f"{name}: no photo, so no colour; it is not matched")
        return None, face
    source = next((p / row.photo for p in places if (p / row.photo).is_file()), None)
    if source is None:
        raise FileError(f"block {name}: photo {row.photo} is not in {places[0]}", "Put the photo there, or name the folder of the photos.")
    stored = {**store_photo(project, source, folder="blocks"), "subject": "block"}
    face["photo"] = stored["id"]
    if len(row.corners_px) != 4:
        notes.append(f"{name}: face_corners_px is missing, so the face cannot be found in its photo; it has no colour")
        return stored, face
    picture, _ = read_picture(source)
    matrix = _face_to_photo(outline, row.corners_px, name)
    try:
        correction = _by_card(picture, row)
        colour = face_colour(picture, outline, [f["ring"] for f in row.face["flaws"]], matrix, face=row.face, correction=correction)
    except FacademapError as error:
        notes.append(f"{name}: {error.problem}")
        return stored, {**face, "photo_matrix": matrix.tolist()}
    return stored, {**face, "photo_matrix": matrix.tolist(), **colour}


def _face_to_photo(outline_m: Any, corners_px: Any, name: str) -> Any:
    """Homography from metres of the face to pixels, by the corners of the outline's box."""
    (x0, y0), (x1, y1) = outline_m.min(axis=0), outline_m.max(axis=0)
    box = np.array([(x0, y0), (x1, y0), (x1, y1), (x0, y1)], np.float32)
    quad = np.asarray(corners_px, np.float32)
    if not shapely.Polygon(corners_px).is_valid or abs(shapely.Polygon(corners_px).area) < 100:
        raise InputError(f"block {name}: face_corners_px is no quadrilateral", "Give lower left, lower right, upper right, upper left.")
    return cv2.getPerspectiveTransform(box, quad).astype(float)


def _by_card(picture: Any, row: BlockRow) -> ColourCorrection | None:
    if row.card is None:
        return None
    x, y, half, lab = row.card
    reading = read_patch(picture, name="grey card", x_px=x, y_px=y, half_px=half, role="fit", lab=lab)
    return fit_correction([reading], chart="grey card")[0]
