"""Damage with a border proposed from the picture of a wall, and from its relief where there is one."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import shapely

from facademap.condition.damage_net import look_for_damage
from facademap.condition.damage_regions import Damage, damages_of
from facademap.condition.glossary import find_term
from facademap.condition.wall_outlines import Stone, outline_wall
from facademap.io.relief_files import read_relief
from facademap.store.edit import Edit
from facademap.store.gate import store_large
from facademap.store.project import Project
from facademap.tasks.survey.add_photos import surface_of
from facademap.tasks.survey.kept_reliefs import KeptRelief, reliefs_of
from facademap.tasks.survey.look_at_picture import (
    NOT_PROVED,
    NOTHING,
    in_metres,
    lone_picture,
    need_size,
    picture_of,
    write_proposals,
)
from facademap.wall.grid import PixelGrid

__all__ = [
    "note_of",
    "propose_damage_in_photo",
    "propose_damage_on_surface",
    "relief_on",
]

#: Sample distance at which damage is looked for, metres, and pixels of a look at most.
_GSD_M, _MOST_PX = 0.004, 12_000_000
#: Pixels in which stones are looked for, to tell where there is masonry.
_MASONRY_PX = 1_500_000
#: Damage lies on stones, or at most so many of their breadths beside one.
_BESIDE = 1.0
#: A proposal that shares more than this with a condition of any origin drawn before is left out.
_DRAWN = 0.3
_NO_DAMAGE = "no damage with a border was seen"
#: What a person has to say of a proposal that the network cannot.
_OPEN_QUESTIONS = {
    "cement repair": "an earlier repair; of what, and whether it is sound, is not known",
    "biological colonization": "moss, lichen, algae or plants",
}


def propose_damage_in_photo(
    photo: Path, *, out: Path, gsd_mm: float | None = None
) -> dict[str, Any]:
    """Propose damage in a picture of a wall.

    Parameters
    ----------
    photo : Path
        Picture; places are pixels of it upright.
    out : Path
        GeoJSON FeatureCollection to write: polygons and lines with ``term``, ``confidence`` and ``width_px``.
    gsd_mm : float, optional
        Millimetres of the wall to a pixel.

    Returns
    -------
    dict
        ``proposed``, ``terms`` (number by term) and ``notes``.

    Raises
    ------
    FileError, InputError
        The picture cannot be used, the sample distance is none, or the target cannot be written.
    """
    rgb, gsd_m = lone_picture(photo, out=out, gsd_mm=gsd_mm)
    found, notes = _found(rgb, gsd_m=gsd_m, name=photo.name)
    features = [
        {
            "type": "Feature",
            "properties": {
                "term": d.term,
                "confidence": d.confidence,
                "width_px": None if math.isnan(d.width_px) else round(d.width_px, 2),
            },
            "geometry": shapely.geometry.mapping(shapely.set_precision(d.shape_px, 0.01)),
        }
        for d in found
    ]
    write_proposals(out, photo, rgb.shape, features)
    return _told(found, notes)


def propose_damage_on_surface(
    folder: str | Path,
    *,
    surface: str | None = None,
    who: str = "surveyor",
    progress: Callable[[float], None] | None = None,
) -> dict[str, Any]:
    """Propose damage on a surface from its rectified elevation, as one edit that can be undone.

    What is drawn already is kept, and nothing is proposed on it or in openings. All proposals count as assisted until
    somebody confirms them, and no repair is planned for one before that.

    Parameters
    ----------
    folder : path
        Project.
    surface : str, optional
        May be left out where the project has one.
    who : str
    progress : callable, optional
        Told the share done.

    Returns
    -------
    dict
        ``surface``, ``proposed``, ``terms``, ``kept`` (drawn before), ``relief`` (the one that was used, or None) and ``notes``.

    Raises
    ------
    FileError, InputError
        No such surface, or it has no picture.
    """
    tell = progress or (lambda share: None)
    with Project.open(folder) as project:
        name = surface_of(project, surface)
        grid, rgb, seen = picture_of(project, name, most_px=_MOST_PX, finest_m=_GSD_M)
        kept, relief_m = relief_on(project, name, grid)
        tell(0.1)
        found, notes = _found(
            rgb, gsd_m=grid.gsd_m, name=f"the picture of {name}", seen=seen, relief_m=relief_m
        )
        tell(0.9)
        # read after the look, which takes its time while people go on drawing
        stones = project.read("wall_stones", where={"surface": name})
        drawn = project.read("conditions", where={"surface": name})
        openings = project.read("openings", where={"surface": name})
        shapes = [_on_wall(d.shape_px, grid) for d in found]
        free = _free(shapes, list(drawn.geometry), list(openings.geometry))
        told = {
            "surface": name,
            "kept": len(drawn),
            "relief": None if kept is None else kept.path,
            **_told([found[k] for k in free], notes, kept),
        }
        if not free:
            return told
        on_stone = _stones_under([shapes[k] for k in free], stones)

        def keep(edit: Edit) -> None:
            edit.insert(
                "conditions",
                [
                    _row(edit.new_id("C"), name, found[k], shapes[k], stone)
                    for k, stone in zip(free, on_stone, strict=True)
                ],
            )

        store_large(project, keep, who=who, what=f"propose damage on {name}")
        tell(1.0)
        return told


def _found(
    rgb: Any,
    *,
    gsd_m: float | None,
    name: str,
    seen: Any = None,
    relief_m: Any = None,
) -> tuple[list[Damage], list[str]]:
    """Damage on the masonry of a picture, in its pixels, and what is to be said of it."""
    rows, columns = rgb.shape[:2]
    need_size(rgb, name, what="damage")
    masonry = _masonry(rgb, gsd_m)
    if masonry is None:
        return [], [f"{name}: {NOTHING}"]
    scale = min(1.0, math.sqrt(_MOST_PX / (rows * columns)))
    if gsd_m is not None:
        scale = min(scale, gsd_m / _GSD_M)
    size = tuple(max(8, round(n * scale)) for n in (columns, rows))
    small = rgb if scale == 1 else cv2.resize(rgb, size, interpolation=cv2.INTER_AREA)
    exact = np.array(size if scale != 1 else (columns, rows)) / (columns, rows)
    if relief_m is not None and scale != 1:
        relief_m = cv2.resize(relief_m, size, interpolation=cv2.INTER_NEAREST)
    damages = damages_of(look_for_damage(np.ascontiguousarray(small), relief_m))
    found = []
    for damage in damages:
        shape = shapely.transform(damage.shape_px, lambda p: (p + 0.5) / exact - 0.5)
        inner = shape.representative_point()
        row, column = (
            int(np.clip(round(v), 0, n - 1)) for v, n in ((inner.y, rows), (inner.x, columns))
        )
        if masonry[row * masonry.shape[0] // rows, column * masonry.shape[1] // columns] and (
            seen is None or seen[row, column]
        ):
            width_px = damage.width_px / float(exact.mean())
            found.append(replace(damage, shape_px=shape, width_px=width_px))
    return found, [] if found else [f"{name}: {_NO_DAMAGE}"]


def _masonry(rgb: Any, gsd_m: float | None) -> Any:
    """Where the stones of a reduced picture lie and a little round them; None where none are seen."""
    scale = min(1.0, math.sqrt(_MASONRY_PX / (rgb.shape[0] * rgb.shape[1])))
    size = tuple(max(8, round(n * scale)) for n in rgb.shape[1::-1])
    small = np.ascontiguousarray(cv2.resize(rgb, size, interpolation=cv2.INTER_AREA))
    stones: list[Stone] = outline_wall(small, gsd_m=None if gsd_m is None else gsd_m / scale)
    if not stones:
        return None
    mask = np.zeros(small.shape[:2], np.uint8)
    for stone in stones:
        cv2.fillPoly(mask, [np.round(stone.ring_px).astype(np.int32)], 1)
    breadth = float(np.median([math.sqrt(shapely.Polygon(s.ring_px).area) for s in stones]))
    reach = 2 * max(2, round(_BESIDE * breadth)) + 1
    return cv2.dilate(mask, np.ones((reach, reach), np.uint8))


def relief_on(project: Project, name: str, grid: PixelGrid) -> tuple[KeptRelief | None, Any]:
    """The newest relief of a surface on the grid of a picture of it, metres, not a number where unknown.

    Parameters
    ----------
    project : Project
    name : str
        Surface.
    grid : PixelGrid
        Of the picture, whole or a part.

    Returns
    -------
    tuple
        The relief and its values, shape (rows, columns); ``(None, None)`` where the surface has none.

    Raises
    ------
    FileError, InputError
        Its file is away or cannot be read.
    """
    kept = reliefs_of(project.row("surfaces", name))
    if not kept:
        return None, None
    around, more = grid.extent, 2 * grid.gsd_m
    theirs, out_m, _ = read_relief(
        project.place(kept[-1].path),
        (around.u0_m - more, around.v0_m - more, around.u1_m + more, around.v1_m + more),
    )
    u = grid.left_m + (np.arange(grid.width_px, dtype=np.float32) + 0.5) * grid.gsd_m
    v = grid.top_m - (np.arange(grid.height_px, dtype=np.float32) + 0.5) * grid.gsd_m
    x, y = (u - theirs.left_m) / theirs.gsd_m - 0.5, (theirs.top_m - v) / theirs.gsd_m - 0.5
    shape = (grid.height_px, grid.width_px)
    laid = cv2.remap(
        out_m.astype(np.float32),
        np.broadcast_to(x[None], shape).astype(np.float32),
        np.broadcast_to(y[:, None], shape).astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=float("nan"),
    )
    return kept[-1], laid


def _on_wall(shape_px: Any, grid: PixelGrid) -> Any:
    return shapely.make_valid(shapely.transform(shape_px, lambda p: in_metres(p, grid)))


def _free(shapes: list[Any], drawn: list[Any], openings: list[Any]) -> list[int]:
    """Which proposals lie on nothing that was drawn before."""
    old = np.array(
        [shapely.make_valid(g).buffer(1e-4) for g in [*drawn, *openings] if g is not None],
        dtype=object,
    )
    tree = shapely.STRtree(old)
    free = []
    for k, shape in enumerate(shapes):
        near = old[tree.query(shape, predicate="intersects")] if len(old) else []
        measure = shape.area if shape.area > 0 else shape.length
        rest = shape.difference(shapely.union_all(near)) if len(near) else shape
        left = rest.area if shape.area > 0 else rest.length
        if measure > 0 and left >= (1 - _DRAWN) * measure:
            free.append(k)
    return free


def _stones_under(shapes: list[Any], stones: Any) -> list[str | None]:
    """The stone on which most of each proposal lies, or None for one over several stones or none."""
    outlines = np.array([shapely.make_valid(g) for g in stones.geometry], dtype=object)
    names, tree, found = [str(i) for i in stones["id"]], shapely.STRtree(outlines), []
    for shape in shapes:
        near = tree.query(shape, predicate="intersects") if len(outlines) else []
        shares = [(outlines[i].intersection(shape).area, names[i]) for i in near]
        area, name = max(shares, default=(0.0, ""))
        found.append(name if shape.area > 0 and area > 0.6 * shape.area else None)
    return found


def note_of(damage: Damage) -> str:
    """What a person should know of a proposal."""
    note = f"proposed, a guess, confidence {damage.confidence:.2f} on rendered walls"
    question = _OPEN_QUESTIONS.get(damage.term)
    return f"{note}; {question}" if question else note


def _row(id: str, surface: str, damage: Damage, shape: Any, stone: str | None) -> dict[str, Any]:
    term = find_term(damage.term)
    row: dict[str, Any] = {
        "id": id,
        "surface": surface,
        "term": term.name,
        "family": term.family,
        "layer": term.layer,
        "wall_stone": stone,
        "geometry": shape,
        "origin": "assisted",
        "note": note_of(damage),
    }
    if shape.area > 0:
        return {**row, "area_m2": float(shape.area)}
    # a width is measured at the wall; what the picture shows of it is too coarse
    return {**row, "length_m": float(shape.length)}


def _told(
    found: list[Damage], notes: list[str], relief: KeptRelief | None = None
) -> dict[str, Any]:
    """What was proposed, and what is to be said of it."""
    if found:
        notes = [*notes, NOT_PROVED, *([] if relief is None else relief.warnings)]
    terms: dict[str, int] = {}
    for damage in found:
        terms[damage.term] = terms.get(damage.term, 0) + 1
    return {"proposed": len(found), "terms": terms, "notes": notes}
