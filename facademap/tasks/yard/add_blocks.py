"""Take an inventory of salvaged blocks into a project, with the colour of each face from its photo."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import shapely

from facademap.errors import FacademapError, FileError, InputError
from facademap.io.block_files import NOT_MEASURED, BlockRow, FaceRow, read_blocks
from facademap.io.csv_tables import TableWords
from facademap.io.pictures import read_picture, read_picture_info
from facademap.io.whole_files import path_inside
from facademap.photo.chart import read_patch
from facademap.photo.colour import ColourCorrection, fit_correction
from facademap.photo.homography import apply_homography
from facademap.salvage.densities import estimate_weight, impossible_weights
from facademap.store.edit import Edit
from facademap.store.gate import store_large
from facademap.store.project import Project
from facademap.tables import TABLES, is_missing
from facademap.tables.names import as_id
from facademap.tasks.desk.sound_plan import unsawable
from facademap.tasks.survey.add_photos import storing_photos
from facademap.tasks.survey.kept_columns import keep_columns, with_kept_columns
from facademap.tasks.yard.face_colour import face_colour

__all__ = ["add_blocks"]

#: A face seen at 45 degrees is shortened so much in one direction; more contradicts its outline.
MOST_SHORTENING = 1.45


def add_blocks(
    folder: str | Path,
    path: str | Path,
    *,
    faces: str | Path | None = None,
    photos: str | Path | None = None,
    words: TableWords | None = None,
    dry_run: bool = False,
    stored_pixels: bool = False,
    who: str = "yard",
    progress: Callable[[float], None] = lambda fraction: None,
    judge: Callable[[Sequence[BlockRow]], None] = lambda rows: None,
    along: Callable[[Edit, Sequence[BlockRow]], None] = lambda edit, rows: None,
) -> dict[str, Any]:
    """Read blocks, copy their photos, measure the colour of each face.

    Columns that the file leaves out stay as they are for blocks that the project knows; a face that is as the
    project has it keeps its colour.

    Parameters
    ----------
    folder : path
        Project.
    path : path
        CSV or XLSX, see :mod:`facademap.io.block_files`.
    faces : path, optional
        CSV of further faces; the one beside ``path`` whose name ends in ``_faces.csv`` without it.
    photos : path, optional
        Folder of the face photos; the inventory's own folder and its ``photos`` without it.
    words : TableWords, optional
        Unit, decimal sign, order of dates, and an office's column names, which the project keeps.
    dry_run : bool
        Read and check everything, store nothing.
    stored_pixels : bool
        Pixels of rows that do not say otherwise were picked in stored pictures, before the turn by EXIF.
    judge : callable
        Raises where the blocks that were read are not those that are wanted.
    along : callable
        Stores in the same edit what goes with the blocks.

    Returns
    -------
    dict
        ``added``, ``faces``, ``measured`` (faces with colour), ``notes``.
    """
    path = Path(path)
    with Project.open(folder) as project:
        words = with_kept_columns(project, "blocks", words)
    notes: list[str] = []
    rows = read_blocks(path, faces=faces, words=words, notes=notes)
    judge(rows)
    face_rows = [(row, face) for row in rows for face in row.faces]
    _check_shared_photos(rows)
    notes += _states(rows) + _unmeasured(rows)
    made, pictures = [], []
    with Project.open(folder) as project, ExitStack() as stack:
        places = (
            [Path(photos)]
            if photos
            else [path.parent / "photos", path.parent, project.folder / "blocks"]
        )
        known_blocks = {b["id"]: b for b in project.read("blocks").to_dict("records")}
        known_faces = {f["id"]: f for f in project.read("faces").to_dict("records")}
        _check_owners(project, face_rows, known_faces)
        copies = stack.enter_context(storing_photos(project))
        for number, (_, given) in enumerate(face_rows):
            row = _upright(given, places, stored_pixels)
            _check_flaws(row)
            picture, face = _measure(
                row,
                places,
                notes,
                known_faces.get(row.face["id"]),
                store=None if dry_run else copies,
            )
            made.append(face)
            if picture:
                pictures.append(picture)
            progress((number + 1) / len(face_rows))
        blocks = [_with_weight({**known_blocks.get(r.block["id"], {}), **r.block}) for r in rows]
        notes += [f"{i.block}: {i.problem}; {i.remedy}" for i in impossible_weights(blocks)]
        summary = _summary(rows, made, notes, understood=_understood(rows, blocks))
        if dry_run:
            for name, values in (("blocks", blocks), ("faces", made)):
                for value in values:
                    TABLES[name].check_row(value, source=str(path))
            return summary

        def keep(edit: Edit) -> None:
            edit.put("photos", pictures)
            edit.put("blocks", blocks)
            edit.put("faces", made)
            keep_columns(project, edit, "blocks", words)
            along(edit, rows)

        store_large(project, keep, who=who, what=f"read blocks from {path.name}")
        summary["notes"] += _places_lost(project, made)
    return summary


def _places_lost(project: Project, faces: list[dict[str, Any]]) -> list[str]:
    """Blocks on which pieces lie that could not be sawn from the faces as they were read."""
    return [
        f"block {block} cannot be sawn as planned any more: {found.problem}; match again"
        for block, found in unsawable(project, [("faces", str(f["id"])) for f in faces]).items()
    ]


def _summary(
    rows: list[BlockRow], faces: list[dict[str, Any]], notes: list[str], *, understood: str
) -> dict[str, Any]:
    return {
        "added": len(rows),
        "faces": len(faces),
        "measured": sum(f.get("lab") is not None for f in faces),
        "understood": understood,
        "notes": notes,
    }


def _understood(rows: list[BlockRow], blocks: list[dict[str, Any]]) -> str:
    """What the list says, in one line that its writer can check."""
    volume = 0.0
    for block in blocks:
        sides = [block.get(f"{n}_m") for n in ("length", "height", "depth")]
        if not any(is_missing(s) for s in sides):
            volume += float(np.prod(np.array(sides, dtype=float)))
    sizes = [b["length_m"] for b in blocks if not is_missing(b.get("length_m"))]
    text = f"{len(rows)} blocks, {volume:.2f} m3"
    if sizes:
        text += f", {min(sizes) * 1000:.0f} to {max(sizes) * 1000:.0f} mm long"
    kinds = sorted({str(r.block["stone_type"]) for r in rows})
    return f"{text}; {', '.join(kinds[:4])}{' and more' if len(kinds) > 4 else ''}"


def _unmeasured(rows: list[BlockRow]) -> list[str]:
    """Blocks without a face, and those whose face is only the size of the block."""
    bare = [str(r.block["id"]) for r in rows if not r.faces]
    whole = [
        str(r.block["id"]) for r in rows if any(f.face.get("note") == NOT_MEASURED for f in r.faces)
    ]
    notes = [f"{name}: no face, so it is not matched" for name in bare]
    if whole:
        shown = ", ".join(whole[:5]) + (f" and {len(whole) - 5} more" if len(whole) > 5 else "")
        notes.append(
            f"{shown}: the face is taken as large as the block; its outline, flaws and sound depth are not known, "
            "measure it before it is sawn"
        )
    return notes


def _check_shared_photos(rows: list[BlockRow]) -> None:
    used: dict[str, str] = {}
    for row in rows:
        for face in row.faces:
            owner = (
                used.setdefault(face.photo, str(row.block["id"])) if face.photo else row.block["id"]
            )
            if owner != row.block["id"]:
                raise InputError(
                    f"{face.where}: photo {face.photo} is used for {owner} and {row.block['id']}",
                    "Give each block its own photo.",
                )


def _check_owners(
    project: Project, rows: list[tuple[BlockRow, FaceRow]], known: dict[str, dict[str, Any]]
) -> None:
    """Faces and photos of the file against those that the project has."""
    shown = {f["photo"]: f["block"] for f in known.values() if not is_missing(f["photo"])}
    for row, face in rows:
        name = face.face["id"]
        if name in known and known[name]["block"] != row.block["id"]:
            raise InputError(
                f"{face.where}: face {name} belongs to block {known[name]['block']}",
                "Give the face another name.",
            )
        photo = as_id(face.photo) if face.photo else ""
        if shown.get(photo, row.block["id"]) != row.block["id"]:
            raise InputError(
                f"{face.where}: photo {face.photo} is used for {shown[photo]} and {row.block['id']}",
                "Give each block its own photo.",
            )


def _with_weight(block: dict[str, Any]) -> dict[str, Any]:
    """A block without a weight gets a heavy one from its size over all and its kind of stone."""
    sides = [
        0.0 if s is None or is_missing(s) else float(s)
        for s in (block.get(f"{n}_m") for n in ("length", "height", "depth"))
    ]
    if not is_missing(block.get("weight_kg")) or min(sides) <= 0:
        return block
    weight = estimate_weight(
        float(np.prod(sides)), block.get("kind"), stone_type=block.get("stone_type")
    )
    return {**block, "weight_kg": round(weight, 1), "weight_status": "from density"}


def _states(rows: list[BlockRow]) -> list[str]:
    """Photos of damp or wet faces among dry ones: their colour is not comparable."""
    by_state: dict[str, list[str]] = {}
    for row in rows:
        for face in row.faces:
            if face.photo:
                by_state.setdefault(str(face.face.get("wetness") or "dry"), []).append(
                    str(row.block["id"])
                )
    if "dry" not in by_state:
        return []
    return [
        f"{', '.join(names)}: photographed {state}, the others dry; wetting darkens stone, photograph again when dry"
        for state, names in by_state.items()
        if state != "dry"
    ]


def _check_flaws(row: FaceRow) -> None:
    outline = shapely.Polygon(row.face["outline"])
    for flaw in row.face["flaws"]:
        if shapely.Polygon(flaw["ring"]).intersection(outline).area <= 0:
            raise InputError(
                f"{row.where}: flaws_mm: a flaw lies outside its face",
                "Measure the flaw again, or leave it out.",
            )


def _measure(
    row: FaceRow,
    places: list[Path],
    notes: list[str],
    old: dict[str, Any] | None,
    *,
    store: Callable[..., dict[str, Any]] | None,
) -> tuple[dict[str, Any] | None, dict[str, Any]]:
    name = str(row.face["id"])
    outline = np.asarray(row.face["outline"])
    size = np.ptp(outline, axis=0)
    face: dict[str, Any] = {**row.face, "width_m": float(size[0]), "height_m": float(size[1])}
    if old is not None and _is_unchanged(row, old):
        return None, {**old, **{k: v for k, v in row.face.items() if k not in ("outline", "flaws")}}
    if not row.photo:
        notes.append(f"{name}: no photo, so no colour; it is not matched")
        return None, face
    source = _photo_of(row, places)
    if source is None:
        raise FileError(
            f"{row.where}: photo {row.photo} is not in {places[0]}",
            "Put the photo there, or name the folder of the photos.",
        )
    if store is None:
        return None, face
    stored = {**store(source, folder="blocks"), "subject": "block"}
    face["photo"] = stored["id"]
    if len(row.corners_px) != 4:
        notes.append(
            f"{name}: face_corners_px is missing, so the face cannot be found in its photo; it has no colour"
        )
        return stored, face
    picture, _ = read_picture(source)
    matrix = _face_to_photo(outline, row.corners_px, row.where)
    try:
        correction = _by_card(picture, row)
        colour = face_colour(
            picture,
            outline,
            [f["ring"] for f in row.face["flaws"]],
            matrix,
            face=row.face,
            correction=correction,
        )
    except FacademapError as error:
        notes.append(f"{name}: {error.problem}")
        return stored, {**face, "photo_matrix": matrix.tolist()}
    return stored, {**face, "photo_matrix": matrix.tolist(), **colour}


def _photo_of(row: FaceRow, places: list[Path]) -> Path | None:
    return next((f for p in places if (f := path_inside(p, row.photo)).is_file()), None)


def _upright(row: FaceRow, places: list[Path], stored_pixels: bool) -> FaceRow:
    """The row with its pixels in the upright photo."""
    says = stored_pixels if row.stored_pixels is None else row.stored_pixels
    source = _photo_of(row, places) if says and row.photo else None
    if source is None:
        return row
    return row.upright(read_picture_info(source).turn, stored=says)


def _is_unchanged(row: FaceRow, old: dict[str, Any]) -> bool:
    """Whether the file says of outline, flaws, photo and state what the project has, and brings no grey card."""

    def close(a: Any, b: Any) -> bool:
        a, b = np.asarray(a, dtype=float), np.asarray(b, dtype=float)
        return a.shape == b.shape and bool(np.allclose(a, b, rtol=0, atol=1e-8))

    flaws = old["flaws"] or []
    if (
        row.card is not None
        or (as_id(row.photo) if row.photo else "")
        != ("" if is_missing(old["photo"]) else old["photo"])
        or not close(row.face["outline"], old["outline"])
        or len(flaws) != len(row.face["flaws"])
    ):
        return False
    if not all(
        close(a["ring"], b["ring"])
        and close(a["depth_m"] or 0, b.get("depth_m") or 0)
        and (a["depth_m"] is None) == (b.get("depth_m") is None)
        and close(a["from_m"], b.get("from_m") or 0)
        for a, b in zip(row.face["flaws"], flaws, strict=True)
    ):
        return False
    state = (("finish", ""), ("wetness", "dry"), ("weathered", False))
    if any(
        n in row.face
        and (row.face[n] or blank) != ((None if is_missing(old[n]) else old[n]) or blank)
        for n, blank in state
    ):
        return False
    if not row.corners_px:
        return True
    if len(row.corners_px) != 4 or old["photo_matrix"] is None:
        return False
    box = np.asarray(old["outline"], dtype=float)
    (x0, y0), (x1, y1) = box.min(axis=0), box.max(axis=0)
    seen = apply_homography(
        np.asarray(old["photo_matrix"], dtype=float),
        np.array([(x0, y0), (x1, y0), (x1, y1), (x0, y1)]),
    )
    return bool(np.abs(seen - np.asarray(row.corners_px)).max() < 0.05)


def _face_to_photo(outline_m: Any, corners_px: Any, where: str) -> Any:
    """Homography from metres of the face to pixels, by the corners of the outline's box."""
    (x0, y0), (x1, y1) = outline_m.min(axis=0), outline_m.max(axis=0)
    box = np.array([(x0, y0), (x1, y0), (x1, y1), (x0, y1)], np.float32)
    quad = np.asarray(corners_px, np.float32)
    if not shapely.Polygon(corners_px).is_valid or abs(shapely.Polygon(corners_px).area) < 100:
        raise InputError(
            f"{where}: face_corners_px is no quadrilateral",
            "Give lower left, lower right, upper right, upper left.",
        )
    _check_proportion(box, quad, where)
    return cv2.getPerspectiveTransform(box, quad).astype(float)


def _check_proportion(box: Any, quad: Any, where: str) -> None:
    """The quadrilateral must have about the sides of the outline's box, and run round it the same way."""
    x, y = quad.T.astype(float)
    if float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y)) > 0:
        raise InputError(
            f"{where}: face_corners_px runs the wrong way round: the face would be mirrored",
            "Give lower left, lower right, upper right, upper left.",
        )
    sides = np.hypot(*(np.roll(quad, -1, axis=0) - quad).T)
    seen = float((sides[0] + sides[2]) / (sides[1] + sides[3]))
    wanted = float(np.ptp(box[:, 0]) / np.ptp(box[:, 1]))
    if not 1 / MOST_SHORTENING < seen / wanted < MOST_SHORTENING:
        raise InputError(
            f"{where}: face_corners_px is {seen:.2f} times as wide as high, the outline {wanted:.2f} times",
            "Give the corners of the outline's own box, lower left first, or correct outline_mm.",
        )


def _by_card(picture: Any, row: FaceRow) -> ColourCorrection | None:
    if row.card is None:
        return None
    x, y, half, lab = row.card
    reading = read_patch(
        picture, name="grey card", x_px=x, y_px=y, half_px=half, role="fit", lab=lab
    )
    return fit_correction([reading], chart="grey card")[0]
