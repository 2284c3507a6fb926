"""What a surveyor may get wrong with cameras, tapes, frames and photos: each named, with its remedy."""

from __future__ import annotations

import json
from pathlib import Path

import cv2
import numpy as np
import pytest

from facademap.errors import FacademapError
from facademap.io.camera_files import read_camera
from facademap.io.pictures import read_picture
from facademap.photo.blur import BLURRED_SHARE, blur_share, blur_warning
from facademap.photo.tape import TapeMeasure, place_by_tape
from facademap.tasks.survey.calibrate import calibrate_from_photos
from facademap.tasks.survey.survey_frame import place_survey_points

CAMERA = {
    "width": 6000,
    "height": 4000,
    "fx": 5800,
    "fy": 5800,
    "cx": 3000,
    "cy": 2000,
    "k1": -0.1,
    "k2": 0.02,
    "p1": 0.0,
    "p2": 0.0,
}
DEMO = Path(__file__).parents[2] / "demo_facade" / "photos"
BOARDS = Path("/usr/share/doc/opencv-doc/examples/data")


@pytest.mark.parametrize(
    ("name", "value", "said"),
    [
        ("fx", 24.0, "focal length fx"),
        ("fx", 1e300, "focal length fx"),
        ("fx", 10**400, "hundreds of digits"),
        ("fy", 900.0, "differ"),
        ("cx", -9000.0, "cx"),
        ("k1", 1e30, "k1"),
        ("k2", -1e5, "k2"),
        ("p1", 40.0, "p1"),
        ("k1", True, "not a finite number"),
    ],
)
def test_implausible_camera_values_are_named(
    tmp_path: Path, name: str, value: float, said: str
) -> None:
    path = tmp_path / "camera.json"
    path.write_text(json.dumps(CAMERA | {name: value}))
    with pytest.raises(FacademapError, match=said):
        read_camera(path)


def test_ordinary_cameras_pass(tmp_path: Path) -> None:
    path = tmp_path / "camera.json"
    for change in (
        {},
        {"fx": 3000, "fy": 3000, "k1": -0.35, "k2": 0.12},
        {"fx": 40000, "fy": 40000, "k1": 0.5},
    ):
        path.write_text(json.dumps(CAMERA | change))
        read_camera(path)


@pytest.mark.parametrize(
    "path",
    [*sorted(DEMO.glob("*.jpg")), *sorted(BOARDS.glob("left[01]*.jpg"))],
    ids=lambda p: p.name,
)
def test_sharp_photos_are_not_called_blurred_and_blurred_ones_are(path: Path) -> None:
    picture, _ = read_picture(path)
    assert blur_warning(picture) is None
    share = blur_share(cv2.GaussianBlur(picture, (0, 0), 3.5))
    assert share is not None
    assert share > BLURRED_SHARE
    assert "blurred" in (blur_warning(cv2.GaussianBlur(picture, (0, 0), 3.5)) or "")


def test_a_bare_photo_tells_nothing_about_blur() -> None:
    assert blur_share(np.full((600, 800, 3), 128, np.uint8)) is None


@pytest.mark.parametrize(
    ("measures", "said"),
    [
        ([("distance", "a", "b", 3450.0)], "no length that a tape measures"),
        ([("distance", "a", "b", 1e-9)], "no length that a tape measures"),
        (
            [("level", "a", "b", 1.0), ("distance", "a", "c", 1.0), ("distance", "b", "c", 5.0)],
            "contradict each other",
        ),
        (
            [("level", "a", "b", 3.0), ("plumb", "a", "c", 2.0), ("distance", "b", "c", 6.3)],
            "contradict each other",
        ),
    ],
)
def test_impossible_tapes_are_refused(
    measures: list[tuple[str, str, str, float]], said: str
) -> None:
    with pytest.raises(FacademapError, match=said):
        place_by_tape([TapeMeasure(kind=k, start=a, end=b, length_m=m) for k, a, b, m in measures])  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("height", "outside", "epsg", "said"),
    [
        ("1e300", None, None, "beyond every coordinate system"),
        ("90000", None, None, "no wall"),
        ("3.1", (float("nan"), 0.0, 0.0), None, "no place before a wall"),
        ("3.1", None, 999999, "no known coordinate system"),
        ("3.1", None, 4326, "not a projected"),
    ],
)
def test_absurd_surveys_are_refused(
    tmp_path: Path,
    height: str,
    outside: tuple[float, float, float] | None,
    epsg: int | None,
    said: str,
) -> None:
    survey, out = tmp_path / "survey.csv", tmp_path / "wall.csv"
    survey.write_text(
        f"name,e_m,n_m,h_m\na,100,200,1\nb,104,200,1\nc,104,200,3\nd,100,200,{height}\n"
    )
    with pytest.raises(FacademapError, match=said):
        place_survey_points(survey, out, outside_enh=outside, epsg=epsg)
    assert not out.exists()


def test_pictures_too_small_for_a_board_are_named(tmp_path: Path) -> None:
    photo = tmp_path / "dot.png"
    cv2.imwrite(str(photo), np.zeros((1, 1, 3), np.uint8))
    with pytest.raises(FacademapError, match=r"dot\.png has only 1 x 1 px"):
        calibrate_from_photos([photo], tmp_path / "camera.json", columns=9, rows=6)
    assert not (tmp_path / "camera.json").exists()
