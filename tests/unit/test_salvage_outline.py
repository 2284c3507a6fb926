"""A face is traced and measured from one click, on rendered blocks whose true size is known."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import numpy as np
import pytest
import shapely
from click.testing import CliRunner
from PIL import Image
from rendered_block import RenderedBlock, render_block, true_homography

from facademap.cli.main import main
from facademap.errors import GeometryError, InputError
from facademap.io.camera_files import camera_as_dict
from facademap.salvage.face_size import (
    OneLengthScale,
    check_outline,
    fit_face_plane,
    measure_outline,
    scale_from_length,
    scale_from_two_lengths,
)
from facademap.salvage.outline import find_face


def _save(block: RenderedBlock, folder: Path) -> None:
    Image.fromarray(block.picture).save(folder / "photo.png")
    (folder / "camera.json").write_text(json.dumps(camera_as_dict(block.camera)))
    with (folder / "corners.csv").open("w", newline="") as stream:
        writer = csv.writer(stream)
        writer.writerow(["name", "x_px", "y_px", "x_mm", "y_mm"])
        writer.writerows(block.control)


def _run(folder: Path, *arguments: str) -> tuple[int, str]:
    result = CliRunner().invoke(
        main,
        [
            "outline-block",
            "--photo",
            str(folder / "photo.png"),
            "--out",
            str(folder / "block.geojson"),
            "--quiet",
            *arguments,
        ],
    )
    return result.exit_code, result.output


@pytest.mark.parametrize(
    ("seed", "tilt_deg", "marks", "lens"),
    [
        (1, 15.0, "on", True),
        (2, 25.0, "none", True),
        (3, 5.0, "around", False),
        (6, 20.0, "around", True),
    ],
)
def test_size_and_area_within_one_percent(
    tmp_path: Path, seed: int, tilt_deg: float, marks: str, lens: bool
) -> None:
    block = render_block(seed, size_px=(1200, 900), tilt_deg=tilt_deg, marks=marks, lens=lens)
    true_homography(block)  # the renderer agrees with itself
    _save(block, tmp_path)
    x, y = block.click_px
    code, output = _run(
        tmp_path,
        "--control",
        str(tmp_path / "corners.csv"),
        "--camera",
        str(tmp_path / "camera.json"),
        "--click",
        f"{x:.1f},{y:.1f}",
    )
    assert code == 0, output
    feature = json.loads((tmp_path / "block.geojson").read_text())["features"][0]
    found = feature["properties"]
    for name, truth in (
        ("width_mm", block.width_mm),
        ("height_mm", block.height_mm),
        ("area_mm2", block.area_mm2),
    ):
        assert found[name] == pytest.approx(truth, rel=0.01)
        assert abs(found[name] - truth) <= 1.5 * found[f"{name}_pm95"]
        assert 0 < found[f"{name}_pm95"] < 0.03 * truth
    traced, truth = (
        shapely.Polygon(feature["geometry"]["coordinates"][0]),
        shapely.Polygon(block.outline_px),
    )
    assert traced.is_valid
    assert traced.intersection(truth).area > 0.985 * traced.union(truth).area


def test_one_length_in_a_picture_taken_square_on(tmp_path: Path) -> None:
    block = render_block(12, size_px=(1000, 750), tilt_deg=0.0, marks="around", lens=False)
    _save(block, tmp_path)
    first, second = block.control[0], block.control[1]
    length = float(np.hypot(first[3] - second[3], first[4] - second[4]))
    scale = f"{first[1]},{first[2]},{second[1]},{second[2]},{length}"
    x, y = block.click_px
    code, output = _run(tmp_path, "--scale", scale, "--click", f"{x},{y}")
    assert code == 0, output
    found = json.loads((tmp_path / "block.geojson").read_text())["features"][0]["properties"]
    assert found["width_mm"] == pytest.approx(block.width_mm, rel=0.015)
    assert found["area_mm2"] == pytest.approx(block.area_mm2, rel=0.02)
    assert any("square on" in w for w in found["warnings"])


def test_bad_calls_say_what_to_do_and_write_nothing(tmp_path: Path) -> None:
    block = render_block(3, size_px=(640, 480), tilt_deg=5.0, lens=False)
    _save(block, tmp_path)
    x, y = block.click_px
    first, second = block.control[0], block.control[1]
    wrong_length = f"{first[1]},{first[2]},{second[1]},{second[2]},{2 * abs(second[3] - first[3])}"
    (tmp_path / "three.csv").write_text(
        "name,x_px,y_px,x_mm,y_mm\na,1,1,0,0\nb,2,1,1,0\nc,2,2,1,1\n"
    )
    control = ["--control", str(tmp_path / "corners.csv")]
    for arguments, said in (
        (["--click", f"{x},{y}"], "no scale is given"),
        (["--click", "-5,10", *control], "outside the picture"),
        (["--click", f"{x},{y}", *control, "--scale", wrong_length], "contradict"),
        (["--click", f"{x},{y}", "--control", str(tmp_path / "three.csv")], "at least 4"),
        (["--click", f"{x},{y}", "--scale", "1,1,1,1,100"], "px"),
        (["--click", "here", *control], "x,y"),
    ):
        code, output = _run(tmp_path, *arguments)
        assert code == 2, arguments
        assert said in output, output
        assert not (tmp_path / "block.geojson").exists()


def test_a_face_cut_off_by_the_frame_is_refused() -> None:
    block = render_block(3, size_px=(800, 600), tilt_deg=5.0, lens=False)
    left = int(block.outline_px[:, 0].mean() - 60)
    cut = block.picture[:, left:].copy()
    with pytest.raises(GeometryError, match="cut off"):
        find_face(cut, (block.click_px[0] - left + 30, block.click_px[1]))


def test_y_of_the_face_may_run_down() -> None:
    pixel = np.array([(100, 100), (900, 120), (880, 700), (120, 690)], dtype=float)
    face = np.array([(0, 0), (0.8, 0), (0.8, 0.6), (0, 0.6)])
    names = list("abcd")
    down = fit_face_plane(names, pixel, face, width_px=1000, height_px=800)
    up = fit_face_plane(names, pixel, face * [1, -1], width_px=1000, height_px=800)
    ring = np.array([(300, 300), (600, 300), (600, 500), (300, 500)], dtype=float)
    assert measure_outline(ring, down).width_m == pytest.approx(
        measure_outline(ring, up).width_m, rel=1e-9
    )


def test_turned_block_is_measured_along_its_own_sides() -> None:
    angle = np.radians(20)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    ring = np.array([(0, 0), (400, 0), (400, 200), (0, 200)]) @ turn.T * [1, -1] + [500, 500]
    size = measure_outline(ring, OneLengthScale(m_per_px=0.001, relative_sigma=0.0))
    assert (size.width_m, size.height_m) == (pytest.approx(0.4), pytest.approx(0.2))
    assert size.bed_deg == pytest.approx(20)
    assert size.area_m2 == pytest.approx(0.08)
    assert size.outline_m.min() == pytest.approx(0)
    along_x = measure_outline(ring, OneLengthScale(m_per_px=0.001, relative_sigma=0.0), bed_deg=0.0)
    assert along_x.width_m > 0.44


def test_two_known_lengths() -> None:
    lying, standing = (0.0, 0.0, 400.0, 0.0, 0.4), (0.0, 0.0, 0.0, 380.0, 0.4)
    scale = scale_from_two_lengths(lying, standing)
    assert scale.metres([[100.0, 95.0]])[0] == pytest.approx([0.1, -0.1])
    with pytest.raises(InputError, match="contradict"):
        scale_from_two_lengths(lying, (0.0, 10.0, 400.0, 10.0, 0.45))
    with pytest.raises(InputError, match="contradict"):
        scale_from_two_lengths(lying, (0.0, 0.0, 0.0, 200.0, 0.4))
    with pytest.raises(InputError, match="length"):
        scale_from_length((0, 0), (100, 0), -1.0)


@pytest.mark.parametrize(
    ("ring", "said"),
    [
        ([(0, 0), (100, 100), (100, 0), (0, 100)], "crosses itself"),
        ([(0, 0), (1, 1)], "no three finite points"),
        ([(10, 10), (199.5, 10), (150, 80)], "cut off"),
    ],
)
def test_unusable_outlines(ring: list[tuple[float, float]], said: str) -> None:
    with pytest.raises(GeometryError, match=said):
        check_outline(ring, width_px=200, height_px=100)


def test_absurd_size() -> None:
    with pytest.raises(InputError, match="would be"):
        measure_outline(
            [(0, 0), (900, 0), (900, 700)], OneLengthScale(m_per_px=1.0, relative_sigma=0.0)
        )


def test_an_outline_goes_into_the_inventory_as_it_is(tmp_path: Path) -> None:
    from facademap.store.project import Project

    block = render_block(3, size_px=(1000, 750), tilt_deg=5.0, marks="around", lens=False)
    _save(block, tmp_path)
    project = tmp_path / "yard"
    assert CliRunner().invoke(main, ["new", str(project), "--name", "Yard"]).exit_code == 0
    x, y = block.click_px
    call = ["--control", str(tmp_path / "corners.csv"), "--click", f"{x},{y}"]
    assert _run(tmp_path, *call)[0] == 0
    path = str(tmp_path / "block.geojson")
    refused = CliRunner().invoke(main, ["add-blocks", str(project), path, "--quiet"])
    assert (refused.exit_code, "how deep photo is sound" in refused.output) == (2, True)
    code, told = _run(
        tmp_path, *call, "--depth-mm", "210", "--block", "B-07", "--stone-type", "Buff"
    )
    assert code == 0, told
    taken = CliRunner().invoke(main, ["add-blocks", str(project), path, "--quiet"])
    assert taken.exit_code == 0, taken.output
    with Project.open(project, read_only=True) as there:
        face = there.read("faces").iloc[0]
        stored = there.read("blocks").iloc[0]
    assert (stored["id"], stored["stone_type"], stored["depth_m"]) == ("B-07", "Buff", 0.21)
    traced = json.loads((tmp_path / "block.geojson").read_text())["features"][0]["properties"]
    measured = shapely.Polygon(face["outline"]).area * 1e6
    assert measured == pytest.approx(traced["area_mm2"], rel=0.01)
    # the photo shows the face where it was traced
    assert face["photo_matrix"] is not None


@pytest.mark.parametrize("grey", [0, 128, 255])
def test_a_picture_in_which_nothing_stands_out_gives_no_face(grey: int) -> None:
    picture = np.full((300, 400, 3), grey, np.uint8)
    with pytest.raises(GeometryError, match="looks like the clicked stone"):
        find_face(picture, (200.0, 150.0))
