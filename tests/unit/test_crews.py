"""Crews keep to their skills and days; hours booked become rates of one's own."""

from __future__ import annotations

import datetime as dt
import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import shapely

from facademap.errors import InputError
from facademap.repair.crews import Crew, CrewPlan, check_crews, plan_crews, read_crews
from facademap.repair.own_rates import own_rates, rates_text, read_rates
from facademap.repair.schedule import Job, ScheduleProblem
from facademap.repair.work_hours import Hours, WorkRates, hours_of_repair
from facademap.store.project import Project
from facademap.tasks.record.crews import book_hours, booked_hours, crews_of, set_crews
from facademap.tasks.record.work import remove_names

MONDAY = dt.date(2027, 5, 3)


def job(name: str, hours: float, *, lift: int = 0, bay: int = 0, lime: bool = False) -> Job:
    told = Hours(low_h=hours, likely_h=hours, high_h=hours)
    return Job(repair=name, days=1, cure_days=3, place=("w", lift, bay), hours=told, lime=lime)


def test_each_crew_does_what_it_can_on_its_own_days() -> None:
    problem = ScheduleProblem(
        jobs=(job("a", 15, bay=0), job("b", 6, bay=1), job("c", 6, bay=2), job("d", 1, bay=3)),
        crews=2,
        start=MONDAY,
        apart=frozenset({("a", "b")}),
        before=frozenset({("a", "c")}),
        weekend=True,
    )
    kinds = {"a": "inset", "b": "repoint", "c": "inset", "d": "consolidate"}
    crews = (
        Crew(
            name="A",
            skills=frozenset({"inset"}),
            hours_h=7.5,
            away=frozenset({dt.date(2027, 5, 4)}),
        ),
        Crew(name="B", skills=frozenset({"repoint"}), hours_h=6, weekdays=frozenset({0, 1})),
    )
    plan = plan_crews(problem, crews, kinds)
    assert plan.days["a"] == (MONDAY, dt.date(2027, 5, 5))
    assert plan.days["c"] == (dt.date(2027, 5, 6),)
    # three days of curing after Wednesday, then the next day of crew B
    assert plan.days["b"] == (dt.date(2027, 5, 10),)
    assert plan.left_out == {"d": "no crew does consolidate"}
    assert check_crews(problem, crews, kinds, plan) == ()


@pytest.mark.parametrize(
    ("moved", "fault"),
    [
        ({"days": {"b": (dt.date(2027, 5, 9),)}}, "does not work on"),
        ({"days": {"b": (dt.date(2027, 5, 3),)}}, "support each other"),
        ({"days": {"c": (MONDAY,)}}, "before a is done"),
        ({"days": {"a": (MONDAY,)}}, "15.0 hours in 1 days"),
        ({"crew": {"b": "A"}}, "does not do repoint"),
    ],
)
def test_the_check_sees_what_breaks_a_rule(moved: dict[str, dict], fault: str) -> None:
    problem = ScheduleProblem(
        jobs=(job("a", 15, bay=0), job("b", 6, bay=1), job("c", 6, bay=2)),
        crews=2,
        start=MONDAY,
        apart=frozenset({("a", "b")}),
        before=frozenset({("a", "c")}),
        weekend=True,
    )
    kinds = {"a": "inset", "b": "repoint", "c": "inset"}
    crews = (
        Crew(name="A", skills=frozenset({"inset"}), hours_h=7.5),
        Crew(name="B", skills=frozenset({"repoint"}), hours_h=6, weekdays=frozenset({0, 1})),
    )
    good = plan_crews(problem, crews, kinds)
    assert check_crews(problem, crews, kinds, good) == ()
    bad = CrewPlan(
        days={**good.days, **moved.get("days", {})}, crew={**good.crew, **moved.get("crew", {})}
    )
    assert any(fault in f for f in check_crews(problem, crews, kinds, bad))


def test_in_cold_months_work_without_lime_comes_first() -> None:
    jobs = (job("lime", 5, bay=0, lime=True), job("other", 5, bay=1))
    problem = ScheduleProblem(jobs=jobs, crews=1, start=MONDAY, weekend=True)
    crews, kinds = (Crew(name="A"),), {"lime": "repoint", "other": "clean"}
    assert plan_crews(problem, crews, kinds).days["lime"][0] == MONDAY
    cold = plan_crews(problem, crews, kinds, cold_months=frozenset({5}))
    assert cold.days["other"][0] == MONDAY < cold.days["lime"][0]


@pytest.mark.parametrize(
    "entry",
    [
        {"name": "A"},
        {"name": "A", "hours": 0},
        {"name": "A", "hours": 25},
        {"name": "A", "hours": 7, "days": []},
        {"name": "A", "hours": 7, "days": ["Fredag"]},
        {"name": "A", "hours": 7, "skills": ["juggle"]},
        {"name": "A", "hours": 7, "first": "2027-02-02", "last": "2027-02-01"},
        {"name": "", "hours": 7},
        {"name": "A", "hours": 7, "people": 2},
        {"name": "A", "hours": 7, "days": 3},
        {"name": "A", "hours": 7, "skills": "inset"},
    ],
)
def test_a_crew_with_no_hours_or_an_unknown_word_is_refused(entry: dict) -> None:
    with pytest.raises(InputError):
        read_crews([entry])
    assert read_crews([{"name": "A", "hours": 24}])[0].hours_h == 24


def test_rates_are_hours_booked_over_hours_told() -> None:
    rng = np.random.default_rng(5)
    told = rng.uniform(1, 9, 12)
    hours = told * rng.uniform(0.8, 2.0, 12)
    found = own_rates([("inset", h, t) for h, t in zip(hours, told, strict=True)])
    assert found["inset"].likely == pytest.approx(hours.sum() / told.sum())
    assert found["inset"].low == pytest.approx(np.quantile(hours / told, 0.1))
    assert not own_rates([("inset", 3.0, 2.0)] * 2)
    body = tomllib.loads(rates_text(found, source='a "b"'))
    own = read_rates(body, where="x")
    before = hours_of_repair("inset", {"removed_volume_m3": 0.002})
    after = hours_of_repair("inset", {"removed_volume_m3": 0.002}, rates=WorkRates(own=own))
    assert after.likely_h == pytest.approx(before.likely_h * found["inset"].likely, rel=1e-3)
    assert replace(after, low_h=0).high_h >= after.likely_h
    with pytest.raises(InputError, match="do not rise"):
        read_rates({"rates": {"inset": {"low": 2, "likely": 1, "high": 3}}}, where="x")


def test_hours_are_booked_in_the_record_within_a_day(tmp_path: Path) -> None:
    folder, crews = tmp_path / "p", tmp_path / "crews.toml"
    crews.write_text('[[crew]]\nname = "A"\nhours = 7.5\n')
    with Project.create(folder, name="Mill") as project, project.edit(who="t", what="t") as edit:
        edit.put("elevations", [{"id": "E", "name": "E"}])
        edit.put("surfaces", [{"id": "S", "name": "S", "elevation": "E", "kind": "plane"}])
        edit.put(
            "repairs",
            [
                {
                    "id": "R-1",
                    "surface": "S",
                    "treatment": "clean",
                    "conditions": [],
                    "stage": "proposed",
                    "geometry": shapely.box(0, 0, 1, 1),
                }
            ],
        )
    set_crews(folder, crews)
    book_hours(folder, "R-1", 20, crew="A", on="2026-01-05")
    book_hours(folder, "R-1", 4, crew="A", on="2026-01-05")
    for hours, crew, on in (
        (0.1, "A", "2026-01-05"),
        (0, "A", "2026-01-06"),
        (24.1, "A", "2026-01-06"),
        (1, "B", "2026-01-06"),
        (1, "A", "2099-01-01"),
    ):
        with pytest.raises(InputError):
            book_hours(folder, "R-1", hours, crew=crew, on=on)
    with Project.open(folder, read_only=True) as project:
        (one,) = booked_hours(project)
        assert one.hours_h == 24
        assert one.told_h == pytest.approx(4.5)
        assert project.read("work_log")["mason"].isna().all()


def test_labels_of_crews_go_with_the_names(tmp_path: Path) -> None:
    """A crew is often called by a person: hours and days stay, the label goes from every row and the whole history."""
    folder = tmp_path / "p"
    with (
        Project.create(folder, name="x") as project,
        project.edit(who="t", what="a repair") as edit,
    ):
        edit.put("elevations", [{"id": "E", "name": "e"}])
        edit.put("surfaces", [{"id": "S", "name": "s", "elevation": "E", "kind": "plane"}])
        work = {"surface": "S", "treatment": "clean", "geometry": shapely.box(0, 0, 1, 1)}
        edit.put("repairs", [{"id": "R-1", **work}])
    crews = tmp_path / "c.toml"
    crews.write_text(
        '[[crew]]\nname = "Wilhelmina"\nhours = 8\n\n[[crew]]\nname = "B"\nhours = 4\n'
    )
    set_crews(folder, crews)
    book_hours(folder, "R-1", 3.5, crew="Wilhelmina", on="2026-01-05")
    earlier = "R-1: hours of Wilhelmina"  # titles of edits named the crew once
    with Project.open(folder) as project, project.edit(who="t", what=earlier) as edit:
        edit.update("repairs", "R-1", {"note": "x"})
    remove_names(folder)
    for path in folder.rglob("*"):
        if path.is_file():
            assert b"Wilhelmina" not in path.read_bytes(), path
    with Project.open(folder, read_only=True) as project:
        (one,) = booked_hours(project)
        assert (one.hours_h, one.crews) == (3.5, ("crew 1",))
        assert [c.hours_h for c in crews_of(project)] == [8, 4]
        assert "R-1: hours of crew 1" in set(project.history()["what"])
    remove_names(folder)
    book_hours(folder, "R-1", 1, crew="crew 1", on="2026-01-06")
