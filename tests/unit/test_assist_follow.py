"""The files read and written for proposed outlines and lines."""

from __future__ import annotations

import json
from pathlib import Path

import cv2
import numpy as np
import pytest
import shapely

from facademap.condition.assist_lines import follow_line
from facademap.errors import FacademapError
from facademap.tasks.survey.assist import follow


@pytest.fixture
def picture(tmp_path: Path) -> Path:
    """A pale wall with one dark patch and one dark line."""
    rgb = np.full((240, 320, 3), 190, np.uint8)
    noise = np.random.default_rng(1).normal(0, 3, rgb.shape)
    cv2.rectangle(rgb, (60, 60), (140, 120), (90, 80, 70), -1)
    cv2.line(rgb, (30, 180), (290, 200), (40, 40, 40), 2)
    path = tmp_path / "wall.png"
    cv2.imwrite(str(path), np.clip(rgb + noise, 0, 255).astype(np.uint8)[..., ::-1])
    return path


def test_patch_is_outlined(picture: Path, tmp_path: Path) -> None:
    clicks, out = tmp_path / "clicks.csv", tmp_path / "out.geojson"
    clicks.write_text("name,x_px,y_px\npatch,100,90\n")
    found = follow(picture, clicks=clicks, kind="outline", out=out)
    assert (found["made"], found["notes"]) == (1, [])
    (feature,) = json.loads(out.read_text())["features"]
    ring, truth = shapely.geometry.shape(feature["geometry"]), shapely.box(60, 60, 140, 120)
    assert feature["properties"] == {"name": "patch"}
    assert ring.intersection(truth).area / ring.union(truth).area > 0.85


def test_line_goes_through_the_clicks_in_their_order(picture: Path, tmp_path: Path) -> None:
    clicks, out = tmp_path / "clicks.csv", tmp_path / "out.geojson"
    clicks.write_text("name,order,x_px,y_px\ncrack,2,288,200\ncrack,1,32,180\n")
    found = follow(picture, clicks=clicks, kind="line", out=out)
    assert (found["made"], found["notes"]) == (1, [])
    (feature,) = json.loads(out.read_text())["features"]
    line, truth = (
        shapely.geometry.shape(feature["geometry"]),
        shapely.LineString([(30, 180), (290, 200)]),
    )
    assert line.coords[0][0] < line.coords[-1][0]
    assert truth.intersection(line.buffer(2)).length > 0.9 * truth.length


@pytest.mark.parametrize(
    ("kind", "table", "told"),
    [
        ("outline", "name,x_px\na,1\n", "column y_px is missing"),
        ("outline", "name,x_px,y_px\na,one,2\n", "line 2"),
        ("outline", "name,x_px,y_px\na,nan,2\n", "line 2: x_px is nan"),
        ("outline", "name,x_px,y_px\na,9,9\na,8,8\n", "line 3: the name 'a' is given twice"),
        (
            "outline",
            "name,x_px,y_px\na,100,90\nbeside,900,90\n",
            r"line 3: the click \(900, 90\) lies outside the picture of 320 x 240 px",
        ),
        ("line", "name,order,x_px,y_px\na,1,50,50\na,2,50,-1\n", "line 3: the click"),
        ("line", "name,order,x_px,y_px\nalone,1,50,50\n", "'alone' has one place only"),
        ("line", "name,order,x_px,y_px\na,1,50,50\na,2,50,50\n", "'a' has one place only"),
        ("outline", "", "is empty"),
        ("outline", "name,x_px,y_px\n", "no rows"),
    ],
)
def test_bad_table_leaves_nothing_behind(
    picture: Path, tmp_path: Path, kind: str, table: str, told: str
) -> None:
    clicks, out = tmp_path / "clicks.csv", tmp_path / "out.geojson"
    clicks.write_text(table)
    with pytest.raises(FacademapError, match=told) as caught:
        follow(picture, clicks=clicks, kind=kind, out=out)
    assert "\n" not in str(caught.value)
    assert not out.exists()


def test_the_input_is_never_overwritten(picture: Path, tmp_path: Path) -> None:
    clicks = tmp_path / "clicks.csv"
    clicks.write_text("name,x_px,y_px\na,100,90\n")
    before = picture.read_bytes()
    with pytest.raises(FacademapError):
        follow(picture, clicks=clicks, kind="outline", out=picture)
    assert picture.read_bytes() == before


@pytest.mark.parametrize("breadth_px", [4, 9])
def test_a_broad_crack_is_followed_along_its_middle_round_its_kinks(breadth_px: int) -> None:
    rng = np.random.default_rng(7)
    stone = (
        cv2.GaussianBlur(rng.normal(0.0, 24.0, (420, 620)).astype(np.float32), (0, 0), 1.5) + 165.0
    )
    kinks = np.array([[30, 80], [150, 190], [240, 160], [360, 300], [470, 260], [590, 350]])
    cv2.polylines(stone, [kinks.astype(np.int32)], False, 55.0, breadth_px, cv2.LINE_AA)
    picture = np.repeat(np.clip(stone, 0, 255).astype(np.uint8)[..., None], 3, axis=2)
    path = shapely.LineString(follow_line(picture, [(30, 80), (300, 230), (590, 350)]))
    truth = shapely.LineString(kinks)
    followed = truth.intersection(path.buffer(2.0)).length / truth.length
    assert followed >= 0.9
    assert path.length < 1.15 * truth.length
