"""Papers of the yard and the inventory going out and coming back."""

from __future__ import annotations

import csv
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pypdfium2
import pytest
from click.testing import CliRunner

from facademap.cli.main import main
from facademap.errors import GeometryError, InputError
from facademap.io.block_columns import column_help, faces_beside
from facademap.io.block_files import read_blocks
from facademap.io.block_tables import write_block_table
from facademap.report.block_papers import (
    BlockCard,
    write_block_labels,
    write_contact_sheet,
    write_target_sheet,
)
from facademap.report.measures import Measures
from facademap.salvage.face_size import fit_face_plane
from facademap.salvage.target_sheet import find_target_sheet


def _page(pdf: bytes, scale: float, number: int = 0) -> np.ndarray:
    return np.array(pypdfium2.PdfDocument(pdf)[number].render(scale=scale).to_pil().convert("RGB"))


@pytest.mark.parametrize(
    ("paper", "size_mm", "span_mm"),
    [("A4", (210, 297), (140, 220)), ("Letter", (215.9, 279.4), (145, 205))],
)
def test_printed_sheet_is_found_and_true_to_scale(
    paper: str, size_mm: tuple[float, float], span_mm: tuple[float, float]
) -> None:
    """The sheet goes from PDF through an oblique view and back to millimetres."""
    page = _page(write_target_sheet(paper=paper), 4.0)
    per_mm = page.shape[1] / size_mm[0]
    view = np.array([[0.45, 0.03, 100], [-0.02, 0.42, 60], [1e-5, 2e-5, 1]])
    photo = cv2.warpPerspective(
        page, view, (1400, 1600), borderValue=(120, 110, 100), flags=cv2.INTER_AREA
    )
    names, pixel, sheet = find_target_sheet(photo)
    assert len(names) == 16
    scale = fit_face_plane(names, pixel, sheet, width_px=1400, height_px=1600)
    middle = np.array(page.shape[1::-1]) / 2 - 0.5
    half = np.array([per_mm * span_mm[0] / 2, 0.0])
    ends = np.array([middle - half, middle + half])
    seen = scale.metres(cv2.perspectiveTransform(ends[:, None], view)[:, 0])
    assert np.hypot(*(seen[1] - seen[0])) * 1000 == pytest.approx(span_mm[0], abs=0.3)


def test_hidden_sheet_is_refused() -> None:
    with pytest.raises(GeometryError, match="0 of the 4 markers"):
        find_target_sheet(np.full((300, 300, 3), 128, np.uint8))
    with pytest.raises(InputError, match="was printed at"):
        find_target_sheet(np.full((300, 300, 3), 128, np.uint8), printed_scale=0.8)
    with pytest.raises(InputError, match="no target sheet"):
        write_target_sheet(paper="A1")


def _card(number: int, **values: object) -> BlockCard:
    return BlockCard(
        **{
            "id": f"B-{number:02d}",
            "stone_type": "buff",
            "size_m": (0.4, 0.3, float("nan")),
            **values,
        }
    )  # type: ignore[arg-type]


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_every_block_gets_a_label_whose_code_reads(paper: str) -> None:
    pdf = write_block_labels([_card(n) for n in range(1, 13)], paper=paper)
    document = pypdfium2.PdfDocument(pdf)
    assert len(document) == 2
    text = document[0].get_textpage().get_text_range() + document[1].get_textpage().get_text_range()
    assert all(f"B-{n:02d}" in text for n in range(1, 13))
    second = _page(pdf, 3.0, 1)
    corner = second[: second.shape[0] // 4, : second.shape[1] // 2 + 10]
    assert cv2.QRCodeDetector().detectAndDecode(np.ascontiguousarray(corner))[0] == "block:B-11"


def test_contact_sheet_shows_sizes_and_swatches() -> None:
    outline = np.array([(0, 0), (0.4, 0), (0.4, 0.3), (0, 0.3)])
    pdf = write_contact_sheet([_card(1, lab=(60.0, 40.0, 20.0), outline_m=outline, bed="x")])
    assert "400 × 300 × ? mm" in pypdfium2.PdfDocument(pdf)[0].get_textpage().get_text_range()
    inches = replace(_card(1), say=Measures(inches=True), weight_kg=100.0)
    said = pypdfium2.PdfDocument(write_block_labels([inches]))[0].get_textpage().get_text_range()
    # 0.4 m and 0.3 m to 1/32 in by the international inch, 100 kg by the international pound
    assert "15 3/4 × 11 13/16 × ? in" in said
    assert "220 lb (100 kg)" in said
    page = _page(pdf, 2.0).astype(int)
    reddish = (page[..., 0] - page[..., 2] > 60) & (page[..., 0] > 150)
    assert reddish.sum() > 500
    with pytest.raises(InputError, match="no blocks"):
        write_contact_sheet([])


def _entries() -> list[tuple[dict, list[tuple[dict, dict]]]]:
    block = {
        "id": "B-1",
        "stone_type": "=buff",
        "kind": "sedimentary",
        "provenance": None,
        "location": "row A",
        "length_m": 0.7,
        "height_m": 0.4,
        "depth_m": 0.3,
        "weight_kg": 180.5,
        "acceptance": "accepted",
        "note": "ok",
    }
    face = {
        "outline": [[0.0, 0.0], [0.6, 0.0], [0.6, 0.35], [0.0, 0.35]],
        "usable_depth_m": 0.25,
        "bed": "x",
        "finish": "droved",
        "weathered": True,
        "photo_matrix": [[1000, 0, 50], [0, -1000, 900], [0, 0, 1]],
        "flaws": [
            {"ring": [[0.1, 0.1], [0.2, 0.1], [0.2, 0.2]], "depth_m": None},
            {"ring": [[0.3, 0.1], [0.4, 0.1], [0.4, 0.2]], "depth_m": 0.02},
        ],
    }
    return [(block, [(face, {"path": "blocks/B-1.jpg"})])]


@pytest.mark.parametrize("name", ["inventory.csv", "inventory.xlsx"])
def test_inventory_round_trip(tmp_path: Path, name: str) -> None:
    write_block_table(tmp_path / name, _entries())
    (read,) = read_blocks(tmp_path / name)
    ((face, _),) = _entries()[0][1]
    (row,) = read.faces
    assert np.allclose(row.face["outline"], face["outline"])
    assert [f["depth_m"] for f in row.face["flaws"]] == [None, 0.02]
    assert row.face["usable_depth_m"] == pytest.approx(0.25)
    assert read.block["weight_kg"] == pytest.approx(180.5)
    assert row.photo == "B-1.jpg"
    assert np.allclose(row.corners_px, [(50, 900), (650, 900), (650, 550), (50, 550)])
    assert row.face["weathered"] is True


def test_spreadsheet_formulas_are_not_run(tmp_path: Path) -> None:
    write_block_table(tmp_path / "inventory.csv", _entries())
    assert next(csv.DictReader((tmp_path / "inventory.csv").open()))["stone_type"] == "'=buff"


def test_template_comes_from_the_contract(tmp_path: Path) -> None:
    result = CliRunner().invoke(main, ["yard", "table", "--out", str(tmp_path / "template.csv")])
    assert result.exit_code == 0, result.output
    assert next(csv.reader((tmp_path / "template.csv").open())) == list(column_help())
    further = faces_beside(tmp_path / "template.csv")
    assert next(csv.reader(further.open())) == list(column_help("faces"))
    assert "parallel" in column_help()["bed"]
    assert all(column_help().values())
    bad = CliRunner().invoke(main, ["yard", "table", "--out", str(tmp_path / "template.txt")])
    assert bad.exit_code == 2
    assert not (tmp_path / "template.txt").exists()
