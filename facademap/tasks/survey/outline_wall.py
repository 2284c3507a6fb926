"""All stones of a wall proposed from its picture, without a click."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import shapely

from facademap.condition.coursing import DrawnStone
from facademap.condition.wall_courses import courses_of
from facademap.condition.wall_net import Seen, look
from facademap.condition.wall_numbers import gaps_of, placed_in_courses
from facademap.condition.wall_outlines import Stone, outline_wall
from facademap.condition.wall_tuning import Tuning
from facademap.store.edit import Edit
from facademap.store.gate import store_large
from facademap.store.project import Project
from facademap.tables import TABLES, is_missing
from facademap.tables.coursing import COURSING_SETTING, coursing_from
from facademap.tasks.survey.add_photos import surface_of
from facademap.tasks.survey.look_at_picture import (
    NOT_PROVED,
    NOTHING,
    in_metres,
    lone_picture,
    need_size,
    picture_of,
    write_proposals,
)
from facademap.tasks.survey.outline_tuning import tuning_of

__all__ = ["outline_photo", "outline_surface"]

#: A proposal that lies under stones or openings drawn before by more than this share is left out.
_DRAWN = 0.25


def outline_photo(photo: Path, *, out: Path, gsd_mm: float | None = None) -> dict[str, Any]:
    """Propose all stones in a picture of a wall.

    Parameters
    ----------
    photo : Path
        Picture; places are pixels of it upright.
    out : Path
        GeoJSON FeatureCollection to write: polygons with ``course``, ``number``, ``confidence``, ``joint_px``; its member
        ``after_gap`` lists the stones before which a part of their course shows none.
    gsd_mm : float, optional
        Millimetres of the wall to a pixel; narrows the sizes that are looked for.

    Returns
    -------
    dict
        ``stones``, ``doubtful``, ``not_seen`` (parts of courses without a stone that is seen) and ``notes``.

    Raises
    ------
    FileError, InputError
        The picture cannot be used, the sample distance is none, or the target cannot be written.
    """
    rgb, gsd_m = lone_picture(photo, out=out, gsd_mm=gsd_mm)
    stones = _proposed(rgb, gsd_m=gsd_m, name=photo.name)
    rows, columns = rgb.shape[:2]
    rings = [np.clip(s.ring_px, 0, [columns - 1, rows - 1]) for s in stones]
    upright = np.array([shapely.Polygon(r * [1, -1]) for r in rings], dtype=object)
    features, numbered = [], courses_of(upright)
    gaps = gaps_of(list(upright), numbered, [])
    for stone, ring, (course, number) in zip(stones, rings, numbered, strict=True):
        places = [[round(float(x), 2), round(float(y), 2)] for x, y in ring]
        features.append(
            {
                "type": "Feature",
                "properties": {
                    "course": course,
                    "number": number,
                    "confidence": stone.confidence,
                    "joint_px": None if math.isnan(stone.joint_px) else round(stone.joint_px, 2),
                },
                "geometry": {"type": "Polygon", "coordinates": [[*places, places[0]]]},
            }
        )
    after = [{"course": course, "number": number} for course, number in (numbered[k] for k in gaps)]
    write_proposals(out, photo, rgb.shape, features, after_gap=after)
    return {**_told(stones, photo.name), "not_seen": len(gaps)}


def outline_surface(
    folder: str | Path,
    *,
    surface: str | None = None,
    who: str = "surveyor",
    progress: Callable[[float], None] | None = None,
) -> dict[str, Any]:
    """Propose the wall stones of a surface from its rectified elevation, as one edit that can be undone.

    Stones that are drawn already are kept, and proposals under them or in openings are left out. All proposals count as
    assisted until somebody confirms them. Courses and numbers go on from those that are drawn, by the setting ``coursing``.

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
        ``surface``, ``stones``, ``doubtful``, ``kept`` (drawn before), ``not_seen`` (parts of courses without a stone that is
        seen) and ``notes``.

    Raises
    ------
    FileError, InputError
        No such surface, or it has no picture.
    """
    with Project.open(folder) as project:
        name = surface_of(project, surface)
        grid, rgb, seen = picture_of(project, name)
        stones = _proposed(
            rgb,
            gsd_m=grid.gsd_m,
            name=f"the picture of {name}",
            seen=seen,
            progress=progress,
            tuning=tuning_of(project),
        )
        # read after the look, which takes its time while people go on drawing
        drawn = project.read("wall_stones", where={"surface": name})
        openings = project.read("openings", where={"surface": name})
        on_wall = [shapely.Polygon(in_metres(s.ring_px, grid)) for s in stones]
        fresh = _beside([*drawn.geometry, *openings.geometry], on_wall)
        told = {"surface": name, "kept": len(drawn), **_told([stones[k] for k, _ in fresh], name)}
        shapes = [shape for _, shape in fresh]
        coursing = coursing_from(project.setting(COURSING_SETTING))
        places = placed_in_courses(shapes, _drawn_stones(drawn), coursing=coursing)
        # stones that were drawn before close a gap as an opening does
        gaps = gaps_of(shapes, places, [*openings.geometry, *drawn.geometry])
        if not fresh:
            return {**told, "not_seen": 0}

        def keep(edit: Edit) -> None:
            frame = gpd.GeoDataFrame(
                {
                    "id": [edit.new_id("S") for _ in fresh],
                    "surface": name,
                    "course": [c for c, _ in places],
                    "number": [n for _, n in places],
                    "origin": "assisted",
                    "note": [
                        _note(stones[k], after_gap=i in gaps) for i, (k, _) in enumerate(fresh)
                    ],
                },
                geometry=shapes,
                crs=drawn.crs,
            )
            checked = TABLES["wall_stones"].check(frame, source=f"proposals for {name}")
            edit.put("wall_stones", checked)

        store_large(project, keep, who=who, what=f"propose the stones of {name}")
        return {**told, "not_seen": len(gaps)}


def _drawn_stones(drawn: Any) -> list[DrawnStone]:
    def whole(value: Any) -> int | None:
        return None if is_missing(value) else int(value)

    return [
        DrawnStone(
            id=str(r.id), geometry=r.geometry, course=whole(r.course), number=whole(r.number)
        )
        for r in drawn.itertuples()
        if r.geometry is not None
    ]


def _note(stone: Stone, *, after_gap: bool) -> str:
    """What a person should know of a proposal."""
    told = f"proposed, confidence {stone.confidence:.2f}"
    return f"{told}; before it a part of the course is not seen" if after_gap else told


def _beside(before: list[Any], proposed: list[Any]) -> list[tuple[int, Any]]:
    """Proposals that do not lie under what is drawn, less what they share with it."""
    old = np.array([shapely.make_valid(g) for g in before if g is not None], dtype=object)
    tree = shapely.STRtree(old)
    fresh = []
    for k, shape in enumerate(proposed):
        near = old[tree.query(shape, predicate="intersects")] if len(old) else []
        rest = shape
        for other in near:
            rest = rest.difference(other)
        if rest.area < (1 - _DRAWN) * shape.area:
            continue
        parts = [p for p in shapely.get_parts(rest) if p.geom_type == "Polygon"]
        if parts:
            fresh.append((k, shapely.Polygon(max(parts, key=lambda p: p.area).exterior)))
    return fresh


def _proposed(
    rgb: Any,
    *,
    gsd_m: float | None,
    name: str,
    seen: Any = None,
    progress: Callable[[float], None] | None = None,
    tuning: Tuning | None = None,
) -> list[Stone]:
    """Stones in a picture; those that lie where it shows nothing are left out."""
    need_size(rgb, name, what="stones")
    stones = outline_wall(np.ascontiguousarray(rgb), gsd_m=gsd_m, see=_told_looks(progress, tuning))
    if seen is None:
        return stones
    return [s for s in stones if _is_seen(s, seen)]


def _told_looks(
    progress: Callable[[float], None] | None, tuning: Tuning | None
) -> Callable[[Any], Seen]:
    """A look that tells how far the work is; how many follow is not known, so that each does half of what is left."""
    left = 1.0

    def see(rgb: Any) -> Seen:
        nonlocal left
        found = look(rgb, tuning)
        left /= 2
        if progress is not None:
            progress(1 - left)
        return found

    return see


def _is_seen(stone: Stone, seen: Any) -> bool:
    x, y = stone.ring_px.mean(axis=0)
    row, column = (
        int(np.clip(round(v), 0, n - 1)) for v, n in zip((y, x), seen.shape, strict=True)
    )
    return bool(seen[row, column])


def _told(stones: list[Stone], name: str) -> dict[str, Any]:
    doubtful = sum(s.confidence < 0.7 for s in stones)
    notes = [NOT_PROVED if stones else f"{name}: {NOTHING}"]
    return {"stones": len(stones), "doubtful": doubtful, "notes": notes}
