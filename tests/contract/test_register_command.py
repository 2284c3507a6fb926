"""``facademap register``: points of several photos in the pixels of the first."""

from __future__ import annotations

import json
from pathlib import Path

import cv2
import numpy as np
import pandas as pd
import pytest

from facademap.cli.main import main


def run(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as stop:
        main(arguments)
    said = capsys.readouterr()
    return int(stop.value.code or 0), said.out, said.err


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    from skimage.data import brick, grass

    wall = brick()
    tilt = np.array([[0.9, 0.08, 20.0], [-0.05, 0.95, 40.0], [0.0002, 0.0001, 1.0]])
    cv2.imwrite(str(tmp_path / "a.png"), wall)
    cv2.imwrite(
        str(tmp_path / "b.png"), cv2.warpPerspective(wall, tilt, (512, 512), flags=cv2.INTER_CUBIC)
    )
    cv2.imwrite(str(tmp_path / "lawn.png"), grass())
    inside = np.array([[150.0, 150.0], [400.0, 200.0], [250.0, 380.0]])
    true = cv2.perspectiveTransform(inside[None], np.linalg.inv(tilt))[0]
    rows = [("b.png", f"p{i}", *inside[i]) for i in range(3)] + [
        ("lawn.png", "q", 100, 100),
        ("a.png", "r", 7, 9),
    ]
    pd.DataFrame(rows, columns=["photo", "name", "x_px", "y_px"]).to_csv(
        tmp_path / "points.csv", index=False
    )
    np.save(tmp_path / "true.npy", true)
    return tmp_path


def call(
    folder: Path, *photos: str, points: str = "points.csv", more: tuple[str, ...] = ()
) -> list[str]:
    return [
        "register",
        "--photos",
        *(str(folder / p) for p in photos),
        "--points",
        str(folder / points),
        "--out",
        str(folder / "out.csv"),
        *more,
    ]


def test_points_reach_the_first_photo_and_a_stranger_is_refused(folder: Path, capsys) -> None:
    code, out, err = run(call(folder, "a.png", "b.png", "lawn.png", more=("--json",)), capsys)
    assert code == 0, err
    report = json.loads(out)
    assert report["registered"] == ["a.png", "b.png"]
    assert [p["photo"] for p in report["not_registered"]] == ["lawn.png"]
    table = pd.read_csv(folder / "out.csv")
    assert list(table.columns) == ["photo", "name", "x_px", "y_px", "ok"]
    assert table["ok"].tolist() == [1, 1, 1, 0, 1]
    miss = table[["x_px", "y_px"]].to_numpy()[:3] - np.load(folder / "true.npy")
    assert np.abs(miss).max() < 0.3
    assert table[["x_px", "y_px"]].iloc[3].isna().all()
    assert table[["x_px", "y_px"]].iloc[4].tolist() == [7.0, 9.0]


@pytest.mark.parametrize(
    ("table", "words"),
    [
        ("photo,name,x_px,y_px\nz.png,p,1,2\n", "z.png"),
        ("photo,name,x_px,y_px\nb.png,p,9999,2\n", "outside"),
        ("photo,name,x_px,y_px\nb.png,p,nan,2\n", "finite"),
        ("photo,name,x_px\nb.png,p,2\n", "y_px"),
        ("", "empty"),
    ],
)
def test_bad_points_are_refused_in_one_line(folder: Path, table: str, words: str, capsys) -> None:
    (folder / "bad.csv").write_text(table, encoding="utf-8")
    code, out, err = run(
        call(folder, "a.png", "b.png", points="bad.csv", more=("--quiet",)), capsys
    )
    assert code == 2
    assert out == ""
    assert len(err.strip().splitlines()) == 1
    assert words in err
    assert not (folder / "out.csv").exists()


def test_two_photos_of_one_name_are_refused(folder: Path, capsys) -> None:
    (folder / "other").mkdir()
    (folder / "other" / "a.png").write_bytes((folder / "b.png").read_bytes())
    code, _, err = run(call(folder, "a.png", "other/a.png", more=("--quiet",)), capsys)
    assert code == 2
    assert "a.png" in err
