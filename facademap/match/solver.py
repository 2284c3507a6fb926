"""Solve the matching: which piece from which block, where on it, sawn how, and how good that is proved to be."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass

from facademap.errors import InputError, SolveError
from facademap.match.candidates import Candidates, find_candidates
from facademap.match.exact import MOST_REPAIRS, solve_exactly
from facademap.match.freespace import FreeSpace
from facademap.match.layouts import Layout, Layouts
from facademap.match.locks import check_locks, forced_repairs
from facademap.match.plans import placements_of, quality_of, slabs_of, unmatched_of
from facademap.match.problem import Problem
from facademap.match.solution import Solution
from facademap.match.verification import verify

__all__ = ["Progress", "solve"]

SMALL_PAIRS = 60


@dataclass(frozen=True, slots=True, kw_only=True)
class Progress:
    """How far a run has come."""

    phase: str
    fraction: float
    objective: float | None = None
    bound: float | None = None
    placed: int | None = None


def solve(
    problem: Problem,
    *,
    time_limit_s: float | None = None,
    work_limit: int | None = None,
    seed: int = 0,
    progress: Callable[[Progress], None] | None = None,
    start: Solution | None = None,
    clock: Callable[[], float] = time.monotonic,
) -> Solution:
    """Match repairs to blocks."""
    began = clock()
    space = FreeSpace(problem, compiled=False)
    layouts = Layouts(space)
    candidates = find_candidates(problem, space, fits_alone=layouts.fits_alone)
    check_locks(problem, candidates, layouts)
    penalties = [problem.params.unmatched_penalty * r.priority for r in problem.repairs]
    plan = solve_exactly(layouts, candidates, penalties=penalties, forced=forced_repairs(problem))
    if plan is None:
        raise SolveError("no plan holds all locks", "Lift a lock.")
    unmatched = unmatched_of(problem, space, candidates.reasons, {i for x in plan.layouts for i, *_ in x.places})
    least = 0.0
    objective = plan.cost
    bound = plan.bound
    gap = (objective - bound) / max(objective, 1e-9)
    solution = Solution(
        status="optimal" if gap <= 1e-6 else "feasible", objective=objective, bound=bound, gap=gap,
        seconds=clock() - began, seed=seed, ended_by="proof", placements=placements_of(problem, plan.layouts),
        unmatched=unmatched, slabs=slabs_of(problem, space, plan.layouts),
        quality=quality_of(problem, candidates, plan.layouts, objective=objective, bound=bound, least_unmatched=least, bound_fixed_count=bound, undecided=layouts.unknown, work=layouts.work),
    )
    faults = verify(problem, solution)
    if faults:
        raise SolveError(f"the plan breaks a rule: {faults[0]}", "Report this problem file; no plan was kept.")
    return solution
