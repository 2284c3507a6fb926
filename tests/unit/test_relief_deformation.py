"""Bulge, lean and steps: against walls of known shape, planes against numpy, and on the make-safe list."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest
import shapely

from facademap.io.relief_files import open_relief_writer
from facademap.relief.build import Relief
from facademap.relief.deformation import DeformationLimits, deformation_of
from facademap.store.project import Project
from facademap.tasks.plan.plan import make_safe_of_project
from facademap.tasks.survey.change import cells_inside
from facademap.tasks.survey.deformation import LIMITS_SETTING, look_at_deformation
from facademap.wall.grid import PixelGrid
from facademap.wall.world import wall_crs

sys.path.insert(0, str(Path(__file__).parent))
from small_wall import make_wall

GRID = PixelGrid(left_m=0.0, top_m=2.0, gsd_m=0.01, width_px=300, height_px=200)
STONES = {
    f"S{i}{j}": shapely.box(0.5 * j + 0.005, 0.25 * i + 0.005, 0.5 * j + 0.495, 0.25 * i + 0.245)
    for i in range(8)
    for j in range(6)
}


def _wall(
    *, lean: float = 0.0, bulge_m: float = 0.0, step: tuple[str, float] | None = None
) -> Relief:
    rng = np.random.default_rng(4)
    u = GRID.left_m + (np.arange(300) + 0.5) * 0.01
    v = GRID.top_m - (np.arange(200) + 0.5) * 0.01
    uu, vv = np.meshgrid(u, v)
    out = lean * vv + bulge_m * np.exp(-((uu - 1.0) ** 2 + (vv - 1.2) ** 2) / 0.3**2)
    out += rng.normal(0, 0.0006, out.shape)
    if step is not None:
        out[cells_inside(STONES[step[0]], GRID)] += step[1]
    # joints are no part of the shape
    out[(uu % 0.5 < 0.01) | (vv % 0.25 < 0.01)] -= 0.012
    return Relief(
        grid=GRID, out_m=out.astype(np.float32), sigma_m=np.full(out.shape, 0.0008, np.float32)
    )


def _look(relief: Relief, **limits: float):  # type: ignore[no-untyped-def]
    found = deformation_of(relief, stones=STONES, limits=DeformationLimits(**limits))
    assert found is not None
    return found


def test_a_sound_wall_has_nothing_to_tell() -> None:
    found = _look(_wall())
    assert not found.leans
    assert not found.bulges
    assert not found.steps


@pytest.mark.parametrize("lean", [0.012, -0.012])
def test_lean_is_that_of_the_plane_through_the_wall(lean: float) -> None:
    relief = _wall(lean=lean)
    found = _look(relief)
    rows, columns = np.nonzero(np.isfinite(relief.out_m))
    design = np.stack([np.ones(len(rows)), columns * 0.01, -rows * 0.01], axis=1)
    (_, turn, up), *_ = np.linalg.lstsq(design, relief.out_m[rows, columns], rcond=None)
    assert found.lean_m_m == pytest.approx(up, abs=2e-4)
    assert found.turn_m_m == pytest.approx(turn, abs=2e-4)
    assert found.leans
    # a leaning wall is no bulging one
    assert not found.bulges


@pytest.mark.parametrize(("height_m", "told"), [(0.035, True), (0.012, False), (-0.035, True)])
def test_a_bulge_is_told_beyond_its_limit_where_it_is(height_m: float, told: bool) -> None:
    found = _look(_wall(bulge_m=height_m))
    assert bool(found.bulges) == told
    if told:
        (bulge,) = found.bulges
        assert bulge.outline.contains(shapely.Point(1.0, 1.2))
        assert bulge.most_m == pytest.approx(height_m, abs=0.006)
        assert bulge.outline.area < 0.5


@pytest.mark.parametrize(("step_m", "told"), [(0.018, True), (0.008, False)])
def test_a_stone_that_stands_out_steps_from_all_its_neighbours(step_m: float, told: bool) -> None:
    found = _look(_wall(step=("S32", step_m)))
    assert {s.out for s in found.steps} == ({"S32"} if told else set())
    if told:
        assert {s.back for s in found.steps} >= {"S31", "S33", "S22", "S42"}
        assert all(s.step_m == pytest.approx(step_m, abs=0.001) for s in found.steps)


def test_what_is_found_stands_on_the_make_safe_list_until_a_person_has_looked(
    tmp_path: Path,
) -> None:
    folder = tmp_path / "wall"
    surface = make_wall(folder, world=False, picture=False)
    relief = _wall(bulge_m=0.035, step=("S04", 0.018))
    path = folder / "elevations" / "r.tif"
    path.parent.mkdir(exist_ok=True)
    with open_relief_writer(path, GRID, crs_wkt=wall_crs("w", "w")) as writer:
        writer.write_rows(0, relief.out_m, relief.sigma_m)
    entry = {
        "path": "elevations/r.tif",
        "survey": "1",
        "source": "photos",
        "sha256": "0",
        "cell_m": 0.01,
    }
    with Project.open(folder) as project, project.edit(who="t", what="relief") as edit:
        edit.update("surfaces", surface, {"reliefs": [entry]})
        edit.insert(
            "wall_stones",
            [{"id": n, "surface": surface, "geometry": g} for n, g in STONES.items()],
        )
    look_at_deformation(folder)
    assert make_safe_of_project(folder) == []
    for _ in range(2):  # looked at again, what nobody confirmed is not told twice
        look_at_deformation(folder, store=True, limits={"step_m": 0.012})
    listed = make_safe_of_project(folder)
    assert sorted({str(r["term"]) for r in listed}) == ["bulge", "displacement"]
    assert len([r for r in listed if r["term"] == "bulge"]) == 1
    assert {r["wall_stone"] for r in listed if r["term"] == "displacement"} == {"S04"}
    with Project.open(folder, read_only=True) as project:
        assert project.setting(LIMITS_SETTING)["step_m"] == pytest.approx(0.012)
        rows = project.read("conditions")
    assert (rows["origin"] == "assisted").all()
    assert rows["note"].str.contains("structural engineer").all()
