"""A face of a block measured from its photo straight into the inventory, in one step that can be undone."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import shapely

from facademap.errors import FacademapError, InputError
from facademap.io.face_flaws import read_flaws
from facademap.io.picked_pixels import upright_place
from facademap.io.pictures import hash_file, read_picture
from facademap.photo.chart import read_patch
from facademap.photo.colour import ColourCorrection, fit_correction
from facademap.photo.orientation import Turn
from facademap.salvage.densities import estimate_weight
from facademap.salvage.traced_face import TracedFace, measure_traced_face
from facademap.salvage.usable import usable_part
from facademap.store.gate import gated_edit
from facademap.store.project import Project
from facademap.tables import is_missing
from facademap.tasks.desk.face import traced_columns
from facademap.tasks.survey.add_photos import storing_photos
from facademap.tasks.yard.face_colour import UNCALIBRATED, face_colour
from facademap.tasks.yard.face_scale import FoundScale, ScaleChoice, find_scale

__all__ = ["FaceNotes", "GreyCard", "measure_into_yard"]

#: A map from face to photo that misses by more than this is said to (the lens bends the picture).
_MISS_M = 0.003
#: Placements in these states bind the outline of a face.
_BOUND = frozenset({"approved", "reserved", "sawn"})


@dataclass(frozen=True, slots=True, kw_only=True)
class GreyCard:
    """A grey card in the photo: its middle and half its size in pixels, and its CIELAB D50."""

    x_px: float
    y_px: float
    half_px: float
    lab: tuple[float, float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class FaceNotes:
    """What the photo does not say; ``None`` leaves what the inventory says.

    Parameters
    ----------
    depth_m : float, optional
        Usable depth behind the face; needed for a new face.
    bed, finish, wetness : str, optional
    weathered : bool, optional
    stone_type, kind, location : str, optional
        Of a block that is not in the inventory yet; ``stone_type`` makes it.
    block_depth_m : float, optional
        Depth of a new block over all; its weight is estimated from it and from the box of the face.
    """

    depth_m: float | None = None
    bed: str | None = None
    finish: str | None = None
    wetness: str | None = None
    weathered: bool | None = None
    stone_type: str | None = None
    kind: str | None = None
    location: str | None = None
    block_depth_m: float | None = None


def measure_into_yard(
    folder: str | Path,
    block: str,
    photo: Path,
    *,
    click_px: tuple[float, float],
    scale: ScaleChoice,
    face: str | None = None,
    notes: FaceNotes | None = None,
    flaws: Path | None = None,
    card: GreyCard | None = None,
    bed_deg: float | None = None,
    proportion: float | None = None,
    who: str = "yard",
) -> dict[str, Any]:
    """Measure a face and store it: outline, size, flaws, colour and photo.

    Parameters
    ----------
    folder : path
        Project.
    block : str
        Block of the inventory, or a new one where ``notes.stone_type`` is given.
    photo : Path
        Copied into the project; never shared by two blocks.
    click_px : (x, y)
        A place on the face; it, the flaws and the card are in stored pixels where ``scale`` says so.
    scale : ScaleChoice
    face : str, optional
        Face to measure again, or the name of a new one; without it a new face is entered.
    notes : FaceNotes, optional
    flaws : Path, optional
        GeoJSON polygons in pixels, see :func:`facademap.io.face_flaws.read_flaws`. Without it a face
        measured again has no flaws, since the old ones lie on the old outline.
    card : GreyCard, optional
        Makes the colour true.
    bed_deg : float, optional
        Direction of the bed, counter-clockwise from the x axis of the scale.
    proportion : float, optional
        Width over height of a further largest rectangle.

    Returns
    -------
    dict
        Size with its range at 95 %, ``sound_area_m2``, ``largest`` (rectangles), colour, ``warnings``.

    Raises
    ------
    FacademapError
        Nothing is stored.
    """
    said = notes or FaceNotes()
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
    rings = [
        (
            flaw,
            traced.flaw_m(
                info.turn.upright_pixels(flaw.ring_px) if scale.stored_pixels else flaw.ring_px,
                found.scale,
            ),
        )
        for flaw in (read_flaws(flaws) if flaws else [])
    ]
    outline, flaw_rings = traced.outline_m, [ring for _, ring in rings]
    correction = (
        None if card is None else _by_card(picture, card, info.turn, stored=scale.stored_pixels)
    )
    usable = usable_part(outline, flaw_rings, proportion=proportion)
    with Project.open(folder) as project:
        blocks, faces = _known(project, block, face)
        _check_photo(project, block, photo)
        old = next((f for f in faces if f["id"] == face), None)
        row = (
            _face_row(old, face or _next_name(block, faces), block, said)
            | traced_columns(traced)
            | {
                "photo": photo.name,
                "flaws": [
                    {
                        "kind": f.kind,
                        "ring": np.round(ring, 6).tolist(),
                        "depth_m": f.depth_m,
                        "from_m": f.from_m,
                    }
                    for f, ring in rings
                ],
            }
        )
        warnings = [*found.warnings, *_doubts(traced, faces, row)]
        try:
            row |= face_colour(
                picture, outline, flaw_rings, traced.photo_matrix, face=row, correction=correction
            )
            if correction is None:
                warnings.append(UNCALIBRATED)
        except FacademapError as error:
            warnings.append(f"no colour: {error.problem}")
        new_block = [] if blocks else [_new_block(block, traced, said)]
        with storing_photos(project) as store:
            stored = {**store(photo, folder="blocks"), "subject": "block"}
            with gated_edit(project, who=who, what=f"measure face {row['id']}") as edit:
                edit.put("photos", [stored])
                edit.put("blocks", new_block)
                edit.put("faces", [row])
    return _report(row, traced, found, usable, warnings, new=old is None)


def _known(
    project: Project, block: str, face: str | None
) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """The block and its faces; a face of another block, or one that pieces are bound to, is refused."""
    faces = project.read("faces").to_dict("records")
    owner = next((f["block"] for f in faces if f["id"] == face), block)
    if owner != block:
        raise InputError(
            f"face {face} belongs to block {owner}, not to {block}", "Name a face of this block."
        )
    bound = [
        p["repair"]
        for p in project.read("placements").to_dict("records")
        if p["face"] == face and p["state"] in _BOUND
    ]
    if bound:
        raise InputError(
            f"face {face} holds the piece of repair {bound[0]}, which was approved on its outline",
            "Take the approval back first, or enter a new face.",
        )
    blocks = project.read("blocks", where={"id": block}).to_dict("records")
    return blocks, [f for f in faces if f["block"] == block]


def _check_photo(project: Project, block: str, photo: Path) -> None:
    """One photo shows one block."""
    digest = hash_file(photo)
    same = {p["id"] for p in project.read("photos").to_dict("records") if p["sha256"] == digest}
    for face in project.read("faces").to_dict("records"):
        if face["photo"] in same and face["block"] != block:
            raise InputError(
                f"photo {photo.name} shows block {face['block']} already",
                "Give each block its own photo.",
            )


def _next_name(block: str, faces: list[dict[str, Any]]) -> str:
    taken = {f["id"] for f in faces}
    return next(name for n in range(1, len(taken) + 2) if (name := f"{block}.{n}") not in taken)


def _face_row(old: dict[str, Any] | None, name: str, block: str, said: FaceNotes) -> dict[str, Any]:
    row: dict[str, Any] = dict(old) if old else {"id": name, "block": block, "wetness": "dry"}
    cleared = ("lab", "lab_covariance", "lab_n", "spread", "appearance")
    row |= dict.fromkeys(cleared) | {"calibrated": False}
    given = {
        "usable_depth_m": said.depth_m,
        "bed": said.bed,
        "finish": said.finish,
        "wetness": said.wetness,
        "weathered": said.weathered,
    }
    row |= {k: v for k, v in given.items() if v is not None}
    depth = row.get("usable_depth_m")
    if depth is None or is_missing(depth):
        raise InputError(
            f"the usable depth of face {name} is not known", "Give it with --depth-mm."
        )
    if not 0 < depth <= 10:
        raise InputError(
            f"usable depth {depth * 1000:g} mm is not between 0 and 10 m",
            "Measure how deep the outline stays sound.",
        )
    if said.block_depth_m is not None and said.block_depth_m < depth:
        raise InputError(
            f"the usable depth {depth * 1000:g} mm is more than the block's {said.block_depth_m * 1000:g} mm",
            "Correct one of the two.",
        )
    return row


def _new_block(name: str, traced: TracedFace, said: FaceNotes) -> dict[str, Any]:
    if not said.stone_type:
        raise InputError(
            f"block {name} is not in the inventory",
            "Add it first, or say what stone it is with --stone-type.",
        )
    width, height = (round(float(v), 4) for v in (traced.size.width_m, traced.size.height_m))
    row = {
        "id": name,
        "stone_type": said.stone_type,
        "kind": said.kind or "unknown",
        "location": said.location,
        "length_m": width,
        "height_m": height,
        "depth_m": said.block_depth_m,
        "acceptance": "to test",
    }
    if said.block_depth_m is not None:
        weight = estimate_weight(
            width * height * said.block_depth_m, said.kind, stone_type=said.stone_type
        )
        row |= {"weight_kg": round(weight, 1), "weight_status": "from density"}
    return row


def _by_card(picture: Any, card: GreyCard, turn: Turn, *, stored: bool) -> ColourCorrection:
    x_px, y_px = upright_place((card.x_px, card.y_px), turn, stored=stored)
    reading = read_patch(
        picture,
        name="grey card",
        x_px=x_px,
        y_px=y_px,
        half_px=card.half_px,
        role="fit",
        lab=card.lab,
    )
    return fit_correction([reading], chart="grey card")[0]


def _doubts(traced: TracedFace, faces: list[dict[str, Any]], row: dict[str, Any]) -> list[str]:
    doubts = []
    if traced.matrix_miss_m > _MISS_M:
        doubts.append(
            f"the lens bends the picture of the face by up to {traced.matrix_miss_m * 1000:.0f} mm: sizes are true, "
            "its picture in the wall is off by that much"
        )
    others = sorted(
        {str(f["wetness"]) for f in faces if f["id"] != row["id"] and not is_missing(f["wetness"])}
        - {row["wetness"]}
    )
    if others:
        doubts.append(
            f"this face is {row['wetness']}, others of the block are {', '.join(others)}: wetting darkens stone"
        )
    if row["wetness"] != "dry":
        doubts.append(
            f"photographed {row['wetness']}: photograph again when dry before it is compared with dry stone"
        )
    return doubts


def _report(
    row: dict[str, Any],
    traced: TracedFace,
    found: FoundScale,
    usable: dict[str, Any],
    warnings: list[str],
    *,
    new: bool,
) -> dict[str, Any]:
    size = traced.size
    return {
        "block": row["block"],
        "face": row["id"],
        "new": new,
        "photo": row["photo"],
        "scale": found.source,
        "width_m": size.width_m,
        "width_pm95_m": size.width_pm95_m,
        "height_m": size.height_m,
        "height_pm95_m": size.height_pm95_m,
        "area_m2": float(shapely.Polygon(traced.outline_m).area),
        "area_pm95_m2": size.area_pm95_m2,
        **usable,
        "flaws": len(row["flaws"]),
        "lab": row["lab"],
        "spread": row["spread"],
        "calibrated": row["calibrated"],
        "warnings": warnings,
    }
