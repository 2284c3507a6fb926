"""Fitting one photo to one wall: accuracy with and without the lens, blunders, refusals, uncertainty."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from synthetic_wall import HEIGHT_PX, WIDTH_PX, see_wall

from facademap.errors import FacademapError, GeometryError, InputError, SolveError
from facademap.photo.control import ControlPoint, ControlPoints
from facademap.photo.plane import PlaneView, fit_plane_view
from facademap.photo.resample import check_horizon
from facademap.wall.grid import Extent, PixelGrid


def fit(points: ControlPoints, **options: object) -> PlaneView:
    return fit_plane_view(points, width_px=WIDTH_PX, height_px=HEIGHT_PX, **options)  # type: ignore[arg-type]


def check_rmse_mm(view: PlaneView) -> float:
    miss = view.residual_m[~view.points.is_control]
    return float(1000 * np.sqrt(np.mean(np.sum(miss**2, axis=1))))


@pytest.mark.parametrize("oblique_deg", [10, 30, 50])
@pytest.mark.parametrize(("seed", "k1"), [(1, -0.25), (2, -0.1), (3, 0.0), (4, 0.05)])
def test_an_estimated_lens_comes_near_a_given_one(seed: int, k1: float, oblique_deg: float) -> None:
    wall = see_wall(np.random.default_rng(seed), oblique_deg=oblique_deg, k1=k1, control=24)
    given = fit(wall.points, camera=wall.camera)
    own = fit(wall.points)
    assert given.lens == "given"
    assert check_rmse_mm(given) < 1.0
    assert check_rmse_mm(own) < max(3.0 * check_rmse_mm(given), 1.0)
    assert not given.blunders
    assert not own.blunders
    if abs(k1) > 0.04:
        assert own.lens == "estimated"
        plain = fit(wall.points, estimate_lens=False)
        assert check_rmse_mm(own) < 0.5 * check_rmse_mm(plain)


@pytest.mark.parametrize("seed", range(6))
def test_blunders_are_named_and_do_no_harm(seed: int) -> None:
    wall = see_wall(
        np.random.default_rng(seed), oblique_deg=20 + 5 * seed, k1=-0.15, control=18, blunders=3
    )
    for camera in (wall.camera, None):
        view = fit(wall.points, camera=camera)
        assert {b.name for b in view.blunders} == wall.wrong
        assert check_rmse_mm(view) < 2.0
        for blunder in view.blunders:
            assert blunder.miss_px > 20
            assert "check" in blunder.sentence()


def test_relief_of_the_control_is_not_taken_for_blunders() -> None:
    wall = see_wall(np.random.default_rng(8), oblique_deg=35, k1=-0.1, control=20, relief_m=0.004)
    view = fit(wall.points, camera=wall.camera)
    assert not view.blunders
    assert check_rmse_mm(view) < 4.0


def test_four_points_without_a_camera_are_an_exact_homography() -> None:
    wall = see_wall(np.random.default_rng(5), oblique_deg=30, k1=0.0, control=4)
    view = fit(wall.points)
    assert view.lens == "none"
    assert np.abs(view.residual_px[view.used]).max() < 1e-6


def test_check_points_never_enter_the_fit() -> None:
    wall = see_wall(np.random.default_rng(6), oblique_deg=30, k1=-0.1, control=10)
    moved = wall.points.pixel_px.copy()
    moved[~wall.points.is_control] += 50.0
    moved = np.clip(moved, 0, [WIDTH_PX - 1, HEIGHT_PX - 1])
    a, b = fit(wall.points), fit(replace(wall.points, pixel_px=moved))
    np.testing.assert_array_equal(a.homography, b.homography)


def test_uncertainty_matches_the_errors_met() -> None:
    ratios = []
    for seed in range(12):
        wall = see_wall(
            np.random.default_rng(seed), oblique_deg=30, k1=-0.1, control=12, noise_px=0.5
        )
        view = fit(wall.points, camera=wall.camera)
        check = ~wall.points.is_control
        variance = np.trace(
            view.covariance_m2(*wall.points.wall_m[check].T, pick_px=0.0), axis1=1, axis2=2
        )
        ratios.append(float(np.mean(np.sum(view.residual_m[check] ** 2, axis=1) / variance)))
    # mean square of standardised errors is 1 when the stated uncertainty is right
    assert 0.5 < np.median(ratios) < 1.8


def test_uncertainty_grows_with_the_picking_and_away_from_the_control() -> None:
    wall = see_wall(np.random.default_rng(2), oblique_deg=30, k1=-0.1, control=12)
    view = fit(wall.points, camera=wall.camera)
    sigma = [float(np.trace(view.covariance_m2(4.0, 2.5, pick_px=p))) for p in (0.0, 0.5, 2.0)]
    assert sigma[0] < sigma[1] < sigma[2]
    assert np.trace(view.covariance_m2(20.0, 2.5)) > 4 * np.trace(view.covariance_m2(4.0, 2.5))


def test_stated_survey_precision_weighs_a_point_down() -> None:
    wall = see_wall(np.random.default_rng(9), oblique_deg=20, k1=0.0, control=6, noise_px=0.1)
    shifted = wall.points.wall_m.copy()
    shifted[5] += 0.004
    sigma = np.zeros(len(shifted))
    poor = sigma.copy()
    poor[5] = 0.02
    equal = fit(replace(wall.points, wall_m=shifted), camera=wall.camera)
    weighed = fit(replace(wall.points, wall_m=shifted, sigma_m=poor), camera=wall.camera)
    assert check_rmse_mm(weighed) < check_rmse_mm(equal) + 1e-9


def _wall(control: int = 12) -> ControlPoints:
    return see_wall(np.random.default_rng(3), oblique_deg=25, k1=-0.1, control=control).points


def _refused(
    points: ControlPoints, kind: type[FacademapError], *words: str, **options: object
) -> None:
    with pytest.raises(kind) as caught:
        fit(points, **options)
    assert caught.value.remedy
    for word in words:
        assert word in caught.value.problem


def test_mirrored_control_is_refused() -> None:
    points = _wall()
    _refused(replace(points, wall_m=points.wall_m * [-1.0, 1.0]), GeometryError, "mirrored")


def test_exchanged_names_are_told_apart_from_other_blunders() -> None:
    points = _wall()
    wall = points.wall_m.copy()
    wall[[4, 9]] = wall[[9, 4]]
    view = fit(replace(points, wall_m=wall))
    assert {b.name for b in view.blunders} == {"p4", "p9"}
    assert "exchanged" in view.blunders[0].hint


def test_points_of_another_wall_are_refused() -> None:
    points = _wall()
    rng = np.random.default_rng(0)
    _refused(
        replace(points, wall_m=rng.uniform(0, 8, points.wall_m.shape)),
        SolveError,
        "do not fit this photo",
    )


def test_a_wrong_camera_file_is_refused() -> None:
    wall = see_wall(np.random.default_rng(3), oblique_deg=35, k1=-0.1, control=16)
    _refused(
        wall.points,
        InputError,
        "camera file does not fit",
        camera=replace(wall.camera, k1=0.25, k2=0.0),
    )
    _refused(
        wall.points,
        InputError,
        "camera file is for pictures of",
        camera=replace(wall.camera, width_px=3000, height_px=2000),
    )


def test_control_that_carries_nothing_is_refused() -> None:
    points = _wall(control=8)
    line = points.wall_m.copy()
    line[:8, 1] = 1.0 + 0.2 * line[:8, 0]
    _refused(replace(points, wall_m=line), GeometryError, "one line")
    three = points.is_control & (np.arange(len(points)) < 3)
    _refused(replace(points, is_control=three), GeometryError, "only 3 control points")
    cluster = points.pixel_px.copy()
    cluster[:8] = [3000, 2000] + (points.pixel_px[:8] - points.pixel_px[:8].mean(axis=0)) * 0.005
    _refused(replace(points, pixel_px=cluster), GeometryError, "clustered")
    outside = points.pixel_px.copy()
    outside[2, 0] = WIDTH_PX + 5
    _refused(replace(points, pixel_px=outside), InputError, "p2", "outside the picture")
    _refused(replace(points, name=("a", "a", *points.name[2:])), InputError, "a is given twice")
    nan = points.wall_m.copy()
    nan[1, 0] = np.nan
    _refused(replace(points, wall_m=nan), InputError, "p1")
    same = points.wall_m.copy()
    same[3] = same[5]
    _refused(replace(points, wall_m=same), GeometryError, "p3", "p5", "same place")


def test_all_but_one_on_a_line_is_refused_and_a_regular_grid_is_not() -> None:
    grid = [(u, v) for v in (0.5, 2.5, 4.5) for u in (0.5, 4.0, 7.5)]
    wall = see_wall(np.random.default_rng(4), oblique_deg=25, k1=0.0, control=9, noise_px=0.0)
    view = fit(wall.points, camera=wall.camera)
    pixel = view.pixel_from_wall(*np.array(grid).T)
    points = ControlPoints.from_points(
        [
            ControlPoint(name=str(i), u_m=u, v_m=v, x_px=x, y_px=y)
            for i, ((u, v), (x, y)) in enumerate(zip(grid, pixel, strict=True))
        ]
    )
    assert not fit(points).blunders
    few = points.select(np.array([True, True, True, False, False, False, True, False, False]))
    _refused(few, GeometryError, "all control points but 6")


def test_few_points_say_what_they_cannot_tell() -> None:
    points = _wall(control=5)
    moved = points.pixel_px.copy()
    moved[1] += [80.0, -60.0]
    view = fit(replace(points, pixel_px=moved))
    assert any("one of them is wrong" in flag for flag in view.flags)


def test_the_horizon_of_the_wall() -> None:
    wall = see_wall(np.random.default_rng(7), oblique_deg=50, k1=0.0, control=12)
    view = fit(wall.points, camera=wall.camera)
    far = Extent(u0_m=-400.0, v0_m=-400.0, u1_m=400.0, v1_m=400.0)
    with pytest.raises(GeometryError, match="horizon"):
        check_horizon(view.depth, PixelGrid.over(far, gsd_m=0.1))
    check_horizon(view.depth, PixelGrid.over(Extent.around(wall.points.wall_m), gsd_m=0.01))
    towards = np.linalg.inv(view.homography)[2]
    beyond = view.camera.pixel_from_ray(
        -2.0 * towards[:2] * towards[2] / (towards[:2] @ towards[:2])
    )
    assert np.isnan(view.wall_from_pixel(*beyond)).all()


@pytest.mark.parametrize("seed", range(6))
def test_relief_is_no_blunder(seed: int) -> None:
    """Targets on bossed stones scatter by centimetres: few points must not be set aside one after the other for it."""
    wall = see_wall(
        np.random.default_rng(400 + seed),
        oblique_deg=20 + 5 * seed,
        k1=-0.1,
        control=10,
        relief_m=0.01,
    )
    for camera in (wall.camera, None):
        view = fit_plane_view(wall.points, width_px=WIDTH_PX, height_px=HEIGHT_PX, camera=camera)
        assert view.blunders == ()
        error = np.hypot(*view.residual_m[~wall.points.is_control].T)
        assert (
            np.sqrt(np.mean(error**2)) < 0.030
        )  # three times the relief, its shift at 45 degrees and the corners
