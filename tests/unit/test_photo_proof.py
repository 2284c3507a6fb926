"""What is proved of a rectified wall, and that a mistyped coordinate is found or nothing is called proved."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from synthetic_wall import HEIGHT_PX, WIDTH_PX, see_wall

from facademap.errors import FacademapError
from facademap.photo.accuracy import AccuracyStatement, state_accuracy
from facademap.photo.camera import Camera
from facademap.photo.control import ControlPoints
from facademap.photo.plane import PlaneView, fit_plane_view
from facademap.photo.proof import (
    EXACT,
    ONE_PLACE,
    Proof,
    prove,
    prove_photos,
    share_outside,
)
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
    # many points give many slips to try at one wall
    for seed in range(3 if control <= 5 else 2 if control <= 6 else 1):
        rng = np.random.default_rng(100 + seed)
        wall = see_wall(rng, oblique_deg=20, k1=-0.08, control=control, noise_px=0.4)
        points = without_checks(wall.points)
        for wrong in range(0, control, 2 if control <= 7 else control // 2):
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


CORNERS = np.array([(0.1, 0.1), (5.9, 0.1), (5.9, 3.9), (0.1, 3.9)])
WALL = (0.0, 0.0, 6.0, 4.0)


def judged(check_at: Any, *, miss_m: float = 0.002, control: Any = CORNERS, **more: Any) -> Proof:
    """Check points, each missed by the same, of a wall of 6 x 4 m."""
    at = np.asarray(check_at, dtype=float).reshape(-1, 2)
    return prove(
        check_m=np.full((len(at), 2), miss_m / np.sqrt(2)),
        check_sigma_m=np.zeros(len(at)),
        check_at_m=at,
        left_out_m=more.pop("left_out_m", np.zeros((0, 2))),
        control_at_m=np.asarray(control, dtype=float),
        extent_m=WALL,
        **more,
    )


def test_check_points_that_repeat_control_test_nothing() -> None:
    assert judged([(3.0, 2.0), (1.0, 3.0)]).proved
    beside = judged(CORNERS + 0.05)
    assert not beside.proved
    assert beside.reason == ONE_PLACE


@pytest.mark.parametrize(
    "corner", [(5.0, 3.2), (1.0, 0.8)], ids=["upper right corner", "lower left corner"]
)
def test_check_points_in_one_corner_prove_that_corner_only(corner: tuple[float, float]) -> None:
    there = np.add(corner, [(-0.3, 0.0), (0.0, 0.0), (0.3, 0.0), (0.0, 0.3), (0.3, 0.3)])
    assert "stand together" in judged(there).reason
    far = np.array([6.0, 4.0]) - corner
    assert judged([*there, far]).proved


def test_few_check_points_are_not_taken_at_their_word() -> None:
    # upper limits at 90 %: sqrt(2n / chi-square with 2n degrees at 0.1), percentage points of any table of
    # chi-square: 0.2107 for 2, 1.0636 for 4 degrees
    one, two = judged([(3, 2)]), judged([(2, 1), (4, 3)])
    assert one.error_m == pytest.approx(0.002 * np.sqrt(2 / 0.2107), rel=1e-3)
    assert two.error_m == pytest.approx(0.002 * np.sqrt(4 / 1.0636), rel=1e-3)
    assert "luck" in one.reason
    many = judged([(2, 1), (4, 3), (2, 3), (4, 1)])
    assert many.error_m == pytest.approx(0.002)
    assert "luck" not in many.reason


@pytest.mark.parametrize("n", [4, 5])
def test_each_point_measured_twice_proves_no_more_than_once(n: int) -> None:
    wall = see_wall(np.random.default_rng(7), oblique_deg=20, k1=0.0, control=n, noise_px=0.3)
    once = without_checks(wall.points)
    twice = ControlPoints(
        name=once.name + tuple(f"{n}b" for n in once.name),
        wall_m=np.concatenate([once.wall_m, once.wall_m + 0.002]),
        pixel_px=np.concatenate([once.pixel_px, once.pixel_px + 0.3]),
        is_control=np.ones(2 * n, dtype=bool),
        sigma_px=np.tile(once.sigma_px, 2),
        sigma_m=np.tile(once.sigma_m, 2),
    )
    proof = stated(fit(twice, wall.camera)).proof
    assert not proof.proved
    assert "wrong" not in proof.reason


def test_photos_joined_together_are_proved_where_check_points_lie() -> None:
    proof = judged([(2, 1), (4, 3), (2, 3), (4, 1)])
    assert prove_photos(proof, []) is proof
    one = prove_photos(proof, ["p4.jpg"])
    assert not one.proved
    assert "p4.jpg" in one.reason


def test_check_points_where_control_stands_do_not_thin_out_the_misses_of_the_others() -> None:
    control = np.array([(0.0, 0.0), (4.0, 0.0), (4.0, 3.0), (0.0, 3.0)])
    at = np.concatenate([np.repeat(control, 3, axis=0), [(2.0, 1.5)]])
    miss = np.zeros((13, 2))
    miss[-1] = (0.03, 0.0)
    found = prove(
        check_m=miss,
        check_sigma_m=np.full(13, 0.0),
        check_at_m=at,
        left_out_m=np.zeros((0, 2)),
        control_at_m=control,
        surplus=0.0,
    )
    assert found.proved
    assert "proved by 1 check point: RMSE 30.0 mm" in found.reason
    assert found.error_m > 0.03
