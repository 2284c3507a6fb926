"""What tests of several rooms share."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from cluster import Cluster, running_cluster


@pytest.fixture(scope="session", autouse=True)
def files_apart(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """What is remembered of projects in a database on this machine stays out of the home of whoever runs the tests."""
    with pytest.MonkeyPatch.context() as patched:
        patched.setenv("FACADEMAP_FILES", str(tmp_path_factory.mktemp("files")))
        yield


@pytest.fixture(scope="session")
def cluster() -> Iterator[Cluster]:
    """A PostgreSQL with PostGIS that is the tests' own."""
    with running_cluster() as made:
        yield made
