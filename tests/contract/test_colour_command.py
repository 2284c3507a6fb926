"""``facademap colour``: files in, files and report out."""

from __future__ import annotations

import json
from pathlib import Path

import cv2
import numpy as np
import pandas as pd
import pytest

from facademap.cli.main import main
from facademap.photo.lab import difference_ciede2000, linear_rgb_from_lab, srgb_from_linear_rgb

CHART = pd.read_csv(
    Path(__file__).parents[1] / "reference" / "colorchecker_24_lab_d50.csv", comment="#"
)
LAB = CHART[["L_after", "a_after", "b_after"]].to_numpy()


def run(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as stop:
        main(arguments)
    said = capsys.readouterr()
    return int(stop.value.code or 0), said.out, said.err


@pytest.fixture
def chart(tmp_path: Path) -> Path:
    rng = np.random.default_rng(2)
    camera = np.array(
        [[0.72, 0.13, 0.03], [0.08, 0.70, 0.05], [0.02, 0.12, 0.55]]
    )  # wider than sRGB: cyan fits in
    light = np.clip(linear_rgb_from_lab(LAB) @ camera.T, 0.002, None)
    picture = np.full((420, 620, 3), 0.2)
    rows = []
    for i in range(24):
        x, y = 60 + 100 * (i % 6), 60 + 100 * (i // 6)
        picture[y - 35 : y + 36, x - 35 : x + 36] = light[i]
        rows.append((CHART["patch"][i], x, y, 20, "check" if i % 4 == 1 else "fit", *LAB[i]))
    picture = np.clip(picture + rng.normal(0, 0.002, picture.shape), 0, 1)
    codes = srgb_from_linear_rgb(picture)[:, :, ::-1]
    cv2.imwrite(
        str(tmp_path / "chart.jpg"),
        (codes * 255 + 0.5).astype(np.uint8),
        [cv2.IMWRITE_JPEG_QUALITY, 92],
    )
    cv2.imwrite(str(tmp_path / "chart.png"), (codes * 255 + 0.5).astype(np.uint8))
    cv2.imwrite(str(tmp_path / "chart16.png"), (codes * 65535 + 0.5).astype(np.uint16))
    cv2.imwrite(
        str(tmp_path / "linear16.png"), (picture[:, :, ::-1] * 65535 + 0.5).astype(np.uint16)
    )
    frame = pd.DataFrame(rows, columns=["name", "x_px", "y_px", "half_px", "role", "L", "a", "b"])
    frame.to_csv(tmp_path / "patches.csv", index=False)
    return tmp_path


@pytest.mark.parametrize("photo", ["chart.jpg", "chart.png", "chart16.png", "linear16.png"])
def test_every_row_comes_back_close_to_its_reference(
    chart: Path, photo: str, capsys: pytest.CaptureFixture[str]
) -> None:
    call = [
        "colour",
        "--photo",
        str(chart / photo),
        "--patches",
        str(chart / "patches.csv"),
        "--out",
        str(chart / "lab.csv"),
        "--json",
    ]
    code, out, _ = run([*call, "--linear"] if photo.startswith("linear") else call, capsys)
    assert code == 0
    report = json.loads(out)
    table = pd.read_csv(chart / "lab.csv")
    assert list(table.columns) == ["name", "L", "a", "b"]
    assert list(table["name"]) == list(CHART["patch"])
    checks = np.arange(24) % 4 == 1
    found = difference_ciede2000(table[["L", "a", "b"]].to_numpy(), LAB)
    assert found[checks].mean() < 0.6
    assert report["check_n"] == checks.sum()
    assert report["check_mean_de00"] == pytest.approx(found[checks].mean(), abs=1e-3)
    assert report["check_max_de00"] == pytest.approx(found[checks].max(), abs=1e-3)
    assert report["state"] == "calibrated"


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda t: t.assign(x_px=9999), "does not lie in the picture"),
        (lambda t: t.assign(role="fitt"), "neither fit nor check"),
        (lambda t: t.assign(L=np.nan), "not a number"),
        (lambda t: t.assign(name="same"), "twice"),
        (lambda t: t.drop(columns="half_px"), "half_px"),
        (lambda t: t.iloc[:0], "no rows"),
        (lambda t: t.assign(half_px=-3), "half_px"),
    ],
)
def test_bad_tables_are_refused_in_one_line(chart: Path, change, words: str, capsys) -> None:
    change(pd.read_csv(chart / "patches.csv")).to_csv(chart / "bad.csv", index=False)
    code, out, err = run(
        [
            "colour",
            "--photo",
            str(chart / "chart.png"),
            "--patches",
            str(chart / "bad.csv"),
            "--out",
            str(chart / "lab.csv"),
        ],
        capsys,
    )
    assert code == 2
    assert out == ""
    assert len(err.strip().splitlines()) == 1
    assert words in err
    assert "fix:" in err
    assert not (chart / "lab.csv").exists()


def test_a_damaged_photo_is_refused(chart: Path, capsys: pytest.CaptureFixture[str]) -> None:
    whole = (chart / "chart.png").read_bytes()
    for name, content in (
        ("half.png", whole[: len(whole) // 3]),
        ("empty.png", b""),
        ("text.jpg", b"not a picture"),
    ):
        (chart / name).write_bytes(content)
        code, _, err = run(
            [
                "colour",
                "--photo",
                str(chart / name),
                "--patches",
                str(chart / "patches.csv"),
                "--out",
                str(chart / "lab.csv"),
            ],
            capsys,
        )
        assert code == 2, name
        assert name in err
        assert not (chart / "lab.csv").exists()
