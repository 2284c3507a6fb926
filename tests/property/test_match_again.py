"""Solving again after a change: every rule of the changed problem is kept, and the bound is true."""

from __future__ import annotations

import dataclasses
import random
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[2] / "benchmarks"))

from match_instances import random_yard, small_problem

from facademap.errors import FacademapError
from facademap.io.match_files import problem_from_json
from facademap.match import (
    Lock,
    Problem,
    Solution,
    compare_plans,
    premises_of,
    solve,
    solve_again,
    verify,
)


def _changed(problem: Problem, plan: Solution, chance: random.Random) -> tuple[str, Problem]:
    """One change as a conservator makes it."""
    one = chance.choice(problem.repairs)
    now = plan.placement(one.id)

    def with_repair(**values: object) -> Problem:
        return dataclasses.replace(
            problem,
            repairs=tuple(
                dataclasses.replace(r, **values) if r.id == one.id else r for r in problem.repairs
            ),
        )  # type: ignore[arg-type]

    kind = chance.choice(
        ["lock", "lock here", "leave", "forbid", "add", "remove", "deeper", "weight"]
    )
    if kind == "lock":
        return kind, with_repair(lock=Lock(block_id=chance.choice(problem.blocks).id), forbid=())
    if kind == "lock here" and now is not None:
        return kind, with_repair(
            lock=Lock(
                block_id=now.block_id,
                face_id=now.face_id,
                slab=now.slab,
                x_mm=now.x_mm,
                y_mm=now.y_mm,
                rot_deg=now.rot_deg,
            )
        )
    if kind == "leave":
        return kind, with_repair(lock=Lock(block_id=None))
    if kind == "forbid" and now is not None:
        return kind, with_repair(forbid=(*one.forbid, now.block_id))
    if kind == "remove" and len(problem.blocks) > 1:
        gone = chance.choice(problem.blocks).id
        return kind, dataclasses.replace(
            problem, blocks=tuple(b for b in problem.blocks if b.id != gone)
        )
    if kind == "deeper":
        return kind, with_repair(depth_mm=one.depth_mm + 20.0)
    if kind == "weight":
        return kind, dataclasses.replace(
            problem, params=dataclasses.replace(problem.params, open_per_dm3=0.2)
        )
    return "add", dataclasses.replace(
        problem, blocks=(*problem.blocks, dataclasses.replace(problem.blocks[0], id="new"))
    )


@pytest.mark.parametrize("seed", range(160))
def test_small_yards_against_the_best_plan(seed: int) -> None:
    problem = problem_from_json(small_problem(seed))
    plan = solve(problem)
    kind, changed = _changed(problem, plan, random.Random(seed))
    try:
        best = solve(changed)
    except FacademapError:  # a lock that cannot be held is refused both ways
        with pytest.raises(FacademapError):
            solve_again(changed, plan, premises=premises_of(problem))
        return
    for premises in (premises_of(problem), None):
        again = solve_again(changed, plan, premises=premises)
        assert verify(changed, again) == []
        assert again.bound <= best.objective + 1e-6
        assert again.objective >= best.objective - 1e-6
        if again.status == "optimal":
            assert again.objective == pytest.approx(best.objective, abs=1e-4)
    if kind in ("lock here", "add", "remove") and best.objective == pytest.approx(
        plan.objective, abs=1e-9
    ):
        assert compare_plans(changed, plan, again).changes == ()


@pytest.mark.parametrize("mode", ["guillotine", "free"])
@pytest.mark.parametrize("seed", range(40))
def test_a_plan_that_is_approved_whole_stays_as_it_is(seed: int, mode: str) -> None:
    problem = problem_from_json(small_problem(seed, cut_mode=mode))
    plan = solve(problem)
    # as the tables keep a place: metres, to a ten-thousandth of a millimetre
    locks = {
        p.repair_id: Lock(
            block_id=p.block_id,
            face_id=p.face_id,
            slab=p.slab,
            x_mm=round(p.x_mm / 1000.0, 7) * 1000.0,
            y_mm=round(p.y_mm / 1000.0, 7) * 1000.0,
            rot_deg=p.rot_deg,
        )
        for p in plan.placements
    }
    approved = dataclasses.replace(
        problem,
        repairs=tuple(dataclasses.replace(r, lock=locks.get(r.id)) for r in problem.repairs),
    )
    for again in (solve(approved), solve_again(approved, plan, premises=premises_of(problem))):
        assert verify(approved, again) == []
        assert again.objective == pytest.approx(plan.objective, abs=1e-6)
        assert again.status == "optimal"
        assert {
            c.repair_id
            for c in compare_plans(problem, plan, again).changes
            if max(abs(c.first.x_mm - c.second.x_mm), abs(c.first.y_mm - c.second.y_mm)) > 1e-3
        } == set()


@pytest.mark.parametrize("seed", range(4))
def test_middling_yards_stay_near_the_best_plan_and_change_little(seed: int) -> None:
    problem = problem_from_json(random_yard(30, 24, seed=seed, tight=bool(seed % 2)))
    plan = solve(problem, work_limit=2_000_000)
    chance = random.Random(seed)
    for _ in range(2):
        kind, changed = _changed(problem, plan, chance)
        try:
            again = solve_again(changed, plan, premises=premises_of(problem))
        except FacademapError:
            with pytest.raises(FacademapError):
                solve(changed, work_limit=2_000_000)
            continue
        best = solve(changed, work_limit=2_000_000)
        assert verify(changed, again) == []
        assert again.bound <= best.objective + 1e-6
        assert best.bound <= again.objective + 1e-6
        if kind in ("lock here", "add", "leave"):
            assert len(compare_plans(changed, plan, again).changes) <= 10
        assert again.objective <= 1.02 * best.objective, kind


def test_more_locks_keep_what_was_proved_and_fewer_do_not() -> None:
    problem = problem_from_json(random_yard(12, 10, seed=3))
    before = premises_of(problem)
    first = problem.repairs[0]

    def with_first(**values: object) -> Problem:
        return dataclasses.replace(
            problem, repairs=(dataclasses.replace(first, **values), *problem.repairs[1:])
        )  # type: ignore[arg-type]

    locked, forbidden = with_first(lock=Lock(block_id="B0001")), with_first(forbid=("B0001",))
    assert before.only_restricted_in(premises_of(problem))
    assert before.only_restricted_in(premises_of(locked))
    assert premises_of(locked).only_restricted_in(
        premises_of(with_first(lock=Lock(block_id="B0001", slab=0)))
    )
    assert before.only_restricted_in(premises_of(forbidden))
    assert not premises_of(locked).only_restricted_in(before)
    assert not premises_of(forbidden).only_restricted_in(before)
    assert not premises_of(locked).only_restricted_in(
        premises_of(with_first(lock=Lock(block_id="B0002")))
    )
    assert not before.only_restricted_in(premises_of(with_first(priority=first.priority + 1.0)))


@pytest.mark.parametrize("seed", range(3))
def test_a_start_that_breaks_a_new_lock_is_no_hindrance(seed: int) -> None:
    """What had no stone is insisted on: the plan to begin with cannot be kept as it is, though it looks cheaper."""
    problem = problem_from_json(random_yard(30, 12, seed=seed, tight=True))
    plan = solve(problem, work_limit=1_000_000)
    tried = 0
    for one in plan.unmatched:
        if one.reason != "capacity":
            continue
        for block in problem.blocks:
            locked = dataclasses.replace(
                problem,
                repairs=tuple(
                    dataclasses.replace(r, lock=Lock(block_id=block.id))
                    if r.id == one.repair_id
                    else r
                    for r in problem.repairs
                ),
            )
            try:
                best = solve(locked, work_limit=1_000_000)
            except FacademapError:
                continue
            tried += 1
            for again in (
                solve(locked, work_limit=1_000_000, start=plan),
                solve_again(locked, plan, premises=premises_of(problem)),
            ):
                place = again.placement(one.repair_id)
                assert place is not None
                assert place.block_id == block.id
                assert again.objective >= best.bound - 1e-6
            break
    assert tried
