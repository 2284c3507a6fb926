"""Tape lengths and outlines of a file as the desk sends them: adjusted, marked, shown before they are stored."""

from __future__ import annotations

import base64
from pathlib import Path
from typing import Any

import geopandas as gpd
import pytest
import shapely

from facademap.errors import FacademapError, GeometryError, InputError
from facademap.store.project import Project
from facademap.tasks.desk.outlines import read_outlines
from facademap.tasks.survey.measured_by import control_by
from facademap.tasks.survey.tape_points import place_points

SIDES: list[dict[str, Any]] = [
    {"kind": "level", "start": "a", "end": "b", "length_m": 4.0},
    {"kind": "plumb", "start": "a", "end": "d", "length_m": 2.4},
    {"kind": "distance", "start": "b", "end": "c", "length_m": 2.4},
    {"kind": "distance", "start": "d", "end": "c", "length_m": 4.0},
    {"kind": "distance", "start": "a", "end": "c", "length_m": 4.6648},
]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    with (
        Project.create(tmp_path / "mill", name="Mill") as project,
        project.edit(who="sample", what="a surface") as edit,
    ):
        edit.insert("elevations", [{"id": "yard", "name": "Yard side", "building": "Mill"}])
        edit.insert("surfaces", [{"id": "plane", "elevation": "yard", "name": "Main plane"}])
        edit.insert(
            "control_points",
            [
                {
                    "id": "K-1",
                    "surface": "plane",
                    "name": "b",
                    "role": "control",
                    "u_m": 10.0,
                    "v_m": 1.0,
                    "geometry": shapely.Point(10, 1),
                }
            ],
        )
    return tmp_path / "mill"


def test_tape_keeps_the_place_of_a_known_point_and_marks_all(folder: Path) -> None:
    found = place_points(folder, SIDES, surface="plane")
    assert found["redundancy"] == 1
    with Project.open(folder, read_only=True) as project:
        points = project.read("control_points").set_index("name")
        assert control_by(project, points.reset_index()) == "tape"
    assert points.at["b", "id"] == "K-1"
    assert tuple(points.loc["a", ["u_m", "v_m"]]) == pytest.approx((6.0, 1.0), abs=1e-3)
    assert tuple(points.loc["c", ["u_m", "v_m"]]) == pytest.approx((10.0, 3.4), abs=1e-3)
    assert 0.0005 < points.at["c", "sigma_m"] < 0.006


@pytest.mark.parametrize(
    ("measures", "problem"),
    [
        ([], "no list"),
        ([*SIDES, {"kind": "length", "start": "a", "end": "b"}], "kind is 'length'"),
        ([*SIDES, {"kind": "distance", "start": "", "end": "b"}], "not named"),
        ([{**SIDES[0], "length_m": "4"}], "not a number"),
        ([*SIDES[:4], {**SIDES[4], "length_m": 5.6}], "contradict"),
    ],
)
def test_bad_tape_changes_nothing(folder: Path, measures: list[Any], problem: str) -> None:
    with pytest.raises((InputError, GeometryError), match=problem):
        place_points(folder, measures, surface="plane")
    with Project.open(folder, read_only=True) as project:
        assert len(project.read("control_points")) == 1


def _options(tmp_path: Path, boxes: list[shapely.Polygon], **more: Any) -> dict[str, Any]:
    path = tmp_path / "stones.geojson"
    frame = gpd.GeoDataFrame({"id": [f"A{k}" for k in range(len(boxes))]}, geometry=boxes)
    path.write_text(frame.to_json(drop_id=True), encoding="utf-8")
    content = base64.b64encode(path.read_bytes()).decode()
    return {"table": "wall_stones", "name": path.name, "content": content, "unit": "m", **more}


def test_outlines_are_shown_before_they_are_stored(folder: Path, tmp_path: Path) -> None:
    options = _options(tmp_path, [shapely.box(0.2, 0.2, 1, 0.7), shapely.box(1.1, 0.2, 1.9, 0.7)])
    seen = read_outlines(folder, options, who="Reed")
    assert seen["understood"].startswith("2 wall stones, 0.80 m2")
    assert [shapely.geometry.shape(s).bounds for s in seen["shapes"]] == [
        pytest.approx((0.2, 0.2, 1, 0.7)),
        pytest.approx((1.1, 0.2, 1.9, 0.7)),
    ]
    assert seen["doubts"] == []
    with Project.open(folder, read_only=True) as project:
        assert project.read("wall_stones").empty
    read_outlines(folder, {**options, "store": True}, who="Reed")
    with Project.open(folder, read_only=True) as project:
        assert list(project.read("wall_stones")["id"]) == ["A0", "A1"]


def test_doubts_are_shown_and_stored_only_when_accepted(folder: Path, tmp_path: Path) -> None:
    options = _options(tmp_path, [shapely.box(0, 0, 800, 500), shapely.box(900, 0, 1700, 500)])
    seen = read_outlines(folder, options, who="Reed")
    assert len(seen["shapes"]) == 2
    assert "larger than" in seen["doubts"][0]["problem"]
    with pytest.raises(InputError, match="larger than"):
        read_outlines(folder, {**options, "store": True}, who="Reed")
    with Project.open(folder, read_only=True) as project:
        assert project.read("wall_stones").empty


@pytest.mark.parametrize(
    "wrong",
    [
        {"table": "blocks"},
        {"name": "stones.exe"},
        {"name": "../../x"},
        {"content": "%%%"},
        {"content": ""},
        {"unit": "ell"},
        {"surface": "elsewhere"},
        {"layer": 7},
    ],
)
def test_what_is_no_file_of_outlines_is_refused(
    folder: Path, tmp_path: Path, wrong: dict[str, Any]
) -> None:
    options = _options(tmp_path, [shapely.box(0.2, 0.2, 1, 0.7)])
    with pytest.raises(FacademapError):
        read_outlines(folder, {**options, **wrong}, who="Reed")
