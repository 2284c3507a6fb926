"""Kills in the midst of work: nothing acknowledged is lost, no scratch is left after the next start, the check is clean.

Run ``python benchmarks/kills.py [--count 1000] [--first 0]``; ends with 1 when a bar is missed.
"""

from __future__ import annotations

import argparse
import collections
import sys
import tempfile
import time
import warnings
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "tests" / "e2e"))
from killed_work import Works


def main() -> None:
    """Kill them all, print what was found."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=1_000)
    parser.add_argument("--first", type=int, default=0)
    given = parser.parse_args()
    warnings.simplefilter("ignore")
    began = time.monotonic()
    killed: collections.Counter[str] = collections.Counter()
    faults: collections.Counter[str] = collections.Counter()
    acknowledged = 0
    with tempfile.TemporaryDirectory() as place:
        works = Works(Path(place) / "kills")
        for number in range(given.first, given.first + given.count):
            kill = works.kill(number)
            killed[kill.kind] += kill.within
            acknowledged += kill.acknowledged
            for fault in kill.faults:
                if not faults[f"{kill.kind}: {fault[:60]}"]:
                    print(f"kill {number}, {kill.kind}: {fault[:300]}", flush=True)
                faults[f"{kill.kind}: {fault[:60]}"] += 1
    print(
        f"{given.count} runs in {time.monotonic() - began:.0f} s, {sum(killed.values())} killed within the work: {dict(killed)}"
    )
    print(f"{acknowledged} acknowledged; {sum(faults.values())} faults (bar 0)")
    sys.exit(1 if faults else 0)


if __name__ == "__main__":
    main()
