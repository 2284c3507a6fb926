"""Spoilt requests to every address of the survey desk: none may be answered by a fault of the server's own.

Run ``python benchmarks/request_fuzz.py [--count 10000] [--first 0] [--show 12]``; ends with 1 when a bar is missed. Bars: no
answer of 500 and no error in disguise, nothing changed by what was refused, no request above 10 s of processor time,
memory below 1 GB.
"""

from __future__ import annotations

import argparse
import collections
import resource
import sqlite3
import sys
import tempfile
import time
import warnings
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "tests" / "e2e"))
import desk_sample
from mutated_requests import Requests, judge, settle

from facademap.store.project import Project
from facademap.tasks.plan.plan import plan_project
from facademap.web.app import make_app

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    from starlette.testclient import TestClient

LONGEST_S, MOST_MB = 10.0, 1000
#: Jobs run for minutes in processes of their own; they have tests of their own.
LEFT_OUT = frozenset({"/api/jobs"})
LEARN_EVERY = 200


def main() -> None:
    """Ask them all, print what was found."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=10_000)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--show", type=int, default=12)
    given = parser.parse_args()
    found: collections.Counter[str] = collections.Counter()
    examples: dict[str, str] = {}
    statuses: collections.Counter[int] = collections.Counter()
    slowest, began = 0.0, time.monotonic()
    with tempfile.TemporaryDirectory() as place:
        folder = desk_sample.make_project(Path(place) / "sample", many=12, blocks=3)
        plan_project(folder)
        app = make_app(folder)
        with (
            TestClient(app, base_url="http://127.0.0.1:8471", follow_redirects=False) as client,
            sqlite3.connect(folder / "project.gpkg") as looked,
        ):
            requests = Requests(folder, leave_out=LEFT_OUT)
            for number in range(given.first, given.first + given.count):
                if number % LEARN_EVERY == 0:
                    requests.learn()
                verdict = judge(
                    client,
                    requests.make(number),
                    newest=lambda: newest(looked),
                    longest_s=LONGEST_S,
                )
                statuses[verdict.status] += 1
                slowest = max(slowest, verdict.seconds)
                for fault in verdict.faults:
                    key = settle(fault)
                    found[key] += 1
                    examples.setdefault(key, f"{fault}\n    {verdict.asked}")
        with Project.open(folder, read_only=True) as project:
            unsound = project.integrity()
    memory_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(
        f"{given.count} requests in {time.monotonic() - began:.0f} s: {dict(sorted(statuses.items()))}"
    )
    print(
        f"slowest {slowest:.2f} s of processor time (bar {LONGEST_S:g}); most memory {memory_mb:.0f} MB (bar {MOST_MB})"
    )
    print(
        f"faults {sum(found.values())} of {len(found)} kinds (bar 0); project {unsound or 'sound'}"
    )
    for key, count in found.most_common(given.show):
        print(f"  {count} x {examples[key]}")
    sys.exit(bool(found) or bool(unsound) or memory_mb > MOST_MB)


def newest(looked: sqlite3.Connection) -> int:
    """Number of the newest change."""
    return int(looked.execute("SELECT coalesce(max(seq), 0) FROM edit_log").fetchone()[0])


if __name__ == "__main__":
    main()
