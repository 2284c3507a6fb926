"""Depth of conditions from a relief: against solids of known depth, and beside what was typed."""

from __future__ import annotations

import csv
import json
import math
import sys
from pathlib import Path

import numpy as np
import pytest
import shapely

from facademap.condition.measured_depth import depth_is_proved
from facademap.errors import InputError
from facademap.io.relief_files import open_relief_writer
from facademap.relief.build import Relief
from facademap.relief.depth import depth_below_face
from facademap.relief.losses import LossRules
from facademap.store.project import Project
from facademap.tasks.desk.edit import RowChange, apply_changes
from facademap.tasks.project.check import check_project
from facademap.tasks.survey.depths import confirm_depths, measure_depths
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


def _in_project(folder: Path, *, typed: list[float | None]) -> tuple[Path, list[str]]:
    """A project with a stone that holds a pit of 25 mm, one condition a depth typed, and a pit that nobody drew."""
    surface = make_wall(folder, world=False)
    relief = _wall(slope=0.01)
    _pit(relief, (100, 140, 90, 140), 0.025)
    _pit(relief, (90, 115, 165, 200), 0.018)
    path = folder.parent / "relief.tif"
    with open_relief_writer(path, GRID, crs_wkt=wall_crs("w", "w")) as writer:
        writer.write_rows(0, relief.out_m, relief.sigma_m)
    rows = [
        {
            "id": f"C{number}",
            "surface": surface,
            "term": "missing part",
            "geometry": shapely.box(0.36, 1.0 - 0.56, 0.56, 1.0 - 0.40),
            "depth_m": depth_m,
            "cc": 2,
        }
        for number, depth_m in enumerate(typed, start=1)
    ]
    stones = [
        {"id": f"S{k}", "surface": surface, "geometry": shapely.box(u, 0.41, u + 0.28, 0.69)}
        for k, u in enumerate((0.312, 0.612), start=1)
    ]
    with Project.open(folder) as project, project.edit(who="t", what="c") as edit:
        edit.insert("wall_stones", stones)
        ids = edit.insert("conditions", rows)
    return path, ids


def test_measured_depths_wait_for_a_person_and_then_are_the_record(tmp_path: Path) -> None:
    folder = tmp_path / "wall"
    path, ids = _in_project(folder, typed=[None, 0.060])
    done = measure_depths(folder, relief=path, store=True, losses=LossRules(), who="Ada")
    with Project.open(folder) as project:
        rows = {r["id"]: r for r in project.read("conditions").to_dict("records")}
        stones = {
            r["id"]: r["measured_face"] for r in project.read("wall_stones").to_dict("records")
        }
    # nothing of the record has changed yet
    assert math.isnan(rows[ids[0]]["depth_m"])
    assert rows[ids[1]]["depth_m"] == pytest.approx(0.060)
    told = rows[ids[0]]["measured_depth"]
    assert told["mean_m"] == pytest.approx(0.025, abs=0.001)
    # the deepest place with its doubt, up to the next millimetre
    assert 0.0258 <= told["depth_m"] <= 0.0285
    # the face of a stone leans as the wall was made: 10 mm a metre to the right, 12 mm out at u = 0
    assert stones["S2"]["turn_m_m"] == pytest.approx(0.010, abs=0.0005)
    assert stones["S2"]["lean_out_m_m"] == pytest.approx(0.0, abs=0.0005)
    assert stones["S2"]["stand_out_m"] == pytest.approx(0.012 + 0.01 * 0.752, abs=0.0006)
    assert stones["S2"]["planarity_m"] == pytest.approx(0.0005, abs=0.0002)
    # the pit that nobody drew is proposed, the drawn one is not
    (proposed,) = done.losses
    loss = rows[proposed]
    assert loss["origin"] == "assisted"
    assert loss["wall_stone"] == "S2"
    true = shapely.box(165 * 0.004, 1 - 115 * 0.004, 200 * 0.004, 1 - 90 * 0.004)
    assert loss["geometry"].intersection(true).area / loss["geometry"].union(true).area > 0.8
    said = [f["problem"] for f in check_project(folder, fast=True)["findings"]]
    assert any("60 mm deep, the relief 26 mm" in p for p in said)
    assert any("1 measured depths not confirmed" in p for p in said)
    assert confirm_depths(folder, None, who="Ben") == [(ids[0], told["depth_m"])]
    with Project.open(folder) as project:
        row = project.row("conditions", ids[0])
    assert (row["depth_m"], row["depth_from"], row["depth_confirmed_by"]) == (
        told["depth_m"],
        "measured",
        "Ben",
    )
    assert depth_is_proved(row)
    with pytest.raises(InputError, match="no depth was measured"):
        confirm_depths(folder, [proposed], who="Ben")


def _edit(folder: Path, id: str, values: dict[str, object], key: str) -> dict[str, object]:
    with Project.open(folder) as project:
        rev = project.row("conditions", id)["rev"]
        apply_changes(
            project,
            [RowChange(op="update", table="conditions", id=id, rev=rev, values=values)],
            key=key,
            who="Cy",
            what="depth",
        )
        return project.row("conditions", id)


def test_the_desk_confirms_what_was_measured_and_nothing_else(tmp_path: Path) -> None:
    folder = tmp_path / "wall"
    path, (id,) = _in_project(folder, typed=[None])
    with pytest.raises(InputError, match="no depth was measured"):
        _edit(folder, id, {"depth_from": "measured", "depth_m": 0.5}, "edit-0000")
    measure_depths(folder, relief=path, store=True)
    with pytest.raises(InputError, match="comes from a relief alone"):
        _edit(folder, id, {"measured_depth": {"depth_m": 0.5}}, "edit-0001")
    row = _edit(folder, id, {"depth_from": "measured", "depth_m": 0.5}, "edit-0002")
    assert row["depth_m"] == row["measured_depth"]["depth_m"] < 0.03
    assert row["depth_confirmed_by"] == "Cy"
    # what is typed afterwards is typed
    row = _edit(folder, id, {"depth_m": "40 mm"}, "edit-0003")
    assert (row["depth_m"], row["depth_from"]) == (pytest.approx(0.040), "typed")
    assert row["depth_confirmed_by"] is None
    assert not depth_is_proved(row)
    # an outline that moved has another depth
    moved = json.loads(shapely.to_geojson(shapely.box(0.36, 0.44, 0.50, 0.60)))
    _edit(folder, id, {"geometry": moved}, "edit-0004")
    with pytest.raises(InputError, match="outline was changed"):
        _edit(folder, id, {"depth_from": "measured"}, "edit-0005")
    said = [f["problem"] for f in check_project(folder, fast=True)["findings"]]
    assert any("outline was changed after its depth was measured" in p for p in said)


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
            "term": "missing part",
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
