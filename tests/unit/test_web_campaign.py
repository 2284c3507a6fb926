"""Spoilt requests with fixed numbers, outlines made to cost, and people who must not wait for them."""

from __future__ import annotations

import math
import random
import sqlite3
import sys
import threading
import time
import uuid
import warnings
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import shapely

sys.path.insert(0, str(Path(__file__).parents[1] / "e2e"))
import desk_sample
from mutated_requests import Requests, judge

from facademap.store.project import Project
from facademap.tasks.plan.plan import plan_project
from facademap.wall.mending import count_contacts
from facademap.web.app import make_app

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    from starlette.testclient import TestClient

#: As many and which ones; ``benchmarks/request_fuzz.py`` asks as many as wanted.
FIXED = range(101_700, 102_000)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = desk_sample.make_project(tmp_path_factory.mktemp("spoilt") / "sample", many=12, blocks=3)
    plan_project(made)
    return made


@pytest.fixture(scope="module")
def client(folder: Path) -> Iterator[TestClient]:
    with TestClient(
        make_app(folder), base_url="http://127.0.0.1:8471", follow_redirects=False
    ) as client:
        yield client


def test_spoilt_requests_meet_no_fault_of_ours_and_change_nothing_when_refused(
    client: TestClient, folder: Path
) -> None:
    requests = Requests(folder, leave_out=frozenset({"/api/jobs"}))
    with sqlite3.connect(folder / "project.gpkg") as looked:

        def newest() -> int:
            return int(looked.execute("SELECT coalesce(max(seq), 0) FROM edit_log").fetchone()[0])

        verdicts = [judge(client, requests.make(n), newest=newest, longest_s=10.0) for n in FIXED]
    found = [f"{v.faults} {v.asked}" for v in verdicts if v.faults]
    assert found == []
    answered = sum(v.status < 300 for v in verdicts)
    assert answered > len(FIXED) / 5, "most would be refused at the door otherwise"
    with Project.open(folder, read_only=True) as project:
        assert project.integrity() == []


def _ring(kind: str, corners: int) -> list[list[float]]:
    rng = random.Random(7)
    if kind == "random":
        ring = [[rng.uniform(1, 3), rng.uniform(1, 3)] for _ in range(corners)]
    elif kind == "on one line":
        ring = [[rng.uniform(1, 3), 1.0] for _ in range(corners - 1)] + [[2.0, 2.0]]
    else:
        step = corners // 2
        ring = [
            [
                2 + math.cos(2 * math.pi * k * step / corners),
                2 + math.sin(2 * math.pi * k * step / corners),
            ]
            for k in range(corners)
        ]
    return [*ring, ring[0]]


def _insert(ring: list[list[float]]) -> dict[str, Any]:
    values = {
        "surface": "landward",
        "term": "alga",
        "geometry": {"type": "Polygon", "coordinates": [ring]},
    }
    change = {"op": "insert", "table": "conditions", "id": "new:1", "values": values}
    return {"key": f"desk-{uuid.uuid4().hex}", "changes": [change]}


@pytest.mark.parametrize("kind", ["random", "on one line", "star"])
@pytest.mark.parametrize("corners", [601, 12_001])
def test_an_outline_that_crosses_itself_everywhere_is_refused_at_once(
    client: TestClient, kind: str, corners: int
) -> None:
    began = time.process_time()
    answer = client.post("/api/edits", json=_insert(_ring(kind, corners)))
    assert answer.status_code == 400
    assert "meets itself in more than" in answer.json()["error"]["problem"]
    assert time.process_time() - began < 3.0


def test_contacts_are_counted_as_they_are() -> None:
    bow = shapely.Polygon([(0, 0), (2, 2), (2, 0), (0, 2)])
    assert count_contacts(bow, most=10) == 1
    assert count_contacts(shapely.box(0, 0, 1, 1), most=10) == 0
    doubled = shapely.Polygon([(0, 0), (0, 0), (1, 0), (1, 0), (1, 1), (0, 1)])
    assert count_contacts(doubled, most=10) == 0, "a corner said twice is no contact"
    eight = shapely.Polygon([(0, 0), (1, 1), (2, 0), (2, 2), (1, 1), (0, 2)])
    assert count_contacts(eight, most=10) == 4, "four sides meet crosswise in one corner"


def test_nobody_waits_while_an_outline_is_mended(client: TestClient, monkeypatch: Any) -> None:
    """The writer is free while costly work on what somebody sent goes on."""
    import facademap.tasks.desk.edit as edit

    begun, go_on = threading.Event(), threading.Event()
    whole = edit.mend_outlines

    def slow(frame: Any) -> Any:
        begun.set()
        assert go_on.wait(20)
        return whole(frame)

    monkeypatch.setattr(edit, "mend_outlines", slow)
    bow = [[1, 1], [1.2, 1.2], [1.2, 1], [1.19, 1.21], [1, 1]]
    other = threading.Thread(target=lambda: client.post("/api/edits", json=_insert(bow)))
    other.start()
    try:
        assert begun.wait(20)
        square = [[1, 1], [1.2, 1], [1.2, 1.2], [1, 1.2], [1, 1]]
        quick: list[int] = []
        mine = threading.Thread(
            target=lambda: quick.append(client.post("/api/edits", json=_insert(square)).status_code)
        )
        mine.start()
        mine.join(15)
        assert quick == [200], "the other outline is still being mended"
    finally:
        go_on.set()
        other.join()


def test_many_rows_are_read_as_one_is(folder: Path) -> None:
    with Project.open(folder, read_only=True) as project:
        for table in ("conditions", "blocks", "settings"):
            ids = list(project.read(table)["id"])
            many = project.rows(table, [*ids, "nobody's", "o'clock"])
            # by their words, since a missing value is equal to nothing
            assert {i: repr(r) for i, r in many.items()} == {
                i: repr(project.row(table, i)) for i in ids
            }
        assert project.rows("conditions", []) == {}
