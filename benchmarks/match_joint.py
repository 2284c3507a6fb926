"""Several campaigns matched at once beside the same repairs as one campaign: ``python benchmarks/match_joint.py REPAIRS BLOCKS CAMPAIGNS [SECONDS]``.

Every block is shared by all campaigns, and its way to each of them differs. Seconds are of one processor. With one campaign a block serves
anybody; with several it goes to one of them, whole, which costs a little and is often proved sooner.
"""

from __future__ import annotations

import dataclasses
import sys
import time

from match_instances import random_yard

from facademap.io.match_files import problem_from_json
from facademap.match import Problem, solve, verify
from facademap.match.joint import Campaign, SharedStone, join_problems
from facademap.match.solver import load_compiled_code


def several(problem: Problem, count: int) -> Problem:
    """The repairs of a problem dealt out to campaigns that share its blocks."""
    return join_problems(
        [
            Campaign(
                name=f"c{n}",
                problem=dataclasses.replace(problem, repairs=problem.repairs[n::count]),
                shared={
                    b.id: SharedStone(stone=b.id, haul_kg=20.0 * ((n + at) % count))
                    for at, b in enumerate(problem.blocks)
                },
            )
            for n in range(count)
        ]
    )


def main(repairs: int, blocks: int, count: int, limit_s: float) -> None:
    """Print the figures."""
    problem = problem_from_json(random_yard(repairs, blocks, seed=repairs, tight=False))
    load_compiled_code()
    for name, one in (("one campaign", problem), (f"{count} campaigns", several(problem, count))):
        began = time.process_time()
        plan = solve(one, time_limit_s=limit_s, threads=1, compiled=True, clock=time.process_time)
        print(
            f"{repairs} x {blocks}, {name}: {plan.status}, gap {plan.gap:.3%}, objective {plan.objective:.1f}, "
            f"{time.process_time() - began:.1f} s, {len(verify(one, plan))} faults"
        )


if __name__ == "__main__":
    numbers = [float(w) for w in sys.argv[1:]]
    main(
        int(numbers[0]), int(numbers[1]), int(numbers[2]), numbers[3] if len(numbers) > 3 else 60.0
    )
