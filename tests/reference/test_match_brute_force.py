"""Small problems against brute force (normal positions, every set, every slab), which shares nothing with the solver."""

from __future__ import annotations

import dataclasses
import itertools
import sys
from pathlib import Path

import numpy as np
import pytest

sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parents[2] / "benchmarks")]

from match_brute_force import best_objective, best_ordered_objective  # noqa: E402
from match_instances import small_problem  # noqa: E402

from facademap.io.match_files import problem_from_json, problem_to_json  # noqa: E402
from facademap.match import solve, solve_with_donors, verify  # noqa: E402
from facademap.match.joint import Campaign, SharedStone, join_problems, part_of_plan  # noqa: E402


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


HAUL_KG = {"kiln": 0.0, "loft": 900.0}
PROVENANCE = {"kiln": 40.0, "loft": 0.0}


def _campaigns(seed: int) -> tuple[dict[str, list[dict]], list[dict], list[dict]]:
    """Repairs of two campaigns, blocks that they share, and one that is the kiln's alone."""
    given = small_problem(seed, cut_mode="guillotine", slabs=False)
    repairs = given["repairs"][:5]
    blocks = given["blocks"][:3]
    return {"kiln": repairs[::2], "loft": repairs[1::2]}, blocks[:2], blocks[2:]


def _alone(repairs: list[dict], stones: list[dict], own: list[dict], name: str) -> dict:
    """One campaign with the stones that it was given, their way and provenance counted, for brute force."""
    given = [
        {**b, "weight_kg": b["weight_kg"] + HAUL_KG[name], "provenance": PROVENANCE[name]}
        for b in stones
    ]
    mine = own if name == "kiln" else []
    return {"params": {"max_slabs": 1}, "repairs": repairs, "blocks": [*given, *mine]}


@pytest.mark.parametrize("seed", [400, 403, 404, 407, 409, 413])
def test_plan_for_several_campaigns_is_the_best_of_all_ways_to_give_the_stones_to_them(
    seed: int,
) -> None:
    wanted, shared, own = _campaigns(seed)
    best = min(
        sum(
            best_objective(
                _alone(
                    repairs,
                    [b for b, to in zip(shared, given, strict=True) if to == name],
                    own,
                    name,
                )
            )
            for name, repairs in wanted.items()
        )
        for given in itertools.product(wanted, repeat=len(shared))
    )
    campaigns = []
    for name, repairs in wanted.items():
        blocks = [*shared, *own] if name == "kiln" else shared
        problem = problem_from_json(
            {"params": {"max_slabs": 1}, "repairs": repairs, "blocks": blocks}
        )
        stones = {
            b["id"]: SharedStone(stone=b["id"], haul_kg=HAUL_KG[name], provenance=PROVENANCE[name])
            for b in shared
        }
        campaigns.append(Campaign(name=name, problem=problem, shared=stones))
    joint = join_problems(campaigns)
    assert problem_from_json(problem_to_json(joint)) == joint
    for way in (False, True):
        plan = solve(joint, compiled=way)
        assert verify(joint, plan) == []
        assert plan.objective == pytest.approx(best, abs=1e-6)
        assert plan.status == "optimal"
    used = {p.block_id: p.repair_id.partition(":")[0] for p in plan.placements}
    for n, place in enumerate(plan.placements):
        owner, _, face = place.face_id.partition(":")
        if place.block_id not in {b["id"] for b in shared}:
            continue
        stolen = dataclasses.replace(
            place, face_id=f"{'loft' if owner == 'kiln' else 'kiln'}:{face}"
        )
        wrong = dataclasses.replace(
            plan, placements=(*plan.placements[:n], stolen, *plan.placements[n + 1 :])
        )
        assert {"campaign", "one face"} & {v.rule for v in verify(joint, wrong)}
    assert all(p.repair_id.startswith(f"{used[p.block_id]}:") for p in plan.placements), (
        "a stone is one campaign's, whole"
    )
    for one in campaigns:
        part = part_of_plan(one, plan, compiled=False)
        gets = {b for b, to in used.items() if to == one.name}
        kept = [b for b in one.problem.blocks if b.id in gets or b.id not in one.shared]
        if part is None:
            assert not kept
            continue
        alone = dataclasses.replace(one.problem, blocks=tuple(kept))
        assert verify(alone, part) == []
        assert part.bound <= solve(alone).objective + 1e-6, "what is told of one holds for one"
