"""Hours of the work, dates only with stone, and lime in cold months."""

from __future__ import annotations

import datetime as dt

import pytest

from facademap.errors import InputError
from facademap.io.rule_files import load_profile
from facademap.repair.cold_work import cold_work
from facademap.repair.mixes import BINDERS
from facademap.repair.schedule import Job, ScheduleProblem, schedule_greedily, why_unscheduled
from facademap.repair.work_hours import Hours, WorkRates, hours_of_repair

S = load_profile("metric")


def test_a_whole_stone_is_a_matter_of_its_face_and_not_of_its_volume() -> None:
    """A stone of 0.69 x 0.35 m and 0.34 m deep took 124 h by volume; by face it takes some days."""
    face = {"area_m2": 0.69 * 0.35}
    thin = hours_of_repair("whole stone", {**face, "removed_volume_m3": 0.01})
    deep = hours_of_repair("whole stone", {**face, "removed_volume_m3": 0.082})
    assert thin == deep
    assert 7 <= deep.likely_h <= 21
    assert deep.low_h < deep.likely_h < deep.high_h


def test_a_whole_stone_takes_longer_on_an_upper_lift_and_an_inset_does_not() -> None:
    amounts = {"area_m2": 0.2, "removed_volume_m3": 0.004}
    up, down = (hours_of_repair("whole stone", amounts, lift=n).likely_h for n in (4, 0))
    assert up - down == pytest.approx(4 * 0.5)
    assert hours_of_repair("inset", amounts, lift=4) == hours_of_repair("inset", amounts)


def test_an_inset_is_a_matter_of_the_stone_cut_away() -> None:
    assert hours_of_repair("inset", {"removed_volume_m3": 0.004}).likely_h == pytest.approx(3 + 6)


def test_pointing_goes_by_length_and_surface_work_by_area() -> None:
    assert hours_of_repair("repoint", {"length_m": 3.0, "area_m2": 9}).likely_h == pytest.approx(
        3.5
    )
    assert hours_of_repair("clean", {"area_m2": 2.0}).likely_h == pytest.approx(8.5)


def test_hours_that_do_not_rise_are_refused() -> None:
    with pytest.raises(InputError, match="do not rise"):
        Hours(low_h=3, likely_h=2, high_h=4)


@pytest.mark.parametrize(
    ("more", "why"),
    [
        ({}, ""),
        ({"treatment": "leave"}, "left as it is"),
        ({"held_back": "damp"}, "held back: damp"),
        ({"stage": "on hold"}, "on hold"),
        ({"id": "R-9"}, "no stone is found for it yet"),
    ],
)
def test_no_date_without_stone(more: dict[str, str], why: str) -> None:
    repair = {"id": "R-1", "treatment": "inset", "held_back": None, "stage": "proposed", **more}
    assert why_unscheduled(repair, {"R-9"}) == why


def programme(start: dt.date) -> ScheduleProblem:
    lime = Job(repair="R-1", days=2, cure_days=3, place=("A", 1, 0), lime=True)
    dry = Job(repair="R-2", days=1, cure_days=0, place=("A", 1, 1))
    return ScheduleProblem(jobs=(lime, dry), crews=2, start=start)


@pytest.mark.parametrize(
    ("binder", "start", "until"),
    [
        # NHL 3.5: three weeks, six in cold (limeworks; cornishlime); NHL 2: ten days (its sheet)
        ("NHL 3.5", "2027-10-11", "2027-11-02"),
        ("NHL 2", "2027-10-11", None),
        ("NHL 2", "2027-10-21", "2027-11-01"),
        ("NHL 2", "2027-10-20", None),
        ("NHL 3.5", "2027-11-01", "2027-12-14"),
        ("NHL 3.5", "2027-04-05", None),
        ("NHL 3.5", "2027-03-30", "2027-05-12"),
    ],
)
def test_lime_that_meets_the_cold_is_named_with_its_protection(
    binder: str, start: str, until: str | None
) -> None:
    schedule = schedule_greedily(programme(dt.date.fromisoformat(start)))
    found = cold_work(schedule, binder=BINDERS[binder], settings=S)
    assert [f["repair"] for f in found] == ([] if until is None else ["R-1"])
    if until:
        assert found[0]["protect_until"] == until
        assert binder in found[0]["what"]


def test_southern_months_can_be_set() -> None:
    schedule = schedule_greedily(programme(dt.date(2027, 7, 5)))
    assert not cold_work(schedule, binder=BINDERS["NHL 2"], settings=S)
    assert cold_work(schedule, binder=BINDERS["NHL 2"], settings=S, cold_months={6, 7, 8})


def test_what_is_not_given_counts_nothing() -> None:
    """No lift is the lowest, no area and no length are none."""
    assert hours_of_repair("whole stone", {"area_m2": 0.3}) == hours_of_repair(
        "whole stone", {"area_m2": 0.3}, lift=0
    )
    assert hours_of_repair("whole stone", {}) == hours_of_repair("whole stone", {"area_m2": 0.0})
    assert hours_of_repair("repoint", {}) == hours_of_repair("repoint", {"length_m": 0.0})
    assert (
        hours_of_repair("whole stone", {}, lift=1).likely_h
        > hours_of_repair("whole stone", {}).likely_h
    )


def test_the_experience_of_the_office_takes_its_own_times_the_likely_hours_and_no_other_treatment() -> (
    None
):
    own = WorkRates(own={"inset": (0.8, 1.25, 2.0)})
    amounts = {"removed_volume_m3": 0.004, "area_m2": 2.0}
    likely_h = hours_of_repair("inset", amounts).likely_h
    assert hours_of_repair("inset", amounts, rates=own) == Hours(
        low_h=0.8 * likely_h, likely_h=1.25 * likely_h, high_h=2 * likely_h
    )
    assert hours_of_repair("clean", amounts, rates=own) == hours_of_repair("clean", amounts)
