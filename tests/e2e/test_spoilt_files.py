"""Spoilt files and kills: a few fixed ones of each; ``benchmarks/file_fuzz.py`` and ``benchmarks/kills.py`` do thousands."""

from __future__ import annotations

import shutil
import subprocess
import warnings
from collections.abc import Iterator
from pathlib import Path

import pytest
from killed_work import Works, look, project_of, words_of
from mutated_files import Files, everything, run

from facademap.store.project import Project

#: So many cases in each part; any run of numbers tries every command.
PART = 25
#: These make several papers or pictures one after the other; each is whole, and those before it stay.
SEVERAL_STEPS = ("papers", "map")


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> Files:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return Files(tmp_path_factory.mktemp("spoilt") / "all")


@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize("first", range(0, 300, PART))
def test_no_spoilt_file_ends_in_a_trace_or_changes_a_project(files: Files, first: int) -> None:
    judged = [files.judge(number) for number in range(first, first + PART)]
    assert [(v.asked, v.faults) for v in judged if v.faults] == []
    assert any(v.code == 2 for v in judged)


@pytest.mark.filterwarnings("ignore")
def test_what_is_killed_loses_nothing_acknowledged_and_leaves_nothing(
    files: Files, tmp_path: Path
) -> None:
    works = Works(tmp_path / "kills", samples=files.samples)
    kills = [works.kill(number) for number in (0, 1, 2, 6)]
    assert [k.faults for k in kills] == [()] * len(kills)
    assert any(k.within for k in kills)


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A disk of its own that is really full when it is."""
    place = tmp_path / "disk"
    place.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=24m", "none", str(place)],
        capture_output=True,
        check=False,
    )
    if mounted.returncode:
        pytest.skip("no disk of its own can be mounted here")
    yield place
    subprocess.run(["umount", "-l", str(place)], check=True)


@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize("kind", ["stones", "photos", "elevation", "match", "papers"])  # fmt: skip
def test_a_disk_that_is_really_full_leaves_the_project_as_it_was(
    files: Files, small_disk: Path, kind: str
) -> None:
    told, full, words = 0, 0, ""
    for free_kb in (0, 90, 500):
        room = small_disk / "room"
        shutil.copytree(files.samples.projects[project_of(kind)], room / "project")
        left = shutil.disk_usage(small_disk).free - free_kb * 1024
        with (small_disk / "ballast").open("wb") as ballast:
            ballast.write(bytes(max(0, left)))
        before = everything(room / "project")
        code, said = run(words_of(kind, room / "project", files.samples))
        assert code in (0, 2), said
        if code == 2:
            full += "disk is full" in said or "disk I/O" in said
            told, words = told + 1, words + said
            assert said.count("error: ") == 1 or kind in SEVERAL_STEPS, said
            assert everything(room / "project") == before or kind in SEVERAL_STEPS
        (small_disk / "ballast").unlink()
        assert look(kind, room, []) == []
        shutil.rmtree(room)
    assert told, "never full"
    assert full == told, words


@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize("shared_memory", [True, False])
def test_a_disk_that_may_not_be_written_is_read_with_what_its_log_holds(
    files: Files, small_disk: Path, tmp_path: Path, shared_memory: bool
) -> None:
    live = tmp_path / "live"
    shutil.copytree(files.samples.projects["full"], live)
    with Project.open(live) as project:
        with project.edit(who="ann", what="last") as edit:
            edit.update("blocks", str(project.read("blocks")["id"].iloc[0]), {"note": "in the log"})
        assert (live / "project.gpkg-wal").stat().st_size
        shutil.copytree(live, small_disk / "copy")  # as a machine that lost its power leaves it
    if not shared_memory:
        (small_disk / "copy" / "project.gpkg-shm").unlink()
    subprocess.run(["mount", "-o", "remount,ro", str(small_disk)], check=True)
    copy = small_disk / "copy"
    with Project.open(copy, read_only=True) as project:
        assert "in the log" in set(project.read("blocks")["note"])
    for words in (f"check {copy}", f"plans {copy}", f"map {copy} --out {tmp_path}/m.html", f"papers {copy} --only lists --out {tmp_path}"):  # fmt: skip
        code, said = run([*words.split(), "--quiet"])
        assert code in (0, 1), said
        assert "read-only" not in said
    code, said = run([*f"plan {copy}".split(), "--quiet"])
    assert code == 2
    assert "where you may write" in said, said
