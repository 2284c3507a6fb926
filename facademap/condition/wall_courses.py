"""Courses of the stones of a wall: counted from below, stones in them from the left, as the survey's table says.

Stones side by side are of one course where they share most of their height. A stone that stands through two courses, and
rubble without courses, gets none.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

__all__ = ["courses_of"]

#: Neighbours in a course share this much of the lower one's height, and the higher one is at most so many times as high.
_SHARED, _HIGHER = 0.7, 1.5
#: The gap between neighbours is at most this share of their height, or this share where something stands between.
_GAP = 0.35
#: Stones of a course at least, unless the wall has fewer.
_FEWEST = 3


def courses_of(polygons: NDArray[Any]) -> list[tuple[int | None, int | None]]:
    """Course and number of each stone; none for stones that are in no course.

    Parameters
    ----------
    polygons : ndarray of shapely polygons
        In a frame whose second axis points up.
    """
    total = len(polygons)
    if total == 0:
        return []
    left, low, right, high = shapely.bounds(polygons).T
    # the middle of the sides: corners that lean do not count
    area = shapely.area(polygons)
    tall = np.minimum(high - low, area / np.maximum(right - left, 1e-9) * 1.1)
    middle = (low + high) / 2
    low, high = middle - tall / 2, middle + tall / 2
    parent = list(range(total))

    def root(k: int) -> int:
        while parent[k] != k:
            parent[k] = parent[parent[k]]
            k = parent[k]
        return k

    order = np.argsort(left)
    for i in order:
        beside = (
            (left > left[i])
            & (left - right[i] < _GAP * tall[i])
            & (left - right[i] > -0.3 * tall[i])
        )
        for j in np.flatnonzero(beside):
            if _level(low, high, tall, int(i), int(j)):
                parent[root(int(j))] = root(int(i))
    groups: dict[int, list[int]] = {}
    for k in range(total):
        groups.setdefault(root(k), []).append(k)
    courses = _joined(list(groups.values()), low, high, tall, left, right)
    fewest = min(_FEWEST, total)
    courses = [c for c in courses if len(c) >= fewest]
    courses.sort(key=lambda c: float(np.median(middle[c])))
    found: list[tuple[int | None, int | None]] = [(None, None)] * total
    if sum(len(c) for c in courses) < 0.5 * total:
        return found
    for number, course in enumerate(courses, start=1):
        for place, k in enumerate(sorted(course, key=lambda k: left[k]), start=1):
            found[k] = (number, place)
    return found


def _level(low: Any, high: Any, tall: Any, i: int, j: int) -> bool:
    shared = min(high[i], high[j]) - max(low[i], low[j])
    return bool(
        shared > _SHARED * min(tall[i], tall[j])
        and max(tall[i], tall[j]) < _HIGHER * min(tall[i], tall[j])
    )


def _joined(
    parts: list[list[int]], low: Any, high: Any, tall: Any, left: Any, right: Any
) -> list[list[int]]:
    """Parts of one course on both sides of an opening or of a stone that stands through."""
    parts = sorted(parts, key=len, reverse=True)
    courses: list[list[int]] = []
    for part in parts:
        for course in courses:
            centre = (left + right) / 2
            ends = [
                part[int(np.argmin(left[part]))],
                part[int(np.argmax(right[part]))],
            ]
            near = [course[int(np.argmin(np.abs(centre[course] - centre[e])))] for e in ends]
            apart = not any(
                left[a] < right[b] - 0.2 * tall[a] and left[b] < right[a] - 0.2 * tall[b]
                for a in part
                for b in course
            )
            if apart and any(
                _level(low, high, tall, e, n) for e, n in zip(ends, near, strict=True)
            ):
                course += part
                break
        else:
            courses.append(list(part))
    return courses
