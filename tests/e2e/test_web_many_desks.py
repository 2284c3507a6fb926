"""Many people at one desk, shortly; ``benchmarks/web_many.py`` lets fifty work for minutes and holds the bars."""

from __future__ import annotations

from pathlib import Path

import desk_sample
import pytest
from desk_browser import Server
from many_desks import Desks, p95

from facademap.store.project import Project
from facademap.tasks.memory import memory_mb


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return desk_sample.make_planned_project(tmp_path_factory.mktemp("many") / "sample", blocks=4)


def test_many_people_work_at_once_and_nobody_is_refused(folder: Path) -> None:
    with Project.open(folder, read_only=True) as project:
        repairs = sorted({str(r) for r in project.read("pieces")["repair"]})
    server = Server(folder).start()
    assert server.process is not None
    try:
        desks = Desks(port=server.port, surface=desk_sample.SURFACE, repairs=repairs)
        desks.run(20, 5.0, hurry=2.0)
        assert desks.faults == []
        assert desks.times_ms["edit"]
        assert desks.times_ms["ranking"]
        # a machine that tests on all its processors answers later than one that serves
        assert p95(desks.times_ms["edit"]) < 10_000
        assert memory_mb(server.process.pid) < 800
    finally:
        server.kill()
    with Project.open(folder) as project:
        assert project.integrity() == []
