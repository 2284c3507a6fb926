"""Small problems against brute force (normal positions, every set, every slab), which shares nothing with the solver."""

from __future__ import annotations

import dataclasses
import sys
from pathlib import Path

import numpy as np
import pytest

sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parents[2] / "benchmarks")]

from match_brute_force import best_objective, best_ordered_objective  # noqa: E402
from match_instances import small_problem  # noqa: E402

from facademap.io.match_files import problem_from_json  # noqa: E402
from facademap.match import solve, solve_with_donors, verify  # noqa: E402


def _tame(seed: int, mode: str, slabs: bool) -> dict:
    """A small problem that brute force can do in a moment: at most four repairs."""
    problem = small_problem(seed, cut_mode=mode, slabs=slabs)
    problem["repairs"] = problem["repairs"][:4]
    problem["blocks"] = problem["blocks"][:2]
    return problem


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize(
    ("mode", "slabs"), [("guillotine", False), ("guillotine", True), ("free", False)]
)
def test_plan_and_bound_agree_with_brute_force(seed: int, mode: str, slabs: bool) -> None:
    given = _tame(200 + seed, mode, slabs)
    problem = problem_from_json(given)
    plan = solve(problem)
    best = best_objective(given)
    assert plan.objective <= best + 1e-6
    assert plan.bound <= best + 1e-6
    assert verify(problem, plan) == []
    if mode == "guillotine":
        assert plan.status == "optimal"
        assert plan.objective == pytest.approx(best, abs=1e-6)


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("slabs", [False, True])
def test_prices_and_lists_of_groups_reach_the_same_as_every_set(seed: int, slabs: bool) -> None:
    given = _tame(300 + seed, "guillotine", slabs)
    problem = problem_from_json(given)
    best = best_objective(given)
    plan = solve(problem, compiled=True)  # the way of large problems
    assert plan.bound <= best + 1e-6
    assert plan.objective == pytest.approx(best, abs=1e-6)
    assert plan.status == "optimal"
    assert verify(problem, plan) == []


@pytest.mark.parametrize("seed", [0, 1, 8, 15, 18, 20, 46, 57])
def test_plan_with_donors_is_the_best_of_all_that_can_be_worked_in_some_order(seed: int) -> None:
    given = small_problem(seed, cut_mode="guillotine", slabs=False)
    given["repairs"], given["blocks"] = given["repairs"][:4], given["blocks"][:3]
    rng = np.random.default_rng(seed)
    repairs = [r["id"] for r in given["repairs"]]
    donors = {b["id"]: str(rng.choice(repairs)) for b in given["blocks"] if rng.random() < 0.75}
    problem = problem_from_json(given)
    plan, order = solve_with_donors(problem, donors)
    best = best_ordered_objective(given, donors)
    assert verify(problem, plan) == []
    assert plan.bound <= best + 1e-6
    assert plan.objective >= best - 1e-6
    if plan.status == "optimal":
        assert plan.objective == pytest.approx(best, abs=1e-6)
    without = solve(
        dataclasses.replace(
            problem,
            repairs=tuple(dataclasses.replace(r, forbid=tuple(donors)) for r in problem.repairs),
        )
    )
    assert plan.objective <= without.objective + 1e-6
    done: set[str] = set()
    for repair in order:
        place = plan.placement(repair)
        assert place is not None
        assert donors.get(place.block_id) in {None, *done}
        done.add(repair)
    assert len(done) == len(plan.placements)
