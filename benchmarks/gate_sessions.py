"""Random sessions of two people against the gate of the survey desk, replayed in a model that knows only what it was told.

Run ``python benchmarks/gate_sessions.py [--count 200] [--seed 17]``; ends with an assertion where a session leaves what the
audit faults, or the model and the project differ.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "tests" / "property"))
from gate_sessions import project_to_try, run_sessions


def main() -> None:
    """Run them all, print what was done and refused."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=200)
    parser.add_argument("--seed", type=int, default=17)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        start = project_to_try(Path(scratch) / "start")
        begun = time.process_time()
        done, refused = run_sessions(start, Path(scratch), count=asked.count, seed=asked.seed)
    took = time.process_time() - begun
    print(
        f"{asked.count} sessions: {done} acts done, {refused} refused, {took:.1f} s of processor time"
    )


if __name__ == "__main__":
    main()
