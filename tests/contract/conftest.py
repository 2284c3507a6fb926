"""The two stores, and a project in either."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
import shapely
from cluster import Cluster

from facademap.store.project import Project
from facademap.store.team_address import read_address
from facademap.wall.world import wall_crs

_number = itertools.count(1)


@pytest.fixture(scope="module")
def database(cluster: Cluster, request: pytest.FixtureRequest) -> str:
    """A database for the tests of one file."""
    return cluster.make_database(request.module.__name__)


@pytest.fixture(params=["geopackage", "postgis"])
def create(request: pytest.FixtureRequest, tmp_path: Path) -> Callable[[str], Project]:
    """Makes a project of a name in the store whose turn it is."""
    if request.param == "geopackage":
        return lambda name: Project.create(tmp_path / name, name=name)
    database = request.getfixturevalue("database")

    def in_database(name: str) -> Project:
        address = read_address(f"{database}#{name}_{next(_number)}")
        return Project.create_in(address, tmp_path / name, name=name)

    return in_database


@pytest.fixture
def project(create: Callable[[str], Project]) -> Iterator[Project]:
    """Two surfaces of one elevation with a condition each."""
    made = create("sail_loft")
    with made.edit(who="ann", what="set up") as edit:
        edit.insert("elevations", [{"id": "river", "name": "River front"}])
        edit.insert(
            "surfaces",
            [
                {
                    "id": name,
                    "elevation": "river",
                    "name": name,
                    "frame_wkt": wall_crs(name, f"test {name}"),
                }
                for name in ("front", "return")
            ],
        )
        edit.insert(
            "conditions",
            [
                {
                    "id": "C-001",
                    "surface": "front",
                    "term": "scaling",
                    "cc": 2,
                    "geometry": shapely.box(0, 0, 1, 1),
                },
                {
                    "id": "C-002",
                    "surface": "return",
                    "term": "crack",
                    "geometry": shapely.LineString([(0, 0), (1, 2)]),
                },
            ],
        )
    yield made
    made.close()
