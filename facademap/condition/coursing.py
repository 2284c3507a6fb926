"""Whether proposed stones can be stones of a course, how they share their joints, and their place in the wall.

What is judged is common practice of coursed ashlar: stones of a course are about equally high, their sides are straight,
they lie beside each other with a joint between them, and none lies where a stone was drawn already. A course that leans
and the stones of an arch are judged as they lie beside each other, along the course.
"""

from __future__ import annotations

from bisect import bisect
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import shapely

from facademap.condition.course_run import Run, run_of, runs_along
from facademap.tables.coursing import COURSING, Coursing

__all__ = ["DrawnStone", "Judged", "LeftOut", "Proposal", "judge_course", "numbers_in"]


#: How near to an arch stones are looked at.
_BESIDE_M = 0.1
_NOT_LEVEL = {
    "leaning": "the course leans: its number does not follow from level courses",
    "arch": "the stones of an arch: give them a course of their own",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class DrawnStone:
    """A stone that is in the wall already."""

    id: str
    geometry: Any
    course: int | None = None
    number: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Proposal:
    """A stone to look at: its outline, its place where that follows, and what a person should look at."""

    geometry: Any
    course: int | None = None
    number: int | None = None
    doubts: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class LeftOut:
    """An outline that is not proposed, and why."""

    geometry: Any
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """What came of the outlines of one course."""

    proposals: tuple[Proposal, ...]
    left_out: tuple[LeftOut, ...]


def judge_course(
    outlines: Sequence[Any], drawn: Sequence[DrawnStone], *, coursing: Coursing = COURSING
) -> Judged:
    """Proposals of a course from outlines that were found in the picture.

    Parameters
    ----------
    outlines : sequence of shapely polygons
        In metres of the wall, in any order.
    drawn : sequence of DrawnStone
        Stones of the same surface.
    coursing : Coursing

    Returns
    -------
    Judged
        Proposals from left to right, none of which lies on another or on a drawn stone, and what was left out.
    """
    run = run_of(outlines)
    near, like = _as_laid(run, outlines, drawn)
    ordered = sorted(map(run.flat, outlines), key=lambda o: o.centroid.x)
    usual = _Usual.of(ordered, like, coursing)
    kept: list[Any] = []
    left: list[LeftOut] = []
    for outline in ordered:
        if why := usual.fault(outline):
            left.append(LeftOut(geometry=outline, why=why))
        else:
            kept.append(outline)
    free, taken = _clear_of_drawn(kept, near, coursing)
    left += taken
    apart = _apart(free)
    whole = []
    for outline in apart:
        if why := usual.fault(outline):
            left.append(LeftOut(geometry=outline, why=f"what is free of its neighbours {why}"))
        else:
            whole.append(outline)
    placed = _placed(whole, like, coursing, run=run)
    return Judged(
        proposals=tuple(replace(p, geometry=run.back(p.geometry)) for p in placed),
        left_out=tuple(replace(o, geometry=run.back(o.geometry)) for o in left),
    )


def _as_laid(
    run: Run, outlines: Sequence[Any], drawn: Sequence[DrawnStone]
) -> tuple[list[DrawnStone], list[DrawnStone]]:
    """Drawn stones as they lie when the course is laid level: those that may lie under it, and those that may be of it."""
    if run.kind == "level":
        return list(drawn), list(drawn)
    reach = shapely.union_all(list(outlines)).buffer(_BESIDE_M)
    # far from an arch nothing can be laid flat round its centre
    near = [d for d in drawn if run.kind == "leaning" or d.geometry.intersects(reach)]
    flat = [replace(d, geometry=run.flat(d.geometry)) for d in near]
    if run.kind == "arch":
        return flat, []
    return flat, [f for f, d in zip(flat, near, strict=True) if runs_along(run, d.geometry)]


def _size(outline: Any) -> tuple[float, float]:
    left, low, right, high = outline.bounds
    return right - left, high - low


@dataclass(frozen=True, slots=True, kw_only=True)
class _Usual:
    """What stones of this course are like: by the stones beside it where some are drawn, else by themselves."""

    height_m: float
    length_m: float | None
    coursing: Coursing

    @classmethod
    def of(cls, outlines: Sequence[Any], drawn: Sequence[DrawnStone], coursing: Coursing) -> _Usual:
        sizes = np.array([_size(o) for o in outlines]).reshape(-1, 2)
        beside = [d.geometry for d in drawn if any(_same_band(d.geometry, o) for o in outlines)]
        known = np.array([_size(g) for g in beside]).reshape(-1, 2)
        heights = known[:, 1] if len(known) >= 2 else sizes[:, 1]
        lengths = np.array([_size(d.geometry)[0] for d in drawn])
        return cls(
            height_m=float(np.median(heights)) if len(heights) else 0.0,
            length_m=float(np.median(lengths)) if len(lengths) >= 5 else None,
            coursing=coursing,
        )

    def fault(self, outline: Any) -> str:
        """Why an outline can be no stone of the course; empty where it can."""
        rule = self.coursing
        length, height = _size(outline)
        turned = outline.minimum_rotated_rectangle.area
        says = f"{length * 1000:.0f} x {height * 1000:.0f} mm"
        if min(length, height) < rule.least_side_m:
            return f"is too small for a stone ({says})"
        if height > rule.most_height_m or length > rule.most_length_m:
            return f"is too large for a stone ({says})"
        if length > rule.most_slender * height:
            return f"is too long for its height ({says})"
        if outline.geom_type != "Polygon" or outline.area < rule.least_filled * turned:
            return f"has no straight sides ({outline.area / turned:.0%} of a rectangle)"
        if abs(height - self.height_m) > rule.height_share * self.height_m:
            return f"is not as high as its course ({height * 1000:.0f} mm, course {self.height_m * 1000:.0f} mm)"
        if self.length_m is not None and length > rule.length_share * self.length_m:
            return f"is far longer than the stones of this wall ({length * 1000:.0f} mm, others {self.length_m * 1000:.0f} mm)"
        return ""


def _same_band(a: Any, b: Any) -> bool:
    """Whether two outlines share more than half of the height of the lower one."""
    shared = min(a.bounds[3], b.bounds[3]) - max(a.bounds[1], b.bounds[1])
    return bool(shared > 0.5 * min(_size(a)[1], _size(b)[1]))


def _clear_of_drawn(
    outlines: Sequence[Any], drawn: Sequence[DrawnStone], coursing: Coursing
) -> tuple[list[Any], list[LeftOut]]:
    """Outlines cut back to the stones that are drawn; those that lie on one are left out."""
    shapes = [d.geometry for d in drawn]
    tree = shapely.STRtree(shapes)
    free, left = [], []
    for outline in outlines:
        for k in sorted(tree.query(outline, predicate="intersects")):
            common = outline.intersection(shapes[k]).area
            if common > coursing.overlap * min(outline.area, shapes[k].area):
                left.append(
                    LeftOut(
                        geometry=outline, why=f"lies on stone {drawn[k].id}, which is drawn already"
                    )
                )
                break
            if common > 0:
                outline = _largest(outline.difference(shapes[k]))
        else:
            free.append(outline)
    return free, left


def _largest(shape: Any) -> Any:
    return max(shapely.get_parts(shape), key=lambda p: p.area)


def _apart(outlines: Sequence[Any]) -> list[Any]:
    """Outlines from left to right of which none lies on the next: both end at the middle of what they had in common."""
    found = list(outlines)
    for i in range(len(found)):
        for j in range(i + 1, len(found)):
            common = found[i].intersection(found[j])
            if common.area <= 0:
                continue
            middle, far = common.centroid.x, 1e4
            found[i] = _largest(found[i].intersection(shapely.box(-far, -far, middle, far)))
            found[j] = _largest(found[j].intersection(shapely.box(middle, -far, far, far)))
    return found


def _placed(
    outlines: Sequence[Any], drawn: Sequence[DrawnStone], coursing: Coursing, *, run: Run
) -> tuple[Proposal, ...]:
    """Course and number of each, as far as they follow from what is drawn."""
    if not outlines:
        return ()
    beside = [d for d in drawn if d.course is not None and _in_line(d.geometry, outlines)]
    course, doubts = _course_of(outlines, beside, drawn, coursing, run=run)
    numbers: list[int | None] = [None] * len(outlines)
    if course is not None:
        row = [d for d in drawn if d.course == course]
        numbers = numbers_in(outlines, row, coursing)
        if None in numbers:
            doubts = (*doubts, f"the numbers of course {course} leave no room here")
    return tuple(
        Proposal(geometry=o, course=course, number=n, doubts=doubts)
        for o, n in zip(outlines, numbers, strict=True)
    )


def _in_line(shape: Any, outlines: Sequence[Any]) -> bool:
    return any(_same_band(shape, o) for o in outlines)


def _course_of(
    outlines: Sequence[Any],
    beside: Sequence[DrawnStone],
    drawn: Sequence[DrawnStone],
    coursing: Coursing,
    *,
    run: Run,
) -> tuple[int | None, tuple[str, ...]]:
    """The number of the course, and what is doubtful about it."""
    named = {d.course for d in beside if d.course is not None}
    if len(named) == 1:
        return named.pop(), ()
    if named:
        return None, (f"lies beside courses {', '.join(map(str, sorted(named)))}",)
    if run.kind != "level":
        return None, (_NOT_LEVEL[run.kind],)
    counted = [d for d in drawn if d.course is not None]
    if not counted:
        if drawn:
            return None, ("the stones that are drawn have no course",)
        return coursing.first, (
            "the first course that is found: count again if others lie beyond it",
        )
    level = float(np.median([o.centroid.y for o in outlines]))
    upward = 1 if coursing.courses_from == "below" else -1
    height = float(np.median([_size(o)[1] for o in outlines]))
    under = [d for d in counted if d.geometry.centroid.y < level]
    over = [d for d in counted if d.geometry.centroid.y > level]
    below = max(under, key=lambda d: d.geometry.bounds[3], default=None)
    above = min(over, key=lambda d: d.geometry.bounds[1], default=None)
    low, high = (min(o.bounds[1] for o in outlines), max(o.bounds[3] for o in outlines))
    found = set()
    if below is not None and low - below.geometry.bounds[3] < 0.5 * height:
        found.add((below.course or 0) + upward)
    if above is not None and above.geometry.bounds[1] - high < 0.5 * height:
        found.add((above.course or 0) - upward)
    used = {d.course for d in counted}
    if len(found) == 1 and (course := found.pop()) >= coursing.first and course not in used:
        return course, ()
    return None, ("its course does not follow from the courses that are counted",)


def numbers_in(
    outlines: Sequence[Any], row: Sequence[DrawnStone], coursing: Coursing
) -> list[int | None]:
    """Numbers of outlines among the stones of their course: those between two numbers must just fill the gap."""
    way = 1.0 if coursing.numbers_from == "left" else -1.0
    placed = sorted((way * d.geometry.centroid.x, d.number) for d in row if d.number is not None)
    at = [p for p, _ in placed]
    runs: dict[int, list[int]] = {}
    for i in sorted(range(len(outlines)), key=lambda i: way * outlines[i].centroid.x):
        runs.setdefault(bisect(at, way * outlines[i].centroid.x), []).append(i)
    numbers: list[int | None] = [None] * len(outlines)
    for gap, run in runs.items():
        before = placed[gap - 1][1] if gap else coursing.first - 1
        if gap == len(placed) or placed[gap][1] - before - 1 == len(run):
            for n, i in enumerate(run, start=before + 1):
                numbers[i] = n
    return numbers
