"""One browser, and a server on a project, for the stories of the survey desk."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from desk_browser import Server, browser


@pytest.fixture(scope="module")
def chromium() -> Iterator[Any]:
    """A browser for all stories of a file."""
    with browser() as running:
        yield running


@pytest.fixture(scope="module")
def server(folder: Path) -> Iterator[Server]:
    """A server on the ``folder`` of the file, for all of its stories."""
    running = Server(folder).start()
    yield running
    if running.process and running.process.poll() is None:
        running.kill()
