"""Many people at the desk of one project at once, each with a connection and a rhythm of their own."""

from __future__ import annotations

import collections
import contextlib
import http.client
import json
import random
import threading
import time
import uuid
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import quote

__all__ = ["Desks", "p95"]

JSON = {"content-type": "application/json"}
#: What one person does, and how often in a minute: edits, looks at blocks for a repair, at who did what, at one row.
RHYTHM = {"edit": 12, "ranking": 3, "history": 4, "mine": 2, "row": 12}

#: The server closes a connection that rests for 5 s.
REST_S = 3.0


def p95(values: list[float]) -> float:
    """95 % of the values are no larger."""
    ordered = sorted(values)
    return ordered[min(len(ordered) - 1, int(len(ordered) * 0.95))] if ordered else 0.0


@dataclass
class Desks:
    """People at work; each also waits for news, as a page does.

    Parameters
    ----------
    port : int
    surface : str
    repairs : list of str
        Those with a piece.
    """

    port: int
    surface: str
    repairs: list[str]
    times_ms: dict[str, list[float]] = field(default_factory=lambda: collections.defaultdict(list))
    faults: list[str] = field(default_factory=list)
    #: Names of the edits that were answered as stored.
    acknowledged: list[str] = field(default_factory=list)
    _stop: threading.Event = field(default_factory=threading.Event)

    def run(self, people: int, seconds: float, *, hurry: float = 1.0) -> None:
        """Let people work; ``hurry`` is how much faster than usual they do."""
        self._stop.clear()
        threads = [
            threading.Thread(target=self._work, args=(n, hurry), daemon=True) for n in range(people)
        ]
        threads += [threading.Thread(target=self._follow, daemon=True) for _ in range(people)]
        for thread in threads:
            thread.start()
        time.sleep(seconds)
        self._stop.set()
        for thread in threads:
            thread.join(60)

    def _ask(self, link: http.client.HTTPConnection, method: str, address: str, body: Any) -> Any:
        link.request(method, address, None if body is None else json.dumps(body), JSON)
        answer = link.getresponse()
        told = answer.read()
        if answer.status != 200:
            self.faults.append(f"{address} {answer.status} {told[:200]!r}")
            return {}
        return json.loads(told)

    def _work(self, number: int, hurry: float) -> None:
        rng, link = (
            random.Random(number),
            http.client.HTTPConnection("127.0.0.1", self.port, timeout=60),
        )
        per_minute = sum(RHYTHM.values())
        last: dict[str, Any] = {}
        used = time.perf_counter()
        self._stop.wait(rng.uniform(0, 60 / per_minute / hurry))
        while not self._stop.is_set():
            act = rng.choices(list(RHYTHM), list(RHYTHM.values()))[0]
            if time.perf_counter() - used > REST_S:
                link.close()  # it opens again by itself, as a browser does
            began = time.perf_counter()
            try:
                last = self._act(link, act, number, rng, last)
            except (OSError, http.client.HTTPException) as error:
                self.faults.append(f"{act}: {error!r}")
                link.close()
            used = time.perf_counter()
            self.times_ms[act].append((used - began) * 1000)
            self._stop.wait(rng.expovariate(per_minute / 60 * hurry))

    def _act(
        self,
        link: http.client.HTTPConnection,
        act: str,
        number: int,
        rng: random.Random,
        last: dict[str, Any],
    ) -> dict[str, Any]:
        who = f"person {number}"
        if act == "ranking":
            self._ask(link, "GET", f"/api/ranking?repair={quote(rng.choice(self.repairs))}", None)
        elif act == "history":
            self._ask(link, "GET", "/api/history?last=200", None)
        elif act == "mine":
            self._ask(link, "GET", f"/api/mine?keys=desk-&who={quote(who)}&last=60", None)
        elif act == "row" and last:
            self._ask(link, "GET", f"/api/rows/conditions/{quote(last['id'])}", None)
        else:
            change = self._change(rng, last)
            body = {
                "key": f"desk-{uuid.uuid4().hex}",
                "who": who,
                "what": "draw",
                "changes": [change],
            }
            told = self._ask(link, "POST", "/api/edits", body)
            if told:
                self.acknowledged.append(body["key"])
            row = next((r for r in told.get("rows", []) if r["table"] == "conditions"), None)
            # most are deleted again, so that the project does not grow without end
            return {} if row is None or row["rev"] is None else {"id": row["id"], "rev": row["rev"]}
        return last

    def _change(self, rng: random.Random, last: dict[str, Any]) -> dict[str, Any]:
        if last and rng.random() < 0.45:
            return {"op": "delete", "table": "conditions", **last}
        if last and rng.random() < 0.7:
            return {
                "op": "update",
                "table": "conditions",
                **last,
                "values": {"note": str(rng.random())},
            }
        u, v = rng.uniform(0.2, 5), rng.uniform(0.2, 3)
        ring = [[u, v], [u + 0.1, v], [u + 0.1, v + 0.1], [u, v + 0.1], [u, v]]
        values = {
            "surface": self.surface,
            "term": "alga",
            "geometry": {"type": "Polygon", "coordinates": [ring]},
        }
        return {"op": "insert", "table": "conditions", "id": "new:1", "values": values}

    def _follow(self) -> None:
        link = http.client.HTTPConnection("127.0.0.1", self.port, timeout=60)
        seq = 0
        with contextlib.suppress(OSError, http.client.HTTPException):
            seq = self._ask(link, "GET", "/api/project", None).get("seq", 0)
            while not self._stop.is_set():
                seq = self._ask(link, "GET", f"/api/changes?after={seq}&wait=5", None).get(
                    "seq", seq
                )
