"""A face is measured from a photo straight into the inventory: stored whole or not at all, and undone in one step."""

from __future__ import annotations

import csv
import json
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pypdfium2
import pytest
from click.testing import CliRunner
from PIL import Image
from rendered_block import RenderedBlock, render_block

from facademap.cli.main import main
from facademap.io.camera_files import camera_as_dict
from facademap.report.block_papers import write_target_sheet
from facademap.store.changes import changes_after
from facademap.store.project import Project
from facademap.tasks.project.create_project import ProjectPlan, create_project


@pytest.fixture(scope="module")
def block() -> RenderedBlock:
    return render_block(6, size_px=(1200, 900), tilt_deg=20.0, marks="around")


@pytest.fixture
def yard(tmp_path: Path, block: RenderedBlock) -> Path:
    create_project(tmp_path / "p", ProjectPlan(name="yard"))
    Image.fromarray(block.picture).save(tmp_path / "photo.png")
    (tmp_path / "camera.json").write_text(json.dumps(camera_as_dict(block.camera)))
    with (tmp_path / "corners.csv").open("w", newline="") as stream:
        writer = csv.writer(stream)
        writer.writerow(["name", "x_px", "y_px", "x_mm", "y_mm"])
        writer.writerows(block.control)
    return tmp_path


def _measure(
    yard: Path, *arguments: str, block: str = "B-1", photo: str = "photo.png"
) -> tuple[int, dict[str, Any]]:
    result = CliRunner().invoke(
        main,
        [
            "yard",
            "measure",
            str(yard / "p"),
            block,
            "--photo",
            str(yard / photo),
            "--quiet",
            "--json",
            *arguments,
        ],
    )
    assert result.exit_code in (0, 2), result.output
    return result.exit_code, {"said": result.output} if result.exit_code else json.loads(
        result.output
    )


def _click(block: RenderedBlock) -> list[str]:
    return ["--click", "{:.1f},{:.1f}".format(*block.click_px)]


def _control(yard: Path) -> list[str]:
    return ["--control", str(yard / "corners.csv"), "--camera", str(yard / "camera.json")]


NEW = ["--stone-type", "buff", "--kind", "sedimentary", "--depth-mm", "90"]


def _tables(yard: Path) -> dict[str, list[dict[str, Any]]]:
    with Project.open(yard / "p", read_only=True) as project:
        return {n: project.read(n).to_dict("records") for n in ("blocks", "faces", "photos")}


def test_a_new_block_is_measured_stored_and_undone(yard: Path, block: RenderedBlock) -> None:
    low, high = block.outline_px.min(axis=0), block.outline_px.max(axis=0)
    middle, half = (low + high) / 2, 0.06 * np.ptp(block.outline_px, axis=0)
    hole = [(middle + half * d).tolist() for d in ((-1, -1), (1, -1), (1, 1), (-1, 1), (-1, -1))]
    flaw = {
        "type": "Feature",
        "properties": {"kind": "dowel hole", "depth_mm": 40},
        "geometry": {"type": "Polygon", "coordinates": [hole]},
    }
    (yard / "flaws.geojson").write_text(
        json.dumps({"type": "FeatureCollection", "features": [flaw]})
    )
    code, done = _measure(
        yard,
        *_click(block),
        *_control(yard),
        *NEW,
        "--bed",
        "x",
        "--finish",
        "droved",
        "--block-depth-mm",
        "120",
        "--flaws",
        str(yard / "flaws.geojson"),
        "--proportion",
        "1.5",
    )
    assert code == 0, done
    assert done["width_m"] * 1000 == pytest.approx(block.width_mm, rel=0.01)
    assert done["height_m"] * 1000 == pytest.approx(block.height_mm, rel=0.01)
    assert done["area_m2"] * 1e6 == pytest.approx(block.area_mm2, rel=0.01)
    assert done["sound_area_m2"] == pytest.approx(
        done["area_m2"] - 4 * half[0] * half[1] * (block.mm_per_px / 1000) ** 2, rel=0.01
    )
    rectangle = done["largest"]["1.5"]
    assert rectangle["width_m"] / rectangle["height_m"] == pytest.approx(1.5)
    assert (
        done["largest"]["any"]["width_m"] * done["largest"]["any"]["height_m"]
        >= rectangle["width_m"] * rectangle["height_m"] - 1e-9
    )
    tables = _tables(yard)
    (stored,), (face,), (photo,) = tables["blocks"], tables["faces"], tables["photos"]
    assert (stored["id"], stored["stone_type"], stored["acceptance"]) == ("B-1", "buff", "to test")
    assert stored["weight_kg"] == pytest.approx(
        2700 * done["width_m"] * done["height_m"] * 0.12, rel=0.01
    )
    assert (face["id"], face["block"], face["bed"], face["finish"], face["usable_depth_m"]) == (
        "B-1.1",
        "B-1",
        "x",
        "droved",
        0.09,
    )
    assert face["flaws"][0]["kind"] == "dowel hole"
    assert face["flaws"][0]["depth_m"] == pytest.approx(0.04)
    assert len(face["lab"]) == 3
    assert not face["calibrated"]
    assert (yard / "p" / photo["path"]).read_bytes() == (yard / "photo.png").read_bytes()
    # the stored map leads from the face back to the photo
    corners = cv2.perspectiveTransform(
        np.asarray(face["outline"])[None], np.asarray(face["photo_matrix"])
    )[0]
    assert np.abs(corners.min(axis=0) - low).max() < 8
    with Project.open(yard / "p") as project:
        edits = {c.txn for c in changes_after(project, 0) if c.what.startswith("measure face")}
        assert len(edits) == 1
        project.undo(edits.pop(), who="yard")
        assert all(project.read(n).empty for n in ("blocks", "faces", "photos"))


def test_a_second_face_and_a_face_measured_again(yard: Path, block: RenderedBlock) -> None:
    assert _measure(yard, *_click(block), *_control(yard), *NEW)[0] == 0
    assert (
        _measure(yard, *_click(block), *_control(yard), "--depth-mm", "70", "--wetness", "wet")[1][
            "face"
        ]
        == "B-1.2"
    )
    code, again = _measure(yard, *_click(block), *_control(yard), "--face", "B-1.1", "--weathered")
    assert (code, again["new"]) == (0, False)
    assert any("wet" in w for w in again["warnings"])
    faces = {f["id"]: f for f in _tables(yard)["faces"]}
    assert (faces["B-1.1"]["usable_depth_m"], faces["B-1.2"]["usable_depth_m"]) == (0.09, 0.07)
    assert faces["B-1.1"]["weathered"]
    assert faces["B-1.2"]["appearance"]["wetness"] == "wet"


def test_two_known_lengths_that_agree_or_contradict(yard: Path) -> None:
    flat = render_block(12, size_px=(1000, 750), tilt_deg=0.0, marks="around", lens=False)
    Image.fromarray(flat.picture).save(yard / "flat.png")
    a, b, c = flat.control[0], flat.control[1], flat.control[2]

    def length(p: Any, q: Any, factor: float = 1.0) -> list[str]:
        return [
            "--scale",
            f"{p[1]},{p[2]},{q[1]},{q[2]},{factor * np.hypot(p[3] - q[3], p[4] - q[4])}",
        ]

    code, done = _measure(yard, *_click(flat), *length(a, b), *length(b, c), *NEW, photo="flat.png")
    assert code == 0, done
    assert done["width_m"] * 1000 == pytest.approx(flat.width_mm, rel=0.01)
    assert any("square on" in w for w in done["warnings"])
    code, error = _measure(
        yard, *_click(flat), *length(a, b), *length(b, c, 1.3), "--depth-mm", "50", photo="flat.png"
    )
    assert code == 2
    assert "contradict" in error["said"]


def test_the_target_sheet_on_the_face_gives_the_scale(yard: Path) -> None:
    rng = np.random.default_rng(5)
    picture = np.clip(np.array([70, 90, 60]) + rng.normal(0, 5, (900, 1200, 3)), 0, 255)
    picture[150:750, 200:1000] = np.clip(
        np.array([170, 150, 120]) + rng.normal(0, 5, (600, 800, 3)), 0, 255
    )
    page = np.array(
        pypdfium2.PdfDocument(write_target_sheet(paper="A4"))[0]
        .render(scale=2.0)
        .to_pil()
        .convert("RGB")
    )
    page = cv2.resize(page, (420, 594), interpolation=cv2.INTER_AREA)  # 2 px a millimetre
    picture[153:747, 380:800] = page
    Image.fromarray(picture.astype(np.uint8)).save(yard / "sheet.png")
    code, done = _measure(yard, "--click", "280,450", "--target-sheet", *NEW, photo="sheet.png")
    assert code == 0, done
    assert (done["width_m"], done["height_m"]) == (
        pytest.approx(0.400, rel=0.01),
        pytest.approx(0.300, rel=0.01),
    )
    assert done["scale"] == "target sheet"


def test_bad_calls_are_named_and_store_nothing(yard: Path, block: RenderedBlock) -> None:
    assert _measure(yard, *_click(block), *_control(yard), *NEW)[0] == 0
    before = _tables(yard)
    with (yard / "mirrored.csv").open("w", newline="") as stream:
        writer = csv.writer(stream)
        writer.writerow(["name", "x_px", "y_px", "x_mm", "y_mm"])
        writer.writerows([n, x, y, -u, v] for n, x, y, u, v in block.control)
    outside = [[(2, 2), (9, 2), (9, 9), (2, 2)]]
    (yard / "outside.geojson").write_text(
        json.dumps({"features": [{"geometry": {"type": "Polygon", "coordinates": outside}}]})
    )
    Image.fromarray(block.picture).save(yard / "other.png", compress_level=1)
    left = int(block.outline_px[:, 0].mean() - 90)
    Image.fromarray(block.picture[:, left:]).save(yard / "cut.png")
    length = ["--scale", "10,10,400,10,300"]
    for arguments, name, photo, said in (
        ([*_click(block), *_control(yard), *NEW], "B-2", "photo.png", "shows block B-1 already"),
        (
            [*_click(block), *_control(yard), "--depth-mm", "90"],
            "B-2",
            "other.png",
            "not in the inventory",
        ),
        ([*_click(block), *_control(yard)], "B-1", "photo.png", "usable depth"),
        ([*_click(block), "--depth-mm", "90"], "B-1", "photo.png", "no scale"),
        (
            [*_click(block), "--control", str(yard / "mirrored.csv"), "--depth-mm", "90"],
            "B-1",
            "photo.png",
            "mirrored",
        ),
        (
            [
                *_click(block),
                *_control(yard),
                "--depth-mm",
                "90",
                "--flaws",
                str(yard / "outside.geojson"),
            ],
            "B-1",
            "photo.png",
            "outside its face",
        ),
        (
            [*_click(block), *_control(yard), *NEW, "--face", "B-1.1"],
            "B-2",
            "other.png",
            "belongs to block B-1",
        ),
        (
            [
                "--click",
                f"{block.click_px[0] - left + 60},{block.click_px[1]}",
                *length,
                "--depth-mm",
                "90",
            ],
            "B-1",
            "cut.png",
            "cut off",
        ),
    ):
        code, error = _measure(yard, *arguments, block=name, photo=photo)
        assert code == 2, (arguments, error)
        assert said in error["said"], error
        assert "fix:" in error["said"]
    assert str(_tables(yard)) == str(before)
    assert [p.name for p in (yard / "p" / "blocks").iterdir()] == ["photo.png"]


def test_a_face_with_an_approved_piece_keeps_its_outline(yard: Path, block: RenderedBlock) -> None:
    assert _measure(yard, *_click(block), *_control(yard), *NEW)[0] == 0
    with Project.open(yard / "p") as project, project.edit(who="test", what="approve") as edit:
        edit.put(
            "placements",
            [
                {
                    "id": "P1:R1",
                    "plan": "P1",
                    "repair": "R1",
                    "piece": "R1.p",
                    "block": "B-1",
                    "face": "B-1.1",
                    "slab": 0,
                    "x_m": 0.0,
                    "y_m": 0.0,
                    "rotation_deg": 0,
                    "state": "reserved",
                }
            ],
        )
    code, error = _measure(yard, *_click(block), *_control(yard), "--face", "B-1.1")
    assert code == 2
    assert "approved on its outline" in error["said"]


def test_rectangles_of_a_given_proportion(yard: Path, block: RenderedBlock) -> None:
    assert _measure(yard, *_click(block), *_control(yard), *NEW)[0] == 0
    result = CliRunner().invoke(
        main, ["yard", "rectangles", str(yard / "p"), "--proportion", "2", "--json", "--quiet"]
    )
    assert result.exit_code == 0, result.output
    (face,) = json.loads(result.output)["faces"]
    assert face["largest"]["2"]["width_m"] == pytest.approx(2 * face["largest"]["2"]["height_m"])
    assert (
        CliRunner()
        .invoke(main, ["yard", "rectangles", str(yard / "p"), "--block", "none"])
        .exit_code
        == 2
    )
