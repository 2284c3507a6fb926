"""Depth of conditions from a relief: against solids of known depth, and beside what was typed."""

from __future__ import annotations

import csv
import sys
from pathlib import Path

import numpy as np
import pytest
import shapely

from facademap.errors import InputError
from facademap.io.relief_files import open_relief_writer
from facademap.relief.build import Relief
from facademap.relief.depth import depth_below_face
from facademap.store.project import Project
from facademap.tasks.survey.depths import measure_depths
from facademap.wall.grid import PixelGrid
from facademap.wall.world import wall_crs

sys.path.insert(0, str(Path(__file__).parent))
from small_wall import make_wall

GRID = PixelGrid(left_m=0.0, top_m=1.0, gsd_m=0.004, width_px=300, height_px=250)


def _wall(*, slope: float = 0.0, noise: float = 0.0005, seed: int = 0) -> Relief:
    """A face that stands 12 mm out and leans, with joints 8 mm deep every 300 mm."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[0:250, 0:300] * GRID.gsd_m
    w = 0.012 + slope * x + rng.normal(0, noise, x.shape)
    w[(x % 0.3 < 0.008) | (y % 0.3 < 0.008)] -= 0.008
    return Relief(
        grid=GRID,
        out_m=w.astype(np.float32),
        sigma_m=np.full(w.shape, noise, np.float32),
    )


def _pit(relief: Relief, box: tuple[int, int, int, int], depth_m: float) -> np.ndarray:
    mask = np.zeros(relief.out_m.shape, bool)
    mask[box[0] : box[1], box[2] : box[3]] = True
    relief.out_m[mask] -= depth_m
    return mask


@pytest.mark.parametrize("slope", [0.0, 0.01, -0.02])
@pytest.mark.parametrize("depth_m", [0.0, 0.004, 0.030])
def test_depth_is_measured_from_the_leaning_face(slope: float, depth_m: float) -> None:
    relief = _wall(slope=slope)
    mask = _pit(relief, (90, 130, 95, 145), depth_m)
    found = depth_below_face(relief, mask)
    assert found is not None
    assert found.mean_m == pytest.approx(depth_m, abs=max(0.0005, found.plus_minus_95_m))
    assert found.plus_minus_95_m < 0.001
    area = 40 * 50 * GRID.gsd_m**2
    assert found.area_m2 == pytest.approx(area)
    assert found.volume_m3 == pytest.approx(found.mean_m * area)
    assert found.deepest_m == pytest.approx(depth_m + 1.645 * 0.0005, abs=0.0006)


def test_plus_minus_covers_the_truth_in_95_of_100() -> None:
    held = 0
    for seed in range(60):
        relief = _wall(seed=seed)
        mask = _pit(relief, (80, 120, 100, 140), 0.010)
        found = depth_below_face(relief, mask)
        assert found is not None
        held += abs(found.mean_m - 0.010) <= found.plus_minus_95_m
    assert held >= 54


def test_unknown_cells_widen_the_range_and_little_knowledge_says_nothing() -> None:
    relief = _wall()
    mask = _pit(relief, (80, 120, 100, 140), 0.010)
    relief.out_m[80:100, 100:120] -= 0.02
    whole = depth_below_face(relief, mask)
    relief.out_m[100:120, 100:140] = np.nan
    half = depth_below_face(relief, mask)
    assert whole is not None
    assert half is not None
    assert half.known_share == pytest.approx(0.5)
    assert half.plus_minus_95_m > 3 * whole.plus_minus_95_m
    relief.out_m[:] = np.nan
    assert depth_below_face(relief, mask) is None


def test_other_damage_is_no_face() -> None:
    relief = _wall()
    mask = _pit(relief, (90, 110, 100, 120), 0.010)
    wide = np.zeros(mask.shape, bool)
    wide[70:130, 80:140] = True
    wide &= ~mask
    relief.out_m[wide] -= 0.020
    alone = depth_below_face(relief, mask)
    told = depth_below_face(relief, mask, others=[wide])
    assert told is None or told.mean_m == pytest.approx(0.010, abs=0.002)
    assert alone is not None
    assert alone.mean_m < 0


def test_conditions_of_a_project(tmp_path: Path) -> None:
    surface = make_wall(tmp_path / "wall", world=False)
    relief = _wall()
    deep = _pit(relief, (100, 140, 90, 140), 0.025)
    assert deep.any()
    path = tmp_path / "relief.tif"
    with open_relief_writer(path, GRID, crs_wkt=wall_crs("w", "w")) as writer:
        writer.write_rows(0, relief.out_m, relief.sigma_m)
    outline = shapely.box(0.36, 1.0 - 0.56, 0.56, 1.0 - 0.40)
    rows = [
        {
            "id": f"C{number}",
            "surface": surface,
            "term": "material loss",
            "geometry": outline,
            "depth_m": depth_m,
            "cc": 2,
        }
        for number, depth_m in enumerate((0.026, 0.060, None), start=1)
    ]
    with Project.open(tmp_path / "wall") as project, project.edit(who="t", what="c") as edit:
        ids = edit.insert("conditions", rows)
    before = (tmp_path / "wall" / "project.gpkg").read_bytes()
    with pytest.raises(InputError, match="no surface has a relief"):
        measure_depths(tmp_path / "wall")
    done = measure_depths(tmp_path / "wall", relief=path, out=tmp_path / "d.csv")
    by_id = {d.condition: d for d in done.depths}
    assert [by_id[str(i)].disagrees for i in ids] == [False, True, False]
    assert any("60 mm deep, the relief 26 mm" in w for w in done.warnings)
    with (tmp_path / "d.csv").open() as file:
        table = list(csv.DictReader(file))
    assert len(table) == 3
    # volume of the solid: 0.2 m x 0.16 m x 25 mm
    assert float(table[0]["volume_m3"]) == pytest.approx(0.2 * 0.16 * 0.025, rel=0.02)
    assert (tmp_path / "wall" / "project.gpkg").read_bytes() == before
