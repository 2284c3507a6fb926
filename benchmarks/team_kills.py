"""Kills of server, worker and database in turn: every acknowledged edit is there, no stone is promised twice, no job is lost.

Run ``python benchmarks/team_kills.py [--count 200] [--seconds 3]``; ends with 1 when one of the three does not hold. Needs Debian's postgresql and
postgis. A desk's server takes edits over HTTP, two projects reserve stones of one yard and give them back, a worker does jobs that
only wait; every few seconds one of server, worker and database (immediate shutdown) is killed and started again.
"""

from __future__ import annotations

import argparse
import contextlib
import http.client
import json
import multiprocessing
import os
import random
import signal
import sys
import tempfile
import threading
import time
import uuid
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))
sys.path.insert(0, str(Path(__file__).parents[1] / "tests" / "e2e"))
from cluster import Cluster, running_cluster
from desk_browser import Server

from facademap.errors import FacademapError
from facademap.store.project import Project
from facademap.store.team_address import Address, read_address
from facademap.store.team_jobs import JobQueue
from facademap.tasks.project.check_shared_yard import shared_yard_of
from facademap.tasks.yard.shared import give_back, join_shared_yard, offer_blocks, reserve_stones
from facademap.web.worker import work

STONES = 12
RING = [[0.0, 0.0], [0.6, 0.0], [0.6, 0.4], [0.0, 0.4]]
_forked = multiprocessing.get_context("fork")


def make(database: str, home: Path, name: str, *, blocks: int = 0) -> Path:
    """A project with one surface, and blocks where wanted."""
    folder = home / name
    with (
        Project.create_in(read_address(f"{database}#{name}"), folder, name=name) as project,
        project.edit(who="ann", what="set up") as edit,
    ):
        edit.insert("elevations", [{"id": "e", "name": "e"}])
        edit.insert("surfaces", [{"id": "s", "elevation": "e", "name": "s"}])
        names = [f"B-{n:03d}" for n in range(1, blocks + 1)]
        if names:
            edit.insert("blocks", [{"id": b, "stone_type": "oolite", "acceptance": "accepted"} for b in names])  # fmt: skip
            edit.insert("faces", [{"id": f"{b}-f", "block": b, "outline": RING, "usable_depth_m": 0.3} for b in names])  # fmt: skip
    join_shared_yard(folder, building=name, rule="any")
    return folder


class Waiting:
    """A job that takes half a second and does nothing, in a worker that is real."""

    def __init__(self, folder: Path) -> None:
        self.id, self.state, self.fraction = "x", "running", 0.0
        self.result: Any = None
        self.error: dict[str, Any] | None = None

    def start(self, kind: str, options: dict[str, Any], *, who: str) -> Waiting:
        """Begin."""

        def run() -> None:
            time.sleep(0.5)
            self.result, self.state = {"done by": os.getpid()}, "done"

        threading.Thread(target=run, daemon=True).start()
        return self

    def stop(self, id: str) -> Waiting:
        """Give up."""
        self.state = "stopped"
        return self


def work_until_killed(address: Address) -> None:
    """A worker."""
    work(address, Path, runner=Waiting)


def send_edits(port: int, acknowledged: list[str], ended: threading.Event) -> None:
    """Send edits one after the other, each again under its name until it is acknowledged."""
    number = 0
    while not ended.is_set():
        number += 1
        key = f"kills-{uuid.uuid4().hex}"
        row = {"surface": "s", "term": "alga", "geometry": {"type": "Polygon", "coordinates": [[[0, 0], [1, 0], [1, 1], [0, 0]]]}}  # fmt: skip
        body = {"key": key, "who": "fay", "what": "draw", "changes": [{"op": "insert", "table": "conditions", "id": "new:1", "values": row}]}  # fmt: skip
        while not ended.is_set():
            link = http.client.HTTPConnection("127.0.0.1", port, timeout=20)
            with contextlib.suppress(OSError, http.client.HTTPException), contextlib.closing(link):
                link.request("POST", "/api/edits", json.dumps(body), {"content-type": "application/json"})  # fmt: skip
                answer = link.getresponse()
                answer.read()
                if answer.status == 200:
                    acknowledged.append(key)
                    break
            time.sleep(0.1)


def take_and_return(folder: Path, seed: int, told: dict[str, int], ended: threading.Event) -> None:
    """Reserve two stones at random, and give back what this project has, over and over."""
    rng = random.Random(seed)
    names = [f"mill.B-{n:03d}" for n in range(1, STONES + 1)]
    while not ended.is_set():
        try:
            took = reserve_stones(folder, rng.sample(names, 2), who=f"p{seed}")["blocks"]
            told["taken"] += len(took)
            if rng.random() < 0.8:
                give_back(folder, took, who=f"p{seed}")
        except FacademapError:
            told["refused"] += 1
            with contextlib.suppress(FacademapError), Project.open(folder, read_only=True) as project:  # fmt: skip
                held = list(project.read("blocks")["id"])
            with contextlib.suppress(FacademapError, UnboundLocalError):
                give_back(folder, held, who=f"p{seed}")
        time.sleep(0.05)


def kill_in_turn(cluster: Cluster, server: Server, address: Address, given: Any) -> dict[str, int]:
    """Kill one after the other; returns how often each was."""
    killed = {"server": 0, "worker": 0, "database": 0}
    rng = random.Random(given.seed)
    worker = _forked.Process(target=work_until_killed, args=(address,), daemon=True)
    worker.start()
    for n in range(given.count):
        time.sleep(rng.uniform(0.3, 1.7) * given.seconds)
        with contextlib.suppress(FacademapError), JobQueue(address) as queue:
            queue.add(("mill", "kiln", "loft")[n % 3], "plan", {}, who="ann")
        what = ("server", "worker", "database")[n % 3]
        killed[what] += 1
        if what == "server":
            server.kill()
            server.start()
        elif what == "worker":
            os.kill(worker.pid or 0, signal.SIGKILL)
            worker.join()
            worker = _forked.Process(target=work_until_killed, args=(address,), daemon=True)
            worker.start()
        else:
            cluster.control("-m", "immediate", "stop")
            cluster.start()
    worker.kill()
    worker.join()
    return killed


def faults_of(database: str, folders: dict[str, Path], acknowledged: list[str]) -> list[str]:
    """What does not hold in the end."""
    faults = []
    with Project.open(folders["mill"], read_only=True) as mill:
        stored = {t for (t,) in mill._connection.execute("SELECT DISTINCT txn FROM edit_log").fetchall()}  # fmt: skip
    faults += [f"edit {key} was acknowledged and is not there" for key in acknowledged if key not in stored]  # fmt: skip
    for folder in folders.values():
        with Project.open(folder, read_only=True) as project:
            faults += [f"{folder.name}: {f.problem}" for f in shared_yard_of(project)]
    address = read_address(database)
    with JobQueue(address) as queue:
        for job in queue.all(last=1000):
            if (
                job.state == "failed"
            ):  # its worker was gone too often; that is said, and a person has it done
                queue.resume(job.id)
    work(address, Path, until_empty=True, runner=Waiting)
    with JobQueue(address) as queue:
        faults += [f"job {j.id} is {j.state}" for j in queue.all(last=1000) if j.state != "done"]
    return faults


def main() -> None:
    """Kill, and look at what is left."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=200)
    parser.add_argument("--seconds", type=float, default=3.0)
    parser.add_argument("--seed", type=int, default=0)
    given = parser.parse_args()
    began = time.monotonic()
    with running_cluster(durable=True) as cluster, tempfile.TemporaryDirectory() as home:
        database = cluster.make_database("kills")
        folders = {n: make(database, Path(home), n, blocks=STONES if n == "mill" else 0) for n in ("mill", "kiln", "loft")}  # fmt: skip
        offer_blocks(folders["mill"], [f"B-{n:03d}" for n in range(1, STONES + 1)], who="ann")
        address = read_address(database)
        with JobQueue(address) as queue:
            queue.add("mill", "plan", {}, who="ann")
        server = Server(folders["mill"]).start()
        acknowledged: list[str] = []
        told = {"taken": 0, "refused": 0}
        ended = threading.Event()
        people = [threading.Thread(target=send_edits, args=(server.port, acknowledged, ended)) for _ in range(3)]  # fmt: skip
        people += [threading.Thread(target=take_and_return, args=(folders[n], seed, told, ended)) for seed, n in enumerate(("kiln", "loft"))]  # fmt: skip
        for person in people:
            person.start()
        killed = kill_in_turn(cluster, server, address, given)
        ended.set()
        for person in people:
            person.join()
        server.kill()
        faults = faults_of(database, folders, acknowledged)
    print(f"killed {killed}; {len(acknowledged)} edits acknowledged, {told['taken']} stones taken, {told['refused']} refused")  # fmt: skip
    print(f"{len(faults)} faults {faults[:5]}; {time.monotonic() - began:.0f} s, load of the machine {os.getloadavg()[0]:.1f}")  # fmt: skip
    sys.exit(bool(faults))


if __name__ == "__main__":
    main()
