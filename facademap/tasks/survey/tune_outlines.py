"""What a project's own confirmed outlines teach the network, kept in the project and used where it helped on stones held back."""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import shapely

from facademap.condition.wall_net import look, look_inside
from facademap.condition.wall_outlines import outline_wall
from facademap.condition.wall_tuning import Lesson, Tuning, fitted, lesson_of
from facademap.errors import InputError
from facademap.store.project import Project
from facademap.tables import is_missing
from facademap.tasks.survey.look_at_picture import in_pixels, picture_of
from facademap.tasks.survey.outline_tuning import SETTING, tuning_as_json
from facademap.wall.grid import PixelGrid

__all__ = ["forget_tuning", "tune_outlines"]

#: Fewer confirmed stones teach nothing that could be proved, each of learning and of proving needing some.
_FEWEST, _FEWEST_HELD = 40, 10
#: Strips across each wall; each third one is held back and nothing in it is learned from.
_STRIPS, _EACH = 12, 3
#: Breadths of a middle stone in the looks that are learned from, pixels, and pixels of a look at most.
_BREADTHS_PX, _MOST_PX = (36.0, 64.0), 6_000_000
#: It is kept where the mean overlap on the stones held back rises by this much.
_BETTER = 0.002
_FOUND = 0.5


def tune_outlines(
    folder: str | Path,
    *,
    surface: str | None = None,
    who: str = "surveyor",
    progress: Callable[[float], None] | None = None,
) -> dict[str, Any]:
    """Learn from the stones of a project that a person drew or confirmed.

    Parameters
    ----------
    folder : path
        Project.
    surface : str, optional
        Learn from this one; from all with a picture without it.
    who : str
    progress : callable, optional
        Told the share done.

    Returns
    -------
    dict
        ``learned_from`` and ``held_back`` (stones), ``before`` and ``after`` (``mean`` overlap of the stones held back and the share
        ``missed``), and ``kept``: whether it is used from now on.

    Raises
    ------
    InputError
        Too few stones are confirmed, or no such surface.
    """
    tell = progress or (lambda share: None)
    with Project.open(folder) as project:
        walls = _walls(project, surface)
        taught, proof, lessons = 0, [], []
        rng = np.random.default_rng(7)
        for k, (grid, rgb, shapes, openings) in enumerate(walls):
            strips = _strips([s.centroid.x for s in shapes])
            held = [s for s, strip in zip(shapes, strips, strict=True) if strip % _EACH == 1]
            taught += len(shapes) - len(held)
            lessons += _lessons(rgb, shapes, held, openings, rng)
            proof.append((grid, rgb, held))
            tell(0.3 * (k + 1) / len(walls))
        number = sum(len(held) for _, _, held in proof)
        if taught + number < _FEWEST or number < _FEWEST_HELD or not lessons:
            raise InputError(
                f"{taught + number} stones are drawn or confirmed on walls with a picture, too few to learn from",
                f"Confirm at least {_FEWEST} along the whole wall first.",
            )
        tuning = fitted(lessons)
        tell(0.4)
        before = _proved(proof, None)
        tell(0.7)
        after = _proved(proof, tuning)
        kept = after["mean"] >= before["mean"] + _BETTER and after["missed"] <= before["missed"]
        told = {
            "learned_from": taught,
            "held_back": number,
            "before": before,
            "after": after,
            "kept": kept,
        }
        if kept:
            with project.edit(who=who, what="outlines tuned on confirmed stones") as edit:
                edit.set(SETTING, {**tuning_as_json(tuning), **told})
        tell(1.0)
        return told


def forget_tuning(folder: str | Path, *, who: str = "surveyor") -> bool:
    """Propose stones again as the network came; whether there was anything to forget."""
    with Project.open(folder) as project:
        if project.setting(SETTING) is None:
            return False
        with project.edit(who=who, what="tuning of outlines forgotten") as edit:
            edit.set(SETTING, None)
        return True


def _walls(
    project: Project, surface: str | None
) -> list[tuple[PixelGrid, Any, list[Any], list[Any]]]:
    """Grid, picture, confirmed stones and openings of each wall, both in pixels (x, y) of the picture."""
    rows = project.read("surfaces").to_dict("records")
    names = [str(r["id"]) for r in rows if not is_missing(r["picture"])]
    if surface is not None and surface not in names:
        raise InputError(
            f"there is no surface {surface} with a picture",
            f"Give one of {', '.join(names)}." if names else "Rectify photos first.",
        )
    walls = []
    for name in names if surface is None else [surface]:
        stones = project.read("wall_stones", where={"surface": name})
        waits = (stones["origin"] == "assisted") & stones["confirmed_by"].map(is_missing)
        stones = stones[~waits.astype(bool)]
        openings = project.read("openings", where={"surface": name})
        if not len(stones):
            continue
        grid, rgb, _ = picture_of(project, name, most_px=_MOST_PX)
        to_px = partial(in_pixels, grid=grid)
        walls.append(
            (
                grid,
                np.ascontiguousarray(rgb),
                [shapely.transform(g, to_px) for g in stones.geometry if g is not None],
                [shapely.transform(g, to_px) for g in openings.geometry if g is not None],
            )
        )
    return walls


def _strips(x: list[float]) -> Any:
    """Number of the strip across the wall in which each stone lies."""
    places = np.array(x, float)
    left, wide = places.min(), max(float(np.ptp(places)), 1e-9)
    return np.minimum((_STRIPS * (places - left) / wide).astype(int), _STRIPS - 1)


def _lessons(
    rgb: Any, shapes: list[Any], held: list[Any], openings: list[Any], rng: np.random.Generator
) -> list[Lesson]:
    breadth = float(np.median([math.sqrt(s.area) for s in shapes]))
    lessons = []
    for wanted in _BREADTHS_PX:
        rows, columns = rgb.shape[:2]
        scale = min(wanted / breadth, 2.0, math.sqrt(_MOST_PX / (rows * columns)))
        size = (max(1, round(columns * scale)), max(1, round(rows * scale)))
        how = cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC
        small = np.asarray(cv2.resize(rgb, size, interpolation=how), np.uint8)
        number = _painted(shapes, size, scale, counted=True)
        other = (_painted(openings, size, scale) > 0) & (number == 0)
        off = (
            cv2.dilate(_painted(held, size, scale).astype(np.uint8), np.ones((9, 9), np.uint8)) > 0
        )
        for part, maps, features in look_inside(small):
            lesson = lesson_of(maps, features, number[part], other[part], off[part], rng)
            if lesson is not None:
                lessons.append(lesson)
    return lessons


def _painted(
    shapes: list[Any], size: tuple[int, int], scale: float, *, counted: bool = False
) -> Any:
    """Shapes as numbers of their pixels, or as ones."""
    picture = np.zeros(size[::-1], np.int32)
    for k, shape in enumerate(shapes, start=1):
        for part in shapely.get_parts(shape):
            if part.geom_type == "Polygon":
                ring = (np.array(part.exterior.coords) + 0.5) * scale - 0.5
                cv2.fillPoly(picture, [np.round(ring).astype(np.int32)], k if counted else 1)
    return picture


def _proved(
    proof: list[tuple[PixelGrid, Any, list[Any]]], tuning: Tuning | None
) -> dict[str, float]:
    """Mean overlap of the stones held back with what is proposed, and the share that nothing overlaps by one half."""
    overlaps = []
    for grid, rgb, held in proof:
        found = outline_wall(rgb, gsd_m=grid.gsd_m, see=partial(look, tuning=tuning))
        polygons = np.array([shapely.make_valid(shapely.Polygon(s.ring_px)) for s in found], object)
        tree = shapely.STRtree(polygons)
        for stone in held:
            whole = shapely.make_valid(stone)
            near = polygons[tree.query(whole, predicate="intersects")] if len(polygons) else []
            shares = [p.intersection(whole).area / max(p.union(whole).area, 1e-9) for p in near]
            overlaps.append(max(shares, default=0.0))
    each = np.array(overlaps)
    return {
        "mean": round(float(each.mean()), 4),
        "missed": round(float((each < _FOUND).mean()), 4),
    }
