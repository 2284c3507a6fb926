"""Numbers of the rectification, its accuracy and its proof, each on both sides of its limit; values by hand or by other means."""

from __future__ import annotations

import functools
import math
from types import SimpleNamespace

import numpy as np
import pytest
from scipy import optimize

from facademap.errors import GeometryError
from facademap.photo.accuracy import (
    AccuracyRules,
    Differences,
    describe_differences,
    few_checks_warning,
    finest_scale,
    sample_distances_m,
    state_accuracy,
)
from facademap.photo.adjust import (
    LensPrior,
    adjust_plane,
    project_with_jacobian,
    right_angle,
    right_angle_jacobian,
    whitening,
)
from facademap.photo.camera import Camera
from facademap.photo.control import ControlPoints
from facademap.photo.error_model import factor_95, half_range_95, radius_factor_95
from facademap.photo.homography import (
    apply_homography,
    fit_homography_dlt,
    homography_depth,
    normalising_transform,
)
from facademap.photo.measure import measure_area, measure_length, measure_position
from facademap.photo.plane import PlaneView, fit_plane_view
from facademap.photo.plane_pose import pose_from_homography
from facademap.photo.pose import find_pose, obliqueness_deg, relief_shift_m
from facademap.photo.proof import (
    apart_from_control,
    control_hull_m,
    prove,
    prove_extent,
    share_outside,
    shows_any,
)
from facademap.photo.robust import (
    estimate_scale,
    expected_miss_px,
    standardised_residuals,
    surprise,
)
from facademap.wall.grid import Extent

#: A photo taken square to the wall from 10 m: 500 px a metre, the foot of the camera at (4, 2.5).
CAMERA = Camera(width_px=6000, height_px=4000, fx_px=5000, fy_px=5000, cx_px=2999.5, cy_px=1999.5)
FOOT = np.array((4.0, 2.5))
GRID_M = np.array([(u, v) for v in (0.5, 2.5, 4.5) for u in (0.5, 2.8, 5.2, 7.5)])


def seen(wall_m: np.ndarray, camera: Camera = CAMERA, turn: float = 0.0) -> np.ndarray:
    """Pixels of places on the wall, the camera 10 m before the foot and turned about the vertical."""
    u, v = (wall_m - FOOT).T
    x, z = u * math.cos(turn) - 10 * math.sin(turn), 10 * math.cos(turn) + u * math.sin(turn)
    return camera.pixel_from_ray(np.stack([x / z, -v / z], axis=-1))


def points(wall_m, pixel_px, *, checks=0, sigma_px=0.5, sigma_m=0.0) -> ControlPoints:
    n = len(wall_m)
    return ControlPoints(
        name=tuple(f"p{i}" for i in range(n)),
        wall_m=np.asarray(wall_m, float),
        pixel_px=np.asarray(pixel_px, float),
        is_control=np.arange(n) < n - checks,
        sigma_px=np.full(n, sigma_px),
        sigma_m=np.full(n, sigma_m),
    )


def fitted(found: ControlPoints, camera: Camera | None = CAMERA, **more) -> PlaneView:
    return fit_plane_view(found, width_px=6000, height_px=4000, camera=camera, **more)


def off_axis(turn: float) -> np.ndarray:
    """Places in the middle of a photo that is turned."""
    return GRID_M + np.array((10 * math.tan(turn) - 2.0, 0.0))


def shaken(size_px: float = 0.5) -> np.ndarray:
    return np.random.default_rng(8).normal(0, size_px, GRID_M.shape)


@pytest.fixture(scope="module")
def square() -> PlaneView:
    return fitted(points(GRID_M, seen(GRID_M) + shaken()))


@pytest.fixture(scope="module")
def without_lens() -> PlaneView:
    return fitted(points(GRID_M, seen(GRID_M) + shaken()), camera=None, estimate_lens=False)


# --- homographies


def test_a_homography_maps_what_it_was_made_of_and_nothing_behind() -> None:
    matrix = np.array([[2.0, 0.1, 3.0], [0.0, 1.5, -1.0], [0.1, 0.0, 1.0]])
    corners = np.array([(0, 0), (2, 0), (2, 1), (0, 1), (1, 0.5)], float)
    target = apply_homography(matrix, corners)
    assert target[2] == pytest.approx([(4 + 0.1 + 3) / 1.2, (1.5 - 1) / 1.2])
    found = fit_homography_dlt(corners, target, weight=[1, 2, 1, 2, 1])
    assert found / found[2, 2] == pytest.approx(matrix, abs=1e-9)
    assert np.linalg.norm(found) == pytest.approx(1.0)
    assert homography_depth(matrix, corners).tolist() == pytest.approx([1, 1.2, 1.2, 1, 1.1])
    assert np.isnan(apply_homography(matrix, [(-10.0, 0.0)])).all()
    assert np.isnan(apply_homography(matrix, [(-11.0, 0.0)])).all()
    assert np.isfinite(apply_homography(matrix, [(-9.99, 0.0)])).all()
    behind = fit_homography_dlt(corners - (40, 0), apply_homography(-matrix, corners - (40, 0)))
    assert float(homography_depth(behind, (corners - (40, 0)).mean(axis=0))) > 0


def test_points_with_more_weight_are_met_better() -> None:
    """Against a fit of the same points with one repeated."""
    target = seen(GRID_M) + shaken(5.0)
    weight = np.ones(12)
    weight[3] = 4.0
    again = fit_homography_dlt(np.r_[GRID_M, GRID_M[[3, 3, 3]]], np.r_[target, target[[3, 3, 3]]])
    once = fit_homography_dlt(GRID_M, target, weight=weight)
    assert once / once[2, 2] == pytest.approx(again / again[2, 2], rel=0.02)
    plain = fit_homography_dlt(GRID_M, target)
    miss = [float(np.hypot(*(apply_homography(h, GRID_M[3]) - target[3]))) for h in (once, plain)]
    assert miss[0] < 0.75 * miss[1]


def test_points_are_brought_to_their_middle_and_to_the_root_of_two() -> None:
    moved = apply_homography(normalising_transform(GRID_M), GRID_M)
    assert moved.mean(axis=0) == pytest.approx([0, 0], abs=1e-12)
    assert np.hypot(*moved.T).mean() == pytest.approx(math.sqrt(2))
    assert normalising_transform([(3.0, 4.0)])[0].tolist() == [1.0, 0.0, -3.0]
    with pytest.raises(GeometryError, match="3 point pairs"):
        fit_homography_dlt(GRID_M[:3], GRID_M[:3])
    with pytest.raises(GeometryError, match="on one line"):
        fit_homography_dlt(GRID_M[[0, 1, 2, 3]], GRID_M[[0, 1, 2, 3]])


# --- the fit

LENS = Camera(
    width_px=6000, height_px=4000, fx_px=5000, fy_px=4900, cx_px=3010, cy_px=1990,
    k1=-0.12, k2=0.05, k3=0.01, p1=0.002, p2=-0.001,
)  # fmt: skip
WALL = (GRID_M - FOOT) / 4
H = np.array([[0.4, 0.02, 0.01], [0.01, -0.4, 0.02], [0.03, 0.02, 1.0]])


def numeric(function, at: np.ndarray, step: float = 1e-5) -> np.ndarray:
    columns = []
    for i in range(len(at)):
        move = np.zeros(len(at))
        move[i] = step
        columns.append((function(at + move) - function(at - move)) / (2 * step))
    return np.stack(columns, axis=-1)


def unknowns(values: np.ndarray) -> tuple[np.ndarray, Camera]:
    cx, cy, k1, k2, k3, p1, p2 = values[8:]
    lens = Camera(
        width_px=6000, height_px=4000, fx_px=5000, fy_px=4900, cx_px=cx, cy_px=cy,
        k1=k1, k2=k2, k3=k3, p1=p1, p2=p2,
    )  # fmt: skip
    return np.r_[values[:8], 1.0].reshape(3, 3), lens


START = np.r_[H.ravel()[:8], 3010, 1990, -0.12, 0.05, 0.01, 0.002, -0.001]


def test_derivatives_of_the_picture_are_those_of_small_steps() -> None:
    pixel, by_unknown, by_wall = project_with_jacobian(H, LENS, WALL)
    assert pixel == pytest.approx(LENS.pixel_from_ray(apply_homography(H, WALL)))

    def of_unknowns(values: np.ndarray) -> np.ndarray:
        h, lens = unknowns(values)
        return lens.pixel_from_ray(apply_homography(h, WALL))

    assert by_unknown == pytest.approx(numeric(of_unknowns, START), rel=1e-4, abs=1e-3)
    for i, place in enumerate(WALL):
        own = numeric(lambda p: LENS.pixel_from_ray(apply_homography(H, p[None]))[0], place)
        assert by_wall[i] == pytest.approx(own, rel=1e-5, abs=1e-3)


def test_the_conditions_of_a_rotation_by_hand() -> None:
    assert right_angle(np.eye(3)).tolist() == [0.0, 0.0]
    skew = np.array([[1.0, 0.6, 0.0], [0.0, 0.8, 0.0], [0.0, 0.0, 1.0]])
    assert right_angle(skew) == pytest.approx([0.6, 0.0])
    long = np.diag([2.0, 1.0, 1.0])
    assert right_angle(long) == pytest.approx([0.0, math.log(2)])
    stepped = numeric(lambda h: right_angle(np.r_[h, 1.0].reshape(3, 3)), H.ravel()[:8])
    assert right_angle_jacobian(H) == pytest.approx(stepped, abs=1e-7)


def test_residuals_are_divided_by_picking_and_survey_together() -> None:
    by_wall = np.array([[[500.0, 20.0], [0.0, -480.0]]])
    white = whitening(by_wall, np.array([0.5]), np.array([0.002]))[0]
    covariance = 0.25 * np.eye(2) + 4e-6 * by_wall[0] @ by_wall[0].T
    assert white.T @ white == pytest.approx(np.linalg.inv(covariance))


def test_the_adjustment_is_that_of_least_squares_by_other_means() -> None:
    """Against scipy's solver on the same sum of squares with its derivatives by small steps: unknowns, cost, covariance."""
    rng = np.random.default_rng(4)
    target = LENS.pixel_from_ray(apply_homography(H, WALL)) + rng.normal(0, 1, WALL.shape)
    mean = Camera(
        width_px=6000, height_px=4000, fx_px=5000, fy_px=4900, cx_px=3000, cy_px=2000, k1=-0.1,
    )  # fmt: skip
    sigmas = np.array([30.0, 30.0, 0.2, 0.1, 0.02, 2e-4, 2e-4])
    terms = np.array([3000, 2000, -0.1, 0, 0, 0, 0], float)
    sigma_px = np.linspace(0.5, 1.0, 12)
    weight = np.where(np.arange(12) == 5, 0.3, 1.0)

    def residuals(values: np.ndarray) -> np.ndarray:
        h, lens = unknowns(values)
        miss = lens.pixel_from_ray(apply_homography(h, WALL)) - target
        own = miss / sigma_px[:, None] / 2.0 * np.sqrt(weight)[:, None]
        return np.r_[own.ravel(), (values[8:] - terms) / sigmas, right_angle(h) / 0.05]

    found = adjust_plane(
        WALL, target, H, mean,
        prior=LensPrior(sigma=tuple(sigmas), right_angle_sigma=0.05),
        sigma_px=sigma_px, sigma_wall=np.zeros(12), weight=weight, scale=2.0,
    )  # fmt: skip
    scale = np.r_[np.full(8, 1e-2), sigmas]
    other = optimize.least_squares(
        residuals, START, x_scale=scale, xtol=1e-14, ftol=1e-14, gtol=1e-14
    )
    assert found.converged
    assert found.cost == pytest.approx(2 * other.cost, rel=1e-6)
    assert found.homography.ravel()[:8] == pytest.approx(other.x[:8], abs=1e-5)
    at = np.r_[found.homography.ravel()[:8], *(getattr(found.camera, n) for n in ("cx_px", "cy_px", "k1", "k2", "k3", "p1", "p2"))]  # fmt: skip
    rows = numeric(lambda s: residuals(at + s * scale), np.zeros(15), 1e-4) / scale
    covariance = np.linalg.inv(rows.T @ rows)
    size = np.sqrt(np.diag(covariance))
    assert np.sqrt(np.diag(found.covariance)) == pytest.approx(size, rel=1e-3)
    assert found.covariance / np.outer(size, size) == pytest.approx(
        covariance / np.outer(size, size), abs=2e-3
    )
    own = rows[:24].reshape(12, 2, 15)
    hat = own @ covariance @ np.swapaxes(own, 1, 2)
    assert found.leverage * weight[:, None, None] == pytest.approx(hat, abs=1e-4)
    assert found.redundancy == pytest.approx(
        2 * weight.sum() - np.trace(hat, axis1=1, axis2=2).sum(), abs=1e-3
    )
    assert found.residual_px == pytest.approx(
        found.camera.pixel_from_ray(apply_homography(found.homography, WALL)) - target
    )


def test_scatter_is_drawn_towards_what_is_stated_as_by_three_observations() -> None:
    fit = SimpleNamespace(redundancy=5.0, whitened=np.array([(1.0, 2.0), (3.0, 0.0), (9.0, 9.0)]))
    used = np.array([True, True, False])
    assert estimate_scale(fit, used=used, scale=2.0) == pytest.approx(math.sqrt((3 + 14 * 4) / 8))
    exact = SimpleNamespace(redundancy=-1.0, whitened=np.zeros((3, 2)))
    assert estimate_scale(exact, used=used, scale=1.0) == 1.0


def test_a_point_is_judged_by_the_others() -> None:
    """A leverage of a half: without the point it is missed by twice as much, and its own scatter is the root of a half."""
    half = np.broadcast_to(0.5 * np.eye(2), (2, 2, 2))
    fit = SimpleNamespace(
        residual_px=np.array([(3.0, 4.0)] * 2), leverage=half, whitened=np.array([(3.0, 1.0)] * 2)
    )
    used = np.array([True, False])
    assert expected_miss_px(fit, used).tolist() == pytest.approx([10.0, 5.0])
    assert standardised_residuals(fit, used=used).tolist() == pytest.approx(
        [3 / math.sqrt(0.5), 3 / math.sqrt(1.5)]
    )
    for left, checked in ((0.019, False), (0.021, True)):
        bound = SimpleNamespace(
            leverage=np.array([np.diag([1 - left, 1 - left])]), whitened=np.array([(1.0, 0.0)])
        )
        found = standardised_residuals(bound, used=np.array([True]))
        assert found[0] == pytest.approx(1 / math.sqrt(left) if checked else 0.0)
    held = SimpleNamespace(residual_px=np.array([(3.0, 4.0)]), leverage=np.array([np.eye(2)]))
    assert expected_miss_px(held, np.array([True])).tolist() == [5.0]


def test_how_little_a_fit_is_to_be_expected_by_hand() -> None:
    fit = SimpleNamespace(redundancy=10.0)
    used = np.array([True] * 9 + [False])
    diagonal = math.hypot(6000, 4000)
    width = 2.0 * 0.5
    expected = (
        10 * math.log(width)
        + math.log1p((width / (0.0005 * diagonal)) ** 2)
        + math.log((0.05 * diagonal) ** 2 / 2)
        + 1
        + math.log(10)
    )
    assert surprise(fit, used, 2.0, np.full(10, 0.5), CAMERA) == pytest.approx(expected)
    wide = surprise(fit, used, 8.0, np.full(10, 0.5), CAMERA)
    assert wide - expected == pytest.approx(
        10 * math.log(4)
        + math.log1p((4 / (0.0005 * diagonal)) ** 2)
        - math.log1p((1 / (0.0005 * diagonal)) ** 2)
    )


@pytest.mark.parametrize(("off_px", "used"), [(1.9, True), (2.1, False)])
def test_a_point_is_a_blunder_beyond_two_pixels(off_px, used) -> None:
    """Nineteen points that are exact, and one off: by so much from where the others put it."""
    many = np.array([(u, v) for v in (0.4, 1.8, 3.2, 4.6) for u in (0.4, 2.2, 4.0, 5.8, 7.6)])
    pixel = seen(many)
    pixel[7, 0] += off_px
    assert fitted(points(many, pixel, sigma_px=0.1)).used.tolist() == [
        used or i != 7 for i in range(20)
    ]


# --- what the fit can vouch for


def test_nobody_picks_better_than_a_fiftieth_of_a_pixel_and_four_points_as_stated() -> None:
    exact = fitted(points(GRID_M, seen(GRID_M)))
    assert exact.sigma_px == pytest.approx(0.02)
    assert exact.quality.surplus == pytest.approx(24 - 8, abs=0.01)
    four = fitted(points(GRID_M[[0, 3, 8, 11]], seen(GRID_M[[0, 3, 8, 11]])), camera=None)
    assert four.sigma_px == pytest.approx(0.5)
    assert (four.quality.is_exact, four.quality.surplus) == (True, 0.0)
    five = fitted(points(GRID_M[[0, 3, 5, 8, 11]], seen(GRID_M[[0, 3, 5, 8, 11]])), camera=None)
    assert not five.quality.is_exact
    assert exact.can_vouch
    assert not four.can_vouch


def test_factors_of_ranges_are_those_of_the_tables() -> None:
    """Student's table at 97.5 % (5: 2.571, 30: 2.042), chi-square with two degrees at 95 % (5.991), F (2, 10) at 95 % (4.103)."""
    assert [factor_95(n) for n in (5.0, 30.0, 0.0)] == pytest.approx(
        [2.571, 2.042, 1.960], abs=6e-4
    )
    assert radius_factor_95(0.0) ** 2 == pytest.approx(5.991, abs=6e-4)
    assert radius_factor_95(10.0) ** 2 == pytest.approx(2 * 4.103, abs=2e-3)
    assert half_range_95(3.0, 0.0) == 3.0
    assert half_range_95(0.0, 2.0) == pytest.approx(3.920, abs=1e-3)
    assert half_range_95(-10.0, 1.0) == pytest.approx(10 + 1.645, abs=1e-3)


def test_one_pixel_of_a_square_photo_by_hand(square) -> None:
    u, v = np.array([1.0, 6.0]), np.array([1.0, 4.0])
    assert square.sample_distance_m(u, v) == pytest.approx(np.full((2, 2), 1 / 500), rel=2e-3)
    assert square.depth(u, v) == pytest.approx([1.0, 1.0], abs=2e-3)
    assert square.jacobian_px_per_m(1.0, 1.0) == pytest.approx(np.diag([500.0, -500.0]), abs=1.5)
    place = square.wall_from_pixel(*seen(np.array([(3.0, 2.0)]))[0])
    assert place == pytest.approx([3.0, 2.0], abs=2e-3)
    away = off_axis(0.5)
    turned = fitted(points(away, seen(away, turn=0.5)))
    across = 10 / math.cos(0.5) / 5000
    assert find_pose(turned).tilt_deg == pytest.approx(math.degrees(0.5), abs=1e-3)
    centre = turned.wall_from_pixel(2999.5, 1999.5)
    assert centre == pytest.approx([FOOT[0] + 10 * math.tan(0.5), FOOT[1]], abs=1e-3)
    finer, coarser = turned.sample_distance_m(*centre)
    assert (finer, coarser) == pytest.approx((across, across / math.cos(0.5)), rel=1e-3)


def test_picking_adds_to_the_doubt_of_the_fit_and_places_share_it(square) -> None:
    places = np.array([(1.0, 1.0), (6.0, 4.0)])
    fit_only = square.covariance_m2(*places.T, pick_px=0.0)
    picked = square.covariance_m2(*places.T, pick_px=3.0)
    relief = square.quality.relief.sigma * square.unit_m
    outward = (places - FOOT) * relief / 10
    added = picked - fit_only - outward[:, :, None] * outward[:, None, :]
    assert added == pytest.approx(
        np.broadcast_to(np.eye(2) * (3 / 500) ** 2, (2, 2, 2)), rel=0.01, abs=1e-8
    )
    default = square.covariance_m2(*places.T)
    assert default == pytest.approx(square.covariance_m2(*places.T, pick_px=square.sigma_px))
    joint = square.joint_covariance_m2(places, pick_px=3.0)
    assert joint[:2, :2] == pytest.approx(picked[0])
    assert joint[2:, 2:] == pytest.approx(picked[1])
    assert joint == pytest.approx(square.joint_covariance_m2(places, pick_px=3.0).T)
    # two places at one spot share all that the fit leaves open, and nothing of their picks
    twice = square.joint_covariance_m2(places[[0, 0]], pick_px=3.0)
    assert twice[:2, 2:] == pytest.approx(fit_only[0])
    assert square.bias_m(places).tolist() == [[0.0, 0.0], [0.0, 0.0]]


def gradient(function, places: np.ndarray) -> np.ndarray:
    return numeric(lambda p: np.array([function(p.reshape(-1, 2))]), places.ravel().astype(float))[
        0
    ]


def ring_area(p: np.ndarray) -> float:
    x, y = p.T
    return abs(float(x @ np.roll(y, -1) - np.roll(x, -1) @ y)) / 2


def line_length(p: np.ndarray) -> float:
    return float(np.hypot(*np.diff(p, axis=0).T).sum())


RING = np.array([(2.0, 1.0), (5.0, 1.2), (5.2, 3.4), (2.1, 3.3)])


@pytest.mark.parametrize(
    ("measure", "value"), [(measure_area, ring_area), (measure_length, line_length)]
)
@pytest.mark.parametrize("relief_m", [0.0, 0.05])
@pytest.mark.parametrize("backward", [False, True])
def test_ranges_of_lengths_and_areas_are_propagated_from_those_of_places(
    square, without_lens, measure, value, relief_m, backward
) -> None:
    places = RING[::-1] if backward else RING
    for view in (square, without_lens):
        found = measure(view, places, pick_px=1.0, relief_m=relief_m)
        slope = gradient(value, places)
        covariance = view.joint_covariance_m2(places, pick_px=1.0)
        pose = find_pose(view)
        for i, place in enumerate(places):
            out = (place - pose.centre_m[:2]) * relief_m / pose.distance_m
            covariance[2 * i : 2 * i + 2, 2 * i : 2 * i + 2] += np.outer(out, out)
        total = slope @ covariance @ slope
        belief = slope @ view.belief_covariance_m2(places) @ slope
        bias = slope @ view.bias_m(places).ravel()
        assert found.value == pytest.approx(value(places))
        assert found.sigma == pytest.approx(math.sqrt(total + bias**2), rel=1e-6)
        student = factor_95(view.quality.surplus) / 1.95996
        spread = math.sqrt(student**2 * (total - belief) + belief)
        assert found.plus_minus_95 == pytest.approx(half_range_95(bias, spread), rel=1e-5)
    assert without_lens.quality.rival is not None
    assert np.abs(without_lens.bias_m(places)).max() > 0


def test_a_place_has_a_radius_that_is_safe_along_its_longer_axis(square, without_lens) -> None:
    place = np.array((7.0, 4.0))
    for view in (square, without_lens):
        found = measure_position(view, place, pick_px=1.0, relief_m=0.05)
        pose = find_pose(view)
        out = (place - pose.centre_m[:2]) * 0.05 / pose.distance_m
        covariance = view.joint_covariance_m2(place[None], pick_px=1.0) + np.outer(out, out)
        bias, belief = view.bias_m(place[None])[0], view.belief_covariance_m2(place[None])
        assert found.value == 0.0
        assert found.sigma == pytest.approx(math.sqrt(np.trace(covariance) + bias @ bias))
        wide = radius_factor_95(view.quality.surplus) ** 2 * (covariance - belief)
        wide = wide + 5.99146 * (belief + np.outer(bias, bias))
        assert found.plus_minus_95 == pytest.approx(
            math.sqrt(np.linalg.eigvalsh(wide)[-1]), rel=1e-5
        )
    four = fitted(points(GRID_M[[0, 3, 8, 11]], seen(GRID_M[[0, 3, 8, 11]])), camera=None)
    for vague in (
        measure_position(four, place),
        measure_length(four, RING[:2]),
        measure_area(four, RING),
    ):
        assert math.isnan(vague.plus_minus_95)


# --- where the camera stood


def test_the_place_of_the_camera_by_hand(square) -> None:
    pose = find_pose(square)
    assert pose.centre_m == pytest.approx([4.0, 2.5, 10.0], abs=0.02)
    assert (pose.tilt_deg, pose.focal_px, pose.focal_is_known) == (
        pytest.approx(0.0, abs=0.2),
        5000,
        True,
    )
    assert obliqueness_deg(pose, 14.0, 2.5) == pytest.approx(45.0, abs=0.1)
    assert obliqueness_deg(pose, 4.0, 2.5 + 10 * math.tan(math.radians(30))) == pytest.approx(
        30.0, abs=0.1
    )
    assert float(relief_shift_m(3.0, 0.5, 10.5)) == pytest.approx(0.15)
    assert float(relief_shift_m(3.0, -0.5, 9.5)) == pytest.approx(-0.15)


@pytest.mark.parametrize(("turn", "known"), [(0.6, True), (0.0, False)])
def test_an_oblique_view_tells_its_focal_length(turn, known) -> None:
    """Rays made with two thirds of the true focal length."""
    wrong = Camera(
        width_px=6000, height_px=4000, fx_px=3500, fy_px=3500, cx_px=2999.5, cy_px=1999.5
    )
    rays = wrong.ray_from_pixel(seen(GRID_M, turn=turn))
    pose = pose_from_homography(fit_homography_dlt(GRID_M, rays), 3500, focal_is_known=False)
    assert pose.focal_is_known is known
    if known:
        assert pose.focal_px == pytest.approx(5000, rel=0.01)
        assert pose.centre_m == pytest.approx([4.0, 2.5, 10.0], abs=0.1)
        assert pose.tilt_deg == pytest.approx(math.degrees(turn), abs=0.5)
    else:
        assert pose.distance_m == pytest.approx(10 * 3500 / 5000 * pose.focal_px / 3500, rel=1e-3)


# --- the accuracy statement


def test_differences_are_summed_up_by_hand() -> None:
    found = describe_differences([(0.003, 0.0), (-0.001, 0.004), (math.nan, 0.0)])
    assert (found.n, found.mean_m) == (2, (pytest.approx(0.001), pytest.approx(0.002)))
    assert found.sd_m == (pytest.approx(0.004 / math.sqrt(2)), pytest.approx(0.004 / math.sqrt(2)))
    assert found.rmse_m == (pytest.approx(math.sqrt(5e-6)), pytest.approx(math.sqrt(8e-6)))
    assert found.rmse_radial_m == pytest.approx(math.sqrt(13e-6))
    assert (found.largest_m, found.largest_index) == (pytest.approx(math.hypot(0.001, 0.004)), 1)
    assert math.isnan(describe_differences([(0.003, 0.0)]).sd_m[0])
    assert describe_differences([]) is None


@pytest.mark.parametrize(
    ("u_m", "v_m", "radius"),
    [
        (0.001, 0.001, 1.7308 * math.sqrt(2) * 0.001),
        (0.0061, 0.01, 2.4477 * 0.5 * 0.0161),
        (0.0059, 0.01, 1.7308 * math.hypot(0.0059, 0.01)),
        (0.01, 0.0061, 2.4477 * 0.5 * 0.0161),
        (0.0, 0.0, 0.0),
    ],
)
def test_the_radius_of_95_per_cent_on_both_sides_of_its_rule(u_m, v_m, radius) -> None:
    found = Differences(
        n=2, mean_m=(0, 0), sd_m=(0, 0), rmse_m=(u_m, v_m), rmse_radial_m=math.hypot(u_m, v_m), largest_m=0, largest_index=0
    )  # fmt: skip
    assert found.radius95_m == pytest.approx(radius)


@pytest.mark.parametrize(
    ("error_mm", "sample_mm", "scale"),
    [(10.0, 1.0, 50), (10.1, 1.0, 100), (1.0, 5.0, 50), (1.0, 5.1, 100), (0.2, 0.1, 1), (201.0, 1.0, None)],
)  # fmt: skip
def test_a_scale_holds_a_fifth_of_a_millimetre_of_error_and_a_tenth_of_sample(
    error_mm, sample_mm, scale
) -> None:
    assert finest_scale(error_mm / 1000, sample_mm / 1000) == scale


def test_thirty_check_points_make_a_tested_statement() -> None:
    assert few_checks_warning(30) is None
    assert "29 check points, below the 30" in few_checks_warning(29)
    assert few_checks_warning(4, rules=AccuracyRules(least_check_points=4)) is None


WHOLE = Extent(u0_m=0.0, v0_m=0.0, u1_m=8.0, v1_m=5.0)


def warned(
    view: PlaneView, words: str, *, extent: Extent = WHOLE, gsd_m: float = 0.002, **rules
) -> bool:
    found = state_accuracy(view, extent, gsd_m=gsd_m, rules=AccuracyRules(**rules))
    return any(words in w for w in found.warnings)


def test_what_is_stated_of_a_square_photo_by_hand(square) -> None:
    found = state_accuracy(square, WHOLE, gsd_m=0.002)
    assert found.control_share == pytest.approx(7 * 4 / 40, rel=1e-4)
    assert found.outside_share == pytest.approx(1 - 28 / 40)
    assert found.relief_shift_m == pytest.approx(math.hypot(4, 2.5) * 0.02 / 9.98, rel=5e-3)
    assert found.distance_m == pytest.approx(10.0, abs=0.02)
    assert (found.empty_corners, found.blunders, found.check) == ((), (), None)
    assert np.array(found.sample_distance_m) == pytest.approx(np.full((5, 7), 0.002), rel=5e-3)
    assert found.obliqueness_deg[0][0] == pytest.approx(
        math.degrees(math.atan(math.hypot(4, 2.5) / 10)), abs=0.2
    )
    assert found.sigma_median_m < found.sigma_worst_m
    corner = square.covariance_m2(0.0, 0.0)
    others = [float(np.trace(square.covariance_m2(u, v))) for u in (0.0, 8.0) for v in (0.0, 5.0)]
    assert found.sigma_worst_m == pytest.approx(math.sqrt(max(others)), rel=1e-6)
    assert np.trace(corner) <= max(others)
    control = describe_differences(square.residual_m)
    assert found.control.rmse_radial_m == pytest.approx(control.rmse_radial_m)


@pytest.mark.parametrize(
    ("extent", "outside"), [((0.5, 0.5, 7.5, 6.65), False), ((0.5, 0.5, 7.5, 6.7), True)]
)
def test_what_lies_outside_the_control_is_told_from_35_per_cent_on(square, extent, outside) -> None:
    names = ("u0_m", "v0_m", "u1_m", "v1_m")
    wide = Extent(**dict(zip(names, extent, strict=True)))
    assert warned(square, "are extrapolated", extent=wide) is outside


def test_a_quarter_without_control_and_what_the_photo_does_not_show_are_told(square) -> None:
    assert not warned(square, "quarter")
    sides = [((-6.9, 0.0), ()), ((-7.0, 0.0), ("upper left", "lower left")), ((0.0, -3.9), ()), ((0.0, -4.0), ("lower left", "lower right"))]  # fmt: skip
    for (u0, v0), empty in sides:  # the middle comes to the outermost control at 0.5
        wide = Extent(u0_m=u0, v0_m=v0, u1_m=8.0, v1_m=5.0)
        assert state_accuracy(square, wide, gsd_m=0.002).empty_corners == empty
    # the photo shows 12 x 8 m round its foot: from u = -2 to 10
    shown = Extent(u0_m=-1.99, v0_m=0.0, u1_m=8.0, v1_m=5.0)
    assert not warned(square, "does not show", extent=shown)
    assert warned(square, "does not show", extent=Extent(u0_m=-2.02, v0_m=0.0, u1_m=8.0, v1_m=5.0))


@pytest.mark.parametrize(("gsd_m", "fine"), [(0.00101, False), (0.00098, True)])
def test_a_sample_finer_than_half_a_pixel_is_told(square, gsd_m, fine) -> None:
    assert warned(square, "finer than the photo shows", gsd_m=gsd_m) is fine


@pytest.mark.parametrize(("count", "few"), [(5, True), (6, False)])
def test_two_surplus_points_are_the_least(count, few) -> None:
    some = GRID_M[[0, 3, 8, 11, 5, 6]][:count]
    view = fitted(points(some, seen(some) + shaken()[:count]))
    assert warned(view, "almost no surplus") is few


@pytest.mark.parametrize(("turn_deg", "told"), [(44.5, False), (45.5, True)])
def test_an_oblique_photo_is_told_from_45_degrees_on(turn_deg, told) -> None:
    turn = math.radians(turn_deg)
    away = off_axis(turn)
    view = fitted(points(away, seen(away, turn=turn)))
    around = Extent.around(away)
    assert warned(view, "looks at the wall at", extent=around, gsd_m=0.004) is told


@functools.cache
def checked(miss_m: float, count: int = 4, control: int = 12, sigma_m: float = 0.0) -> PlaneView:
    """Check points off the wall's places by so much along u, to either side in turn."""
    at = np.array([(1.6, 1.5), (6.4, 1.5), (6.4, 3.5), (1.6, 3.5), (4.0, 2.5)])[:count]
    some = GRID_M if control == 12 else GRID_M[[0, 3, 8, 11, 5, 6]][:control]
    side = np.array([1, -1, 1, -1, 1])[:count, None] * np.array([(miss_m, 0.0)])
    wall = np.r_[some, at + side]
    pixel = np.r_[seen(some) + shaken()[: len(some)], seen(at)]
    found = points(wall, pixel, checks=count, sigma_m=sigma_m)
    return fitted(found, camera=None, estimate_lens=False)


def test_check_points_missed_three_times_as_far_as_control_are_told() -> None:
    words = "missed three times as far"
    own = state_accuracy(checked(0.0), WHOLE, gsd_m=0.0005).control.rmse_radial_m
    assert warned(checked(3.2 * own), words, gsd_m=0.0005)
    assert not warned(checked(2.8 * own), words, gsd_m=0.0005)
    assert not warned(checked(3.2 * own), words, gsd_m=0.5 * 3.4 * own)
    assert warned(checked(3.2 * own), words, gsd_m=0.5 * 3.0 * own)
    assert not warned(checked(3.2 * own, count=3), words, gsd_m=0.0005)
    assert warned(checked(0.05, control=6), words, gsd_m=0.0005)
    assert not warned(checked(0.05, control=5), words, gsd_m=0.0005)


def test_the_survey_of_check_points_is_added_to_their_error() -> None:
    view = checked(0.004, sigma_m=0.003)
    found = state_accuracy(view, WHOLE, gsd_m=0.002)
    assert found.check_with_survey_m == pytest.approx(
        math.hypot(found.check.rmse_radial_m, 0.003 * math.sqrt(2))
    )
    assert found.proof.proved
    assert found.error_m == pytest.approx(found.check_with_survey_m, rel=1e-6)
    assert found.scale == finest_scale(found.error_m, 0.002)
    assert math.isnan(state_accuracy(checked(0.0, count=0), WHOLE, gsd_m=0.002).check_with_survey_m)


def test_sample_distances_of_any_surface_by_small_steps(square) -> None:
    found = sample_distances_m(square, WHOLE, (6000, 4000))
    assert found == pytest.approx(np.full((5, 7), 0.002), rel=5e-3)
    turned = fitted(points(GRID_M, seen(GRID_M, turn=0.2)))
    u, v = np.meshgrid(np.linspace(0, 8, 7), np.linspace(5, 0, 5))
    shown = sample_distances_m(turned, WHOLE, (6000, 4000))
    expected = turned.sample_distance_m(u, v)[..., 1]
    inside = np.isfinite(shown)
    assert inside.any()
    assert shown[inside] == pytest.approx(expected[inside], rel=1e-5)
    pixel = turned.pixel_from_wall(u, v)
    assert (inside == ((pixel >= -0.5) & (pixel <= np.array((5999.5, 3999.5)))).all(axis=-1)).all()
    assert np.isnan(sample_distances_m(square, WHOLE, (3000, 4000))[:, -1]).all()


# --- what is proved

SPAN = np.array([(0, 0), (10, 0), (10, 5), (0, 5), (5, 0), (5, 5)], float)
SPREAD = np.array([(2.5, 1.2), (7.5, 1.3), (7.4, 3.8), (2.6, 3.7)])


def proved(miss_mm=0.0, *, at=SPREAD, sigma_mm=0.0, left_mm=None, control=SPAN, **more):
    miss = np.zeros((len(at), 2))
    miss[:, 0] = np.broadcast_to(miss_mm, len(at)) / 1000
    left = np.zeros((0, 2)) if left_mm is None else np.c_[np.full(len(control), left_mm / 1000), np.zeros(len(control))]  # fmt: skip
    return prove(
        check_m=miss, check_sigma_m=np.full(len(at), sigma_mm / 1000), check_at_m=np.asarray(at, float).reshape(-1, 2),
        left_out_m=left, control_at_m=control, **more,
    )  # fmt: skip


@pytest.mark.parametrize(("miss_mm", "good"), [(199.0, True), (201.0, False)])
def test_check_points_prove_while_they_are_met_within_two_per_cent(miss_mm, good) -> None:
    found = proved(miss_mm)
    assert found.proved is good
    if good:
        assert found.error_m == pytest.approx(miss_mm / 1000)
    with_survey = proved(miss_mm - 10, sigma_mm=60.0)
    assert with_survey.proved is (math.hypot(miss_mm - 10, 60 * math.sqrt(2)) < 200)


def test_the_survey_counts_into_what_is_proved() -> None:
    assert proved(3.0, sigma_mm=2.0).error_m == pytest.approx(0.001 * math.sqrt(9 + 8))


@pytest.mark.parametrize(("count", "factor"), [(4, 1.0), (3, math.sqrt(6 / 2.204)), (2, math.sqrt(4 / 1.064)), (1, math.sqrt(2 / 0.211))])  # fmt: skip
def test_few_check_points_may_be_met_by_luck(count, factor) -> None:
    """Upper limits at 90 % with the chi-square table at 10 % (2: 0.211, 4: 1.064, 6: 2.204)."""
    middle = np.array([(5.0, 2.5), (2.5, 2.4), (7.5, 2.6), (5.0, 4.0)])[:count]
    assert proved(3.0, at=middle).error_m == pytest.approx(0.003 * factor, rel=2e-3)


@pytest.mark.parametrize(("near_m", "proves"), [(0.199, False), (0.201, True)])
def test_a_check_point_at_a_control_point_tests_nothing(near_m, proves) -> None:
    control = np.r_[SPAN, [(5.0, 2.5)]]
    at = np.array([(5.0 + near_m, 2.5)])
    assert apart_from_control(at, control).tolist() == [proves]
    assert proved(1.0, at=at, control=control).proved is proves
    assert apart_from_control(at, control[:0]).tolist() == [True]


@pytest.mark.parametrize(("u_m", "proves"), [(2.05, True), (1.95, False)])
def test_check_points_that_stand_together_leave_the_rest_untested(u_m, proves) -> None:
    """Three quarters of the diagonal of 10 x 5 m are 8.385 m: from (2, 2.5) to a far corner is 8.38 m."""
    reach = math.hypot(10 - u_m, 2.5)
    assert (reach <= 0.75 * math.hypot(10, 5)) is proves
    at = np.array([(u_m, 2.5)] * 4) + np.array([(0, 0), (-0.01, 0), (0, 0.01), (0, -0.01)])
    assert proved(1.0, at=at).proved is proves


def left_alone(count: int, *, miss_mm=3.0, surplus=4.0, **more):
    ring = np.array([(10 * math.cos(a), 5 * math.sin(a)) for a in np.linspace(0, 6, count)])
    return proved(at=np.zeros((0, 2)), control=ring, left_mm=miss_mm, surplus=surplus, **more)


def test_control_left_out_proves_with_six_places_and_four_surplus() -> None:
    assert left_alone(6).proved
    assert left_alone(6).error_m == pytest.approx(0.003)
    assert not left_alone(5).proved
    assert not left_alone(6, surplus=3.99).proved
    assert not left_alone(6, doubts=("one may be wrong",)).proved
    span = float(
        np.ptp([(10 * math.cos(a), 5 * math.sin(a)) for a in np.linspace(0, 6, 8)], axis=0).max()
    )
    assert left_alone(8, miss_mm=19.9 * span).proved
    assert not left_alone(8, miss_mm=20.1 * span).proved
    twin = np.r_[SPAN, [(5.19, 0.0)]]
    for surplus, good in ((6.0, True), (5.9, False)):
        assert (
            proved(at=np.zeros((0, 2)), control=twin, left_mm=3.0, surplus=surplus).proved is good
        )
    five = np.r_[SPAN[:5], [(5.19, 0.0)]]
    assert not proved(at=np.zeros((0, 2)), control=five, left_mm=3.0).proved


@pytest.mark.parametrize(("beyond", "good"), [(0.499, True), (0.501, False)])
def test_half_a_picture_may_lie_beyond_the_points(beyond, good) -> None:
    extent = (0.0, 0.0, 10.0 / (1 - beyond), 5.0)
    assert prove_extent(proved(1.0), SPAN, extent).proved is good
    assert share_outside(control_hull_m(SPAN), extent) == pytest.approx(beyond)
    assert share_outside(SPAN[:2], extent) == 1.0
    assert len(control_hull_m(SPAN)) in (4, 5, 6)
    assert control_hull_m(SPAN[:2]).tolist() == SPAN[:2].tolist()


def test_a_photo_shows_a_place_within_its_outermost_pixels(square) -> None:
    edge = 4 - 3000 / 500
    assert shows_any(square, (6000, 4000), np.array([(edge + 0.01, 2.5)]))
    assert not shows_any(square, (6000, 4000), np.array([(edge - 0.02, 2.5)]))
    assert shows_any(square, (6000, 4000), np.array([(edge - 0.02, 2.5), FOOT]))
    assert not shows_any(square, (2999, 4000), np.array([FOOT]))
    assert shows_any(square, (3002, 4000), np.array([FOOT]))
