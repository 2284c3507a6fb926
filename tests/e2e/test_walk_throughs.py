"""The walk-throughs of the docs, run as they stand there, on a picture that scikit-image ships."""

from __future__ import annotations

import re
import shlex
from pathlib import Path
from typing import Any

import cv2
import ezdxf
import laspy
import numpy as np
import pytest
import rasterio
import skimage.data

from facademap.cli.main import main
from facademap.store.project import Project

PAGE = Path(__file__).parents[2] / "docs" / "bring.md"
ALONG, UP = np.array([0.8, 0.6, 0.0]), np.array([0.0, 0.0, 1.0])
OUT = np.cross(ALONG, UP)
ORIGIN = np.array([402300.0, 6050100.0, 12.0])


def _steps(heading: str) -> list[tuple[list[str], str]]:
    """Commands of a section with the line that follows each, if there is one."""
    section = PAGE.read_text(encoding="utf-8").split(f"## {heading}")[1].split("\n## ")[0]
    lines = [
        x for b in re.findall(r"```console\n(.*?)```", section, re.DOTALL) for x in b.splitlines()
    ]
    return [
        (
            shlex.split(line.removeprefix("$ facademap ")),
            lines[k + 1] if k + 1 < len(lines) and not lines[k + 1].startswith("$") else "",
        )
        for k, line in enumerate(lines)
        if line.startswith("$ facademap ")
    ]


def _run(heading: str, capsys: Any) -> None:
    for words, said in _steps(heading):
        capsys.readouterr()
        with pytest.raises(SystemExit) as left:
            main.main(words)
        printed = capsys.readouterr()
        assert (left.value.code or 0) == (2 if said.startswith("error:") else 0), printed.err
        assert said in printed.err + printed.out


def _orthoimage(folder: Path) -> None:
    cv2.imwrite(str(folder / "mill.tif"), skimage.data.brick())
    (folder / "mill.tfw").write_text("5\n0\n0\n-5\n2.5\n2557.5\n")
    rows = ["Name;x_px;y_px;u_m;v_m;role"]
    for k, (x, y) in enumerate(
        [(40, 60), (470, 55), (250, 250), (60, 450), (460, 440), (250, 480)]
    ):
        # the tape reads 3 mm more along the wall, and 4 mm more up it, than the picture
        u, v = (x + 0.5) * 0.005 + 0.003, 2.56 - (y + 0.5) * 0.005 + 0.004
        rows.append(f"P{k + 1};{x};{y};{u:.4f};{v:.4f};check".replace(".", ","))
    (folder / "check.csv").write_text("\n".join(rows), encoding="cp1252")
    drawing = ezdxf.new("R2010")
    drawing.header["$INSUNITS"] = 4
    for row in range(2):
        for column in range(3):
            x, y = 100 + 800 * column, 200 + 400 * row
            corners = [(x, y), (x + 780, y), (x + 780, y + 380), (x, y + 380)]
            drawing.modelspace().add_lwpolyline(corners, close=True, dxfattribs={"layer": "STONES"})
    drawing.saveas(folder / "stones.dxf")


def _scan(folder: Path) -> None:
    """The picture's grey as colour and, ten millimetres from black to white, as relief; ground before the wall."""
    rng = np.random.default_rng(7)
    n = 300_000
    u, v = rng.uniform(0, 2.56, n), rng.uniform(0, 2.56, n)
    grey = skimage.data.brick()[((2.56 - v) / 0.005).astype(int), (u / 0.005).astype(int)]
    w = grey / 255 * 0.010 + rng.normal(0, 0.001, n)
    ground = np.c_[
        rng.uniform(-2, 5, n // 3), rng.normal(-0.02, 0.01, n // 3), rng.uniform(0.1, 5, n // 3)
    ]
    uvw = np.concatenate([np.c_[u, v, w], ground])
    shade = np.concatenate([grey, np.full(n // 3, 60)]).astype(np.uint16) * 257
    header = laspy.LasHeader(point_format=3, version="1.2")
    header.offsets, header.scales = np.floor(ORIGIN), [0.0001] * 3
    las = laspy.LasData(header)
    las.x, las.y, las.z = (uvw @ np.stack([ALONG, UP, OUT]) + ORIGIN).T
    las.red = las.green = las.blue = shade
    las.write(folder / "yard.laz")


def test_a_bought_orthoimage(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: Any) -> None:
    monkeypatch.chdir(tmp_path)
    _orthoimage(tmp_path)
    _run("A bought orthoimage", capsys)
    with Project.open("mill", read_only=True) as project:
        surface = project.read("surfaces").iloc[0]
        stones = project.read("wall_stones")
    # the tape's 3 mm and 4 mm
    assert surface["check_rmse_m"] == pytest.approx(0.005, abs=1e-4)
    assert surface["check_n"] == 6
    assert len(stones) == 6
    assert stones.geometry.iloc[0].bounds == pytest.approx((0.1, 0.2, 0.88, 0.58))
    said = (tmp_path / "mill" / "out" / "condition-map.html").read_text(encoding="utf-8")
    # the page puts the figure into the reader's units: until then it stands there in metres, marked
    assert "\ue000error 0.005\ue001 at 6 check points" in said


def test_a_scan(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: Any) -> None:
    monkeypatch.chdir(tmp_path)
    _scan(tmp_path)
    _run("A scan", capsys)
    with Project.open("yard", read_only=True) as project:
        surface = project.read("surfaces").iloc[0]
        relief = project.place(surface["report"]["relief"])
        matrix = np.array(surface["world"]["matrix"])
    assert matrix[:, 0] == pytest.approx(ALONG, abs=0.003)
    assert matrix[:, 2] == pytest.approx(OUT, abs=0.003)
    with rasterio.open(relief) as file:
        out_m, sd_m = file.read()
        assert file.descriptions == ("out of the wall frame, m", "standard deviation, m")
        rows, columns = np.mgrid[20 : file.height - 20, 20 : file.width - 20]
        u = file.transform.c + (columns + 0.5) * 0.005
        v = file.transform.f - (rows + 0.5) * 0.005
    # from the frame found to the wall as it was made
    there = np.stack([u, v, np.zeros_like(u)], axis=-1) @ matrix[:, :3].T + matrix[:, 3] - ORIGIN
    true_u, true_v, shift = there @ ALONG, there @ UP, there @ OUT
    grey = skimage.data.brick()[((2.56 - true_v) / 0.005).astype(int), (true_u / 0.005).astype(int)]
    error = out_m[20:-20, 20:-20] + shift - grey / 255 * 0.010
    # a pixel holds one point of 1 mm noise or two, and may hold two greys
    assert np.nanmedian(np.abs(error)) < 0.001
    assert np.nanmedian(sd_m) < 0.0015
    said = (tmp_path / "yard" / "out" / "condition-map.html").read_text(encoding="utf-8")
    assert "accuracy not stated" in said
