"""Contact sheet of the faces most like the place of a repair, each seen in the wall."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import cv2
import numpy as np
import shapely

from facademap.errors import FacademapError, InputError
from facademap.io.whole_files import write_whole
from facademap.match.from_tables import TableProblem
from facademap.salvage.preview import best_five_sheet
from facademap.store.project import Project
from facademap.tasks.desk.inwall import see_piece
from facademap.tasks.desk.pictures import Pictures
from facademap.tasks.match.match import load_problem
from facademap.tasks.yard.block_looks import likeness_parts

__all__ = ["best_faces"]

MOST_FACES = 5
#: Words of a flag, and what stands for it under a picture.
_SHORT = (
    ("wetting", "wet beside dry"),
    ("tooling", "another finish"),
    ("a weathered face", "weathered beside fresh"),
    ("too coarse", "picture too coarse for grain"),
)
#: Places tried along each side of a face.
_STEPS = 25


def best_faces(folder: Path, repair: str, out: Path) -> dict[str, Any]:
    """Write a PNG with the present state and up to five faces set into the wall, most alike first.

    Only blocks that may be matched, of a stone the repair accepts, and with a place free of flaws for the
    upright piece are shown; the place is the one nearest to the middle of the face, not that of the plan.
    The parts of the likeness are returned for each.

    Raises
    ------
    FacademapError
        Unknown repair, nothing measured, or no face to show.
    """
    if out.suffix.lower() != ".png":
        raise InputError(
            f"{out.name}: the sheet is a PNG picture", "Choose a name that ends in .png."
        )
    shown, cells, before = [], [], None
    with Project.open(folder, read_only=True) as project:
        ranked, able = (
            likeness_parts(project, repair),
            _able(load_problem(project, looks={}), repair),
        )
        pictures = Pictures(folder)
        u0, v0, u1, v1 = project.row("repairs", repair)["geometry"].bounds
        size_m = (u1 - u0, v1 - v0)
        for parts in (p for p in ranked if p["face"] in able):
            place = _sound_place(project.row("faces", parts["face"]), size_m)
            if place is None:
                continue
            try:
                seen = see_piece(
                    project, pictures, repair=repair, face=parts["face"], x_m=place[0], y_m=place[1]
                )
            except FacademapError:
                continue  # a face without its photo cannot be shown
            before = seen.now
            cells.append(
                (
                    f"{parts['face']}  distance {parts['total']:.1f}\n{', '.join(_warnings(parts))}",
                    seen.after,
                )
            )
            shown.append(parts)
            if len(cells) == MOST_FACES:
                break
    if before is None:
        raise InputError(
            f"no measured face may serve repair {repair}",
            "Add blocks with photos, and accept them.",
        )
    sheet = best_five_sheet(before, cells)
    write_whole(out, cv2.imencode(".png", np.ascontiguousarray(sheet[..., ::-1]))[1].tobytes())
    return {"repair": repair, "out": out, "faces": shown}


def _warnings(parts: dict[str, Any]) -> list[str]:
    """What makes a comparison unsafe, in a word or two each."""
    said = [short for word, short in _SHORT if any(word in flag for flag in parts["flags"])]
    return said + (["rank only: not calibrated"] if parts["rank_only"] else [])


def _sound_place(face: dict[str, Any], size_m: tuple[float, float]) -> tuple[float, float] | None:
    """Lower left corner of a place without flaws for a piece, as near to the middle of the face as can be."""
    outline = shapely.Polygon(face["outline"])
    flaws = [shapely.Polygon(f["ring"]).buffer(0) for f in face["flaws"] or ()]
    sound = (
        outline.buffer(1e-6).difference(shapely.union_all(flaws)) if flaws else outline.buffer(1e-6)
    )
    x0, y0, x1, y1 = outline.bounds
    if x1 - x0 < size_m[0] or y1 - y0 < size_m[1]:
        return None
    x, y = (
        a.ravel()
        for a in np.meshgrid(
            np.linspace(x0, x1 - size_m[0], _STEPS), np.linspace(y0, y1 - size_m[1], _STEPS)
        )
    )
    order = np.argsort(
        np.hypot(x - (x0 + x1 - size_m[0]) / 2, y - (y0 + y1 - size_m[1]) / 2), kind="stable"
    )
    x, y = x[order], y[order]
    shapely.prepare(sound)
    fits = np.flatnonzero(shapely.contains(sound, shapely.box(x, y, x + size_m[0], y + size_m[1])))
    return (float(x[fits[0]]), float(y[fits[0]])) if len(fits) else None


def _able(table_problem: TableProblem, repair: str) -> set[str]:
    """Faces that are large enough and of an accepted stone, as far as their boxes tell."""
    wanted = next((r for r in table_problem.problem.repairs if r.id == repair), None)
    if wanted is None:
        raise InputError(
            f"repair {repair} is not in the matching",
            "Check the name; repairs on hold or accepted are not matched.",
        )
    need = sorted(np.ptp(np.asarray(wanted.outline_mm), axis=0))
    return {
        face.id
        for block in table_problem.problem.blocks
        if block.stone in (wanted.stone, *wanted.accept) and block.id not in wanted.forbid
        for face in block.faces
        if face.depth_mm >= wanted.depth_mm
        and (np.sort(np.ptp(np.asarray(face.outline_mm), axis=0)) >= need).all()
    }
