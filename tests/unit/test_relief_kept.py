"""Reliefs that a project keeps: measured from its own photos, by survey and date."""

from __future__ import annotations

import csv
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import rasterio

from facademap.errors import InputError
from facademap.io.pictures import hash_file
from facademap.io.relief_files import open_relief_writer, read_relief
from facademap.store.project import Project
from facademap.tasks.survey.keep_relief import keep_relief
from facademap.tasks.survey.kept_reliefs import newest_reliefs, reliefs_of
from facademap.wall.grid import PixelGrid
from facademap.wall.world import wall_crs

sys.path.insert(0, str(Path(__file__).parent))
from rendered_relief import ReliefWall, Station, make_wall, stations, write_survey
from small_wall import make_wall as make_project


def _filled(folder: Path, wall: ReliefWall, views: Sequence[Station]) -> str:
    """A project whose photos and control points are those of a rendered survey."""
    surface = make_project(folder, world=False, picture=False)
    control = write_survey(folder.parent / "shots", wall, list(views), over=1)
    with control.open() as file:
        rows = list(csv.DictReader(file))
    photos, points, seen = [], {}, []
    for k in range(len(views)):
        target = folder / "photos" / f"p{k + 1}.jpg"
        target.parent.mkdir(exist_ok=True)
        target.write_bytes((control.parent / f"p{k + 1}.jpg").read_bytes())
        photos.append(
            {
                "id": f"p{k + 1}",
                "path": f"photos/p{k + 1}.jpg",
                "sha256": hash_file(target),
                "width_px": views[k].size_px[0],
                "height_px": views[k].size_px[1],
                "surface": surface,
                "taken_at": f"2026-05-0{1 + k // 2}T10:00:00+00:00",
            }
        )
    for n, r in enumerate(rows):
        points[r["name"]] = {
            "id": r["name"],
            "surface": surface,
            "name": r["name"],
            "role": r["role"],
            **{c: float(r[c]) for c in ("u_m", "v_m", "w_m")},
        }
        seen.append(
            {
                "id": f"Q{n}",
                "photo": r["photo"].removesuffix(".jpg"),
                "control_point": r["name"],
                "x_px": float(r["x_px"]),
                "y_px": float(r["y_px"]),
            }
        )
    with Project.open(folder) as project, project.edit(who="t", what="photos") as edit:
        edit.insert("photos", photos)
        edit.insert("control_points", list(points.values()))
        edit.insert("observations", seen)
    return surface


def _surface(folder: Path, name: str) -> dict[str, Any]:
    with Project.open(folder, read_only=True) as project:
        return project.row("surfaces", name)


def test_the_relief_of_a_surface_is_kept_by_survey_and_date(tmp_path: Path) -> None:
    wall = make_wall(1, width_m=0.6, height_m=0.45, step_m=0.002, losses=0)
    views = stations(wall, count=3, distance_m=0.6, size_px=(320, 240), focal_px=300.0)
    folder = tmp_path / "wall"
    surface = _filled(folder, wall, views)
    with pytest.raises(InputError, match="taken on 2 days"):
        keep_relief(folder, cell_m=0.006)
    assert not list((folder / "elevations").glob("*relief*"))
    entry = keep_relief(folder, cell_m=0.006, survey="spring", taken_on="2026-05-01", who="Ada")
    # two photos are of that day, the third is of the next
    assert entry["photos"] == ["p1", "p2"]
    grid, out_m, sigma_m = read_relief(folder / entry["path"])
    u = grid.left_m + (np.arange(grid.width_px) + 0.5) * grid.gsd_m
    v = grid.top_m - (np.arange(grid.height_px) + 0.5) * grid.gsd_m
    truth = wall.depth_at(*np.broadcast_arrays(u[None, :], v[:, None]))
    known = np.isfinite(out_m)
    assert np.median(np.abs(out_m - truth)[known]) < 0.002
    assert (np.isfinite(sigma_m) == known).all()
    with pytest.raises(InputError, match="has a relief of survey spring already"):
        keep_relief(folder, cell_m=0.006, survey="spring", taken_on="2026-05-01")
    with pytest.raises(InputError, match="is no day"):
        keep_relief(folder, cell_m=0.006, survey="autumn", taken_on="2026-13-01")
    with pytest.raises(InputError, match="is no name of a survey"):
        keep_relief(folder, cell_m=0.006, survey="../x", taken_on="2026-05-01")
    _joined_with_a_scan(folder, surface, truth, grid)
    row = _surface(folder, surface)
    (_, kept) = reliefs_of(row)
    assert (kept.survey, kept.taken_on, kept.source) == ("spring", "2026-05-01", "photos and scan")
    assert newest_reliefs([row])[surface].path == f"elevations/{surface}_relief_spring.tif"


def _joined_with_a_scan(folder: Path, surface: str, truth: np.ndarray, grid: PixelGrid) -> None:
    """A scan of the same surface is compared and joined, unless it is left out."""
    scan = truth + np.random.default_rng(4).normal(0, 0.0003, truth.shape)
    path = f"elevations/{surface}-scan-relief.tif"
    with open_relief_writer(folder / path, grid, crs_wkt=wall_crs("w", "w")) as writer:
        writer.write_rows(0, scan.astype(np.float32), np.full(truth.shape, 0.0003, np.float32))
    with Project.open(folder) as project, project.edit(who="t", what="scan") as edit:
        edit.update("surfaces", surface, {"report": {"relief": path}})
    again = {"cell_m": 0.006, "survey": "spring", "taken_on": "2026-05-01", "replace": True}
    alone = keep_relief(folder, with_scan=False, **again)
    assert (alone["source"], "scan" in alone) == ("photos", False)
    entry = keep_relief(folder, **again)
    told = entry["scan"]
    assert told["joined"]
    assert told["scan_share"] > 0.9
    assert abs(told["mean_m"]) < 0.002
    with rasterio.open(folder / entry["path"]) as file:
        assert file.count == 3
        out_m, _, origin = file.read()
    used = origin == 2
    assert used.mean() == pytest.approx(told["scan_share"], abs=1e-3)
    # better than the photos alone were
    assert np.median(np.abs(out_m - truth)[used]) < 0.0012


def test_a_survey_without_control_is_laid_on_an_earlier_one(tmp_path: Path) -> None:
    wall = make_wall(1, width_m=0.6, height_m=0.45, step_m=0.002, losses=0)
    lens = {"size_px": (400, 300), "focal_px": 375.0}
    folder = tmp_path / "wall"
    surface = _filled(folder, wall, stations(wall, count=2, distance_m=0.6, **lens))
    with pytest.raises(InputError, match="no measured relief with a true elevation of survey 1"):
        keep_relief(folder, cell_m=0.006, survey="2", taken_on="2026-09-01", earlier="1")
    old = keep_relief(folder, cell_m=0.006, taken_on="2026-05-01", elevation=True, gsd_m=0.002)
    later = stations(wall, count=3, distance_m=0.6, seed=5, **lens)
    write_survey(tmp_path / "later", wall, later, seed=5, over=1, light=(-0.3, 0.7, 0.7))
    photos = []
    for k in range(3):
        target = folder / "photos" / f"q{k}.jpg"
        target.write_bytes((tmp_path / "later" / f"p{k + 1}.jpg").read_bytes())
        photos.append(
            {
                "id": f"q{k}",
                "path": f"photos/q{k}.jpg",
                "sha256": hash_file(target),
                "width_px": 400,
                "height_px": 300,
                "surface": surface,
                "taken_at": "2026-09-01T10:00:00+00:00",
            }
        )
    with Project.open(folder) as project, project.edit(who="t", what="photos") as edit:
        edit.insert("photos", photos)
    with pytest.raises(InputError, match="cannot be laid on itself"):
        keep_relief(
            folder, cell_m=0.006, survey="1", taken_on="2026-09-01", earlier="1", replace=True
        )
    with pytest.raises(InputError, match=r"0 photo of surface .* was taken on 2026-09-02"):
        keep_relief(folder, cell_m=0.006, survey="2", taken_on="2026-09-02", earlier="1")
    new = keep_relief(folder, cell_m=0.006, survey="2", taken_on="2026-09-01", earlier="1")
    assert new["registered"]["survey"] == "1"
    assert new["registered"]["agree_share"] > 0.8
    # the frame is that of the earlier survey
    assert new["control_m"] == old["control_m"]
    assert new["extent_m"] == old["extent_m"]
    first, second = (read_relief(folder / e["path"]) for e in (old, new))
    # a pixel is 1.6 mm on the wall; what is stated covers what the two differ by
    apart = abs(float(np.nanmedian(second[1] - first[1])))
    assert apart < 0.0016
    assert apart < 1.96 * new["registered"]["registration_m"]
