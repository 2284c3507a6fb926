"""Ruin and recreate: plans that hold every rule, never worse than where they begin, the same from the same seed."""

from __future__ import annotations

import itertools
import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parents[2] / "benchmarks"))

from match_instances import random_yard, small_problem

from facademap.errors import SolveError
from facademap.io.match_files import problem_from_json
from facademap.match import Problem, solve, solver, verify
from facademap.match.candidates import find_candidates
from facademap.match.freespace import FreeSpace
from facademap.match.generation import Component
from facademap.match.improvement import Rebuilding
from facademap.match.layouts import Layouts
from facademap.match.start import greedy_plan


def _work(problem: Problem, *, seed: int) -> tuple[Rebuilding, float, Component]:
    space = FreeSpace(problem, compiled=False)
    layouts = Layouts(space)
    candidates = find_candidates(problem, space, fits_alone=None)
    penalties = [problem.params.unmatched_penalty * r.priority for r in problem.repairs]
    plan = greedy_plan(layouts, candidates, penalties=penalties, fixed={}, stop=lambda: False)
    part = Component(
        layouts,
        candidates,
        repairs=list(range(len(problem.repairs))),
        keys=sorted(candidates.users()),
        forced={},
        stop=lambda: False,
    )
    part.set_plan(plan)
    return (
        Rebuilding(
            layouts, candidates, plan=part.plan, penalties=penalties, locked_blocks=set(), seed=seed
        ),
        part.cost,
        part,
    )


@pytest.mark.parametrize("slabs", [False, True])
def test_rebuilding_lowers_the_cost_and_counts_it_right(slabs: bool) -> None:
    problem = problem_from_json(random_yard(12, 8, seed=3, slabs=slabs))
    work, begin, part = _work(problem, seed=1)
    before = np.random.get_state()[1].tolist()
    for _ in range(4):
        work.burst(100)
    assert np.random.get_state()[1].tolist() == before  # nobody else's random numbers are touched
    assert part.offer_plan(
        [part.column_of(*key, pieces, layout) for key, pieces, layout in work.groups(best=True)]
    )
    assert part.cost < begin - 1e-6
    assert part.cost == pytest.approx(float(work._values[1]), abs=1e-6)


def test_same_seed_same_plan_and_other_seeds_count() -> None:
    problem = problem_from_json(random_yard(12, 8, seed=3, slabs=True))
    found = []
    for seed in (1, 1, 2):
        work = _work(problem, seed=seed)[0]
        work.burst(60)
        found.append(work.groups(best=False))
    assert found[0] == found[1]
    assert found[0] != found[2]


@pytest.mark.parametrize("seed", range(3))
def test_short_run_without_compiled_code_still_gives_a_valid_plan(seed: int) -> None:
    problem = problem_from_json(random_yard(14, 10, seed=seed, slabs=True))
    plan = solve(problem, time_limit_s=3.0, compiled=False)
    assert verify(problem, plan) == []
    assert plan.placements
    assert plan.seconds < 4.0


def test_one_thread_or_several_the_plan_is_the_same() -> None:
    problem = problem_from_json(random_yard(30, 20, seed=6, tight=True))
    one, two = (solve(problem, work_limit=400_000, threads=threads) for threads in (1, 3))
    assert one.placements == two.placements
    assert one.slabs == two.slabs
    assert one.unmatched == two.unmatched
    assert (one.objective, one.bound, one.ended_by) == (two.objective, two.bound, two.ended_by)


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("tight", [False, True])
def test_bounds_hold_when_only_the_best_looking_blocks_are_looked_at(
    seed: int, tight: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    problem = problem_from_json(random_yard(16, 14, seed=seed, tight=tight))
    best = solve(problem, compiled=True)
    assert best.status == "optimal"
    assert best.quality is not None
    monkeypatch.setattr(solver, "LARGE_PAIRS", 1)
    monkeypatch.setattr(solver, "MOST_BLOCKS", 2)
    pruned = solve(problem, compiled=True)
    assert verify(problem, pruned) == []
    assert 0.0 < pruned.bound <= best.objective + 1e-6
    assert best.objective <= pruned.objective + 1e-6
    assert pruned.quality is not None
    assert pruned.quality.unmatched_priority_bound <= best.quality.unmatched_priority + 1e-9


@pytest.mark.parametrize("seed", [183, 215, 226])
def test_a_small_yard_that_takes_long_still_ends_in_time(seed: int) -> None:
    """Free cutting of many pieces from one block: cut short, the plan holds every rule and its bound is true."""
    problem = problem_from_json(small_problem(seed, cut_mode="free"))
    best = solve(problem)
    ticks = itertools.count()
    soon = solve(problem, time_limit_s=20.0, clock=lambda: float(next(ticks)))
    assert soon.ended_by == "time"
    assert soon.status == "feasible"
    assert verify(problem, soon) == []
    assert soon.placements
    assert soon.bound <= best.objective + 1e-6 <= soon.objective + 2e-6


def test_a_limit_too_short_for_any_plan_is_refused() -> None:
    """Without compiled code, as on the first day on a machine."""
    problem = problem_from_json(random_yard(30, 20, seed=1))
    with pytest.raises(SolveError, match=r"time given is too short.*Give more time"):
        solve(problem, time_limit_s=1e-6, compiled=False)
    assert solve(problem, time_limit_s=5.0, compiled=False).placements
