"""Whatever is damaged in the file of a project, it is named by table, row and field, and can be set aside and put back."""

from __future__ import annotations

import json
import math
import shutil
import sqlite3
import struct
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import shapely
from click.testing import CliRunner

from facademap.cli.main import main
from facademap.errors import InputError, ProjectError, TableError
from facademap.store.database import connect
from facademap.store.packed import pack_table
from facademap.store.project import Project
from facademap.tables import TABLES
from facademap.tables.column_shapes import PATTERN_SIZE
from facademap.tasks.project.check import check_project
from facademap.tasks.project.set_aside import put_rows_back, set_rows_aside
from facademap.wall.world import wall_crs

RING = [[0.0, 0.0], [0.5, 0.0], [0.5, 0.3], [0.0, 0.3]]


@pytest.fixture
def folder(tmp_path: Path, sound: Path) -> Path:
    return Path(shutil.copytree(sound, tmp_path / "loft"))


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A wall, a condition, a block and its face."""
    place = tmp_path_factory.mktemp("sound") / "loft"
    with Project.create(place, name="Sail loft") as made, made.edit(who="ann", what="set up") as edit:  # fmt: skip
        edit.insert("elevations", [{"id": "river", "name": "River front"}])
        frame = wall_crs("front", "test front")
        edit.insert(
            "surfaces", [{"id": "front", "elevation": "river", "name": "Front", "frame_wkt": frame}]
        )
        edit.insert(
            "conditions",
            [
                {"id": f"C-{n}", "surface": "front", "term": "scaling", "geometry": shapely.box(n, 0, n + 1, 1)}
                for n in (1, 2)
            ],
        )  # fmt: skip
        edit.insert("blocks", [{"id": "B-1", "stone_type": "limestone", "kind": "sedimentary"}])
        edit.insert(
            "faces", [{"id": "F-1", "block": "B-1", "outline": RING, "usable_depth_m": 0.2}]
        )
    return place


@pytest.fixture
def raw(folder: Path) -> Iterator[sqlite3.Connection]:
    """The file as another program writes it, without our triggers."""
    connection = connect(folder / "project.gpkg")
    for (name,) in connection.execute(
        "SELECT name FROM sqlite_master WHERE type = 'trigger' AND tbl_name = 'conditions'"
    ).fetchall():
        connection.execute(f'DROP TRIGGER "{name}"')
    yield connection
    connection.close()


def places(folder: Path) -> set[tuple[str, str, str]]:
    return {
        (f["table"], f["row"], f["field"])
        for f in check_project(folder, fast=True)["findings"]
        if f["can_set_aside"]
    }


def nested(depth: int) -> bytes:
    """Collections in collections, which overflow the stack of the library that reads them."""
    return b"GP\x00\x01" + struct.pack("<i", 0) + struct.pack("<BII", 1, 7, 1) * depth


HUGE = "1" + "0" * 400
DAMAGE: list[tuple[str, str, str, Any]] = [
    ("faces", "F-1", "appearance", '{"version": 1}'),
    ("faces", "F-1", "appearance", "[]"),
    ("faces", "F-1", "outline", "[[0, 0], [1, 0], [1, null]]"),
    ("faces", "F-1", "outline", '[[0, 0], [1, 0], [1, "x"]]'),
    ("faces", "F-1", "outline", "[[0, 0], [1, 0], [NaN, 1]]"),
    ("faces", "F-1", "outline", f"[[0, 0], [1, 0], [{HUGE}, 1]]"),
    ("faces", "F-1", "flaws", '[{"kind": "crack"}]'),
    ("faces", "F-1", "lab", "[1, 2]"),
    ("faces", "F-1", "photo_matrix", "[[1, 0, 0], [0, 1, 0]]"),
    ("faces", "F-1", "usable_depth_m", "deep"),
    ("faces", "F-1", "usable_depth_m", -1.0),
    ("faces", "F-1", "usable_depth_m", math.inf),
    ("faces", "F-1", "bed", "sideways"),
    ("faces", "F-1", "finish", b"\xff\xfe"),
    ("blocks", "B-1", "acceptance_checks", "[" * 100_000),
    ("blocks", "B-1", "stone_type", None),
    ("surfaces", "front", "world", '{"matrix": [[1, 2], [3, 4]]}'),
    ("surfaces", "front", "report", '{"extent_m": [0, 0, 1]}'),
    ("surfaces", "front", "report", '{"warnings": "many"}'),
    ("conditions", "C-2", "cc", "x"),
    ("conditions", "C-2", "observed_on", "yesterday"),
    ("settings", "name", "value", "Sail loft"),
    ("settings", "name", "value", "[1]"),
    ("conditions", "C-2", "geom", b"GP\x00\x01junk"),
    ("conditions", "C-2", "geom", "POLYGON"),
    ("conditions", "C-2", "geom", nested(400_000)),
]  # fmt: skip


def damage(raw: sqlite3.Connection, table: str, row: str, field: str, value: Any) -> Any:
    raw.execute(f'UPDATE "{table}" SET "{field}" = ? WHERE "id" = ?', (value, row))
    return table, row, "geometry" if field == "geom" else field


@pytest.mark.parametrize(("table", "row", "field", "value"), DAMAGE)
def test_what_reads_a_damaged_cell_names_it(
    folder: Path, raw: sqlite3.Connection, table: str, row: str, field: str, value: Any
) -> None:
    place = damage(raw, table, row, field, value)
    readers: list[Any] = [lambda p: p.setting("name") if table == "settings" else p.read(table)]
    if table == "conditions":
        readers.append(lambda p: pack_table(p, table))
    for read in readers:
        with Project.open(folder, read_only=True) as project, pytest.raises(ProjectError) as told:
            read(project)
        assert "table {}, row {}, field {}: ".format(*place) in told.value.problem
        assert f"--set-aside {table}:{row}" in told.value.remedy


@pytest.mark.parametrize("turn", range(6))
def test_damaged_rows_are_found_cell_by_cell_set_aside_and_put_back(
    folder: Path, raw: sqlite3.Connection, turn: int
) -> None:
    # every damage is looked at once: the first of each cell in the first turn, and so on
    chosen = {}
    for entry in DAMAGE:
        earlier = sum(d[:3] == entry[:3] for d in DAMAGE[: DAMAGE.index(entry)])
        if earlier == turn:
            chosen[damage(raw, *entry)] = entry
    assert places(folder) == set(chosen)
    done = set_rows_aside(folder, ["all"])
    rows = {(table, row) for table, row, _ in chosen}
    assert {(r["table"], r["row"]) for r in done["rows"]} == rows
    with Project.open(folder) as project:
        assert not [cell for table in TABLES for cell in project.damage(table)]
        assert not any(row in set(project.read(table)["id"]) for table, row in rows)
        if rows:
            assert set(project.set_aside_by(done["key"])) == {f"{t}:{r}" for t, r in rows}
            back = project.undo(done["key"], who="ann")
            assert {(c.table, c.row) for t in TABLES for c in project.damage(t)} == rows
            project.undo(back, who="ann")  # and again
            assert not [cell for table in TABLES for cell in project.damage(table)]
    if rows:
        with pytest.raises(InputError, match="no rows are set aside"):
            put_rows_back(folder, done["key"])


def test_a_row_comes_back_byte_for_byte(folder: Path, raw: sqlite3.Connection) -> None:
    damage(raw, "conditions", "C-2", "geom", nested(9))
    before = raw.execute("SELECT * FROM conditions WHERE id = 'C-2'").fetchone()
    done = set_rows_aside(folder, ["conditions:C-2"])
    assert put_rows_back(folder, done["key"]) == ["conditions:C-2"]
    assert raw.execute("SELECT * FROM conditions WHERE id = 'C-2'").fetchone() == before


def test_all_damaged_rows_and_missing_parts_are_mended_by_one_call(
    folder: Path, raw: sqlite3.Connection, capsys: pytest.CaptureFixture[str]
) -> None:
    raw.execute("UPDATE faces SET appearance = 'x'")
    raw.execute("UPDATE conditions SET id = X'00ff' WHERE id = 'C-1'")
    raw.execute("DROP TABLE reviews")
    raw.execute("DROP VIEW IF EXISTS 'conditions of front'")
    raw.execute("ALTER TABLE conditions DROP COLUMN cause")
    with pytest.raises(SystemExit) as ended:
        main(["check", str(folder)])
    said = capsys.readouterr().out
    assert ended.value.code == 1
    assert "table reviews: is missing" in said
    assert "table conditions: has no column cause" in said
    assert "could not be looked through" not in said
    with pytest.raises(SystemExit):
        main(["check", str(folder), "--set-aside", "all", "--json"])
    told = json.loads(capsys.readouterr().out)
    assert told["set_aside"]["made"] == ["conditions.cause", "reviews"]
    assert {r["table"] for r in told["set_aside"]["rows"]} == {"faces", "conditions"}
    assert told["faults"] == 0, [f for f in told["findings"] if f["level"] == "fault"]
    with Project.open(folder) as project:
        assert [len(project.read(t)) for t in ("conditions", "faces", "reviews")] == [1, 0, 0]


def test_a_sound_row_is_not_set_aside(folder: Path) -> None:
    with pytest.raises(InputError, match="is not damaged"):
        set_rows_aside(folder, ["faces:F-1"])
    with pytest.raises(InputError, match="no rows are set aside"):
        put_rows_back(folder, "nothing")


def test_an_edit_of_a_damaged_row_names_it(folder: Path, raw: sqlite3.Connection) -> None:
    raw.execute("UPDATE faces SET lab = '7'")
    for change in (
        lambda e: e.update("faces", "F-1", {"note": "x"}),
        lambda e: e.delete("faces", "F-1"),
    ):
        with (
            Project.open(folder) as project,
            pytest.raises(ProjectError, match="row F-1, field lab"),
            project.edit(who="ann", what="try") as edit,
        ):
            change(edit)


def test_a_broken_entry_of_the_history_is_told_and_stops_only_its_undo(
    folder: Path, raw: sqlite3.Connection
) -> None:
    for (name,) in raw.execute(
        "SELECT name FROM sqlite_master WHERE type = 'trigger' AND tbl_name = 'edit_log'"
    ).fetchall():
        raw.execute(f'DROP TRIGGER "{name}"')
    with Project.open(folder) as project:
        with project.edit(who="ann", what="note") as edit:
            edit.update("faces", "F-1", {"note": "x"})
        raw.execute("UPDATE edit_log SET before = '{' WHERE txn = ?", (edit.txn,))
        with pytest.raises(ProjectError, match="of the history cannot be read"):
            project.undo(edit.txn, who="ann")
        assert len(project.read("faces")) == 1
    assert any(f["about"] == "history" for f in check_project(folder)["findings"])


def test_every_json_column_has_a_shape() -> None:
    columns = [(t.name, c) for t in TABLES.values() for c in t.columns if c.kind == "json"]
    assert [f"{t}.{c.name}" for t, c in columns if c.shape is None] == []


def test_the_shape_of_a_grain_is_that_of_the_room_that_measures_it() -> None:
    from facademap.salvage import pattern

    assert pattern.PATTERN_SIZE == PATTERN_SIZE


@pytest.mark.parametrize(
    ("column", "value", "said"),
    [
        ("outline", [[0, 0], [1, 0], [1, math.nan]], "plain|number that can be"),
        ("outline", [[0, 0], [1, 0], [1, "x"]], r"at \[2\]\[1\]: expected a number"),
        ("flaws", [{"ring": RING, "depth_m": "deep"}], r"at \[0\]\.depth_m: expected a number"),
        ("lab", {"l": 1}, "expected a list"),
        ("note", "half a pair \ud800", "UTF-8"),
    ],
)  # fmt: skip
def test_import_and_edit_refuse_what_departs_from_a_shape(
    folder: Path, column: str, value: Any, said: str
) -> None:
    with Project.open(folder) as project:
        with pytest.raises(TableError, match=said), project.edit(who="a", what="b") as edit:
            edit.update("faces", "F-1", {column: value})
        with pytest.raises(TableError, match=said), project.edit(who="a", what="b") as edit:
            edit.insert("faces", [{"id": "F-9", "block": "B-1", "outline": RING, "usable_depth_m": 0.1, column: value}])  # fmt: skip


def test_the_desk_sets_a_damaged_row_aside_and_puts_it_back(
    folder: Path, raw: sqlite3.Connection
) -> None:
    from starlette.testclient import TestClient

    from facademap.web.app import make_app

    raw.execute("UPDATE faces SET appearance = '{'")
    with TestClient(make_app(folder), base_url="http://127.0.0.1") as client:

        def told() -> list[Any]:
            found = client.get("/api/check?fast=1").json()["findings"]
            return [(f["table"], f["row"], f["field"]) for f in found if f["can_set_aside"]]

        assert told() == [("faces", "F-1", "appearance")]
        origin = {"origin": "http://127.0.0.1"}
        sent = {"table": "faces", "row": "F-1", "who": "ann"}
        done = client.post("/api/check/set-aside", json=sent, headers=origin)
        assert done.status_code == 200, done.text
        assert told() == []
        client.post("/api/check/put-back", json={"key": done.json()["key"]}, headers=origin)
        assert told() == [("faces", "F-1", "appearance")]


def test_a_column_whose_name_is_no_text_is_told_by_the_check(folder: Path) -> None:
    with Project.open(folder):
        pass  # nothing is left in the log beside the file
    file = folder / "project.gpkg"
    with sqlite3.connect(file) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    connection.close()
    content = file.read_bytes()
    assert b'"acceptance"' in content
    file.write_bytes(content.replace(b'"acceptance"', b'"accept\xb4nce"'))
    result = CliRunner().invoke(main, ["check", str(folder)])
    assert result.exit_code in (1, 2)
    assert "blocks" in result.output
    assert "Traceback" not in result.output
    assert "could not be worked out" not in result.output
