"""How long one request holds others: somebody draws all the time while everything that is costly runs.

Run ``python benchmarks/web_held.py FOLDER [--only NAME ...]`` with a project that ``facademap demo`` has made; it is copied
first. Prints for every piece of work how long it took, and how long the edits of somebody else took meanwhile (median,
95 %, longest), beside the same with nothing else going on. Bar: no edit waits more than 100 ms longer than it takes alone.
Times of a busy machine are longer; the last line says how busy it was.
"""

from __future__ import annotations

import argparse
import http.client
import json
import os
import shutil
import statistics
import sys
import tempfile
import threading
import time
import uuid
from collections.abc import Callable
from pathlib import Path
from typing import Any
from urllib.parse import quote

sys.path.insert(0, str(Path(__file__).parents[1] / "tests" / "e2e"))
import cv2
import numpy as np
from desk_browser import Server

from facademap.store.project import Project

BAR_MS = 100.0
#: Somebody who draws sends an edit so often, and the page asks for a row as often.
EVERY_S = 0.03
JSON = {"content-type": "application/json"}


class Probe:
    """Somebody who draws all the time on a connection of their own."""

    def __init__(self, port: int, *, surface: str, term: str) -> None:
        self._link = http.client.HTTPConnection("127.0.0.1", port, timeout=120)
        self._surface, self._term = surface, term
        self._stop = threading.Event()
        self.times_ms: list[float] = []

    def _draw(self) -> None:
        ring = [[0.1, 0.1], [0.15, 0.1], [0.15, 0.15], [0.1, 0.15], [0.1, 0.1]]
        change = {
            "op": "insert",
            "table": "conditions",
            "id": "new:1",
            "values": {
                "surface": self._surface,
                "term": self._term,
                "geometry": {"type": "Polygon", "coordinates": [ring]},
            },
        }
        body = {"key": uuid.uuid4().hex, "who": "probe", "what": "draw", "changes": [change]}
        began = time.perf_counter()
        self._link.request("POST", "/api/edits", json.dumps(body), JSON)
        answer = self._link.getresponse()
        told = answer.read()
        self.times_ms.append((time.perf_counter() - began) * 1000)
        assert answer.status == 200, told

    def _work(self) -> None:
        while not self._stop.is_set():
            self._draw()
            time.sleep(EVERY_S)

    def during(self, act: Callable[[], object]) -> tuple[float, list[float]]:
        """Seconds that something takes, and the times of the edits meanwhile."""
        self.times_ms = []
        self._stop.clear()
        drawing = threading.Thread(target=self._work)
        drawing.start()
        time.sleep(0.1)
        self.times_ms.clear()
        began = time.perf_counter()
        try:
            act()
        finally:
            took = time.perf_counter() - began
            self._stop.set()
            drawing.join()
        return took, self.times_ms


class Asker:
    """Somebody else, who asks for costly things."""

    def __init__(self, port: int) -> None:
        self._port = port

    def ask(self, method: str, address: str, body: Any = None, kind: str = "") -> Any:
        link = http.client.HTTPConnection("127.0.0.1", self._port, timeout=600)
        data = body if isinstance(body, bytes) else json.dumps(body) if body is not None else None
        link.request(method, address, data, {"content-type": kind} if kind else JSON)
        answer = link.getresponse()
        told = answer.read()
        assert answer.status < 500, (address, answer.status, told[:300])
        if answer.status >= 400:
            print(f"    {address[:70]}: {told[:160]!r}")
        return json.loads(told) if "json" in answer.headers.get("content-type", "") else told

    def job(self, kind: str, **options: Any) -> None:
        job = self.ask("POST", "/api/jobs", {"kind": kind, "options": options})
        while job.get("state") == "running":
            time.sleep(0.1)
            job = self.ask("GET", f"/api/jobs/{job['id']}")
        if job.get("state") != "done":
            print(f"    {kind}: {job}")


def photo() -> bytes:
    small = np.random.default_rng(2).integers(0, 255, (60, 80, 3), np.uint8)
    return bytes(cv2.imencode(".jpg", cv2.resize(small, (8000, 6000)))[1].tobytes())


def acts(asker: Asker, folder: Path) -> dict[str, Callable[[], object]]:
    """Everything costly that can be asked for at the desk."""
    with Project.open(folder, read_only=True) as project:
        surfaces = project.read("surfaces")
        surface = str(surfaces[surfaces["picture"].notna()]["id"].iloc[0])
        stones = project.read("wall_stones", where={"surface": surface})
        stone = stones.geometry.iloc[len(stones) // 2]
        places = project.read("placements").iloc[0]
        faces = project.read("faces")
        face = faces[faces["photo"].notna()].iloc[0]
        picture = str(project.read("photos")["id"].iloc[0])
        plan = str(project.read("plans")["id"].iloc[0])
    u0, v0, u1, v1 = (float(v) for v in stone.bounds)
    middle = [(u0 + u1) / 2, (v0 + v1) / 2]
    box = [u0 - 1, v0 - 1, u1 + 1, v1 + 1]
    repair, block = quote(str(places["repair"])), quote(str(places["block"]))
    marks: dict[str, Any] = {
        "photo": str(face["photo"]),
        "scale_px": [100, 100, 500, 100],
        "length_m": 0.5,
        "click_px": [400, 300],
    }

    def get(address: str) -> Callable[[], object]:
        return lambda: asker.ask("GET", address)

    def assist(kind: str, points: list[list[float]]) -> Callable[[], object]:
        body = {"surface": surface, "box": box, "points": points}
        return lambda: asker.ask("POST", f"/api/assist/{kind}", body)

    def many() -> None:
        ring = [[0.1, 0.1], [0.15, 0.1], [0.15, 0.15], [0.1, 0.15], [0.1, 0.1]]
        shape = {"type": "Polygon", "coordinates": [ring]}
        values = {"surface": surface, "term": "alga", "geometry": shape}
        changes = [
            {"op": "insert", "table": "conditions", "id": f"new:{k}", "values": values}
            for k in range(1000)
        ]
        body = {"key": uuid.uuid4().hex, "who": "other", "what": "many", "changes": changes}
        asker.ask("POST", "/api/edits", body)

    return {
        "nothing": lambda: time.sleep(3.0),
        "ranking": get(f"/api/ranking?repair={repair}"),
        "what-if": get(f"/api/ranking/insist?repair={repair}&block={block}"),
        "compare": get(f"/api/plans/compare?first={plan}&second={plan}"),
        "in-wall": get(f"/pictures/in-wall?repair={repair}&face={quote(str(face['id']))}"),
        "outline": assist("outline", [middle]),
        "line": assist("line", [[u0, v0], [u1, v1]]),
        "course": assist("course", [[u0, middle[1]], [u1 + 0.5, middle[1]]]),
        "face": lambda: asker.ask("POST", "/api/faces/measure", marks),
        "photo": lambda: asker.ask(
            "POST", f"/api/photos?subject=record&name={uuid.uuid4().hex}", photo(), "image/jpeg"
        ),
        "photo-tile": get(f"/tiles/photo/0/0/0?id={quote(picture)}"),
        "check": get("/api/check"),
        "papers-list": get("/api/papers"),
        "papers-page": get("/papers.html"),
        "ticket": get(f"/pictures/ticket?repair={repair}"),
        "work-all": get("/api/work/all"),
        "tables": get("/api/tables?names=conditions,wall_stones,repairs,pieces,blocks,faces"),
        "packed": get("/api/packed/conditions"),
        "mine": get("/api/mine?keys=desk-&last=60&who=other"),
        "history": get("/api/history?last=2000"),
        "catch-up": get("/api/changes?after=0"),
        "many-edits": many,
        "plan": lambda: asker.job("plan"),
        "match": lambda: asker.job("match", time_limit_s=5),
        "rectify": lambda: asker.job("rectify", gsd_mm=4.0),
        "papers": lambda: asker.job("papers", only=["map", "tickets", "quantities"]),
    }


def main() -> None:
    """Ask for it all."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--only", nargs="*", default=())
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as home:
        folder = Path(home) / "project"
        shutil.copytree(given.folder, folder)
        server = Server(folder).start()
        try:
            asker = Asker(server.port)
            wanted = acts(asker, folder)
            surface = asker.ask("GET", "/api/tables?names=surfaces")["surfaces"]["rows"][0]["id"]
            probe = Probe(server.port, surface=surface, term="alga")
            alone = 0.0
            print(f"{'':<14}{'took':>9}{'edits':>8}{'median':>9}{'95 %':>9}{'longest':>9}")
            for name, act in wanted.items():
                if given.only and name not in (*given.only, "nothing"):
                    continue
                took, times = probe.during(act)
                times = sorted(times) or [0.0]
                longest = times[-1]
                if name == "nothing":
                    alone = statistics.median(times)
                over = "" if longest - alone <= BAR_MS else "  over"
                print(
                    f"{name:<14}{took:8.2f}s{len(times):8d}{statistics.median(times):8.1f}m"
                    f"{times[int(len(times) * 0.95)]:8.1f}m{longest:8.1f}m{over}",
                    flush=True,
                )
        finally:
            server.kill()
    print(f"load of the machine {os.getloadavg()[0]:.1f} on {os.cpu_count()} processors")


if __name__ == "__main__":
    main()
