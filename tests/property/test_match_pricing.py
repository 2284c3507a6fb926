"""What a face offers at given prices: never less than the best group that can be cut, and just that where it says so."""

from __future__ import annotations

import itertools
import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

sys.path.insert(0, str(Path(__file__).parents[2] / "benchmarks"))

from match_instances import random_yard

from facademap.io.match_files import problem_from_json
from facademap.match import Problem, solve, solver, verify
from facademap.match.candidates import find_candidates
from facademap.match.freespace import FreeSpace
from facademap.match.generation import Component
from facademap.match.layouts import Layouts
from facademap.match.pricing import FacePricing, slab_counts
from facademap.match.start import greedy_plan


@given(
    classes=st.lists(st.integers(40, 160), min_size=1, max_size=5, unique=True).map(
        lambda v: tuple(float(x) for x in sorted(v))
    ),
    depth=st.integers(60, 420),
    kerf=st.integers(0, 12),
    most=st.integers(1, 3),
)
@settings(deadline=None)
def test_ways_of_slabbing_cover_all_that_fit_and_nothing_else(
    classes: tuple[float, ...], depth: int, kerf: int, most: int
) -> None:
    fits = {()}
    for count in range(1, most + 1):
        for slabs in itertools.combinations_with_replacement(classes, count):
            if sum(slabs) + kerf * (count - 1) <= depth:
                fits.add(slabs)
    at_least = {tuple(sum(s >= c for s in slabs) for c in classes) for slabs in fits}
    ways = set(slab_counts(classes, float(depth), float(kerf), most))
    assert ways <= at_least
    assert all(
        any(all(a <= b for a, b in zip(have, way, strict=True)) for way in ways)
        for have in at_least
    )


def _faces(
    problem: Problem, most_users: int
) -> Iterator[tuple[FacePricing, list[tuple[tuple[int, ...], float]]]]:
    """Every face with a few of its repairs, and all groups that can be cut from it: repairs served and cost."""
    layouts = Layouts(FreeSpace(problem, compiled=False))
    candidates = find_candidates(problem, layouts.space, fits_alone=None)
    for key, users in sorted(candidates.users().items()):
        face = FacePricing(layouts, candidates, *key, users[:most_users])
        groups = []
        for count in range(1, most_users + 1):
            for chosen in itertools.combinations(range(len(face.pieces)), count):
                pieces = tuple(sorted(face.pieces[p] for p in chosen))
                served = tuple(i for i, _ in pieces)
                if len(set(served)) == len(served) and layouts.find(*key, pieces)[0] == "yes":
                    groups.append((served, float(face.costs[list(chosen)].sum())))
        yield face, groups


@pytest.mark.parametrize("seed", range(6))
def test_offer_is_the_best_group_that_can_be_cut(seed: int) -> None:
    problem = problem_from_json(random_yard(26, 5, seed=seed, slabs=True))
    prices = np.random.default_rng(seed).uniform(1.0, 9.0, len(problem.repairs))
    looked_at = 0
    for face, groups in _faces(problem, 7):
        face.begin(prices, floor=0.0)
        offer = face.answer()
        best = max([0.0, *(float(prices[list(served)].sum()) - cost for served, cost in groups)])
        assert offer.worth >= best - 1e-6
        if offer.proved:
            looked_at += 1
            assert offer.worth == pytest.approx(best, abs=1e-6)
    assert looked_at > 0


@pytest.mark.parametrize("seed", range(3))
def test_groups_that_are_doubtful_at_first_are_settled(
    seed: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With little effort in the search most groups are doubtful; the proof in the end is the same."""
    problem = problem_from_json(random_yard(24, 14, seed=seed, tight=True))
    best = solve(problem, compiled=True)
    assert best.status == "optimal"
    monkeypatch.setattr("facademap.match.generation.LEAST_EFFORT", 1)
    doubtful = solve(problem, compiled=True)
    assert doubtful.status == "optimal"
    assert doubtful.objective == pytest.approx(best.objective, abs=1e-6)


@pytest.mark.parametrize("seed", range(3))
def test_plans_rounded_off_and_polished_hold_every_rule(
    seed: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    problem = problem_from_json(random_yard(60, 40, seed=seed))
    best = solve(problem, compiled=True, work_limit=2_000_000)
    monkeypatch.setattr(solver, "MOST_PICKED", 0)
    told: list[float] = []
    plan = solve(
        problem,
        compiled=True,
        work_limit=2_000_000,
        progress=lambda p: told.append(p.objective) if p.objective is not None else None,
    )
    assert verify(problem, plan) == []
    assert plan.bound <= best.objective + 1e-6
    assert best.bound <= plan.objective + 1e-6
    assert told == sorted(told, reverse=True)  # rounding and polishing never lose what was there


@pytest.mark.parametrize("seed", range(2))
def test_list_of_all_groups_worth_something_is_complete(seed: int) -> None:
    problem = problem_from_json(random_yard(22, 4, seed=seed, slabs=True))
    prices = np.random.default_rng(seed).uniform(0.3, 2.0, len(problem.repairs))
    listed = 0
    for face, groups in _faces(problem, 9):
        found = face.all_worth(prices, floor=-3.0, most=2000, most_effort=1_000_000)
        assert found is not None
        worth = {
            served
            for served, cost in groups
            if float(prices[list(served)].sum()) - cost > -3.0 + 1e-6
        }
        assert worth <= {tuple(i for i, _ in pieces) for pieces, _ in found}
        listed += len(found)
    assert listed > 0


def test_a_plan_picked_again_in_parts_is_never_dearer_and_serves_nobody_twice(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("facademap.match.repicking.MOST_PARTS", 400)
    monkeypatch.setattr("facademap.match.repicking.MOST_BLOCKS", 6)
    gained = 0
    for seed in range(8):
        problem = problem_from_json(random_yard(70, 50, seed=seed))
        layouts = Layouts(FreeSpace(problem, compiled=True))
        candidates = find_candidates(problem, layouts.space, fits_alone=None)
        part = Component(
            layouts,
            candidates,
            repairs=[i for i, pairs in enumerate(candidates.pairs) if pairs],
            keys=sorted(candidates.users()),
            forced={},
            stop=lambda: False,
        )
        part.set_plan(
            greedy_plan(
                layouts, candidates, penalties=part.penalties.tolist(), fixed={}, stop=lambda: False
            )
        )
        assert part.prepare()
        for _ in range(10):
            part.round()
        before = part.cost
        part.pick_in_parts(seed=seed, stop=lambda: False)
        gained += part.cost < before - 1e-6
        served = [i for c in part.plan for i in c.repairs]
        assert part.cost <= before
        assert len(served) == len(set(served))
        assert len({c.block for c in part.plan}) == len(part.plan)
        left = sum(float(part.penalties[i]) for i in part.repairs if i not in set(served))
        assert part.cost == pytest.approx(sum(c.cost for c in part.plan) + left)
        for column in part.plan:
            assert column.layout is not None
            assert tuple(sorted(i for i, *_ in column.layout.places)) == tuple(
                sorted(column.repairs)
            )
    assert gained
