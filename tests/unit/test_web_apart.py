"""Costly answers are made apart: nobody waits for them, they can be stopped, and a stuck one is ended and says so."""

from __future__ import annotations

import contextlib
import http.client
import json
import os
import statistics
import subprocess
import sys
import threading
import time
import uuid
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import anyio
import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "e2e"))
import desk_sample
from desk_browser import Server

from facademap.errors import InputError, SolveError
from facademap.limits import other_limits
from facademap.store.project import Project
from facademap.tasks.desk.pictures import Pictures
from facademap.web import costly
from facademap.web.apart import Apart, UnforeseenError
from facademap.web.costly import Tools

JSON = {"content-type": "application/json"}
#: Works in a process without this project's code: what ``costly`` makes there is put in by the order's values.
SLEEPER = """
import time
import facademap.web.costly as costly
def stuck(tools, seconds=0.0, memory_mb=0, end=None, refuse=None, fault=False):
    kept = [bytearray(b'1' * 10_000_000) for _ in range(memory_mb // 10)]
    if end is not None:
        import os
        os._exit(end)
    if refuse:
        from facademap.errors import TableError
        raise TableError(refuse, 'Correct it.', faults=('one', 'two'))
    if fault:
        raise KeyError('inner')
    time.sleep(seconds)
    return {'slept': seconds}
costly.read_ahead = lambda: None
costly.TASKS = {**costly.TASKS, 'check': stuck, 'ranking': stuck}
from facademap.web.apart_process import main
main()
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return desk_sample.make_planned_project(tmp_path_factory.mktemp("apart") / "sample", blocks=4)


@pytest.fixture(scope="module")
def pool(folder: Path) -> Iterator[Apart]:
    """Processes whose tasks sleep, grow and fail as they are told."""
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr("facademap.web.apart.COMMAND", (sys.executable, "-c", SLEEPER))
        tools = Tools(folder=folder, reading=lambda: None, pictures=Pictures(folder))  # type: ignore[arg-type,return-value]
        made = Apart(tools, processes=True)
        yield made
        made.close()


def asked(pool: Apart, task: str = "check", **given: Any) -> Any:
    return anyio.run(pool.answer, (task, given))


def test_what_takes_too_long_or_too_much_memory_is_ended_and_says_so(pool: Apart) -> None:
    assert asked(pool, seconds=0.0) == {"slept": 0.0}
    with (
        other_limits(answer_s=1),
        pytest.raises(SolveError, match="stopped after 1 s, the limit answer_s"),
    ):
        asked(pool, seconds=60)
    with other_limits(memory_mb=900), pytest.raises(SolveError, match="the limit memory_mb"):
        asked(pool, seconds=60, memory_mb=1_200)
    assert asked(pool, seconds=0.0) == {"slept": 0.0}, "the next one finds a sound process"


def test_an_error_comes_through_as_it_was_raised(pool: Apart) -> None:
    with pytest.raises(InputError, match="a wrong row") as found:
        asked(pool, refuse="a wrong row")
    assert type(found.value).__name__ == "TableError"
    assert found.value.faults == ("one", "two")  # type: ignore[attr-defined]
    with pytest.raises(UnforeseenError, match="KeyError"):
        asked(pool, fault=True)
    with pytest.raises(SolveError, match="broken off"):
        asked(pool, end=7)
    assert asked(pool) == {"slept": 0.0}


def test_work_is_stopped_by_its_id_and_when_nobody_waits_for_it(pool: Apart) -> None:
    async def stopped() -> None:
        async with anyio.create_task_group() as group:

            async def ask() -> None:
                with pytest.raises(SolveError, match="was stopped"):
                    await pool.answer(("check", {"seconds": 60}))

            group.start_soon(ask)
            while not pool.all():
                await anyio.sleep(0.05)
            [running] = pool.all()
            assert running["title"] == "check the project"
            await anyio.sleep(1.0)
            pool.stop(running["id"])
        assert pool.all() == []
        with pytest.raises(InputError, match="no such work"):
            pool.stop(running["id"])

        async def gone() -> bool:
            return True

        with pytest.raises(SolveError, match="nobody waits"):
            await pool.answer(("ranking", {"seconds": 60}), gone=gone)

    began = time.monotonic()
    anyio.run(stopped)
    assert time.monotonic() - began < 40


def test_every_task_is_told_in_words() -> None:
    assert set(costly.TITLES) == set(costly.TASKS)
    assert set(costly.TASKS) >= costly.SLOW


# -- the real server ----------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def server(folder: Path) -> Iterator[Server]:
    running = Server(folder).start()
    yield running
    running.kill()


def ask(server: Server, method: str, address: str, body: Any = None) -> tuple[int, Any]:
    link = http.client.HTTPConnection("127.0.0.1", server.port, timeout=120)
    link.request(method, address, None if body is None else json.dumps(body), JSON)
    answer = link.getresponse()
    data = answer.read()
    return answer.status, json.loads(data) if "json" in str(answer.headers) else data


def draw(server: Server) -> float:
    square = [[1, 1], [1.1, 1], [1.1, 1.1], [1, 1.1], [1, 1]]
    values = {
        "surface": desk_sample.SURFACE,
        "term": "alga",
        "geometry": {"type": "Polygon", "coordinates": [square]},
    }
    change = {"op": "insert", "table": "conditions", "id": "new:1", "values": values}
    began = time.perf_counter()
    status, told = ask(server, "POST", "/api/edits", {"key": uuid.uuid4().hex, "changes": [change]})
    assert status == 200, told
    return time.perf_counter() - began


def test_answers_from_processes_are_those_of_the_tasks(server: Server, folder: Path) -> None:

    with Project.open(folder, read_only=True) as project:
        repair = str(project.read("pieces")["repair"].iloc[0])
    status, told = ask(server, "GET", f"/api/ranking?repair={repair}")
    assert status == 200, told
    assert told["repair"] == repair
    assert ask(server, "GET", "/api/ranking?repair=nobody")[0] == 400
    assert ask(server, "GET", "/api/papers")[1]["papers"] == []
    status, page = ask(server, "GET", "/papers.html")
    assert (status, page[:15].lower()) == (200, b"<!doctype html>")
    told = ask(server, "GET", "/api/papers/asked?words=DR-001%20rev%20A")[1]["answers"]
    assert [a["state"] for a in told] == ["unknown"]
    status, found = ask(server, "GET", "/api/check?fast=1")
    assert status == 200
    assert found["seq"] > 0
    status, lines = ask(
        server,
        "POST",
        "/api/assist/outline",
        {"surface": desk_sample.SURFACE, "box": [0, 0, 6, 4], "points": [[2.0, 1.25]]},
    )
    assert status == 200, lines
    assert ask(server, "GET", "/api/running")[1] == {"running": []}
    assert ask(server, "POST", "/api/running/none/stop", {})[0] == 400


def test_nobody_waits_while_costly_answers_are_made(server: Server) -> None:
    """The benchmark ``web_held.py`` measures all of it on a large project."""
    draw(server)
    alone = statistics.median(draw(server) for _ in range(15))
    asking = [
        threading.Thread(target=ask, args=(server, "GET", address))
        for address in ("/api/check", "/papers.html", "/api/papers")
    ]
    for one in asking:
        one.start()
    meanwhile = []
    while any(one.is_alive() for one in asking):
        meanwhile.append(draw(server))
        time.sleep(0.02)
    assert len(meanwhile) >= 3
    # other processes take the processor too, so that the middle one counts
    assert statistics.median(meanwhile) < 3 * alone + 0.1


def test_a_ranking_is_kept_until_something_it_rests_on_changes(tmp_path: Path) -> None:
    folder = desk_sample.make_planned_project(tmp_path / "kept", blocks=3)

    with Project.open(folder) as project:
        tools = Tools(folder=folder, reading=lambda: project, pictures=Pictures(folder))
        repair = str(project.read("pieces")["repair"].iloc[0])
        first = costly.TASKS["ranking"](tools, repair=repair)
        with project.edit(who="A. Reed", what="note") as edit:
            edit.update("conditions", str(project.read("conditions")["id"].iloc[0]), {"note": "x"})
        assert costly.TASKS["ranking"](tools, repair=repair) is first
        block = first["faces"][0]["block"]
        with project.edit(who="A. Reed", what="sold") as edit:
            edit.update("blocks", block, {"state": "rejected"})
        again = costly.TASKS["ranking"](tools, repair=repair)
        assert block not in {f["block"] for f in again["faces"]}
        with project.edit(who="A. Reed", what="undo") as edit:
            edit.update("blocks", block, {"state": "available"})
        third = costly.TASKS["ranking"](tools, repair=repair)
        assert block in {f["block"] for f in third["faces"]}


def test_work_for_a_server_that_was_killed_ends_soon() -> None:
    """The work is busy and never looks at its pipe; its parent goes without a word."""
    busy = (
        "import os, threading\n"
        "from facademap.web.apart_process import _end_with\n"
        "threading.Thread(target=_end_with, args=(os.getppid(),), daemon=True).start()\n"
        "print(os.getpid(), flush=True)\n"
        "while True: sum(range(1000))\n"
    )
    server = (
        "import os, subprocess, sys\n"
        "work = subprocess.Popen([sys.executable, '-c', sys.argv[1]], stdout=subprocess.PIPE, text=True)\n"
        "print(work.stdout.readline(), flush=True)\n"
        "os.kill(os.getpid(), 9)\n"
    )
    said = subprocess.run(
        [sys.executable, "-c", server, busy], capture_output=True, text=True, check=False
    ).stdout
    work, until = int(said), time.monotonic() + 20

    def runs() -> bool:  # one that has ended and was not fetched yet has no command line
        try:
            return bool(Path(f"/proc/{work}/cmdline").read_bytes())
        except FileNotFoundError:
            return False

    try:
        while runs() and time.monotonic() < until:
            time.sleep(0.1)
        assert not runs()
    finally:
        with contextlib.suppress(ProcessLookupError):
            os.kill(work, 9)
