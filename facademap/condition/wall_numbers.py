"""Course and number of proposed stones by the office's pattern, continued from the stones that are drawn.

Levels of the wall are told from the outlines; a level takes the course of the stones drawn on it, or is counted on from the
nearest level that has one. Where drawn stones contradict each other nothing is said.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import shapely

from facademap.condition.coursing import DrawnStone, numbers_in
from facademap.condition.wall_courses import courses_of
from facademap.tables.coursing import COURSING, Coursing

__all__ = ["gaps_of", "placed_in_courses"]

Place = tuple[int | None, int | None]

#: Between two stones of a course something is not seen where their distance is more than this share of a usual stone.
_NOT_SEEN = 0.5


def placed_in_courses(
    shapes: Sequence[Any], drawn: Sequence[DrawnStone], *, coursing: Coursing = COURSING
) -> list[Place]:
    """Course and number of fresh stones.

    Parameters
    ----------
    shapes : sequence of shapely polygons
        In metres of the wall.
    drawn : sequence of DrawnStone
        Stones of the same surface, whose courses and numbers stay.
    coursing : Coursing
        Where the office begins to count.

    Returns
    -------
    list of (course, number)
        None where it does not follow.
    """
    if not len(shapes):
        return []
    both = [*shapes, *(d.geometry for d in drawn)]
    level = [place[0] for place in courses_of(np.array(both, dtype=object))]
    named = _named_levels(level[len(shapes) :], drawn, max((n or 0 for n in level), default=0))
    levels = max((n or 0 for n in level), default=0)
    course_of = _all_levels(named, levels, drawn, coursing)
    found: list[Place] = [(None, None)] * len(shapes)
    for k in range(1, levels + 1):
        course = course_of.get(k)
        mine = [i for i in range(len(shapes)) if level[i] == k]
        if course is None or not mine:
            continue
        row = [d for d in drawn if d.course == course]
        numbers = numbers_in([shapes[i] for i in mine], row, coursing)
        for i, number in zip(mine, numbers, strict=True):
            found[i] = (course, number)
    return found


def _named_levels(
    level: Sequence[int | None], drawn: Sequence[DrawnStone], levels: int
) -> dict[int, int | None]:
    """Course of each level that drawn stones name; None where they name several."""
    names: dict[int, set[int]] = {}
    for k, stone in zip(level, drawn, strict=True):
        if k is not None and stone.course is not None:
            names.setdefault(k, set()).add(stone.course)
    return {
        k: next(iter(n)) if len(n := names[k]) == 1 else None
        for k in range(1, levels + 1)
        if k in names
    }


def _all_levels(
    named: dict[int, int | None], levels: int, drawn: Sequence[DrawnStone], coursing: Coursing
) -> dict[int, int | None]:
    """Course of every level, counted on from those that are named."""
    upward = 1 if coursing.courses_from == "below" else -1
    used = {d.course for d in drawn if d.course is not None}
    if not used:
        return {
            k: coursing.first + (k - 1 if upward > 0 else levels - k) for k in range(1, levels + 1)
        }
    sure = {k: n for k, n in named.items() if n is not None}
    found: dict[int, int | None] = dict(named)
    for k in range(1, levels + 1):
        if k in named:
            continue
        below = max((j for j in sure if j < k), default=None)
        above = min((j for j in sure if j > k), default=None)
        counted = {sure[j] + upward * (k - j) for j in (below, above) if j is not None}
        if len(counted) == 1 and (course := counted.pop()) >= coursing.first and course not in used:
            found[k] = course
    return found


def gaps_of(shapes: Sequence[Any], places: Sequence[Place], openings: Sequence[Any]) -> list[int]:
    """Stones after a part of their course in which no stone is seen, and no opening: growth, plaster or things before it.

    Parameters
    ----------
    shapes : sequence of shapely polygons
    places : sequence of (course, number)
    openings : sequence of shapely polygons

    Returns
    -------
    list of int
        Which stones; how many lie in the part before them is not known.
    """
    voids = shapely.union_all([shapely.make_valid(o) for o in openings]) if len(openings) else None
    courses: dict[int, list[int]] = {}
    for k, (course, _) in enumerate(places):
        if course is not None:
            courses.setdefault(course, []).append(k)
    found = []
    for members in courses.values():
        members.sort(key=lambda k: shapes[k].centroid.x)
        boxes = [shapes[k].bounds for k in members]
        usual = float(np.median([b[2] - b[0] for b in boxes]))
        reached = boxes[0][2]
        for k, (left, low, right, high) in zip(members[1:], boxes[1:], strict=True):
            if left - reached > _NOT_SEEN * usual:
                gap = shapely.box(reached, low, left, high)
                if voids is None or gap.difference(voids).area > _NOT_SEEN * usual * (high - low):
                    found.append(k)
            reached = max(reached, right)
    return sorted(found)
