"""Sequence of the work: constraints by an independent check, shortest length against brute force and another solver."""

from __future__ import annotations

import datetime as dt
import itertools
from types import SimpleNamespace

import geopandas as gpd
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import box

from facademap.errors import InputError
from facademap.io.rule_files import load_profile, load_rules
from facademap.repair.planning import plan_repairs
from facademap.repair.schedule import (
    Job,
    ScheduleProblem,
    bars,
    day_list,
    jobs_from_repairs,
    neighbours_out,
    schedule_greedily,
    top_down,
)
from facademap.repair.schedule_check import check_schedule
from facademap.repair.schedule_solver import solve_schedule
from facademap.tables import CONDITIONS, OPENINGS, WALL_STONES

MONDAY = dt.date(2027, 4, 5)
S = load_profile("metric")


def programme(seed: int, *, most: int = 9) -> ScheduleProblem:
    rng = np.random.default_rng(seed)
    n = int(rng.integers(2, most + 1))
    jobs = tuple(
        Job(
            repair=f"R-{k}",
            days=int(rng.integers(1, 4)),
            cure_days=int(rng.integers(0, 4)),
            place=("A", int(rng.integers(0, 3)), int(rng.integers(0, 3))),
        )
        for k in range(n)
    )
    pairs = list(itertools.combinations([j.repair for j in jobs], 2))
    apart = frozenset(p for p in pairs if rng.random() < 0.2)
    donors = frozenset(p for p in pairs if rng.random() < 0.1)
    return ScheduleProblem(
        jobs=jobs,
        crews=int(rng.integers(1, 4)),
        start=MONDAY,
        apart=apart,
        before=donors | top_down(jobs, donors=donors),
        days_off=frozenset({MONDAY + dt.timedelta(days=2)}),
    )


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 10_000))
def test_every_sequence_keeps_every_rule_and_never_beats_its_bound(seed):
    problem = programme(seed)
    listed = schedule_greedily(problem)
    solved = solve_schedule(problem, time_limit_s=5)
    for s in (listed, solved):
        assert check_schedule(problem, s.starts) == ()
        assert s.bound_days <= s.length_days
        last = max(dt.date.fromisoformat(c) for c in bars(s)["cured"])
        assert (last - problem.start).days + 1 == s.length_days
    assert solved.length_days <= listed.length_days


def shortest_by_trying_everything(problem: ScheduleProblem, most: int) -> int:
    days = [problem.start + dt.timedelta(days=k) for k in range(most)]
    best = most
    for starts in itertools.product(
        [d for d in days if problem.works(d)], repeat=len(problem.jobs)
    ):
        named = dict(zip((j.repair for j in problem.jobs), starts, strict=True))
        length = max(
            (problem.last_day(named[j.repair], j.days) - problem.start).days + j.cure_days + 1
            for j in problem.jobs
        )
        if length < best and not check_schedule(problem, named):
            best = length
    return best


@pytest.mark.parametrize("seed", range(8))
def test_small_programmes_are_as_short_as_trying_everything_finds(seed):
    problem = programme(seed, most=3)
    solved = solve_schedule(problem, time_limit_s=20)
    assert solved.status == "optimal"
    assert solved.length_days == shortest_by_trying_everything(problem, solved.length_days + 1)


@pytest.mark.parametrize("seed", range(20, 25))
def test_proved_lengths_agree_with_another_solver(seed):
    """OR-Tools CP-SAT with its own model: intervals on the calendar."""
    cp_model = pytest.importorskip("ortools.sat.python.cp_model")
    problem = programme(seed)
    solved = solve_schedule(problem, time_limit_s=20)
    if solved.status != "optimal":
        assert solved.bound_days < solved.length_days
    horizon = solved.length_days + 5
    model = cp_model.CpModel()
    chosen, length = {}, model.new_int_var(0, horizon, "length")
    options = {}
    for j in problem.jobs:
        options[j.repair] = []
        for k in range(horizon):
            day = problem.start + dt.timedelta(days=k)
            if not problem.works(day):
                continue
            work = [
                d for d in range(k, horizon) if problem.works(problem.start + dt.timedelta(days=d))
            ][: j.days]
            if len(work) == j.days and work[-1] + j.cure_days < horizon:
                options[j.repair].append(
                    (model.new_bool_var(f"{j.repair}@{k}"), k, work, work[-1] + j.cure_days)
                )
        model.add_exactly_one(o[0] for o in options[j.repair])
        chosen[j.repair] = sum(o[1] * o[0] for o in options[j.repair])
        model.add(length >= sum((o[3] + 1) * o[0] for o in options[j.repair]))
    place = {j.repair: (j.place[0], j.place[2]) for j in problem.jobs}
    for day in range(horizon):
        at_work = {r: [o[0] for o in os if day in o[2]] for r, os in options.items()}
        model.add(sum(v for vs in at_work.values() for v in vs) <= problem.crews)
        for bay in set(place.values()):
            model.add(sum(v for r, vs in at_work.items() if place[r] == bay for v in vs) <= 1)
        for a, b in problem.apart:
            model.add(sum(o[0] for r in (a, b) for o in options[r] if o[1] <= day <= o[3]) <= 1)
    for a, b in problem.before:
        model.add(chosen[b] >= sum((o[2][-1] + 1) * o[0] for o in options[a]))
    model.minimize(length)
    other = cp_model.CpSolver()
    other.parameters.num_workers = 1
    assert other.solve(model) == cp_model.OPTIMAL
    assert other.objective_value <= solved.length_days
    if solved.status == "optimal":
        assert other.objective_value == solved.length_days


def test_the_check_finds_every_kind_of_fault():
    jobs = (
        Job(repair="a", days=2, cure_days=3, place=("A", 1, 0)),
        Job(repair="b", days=1, cure_days=0, place=("A", 0, 0)),
        Job(repair="c", days=1, cure_days=0, place=("A", 0, 5)),
    )
    problem = ScheduleProblem(
        jobs=jobs,
        crews=1,
        start=MONDAY,
        apart=frozenset({("a", "c")}),
        before=frozenset({("a", "b")}),
    )
    good = {"a": MONDAY, "b": MONDAY + dt.timedelta(days=2), "c": MONDAY + dt.timedelta(days=7)}
    assert check_schedule(problem, good) == ()
    for change, word in (
        ({"b": MONDAY}, "crews"),
        ({"b": MONDAY + dt.timedelta(days=1)}, "one bay"),
        ({"b": MONDAY}, "must come first"),
        ({"c": MONDAY + dt.timedelta(days=4)}, "support each other"),
        ({"c": MONDAY + dt.timedelta(days=5)}, "working day"),
        ({"c": MONDAY - dt.timedelta(days=3)}, "before the first day"),
    ):
        assert any(word in f for f in check_schedule(problem, {**good, **change})), word
    assert any("no day" in f for f in check_schedule(problem, {"a": MONDAY, "b": good["b"]}))


def test_an_answer_of_the_solver_that_breaks_a_rule_is_dropped(monkeypatch):
    problem = programme(5, most=3)
    known = schedule_greedily(problem)
    assert known.length_days > known.bound_days  # else the solver would not be asked

    def wrong(cost, **given):
        answer = np.zeros(len(cost))  # nothing has a day but one
        answer[0] = 1.0
        return SimpleNamespace(status=0, x=answer, mip_dual_bound=1.0)

    monkeypatch.setattr("facademap.repair.schedule_solver.milp", wrong)
    found = solve_schedule(problem, tries=0)
    assert found.starts == known.starts
    assert (found.status, found.method) == (known.status, known.method)


def test_same_input_same_answer():
    assert solve_schedule(programme(77)).starts == solve_schedule(programme(77)).starts


def test_bad_programmes_are_named():
    job = Job(repair="a", days=1, cure_days=0, place=("A", 0, 0))
    other = Job(repair="b", days=1, cure_days=0, place=("A", 0, 1))
    with pytest.raises(InputError, match="each waits for the next"):
        ScheduleProblem(
            jobs=(job, other), crews=1, start=MONDAY, before=frozenset({("a", "b"), ("b", "a")})
        )
    with pytest.raises(InputError, match="crews"):
        ScheduleProblem(jobs=(job,), crews=0, start=MONDAY)
    with pytest.raises(InputError, match="twice"):
        ScheduleProblem(jobs=(job, job), crews=1, start=MONDAY)
    with pytest.raises(InputError, match="not scheduled"):
        ScheduleProblem(jobs=(job,), crews=1, start=MONDAY, apart=frozenset({("a", "z")}))


def test_a_real_plan_in_sequence():
    rows = [
        {
            "id": f"S-{r}-{c}",
            "surface": "A",
            "depth_m": 0.2,
            "geometry": box(c * 0.605, r * 0.305, c * 0.605 + 0.6, r * 0.305 + 0.3),
        }
        for r in range(3)
        for c in range(4)
    ]
    stones = WALL_STONES.check(gpd.GeoDataFrame(rows, geometry="geometry"))
    cond = [
        {
            "id": f"C-{k}",
            "surface": "A",
            "term": "alveolization",
            "depth_m": 0.03,
            "cause_settled": True,
            "geometry": box(
                g.bounds[0] + 0.2, g.bounds[1] + 0.1, g.bounds[0] + 0.3, g.bounds[1] + 0.2
            ),
        }
        for k, g in enumerate(stones.geometry)
    ]
    cond += [
        {
            "id": "C-90",
            "surface": "A",
            "term": "loose stone",
            "layer": "structural",
            "geometry": box(0, 0, 0.1, 0.1),
        },
        {
            "id": "C-91",
            "surface": "A",
            "term": "lichen",
            "cc": 1,
            "geometry": box(1, 0.8, 1.1, 0.9),
        },
    ]
    c = CONDITIONS.check(gpd.GeoDataFrame(cond, geometry="geometry"))
    plan = plan_repairs(c, stones, OPENINGS.empty(), rules=load_rules(), settings=S)
    jobs = jobs_from_repairs(plan.repairs, settings=S)
    apart = neighbours_out(plan.repairs, stones, settings=S)
    assert len(jobs) == 13  # twelve insets and the making safe; what is left alone is no job
    # cuts of a quarter of the bed depth are slight only below the share; here every stone touches its neighbours
    assert len(apart) >= 12 + 3 * 3
    problem = ScheduleProblem(jobs=jobs, crews=2, start=MONDAY, apart=apart, before=top_down(jobs))
    s = solve_schedule(problem)
    assert check_schedule(problem, s.starts) == ()
    first = min(s.starts, key=lambda n: (s.starts[n], n))
    safe = plan.repairs[plan.repairs["treatment"] == "make safe"]["id"].iloc[0]
    assert s.starts[safe] == s.starts[first]
    days = day_list(s, plan.repairs)
    assert set(days["repair"]) == {j.repair for j in jobs}
    assert days.groupby("day")["crew"].nunique().max() <= 2
    assert len(days) == sum(j.days for j in jobs)
