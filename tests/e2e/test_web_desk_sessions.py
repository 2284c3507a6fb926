"""A few random sessions of two people against a model; two hundred of them are a benchmark (``benchmarks/desk_sessions.py``)."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import desk_sample
import pytest
from desk_browser import Server
from desk_sessions import Person, Session, gate_faults, two_people


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return desk_sample.make_project(
        tmp_path_factory.mktemp("sessions") / "sample", many=4, blocks=0, picture=False
    )


@pytest.fixture(scope="module")
def people(chromium: Any, server: Server, folder: Path) -> Iterator[list[Person]]:
    before = gate_faults(folder)
    yield two_people(chromium, server)
    assert gate_faults(folder) == before, "after all sessions check finds what it did before"


@pytest.mark.parametrize("seed", range(6))
def test_nothing_is_lost_in_a_random_session_of_two_people(people: list[Person], seed: int) -> None:
    session = Session(people, seed)
    session.play(10)
    assert session.faults() == [], session.story
