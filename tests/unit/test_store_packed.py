"""Packed tables say what the tables say, and are never older than they may be."""

from __future__ import annotations

import json
import time
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely

from facademap.store.packed import KINDS, PER_M, pack_table, packed_head
from facademap.store.project import PACKED_FOLDER, Project
from facademap.tables import TABLES
from facademap.tasks.desk.tables import MOST_NEWS, RENEW_NEWS, PackedTables
from facademap.wall.world import wall_crs

SHAPES = {
    "C-001": shapely.box(0, 0, 1, 2),
    "C-002": shapely.Polygon(
        [(0, 0), (4, 0), (4, 4), (0, 4)], [[(1, 1), (1, 2), (2, 2)], [(3, 3), (3, 3.5), (3.5, 3.5)]]
    ),
    "C-003": shapely.MultiPolygon(
        [
            shapely.box(0, 0, 1, 1),
            shapely.Polygon([(5, 5), (9, 5), (9, 9)], [[(7, 5.5), (8, 5.5), (8, 6)]]),
        ]
    ),
    "C-004": shapely.LineString([(0.1234567, -1), (2, 3), (-4.000001, 5)]),
    "C-005": shapely.MultiLineString([[(0, 0), (1, 1)], [(2, 2), (3, 2), (3, 1)]]),
    "C-006": shapely.Point(1.5, -2.25),
}


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    with (
        Project.create(tmp_path / "p", name="Packed") as project,
        project.edit(who="a", what="rows") as edit,
    ):
        edit.insert("elevations", [{"id": "front", "name": "Front"}])
        edit.insert(
            "surfaces",
            [
                {
                    "id": "s",
                    "elevation": "front",
                    "name": "S",
                    "frame_wkt": wall_crs("S", "packed s"),
                }
            ],
        )
        for number, (name, shape) in enumerate(SHAPES.items()):
            edit.insert(
                "conditions",
                [
                    {
                        "id": name,
                        "surface": "s",
                        "term": "crack" if number % 2 else "alga",
                        "family": "A" if number % 2 else "E",
                        "geometry": shape,
                        "cc": number % 3,
                        "depth_m": None if number % 2 else number / 7,
                        "note": f"ü <b>{number}</b>\n",
                        "surveyor": "Ada",
                    }
                ],
            )
        edit.insert(
            "control_points",
            [
                {"id": "K-1", "surface": "s", "name": "1", "role": "control"},
                {
                    "id": "K-2",
                    "surface": "s",
                    "name": "2",
                    "role": "check",
                    "geometry": shapely.Point(1, 2),
                },
            ],
        )
        edit.update("conditions", "C-003", {"cc": 2})
    return tmp_path / "p"


def unpacked(data: bytes) -> tuple[dict[str, Any], list[dict[str, Any]]]:
    """Read as the page reads it."""
    head = packed_head(data)
    assert head is not None
    start = 8 + int.from_bytes(data[4:8], "little")

    def array(place: list[Any]) -> Any:
        kind = {"u": "<u", "i": "<i", "f": "<f"}[place[2][0]] + place[2][1:]
        assert (start + place[0]) % 8 == 0
        return np.frombuffer(data, kind, place[1], start + place[0])

    def column(told: dict[str, Any]) -> list[Any]:
        if "number" in told:
            return [None if v != v else float(v) for v in array(told["number"])]
        if "values" in told:
            return [
                told["values"][c]
                for c in (array(told["code"]) if "code" in told else range(head["n"]))
            ]
        return [told["same"]] * head["n"]

    columns = {name: column(told) for name, told in head["columns"].items()}
    columns["rev"] = column(head["rev"])
    rows = [{name: values[i] for name, values in columns.items()} for i in range(head["n"])]
    if "kind" in head:
        kind, rings, points, begins, xy = (
            array(head[n]) for n in ("kind", "ringsTo", "pointsTo", "begins", "xy")
        )
        for i, row in enumerate(rows):
            parts: list[list[Any]] = []
            for r in range(rings[i - 1] if i else 0, rings[i]):
                ring = (xy.reshape(-1, 2)[points[r - 1] if r else 0 : points[r]] / PER_M).tolist()
                parts.append([ring]) if begins[r] else parts[-1].append(ring)
            name = KINDS[kind[i]]
            made = {
                "": None,
                "Point": lambda p=parts: p[0][0][0],
                "LineString": lambda p=parts: p[0][0],
                "MultiLineString": lambda p=parts: [x[0] for x in p],
                "Polygon": lambda p=parts: p[0],
                "MultiPolygon": lambda p=parts: p,
            }[name]
            row["geometry"] = (
                None
                if made is None
                else shapely.from_geojson(json.dumps({"type": name, "coordinates": made()}))
            )
    return head, rows


def test_every_row_column_and_outline_comes_back(folder: Path) -> None:
    with Project.open(folder, read_only=True) as project:
        for table in TABLES:
            rows = unpacked(pack_table(project, table))[1]
            frame = project.read(table)
            assert [r["id"] for r in rows] == list(frame["id"])
            assert {r["id"]: r["rev"] for r in rows} == project.revisions(table)
            for row, stored in zip(rows, frame.to_dict("records"), strict=True):
                for name in TABLES[table].names:
                    value = stored[name]
                    missing = value is None or (isinstance(value, float) and value != value)
                    assert row[name] == (None if missing else value), (table, name)
        points = unpacked(pack_table(project, "control_points"))[1]
        assert [p["geometry"] for p in points] == [None, shapely.Point(1, 2)]
        rows = unpacked(pack_table(project, "conditions"))[1]
        for row in rows:
            drawn = SHAPES[row["id"]]
            assert row["geometry"].geom_type == drawn.geom_type
            assert shapely.equals_exact(
                shapely.normalize(row["geometry"]), shapely.normalize(drawn), tolerance=0.6 / PER_M
            )


def test_a_cut_off_file_is_no_packed_table(folder: Path) -> None:
    with Project.open(folder, read_only=True) as project:
        data = pack_table(project, "conditions")
    for broken in (b"", data[:3], data[:40], data[:-9], b"XXXX" + data[4:]):
        assert packed_head(broken) is None


def seq_of(packed: PackedTables, project: Project) -> int:
    head = packed_head(packed.table(project, "conditions")[0])
    assert head is not None
    return int(head["seq"])


def note(project: Project, text: str, times: int = 1) -> None:
    with project.edit(who="b", what="note") as edit:
        for number in range(times):
            edit.update("conditions", "C-001", {"note": f"{text} {number}"})


def test_a_packed_table_is_kept_for_a_few_edits_and_no_longer(folder: Path) -> None:
    packed = PackedTables(folder)
    with Project.open(folder) as project:
        first = seq_of(packed, project)
        note(project, "few", RENEW_NEWS)
        assert seq_of(packed, project) == first
        assert seq_of(PackedTables(folder), project) == first, "kept over a new start"
        note(project, "more than may be", MOST_NEWS - RENEW_NEWS + 1)
        assert seq_of(packed, project) == first + MOST_NEWS + 1


def test_a_packed_table_is_renewed_beside_the_requests_before_anybody_has_to_wait(
    folder: Path,
) -> None:
    packed = PackedTables(folder)
    with Project.open(folder) as project:
        first = seq_of(packed, project)
        note(project, "many", RENEW_NEWS + 1)
        assert seq_of(packed, project) == first, "this page does not wait"
        end = time.monotonic() + 20
        while seq_of(packed, project) == first and time.monotonic() < end:
            time.sleep(0.02)
        assert (
            seq_of(packed, project)
            == seq_of(PackedTables(folder), project)
            == first + RENEW_NEWS + 1
        )


def test_an_older_copy_of_the_project_or_another_one_is_packed_again(
    folder: Path, tmp_path: Path
) -> None:
    packed = PackedTables(folder)
    with Project.open(folder) as project:
        note(project, "before", 3)
        seq_of(packed, project)
        project.snapshot(tmp_path / "old.gpkg")
        note(project, "ours")
    data = next((folder / PACKED_FOLDER).glob("conditions.*")).read_bytes()
    (folder / "project.gpkg").write_bytes((tmp_path / "old.gpkg").read_bytes())
    with Project.open(folder) as project:
        again = PackedTables(folder)
        assert seq_of(again, project) == packed_head(data)["seq"]  # type: ignore[index]
        # the history goes another way from here: the same number, another change
        note(project, "another way", 2)
        head = packed_head(again.table(project, "conditions")[0])
        assert head is not None
        assert (
            head["txn"]
            == project.history(last=None)["txn"][
                project.history(last=None)["seq"] == head["seq"]
            ].iloc[0]
        )


def test_forgotten_names_are_not_handed_out_from_an_older_packing(folder: Path) -> None:
    packed = PackedTables(folder)
    with Project.open(folder) as project:
        assert b"Ada" in packed.table(project, "conditions")[0]
        project.forget("conditions", "surveyor", who="c")
        assert not list((folder / PACKED_FOLDER).glob("conditions.*"))
        assert b"Ada" not in packed.table(project, "conditions")[0]
        assert all(b"Ada" not in f.read_bytes() for f in (folder / PACKED_FOLDER).iterdir())


def test_a_folder_that_cannot_be_written_costs_only_time(folder: Path) -> None:
    (folder / "cache").mkdir(exist_ok=True)
    (folder / PACKED_FOLDER).write_text("a file where the folder should be")
    with Project.open(folder) as project:
        assert len(unpacked(PackedTables(folder).table(project, "conditions")[0])[1]) == len(SHAPES)


def test_what_was_changed_since_follows_the_packed_table(folder: Path) -> None:
    import uuid
    import warnings

    from facademap.web.app import make_app

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from starlette.testclient import TestClient

    def told(client: Any) -> tuple[dict[str, Any], dict[str, Any]]:
        data = client.get("/api/packed/conditions").content
        start = 8 + int.from_bytes(data[4:8], "little")
        head = json.loads(data[8:start])
        return head, json.loads(data[start + head["bytes"] :])

    with TestClient(make_app(folder), base_url="http://127.0.0.1:8471") as client:
        head, later = told(client)
        assert later == {"seq": head["seq"], "rows": []}
        for change in (
            {
                "op": "update",
                "table": "conditions",
                "id": "C-001",
                "rev": 1,
                "values": {"note": "later"},
            },
            {"op": "delete", "table": "conditions", "id": "C-002", "rev": 1},
        ):
            assert (
                client.post(
                    "/api/edits", json={"key": uuid.uuid4().hex, "changes": [change]}
                ).status_code
                == 200
            )
        again, later = told(client)
        assert again["seq"] == head["seq"], "packed once"
        rows = {r["id"]: r for r in later["rows"]}
        assert (rows["C-001"]["rev"], rows["C-001"]["row"]["note"]) == (2, "later")
        assert rows["C-002"]["row"] is None
        assert client.get(f"/api/changes?after={later['seq']}").json()["rows"] == []
