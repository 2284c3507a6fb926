"""Many seeded yards against simple rivals, in one run: ``python benchmarks/match_seeds.py [SEEDS [SECONDS]]``.

Seconds are those of the processor, with one thread. A plan that is proved best cannot be beaten by any other way
of solving; how many are is in the last lines.
"""

from __future__ import annotations

import statistics
import sys
import time

from match_instances import random_yard
from match_speed import rivals

from facademap.io.match_files import problem_from_json
from facademap.match import solve


def main() -> None:
    """Print one line a kind of stock."""
    seeds = int(sys.argv[1]) if len(sys.argv) > 1 else 50
    limit_s = float(sys.argv[2]) if len(sys.argv) > 2 else 20.0
    solve(
        problem_from_json(random_yard(12, 8, seed=0)), compiled=True
    )  # the compiled code is loaded before the clock runs
    for stock in ("loose", "tight"):
        gaps: list[float] = []
        seconds: list[float] = []
        unplaced: list[float] = []
        best = placed = worse = 0
        for seed in range(seeds):
            problem = problem_from_json(random_yard(50, 40, seed=seed, tight=stock == "tight"))
            greedy, single = rivals(problem)
            began = time.process_time()
            plan = solve(problem, time_limit_s=limit_s, threads=1, clock=time.process_time)
            seconds.append(time.process_time() - began)
            assert plan.quality is not None
            gaps.append(100.0 * plan.gap)
            best += plan.status == "optimal"
            placed += plan.quality.placed_proved
            worse += plan.objective > min(greedy, single) + 1e-6
            penalty = problem.params.unmatched_penalty
            unplaced.append(plan.quality.unmatched_priority / max(1.0, greedy // penalty))
        print(
            f"50x40 {stock}: {seeds} seeds, proved best {best}, number placed proved {placed}, worst gap {max(gaps):.4f} %, "
            f"worse than greedy or one-to-one {worse}, unplaced against greedy {statistics.mean(unplaced):.2f} in the mean, "
            f"median {statistics.median(seconds):.2f} s, longest {max(seconds):.2f} s of processor",
            flush=True,
        )


if __name__ == "__main__":
    main()
