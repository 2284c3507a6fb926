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

import pyogrio
import pytest
import shapely

from facademap.errors import FileError, InputError, ProjectError
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
