"""Stone that comes out of the wall with another repair: ``match_donors.py [SECONDS]``; a table of plans with and without it.

Every yard is solved three times: with an order of work, without stone of the wall, and as if all stone were there at once. In each
a share of the blocks comes out with a repair chosen at random.
"""

from __future__ import annotations

import dataclasses
import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))

from match_instances import random_yard

from facademap.io.match_files import problem_from_json
from facademap.match import solve, solve_with_donors, verify
from facademap.match.solver import load_compiled_code

YARDS = [
    (30, 20, 0.4),
    (50, 40, 0.4),
    (50, 40, 0.9),
    (100, 80, 0.9),
    (120, 90, 0.4),
    (200, 150, 0.5),
]


def main(seconds: float) -> None:
    """Print the table."""
    load_compiled_code()
    print(
        "| Repairs x blocks | In the wall | Stock | With an order of work | Gap | Seconds | Pieces from the wall | Without stone of the wall | All at once |"
    )
    print("|---|---|---|---|---|---|---|---|---|")
    for repairs, blocks, share in YARDS:
        for tight in (False, True):
            given = random_yard(repairs, blocks, seed=5, tight=tight)
            rng = np.random.default_rng(1)
            donors = {
                b["id"]: f"R{int(rng.integers(repairs)):04d}"
                for b in given["blocks"]
                if rng.random() < share
            }
            problem = problem_from_json(given)
            plan, _ = solve_with_donors(problem, donors, time_limit_s=seconds)
            faults = verify(problem, plan)
            if faults:
                raise SystemExit(f"the plan breaks a rule: {faults[0]}")
            barred = tuple(dataclasses.replace(r, forbid=tuple(donors)) for r in problem.repairs)
            without = solve(dataclasses.replace(problem, repairs=barred), time_limit_s=seconds)
            free = solve(problem, time_limit_s=seconds)
            used = sum(p.block_id in donors for p in plan.placements)
            print(
                f"| {repairs} x {blocks} | {share:.0%} | {'tight' if tight else 'loose'} | {plan.objective:.0f} | {plan.gap:.2%} | {plan.seconds:.1f} "
                f"| {used} of {len(plan.placements)} | {without.objective:.0f} | {free.objective:.0f} |",
                flush=True,
            )


if __name__ == "__main__":
    main(float(sys.argv[1]) if len(sys.argv) > 1 else 20.0)
