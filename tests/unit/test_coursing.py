"""Stones of a course: what can be one, what is left out and why, shared joints, and place in the wall."""

from __future__ import annotations

import itertools
import sys
from pathlib import Path

import numpy as np
import pytest
import shapely

sys.path.insert(0, str(Path(__file__).parents[1] / "e2e"))
import desk_sample

from facademap.condition.coursing import DrawnStone, judge_course
from facademap.errors import InputError
from facademap.store.project import Project
from facademap.tables.coursing import Coursing, coursing_from
from facademap.tasks.desk.assist import Assistant
from facademap.tasks.desk.pictures import Pictures
from facademap.tasks.survey.coursing import set_coursing

HIGH = 0.3


def row(
    *widths: float, low: float = 0.0, left: float = 0.0, joint: float = 0.006
) -> list[shapely.Polygon]:
    found = []
    for width in widths:
        found.append(shapely.box(left, low, left + width, low + HIGH))
        left += width + joint
    return found


def drawn(
    shapes: list[shapely.Polygon], course: int | None, first: int | None = 1
) -> list[DrawnStone]:
    return [
        DrawnStone(
            id=f"S-{course}-{n}",
            geometry=s,
            course=course,
            number=None if first is None else first + n,
        )
        for n, s in enumerate(shapes)
    ]


@pytest.mark.parametrize(
    ("odd", "why"),
    [
        (shapely.box(2, 0, 4.5, HIGH), "too large"),
        (shapely.box(2, 0, 3.99, HIGH), "too long for its height"),
        (shapely.box(2, 0, 2.5, 2 * HIGH), "not as high as its course"),
        (shapely.box(2, 0, 2.04, HIGH), "too small"),
        (shapely.Polygon([(2, 0), (2.6, 0), (2.3, HIGH)]), "no straight sides"),
    ],
)
def test_what_can_be_no_stone_is_left_out_with_the_reason(odd: shapely.Polygon, why: str) -> None:
    judged = judge_course([*row(0.5, 0.6, 0.55), odd], [])
    assert len(judged.proposals) == 3
    [left] = judged.left_out
    assert why in left.why
    assert left.geometry.equals(odd)


@pytest.mark.parametrize(("width", "kept"), [(6 * HIGH, True), (6 * HIGH + 0.001, False)])
def test_both_sides_of_the_limit_of_length_by_height(width: float, kept: bool) -> None:
    judged = judge_course(row(0.5, 0.6, width), [], coursing=Coursing(most_length_m=9.0))
    assert (len(judged.proposals) == 3) is kept


@pytest.mark.parametrize("lean", [-35.0, 14.0, 40.0])
def test_a_leaning_course_is_judged_along_its_lean(lean: float) -> None:
    turn = lambda s: shapely.affinity.rotate(s, lean, origin=(0, 0))  # noqa: E731
    first, *rest = row(0.5, 0.6, 0.9, 0.55)
    over = shapely.affinity.translate(first, 0.02)  # lies 14 mm over its neighbour
    high = shapely.box(3, 0, 3.5, 2 * HIGH)
    judged = judge_course([turn(s) for s in (over, *rest, high)], [])
    assert [o.why.split(" (")[0] for o in judged.left_out] == ["is not as high as its course"]
    assert judged.left_out[0].geometry.hausdorff_distance(turn(high)) < 1e-9
    assert len(judged.proposals) == 4
    a, b = (p.geometry for p in judged.proposals[:2])
    assert a.intersection(b).area < 1e-9
    # they part along the joint, not upright through it
    assert a.area == pytest.approx((0.5 - 0.007) * HIGH, abs=1e-6)
    assert {(p.course, "leans" in p.doubts[0]) for p in judged.proposals} == {(None, True)}
    # a leaning course that is counted goes on; level ones say nothing of it
    there = drawn([turn(s) for s in row(0.5, 0.5, left=-1.1)], 9)
    level = drawn(row(0.5, 0.5, low=5.0), 4)
    found = judge_course([turn(s) for s in rest], [*there, *level]).proposals
    assert [(p.course, p.number) for p in found] == [(9, 3), (9, 4), (9, 5)]


@pytest.mark.parametrize("crown", [90.0, 270.0, 60.0])
def test_the_stones_of_an_arch_are_judged_round_it(crown: float) -> None:
    def voussoir(k: int, high: float = HIGH, wide: float = 15.0) -> shapely.Polygon:
        angles = np.radians(crown + (k - 3) * 16.0 + np.array([-wide / 2, wide / 2]))
        return shapely.Polygon(
            [(r * np.cos(a), r * np.sin(a)) for r, a in
             ((1.2, angles[0]), (1.2, angles[1]), (1.2 + high, angles[1]), (1.2 + high, angles[0]))]
        )  # fmt: skip

    stones = [voussoir(k) for k in range(6)]
    # drawn over its neighbour by a degree and a half, and one that is twice as high
    judged = judge_course([*stones[:5], voussoir(5, wide=18.0), voussoir(7, 2 * HIGH)], [])
    assert [o.why.split(" (")[0] for o in judged.left_out] == ["is not as high as its course"]
    assert len(judged.proposals) == 6
    shapes = [p.geometry for p in judged.proposals]
    assert all(a.intersection(b).area < 1e-9 for a, b in itertools.combinations(shapes, 2))
    assert min(max(s.intersection(o).area / s.area for o in shapes) for s in stones) > 0.95
    assert all("arch" in p.doubts[0] and p.course is None for p in judged.proposals)


def test_neighbours_never_lie_on_each_other() -> None:
    first, second = shapely.box(0, 0, 0.52, HIGH), shapely.box(0.5, 0, 1.1, HIGH)
    a, b = (p.geometry for p in judge_course([second, first], []).proposals)
    assert a.intersection(b).area == 0
    assert a.bounds[2] == b.bounds[0] == pytest.approx(0.51)


def test_a_stone_that_is_drawn_stays_as_it_is() -> None:
    there = drawn([shapely.box(0.5, 0, 1.0, HIGH)], 1)
    judged = judge_course(
        [shapely.box(0.0, 0, 0.51, HIGH), shapely.box(0.52, 0, 1.01, HIGH)], there
    )
    [kept] = judged.proposals
    assert kept.geometry.intersection(there[0].geometry).area == 0
    assert kept.geometry.area == pytest.approx(0.5 * HIGH)
    assert "S-1-0" in judged.left_out[0].why


def test_course_and_number_go_on_from_what_is_drawn() -> None:
    low, high = row(0.5, 0.5, 0.5), row(0.5, 0.5, 0.5, low=HIGH + 0.006)
    there = [*drawn(low, 4), *drawn(high[:1], 5)]
    found = judge_course(high[1:], there).proposals
    assert [(p.course, p.number, p.doubts) for p in found] == [(5, 2, ()), (5, 3, ())]
    above = judge_course(row(0.5, 0.6, low=2 * HIGH + 0.012), there).proposals
    assert [(p.course, p.number) for p in above] == [(6, 1), (6, 2)]


def test_an_office_may_count_from_above_and_from_the_right() -> None:
    office = Coursing(courses_from="above", numbers_from="right", first=0)
    top, below = row(0.5, 0.5, low=HIGH + 0.006), row(0.5, 0.6)
    found = judge_course(below, drawn(top, 2), coursing=office).proposals
    assert [(p.course, p.number) for p in found] == [(3, 1), (3, 0)]


def test_a_place_that_does_not_follow_is_left_open_and_said() -> None:
    shapes = row(0.5, 0.5, 0.5)
    numbered = [*drawn(shapes[:1], 1), *drawn(shapes[2:], 1, first=2)]
    [found] = judge_course(shapes[1:2], numbered).proposals
    assert (found.course, found.number) == (1, None)
    assert "no room" in found.doubts[0]
    [far] = judge_course(row(0.5, low=3.0), drawn(shapes, 1)).proposals
    assert far.course is None
    assert far.doubts


def test_the_setting_is_refused_where_it_says_nothing_known(tmp_path: Path) -> None:
    for wrong in (
        {"height": 1},
        {"first": True},
        {"courses_from": "left"},
        {"most_height_m": -1},
        3,
    ):
        with pytest.raises(InputError):
            coursing_from(wrong)
    Project.create(tmp_path / "wall", name="Wall").close()
    assert set_coursing(tmp_path / "wall", {"courses_from": "above"})["courses_from"] == "above"
    assert set_coursing(tmp_path / "wall", {})["courses_from"] == "above"
    assert set_coursing(tmp_path / "wall", {}, default=True)["courses_from"] == "below"


def test_a_stroke_a_little_lower_gives_no_giants(tmp_path: Path) -> None:
    folder = desk_sample.make_project(tmp_path / "wall", many=24, blocks=0)
    with Project.open(folder) as project:
        stones = project.read("wall_stones")
        course = stones[stones["course"] == 4].sort_values("number")
        with project.edit(who="test", what="one course is drawn anew") as edit:
            for id in project.read("conditions")["id"]:
                edit.delete("conditions", id)
            for id in course["id"]:
                edit.delete("wall_stones", id)
        left = list(project.read("wall_stones").geometry)
        low, high = course.geometry.bounds["miny"].median(), course.geometry.bounds["maxy"].median()
        for lower_px in (2, 5):
            v = (low + high) / 2 - lower_px * desk_sample.GSD_M
            stroke = [[course.total_bounds[0] + 0.2, v], [course.total_bounds[2] - 0.2, v]]
            judged = Assistant().propose_course(
                project,
                Pictures(folder),
                surface=desk_sample.SURFACE,
                box=[*stroke[0], *stroke[1]],
                points=stroke,
            )
            found = [p.geometry for p in judged.proposals]
            assert len(found) >= len(course) - 2
            for shape in found:
                like = [shape.intersection(t).area / shape.union(t).area for t in course.geometry]
                assert max(like) > 0.7
                others = [*left, *(f for f in found if f is not shape)]
                assert sum(shape.intersection(o).area for o in others) < 1e-9
            assert {p.course for p in judged.proposals} == {4}
