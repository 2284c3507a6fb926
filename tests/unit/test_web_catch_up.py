"""A page that was away for long: it gets the last state of every row that was changed, exactly and soon."""

from __future__ import annotations

import json
import shutil
import sqlite3
import sys
import time
import warnings
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
import shapely

sys.path.insert(0, str(Path(__file__).parents[1] / "e2e"))
import desk_sample

from facademap.errors import ProjectError
from facademap.store.project import Project
from facademap.store.told_rows import rows_as_json
from facademap.tables import TABLES
from facademap.tasks.desk.inverse import row_for_desk
from facademap.tasks.plan.plan import plan_project
from facademap.web import news as news_module
from facademap.web.app import make_app
from facademap.web.desk import Desk

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    from starlette.testclient import TestClient

MANY = 2_000


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = desk_sample.make_project(
        tmp_path_factory.mktemp("away") / "sample", many=12, blocks=2, picture=False
    )
    plan_project(made)
    return made


@pytest.fixture
def client(folder: Path) -> Iterator[TestClient]:
    with TestClient(make_app(folder), base_url="http://127.0.0.1:8471") as running:
        yield running


@pytest.mark.parametrize("table", sorted(TABLES))
def test_a_row_is_told_as_one_that_is_read(folder: Path, table: str) -> None:
    with Project.open(folder, read_only=True) as project:
        ids = list(project.read(table)["id"])
        told = rows_as_json(project, table, [*ids, "nobody's", "o'clock"])
        assert {i: (rev, json.loads(text)) for i, (rev, text) in told.items()} == {
            i: (row["rev"], json.loads(json.dumps(row_for_desk(TABLES[table], row))))
            for i, row in project.rows(table, ids).items()
        }
        assert rows_as_json(project, table, []) == {}


@pytest.mark.parametrize("spoilt", ['{"a":', "[1,2", "NaN", "{'a': 1}", "[1,]"])
def test_a_spoilt_cell_is_named_and_never_becomes_part_of_an_answer(
    folder: Path, spoilt: str, tmp_path: Path
) -> None:
    copy = Path(shutil.copytree(folder, tmp_path / "copy"))
    with Project.open(copy, read_only=True) as project:
        name = str(project.read("repairs")["id"].iloc[0])
    with sqlite3.connect(copy / "project.gpkg") as damaged:
        for kind in ("INSERT", "UPDATE", "DELETE"):
            for (trigger,) in damaged.execute(
                "SELECT name FROM sqlite_master WHERE type = 'trigger' AND sql LIKE ? AND tbl_name = 'repairs'",
                (f"%{kind}%",),
            ).fetchall():
                damaged.execute(f'DROP TRIGGER "{trigger}"')
        damaged.execute("UPDATE repairs SET edges = ? WHERE id = ?", (spoilt, name))
    with (
        Project.open(copy, read_only=True) as project,
        pytest.raises(ProjectError, match=f"{name}.*edges|table repairs"),
    ):
        rows_as_json(project, "repairs", [name])


def test_thousands_of_changes_are_caught_up_with_at_once(client: TestClient, folder: Path) -> None:
    """10,000 changes took 10 s of a processor once, then 1.1 s; the bar is 1 s for 10,000."""
    with Project.open(folder) as project:
        begun = client.get("/api/project").json()["seq"]
        one = project.read("conditions").iloc[[0]]
        rows: Any = pd.concat([one] * MANY, ignore_index=True)
        rows["id"] = [f"Z-{k:05d}" for k in range(MANY)]
        rows = rows.set_geometry(
            [shapely.Point(1 + k % 50 / 10, 2).buffer(0.1, quad_segs=5) for k in range(MANY)]
        )
        with project.edit(who="A. Reed", what="read") as edit:
            edit.insert("conditions", rows)
        with project.edit(who="A. Reed", what="looked at") as edit:
            edit.update("conditions", "Z-00003", {"note": "again"})
            edit.delete("conditions", "Z-00004")
    client.get(f"/api/changes?after={begun}")
    spent = time.process_time()
    news = client.get(f"/api/changes?after={begun}")
    spent = time.process_time() - spent
    told = news.json()
    by_id = {r["id"]: r for r in told["rows"]}
    assert len(by_id) == len(told["rows"]) == MANY, "each row once"
    assert by_id["Z-00003"]["row"]["note"] == "again"
    assert by_id["Z-00003"]["rev"] == 2
    assert by_id["Z-00004"]["row"] is None
    assert told["edits"][-1]["op"] == "delete"
    assert client.get(f"/api/changes?after={told['seq']}").json()["rows"] == []
    assert spent < 1.0 * MANY / 10_000 + 0.1


def test_news_arrive_although_a_row_among_them_cannot_be_read(folder: Path, tmp_path: Path) -> None:
    place = Path(shutil.copytree(folder, tmp_path / "damaged"))
    with Project.open(place) as project:
        blocks = [str(i) for i in project.read("blocks")["id"]]
        with project.edit(who="x", what="x") as edit:
            for name in blocks:
                edit.update("blocks", name, {"note": "seen"})
        before = int(project.history(last=1)["seq"].iloc[0]) - len(blocks)
    with sqlite3.connect(place / "project.gpkg") as file:
        file.execute("UPDATE blocks SET depth_m = 'deep' WHERE id = ?", (blocks[0],))
    with TestClient(make_app(place), base_url="http://127.0.0.1:8471") as client:
        answer = client.get(f"/api/changes?after={before}&wait=0")
    assert answer.status_code == 200, answer.text
    told = {r["id"]: r["row"] for r in answer.json()["rows"]}
    assert told[blocks[0]] is None
    assert told[blocks[1]]["note"] == "seen"


def test_news_are_worked_out_once_for_all_pages_and_never_stale(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[int] = []
    true_places = news_module.changed_places

    def counted(reader: Project, after: int, *, most: int) -> Any:
        asked.append(after)
        return true_places(reader, after, most=most)

    monkeypatch.setattr(news_module, "changed_places", counted)
    desk = Desk(Path(shutil.copytree(folder, tmp_path / "news")))
    try:
        news, first = news_module.News(desk), desk.seq()
        block = str(desk.reading().read("blocks")["id"].iloc[0])
        for n in range(3):
            with desk.writing() as writer, writer.edit(who="x", what="x") as edit:
                edit.update("blocks", block, {"note": f"seen {n}"})
            told = [json.loads(news.of(first)) for _ in range(50)]
            assert {t["rows"][0]["row"]["note"] for t in told} == {f"seen {n}"}
            assert {t["seq"] for t in told} == {desk.seq()}
        assert asked == [first] * 3
        # another program's edit is in the next answer, though the desk has not looked yet
        with Project.open(desk.folder) as other, other.edit(who="y", what="y") as edit:
            edit.update("blocks", block, {"note": "elsewhere"})
        assert json.loads(news.of(first))["rows"][0]["row"]["note"] == "elsewhere"
    finally:
        desk.close()
