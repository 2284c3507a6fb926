"""The whole job on the demo elevation, through the command line, held against what the renderer knows."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import openpyxl
import pandas as pd
import pyogrio
import pypdf
import pytest
import shapely

from facademap.io.rasters import open_elevation
from facademap.photo.lab import difference_ciede2000
from facademap.store.project import Project
from facademap.tasks.project.demo import demo_data

pytestmark = pytest.mark.slow
ROOT = Path(__file__).parents[2]


def run(*words: str, expect: int = 0, cwd: Path | None = None) -> subprocess.CompletedProcess[str]:
    """The command as a user calls it."""
    done = subprocess.run(
        [sys.executable, "-m", "facademap", *words], capture_output=True, text=True, cwd=cwd
    )
    assert done.returncode == expect, done.stderr[-2000:]
    assert "Traceback" not in done.stderr
    return done


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, Any]]:
    folder = tmp_path_factory.mktemp("demo") / "project"
    done = run("demo", str(folder), "--json", "--quiet")
    return folder, json.loads(done.stdout)


@pytest.fixture(scope="module")
def truth() -> dict[str, Any]:
    return json.loads((demo_data() / "truth" / "truth.json").read_text())


def test_all_results_are_there_and_the_summary_says_what_was_done(
    demo: tuple[Path, dict[str, Any]],
) -> None:
    folder, summary = demo
    for name in (
        "condition-map.html",
        "quantities.xlsx",
        "quantities.csv",
        "cut-tickets.pdf",
        "plan.json",
        "summary.json",
        "conditions.geojson",
    ):
        assert (folder / "out" / name).stat().st_size > 500, name
    assert json.loads((folder / "out" / "summary.json").read_text()) == summary
    assert {
        "photos",
        "conditions",
        "condition_area_m2",
        "repairs",
        "pieces",
        "blocks",
        "matched",
        "unmatched",
        "control_rmse_m",
        "check_rmse_m",
        "check_n",
        "mean_de00",
        "seconds",
    } <= set(summary)
    assert summary["photos"] >= 4
    assert summary["conditions"] >= 60
    assert summary["blocks"] == 40
    assert summary["matched"] + len(summary["unmatched"]) == summary["pieces"]
    assert summary["matched"] >= 0.6 * summary["pieces"]
    assert all(u["reason"] for u in summary["unmatched"])


def test_the_elevation_is_true_to_scale(
    demo: tuple[Path, dict[str, Any]], truth: dict[str, Any]
) -> None:
    """The survey has 2 mm noise an axis; relief of the wall adds to it."""
    folder, summary = demo
    assert summary["check_n"] >= 30
    assert summary["control_rmse_m"] < 0.004
    assert summary["check_rmse_m"] < 0.006
    with open_elevation(folder / "elevations" / "river-front-main.tif") as elevation:
        assert elevation.grid.gsd_m == pytest.approx(0.002)
        _, rgb, mask = elevation.read(gsd_m=0.02)
    assert (mask > 0).mean() > 0.95
    assert rgb[mask > 0].std() > 15, "a picture, not a flat colour"


def test_conditions_are_attached_to_the_stones_they_lie_on(
    demo: tuple[Path, dict[str, Any]],
) -> None:
    folder, summary = demo
    with Project.open(folder, read_only=True) as project:
        conditions, stones, openings = (
            project.read(n) for n in ("conditions", "wall_stones", "openings")
        )
    assert conditions["area_m2"].sum() == pytest.approx(summary["condition_area_m2"])
    void = shapely.union_all(openings.geometry.to_numpy())
    expected = sum(
        g.difference(void).area for g in conditions.geometry if g.geom_type.endswith("Polygon")
    )
    assert conditions["area_m2"].sum() == pytest.approx(expected)
    assert set("ABCDE") <= set(conditions["family"])
    outlines = stones.set_index("id").geometry
    for row in conditions.itertuples():
        if row.wall_stone is not None and row.geometry.geom_type == "Polygon":
            shares = {
                s: row.geometry.intersection(outlines[s]).area
                for s in outlines.index
                if outlines[s].intersects(row.geometry)
            }
            assert shares[row.wall_stone] == pytest.approx(max(shares.values()))


def test_measured_colours_of_blocks_come_near_the_truth(
    demo: tuple[Path, dict[str, Any]], truth: dict[str, Any]
) -> None:
    folder, _ = demo
    with Project.open(folder, read_only=True) as project:
        faces = project.read("faces").set_index("block")
    known = (
        {b["id"]: b for b in truth["blocks"]}
        if isinstance(truth["blocks"], list)
        else truth["blocks"]
    )
    differences = []
    for name, row in known.items():
        wanted = row.get("mean_lab", row.get("sound_lab", row.get("lab")))
        differences.append(float(difference_ciede2000(faces.loc[name, "lab"], wanted)))
    assert np.median(differences) < 3.5, "grey card only: white balance and exposure"


def test_no_piece_lies_outside_its_block_or_on_another(demo: tuple[Path, dict[str, Any]]) -> None:
    folder, _ = demo
    with Project.open(folder, read_only=True) as project:
        placements, faces, blocks, pieces = (
            project.read(n) for n in ("placements", "faces", "blocks", "pieces")
        )
    outline = faces.set_index("id")
    stones, wanted = blocks.set_index("id"), pieces.set_index("id")
    for (face, _), group in placements.groupby(["face", "slab"]):
        sound = shapely.Polygon(outline.loc[face, "outline"]).buffer(1e-5)
        blanks = [shapely.Polygon(b) for b in group["blank"]]
        assert all(sound.covers(b) for b in blanks)
        for n, one in enumerate(blanks):
            for other in blanks[n + 1 :]:
                assert one.distance(other) >= 0.005 - 1.1e-5, "a kerf lies between two blanks"
    for row in placements.itertuples():
        accepted = {wanted.loc[row.piece, "stone_type"], *wanted.loc[row.piece, "accept"]}
        assert stones.loc[row.block, "stone_type"] in accepted
        assert stones.loc[row.block, "acceptance"] == "accepted"


def test_areas_in_the_world_are_those_of_the_wall(demo: tuple[Path, dict[str, Any]]) -> None:
    """RFC 7946 with heights: the area of each ring in E, N, H (by the cross product) equals the area on the wall."""
    import pyproj

    folder, _ = demo
    content = json.loads((folder / "out" / "conditions.geojson").read_text())
    with Project.open(folder, read_only=True) as project:
        epsg = project.read("surfaces")["world"].iloc[0]["epsg"]
        conditions = project.read("conditions").set_index("id")
    to_plane = pyproj.Transformer.from_crs("EPSG:4326", f"EPSG:{epsg}", always_xy=True)
    checked = 0
    for feature in content["features"]:
        if feature["geometry"]["type"] != "Polygon":
            continue
        ring = np.array(feature["geometry"]["coordinates"][0], dtype=float)
        assert ring.shape[1] == 3
        east, north = to_plane.transform(ring[:, 0], ring[:, 1])
        points = np.column_stack([east, north, ring[:, 2]])
        points -= points[0]
        area = np.linalg.norm(np.cross(points[:-1], points[1:]).sum(axis=0)) / 2
        name = feature.get("id") or feature["properties"]["id"]
        assert area == pytest.approx(conditions.loc[name].geometry.area, rel=2e-3)
        checked += 1
    assert checked > 40


def test_quantities_add_up_and_tickets_are_one_a_piece(demo: tuple[Path, dict[str, Any]]) -> None:
    folder, summary = demo
    reader = pypdf.PdfReader(folder / "out" / "cut-tickets.pdf")
    # a piece has a ticket and, on its second page, a setting sheet
    assert len(reader.pages) == 2 * summary["pieces"]
    assert all("SETTING SHEET" in p.extract_text() for p in reader.pages[1:6:2])
    text = reader.pages[0].extract_text()
    assert re.search(r"\d+/\d+ in", text)
    assert "provisional" in text
    assert "local codes" in text
    book = openpyxl.load_workbook(folder / "out" / "quantities.xlsx", data_only=True)
    assert len(book.worksheets) >= 3
    rows = pd.read_csv(folder / "out" / "quantities.csv", comment="#")
    assert len(rows) > summary["repairs"] / 2


def test_the_project_passes_its_own_audit_and_opens_in_a_gis(
    demo: tuple[Path, dict[str, Any]], tmp_path: Path
) -> None:
    folder, _ = demo
    result = json.loads(run("check", str(folder), "--json", "--quiet").stdout)
    assert result["faults"] == 0, [f for f in result["findings"] if f["level"] == "fault"][:3]
    copy = tmp_path / "copy.gpkg"
    with Project.open(folder, read_only=True) as project:
        project.snapshot(copy)
    frame = pyogrio.read_dataframe(copy, layer="conditions of river-front-main")
    assert frame.crs.is_engineering or "LOCAL_CS" in frame.crs.to_wkt()
    assert frame.total_bounds[2] < 13


def test_a_second_demo_in_the_same_folder_is_refused(demo: tuple[Path, dict[str, Any]]) -> None:
    folder, _ = demo
    before = (folder / "project.gpkg").stat().st_mtime_ns
    done = run("demo", str(folder), "--quiet", expect=2)
    assert done.stderr.count("\n") == 1
    assert done.stderr.startswith("error: ")
    assert "; fix: " in done.stderr
    assert (folder / "project.gpkg").stat().st_mtime_ns == before


def test_a_replaced_photo_is_named(demo: tuple[Path, dict[str, Any]], tmp_path: Path) -> None:
    copy = tmp_path / "copy"
    shutil.copytree(demo[0], copy, ignore=shutil.ignore_patterns("cache", "out", "elevations"))
    photo = sorted((copy / "photos").glob("*.jpg"))[0]
    photo.write_bytes(photo.read_bytes()[:-2000] + bytes(2000))
    done = run("elevations", str(copy), "--quiet", expect=2)
    assert photo.name in done.stderr
    assert "replaced" in done.stderr
    assert (
        not list((copy / "elevations").glob("*.tif*")) if (copy / "elevations").exists() else True
    )
