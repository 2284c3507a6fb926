"""What tests of several rooms share."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from cluster import Cluster, running_cluster


@pytest.fixture(scope="session")
def cluster() -> Iterator[Cluster]:
    """A PostgreSQL with PostGIS that is the tests' own."""
    with running_cluster() as made:
        yield made
