"""Random sessions of two people at the desk against a model of their work.

Run ``python benchmarks/desk_sessions.py [--sessions 200] [--steps 24] [--first 100]``. A new server and a new project every twenty
sessions. Bar: nothing lost, nothing that ``check`` faults.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "tests" / "e2e"))
import desk_sample
from desk_browser import Server, browser
from desk_sessions import Session, gate_faults, two_people

TOGETHER = 20


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sessions", type=int, default=200)
    parser.add_argument("--steps", type=int, default=24)
    parser.add_argument("--first", type=int, default=100, help="Seed of the first session.")
    asked = parser.parse_args()
    seeds = range(asked.first, asked.first + asked.sessions)
    failed = edits = met = 0
    begun = time.perf_counter()
    with tempfile.TemporaryDirectory() as home, browser() as running:
        for start in range(0, len(seeds), TOGETHER):
            folder = desk_sample.make_project(
                Path(home) / str(start), many=4, blocks=0, picture=False
            )
            before = gate_faults(folder)
            server = Server(folder).start()
            try:
                people = two_people(running, server)
                for seed in seeds[start : start + TOGETHER]:
                    session = Session(people, seed)
                    try:
                        session.play(asked.steps)
                        told = session.faults()
                    except Exception as error:
                        told = [f"{type(error).__name__}: {str(error).splitlines()[0]}"]
                    edits += sum(len(p.log) for p in session.people)
                    met += session.met
                    told += [f"check: {f}" for f in gate_faults(folder) if f not in before]
                    failed += bool(told)
                    if told:
                        # the next session begins on new pages
                        for person in people:
                            person.page.context.close()
                        people = two_people(running, server)
                    for words in told:
                        print(f"session {seed}: {words}", flush=True)
                    if told:
                        print("   " + "; ".join(session.story), flush=True)
                for person in people:
                    person.page.context.close()
                print(
                    f"{min(start + TOGETHER, len(seeds))} sessions played, {failed} with a fault",
                    flush=True,
                )
            finally:
                server.kill()
    print(
        f"{len(seeds)} sessions of {asked.steps} acts, {edits} edits, {met} times two met over a row: {failed} with a fault"
        f" (bar 0), {time.perf_counter() - begun:.0f} s"
    )
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
