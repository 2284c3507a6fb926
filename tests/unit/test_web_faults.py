"""What goes wrong around the survey desk: each said in one line, and nothing that was acknowledged is lost."""

from __future__ import annotations

import os
import shutil
import signal
import sqlite3
import sys
import time
import uuid
import warnings
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "e2e"))
import desk_sample
from desk_browser import Server

from facademap.errors import InputError
from facademap.store.project import Project
from facademap.tasks.desk.serve import plan_server
from facademap.web.app import make_app

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    from starlette.testclient import TestClient

SQUARE = {"type": "Polygon", "coordinates": [[[1, 1], [1.1, 1], [1.1, 1.1], [1, 1]]]}


@pytest.fixture(scope="module")
def sample(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return desk_sample.make_project(
        tmp_path_factory.mktemp("faults") / "sample", many=10, blocks=2, picture=False
    )


@pytest.fixture
def folder(sample: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(sample, tmp_path / "wall"))


@pytest.fixture
def client(folder: Path) -> Iterator[TestClient]:
    with TestClient(make_app(folder), base_url="http://127.0.0.1:8471") as client:
        yield client


def draw(client: TestClient, note: str = "") -> Any:
    new = {
        "op": "insert",
        "table": "conditions",
        "id": "new:1",
        "values": {"surface": "landward", "term": "alga", "note": note or None, "geometry": SQUARE},
    }
    return client.post(
        "/api/edits", json={"key": uuid.uuid4().hex, "who": "ada", "what": "draw", "changes": [new]}
    )


def refused(answer: Any, words: str) -> None:
    assert answer.status_code == 503, answer.text
    error = answer.json()["error"]
    assert words in error["problem"]
    assert error["remedy"]
    assert "\n" not in error["problem"] + error["remedy"]


def stored(folder: Path) -> set[str]:
    with Project.open(folder) as project:
        assert project.integrity() == []
        return set(project.read("conditions")["id"])


def writer_of(client: TestClient) -> sqlite3.Connection:
    connection: sqlite3.Connection = client.app._app.state.desk._writer._connection  # type: ignore[attr-defined]
    return connection


def test_a_full_disk_stores_wholly_or_not_at_all(client: TestClient, folder: Path) -> None:
    writer = writer_of(client)
    (pages,) = writer.execute("PRAGMA page_count").fetchone()
    # SQLite meets this limit with the same words as a full disk
    writer.execute(f"PRAGMA max_page_count = {pages + 30}")
    told = []
    for _ in range(400):
        answer = draw(client, "n" * 1900)
        if answer.status_code != 200:
            break
        told.append(answer.json()["ids"]["new:1"])
    assert told
    refused(answer, "the disk is full")
    assert client.get("/api/tables/conditions").status_code == 200
    writer.execute("PRAGMA max_page_count = 1000000")
    told.append(draw(client).json()["ids"]["new:1"])
    assert set(told) <= stored(folder)
    assert len(told) == len(set(told))


def test_a_project_that_became_read_only(client: TestClient) -> None:
    writer_of(client).execute("PRAGMA query_only = ON")
    refused(draw(client), "read-only")
    assert client.get("/api/project").status_code == 200
    writer_of(client).execute("PRAGMA query_only = OFF")
    assert draw(client).status_code == 200


def test_a_project_moved_while_it_is_served_takes_nothing_until_it_is_back(
    client: TestClient, folder: Path
) -> None:
    kept = draw(client).json()["ids"]["new:1"]
    folder.rename(folder.with_name("elsewhere"))
    refused(draw(client), "moved, replaced or deleted")
    folder.with_name("elsewhere").rename(folder)
    again = draw(client).json()["ids"]["new:1"]
    assert {kept, again} <= stored(folder)


def test_a_picture_sent_to_a_project_that_was_moved_does_not_bring_its_old_folder_back(
    client: TestClient, folder: Path
) -> None:
    import cv2
    import numpy as np

    data = cv2.imencode(".png", np.full((40, 60, 3), 99, np.uint8))[1].tobytes()

    def send() -> Any:
        return client.post(
            "/api/photos?subject=record", content=data, headers={"content-type": "image/png"}
        )

    folder.rename(folder.with_name("elsewhere"))
    answer = send()
    assert answer.status_code in (400, 503), answer.text
    assert "Traceback" not in answer.text
    assert (
        client.get("/pictures/tile/0/0/0").status_code >= 400
    )  # what is kept for pictures is not made again either
    assert not folder.exists()
    folder.with_name("elsewhere").rename(folder)
    assert send().status_code == 200


def test_a_project_deleted_or_replaced_while_it_is_served_acknowledges_nothing(
    client: TestClient, folder: Path
) -> None:
    path = folder / "project.gpkg"
    copy = folder / "copy.gpkg"
    with Project.open(folder, read_only=True) as project:
        project.snapshot(copy)
    path.unlink()
    refused(draw(client), "moved, replaced or deleted")
    copy.rename(path)
    refused(draw(client), "moved, replaced or deleted")


def test_a_second_server_on_a_project_is_told_where_the_first_one_is(folder: Path) -> None:
    first = plan_server(folder, port=0)
    try:
        with pytest.raises(InputError, match="running already") as refusal:
            plan_server(folder, port=0)
        assert first.address in refusal.value.problem
    finally:
        first.socket.close()
        assert first.hold is not None
        first.hold.close()
    second = plan_server(folder, port=0)
    second.socket.close()
    assert second.hold is not None
    second.hold.close()


def until(condition: Any, seconds: float = 60.0) -> None:
    end = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < end
        time.sleep(0.05)


def test_a_job_that_is_killed_says_so_and_leaves_the_project_as_it_was(
    client: TestClient, folder: Path
) -> None:
    job = client.post("/api/jobs", json={"kind": "plan"}).json()["id"]
    jobs = client.app._app.state.jobs  # type: ignore[attr-defined]
    os.kill(jobs.named(job).process.pid, signal.SIGKILL)
    until(lambda: client.get(f"/api/jobs/{job}").json()["state"] != "running")
    told = client.get(f"/api/jobs/{job}").json()
    assert told["state"] == "failed"
    assert "signal 9" in told["error"]["problem"]
    assert client.get("/api/tables/repairs").json()["rows"] == []
    assert draw(client).status_code == 200
    job = client.post("/api/jobs", json={"kind": "plan"}).json()["id"]
    until(lambda: client.get(f"/api/jobs/{job}").json()["state"] != "running")
    assert client.get(f"/api/jobs/{job}").json()["state"] == "done"
    assert stored(folder)


def children(pid: int) -> list[int]:
    found = []
    for state in Path("/proc").glob("[0-9]*/stat"):
        try:
            parts = state.read_text().rsplit(")", 1)[1].split()
        except OSError:
            continue
        if int(parts[1]) == pid and parts[0] != "Z":
            found.append(int(state.parent.name))
    return found


def alive(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0] != "Z"
    except OSError:
        return False


def test_a_job_ends_with_a_server_that_is_killed(folder: Path) -> None:
    import json
    import urllib.request

    from facademap.tasks.plan.plan import plan_project

    plan_project(folder)
    server = Server(folder).start()
    assert server.process is not None
    order = json.dumps({"kind": "match", "options": {"time_limit_s": 120}}).encode()
    urllib.request.urlopen(
        urllib.request.Request(
            f"{server.address}api/jobs", data=order, headers={"content-type": "application/json"}
        ),
        timeout=10,
    ).close()
    # the job, and the processes that are kept for costly answers
    begun = children(server.process.pid)
    assert begun
    server.kill()
    until(lambda: not any(alive(pid) for pid in begun), 20)
    with Project.open(folder) as project:
        assert len(project.read("plans")) == 0
        assert project.integrity() == []


def test_a_large_photo_that_is_decoded_holds_up_nobody(client: TestClient) -> None:
    import threading

    import cv2
    import numpy as np

    picture = cv2.resize(
        np.random.default_rng(2).integers(0, 255, (60, 80, 3), np.uint8), (5200, 3900)
    )
    data = cv2.imencode(".png", picture)[1].tobytes()
    taken: list[Any] = []
    sending = threading.Thread(
        target=lambda: taken.append(
            client.post(
                "/api/photos?subject=record", content=data, headers={"content-type": "image/png"}
            )
        )
    )
    sending.start()
    edits = 0
    while sending.is_alive():
        assert draw(client).status_code == 200
        edits += sending.is_alive()
    sending.join()
    assert taken[0].status_code == 200
    assert edits >= 3
