"""One contract, two stores: what a project promises holds in the embedded file and in the database alike."""

from __future__ import annotations

import itertools
import sqlite3
from collections.abc import Callable, Iterator
from pathlib import Path

import pandas as pd
import pytest
import shapely
from cluster import Cluster

from facademap.errors import ConflictError, InputError, ProjectError, TableError
from facademap.store.project import Project
from facademap.store.team_address import read_address
from facademap.tables import TABLES
from facademap.wall.world import wall_crs

_number = itertools.count(1)


@pytest.fixture(scope="module")
def database(cluster: Cluster) -> str:
    return cluster.make_database("two_stores")


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


def refuse_rewriting(project: Project) -> None:
    for statement in ("DELETE FROM edit_log", "UPDATE edit_log SET who = 'nobody'"):
        with pytest.raises((sqlite3.DatabaseError, ProjectError), match="append-only"):
            project._connection.execute(statement)


def test_rows_come_back_as_they_were_stored(project: Project) -> None:
    frame = project.read("conditions")
    assert list(frame["id"]) == ["C-001", "C-002"]
    assert frame.geometry.iloc[0].equals_exact(shapely.box(0, 0, 1, 1), 0)
    assert frame["cc"].iloc[0] == 2
    assert frame["cause_settled"].iloc[0] is False or not frame["cause_settled"].iloc[0]


def test_rows_of_one_surface_carry_its_reference_system(project: Project) -> None:
    front = project.read("conditions", where={"surface": "front"})
    back = project.read("conditions", where={"surface": "return"})
    assert front.crs is not None
    assert front.crs.is_engineering
    assert front.crs != back.crs, "two walls must never be taken for the same place"
    assert project.read("conditions").crs is None


def test_spatial_index_answers_boxes(project: Project) -> None:
    assert list(project.read("conditions", box=(1.5, 1.5, 3, 3))["id"]) == []
    assert list(project.read("conditions", box=(0.5, 0.5, 3, 3))["id"]) == ["C-001", "C-002"]


def test_an_error_inside_an_edit_leaves_nothing_behind(project: Project) -> None:
    wrong = {
        "id": "C-009",
        "surface": "front",
        "term": "scaling",
        "cc": "scaling",
        "geometry": shapely.Point(0, 0),
    }

    def two_rows() -> None:
        with project.edit(who="ann", what="two rows") as edit:
            edit.update("conditions", "C-001", {"cc": 3})
            edit.insert("conditions", [wrong])

    with pytest.raises(TableError, match="scaling"):
        two_rows()
    assert project.row("conditions", "C-001")["cc"] == 2
    assert "C-009" not in set(project.read("conditions")["id"])
    assert len(project.history("conditions", "C-001")) == 1


def test_two_people_cannot_overwrite_each_other(project: Project) -> None:
    seen = project.row("conditions", "C-001")["rev"]
    with project.edit(who="ann", what="class") as edit:
        edit.update("conditions", "C-001", {"cc": 3}, rev=seen)
    with pytest.raises(ConflictError, match="C-001"), project.edit(who="ben", what="class") as edit:
        edit.update("conditions", "C-001", {"cc": 1}, rev=seen)
    assert project.row("conditions", "C-001")["cc"] == 3


def test_undo_and_redo_bring_back_each_state(project: Project) -> None:
    with project.edit(who="ann", what="delete") as edit:
        edit.delete("conditions", "C-001")
    undone = project.undo(edit.txn, who="ann")
    row = project.row("conditions", "C-001")
    assert row["cc"] == 2
    assert row["rev"] > 1, (
        "the revision goes on, so that an old copy is never taken for the new row"
    )
    project.undo(undone, who="ann")
    with pytest.raises(InputError):
        project.row("conditions", "C-001")


def test_an_edit_under_a_later_one_is_not_undone(project: Project) -> None:
    with project.edit(who="ann", what="first") as first:
        first.update("conditions", "C-001", {"cc": 3})
    with project.edit(who="ann", what="second") as second:
        second.update("conditions", "C-001", {"cc": 1})
    with pytest.raises(InputError, match="changed again"):
        project.undo(first.txn, who="ann")
    assert project.row("conditions", "C-001")["cc"] == 1


def test_history_cannot_be_changed(project: Project) -> None:
    refuse_rewriting(project)


def test_names_can_be_forgotten_without_breaking_the_history(project: Project) -> None:
    with project.edit(who="ann", what="name") as edit:
        edit.update("conditions", "C-001", {"surveyor": "Jo Marrable", "cc": 3})
    with project.edit(who="ann", what="rename") as edit:
        edit.update("conditions", "C-001", {"surveyor": "J. Marrable"})
    entries = len(project.history("conditions"))
    assert project.forget("conditions", "surveyor", who="office") >= 2
    assert b"Marrable" not in str(project.history().to_dict()).encode()
    assert project.row("conditions", "C-001")["cc"] == 3
    assert len(project.history("conditions")) == entries + 1, "only the forgetting was added"
    refuse_rewriting(project)


def test_numbers_survive_deletions(project: Project) -> None:
    with project.edit(who="ann", what="delete") as edit:
        edit.delete("conditions", "C-002")
    with project.edit(who="ann", what="draw") as edit:
        assert edit.new_id("C") == "C-003"


def test_a_second_writer_hears_that_the_project_is_in_use(
    project: Project, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("facademap.store.database.LOCK_WAIT_S", 0.05)
    monkeypatch.setattr("facademap.store.team.LOCK_WAIT_S", 0.05)
    with Project.open(project.folder) as other, project.edit(who="ann", what="long edit") as edit:
        edit.update("conditions", "C-001", {"cc": 3})
        with pytest.raises(ProjectError, match="in use"), other.edit(who="ben", what="edit"):
            pass


@pytest.mark.parametrize(
    "bad", ["../../../victim", ".hidden", "a/b", "a b", "x" * 101, "-1", "CON"]
)
def test_no_door_takes_an_id_that_is_no_word(project: Project, bad: str) -> None:
    row = {"id": bad, "elevation": "north", "name": "x", "kind": "plane"}
    with pytest.raises(TableError, match="id: "), project.edit(who="ann", what="add") as edit:
        edit.insert("surfaces", [row])
    with pytest.raises(TableError, match="id: "), project.edit(who="ann", what="restore") as edit:
        edit.apply("surfaces", bad, row)


def test_two_ids_that_differ_in_case_only_do_not_stand_beside_each_other(project: Project) -> None:
    rows = project.read("conditions").to_dict("records")
    alike = {**rows[0], "id": "c-001"}
    for act in ("insert", "put"):
        with (
            pytest.raises(TableError, match="differs in case only"),
            project.edit(who="ann", what="add") as edit,
        ):
            getattr(edit, act)("conditions", [alike])
    with pytest.raises(TableError, match="differs in case only"):
        TABLES["conditions"].check(pd.DataFrame([rows[0], alike]))
