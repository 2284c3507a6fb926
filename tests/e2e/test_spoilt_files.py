"""Spoilt files and kills: a few fixed ones of each; ``benchmarks/file_fuzz.py`` and ``benchmarks/kills.py`` do thousands."""

from __future__ import annotations

import warnings
from pathlib import Path

import pytest
from killed_work import Works
from mutated_files import Files

#: So many cases in each part; any run of numbers tries every command.
PART = 25


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
