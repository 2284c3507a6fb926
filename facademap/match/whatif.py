"""What if: solve again from the last plan with few other changes, and compare two plans side by side."""

from __future__ import annotations

import dataclasses
import math
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from facademap.errors import FacademapError
from facademap.match.candidates import usable_dm3
from facademap.match.problem import Block, Problem
from facademap.match.solution import Placement, Quality, Slabs, Solution, Unmatched
from facademap.match.solver import solve
from facademap.match.verification import recount_objective, verify

__all__ = ["PlanComparison", "RepairChange", "compare_plans", "solve_again"]


@dataclass(frozen=True, slots=True, kw_only=True)
class RepairChange:
    """A repair whose place differs between two plans (None: unmatched)."""

    repair_id: str
    first: Placement | None
    second: Placement | None


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanComparison:
    """Two plans of one problem side by side; pairs are (first, second)."""

    placed: tuple[int, int]
    unmatched_priority: tuple[float, float]
    objective: tuple[float, float]
    visual: tuple[float, float]
    opened_dm3: tuple[float, float]
    opened_blocks: tuple[int, int]
    changes: tuple[RepairChange, ...]


def compare_plans(problem: Problem, first: Solution, second: Solution) -> PlanComparison:
    """Placed, looks, stone opened, and which repairs changed, for two plans of one problem."""
    sides = [_figures(problem, s) for s in (first, second)]
    changes = []
    for repair in problem.repairs:
        a, b = first.placement(repair.id), second.placement(repair.id)
        if a != b:
            changes.append(RepairChange(repair_id=repair.id, first=a, second=b))
    return PlanComparison(
        placed=(len(first.placements), len(second.placements)),
        unmatched_priority=(sides[0]["unmatched"], sides[1]["unmatched"]),
        objective=(sides[0]["objective"], sides[1]["objective"]),
        visual=(sides[0]["visual"], sides[1]["visual"]),
        opened_dm3=(sides[0]["opened"], sides[1]["opened"]),
        opened_blocks=(int(sides[0]["blocks"]), int(sides[1]["blocks"])),
        changes=tuple(changes),
    )


def _figures(problem: Problem, solution: Solution) -> Mapping[str, float]:
    params = problem.params
    faces = {p.block_id: problem.block(p.block_id).face(p.face_id) for p in solution.placements}
    opened = {b: usable_dm3(f) for b, f in faces.items()}
    unmatched = math.fsum(problem.repair(u.repair_id).priority for u in solution.unmatched)
    objective = recount_objective(problem, solution)
    opening = math.fsum(params.open_per_dm3 * v + params.handle_per_kg * problem.block(b).weight_kg
                        for b, v in opened.items())
    return {"unmatched": unmatched, "objective": objective, "opened": math.fsum(opened.values()), "blocks": len(opened),
            "visual": objective - opening - params.unmatched_penalty * unmatched}


def _good_blocks(problem: Problem, plan: Solution) -> set[str]:
    """Blocks on which an earlier plan still keeps every rule of a changed problem."""
    blocks, repairs = {b.id for b in problem.blocks}, {r.id: r for r in problem.repairs}
    locks = {i: r.lock for i, r in repairs.items()}
    good: set[str] = set()
    for block_id in {p.block_id for p in plan.placements} & blocks:
        ids = {p.repair_id for p in plan.on_block(block_id)}
        if ids <= set(repairs) and all(lock is None or lock.block_id == block_id for lock in map(locks.get, ids)):
            good.add(block_id)
    # mostly all of them hold; each for itself only where they do not
    return good if not good or _hold(problem, plan, good) else {b for b in good if _hold(problem, plan, {b})}


def _hold(problem: Problem, plan: Solution, block_ids: set[str]) -> bool:
    """Whether what an earlier plan puts on these blocks keeps every rule of a changed problem."""
    placements = tuple(p for p in plan.placements if p.block_id in block_ids)
    ids = {p.repair_id for p in placements}
    part = dataclasses.replace(
        problem, looks={}, blocks=tuple(b for b in problem.blocks if b.id in block_ids),
        repairs=tuple(dataclasses.replace(r, forbid=tuple(f for f in r.forbid if f in block_ids))
                      for r in problem.repairs if r.id in ids))
    kept = dataclasses.replace(plan, placements=placements, unmatched=(), quality=None, bound=0.0,
                               slabs={b: s for b, s in plan.slabs.items() if b in block_ids})
    return {v.rule for v in verify(part, kept)} <= {"objective", "bound", "gap"}


def solve_again(
    problem: Problem,
    earlier: Solution,
    *,
    neighbours: int = 3,
    time_limit_s: float | None = 10.0,
    work_limit: int | None = None,
    seed: int = 0,
    clock: Callable[[], float] = time.monotonic,
) -> Solution:
    """Solve a changed problem from an earlier plan, touching only what the change touches.

    Parameters
    ----------
    problem : Problem
        The changed problem: other locks, forbidden blocks, weights or blocks.
    earlier : Solution
        The plan before the change.
    neighbours : int
        How many of the best-looking other blocks are opened to every repair that has to move.

    Returns
    -------
    Solution
        A plan for the whole problem. Blocks that are not touched keep their saw plans as they are. The
        bound is a weak one (every repair on its best-looking block); :func:`facademap.match.solve` with
        ``start`` gives a proof.
    """
    began = clock()
    known = {u.repair_id for u in earlier.unmatched} | {p.repair_id for p in earlier.placements}
    good = _good_blocks(problem, earlier)
    used = {p.block_id for p in earlier.placements}
    moving = {r.id for r in problem.repairs if r.id not in known
              or (earlier.placement(r.id) is None and (r.lock is None or r.lock.block_id is not None))
              or (r.lock is not None and r.lock.block_id != getattr(earlier.placement(r.id), "block_id", None))}
    moving |= {p.repair_id for p in earlier.placements if p.block_id not in good}
    free = {b.id for b in problem.blocks if b.id not in used} | (used - good)
    for repair in problem.repairs:
        if repair.id in moving:
            if repair.lock is not None and repair.lock.block_id is not None:
                free.add(repair.lock.block_id)
            free |= set(_closest(problem, repair.id, neighbours))
    kept = tuple(p for p in earlier.placements if p.block_id in good - free and p.repair_id not in moving)
    kept_blocks = {p.block_id for p in kept}
    kept_ids = {p.repair_id for p in kept}
    rest = tuple(dataclasses.replace(r, forbid=tuple(f for f in r.forbid if f not in kept_blocks))
                 for r in problem.repairs if r.id not in kept_ids)
    blocks: tuple[Block, ...] = tuple(b for b in problem.blocks if b.id not in kept_blocks)
    placements: tuple[Placement, ...] = kept
    unmatched: tuple[Unmatched, ...] = ()
    slabs = {b: s for b, s in earlier.slabs.items() if b in kept_blocks}
    ended: str = "proof"
    work = 0
    if rest and blocks:
        names = {b.id for b in blocks}
        part = dataclasses.replace(problem, repairs=rest, blocks=blocks, looks={
            r.id: {b: c for b, c in problem.looks.get(r.id, {}).items() if b in names} for r in rest})
        inner = solve(part, time_limit_s=time_limit_s, work_limit=work_limit, seed=seed, start=earlier, clock=clock)
        placements, unmatched = placements + inner.placements, inner.unmatched
        slabs = {**slabs, **inner.slabs}
        ended, work = inner.ended_by, inner.quality.work if inner.quality else 0
    return _merged(problem, placements, unmatched, slabs, seconds=clock() - began, seed=seed, ended=ended, work=work)


def _closest(problem: Problem, repair_id: str, count: int) -> list[str]:
    repair = problem.repair(repair_id)
    rows = []
    for block in problem.blocks:
        if block.stone != repair.stone and block.stone not in repair.accept:
            continue
        looks = problem.looks.get(repair_id, {}).get(block.id)
        if looks is None:
            looks = sum((a - b) ** 2 for a, b in zip(repair.lab, block.lab, strict=True)) if repair.lab else 0.0
        rows.append((looks, block.id))
    return [b for _, b in sorted(rows)[:count]]


def _merged(
    problem: Problem, placements: tuple[Placement, ...], unmatched: tuple[Unmatched, ...], slabs: dict[str, Slabs], *,
    seconds: float, seed: int, ended: str, work: int,
) -> Solution:
    order = {r.id: n for n, r in enumerate(problem.repairs)}
    plan = Solution(
        status="feasible", objective=0.0, bound=0.0, gap=0.0, seconds=seconds, seed=seed,
        ended_by="time" if ended == "time" else "work",
        placements=tuple(sorted(placements, key=lambda p: order[p.repair_id])),
        unmatched=tuple(sorted(unmatched, key=lambda u: order[u.repair_id])), slabs=slabs)
    figures = _figures(problem, plan)
    objective = figures["objective"]
    quality = Quality(
        unmatched_priority=figures["unmatched"], unavoidable_priority=0.0, visual=figures["visual"],
        opening=objective - figures["visual"] - figures["unmatched"] * problem.params.unmatched_penalty,
        opened_dm3=figures["opened"], placed=len(plan.placements), placed_proved=not plan.unmatched,
        unmatched_priority_bound=0.0, bound_fixed_count=0.0, gap_fixed_count=1.0, gap_avoidable=1.0, work=work)
    plan = dataclasses.replace(plan, objective=objective, gap=objective / max(objective, 1e-9), quality=quality)
    faults = verify(problem, plan)
    if faults:
        raise FacademapError(f"the plan found breaks a rule and is not shown: {faults[0]}", "Solve the whole problem.")
    return plan
