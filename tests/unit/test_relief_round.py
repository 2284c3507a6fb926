"""Relief of round walls from photos: a tower from outside and an apse from within, against the truth they were rendered from."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

from facademap.errors import InputError
from facademap.io.relief_files import read_relief
from facademap.relief.developed import axes_at, developed, straight
from facademap.tasks.survey.relief import make_relief
from facademap.wall.grid import Extent

sys.path.insert(0, str(Path(__file__).parent))
from rendered_relief import Station, make_wall
from rendered_round import write_round_survey


@pytest.mark.parametrize("radius_m", [0.8, -0.8])
def test_developed_and_straight_are_inverse(radius_m: float) -> None:
    rng = np.random.default_rng(0)
    uvw = rng.uniform((-1.2, 0, -0.1), (1.2, 2, 0.1), (200, 3))
    xyz = straight(uvw, radius_m)
    np.testing.assert_allclose(developed(xyz, radius_m), uvw, atol=1e-12)
    # axes are the derivatives, made of unit length
    for k, step in enumerate(np.eye(3) * 1e-6):
        along = (straight(uvw + step, radius_m) - xyz) / 1e-6
        along /= np.linalg.norm(along, axis=1)[:, None]
        np.testing.assert_allclose(axes_at(uvw[:, 0], radius_m)[:, k], along, atol=1e-5)
    assert np.isnan(straight([[3.0, 0, 0]], 0.8)[0, 0])


@pytest.mark.parametrize("radius_m", [0.9, -1.1])
def test_relief_of_a_round_wall_against_the_truth(radius_m: float, tmp_path: Path) -> None:
    wall = make_wall(7, width_m=1.1, height_m=0.7, step_m=0.0025, losses=2, deepest_m=0.03)
    away = 1.0 if radius_m > 0 else 0.95
    lens = {"focal_px": 330.0, "size_px": (360, 270)}
    views = [
        Station((du, 0.35 + dv, away), (0.25 * du, 0.35), **lens)  # type: ignore[arg-type]
        for du, dv in ((0.0, 0.0), (-0.35, 0.1), (0.35, -0.1), (0.05, 0.3))
    ]
    control = write_round_survey(tmp_path / "p", wall, radius_m, views)
    made = make_relief(
        tmp_path / "p",
        control,
        tmp_path / "r.tif",
        cell_m=0.007,
        extent=Extent(u0_m=-0.35, v0_m=0.12, u1_m=0.35, v1_m=0.58),
        radius_m=radius_m,
    )
    grid, out_m, sigma_m = read_relief(tmp_path / "r.tif")
    j, i = np.meshgrid(np.arange(grid.width_px), np.arange(grid.height_px))
    uv = grid.wall_from_pixel(j, i)
    truth = wall.depth_at(uv[..., 0] + wall.size_m[0] / 2, uv[..., 1])
    known = np.isfinite(out_m)
    error = (out_m - truth)[known]
    assert known.mean() > 0.9
    assert float(np.sqrt(np.mean(error**2))) < 0.002
    assert (np.abs(error) > 0.005).mean() < 0.02
    assert 0.9 <= (np.abs(error) < 1.96 * sigma_m[known]).mean() <= 0.995
    assert made.report["check_n"] == 2
    assert made.report["check_rmse_w_m"] < 0.0015


def test_a_round_wall_has_a_radius_of_a_wall_and_no_true_elevation(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="a radius of 1 mm"):
        make_relief(tmp_path, tmp_path / "c.csv", tmp_path / "o.tif", cell_m=0.01, radius_m=0.001)
    with pytest.raises(InputError, match="flat walls only"):
        make_relief(
            tmp_path,
            tmp_path / "c.csv",
            tmp_path / "o.tif",
            cell_m=0.01,
            radius_m=0.5,
            elevation=tmp_path / "e.tif",
        )
