"""The matching beside its rivals on the same problems, in one run: ``python benchmarks/match_speed.py [SECONDS]``.

Rivals: size first, then looks (greedy); one piece a block by linear assignment (scipy).
"""

from __future__ import annotations

import math
import sys
import time

import numpy as np
from match_instances import random_yard
from scipy.optimize import linear_sum_assignment

from facademap.io.match_files import problem_from_json
from facademap.match import Problem, solve
from facademap.match.candidates import find_candidates
from facademap.match.freespace import FreeSpace
from facademap.match.layouts import Layouts
from facademap.match.plans import layout_cost
from facademap.match.start import cheapest_pieces, greedy_plan

SIZES = ((50, 40), (100, 80), (200, 150), (500, 400))


def rivals(problem: Problem) -> tuple[float, float]:
    """Objectives of the greedy plan and of the best plan with one piece a block."""
    layouts = Layouts(FreeSpace(problem, compiled=True))
    candidates = find_candidates(problem, layouts.space, fits_alone=layouts.fits_alone)
    penalties = [problem.params.unmatched_penalty * r.priority for r in problem.repairs]
    plan = greedy_plan(layouts, candidates, penalties=penalties, fixed={}, stop=lambda: False)
    placed = {i for group in plan.values() for i in group}
    laid = [cheapest_pieces(layouts, candidates, *key, group)[1] for key, group in plan.items()]
    greedy = math.fsum(layout_cost(x, candidates) for x in laid if x is not None) + math.fsum(
        p for i, p in enumerate(penalties) if i not in placed
    )
    costs = np.zeros((len(penalties), len(problem.blocks) + len(penalties)))
    costs[:] = np.array(penalties)[:, None]
    for i, pairs in enumerate(candidates.pairs):
        for (block, face), (first, _) in pairs.items():
            costs[i, block] = min(costs[i, block], first + candidates.opening[block, face])
    rows, columns = linear_sum_assignment(costs)
    return greedy, float(costs[rows, columns].sum())


def main() -> None:
    """Print one line a problem."""
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 20.0
    print("size      stock  greedy     one-to-one  plan       bound      gap %    proved  s")
    for n, m in SIZES:
        for tight in (False, True):
            problem = problem_from_json(random_yard(n, m, seed=n, tight=tight))
            greedy, single = rivals(problem)
            began = time.perf_counter()
            plan = solve(problem, time_limit_s=seconds)
            proved = plan.quality is not None and plan.quality.placed_proved
            print(
                f"{n:4d}x{m:<4d} {'tight' if tight else 'loose'}  {greedy:<10.1f} {single:<11.1f} {plan.objective:<10.1f} "
                f"{plan.bound:<10.1f} {100 * plan.gap:<8.4f} {'yes' if proved else 'no':<7s} "
                f"{time.perf_counter() - began:.1f}",
                flush=True,
            )


if __name__ == "__main__":
    main()
