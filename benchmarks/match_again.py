"""Solving again after one change beside solving from the start: ``python benchmarks/match_again.py [SECONDS] [YARDS]``.

Changes are made as people make them: a repair locked to another block of its stone, or a block like one of the
yard's that comes in. Times are processor seconds of one process.
"""

from __future__ import annotations

import dataclasses
import random
import statistics
import sys
import time

from match_instances import random_yard

from facademap.errors import FacademapError
from facademap.io.match_files import problem_from_json
from facademap.match import Lock, Problem, Solution, compare_plans, premises_of, solve, solve_again
from facademap.match.solver import load_compiled_code

SIZES = ((50, 40), (200, 150), (500, 400))


def changes(problem: Problem, plan: Solution, chance: random.Random) -> list[tuple[str, Problem]]:
    """Three locks to other blocks of the same stone, and a new block."""
    made = []
    for place in chance.sample(plan.placements, 3):
        repair = problem.repair(place.repair_id)
        others = [
            b.id for b in problem.blocks if b.id != place.block_id and b.stone == repair.stone
        ]
        for block in chance.sample(others, len(others)):
            changed = dataclasses.replace(
                problem,
                repairs=tuple(
                    dataclasses.replace(r, lock=Lock(block_id=block)) if r.id == repair.id else r
                    for r in problem.repairs
                ),
            )
            try:
                solve_again(changed, plan, time_limit_s=5.0)
            except FacademapError:  # the piece may not lie there
                continue
            made.append(("lock", changed))
            break
    like = problem.block(chance.choice(plan.placements).block_id)
    made.append(
        (
            "block",
            dataclasses.replace(
                problem, blocks=(*problem.blocks, dataclasses.replace(like, id="new"))
            ),
        )
    )
    return made


def timed(call: object) -> tuple[Solution, float]:
    """What a call gives, and its processor seconds."""
    began = time.process_time()
    return call(), time.process_time() - began  # type: ignore[operator]


def main() -> None:
    """One line a size and stock."""
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 60.0
    yards = int(sys.argv[2]) if len(sys.argv) > 2 else 3
    load_compiled_code()
    print(
        "yard           first s          again s (share of first)     changed    dearer than from the start"
    )
    for n, m in SIZES:
        for tight in (False, True):
            first_s, again_s, shares, moved, dearer = [], [], [], [], []
            for seed in range(yards if n < 500 else 1):
                problem = problem_from_json(random_yard(n, m, seed=seed, tight=tight))
                plan, spent = timed(lambda p=problem: solve(p, time_limit_s=seconds, threads=1))
                first_s.append(spent)
                chance = random.Random(seed)
                for k, (_, changed) in enumerate(changes(problem, plan, chance)):
                    again, spent_again = timed(
                        lambda c=changed, p=plan, q=problem: solve_again(
                            c, p, premises=premises_of(q)
                        )
                    )
                    again_s.append(spent_again)
                    shares.append(spent_again / spent)
                    moved.append(len(compare_plans(changed, plan, again).changes))
                    if k == 0:
                        anew = solve(changed, time_limit_s=seconds, threads=1)
                        dearer.append(again.objective / anew.objective - 1.0)
            print(
                f"{n:3d}x{m:<4d}{'tight' if tight else 'loose'}  {statistics.median(first_s):6.2f} ({max(first_s):.1f} at most)  "
                f"{statistics.median(again_s):5.2f} ({statistics.median(shares):6.1%}, at most {max(shares):6.1%})  "
                f"{statistics.median(moved):3.0f} of {n}   {100 * statistics.median(dearer):.3f} % (at most {100 * max(dearer):.3f} %)",
                flush=True,
            )


if __name__ == "__main__":
    main()
