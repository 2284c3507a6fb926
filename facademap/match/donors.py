"""Blocks that come out of the wall only when another repair is cut out, and an order of work without circles.

A hole is opened only when its piece can be had: a repair that takes its piece from a donor waits until the
donor's own repair has been cut out, and that one waits for its own piece in turn.
"""

from __future__ import annotations

import dataclasses
import time
from collections.abc import Callable, Mapping

from facademap.errors import InputError, SolveError
from facademap.match.problem import Problem
from facademap.match.solution import Solution
from facademap.match.solver import solve

__all__ = ["order_of_work", "solve_with_donors"]

MOST_ATTEMPTS = 50


def order_of_work(solution: Solution, donors: Mapping[str, str]) -> tuple[str, ...]:
    """Repairs in an order that has every donor out of the wall before its stone is needed.

    Parameters
    ----------
    solution : Solution
    donors : mapping
        Block id to the repair whose cut-out sets it free.

    Raises
    ------
    InputError
        When the plan runs in a circle; the repairs in it are named.
    """
    order, circle = _sorted(solution, donors)
    if circle:
        raise InputError(f"repairs {', '.join(circle)} wait for each other's stone in a circle",
                         "Forbid one of the donors to its repair and solve again.")
    return tuple(order)


def _sorted(solution: Solution, donors: Mapping[str, str]) -> tuple[list[str], list[str]]:
    waits = {p.repair_id: donors[p.block_id] for p in solution.placements if p.block_id in donors}
    ids = [p.repair_id for p in solution.placements] + [u.repair_id for u in solution.unmatched]
    order: list[str] = []
    done: set[str] = set()
    for first in ids:
        chain: list[str] = []
        at = first
        while at not in done:
            if at in chain:
                return order, chain[chain.index(at):]
            chain.append(at)
            if at not in waits:
                break
            at = waits[at]
        for one in reversed(chain):
            if one not in done:
                done.add(one)
                order.append(one)
    return order, []


def solve_with_donors(
    problem: Problem, donors: Mapping[str, str], *, time_limit_s: float | None = None, work_limit: int | None = None,
    seed: int = 0, clock: Callable[[], float] = time.monotonic,
) -> tuple[Solution, tuple[str, ...]]:
    """Match with blocks that other repairs set free, and give an order of work that makes it possible.

    Circles are broken one at a time by forbidding the donor that looks worst in it, so the bound holds for
    the problem with these pairs forbidden, not for the first one. A repair that stays unmatched is taken as
    not cut out before its stone is found, so nothing may wait for it.

    Returns
    -------
    solution, order
        The plan, and the ids of the repairs in the order of work.
    """
    blocks, repairs = {b.id for b in problem.blocks}, {r.id for r in problem.repairs}
    for block_id, repair_id in donors.items():
        if block_id not in blocks or repair_id not in repairs:
            raise InputError(f"the donor {block_id} of repair {repair_id} is not there", "Name a block and a repair of the problem.")
    began = clock()
    for _ in range(MOST_ATTEMPTS):
        left = None if time_limit_s is None else max(0.5, time_limit_s - (clock() - began))
        solution = solve(problem, time_limit_s=left, work_limit=work_limit, seed=seed, clock=clock)
        order, circle = _sorted(solution, donors)
        unmatched = {u.repair_id for u in solution.unmatched}
        stuck = [p.repair_id for p in solution.placements if donors.get(p.block_id) in unmatched]
        if not circle and not stuck:
            return solution, tuple(order)
        one = (stuck or sorted(circle))[0]
        place = solution.placement(one)
        assert place is not None
        problem = dataclasses.replace(problem, repairs=tuple(
            dataclasses.replace(r, forbid=(*r.forbid, place.block_id)) if r.id == one else r for r in problem.repairs))
    raise SolveError("no order of work without circles was found", "Offer fewer donors.")
