"""Desks over two servers of one project in a database: ``python benchmarks/team_desks.py FOLDER [--people 50] [--seconds 60]``.

FOLDER is a project that ``facademap demo`` has made; it is copied into a temporary database that waits for the disk. Everybody draws, changes,
deletes, asks and waits for news, half of them at each server. Bars: 95 % of the answers below 150 ms, nothing refused, every acknowledged
edit in the history. Times of a busy machine are longer; its load stands beside them.
"""

from __future__ import annotations

import argparse
import os
import statistics
import sys
import tempfile
import threading
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))
sys.path.insert(0, str(Path(__file__).parents[1] / "tests" / "e2e"))
sys.path.insert(0, str(Path(__file__).parent))
from cluster import running_cluster
from desk_browser import Server
from many_desks import Desks, p95
from web_desk import family, processor_ms

from facademap.store.project import Project
from facademap.tasks.project.copy_project import copy_project
from facademap.tasks.project.team import join_project

P95_MS = 150.0


def main() -> None:
    """Let them work at two servers, count what was stored."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--people", type=int, default=50)
    parser.add_argument("--seconds", type=float, default=60.0)
    given = parser.parse_args()
    with running_cluster(durable=True) as cluster, tempfile.TemporaryDirectory() as home:
        address = f"{cluster.make_database('desks')}#desks"
        copy_project(str(given.folder), address, files=Path(home) / "one")
        second = Path(home) / "two"
        join_project(address, second)
        for sub in ("photos", "elevations", "blocks"):
            if not (second / sub).exists():
                (second / sub).symlink_to(Path(home) / "one" / sub)
        with Project.open(second, read_only=True) as project:
            surface = str(project.read("surfaces")["id"].iloc[0])
            repairs = sorted({str(r) for r in project.read("pieces")["repair"]})
        servers = [Server(Path(home) / n).start() for n in ("one", "two")]
        try:
            time.sleep(8.0)  # reading libraries and packing tables belongs to the start
            crowds = [Desks(port=s.port, surface=surface, repairs=repairs) for s in servers]
            pids = [p for s in servers for p in family(s.process.pid)]  # type: ignore[union-attr]
            before = processor_ms(pids)
            threads = [
                threading.Thread(target=c.run, args=(given.people // 2, given.seconds))
                for c in crowds
            ]
            for thread in threads:
                thread.start()
            for thread in threads:
                thread.join()
            spent = processor_ms(pids) - before
        finally:
            for server in servers:
                server.kill()
        with Project.open(second, read_only=True) as project:
            stored = {
                t for (t,) in project._connection.execute("SELECT DISTINCT txn FROM edit_log").fetchall()
            }  # fmt: skip
    every = [t for c in crowds for times in c.times_ms.values() for t in times]
    edits = [t for c in crowds for t in c.times_ms["edit"]]
    acknowledged = [k for c in crowds for k in c.acknowledged]
    lost = [k for k in acknowledged if k not in stored]
    faults = [f for c in crowds for f in c.faults]
    print(
        f"{given.people} desks at two servers, {given.seconds:.0f} s: {len(every)} answers, 95 % within {p95(every):.0f} ms (bar {P95_MS:g}), "
        f"median {statistics.median(every):.0f}; {len(edits)} edits, 95 % within {p95(edits):.0f} ms"
    )
    print(
        f"{len(acknowledged)} edits acknowledged, {len(lost)} lost; refused or failed: {len(faults)} {faults[:2]}; "
        f"{spent / 10 / given.seconds:.0f} % of one processor, load of the machine {os.getloadavg()[0]:.1f}"
    )
    for act in sorted({a for c in crowds for a in c.times_ms}):
        times = [t for c in crowds for t in c.times_ms[act]]
        print(
            f"  {act:<9}{len(times):6d}  median {statistics.median(times):7.1f}  95 % {p95(times):7.1f} ms"
        )
    sys.exit(bool(lost or faults) or p95(every) > P95_MS)


if __name__ == "__main__":
    main()
