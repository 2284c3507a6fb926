"""A project keeps what was stored, whole, with its history."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import sqlite3
import subprocess
import sys
import textwrap
import xml.etree.ElementTree as ET
from pathlib import Path

import pandas as pd
import pyogrio
import pytest
import shapely

from facademap.errors import ConflictError, FileError, InputError, ProjectError, TableError
from facademap.store.database import connect
from facademap.store.project import SCHEMA_VERSION, Project
from facademap.tables import TABLES, is_missing
from facademap.wall.world import wall_crs


@pytest.fixture
def project(tmp_path: Path) -> Project:
    made = Project.create(tmp_path / "sail-loft", name="Sail loft")
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


def test_any_gis_reads_a_snapshot_with_its_styles(project: Project, tmp_path: Path) -> None:
    target = project.snapshot(tmp_path / "snapshot.gpkg")
    layers = {name for name, _ in pyogrio.list_layers(target)}
    assert {"conditions", "wall_stones", "layer_styles", "conditions of front"} <= layers
    front = pyogrio.read_dataframe(target, layer="conditions of front")
    assert list(front["id"]) == ["C-001"]
    assert front.total_bounds.tolist() == [0, 0, 1, 1]
    styles = pyogrio.read_dataframe(target, layer="layer_styles", read_geometry=False)
    # the layers of single walls, which lie in a place of their own, are opened with the same signs
    assert {"conditions", "conditions of front", "repairs of return"} <= set(styles["f_table_name"])
    assert set(styles["f_table_name"]) <= layers
    begin = styles[styles["useAsDefault"].astype(bool)].set_index("f_table_name")
    assert begin.index.is_unique
    same = begin.loc["conditions of front"] == begin.loc["conditions"]
    assert same[["styleSLD", "styleQML"]].all()
    for sld in styles["styleSLD"]:
        told = ET.fromstring(sld)
        assert told.tag == "{http://www.opengis.net/sld}StyledLayerDescriptor"
        assert told.get("version") == "1.1.0"
        # names of OGC 05-077r4 and 05-078r4, and of the filter encoding that they use, alone
        spaces = {e.tag.split("}")[0].strip("{") for e in told.iter()}
        assert spaces <= {f"http://www.opengis.net/{n}" for n in ("sld", "se", "ogc")}
    assert all(len(ET.fromstring(qml)) for qml in styles["styleQML"])


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
    raw = sqlite3.connect(project.path)
    with pytest.raises(sqlite3.DatabaseError, match="append-only"):
        raw.execute("DELETE FROM edit_log")
    with pytest.raises(sqlite3.DatabaseError, match="append-only"):
        raw.execute("UPDATE edit_log SET who = 'nobody'")
    raw.close()


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
    raw = sqlite3.connect(project.path)
    with pytest.raises(sqlite3.DatabaseError, match="append-only"):
        raw.execute("UPDATE edit_log SET who = 'nobody'")
    raw.close()


def test_numbers_survive_deletions(project: Project) -> None:
    with project.edit(who="ann", what="delete") as edit:
        edit.delete("conditions", "C-002")
    with project.edit(who="ann", what="draw") as edit:
        assert edit.new_id("C") == "C-003"


def test_a_newer_project_is_refused_and_left_alone(project: Project) -> None:
    raw = sqlite3.connect(project.path)
    raw.execute("UPDATE facademap_schema SET version = ?", (SCHEMA_VERSION + 1,))
    raw.commit()
    raw.close()
    with pytest.raises(ProjectError, match="newer facademap"):
        Project.open(project.folder)


@pytest.mark.parametrize("read_only", [False, True])
def test_a_project_of_the_first_version_gets_its_new_columns_and_keeps_its_rows(
    project: Project, read_only: bool
) -> None:
    outline = shapely.box(0, 0, 1, 0.4)
    with project.edit(who="ann", what="draw") as edit:
        edit.insert(
            "wall_stones", [{"id": "F-03-01", "surface": "front", "course": 3, "geometry": outline}]
        )
    folder = project.folder
    raw = sqlite3.connect(project.path)
    for (view,) in raw.execute(
        "SELECT name FROM sqlite_master WHERE type = 'view' AND name LIKE 'wall_stones of %'"
    ).fetchall():
        raw.execute(f'DROP VIEW "{view}"')
    raw.execute('ALTER TABLE wall_stones DROP COLUMN "origin"')
    raw.execute('ALTER TABLE wall_stones DROP COLUMN "confirmed_by"')
    raw.execute("UPDATE facademap_schema SET version = 1")
    raw.execute("UPDATE layer_styles SET styleSLD = 'of before'")
    raw.execute("DELETE FROM layer_styles WHERE f_table_name LIKE '% of %'")
    raw.execute(
        "INSERT INTO layer_styles (f_table_name, styleName, styleSLD, useAsDefault, description) "
        "VALUES ('conditions', 'by hand', 'of the office', 0, 'ours')"
    )
    raw.commit()
    raw.close()
    with Project.open(folder, read_only=read_only) as older:
        kept = older._connection.execute(
            "SELECT f_table_name, styleSLD FROM layer_styles WHERE f_table_name LIKE 'conditions%'"
        ).fetchall()
        assert ("conditions", "of the office") in kept
        assert "conditions of front" in {name for name, _ in kept}
        assert not [name for name, sld in kept if sld == "of before"]
        rows = older.read("wall_stones")
        assert rows["id"].tolist() == ["F-03-01"]
        assert rows["course"].tolist() == [3]
        assert rows["origin"].tolist() == ["drawn"]
        assert rows.geometry.iloc[0].equals(outline)


def test_signs_of_an_earlier_edition_are_drawn_anew_and_those_of_an_office_stay(
    project: Project,
) -> None:
    folder, path = project.folder, project.path
    project.close()
    raw = sqlite3.connect(path)
    raw.execute("UPDATE layer_styles SET styleSLD = 'of before', description = 'facademap signs'")
    raw.execute("DELETE FROM layer_styles WHERE f_table_name LIKE '% of %'")
    raw.executemany(
        "INSERT INTO layer_styles (f_table_name, styleName, styleSLD, useAsDefault, description) "
        "VALUES (?, 'by hand', 'of the office', 1, ?)",
        [("repairs", None), ("repairs of front", "ours")],
    )
    raw.commit()
    raw.close()

    def stored() -> list[tuple[str, str, int]]:
        with contextlib.closing(sqlite3.connect(path)) as file:
            return file.execute(
                "SELECT f_table_name, styleSLD, useAsDefault FROM layer_styles ORDER BY id"
            ).fetchall()

    before = stored()
    Project.open(folder, read_only=True).close()
    assert stored() == before
    Project.open(folder).close()
    now = stored()
    assert not [row for row in now if row[1] == "of before"]
    assert {"conditions of front", "repairs of return"} <= {name for name, _, _ in now}
    begin = [(name, sld) for name, sld, first in now if first]
    assert len({name for name, _ in begin}) == len(begin)
    for layer in ("repairs", "repairs of front"):
        assert (layer, "of the office") in begin
    Project.open(folder).close()
    assert stored() == now


def test_a_second_writer_hears_that_the_project_is_in_use(
    project: Project, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("facademap.store.database.LOCK_WAIT_S", 0.05)
    with Project.open(project.folder) as other, project.edit(who="ann", what="long edit") as edit:
        edit.update("conditions", "C-001", {"cc": 3})
        with pytest.raises(ProjectError, match="in use"), other.edit(who="ben", what="edit"):
            pass


@pytest.mark.parametrize("content", [b"", b"not a database at all, only some text" * 50])
def test_a_file_that_is_no_project_is_named(tmp_path: Path, content: bytes) -> None:
    (tmp_path / "project.gpkg").write_bytes(content)
    with pytest.raises(ProjectError):
        Project.open(tmp_path)
    assert (tmp_path / "project.gpkg").read_bytes() == content


def test_a_missing_project_is_named(tmp_path: Path) -> None:
    with pytest.raises(FileError, match=r"project\.gpkg is missing"):
        Project.open(tmp_path)


def test_paths_cannot_lead_out_of_the_folder(project: Project) -> None:
    with pytest.raises(InputError, match="leads out"):
        project.place("../elsewhere.txt")


def test_acknowledged_edits_survive_a_kill(project: Project) -> None:
    """What the writer said was stored is there after kill -9, and the file is sound."""
    script = textwrap.dedent(f"""
        import sys
        from facademap.store.project import Project
        import shapely
        project = Project.open({str(project.folder)!r})
        for n in range(10000):
            with project.edit(who='x', what='x') as edit:
                edit.insert('conditions', [dict(id=f'K-{{n}}', surface='front', term='scaling', geometry=shapely.Point(n, n))])
            print(n, flush=True)
        """)
    child = subprocess.Popen([sys.executable, "-c", script], stdout=subprocess.PIPE, text=True)
    assert child.stdout is not None
    acknowledged = [int(child.stdout.readline()) for _ in range(60)]
    os.kill(child.pid, signal.SIGKILL)
    acknowledged += [int(line) for line in child.stdout.read().split() if line.isdigit()]
    child.wait()
    stored = {int(i[2:]) for i in project.read("conditions")["id"] if i.startswith("K-")}
    assert set(acknowledged) <= stored <= set(range(len(stored) + 1))
    assert project.integrity() == []


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


def test_ids_of_an_older_project_are_renamed_everywhere_and_it_is_said(
    project: Project, caplog: pytest.LogCaptureFixture
) -> None:
    with project.edit(who="ann", what="third") as edit:
        edit.insert(
            "conditions", [{**project.read("conditions").to_dict("records")[1], "id": "C-003"}]
        )
    with project.edit(who="ann", what="note") as edit:
        first = edit.txn
        edit.update("conditions", "C-001", {"note": "seen"})
    project.close()
    folder = project.folder
    raw = connect(folder / "project.gpkg")
    raw.execute("DROP TRIGGER edit_log_is_append_only_1")
    for table in TABLES:
        raw.execute(f'DROP INDEX "{table}_names"')
    odd = {"front": "../../../victim", "C-001": "stone 3/4", "C-002": "c-003"}
    for old, new in odd.items():
        for table, column in (
            ("surfaces", "id"),
            ("conditions", "id"),
            ("conditions", "surface"),
            ("edit_log", "row_id"),
        ):
            raw.execute(f'UPDATE "{table}" SET "{column}" = ? WHERE "{column}" = ?', (new, old))
        for part in ("before", "after"):
            raw.execute(
                f"UPDATE edit_log SET {part} = replace({part}, ?, ?)",
                (json.dumps(old), json.dumps(new)),
            )
    raw.execute("UPDATE facademap_schema SET version = 3")
    raw.close()
    with Project.open(folder) as newer:
        assert "'../../../victim' is 'victim'" in caplog.text
        assert "'stone 3/4' is 'stone-3-4'" in caplog.text
        assert newer.read("surfaces")["id"][0] == "victim"
        after = newer.read("conditions")
        assert after["surface"][0] == "victim"
        assert list(after["id"]) == ["stone-3-4", "c-003", "C-003-2"]
        assert newer.setting("renamed_ids")["surfaces"] == {"../../../victim": "victim"}
        newer.undo(first, who="ann")
        assert is_missing(newer.row("conditions", "stone-3-4")["note"])
        snapshot = newer.snapshot(folder / "copy.gpkg")
    layers = {name for name, _ in pyogrio.list_layers(snapshot)}
    assert "conditions of victim" in layers
    assert not any(".." in name for name in layers)


@pytest.mark.parametrize(
    ("field", "value"), [("cc", "x"), ("geom", b"GP\x00\x01junk"), ("depth_m", "deep")]
)
def test_a_damaged_cell_is_named_and_the_check_survives_it(
    project: Project, field: str, value: object
) -> None:
    from facademap.tasks.project.check import check_project

    folder = project.folder
    project.close()
    raw = connect(folder / "project.gpkg")
    raw.execute("DROP TRIGGER IF EXISTS rtree_conditions_geom_update3") if field == "geom" else None
    for (name,) in raw.execute(
        "SELECT name FROM sqlite_master WHERE type = 'trigger' AND tbl_name = 'conditions'"
    ).fetchall():
        raw.execute(f'DROP TRIGGER "{name}"')
    raw.execute(f'UPDATE conditions SET "{field}" = ? WHERE id = ?', (value, "C-002"))
    raw.close()
    result = check_project(folder)
    assert any("C-002" in f["about"] + f["problem"] for f in result["findings"]), result


def test_a_json_cell_that_is_none_names_table_row_and_field(project: Project) -> None:
    from facademap.tasks.project.check import check_project

    with project.edit(who="ann", what="repair") as edit:
        edit.insert(
            "blocks",
            [{"id": "B-1", "stone_type": "sandstone", "kind": "sedimentary"}],
        )
    folder = project.folder
    project.close()
    raw = connect(folder / "project.gpkg")
    raw.execute("UPDATE blocks SET acceptance_checks = '{\"a\": ' WHERE id = 'B-1'")
    raw.close()
    with (
        Project.open(folder) as damaged,
        pytest.raises(
            ProjectError, match="table blocks, row B-1, field acceptance_checks: no json"
        ),
    ):
        damaged.read("blocks")
    found = check_project(folder)["findings"]
    assert ("blocks", "B-1", "acceptance_checks") in {
        (f["table"], f["row"], f["field"]) for f in found
    }


def test_a_project_that_lies_where_nobody_can_write_is_read_and_left_alone(
    project: Project, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = project.folder
    project.close()
    before = {p.name: p.read_bytes() for p in folder.iterdir() if p.is_file()}
    monkeypatch.setattr(os, "access", lambda path, mode: False)
    with Project.open(folder, read_only=True) as still:
        assert len(still.read("conditions")) == 2
        assert {p.name: p.read_bytes() for p in folder.iterdir() if p.is_file()} == before
        with pytest.raises(ProjectError, match="reading only"), still.edit(who="a", what="b"):
            pass
