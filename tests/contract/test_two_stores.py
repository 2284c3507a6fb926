"""One contract, two stores: what a project promises holds in the embedded file and in the database alike."""

from __future__ import annotations

import dataclasses
import itertools
import multiprocessing
import sqlite3
import subprocess
import threading
import time
import uuid
import warnings
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
import shapely
from cluster import Cluster

from facademap.errors import (
    ConflictError,
    InputError,
    ProjectError,
    TableError,
)
from facademap.store import copying
from facademap.store.changes import changes_after, outlines_near
from facademap.store.copying import digests_of
from facademap.store.dialect import dialect_of
from facademap.store.packed import pack_table
from facademap.store.project import SCHEMA_VERSION, Project
from facademap.store.team_address import read_address
from facademap.store.told_rows import rows_as_json
from facademap.tables import TABLES
from facademap.tasks.project.check import check_project
from facademap.tasks.project.copy_project import copy_project
from facademap.tasks.project.create_project import ProjectPlan
from facademap.tasks.project.estate import figures_of_estate
from facademap.tasks.project.set_aside import put_rows_back, set_rows_aside
from facademap.tasks.project.team import (
    create_team_project,
    join_project,
)
from facademap.tasks.project.upgrade import upgrade_project
from facademap.tasks.record.consents import add_consent, list_consents
from facademap.web.app import make_app

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    from starlette.testclient import TestClient

_number = itertools.count(1)


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


def busy_project(project: Project) -> None:
    """Every kind of cell, an undo, a deletion, numbers that run on, and texts that would be statements."""
    hostile = '\'; DROP TABLE "conditions"; -- %s ? \\x00 \\N \t {0}\n塔'
    with project.edit(who=hostile, what=hostile) as edit:
        edit.update("conditions", "C-001", {"note": hostile, "cause_settled": True, "depth_m": 0.1})
        edit.insert(
            "conditions",
            [
                {
                    "id": f"X-{n}",
                    "surface": "front",
                    "term": "scaling",
                    "depth_m": n / 3,
                    "geometry": shapely.Point(n / 7, -0.0).buffer(0.1),
                }
                for n in range(5)
            ],
        )
    with project.edit(who="ben", what="delete") as edit:
        edit.delete("conditions", "X-4")
        edit.set("levels", {"a": [1, 2.5, None, "ü"]})
    project.undo(project.history(last=1).iloc[0]["txn"], who="ben")
    with project.edit(who="ben", what="delete again") as edit:
        edit.delete("conditions", "X-3")


def test_a_copy_there_and_back_is_the_same_row_by_row(
    project: Project, database: str, tmp_path: Path
) -> None:
    busy_project(project)
    (project.folder / "photos" / "front.jpg").write_bytes(b"picture")
    here = digests_of(project)
    address = f"{database}#there_{next(_number)}"
    there = copy_project(str(project.folder), address, files=tmp_path / "there")
    back = copy_project(str(tmp_path / "there"), str(tmp_path / "back"))
    assert there["digests"] == back["digests"] == here.digests
    assert here.rows["conditions"] == 6
    assert here.rows["edit_log"] > 10
    assert (tmp_path / "back" / "photos" / "front.jpg").read_bytes() == b"picture"
    for folder in ("there", "back"):
        with Project.open(tmp_path / folder) as copy:
            assert copy.project_id == project.project_id
            assert copy.row("conditions", "C-001") == project.row("conditions", "C-001")
            assert (
                check_project(copy.folder)["findings"] == check_project(project.folder)["findings"]
            )
            # it goes on as the other would: undo, numbers, and rows after those that are there
            copy.undo(copy.history(last=1).iloc[0]["txn"], who="ann")
            assert list(copy.read("conditions")["id"])[-1] == "X-3"
            with copy.edit(who="ann", what="draw") as edit:
                assert edit.new_id("X", digits=1) == "X-5"
    assert digests_of(project) == here, "the source was only read"


def test_a_copy_that_breaks_off_leaves_no_project_and_goes_on_from_its_files(
    project: Project, database: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    busy_project(project)
    (project.folder / "photos" / "front.jpg").write_bytes(b"picture")
    address = f"{database}#broken_{next(_number)}"
    put = copying._put

    def breaks_off(target: Any, part: Any, rows: Any) -> None:
        put(target, part, rows)
        if part.name == "edit_log":
            raise KeyboardInterrupt

    for target in (address, str(tmp_path / "there")):
        files = {"files": tmp_path / "there"} if target == address else {}
        monkeypatch.setattr(copying, "_put", breaks_off)
        with pytest.raises(KeyboardInterrupt):
            copy_project(str(project.folder), target, **files)
        monkeypatch.setattr(copying, "_put", put)
        assert not list((tmp_path / "there").glob("project.*"))
        assert not list((tmp_path / "there").glob(".facademap*"))
        with pytest.raises(ProjectError, match="no project"):
            join_project(address)
    done = copy_project(str(project.folder), address, files=tmp_path / "there")
    assert (done["files"], done["files_there"]) == (0, 1)


def test_a_copy_that_lost_something_is_not_kept(
    project: Project, database: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    put = copying._put

    def loses_one(target: Any, part: Any, rows: Any) -> None:
        put(target, part, rows[:-1] if part.name == "conditions" else rows)

    monkeypatch.setattr(copying, "_put", loses_one)
    with pytest.raises(ProjectError, match="table conditions did not come across"):
        copy_project(str(project.folder), f"{database}#lost", files=tmp_path / "lost")
    assert not (tmp_path / "lost" / "project.team").exists()


def test_packed_tables_and_news_are_the_same_in_both(
    project: Project, database: str, tmp_path: Path
) -> None:
    busy_project(project)
    copy_project(str(project.folder), f"{database}#packed_{next(_number)}", files=tmp_path / "b")
    with Project.open(tmp_path / "b", read_only=True) as other:
        for table in ("conditions", "surfaces", "settings", "blocks"):
            assert pack_table(project, table) == pack_table(other, table)
            ids = list(project.read(table)["id"])
            assert rows_as_json(project, table, ids) == rows_as_json(other, table, ids)
        assert changes_after(project, 0) == changes_after(other, 0)
        near = {"surface": "front", "box": (-0.05, -0.05, 0.05, 0.05)}
        assert outlines_near(project, "conditions", **near) == outlines_near(
            other, "conditions", **near
        )


def test_a_damaged_row_is_set_aside_and_put_back_in_both(project: Project) -> None:
    project._connection.execute("UPDATE conditions SET cc = 9 WHERE id = 'C-001'")
    found = check_project(project.folder)
    assert [
        f["field"] for f in found["findings"] if f["row"] == "C-001" and f["kind"] == "contract"
    ]
    done = set_rows_aside(project.folder, ("conditions:C-001",))
    assert list(project.read("conditions")["id"]) == ["C-002"]
    put_rows_back(project.folder, done["key"])
    assert project.damage("conditions")[0].row == "C-001"


@pytest.mark.parametrize("create", ["postgis"], indirect=True)
def test_what_the_database_does_not_take_is_refused_in_a_line(project: Project) -> None:
    for text in ("a\0b", "a\ud800b"):
        with pytest.raises(InputError), project.edit(who="ann", what="note") as edit:
            edit.update("conditions", "C-001", {"note": text})
    assert project.row("conditions", "C-001")["rev"] == 1


def test_every_acknowledged_edit_survives_the_death_of_the_database(
    cluster: Cluster, tmp_path: Path
) -> None:
    """Stopped at once in the midst of edits, three times; the same open project goes on when the database is back."""
    address = read_address(cluster.make_database("mortal"))
    project = Project.create_in(address, tmp_path / "p", name="mortal")
    acknowledged: list[str] = []
    lost: list[Exception] = []
    ended = threading.Event()

    def write() -> None:
        for n in itertools.count():
            if ended.is_set():
                return
            try:
                with project.edit(who="ann", what="add") as edit:
                    edit.insert("elevations", [{"id": f"E-{n}", "name": "x"}])
                acknowledged.append(f"E-{n}")
            except ProjectError as error:
                lost.append(error)
                time.sleep(0.02)

    writer = threading.Thread(target=write)
    writer.start()
    try:
        for _ in range(3):
            enough, end = len(acknowledged) + 20, time.monotonic() + 30
            while len(acknowledged) < enough and time.monotonic() < end:
                time.sleep(0.01)
            assert len(acknowledged) >= enough, lost
            cluster.control("-m", "immediate", "stop")
            cluster.start()
    finally:
        ended.set()
        writer.join()
    there = set(project.read("elevations")["id"])
    assert set(acknowledged) <= there
    # an edit whose answer was lost on its way may be there, and is then there whole
    assert len(there - set(acknowledged)) <= len(lost)
    assert set(project.history("elevations")["row_id"]) == there
    assert lost
    assert all("fix:" in str(error) for error in lost)
    project.close()


def test_many_writers_on_many_connections_lose_nothing_and_pass_nobody(
    database: str, tmp_path: Path
) -> None:
    """Numbers of changes appear in their order, so that who asks for news after a number misses none."""
    address = read_address(f"{database}#many")
    Project.create_in(address, tmp_path / "p", name="many").close()
    with Project.open(tmp_path / "p") as first, first.edit(who="x", what="x") as edit:
        edit.insert("elevations", [{"id": "E", "name": "0"}])
    seen: list[int] = []
    ended = threading.Event()

    def count_up(_: int) -> None:
        with Project.open(tmp_path / "p") as project:
            for _ in range(10):
                with project.edit(who="x", what="x") as edit:
                    name = str(int(project.row("elevations", "E")["name"]) + 1)
                    edit.update("elevations", "E", {"name": name})

    def follow() -> None:
        with Project.open(tmp_path / "p", read_only=True) as reader:
            after = 0
            while not ended.is_set() or changes_after(reader, after):
                for change in changes_after(reader, after):
                    seen.append(change.seq)
                    after = change.seq

    reader = threading.Thread(target=follow)
    reader.start()
    try:
        with ThreadPoolExecutor(8) as pool:
            list(pool.map(count_up, range(8)))
    finally:
        ended.set()
        reader.join()
    with Project.open(tmp_path / "p", read_only=True) as project:
        assert project.row("elevations", "E")["name"] == "80"
        assert seen == [c.seq for c in changes_after(project, 0)]


def test_other_versions_and_other_projects_are_refused(database: str, tmp_path: Path) -> None:
    address = read_address(f"{database}#versions")
    project = Project.create_in(address, tmp_path / "p", name="versions")
    with pytest.raises(ProjectError, match="holds a project 'versions' already"):
        Project.create_in(address, tmp_path / "q", name="versions")
    assert not (tmp_path / "q" / "project.team").exists()
    project._connection.execute("UPDATE facademap_schema SET version = version + 1")
    with pytest.raises(ProjectError, match="newer facademap"):
        Project.open(tmp_path / "p")
    project._connection.execute("UPDATE facademap_schema SET version = version - 2")
    project._connection.execute("ALTER TABLE conditions DROP COLUMN note")
    Project.open(tmp_path / "p").close()
    assert project.missing_parts() == []
    project._connection.execute("UPDATE facademap_schema SET project = 'another'")
    with pytest.raises(ProjectError, match="holds another project by the name"):
        Project.open(tmp_path / "p")
    project.close()


def test_lengths_and_areas_are_those_of_postgis(database: str, tmp_path: Path) -> None:
    """Checked against PostGIS (ST_Area, ST_Length, ST_IsValid), which measures the same rows by its own means."""
    project = Project.create_in(read_address(f"{database}#areas"), tmp_path / "p", name="areas")
    shapes = {
        "A": shapely.Point(1, 2).buffer(0.7).difference(shapely.box(1, 2, 3, 3)),
        "B": shapely.MultiPolygon([shapely.box(0, 0, 1, 2), shapely.box(5, 5, 6.5, 7)]),
        "C": shapely.LineString([(0, 0), (3, 4), (3.5, -2)]),
    }
    with project.edit(who="ann", what="draw") as edit:
        edit.insert("elevations", [{"id": "e", "name": "e"}])
        edit.insert("surfaces", [{"id": "s", "elevation": "e", "name": "s"}])
        rows = [
            {"id": i, "surface": "s", "term": "scaling", "geometry": g} for i, g in shapes.items()
        ]
        edit.insert("conditions", rows)
    theirs = project._connection.execute(
        'SELECT "id", ST_Area("geom"), ST_Length("geom"), ST_IsValid("geom") FROM "conditions"'
    ).fetchall()
    ours = project.read("conditions").set_index("id").geometry
    for id, area, length, valid in theirs:
        assert valid
        assert area == pytest.approx(ours[id].area, abs=1e-12)
        if shapes[id].geom_type == "LineString":
            assert length == pytest.approx(ours[id].length, abs=1e-12)
    assert len(theirs) == 3
    project.close()


def test_an_older_project_is_brought_up_to_date_by_its_owner_for_everybody(
    database: str, tmp_path: Path
) -> None:
    """As one that was made before trials, variations, consents, orders, gauges and looks were known."""
    address = f"{database}#aged"
    Project.create_in(read_address(address), tmp_path / "owner", name="aged").close()
    with Project.open(tmp_path / "owner") as owner:
        for role in ("looker", "banker"):
            owner._connection.execute(f"CREATE ROLE {role} LOGIN")
        for table in ("variations", "orders", "consents", "trials", "gauge_readings", "gauges", "looks"):  # fmt: skip
            owner._connection.execute(f"DROP TABLE {table} CASCADE")
        owner._connection.execute("ALTER TABLE conditions DROP COLUMN measured_depth")
        # its rights are those of the tables of that time
        for role, may in (("looker", "SELECT"), ("banker", "SELECT, INSERT, UPDATE, DELETE")):
            owner._connection.execute(f"GRANT USAGE ON SCHEMA aged TO {role}")
            owner._connection.execute(f"GRANT {may} ON ALL TABLES IN SCHEMA aged TO {role}")
        owner._connection.execute("UPDATE facademap_schema SET version = 5")
    theirs = {role: address.replace("postgres@", f"{role}@") for role in ("looker", "banker")}
    for role, named in theirs.items():
        join_project(named, tmp_path / role)
        with pytest.raises(ProjectError, match="made by an older facademap") as refused:
            Project.open(tmp_path / role)
        assert "Let postgres, who owns it" in refused.value.remedy
    with Project.open(tmp_path / "owner") as owner:
        assert owner.missing_parts() == []
    row = add_consent(tmp_path / "banker", reference="LB/1", text="A sample.")
    assert [c["id"] for c in list_consents(tmp_path / "looker")] == [row["id"]]
    with pytest.raises(ProjectError, match="your role may not do this"):
        add_consent(tmp_path / "looker", reference="LB/2", text="Another.")


@pytest.mark.parametrize("create", ["postgis"], indirect=True)
def test_backup_and_restore_by_the_two_commands_of_the_manual(
    project: Project, cluster: Cluster, tmp_path: Path
) -> None:
    here, address = digests_of(project), project._connection.address  # type: ignore[attr-defined]
    restored = cluster.make_database("restored")
    plain = str(dataclasses.replace(address, project=""))
    dump = str(tmp_path / "one.dump")
    saved = ["pg_dump", "--format", "custom", "--schema", address.project, "--file", dump, plain]
    back = ["pg_restore", "--exit-on-error", "--single-transaction", "--dbname", restored, dump]
    for words in (saved, back):
        done = subprocess.run(words, capture_output=True, text=True, check=False)
        assert done.returncode == 0, done.stderr
    folder = join_project(f"{restored}#{address.project}", tmp_path / "restored")
    with Project.open(folder) as again:
        assert digests_of(again) == here
        with again.edit(who="ann", what="goes on") as edit:
            edit.update("conditions", "C-001", {"cc": 3})
        refuse_rewriting(again)


def watch_alone(folder: Path, ours: Any) -> None:
    """The desk of a server process of its own: tells by a pipe what it hears, and when, until the pipe is closed."""
    with TestClient(make_app(folder), base_url="http://127.0.0.1:8471") as client:
        after = client.get("/api/changes?after=0").json()["seq"]
        while "facademap_hears 1" not in client.get("/metrics").text:
            time.sleep(0.05)
        ours.send((0.0, ""))
        while not ours.poll():
            told = client.get(f"/api/changes?after={after}&wait=2").json()
            if told.get("seq", 0) > after:
                after = told["seq"]
                ours.send((time.monotonic(), str(told["rows"])))


def draw(client: TestClient, id: str) -> Any:
    row = {
        "surface": "main-plane",
        "term": "scaling",
        "geometry": {"type": "Point", "coordinates": [1.0, 2.0]},
    }
    change = {"op": "insert", "table": "conditions", "id": id, "values": row}
    body = {"key": f"desk-{uuid.uuid4().hex[:16]}", "who": "ada", "what": "draw"}
    return client.post("/api/edits", json={**body, "changes": [change]})


def test_two_servers_over_one_project_hear_of_each_other_and_survive_the_database(
    cluster: Cluster, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Desks of two server processes, each with a folder of its own: an edit at one is news at the other in less than a second.

    Neither looks by itself while the database tells, so that it is its word that brings the news.
    """
    monkeypatch.setattr("facademap.web.desk.LOOK_EVERY_TOLD_S", 1e6)
    address = cluster.make_database("desks")
    plan = ProjectPlan.of_one_wall("two desks")
    create_team_project(address, plan, files=tmp_path / "a")
    join_project(f"{address}#two_desks", tmp_path / "b")
    forked = multiprocessing.get_context("fork")
    theirs, ours = forked.Pipe()
    other = forked.Process(target=watch_alone, args=(tmp_path / "b", ours), daemon=True)
    other.start()

    def heard_of(id: str, *, since: float, within_s: float) -> None:
        assert theirs.poll(20), "no news"
        at, rows = theirs.recv()
        assert id in rows
        assert at - since < within_s * slowness()

    with TestClient(make_app(tmp_path / "a"), base_url="http://127.0.0.1:8471") as one:
        assert theirs.poll(60)
        theirs.recv()
        for id in ("C-001", "C-002", "C-003"):
            made = draw(one, id)
            stored = time.monotonic()
            assert made.status_code == 200, made.text
            heard_of(id, since=stored, within_s=1.0)

        cluster.control("-m", "immediate", "stop")
        away = draw(one, "C-004")
        assert away.status_code >= 400
        assert "Traceback" not in away.text
        assert "database desks" in away.text
        ill = one.get("/health")
        assert ill.status_code == 503
        assert ill.json()["status"] == "failing"
        assert "desks" not in ill.text
        assert "facademap_store_up 0" in one.get("/metrics").text
        cluster.start()
        assert draw(one, "C-004").status_code == 200
        assert one.get("/api/rows/conditions/C-004").json()["rev"] == 1
        time.sleep(1.1)  # so long an answer of health holds
        assert one.get("/health").json() == {"status": "ok", "store": "database", "problem": ""}
        heard_of("C-004", since=time.monotonic(), within_s=5.0)
    theirs.send("end")
    other.join(20)
    assert other.exitcode == 0


def slowness() -> float:
    """How much longer than usual this machine takes just now: what it does beside the tests is not what they measure."""
    start = time.perf_counter()
    sum(range(2_000_000))
    return max(1.0, (time.perf_counter() - start) / 0.05)


def test_an_estate_is_counted_once_and_says_what_is_left_out(
    cluster: Cluster, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("FACADEMAP_FILES", str(tmp_path / "files"))
    database = cluster.make_database("estate")
    for name, classes in (("mill", [1, 1, None]), ("kiln", [3])):
        with Project.create_in(
            read_address(f"{database}#{name}"), tmp_path / name, name=name
        ) as made:
            rows = [
                {
                    "id": f"C-{n}",
                    "surface": "s",
                    "term": "scaling",
                    "cc": cc,
                    "geometry": shapely.Point(n, 0),
                }
                for n, cc in enumerate(classes)
            ]
            with made.edit(who="ann", what="draw") as edit:
                edit.insert("elevations", [{"id": "e", "name": "e"}])
                edit.insert("surfaces", [{"id": "s", "elevation": "e", "name": "s"}])
                edit.insert("conditions", rows)
    copy_project(str(tmp_path / "mill"), str(tmp_path / "mill_again"))
    found = figures_of_estate([database, str(tmp_path / "mill_again"), str(tmp_path / "nowhere")])
    assert [f["name"] for f in found["projects"]] == ["kiln", "mill"]
    assert found["total"]["conditions"] == 4
    assert found["total"]["classes"] == {"CC0": 0, "CC1": 2, "CC2": 0, "CC3": 1, "not classed": 1}
    assert ["is a copy of" in u["problem"] for u in found["unread"]] == [True, False]


def test_an_upgrade_is_foreseen_without_a_trace_and_then_made(
    create: Callable[[str], Project],
) -> None:
    with create("older") as project:
        folder, connection = project.folder, project._connection
        connection.execute("DROP TABLE trials")
        connection.execute('ALTER TABLE photos DROP COLUMN "note"')
        connection.execute("UPDATE facademap_schema SET version = 5")

    def told() -> tuple[int, bool, bool]:
        raw = project._connection if project.in_database else sqlite3.connect(f"file:{folder}/project.gpkg?mode=ro", uri=True)  # fmt: skip
        columns = {t: dialect_of(raw).columns_of(raw, t) for t in ("photos", "trials")}
        (version,) = raw.execute("SELECT version FROM facademap_schema").fetchone()
        raw.close()
        return int(version), "note" in columns["photos"], bool(columns["trials"])

    def stored() -> dict[Path, tuple[int, bytes]]:
        # who reads a GeoPackage leaves an empty log and its index beside it
        files = (p for p in folder.rglob("*") if p.is_file() and p.suffix not in (".gpkg-shm", ".gpkg-wal"))  # fmt: skip
        return {p: (p.stat().st_mtime_ns, p.read_bytes()) for p in files}

    before = stored()
    found = upgrade_project(folder, dry_run=True)
    assert stored() == before
    assert (found["needed"], found["done"], found["version"], found["wanted"]) == (True, False, 5, SCHEMA_VERSION)  # fmt: skip
    assert (found["tables"], found["columns"]) == (("trials",), ("photos.note",))
    assert told() == (5, False, False)
    assert upgrade_project(folder)["done"]
    assert told() == (SCHEMA_VERSION, True, True)
    assert not upgrade_project(folder, dry_run=True)["needed"]


def test_a_desk_over_a_project_that_a_newer_facademap_took_up_says_so_and_goes_on(
    project: Project,
) -> None:
    def edit(client: TestClient, note: str) -> Any:
        rev = client.get("/api/rows/conditions/C-001").json()["rev"]
        change = {"op": "update", "table": "conditions", "id": "C-001", "rev": rev, "values": {"note": note}}  # fmt: skip
        return client.post("/api/edits", json={"key": uuid.uuid4().hex, "who": "x", "changes": [change]})  # fmt: skip

    with TestClient(make_app(project.folder), base_url="http://127.0.0.1:8471") as client:
        assert edit(client, "before").status_code == 200
        project._connection.execute("UPDATE facademap_schema SET version = version + 1")
        refused = edit(client, "meanwhile")
        assert refused.status_code == 503
        told = refused.json()["error"]
        assert "taken up by a newer facademap" in told["problem"]
        assert "goes on in a moment" in told["remedy"]
        assert client.get("/api/rows/conditions/C-001").json()["row"]["note"] == "before"
        time.sleep(1.1)  # an answer of /health holds for a second
        assert client.get("/health").json()["problem"] == "a newer facademap took the project up; this server is to be started anew with it"  # fmt: skip
        project._connection.execute("UPDATE facademap_schema SET version = version - 1")
        assert edit(client, "after").status_code == 200
