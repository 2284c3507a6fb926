"""Work that is killed in its midst: what was acknowledged is there, the next start clears what is left, and the check is clean.

Each kill is made from one number. The work runs in a fork of this process, so that a kill comes within the work and not
within the start of a program; what follows runs in a fresh fork, as the next start would.
"""

from __future__ import annotations

import contextlib
import json
import os
import random
import shutil
import signal
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import file_samples
import shapely
from mutated_files import run

from facademap.store.project import Project
from facademap.tasks.project.check import check_project
from facademap.web.app import make_app

#: Longest time before the kill, s of the clock, for each kind of work.
LONGEST_S = {
    "edits": 2.0, "server": 3.0, "stones": 0.3, "control": 0.3, "blocks": 0.3, "photos": 0.5,
    "rectify": 0.6, "elevation": 0.6, "map": 2.0, "papers": 3.0, "plan": 1.0, "match": 1.0,
}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Kill:
    """What came of one kill."""

    kind: str
    within: bool
    acknowledged: int
    faults: tuple[str, ...]


class Works:
    """Sound projects, and the kinds of work done in copies of them."""

    def __init__(self, place: Path, samples: file_samples.Samples | None = None) -> None:
        place.mkdir(parents=True, exist_ok=True)
        self.place = place
        self.samples = samples or file_samples.make_samples(place / "samples")

    def kill(self, number: int) -> Kill:
        """Begin one piece of work, kill it, start again and look."""
        rng = random.Random(number)
        kind = list(LONGEST_S)[number % len(LONGEST_S)]
        room = self.place / f"room-{number}"
        shutil.copytree(self.samples.projects[project_of(kind)], room / "project")
        reading, writing = os.pipe()
        child = _fork(lambda: self._work(kind, room, writing))
        os.close(writing)
        time.sleep(rng.uniform(0.0, LONGEST_S[kind]))
        within = os.waitpid(child, os.WNOHANG) == (0, 0)
        if within:
            os.kill(child, signal.SIGKILL)
            os.waitpid(child, 0)
        with os.fdopen(reading, "rb") as told:
            said = [line for line in told.read().decode().split("\n")[:-1] if line]
        faults = self._next_start(kind, room, said)
        shutil.rmtree(room)
        return Kill(kind=kind, within=within, acknowledged=len(said), faults=tuple(faults))

    def _work(self, kind: str, room: Path, acknowledge: int) -> None:
        project = room / "project"

        def tell(word: object) -> None:
            os.write(acknowledge, f"{word}\n".encode())

        if kind == "edits":
            _edit(project, tell)
        elif kind == "server":
            _serve(project, tell)
        else:
            code, said = run(words_of(kind, project, self.samples))
            tell("done" if code == 0 else f"refused {said[-200:]}")

    def _next_start(self, kind: str, room: Path, said: list[str]) -> list[str]:
        """What a new process finds, which clears what the killed one left."""
        reading, writing = os.pipe()
        child = _fork(lambda: os.write(writing, json.dumps(look(kind, room, said)).encode()))
        os.close(writing)
        with os.fdopen(reading, "rb") as told:
            answer = told.read()
        os.waitpid(child, 0)
        return json.loads(answer) if answer else ["the next start gave no answer"]


def project_of(kind: str) -> str:
    """The project in which a kind of work is done."""
    empty = dict.fromkeys(("photos", "control", "blocks", "stones"), "empty")
    return {**empty, "elevation": "wall"}.get(kind, "full")


def words_of(kind: str, project: Path, samples: file_samples.Samples) -> list[str]:
    """The call that does a kind of work."""
    file = {k: str(v) for k, v in samples.files.items()}
    line = {
        "stones": f"add-outlines wall-stones {project} {file['geojson']} --unit m",
        "control": f"add-control {project} {file['survey_points']} --epsg 25832",
        "blocks": f"add-blocks {project} {file['blocks']}",
        "photos": f"add-photos {project} {file['photo']} {file['photo_png']}",
        "rectify": f"rectify --photo {file['photo']} --control {file['control']} --gsd-mm 4 --no-lens --out {project}/out/o.tif",
        "elevation": f"add-elevation {project} {file['las']} --gsd-mm 20",
        "map": f"map {project}",
        "papers": f"papers {project}",
        "plan": f"plan {project}",
        "match": f"match {project} --work-limit 2",
    }[kind]
    return [*line.split(), "--quiet"]


def _fork(work: Callable[[], Any]) -> int:
    child = os.fork()
    if child == 0:
        with contextlib.suppress(BaseException):
            work()
        os._exit(0)
    return child


def _edit(folder: Path, tell: Callable[[object], None]) -> None:
    with Project.open(folder) as project:
        surface = str(project.read("surfaces")["id"].iloc[0])
        for n in range(100_000):
            row = {
                "id": f"K-{n}",
                "surface": surface,
                "term": "scaling",
                "geometry": shapely.Point(n % 7, 1),
            }
            with project.edit(who="x", what="x") as edit:
                edit.insert("conditions", [row])
            tell(f"K-{n}")


def _serve(folder: Path, tell: Callable[[object], None]) -> None:
    import warnings

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from starlette.testclient import TestClient
    with Project.open(folder, read_only=True) as project:
        surface = str(project.read("surfaces")["id"].iloc[0])
    with TestClient(make_app(folder), base_url="http://127.0.0.1:8471") as client:
        for n in range(100_000):
            values = {
                "surface": surface,
                "term": "scaling",
                "geometry": {"type": "Point", "coordinates": [n % 7, 1]},
            }
            change = {"op": "insert", "table": "conditions", "id": f"new:{n}", "values": values}
            body = {"key": f"desk-kill-{n:06d}", "who": "x", "what": "x", "changes": [change]}
            answer = client.post("/api/edits", json=body)
            if answer.status_code == 200:
                tell(next(iter(answer.json()["ids"].values())))


def look(kind: str, room: Path, said: list[str]) -> list[str]:
    """What is wrong with a project after a kill; an empty list for none."""
    folder = room / "project"
    faults: list[str] = []
    with Project.open(folder) as project:  # the start that clears
        faults += [f"file: {t}" for t in project.integrity()]
        stored = set(project.read("conditions")["id"])
    if kind in ("edits", "server"):
        lost = [i for i in said if i not in stored]
        faults += [f"{len(lost)} acknowledged edits are lost"] if lost else []
    faults += [f"refused: {s}" for s in said if s.startswith("refused")]
    if kind in ("rectify", "papers", "map"):  # a second run in that folder is its next start
        from facademap.io.whole_files import clear_scratch_once

        clear_scratch_once(folder / "out", (".",))
    faults += [
        f"scratch: {p.relative_to(room)}"
        for p in room.rglob("*")
        if p.name.startswith(".facademap-")
    ]
    found = check_project(folder, fast=True)["findings"]
    sound = ("paper", "picture", "stone", "wanting", "missing", "undecided")
    faults += [
        f"check: {f['about']}: {f['problem']}"
        for f in found
        if f["level"] == "fault" and f["kind"] not in sound
    ]
    for path in folder.rglob("*"):
        if not path.is_file() or path.name.startswith("."):
            continue
        data = path.read_bytes()
        whole = {
            ".pdf": data.rstrip().endswith(b"%%EOF"),
            ".html": data.rstrip().endswith(b"</html>"),
        }
        if not whole.get(path.suffix, True):
            faults.append(f"half-written: {path.relative_to(room)}")
        if path.suffix == ".json":
            with contextlib.suppress(ValueError):
                json.loads(data)
                continue
            faults.append(f"half-written: {path.relative_to(room)}")
    return faults
