"""Numbers of conditions: areas, courses, movement and surveys compared, each on both sides of its limit; values by hand."""

from __future__ import annotations

import datetime as dt
import math

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from shapely import LineString, Point, Polygon, box

from facademap.condition.course_run import fit_circle, run_of, runs_along
from facademap.condition.coursing import DrawnStone, judge_course, numbers_in
from facademap.condition.gauges import GaugeReading, GaugeRules, gauges_of
from facademap.condition.indices import damage_indices
from facademap.condition.measured_depth import (
    depth_disagrees,
    depth_for_record,
    is_stale,
    outline_digest,
)
from facademap.condition.records import (
    attach_wall_stones,
    class_wall_stones,
    find_overlaps,
    measure_area_m2,
    measure_length_m,
    mend_outlines,
)
from facademap.condition.survey_pairs import pair_surveys
from facademap.condition.wall_courses import courses_of
from facademap.condition.wall_numbers import gaps_of, placed_in_courses
from facademap.errors import GeometryError, InputError
from facademap.limits import Limits
from facademap.relief.depth import MeasuredDepth
from facademap.tables.coursing import Coursing


def frame(shapes: list, **columns: list) -> gpd.GeoDataFrame:
    ids = columns.pop("id", [f"C-{n}" for n in range(len(shapes))])
    data = {"id": ids, "surface": ["front"] * len(shapes), **columns}
    return gpd.GeoDataFrame(data, geometry=shapes)


# --- records


def test_a_condition_belongs_to_the_stone_with_which_it_shares_most() -> None:
    stones = frame([box(0, 0, 1, 1), box(1, 0, 2, 1)], id=["S-1", "S-2"])
    found = attach_wall_stones(
        frame(
            [
                box(0.6, 0, 1.3, 0.1),
                box(0.7, 0, 1.4, 0.1),
                LineString([(0.5, 0.5), (0.5, 0.9), (1.3, 0.9)]),
                LineString([(0.9, 0.5), (1.3, 0.5)]),
                Point(2.04, 0.5),
                Point(1.0, 0.5),
            ]
        ),
        stones,
    )
    assert found.tolist() == ["S-1", "S-2", "S-1", "S-2", "S-2", "S-1"]
    # an outline that only touches another stone shares a line with it and no area
    tall = frame([box(1, 0, 1.001, 1)])
    assert attach_wall_stones(tall, stones).tolist() == ["S-2"]


def test_areas_are_net_of_the_openings_of_their_own_surface() -> None:
    shapes = [box(0, 0, 2, 1), LineString([(0, 0), (3, 4)]), Point(0, 0)]
    conditions = frame(shapes)
    openings = frame([box(1.5, 0.5, 3, 3), box(1.75, 0.25, 3, 1)])
    assert measure_area_m2(conditions, openings).tolist() == [
        pytest.approx(2 - 0.25 - 0.0625), 0.0, 0.0
    ]  # fmt: skip
    elsewhere = openings.assign(surface="back")
    assert measure_area_m2(conditions, elsewhere).tolist() == [2.0, 0.0, 0.0]
    assert measure_area_m2(conditions, openings.iloc[:0]).tolist() == [2.0, 0.0, 0.0]
    beside = frame([box(5, 5, 6, 6)])
    assert measure_area_m2(conditions, beside).tolist() == [2.0, 0.0, 0.0]
    length = measure_length_m(conditions)
    assert math.isnan(length[0])
    assert length[1] == 5.0
    assert math.isnan(length[2])


@pytest.mark.parametrize(("across_m", "found"), [(0.0009, 0), (0.0011, 1)])
def test_an_overlap_counts_from_a_square_centimetre_on(across_m, found) -> None:
    """Two outlines of 0.1 m that lie over each other by about a millimetre."""
    pair = frame([box(0, 0, 1, 0.1), box(1 - across_m, 0, 2, 0.1)], term=["scaling"] * 2)
    overlaps = find_overlaps(pair)
    assert len(overlaps) == found
    if found:
        assert overlaps.iloc[0].tolist() == ["C-0", "C-1", "scaling", pytest.approx(1.1e-4)]


def test_overlaps_come_largest_first_and_are_looked_for_within_limits() -> None:
    shapes = [box(0, 0, 1, 1), box(0.9, 0, 1.9, 1), box(1.7, 0, 2.9, 1)]
    three = frame(shapes, term=["scaling"] * 3)
    found = find_overlaps(three)
    assert found[["a", "b"]].to_numpy().tolist() == [["C-1", "C-2"], ["C-0", "C-1"]]
    assert find_overlaps(three.assign(term=["a", "b", "c"])).empty
    assert find_overlaps(frame([LineString([(0, 0), (1, 1)])] * 2, term=["crack"] * 2)).empty
    assert len(find_overlaps(three, limits=Limits(overlaps=2))) == 2
    with pytest.raises(GeometryError):
        find_overlaps(three, limits=Limits(overlaps=1))
    many = frame([Point(k, 0).buffer(0.7) for k in range(70)], term=["scaling"] * 70)
    assert len(find_overlaps(many)) == 69
    # five corners by five corners against a limit of 2,000 times the corners of one outline
    rough = [Point(0, 0).buffer(1, quad_segs=25), Point(0.5, 0).buffer(1, quad_segs=25)]
    heavy = frame(rough, term=["scaling"] * 2)  # 101 by 101 corners
    assert len(find_overlaps(heavy, limits=Limits(corners=6))) == 1
    with pytest.raises(GeometryError):
        find_overlaps(heavy, limits=Limits(corners=5))


def test_the_corners_of_all_outlines_together_have_a_limit() -> None:
    three = frame([box(0, 0, 1, 1)] * 3)
    mend_outlines(three, limits=Limits(corners_in_all=15))
    with pytest.raises(GeometryError, match="15 corners in 3 outlines"):
        mend_outlines(three, limits=Limits(corners_in_all=14))


def test_holes_do_not_count_into_the_area_as_it_was_drawn() -> None:
    """A ring whose hole touches itself: valid but for a spike, so that its area stays."""
    ring = Polygon(
        [(0, 0), (1, 0), (1, 1), (1, 1.2), (1, 1), (0, 1)],
        [[(0.2, 0.2), (0.2, 0.8), (0.8, 0.8), (0.8, 0.2)]],
    )
    shapes, notes = mend_outlines(frame([ring]))
    assert shapes[0].area == pytest.approx(0.64)
    assert len(notes) == 1
    empty, untouched = mend_outlines(frame([Polygon(), None, box(0, 0, 1, 1)]))
    assert untouched == ()
    assert empty[0].is_empty
    assert empty[1] is None


def test_a_stone_takes_the_highest_class_of_its_conditions() -> None:
    stones = pd.DataFrame(
        {"id": ["S-1", "S-2", "S-3"], "cc": [np.nan] * 3, "uc": [2, np.nan, np.nan], "rc": [np.nan] * 3}
    )  # fmt: skip
    conditions = pd.DataFrame(
        {"wall_stone": ["S-1", "S-1", "S-2", None], "cc": [1, 3, np.nan, 4], "uc": [3, 3, 1, 4], "rc": [0, 1, 2, 4]}
    )  # fmt: skip
    found = class_wall_stones(stones, conditions)
    assert found["cc"].tolist()[0] == 3
    assert math.isnan(found["cc"][1])
    assert found["cc"][2] == 0
    assert found["uc"].tolist() == [2, 1, 0]
    assert found["rc"].tolist() == [1, 2, 0]
    none = class_wall_stones(stones, conditions.iloc[:0])
    assert none["cc"].tolist() == [0, 0, 0]


# --- indices of damage


def test_damage_indices_by_hand_and_their_limits() -> None:
    found = damage_indices([0, 0, 50, 0, 0, 50])
    assert (found.linear, found.progressive) == (3.5, pytest.approx(math.sqrt(14.5)))
    assert damage_indices([0, 0, 0, 0, 0, 100]).linear == 5.0
    damage_indices([99.991, 0, 0, 0, 0, 0])
    damage_indices([100.0, 0, 0, 0, 0, 0.009])
    with pytest.raises(InputError, match="from 0 to 100 %"):
        damage_indices([101, 0, 0, 0, 0, 0])
    for wrong in ([99.989, 0, 0, 0, 0, 0], [100.02, 0, 0, 0, 0, 0], [101, -1, 0, 0, 0, 0], [100], [50, 50, 0, 0, 0, 0, 0]):  # fmt: skip
        with pytest.raises(InputError):
            damage_indices(wrong)


# --- gauges

START = dt.date(2026, 1, 1)


def read(*values_mm: float, days: int = 100, warm: list[float] | None = None) -> list[GaugeReading]:
    return [
        GaugeReading(
            gauge="g",
            read_on=START + dt.timedelta(days=days * k),
            value_m=v / 1000,
            temperature_degc=None if warm is None else warm[k],
        )
        for k, v in enumerate(values_mm)
    ]


@pytest.mark.parametrize(("change_mm", "beyond"), [(1.27, False), (1.28, True), (-1.28, True)])
def test_a_change_is_beyond_its_limit_with_both_readings_doubt(change_mm, beyond) -> None:
    """1 mm and 1.96 times the root of two of 0.1 mm: 1.277 mm."""
    (found,) = gauges_of(read(5.0, 5.0 + change_mm))
    assert found.change_m == pytest.approx(change_mm / 1000)
    assert found.change_plus_minus_95_m == pytest.approx(0.000277180, abs=1e-9)
    assert (found.verdict == "beyond the limit") is beyond
    assert found.rate_m_a_year is None


@pytest.mark.parametrize(("days", "told"), [(91, False), (92, True)])
def test_a_rate_is_told_over_a_year_and_not_before(days, told) -> None:
    (found,) = gauges_of(read(0.0, 0.1, 0.0, 0.1, 0.0, days=days))  # four times 91 or 92 days
    assert (found.rate_m_a_year is not None) is told
    if not told:
        assert "over 12 months" in found.why
        assert "5 readings over 1.0 years" in found.why


@pytest.mark.parametrize(("count", "told"), [(2, False), (3, True)])
def test_a_rate_needs_three_readings(count, told) -> None:
    (found,) = gauges_of(read(*[0.1 * (k % 2) for k in range(count)], days=400))
    assert (found.rate_m_a_year is not None) is told
    (once,) = gauges_of(read(0.0))
    assert once.why.startswith("one reading")


@pytest.mark.parametrize(
    ("rate_mm", "verdict"),
    [(0.49, "still"), (-0.49, "still"), (0.51, "moving"), (-0.51, "moving"), (0.5, "cannot be told yet")],
)  # fmt: skip
def test_a_gauge_moves_where_its_whole_range_is_beyond_the_limit(rate_mm, verdict) -> None:
    """Readings on a line but for a thousandth of a millimetre: the range of the rate is far below the last digit."""
    years = [k * 90 / 365.25 for k in range(6)]
    wobble = [0.0, 0.001, -0.001, -0.001, 0.001, 0.0]
    (found,) = gauges_of(
        read(*[rate_mm * t + w for t, w in zip(years, wobble, strict=True)], days=90)
    )
    assert found.rate_m_a_year == pytest.approx(rate_mm / 1000, rel=0.01)
    assert found.verdict == verdict


@pytest.mark.parametrize(
    ("count", "spread", "taken"), [(5, 9.0, False), (6, 9.0, True), (6, 4.9, False), (6, 5.0, True)]
)
def test_warmth_is_taken_off_from_six_readings_and_five_degrees_on(count, spread, taken) -> None:
    warm = [10 + spread * (k % 2) for k in range(count)]
    values = [0.02 * (w - 10) + 0.001 * (k in (1, 4)) for k, w in enumerate(warm)]
    (found,) = gauges_of(read(*values, warm=warm))
    assert (found.by_warmth_m_degc is not None) is taken
    if taken:
        assert found.by_warmth_m_degc == pytest.approx(2e-5, rel=0.05)


def test_a_rate_and_its_range_are_those_of_least_squares_with_warmth() -> None:
    """Against the normal equations solved by hand, with Student's factor for three free readings."""
    warm = [3.0, 9.0, 15.0, 8.0, 2.0, 10.0]
    values = [0.0, 0.2, 0.5, 0.3, 0.1, 0.4]
    (found,) = gauges_of(read(*values, days=91, warm=warm))
    time = np.arange(6) * 91 / 365.25
    design = np.c_[np.ones(6), time, warm]
    inverse = np.linalg.inv(design.T @ design)
    terms = inverse @ design.T @ np.array(values) / 1000
    left = np.array(values) / 1000 - design @ terms
    assert found.rate_m_a_year == pytest.approx(terms[1])
    assert found.by_warmth_m_degc == pytest.approx(terms[2])
    spread = math.sqrt(left @ left / 3 * inverse[1, 1])
    assert found.rate_plus_minus_95_m == pytest.approx(3.182446 * spread, rel=1e-5)


def test_limits_of_a_gauge_of_its_own_come_first() -> None:
    own = {"g": GaugeRules(limit_m=0.002)}
    readings = read(0.0, 1.5)
    assert gauges_of(readings)[0].verdict == "beyond the limit"
    assert gauges_of(readings, own=own)[0].verdict == "cannot be told yet"


def test_limits_themselves_are_still_within() -> None:
    exact = GaugeRules(reading_m=0.0)
    (at,) = gauges_of(read(0.0, 1.0), exact)
    assert at.verdict == "cannot be told yet"
    assert at.why.startswith("2 readings over 0.3 years")
    nothing = GaugeRules(rate_m_a_year=0.0)
    (still,) = gauges_of(read(0.0, 0.0, 0.0, 0.0, 0.0), nothing)
    assert (still.rate_m_a_year, still.verdict) == (0.0, "still")
    just = GaugeRules(least_years=400 / 365.25)
    assert gauges_of(read(0.0, 0.1, 0.0), just)[0].rate_m_a_year is None
    assert gauges_of(read(0.0, 0.1, 0.0, days=200), just)[0].rate_m_a_year is not None


def test_warmth_is_left_alone_where_it_was_not_read_or_goes_with_time() -> None:
    warm: list = [3.0, 9.0, None, 8.0, 2.0, 10.0]
    values = (0.0, 0.2, 0.5, 0.3, 0.1, 0.4)
    (plain,) = gauges_of(read(*values))
    (missing,) = gauges_of(read(*values, warm=warm))
    (even,) = gauges_of(read(*values, warm=[10.0, 14.0, 11.0, 13.0, 10.0, 14.9]))
    assert plain.by_warmth_m_degc is missing.by_warmth_m_degc is even.by_warmth_m_degc is None
    assert missing.rate_m_a_year == even.rate_m_a_year == plain.rate_m_a_year
    assert even.rate_plus_minus_95_m == plain.rate_plus_minus_95_m
    (together,) = gauges_of(read(*values, warm=[2.0 * k for k in range(6)]))
    assert together.rate_m_a_year is None


# --- measured depth


def measured(mean_mm=20.0, deepest_mm=30.0, more_mm=2.0, known=0.9) -> MeasuredDepth:
    names = {
        "mean_m": mean_mm / 1000,
        "deepest_m": deepest_mm / 1000,
        "plus_minus_95_m": more_mm / 1000,
        "known_share": known,
    }
    rest = {n: 0.0 for n in MeasuredDepth.__dataclass_fields__ if n not in names}
    return MeasuredDepth(**names, **rest)


@pytest.mark.parametrize(
    ("given", "depth_m"),
    [
        ({}, 0.032),
        ({"deepest_mm": 30.2}, 0.033),
        ({"known": 0.5}, 0.032),
        ({"known": 0.49}, None),
        ({"mean_mm": 2.0}, None),
        ({"mean_mm": 2.01}, 0.032),
    ],
)
def test_a_depth_is_proposed_to_the_next_millimetre_or_not_at_all(given, depth_m) -> None:
    assert depth_for_record(measured(**given)) == depth_m


@pytest.mark.parametrize(
    ("typed_mm", "known", "apart"),
    [(36.9, 0.5, False), (37.1, 0.5, True), (22.9, 0.5, True), (23.1, 0.5, False), (50.0, 0.49, False)],
)  # fmt: skip
def test_a_typed_depth_disagrees_beyond_its_doubt_and_five_millimetres(
    typed_mm, known, apart
) -> None:
    shape = box(0, 0, 1, 1)
    told = {"outline": outline_digest(shape), "deepest_m": 0.030, "plus_minus_95_m": 0.002, "known_share": known}  # fmt: skip
    row = {"geometry": shape, "depth_m": typed_mm / 1000, "measured_depth": told}
    assert depth_disagrees(row) is apart
    assert not depth_disagrees({**row, "geometry": box(0, 0, 1, 1.01)})


@pytest.mark.parametrize(("moved_m", "stale"), [(0.00004, False), (0.00011, True)])
def test_an_outline_is_another_from_a_tenth_of_a_millimetre_on(moved_m, stale) -> None:
    told = {"outline": outline_digest(box(0, 0, 1, 1))}
    assert is_stale({"geometry": box(0, 0, 1, 1 + moved_m), "measured_depth": told}) is stale


# --- surveys compared


def row(shape, id="A", **more) -> dict:
    return {"id": id, "geometry": shape, **more}


@pytest.mark.parametrize(
    ("wider_m", "fate"),
    [(0.0336, "same"), (0.0340, "grown"), (-0.0332, "same"), (-0.0334, "shrunk")],
)
def test_an_outline_has_grown_beyond_what_two_people_draw(wider_m, fate) -> None:
    """3 mm each: 1.96 times the root of two of it, 8.3 mm, along the outline of both together."""
    (found,) = pair_surveys([row(box(0, 0, 1, 1))], [row(box(0, 0, 1 + wider_m, 1), "B")])
    outline = 4 + 2 * max(wider_m, 0)
    assert found.plus_minus_95 == pytest.approx(1.96 * math.sqrt(2) * 0.003 * outline)
    assert (found.size_old, found.size_new) == (pytest.approx(1.0), pytest.approx(1 + wider_m))
    assert (found.fate, found.unit) == (fate, "m2")


@pytest.mark.parametrize(("longer_m", "fate"), [(0.0166, "same"), (0.0167, "grown")])
def test_a_line_has_grown_beyond_the_doubt_of_its_two_ends(longer_m, fate) -> None:
    lines = LineString([(0, 0), (1, 0)]), LineString([(0, 0), (1 + longer_m, 0)])
    (found,) = pair_surveys([row(lines[0])], [row(lines[1], "B")])
    assert (found.unit, found.fate) == ("m", fate)
    assert found.plus_minus_95 == pytest.approx(0.0166311, abs=1e-6)


@pytest.mark.parametrize(("shared", "paired"), [(0.24, False), (0.26, True)])
def test_outlines_are_one_thing_from_a_quarter_of_the_smaller_on(shared, paired) -> None:
    found = pair_surveys(
        [row(box(0, 0, 1, 1))], [row(box(1 - 0.5 * shared, 0, 1.5 - 0.5 * shared, 1), "B")]
    )
    assert len(found) == (1 if paired else 2)


@pytest.mark.parametrize(
    ("one", "other", "paired"),
    [
        (Point(0, 0), Point(0.03, 0), True),
        (Point(0, 0), Point(0.05, 0), False),
        (LineString([(0, 0), (1, 0)]), LineString([(0, 0.02), (1, 0.02)]), True),
        (LineString([(0, 0), (1, 0)]), LineString([(0, 0.025), (1, 0.025)]), False),
        (Point(0, 0), box(-0.1, -0.1, 0.1, 0.1), False),
    ],
)
def test_points_and_lines_reach_beside_themselves(one, other, paired) -> None:
    assert len(pair_surveys([row(one)], [row(other, "B")])) == (1 if paired else 2)


def test_what_became_of_conditions_and_in_which_order() -> None:
    old = [row(box(k, 0, k + 0.9, 1), f"O{k}", cc=1) for k in range(7)]
    new = [
        row(box(0, 0, 0.4, 1), "N0"),
        row(box(0.5, 0, 0.9, 1), "N1"),
        row(box(1, 0, 2.9, 1), "N2", cc=2),
        row(box(3, 0, 3.9, 1), "N3", cc=1),
        row(box(9, 0, 9.9, 1), "N9"),
    ]
    found = pair_surveys(old, new, repaired=["O4", "O5"])
    told = [(p.fate, p.old, p.new) for p in found]
    assert told == [
        ("new", (), ("N9",)),
        ("split", ("O0",), ("N0", "N1")),
        ("merged", ("O1", "O2"), ("N2",)),
        ("same", ("O3",), ("N3",)),
        ("gone", ("O6",), ()),
        ("repaired", ("O4",), ()),
        ("repaired", ("O5",), ()),
    ]
    assert found[2].classes == ("cc 1 to 2",)
    assert found[3].classes == ()
    assert found[1].size_new == pytest.approx(0.8)
    assert (found[0].size_old, found[4].size_new) == (0.0, 0.0)
    worst = pair_surveys(
        [row(box(0, 0, 1, 1), "O1", cc=1), row(box(1, 0, 2, 1), "O2", cc=3)],
        [row(box(0, 0, 2, 1), "N1", cc=3)],
    )
    assert [p.classes for p in worst] == [()]
    assert pair_surveys([], []) == []


# --- courses


def course(*widths: float, low=0.0, left=0.0, high=0.3, joint=0.006) -> list[Polygon]:
    found = []
    for width in widths:
        found.append(box(left, low, left + width, low + high))
        left += width + joint
    return found


def drawn(shapes, course, first=1) -> list[DrawnStone]:
    return [
        DrawnStone(id=f"S-{course}-{n}", geometry=s, course=course, number=first + n)
        for n, s in enumerate(shapes)
    ]


def left_out(*stones, drawn=(), **coursing) -> list[str]:
    found = judge_course(stones, drawn, coursing=Coursing(**coursing))
    return [o.why for o in found.left_out]


@pytest.mark.parametrize(
    ("odd", "kept"),
    [
        (box(3, 0, 3.061, 0.3), True),
        (box(3, 0, 3.059, 0.3), False),
        (box(3, 0, 4.799, 0.3), True),
        (box(3, 0, 4.801, 0.3), False),
        (box(3, 0, 3.5, 0.389), True),
        (box(3, 0, 3.5, 0.391), False),
        (box(3, 0, 3.5, 0.211), True),
        (box(3, 0, 3.5, 0.209), False),
        (Polygon([(3, 0), (4, 0), (4, 0.3), (3.23, 0.3)]), True),
        (Polygon([(3, 0), (4, 0), (4, 0.3), (3.25, 0.3)]), False),
    ],
)
def test_what_can_be_a_stone_of_a_course_on_both_sides(odd, kept) -> None:
    """60 mm, six times as long as high, three tenths off the height of 300 mm, 88 % of a rectangle."""
    assert bool(left_out(*course(0.5, 0.5, 0.5, 0.5, 0.5), odd)) is not kept


@pytest.mark.parametrize(
    ("size", "refused"),
    [((1.999, 0.5), 0), ((2.001, 0.5), 1), ((1.0, 0.899), 0), ((1.0, 0.901), 3)],
)
def test_a_stone_is_no_larger_than_the_setting(size, refused) -> None:
    wide, high = size
    assert len(left_out(*course(1.0, 1.0, wide, high=high))) == refused


@pytest.mark.parametrize(
    ("long", "count", "kept"), [(1.249, 5, True), (1.251, 5, False), (1.251, 4, True)]
)
def test_a_stone_is_no_longer_than_those_of_the_wall_where_five_are_drawn(
    long, count, kept
) -> None:
    others = drawn(course(*[0.5] * count, low=1.0), 3)
    assert (left_out(box(0, 0, long, 0.3), drawn=others) == []) is kept


@pytest.mark.parametrize(("shared", "kept"), [(0.19, True), (0.21, False)])
def test_a_fifth_of_a_stone_may_lie_on_one_that_is_drawn(shared, kept) -> None:
    stone = box(1 - 0.5 * shared, 0, 1.5 - 0.5 * shared, 0.3)
    found = judge_course([stone], drawn([box(0, 0, 1, 0.3)], 1), coursing=Coursing())
    assert (len(found.proposals) == 1) is kept
    if kept:
        assert found.proposals[0].geometry.bounds == pytest.approx((1, 0, 1.5 - 0.5 * shared, 0.3))


def test_neighbours_end_in_the_middle_of_what_they_share() -> None:
    found = judge_course([box(0, 0, 1.02, 0.3), box(0.98, 0, 2, 0.3)], ())
    assert [p.geometry.bounds for p in found.proposals] == [
        pytest.approx((0, 0, 1.0, 0.3)),
        pytest.approx((1.0, 0, 2, 0.3)),
    ]


@pytest.mark.parametrize(("gap", "told"), [(0.149, True), (0.151, False)])
def test_a_course_is_counted_on_where_it_lies_within_half_its_height(gap, told) -> None:
    below = drawn(course(0.5, 0.5, low=0.0), 4)
    found = judge_course(course(0.5, 0.5, low=0.3 + gap), below)
    assert [p.course for p in found.proposals] == [5 if told else None] * 2
    above = drawn(course(0.5, 0.5, low=0.6 + gap), 4)
    found = judge_course(course(0.5, 0.5, low=0.3), above)
    assert [p.course for p in found.proposals] == [3 if told else None] * 2
    downward = judge_course(
        course(0.5, 0.5, low=0.3 + gap), below, coursing=Coursing(courses_from="above")
    )
    assert [p.course for p in downward.proposals] == [3 if told else None] * 2
    lowest = judge_course(course(0.5, low=-0.3 - gap), drawn(course(0.5), 1))
    assert lowest.proposals[0].course is None


def test_a_course_that_is_known_gives_its_numbers() -> None:
    whole = course(0.4, 0.5, 0.6, 0.5)
    row = [*drawn(whole[:1], 2), *drawn(whole[3:], 2, first=4)]
    assert [p.number for p in judge_course(whole[1:3], row).proposals] == [2, 3]
    full = [*drawn(whole[:1], 2), *drawn(whole[3:], 2, first=3)]
    found = judge_course(whole[1:3], full).proposals
    assert [p.number for p in found] == [None, None]
    assert "leave no room" in found[0].doubts[0]
    assert numbers_in(whole[2:], drawn(whole[:2], 2), Coursing()) == [3, 4]
    assert numbers_in(whole[:2], drawn(whole[2:], 2, first=3), Coursing()) == [1, 2]
    assert numbers_in(whole[:2], [], Coursing(first=0)) == [0, 1]
    from_right = Coursing(numbers_from="right")
    assert numbers_in(whole[:2], [], from_right) == [2, 1]


@pytest.mark.parametrize(
    ("lean_deg", "kind"), [(2.9, "level"), (3.1, "leaning"), (-3.1, "leaning")]
)
def test_a_course_leans_from_three_degrees_on(lean_deg, kind) -> None:
    turned = [shapely.affinity.rotate(s, lean_deg, origin=(0, 0)) for s in course(0.5, 0.5, 0.5)]
    found = run_of(turned)
    assert found.kind == kind
    if kind == "leaning":
        assert found.lean_rad == pytest.approx(math.radians(lean_deg))
        flat = found.flat(turned[1])
        assert flat.bounds == pytest.approx(course(0.5, 0.5)[1].bounds)
        assert found.back(flat).equals_exact(turned[1], 1e-9)
        for more, alike in ((5.9, True), (6.1, False)):
            other = shapely.affinity.rotate(box(0, 0, 1, 0.3), lean_deg + more)
            assert runs_along(found, other) is alike


def arch(count: int, *, radius=2.0, step_deg=12.0, up=True, bump=0.0) -> list[Polygon]:
    found = []
    for k in range(count):
        angle = math.radians(step_deg) * (k - (count - 1) / 2)
        r = radius + (bump if k % 2 else 0.0)
        stone = box(-0.2, r - 0.15, 0.2, r + 0.15)
        stone = shapely.affinity.rotate(stone, -math.degrees(angle), origin=(0, 0))
        found.append(stone if up else shapely.affinity.scale(stone, 1, -1, origin=(0, 0)))
    return found


@pytest.mark.parametrize("up", [True, False])
def test_the_stones_of_an_arch_are_laid_flat_round_its_centre(up) -> None:
    stones = arch(5, up=up)
    found = run_of(stones)
    assert found.kind == "arch"
    assert found.radius_m == pytest.approx(2.0, abs=1e-9)
    assert found.centre_m == pytest.approx((0.0, 0.0), abs=1e-9)
    assert found.crown == pytest.approx((0.0, 1.0 if up else -1.0), abs=1e-9)
    flat = [found.flat(s) for s in stones]
    assert [f.centroid.x for f in flat] == pytest.approx(
        [math.radians(12) * 2 * (k - 2) for k in range(5)], abs=0.01
    )
    assert all(abs(f.centroid.y) < 0.01 for f in flat)
    corner = shapely.get_coordinates(stones[4])[0]
    assert shapely.get_coordinates(found.back(flat[4]))[0] == pytest.approx(corner)


def test_three_stones_are_no_arch_nor_are_those_off_a_circle_or_all_round() -> None:
    assert run_of(arch(3, step_deg=30)).kind != "arch"
    assert run_of(arch(4, step_deg=20)).kind == "arch"
    size = math.sqrt(0.12)
    assert run_of(arch(6, bump=2 * 0.11 * size)).kind == "arch"
    assert run_of(arch(6, bump=2 * 0.13 * size)).kind != "arch"
    assert run_of(arch(20, step_deg=18, radius=3.0)).kind != "arch"


@pytest.mark.parametrize(("bent", "kind"), [(0.29, "level"), (0.31, "arch")])
def test_a_course_is_bent_from_three_tenths_of_a_stone_on(bent, kind) -> None:
    """Middles of four stones on a circle of 5 m: the inner two stand higher by so much of a stone's size."""
    size = math.sqrt(0.4 * 0.3)
    rise, radius = bent * size, 5.0
    inner = 0.25
    high = math.sqrt(radius**2 - inner**2)
    outer = math.sqrt(radius**2 - (high - rise) ** 2)
    stones = [
        box(x - 0.2, y - 0.15, x + 0.2, y + 0.15)
        for x, y in ((-outer, high - rise), (-inner, high), (inner, high), (outer, high - rise))
    ]
    assert run_of(stones).kind == kind


def test_a_circle_through_points_by_hand() -> None:
    centre, radius = fit_circle(np.array([(3.0, 1.0), (1.0, 3.0), (-1.0, 1.0), (1.0, -1.0)]))
    assert (centre.tolist(), radius) == (
        [pytest.approx(1.0), pytest.approx(1.0)],
        pytest.approx(2.0),
    )
    assert fit_circle(np.array([(0.0, 0.0), (1.0, 1.0), (2.0, 2.0)])) is None


def wall(*rows: list[Polygon]) -> np.ndarray:
    return np.array([s for r in rows for s in r], dtype=object)


def test_courses_are_counted_from_below_and_stones_from_the_left() -> None:
    found = courses_of(wall(course(0.5, 0.4, 0.6, low=0.31), course(0.4, 0.6, 0.5)))
    assert found == [(2, 1), (2, 2), (2, 3), (1, 1), (1, 2), (1, 3)]
    assert courses_of(np.array([], dtype=object)) == []


@pytest.mark.parametrize(("lifted", "level"), [(0.089, True), (0.091, False)])
def test_neighbours_share_seven_tenths_of_their_height(lifted, level) -> None:
    stones = wall(course(0.5, 0.5, 0.5), course(0.5, 0.5, 0.5, left=1.518, low=lifted))
    found = {c for c, _ in courses_of(stones)}
    assert found == ({1} if level else {1, 2})


@pytest.mark.parametrize(("higher", "level"), [(1.49, True), (1.51, False)])
def test_a_neighbour_is_at_most_half_as_high_again(higher, level) -> None:
    high = 0.3 * higher
    stones = wall(
        course(0.5, 0.5, 0.5), course(0.5, 0.5, 0.5, left=1.518, low=0.15 - high / 2, high=high)
    )
    assert ({c for c, _ in courses_of(stones)} == {1}) is level


@pytest.mark.parametrize(("over", "one"), [(0.089, True), (0.091, False)])
def test_neighbours_lie_over_each_other_by_less_than_a_third_of_their_height(over, one) -> None:
    """Of 300 mm: 90 mm, so that an outline drawn a little too wide is still beside the next."""
    stones = wall(course(0.5, 0.5, 0.5), course(0.5, 0.5, 0.5, left=1.512 - over))
    assert len({c for c, _ in courses_of(stones)}) == (1 if one else 2)


def test_a_steep_course_leans_by_its_own_angle() -> None:
    steep = [shapely.affinity.rotate(s, 50.0, origin=(0, 0)) for s in course(0.5, 0.5, 0.5)]
    found = run_of(steep)
    assert (found.kind, found.lean_rad) == ("leaning", pytest.approx(math.radians(50.0)))


def test_the_course_above_is_counted_from_the_highest_of_its_neighbours() -> None:
    """Two stones of which one is 100 mm lower: the next course lies 140 mm over the higher, within half of its height."""
    uneven = [box(0, 0.3, 0.5, 0.6), box(0.506, 0.3, 1.0, 0.52)]
    above = drawn(course(0.5, 0.5, low=0.72), 4)
    assert [p.course for p in judge_course(uneven, above).proposals] == [3, 3]


def test_a_wall_without_courses_gets_none() -> None:
    steps = wall(*(course(0.5, left=0.5 * k, low=0.3 * k) for k in range(8)))
    assert courses_of(steps) == [(None, None)] * 8


def test_levels_take_the_courses_of_the_stones_on_them() -> None:
    low, middle, high = (course(0.5, 0.5, 0.5, low=0.31 * k) for k in range(3))
    fresh = [*middle, *high]
    assert placed_in_courses(fresh, drawn(low, 4)) == [
        (5, 1),
        (5, 2),
        (5, 3),
        (6, 1),
        (6, 2),
        (6, 3),
    ]
    downward = Coursing(courses_from="above")
    assert placed_in_courses(fresh, drawn(low, 4), coursing=downward)[::3] == [(3, 1), (2, 1)]
    assert placed_in_courses(fresh, [])[::3] == [(1, 1), (2, 1)]
    assert placed_in_courses(fresh, [], coursing=downward)[::3] == [(2, 1), (1, 1)]
    assert placed_in_courses(low + middle, drawn(high, 2))[::3] == [(None, None), (1, 1)]
    torn = [*drawn(low[:2], 4), *drawn(low[2:], 7)]
    assert placed_in_courses(middle, torn)[0] == (None, None)
    assert placed_in_courses([], drawn(low, 4)) == []


@pytest.mark.parametrize(("gap", "unseen"), [(0.24, []), (0.26, [1])])
def test_something_is_unseen_where_half_a_stone_is_missing(gap, unseen) -> None:
    stones = [box(0, 0, 0.5, 0.3), box(0.5 + gap, 0, 1.0 + gap, 0.3)]
    places = [(1, 1), (1, 2)]
    assert gaps_of(stones, places, []) == unseen
    assert gaps_of(stones, places, [box(0.5, -1, 0.5 + gap, 1)]) == []
    assert gaps_of(stones, [(None, None), (1, 1)], []) == []
    assert gaps_of(stones, places, [box(0.5, 0.2, 0.5 + gap, 1)]) == []
