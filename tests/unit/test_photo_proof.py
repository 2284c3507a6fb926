"""What is proved of a rectified wall, and that a mistyped coordinate is found or nothing is called proved."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from synthetic_wall import HEIGHT_PX, WIDTH_PX, see_wall

from facademap.errors import FacademapError
from facademap.photo.accuracy import AccuracyStatement, state_accuracy
from facademap.photo.camera import Camera
from facademap.photo.control import ControlPoints
from facademap.photo.plane import PlaneView, fit_plane_view
from facademap.photo.proof import EXACT, share_outside
from facademap.wall.grid import Extent


def fit(points: ControlPoints, camera: Camera | None = None) -> PlaneView:
    return fit_plane_view(points, width_px=WIDTH_PX, height_px=HEIGHT_PX, camera=camera)


def stated(view: PlaneView) -> AccuracyStatement:
    return state_accuracy(view, Extent.around(view.points.control.wall_m), gsd_m=0.001)


def without_checks(points: ControlPoints) -> ControlPoints:
    return points.select(points.is_control)


@pytest.mark.parametrize("given", [True, False])
def test_four_points_prove_nothing(given: bool) -> None:
    wall = see_wall(np.random.default_rng(11), oblique_deg=25, k1=-0.1, control=4)
    found = stated(fit(without_checks(wall.points), wall.camera if given else None))
    assert not found.proof.proved
    assert found.proof.reason == EXACT
    assert (found.control, found.check, found.scale) == (None, None, None)
    assert EXACT in found.warnings


@pytest.mark.parametrize("seed", range(5))
def test_control_left_out_tells_what_check_points_tell(seed: int) -> None:
    wall = see_wall(np.random.default_rng(seed), oblique_deg=25, k1=-0.1, control=14, noise_px=0.6)
    alone = stated(fit(without_checks(wall.points)))
    checked = stated(fit(wall.points))
    assert alone.proof.proved
    assert checked.proof.proved
    assert checked.check is not None
    # a left out point is picked like the control, the check points of this wall are exact
    picked = np.hypot(checked.check.rmse_radial_m, 0.6 * np.sqrt(2) * 8.0 / WIDTH_PX)
    assert 0.5 * picked < alone.proof.error_m < 3.0 * picked
    assert alone.scale is not None


@pytest.mark.parametrize("given", [True, False])
@pytest.mark.parametrize("control", [4, 5, 6, 7, 8, 10, 14])
def test_a_mistyped_coordinate_is_found_or_nothing_is_proved(control: int, given: bool) -> None:
    for seed in range(3):
        rng = np.random.default_rng(100 + seed)
        wall = see_wall(rng, oblique_deg=20, k1=-0.08, control=control, noise_px=0.4)
        points = without_checks(wall.points)
        for wrong in range(0, control, 2):
            for factor in (10.0, 0.1):
                typed = points.wall_m.copy()
                typed[wrong, seed % 2] *= factor
                if abs(typed[wrong] - points.wall_m[wrong]).max() < 0.02:
                    continue
                try:
                    view = fit(replace(points, wall_m=typed), wall.camera if given else None)
                except FacademapError:
                    continue  # refused by name
                found = stated(view)
                named = points.name[wrong] in found.blunders
                assert named or not found.proof.proved, (control, wrong, factor, found.proof)


def test_contradicted_check_points_prove_nothing() -> None:
    wall = see_wall(np.random.default_rng(12), oblique_deg=25, k1=0.0, control=4, check=30)
    assert stated(fit(wall.points, wall.camera)).proof.proved
    typed = wall.points.wall_m.copy()
    typed[1] += [0.8, 0.3]
    bad = stated(fit(replace(wall.points, wall_m=typed), None))
    assert not bad.proof.proved
    assert bad.scale is None


def test_what_lies_outside_the_control() -> None:
    square = np.array([(0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 1.0)])
    assert share_outside(square, (0.0, 0.0, 1.0, 1.0)) == pytest.approx(0.0)
    assert share_outside(square, (-1.0, -1.0, 1.0, 1.0)) == pytest.approx(0.75)


def test_a_picture_mostly_beyond_its_points_is_not_proved() -> None:
    wall = see_wall(np.random.default_rng(5), oblique_deg=20, k1=-0.08, control=12, noise_px=0.3)
    inner = without_checks(wall.points)
    near = inner.wall_m * 0.3 + 0.5
    view = fit(replace(inner, wall_m=near), None)
    own = Extent.around(near)
    assert state_accuracy(view, own, gsd_m=0.001).proof.proved
    wide = Extent(u0_m=own.u0_m, v0_m=own.v0_m, u1_m=own.u1_m + 3.0, v1_m=own.v1_m)
    found = state_accuracy(view, wide, gsd_m=0.001)
    assert not found.proof.proved
    assert "beyond the points" in found.proof.reason
    assert found.scale is None
