"""Fifty desks at once: answers while all work, and the memory of the server over minutes.

Run ``python benchmarks/web_many.py FOLDER [--people 50] [--minutes 5]`` with a project that ``facademap demo`` has made; it is
copied first. Everybody draws, changes, deletes, asks for the blocks of a repair, for the history and for a row, and waits for
news. Bars: 95 % of the answers below 250 ms in the first minute; memory of server and its processes at the end within 10 %
of that after the first minute; no request refused. Times of a busy machine are longer, so processor time stands beside them.
"""

from __future__ import annotations

import argparse
import os
import shutil
import statistics
import sys
import tempfile
import threading
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "tests" / "e2e"))
sys.path.insert(0, str(Path(__file__).parent))
from desk_browser import Server
from many_desks import Desks, p95
from web_desk import family, processor_ms

from facademap.store.project import Project
from facademap.tasks.memory import memory_mb

P95_MS, GROWTH = 250.0, 0.10


def report(desks: Desks, what: str) -> bool:
    """Print the times of every act; whether the bar is kept."""
    every = [t for times in desks.times_ms.values() for t in times]
    print(f"{what}: {len(every)} answers, 95 % within {p95(every):.0f} ms (bar {P95_MS:g})")
    for act, times in sorted(desks.times_ms.items()):
        print(
            f"  {act:<9}{len(times):6d}  median {statistics.median(times):7.1f}  95 % {p95(times):7.1f} ms"
        )
    return p95(every) <= P95_MS


def main() -> None:
    """Let them work, look at the memory."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--people", type=int, default=50)
    parser.add_argument("--minutes", type=float, default=5.0)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as home:
        folder = Path(home) / "project"
        shutil.copytree(given.folder, folder)
        with Project.open(folder, read_only=True) as project:
            surface = str(project.read("surfaces")["id"].iloc[0])
            repairs = sorted({str(r) for r in project.read("pieces")["repair"]})
        server = Server(folder).start()
        assert server.process is not None
        desks = Desks(port=server.port, surface=surface, repairs=repairs)
        held: list[float] = []
        ended = threading.Event()

        def look() -> None:
            began, shown = time.monotonic(), 0
            while not ended.wait(2.0):
                held.append(sum(memory_mb(p) for p in family(server.process.pid)))  # type: ignore[union-attr]
                if (minute := int((time.monotonic() - began) / 60)) > shown:
                    shown = minute
                    print(
                        f"  after {minute} min {statistics.median(held[-10:]):7.0f} MB", flush=True
                    )

        looking = threading.Thread(target=look)
        looking.start()
        try:
            # reading libraries and packing tables belongs to the start
            time.sleep(8.0)
            before, began = processor_ms(family(server.process.pid)), time.monotonic()
            desks.run(given.people, 60.0)
            spent = processor_ms(family(server.process.pid)) - before
            kept = report(desks, f"{given.people} desks, first minute")
            print(
                f"  {spent / 600:.0f} % of one processor; load of the machine {os.getloadavg()[0]:.1f}"
            )
            first = statistics.median(held[-10:])
            desks.times_ms.clear()
            desks.run(given.people, max(1.0, 60.0 * (given.minutes - 1)))
            report(desks, "after it")
            last = statistics.median(held[-10:])
            grown = last / first - 1
            print(
                f"memory {first:.0f} MB after the first minute, {last:.0f} MB after "
                f"{(time.monotonic() - began) / 60:.1f}: {grown:+.1%} (bar {GROWTH:.0%})"
            )
            print(f"refused or failed: {len(desks.faults)} {desks.faults[:3]}")
        finally:
            ended.set()
            looking.join()
            server.kill()
    sys.exit(not kept or grown > GROWTH or bool(desks.faults))


if __name__ == "__main__":
    main()
