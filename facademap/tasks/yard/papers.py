"""Papers and tables of the yard: labels, contact sheet, target sheet, inventory out."""

from __future__ import annotations

import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Literal

import numpy as np

from facademap.errors import FacademapError
from facademap.io.block_tables import write_block_table
from facademap.io.whole_files import write_whole
from facademap.report.block_papers import (
    BlockCard,
    write_block_labels,
    write_contact_sheet,
    write_target_sheet,
)
from facademap.report.measures import Measures
from facademap.tables import is_missing, text_of

__all__ = ["export_blocks", "read_cards", "target_sheet", "yard_paper"]

_PICTURE_PX = 420


def target_sheet(out: Path, *, paper: str = "A4") -> None:
    """Write the printed target sheet."""
    write_whole(out, write_target_sheet(paper=paper))


def yard_paper(
    folder: Path, out: Path, *, what: Literal["labels", "contact sheet"], paper: str = "A4"
) -> int:
    """Write labels or the contact sheet of a project's blocks; how many blocks are on it."""
    from facademap.store.project import Project

    with Project.open(folder, read_only=True) as project:
        cards = read_cards(project, pictures=what == "contact sheet")
    made = (
        write_block_labels(cards, paper=paper)
        if what == "labels"
        else write_contact_sheet(cards, paper=paper)
    )
    write_whole(out, made)
    return len(cards)


def export_blocks(out: Path, *, folder: Path | None = None) -> tuple[int, list[Path]]:
    """Write the inventory of a project, or without one an empty template; how many blocks, and the files."""
    if folder is None:
        return 0, write_block_table(out, [])
    from facademap.store.project import Project

    with Project.open(folder, read_only=True) as project:
        blocks = project.read("blocks").to_dict("records")
        faces = project.read("faces").to_dict("records")
        photos = {p["id"]: p for p in project.read("photos").to_dict("records")}
    by_block: dict[str, list[Any]] = {}
    for face in faces:
        by_block.setdefault(face["block"], []).append((face, photos.get(face["photo"])))
    entries = [(block, by_block.get(block["id"], [])) for block in blocks]
    return len(entries), write_block_table(out, entries)


def read_cards(project: Any, *, pictures: bool) -> list[BlockCard]:
    """Blocks of a project as cards, sorted by id."""
    faces: dict[str, list[Mapping[str, Any]]] = {}
    for row in project.read("faces").to_dict("records"):
        faces.setdefault(row["block"], []).append(row)
    photos = {p["id"]: p for p in project.read("photos").to_dict("records")} if pictures else {}
    from facademap.tasks.plan.reading import reads_inches

    say = Measures(reads_inches(project))
    cards = []
    for block in sorted(project.read("blocks").to_dict("records"), key=lambda b: str(b["id"])):
        own = faces.get(block["id"], [])
        face: Mapping[str, Any] = own[0] if own else {}
        jpeg, aspect = _face_jpeg(project, face, photos) if pictures else (None, 1.0)
        lab = face.get("lab")
        cards.append(
            BlockCard(
                say=say,
                id=block["id"],
                stone_type=block["stone_type"],
                location=text_of(block["location"]),
                state=block["state"],
                acceptance=block["acceptance"],
                bed=text_of(face.get("bed")) or "unknown",
                finish=text_of(face.get("finish")),
                size_m=(
                    _value(face.get("width_m")),
                    _value(face.get("height_m")),
                    _value(face.get("usable_depth_m")),
                ),
                weight_kg=None if is_missing(block["weight_kg"]) else float(block["weight_kg"]),
                lab=tuple(lab) if isinstance(lab, (list, tuple)) and len(lab) == 3 else None,
                calibrated=face.get("calibrated") is True or face.get("calibrated") == 1,
                outline_m=face.get("outline"),
                flaws_m=tuple(f["ring"] for f in face.get("flaws") or ()),
                jpeg=jpeg,
                jpeg_aspect=aspect,
                faces=len(own),
            )
        )
    return cards


def _value(value: Any) -> float:
    return math.nan if value is None or is_missing(value) else float(value)


def _face_jpeg(
    project: Any, face: Mapping[str, Any], photos: Mapping[str, Any]
) -> tuple[bytes | None, float]:
    """A small picture of the face cut from its photo, or nothing where there is none."""
    import cv2

    from facademap.io.pictures import read_picture

    photo = photos.get(str(face.get("photo")))
    if photo is None:
        return None, 1.0
    try:
        picture, _ = read_picture(project.place(photo["path"]))
    except FacademapError:
        return None, 1.0
    matrix, outline = face.get("photo_matrix"), face.get("outline")
    if matrix and outline:
        ring = cv2.perspectiveTransform(
            np.asarray(outline, float)[None], np.asarray(matrix, float)
        )[0]
        pad = 0.06 * np.ptp(ring, axis=0).max()
        x0, y0 = np.maximum(np.floor(ring.min(axis=0) - pad), 0).astype(int)
        x1, y1 = np.ceil(ring.max(axis=0) + pad).astype(int)
        if x1 > x0 + 8 and y1 > y0 + 8 and picture[y0:y1, x0:x1].size:
            picture = picture[y0:y1, x0:x1]
    share = min(1.0, _PICTURE_PX / max(picture.shape[:2]))
    size = (max(1, round(picture.shape[1] * share)), max(1, round(picture.shape[0] * share)))
    small = cv2.resize(picture, size, interpolation=cv2.INTER_AREA)
    done, data = cv2.imencode(
        ".jpg", np.ascontiguousarray(small[..., ::-1]), [cv2.IMWRITE_JPEG_QUALITY, 85]
    )
    return (data.tobytes(), size[0] / size[1]) if done else (None, 1.0)
