"""Round piers, set-back planes, tape control, calibration: what a surveyor gets without a flat wall or a total station."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest

from facademap.errors import GeometryError, InputError
from facademap.photo.calibrate import calibrate_camera
from facademap.photo.camera import Camera
from facademap.photo.control import ControlPoints
from facademap.photo.cylinder import fit_cylinder
from facademap.photo.plane import fit_plane_view
from facademap.photo.pose import find_pose
from facademap.photo.posed import (
    CylinderSurface,
    PlaneSurface,
    PosedView,
    fit_cylinder_view,
    resect_camera,
)
from facademap.photo.resample import rectify_windows
from facademap.photo.tape import TapeMeasure, place_by_tape, rectangle_places
from facademap.wall.grid import Extent, PixelGrid

CAMERA = Camera(
    width_px=4000, height_px=3000, fx_px=3800, fy_px=3800, cx_px=2010, cy_px=1490, k1=-0.1, k2=0.02
)


@dataclass(frozen=True)
class Eye:
    centre: np.ndarray
    rotation: np.ndarray

    def pixel(self, points: np.ndarray) -> np.ndarray:
        seen = (points - self.centre) @ self.rotation.T
        return CAMERA.pixel_from_ray(seen[..., :2] / seen[..., 2:])


def eye(centre: tuple[float, float, float], target: tuple[float, float, float]) -> Eye:
    forward = np.subtract(target, centre) / np.linalg.norm(np.subtract(target, centre))
    right = np.cross(forward, [0, 1.0, 0])
    right /= np.linalg.norm(right)
    return Eye(np.array(centre, float), np.stack([right, np.cross(forward, right), forward]))


def test_a_round_pier_is_unrolled() -> None:
    rng = np.random.default_rng(0)
    surface = CylinderSurface(radius_m=0.45, axis_w_m=-0.45)
    wall = np.c_[rng.uniform(-0.42, 0.42, 10), rng.uniform(0, 1.5, 10)]
    looks = eye((0.3, 0.9, 2.6), (0, 0.75, 0))
    points, _ = surface.points(*wall.T)
    view = fit_cylinder_view(
        wall, looks.pixel(points) + rng.normal(0, 0.3, (10, 2)), CAMERA, surface
    )
    np.testing.assert_allclose(view.pose.centre_m, looks.centre, atol=0.005)
    probe = np.c_[rng.uniform(-0.4, 0.4, 50), rng.uniform(0, 1.5, 50)]
    truth = looks.pixel(surface.points(*probe.T)[0])
    assert np.abs(view.pixel_from_wall(*probe.T) - truth).max() < 1.0
    # the back of the pier is not shown
    assert np.isnan(view.pixel_from_wall(1.2, 0.5)).all()


def test_the_unrolled_picture_is_true_to_scale() -> None:
    """A pier with rings and rods every 0.1 m of arc: the rectified picture shows them evenly spaced."""
    surface = CylinderSurface(radius_m=0.45, axis_w_m=-0.45)
    looks = eye((0.2, 0.6, 2.2), (0, 0.6, 0))
    x, y = np.meshgrid(np.arange(0, 4000, 4), np.arange(0, 3000, 4))
    ray = CAMERA.ray_from_pixel(np.stack([x, y], axis=-1).astype(float))
    sight = np.concatenate([ray, np.ones_like(ray[..., :1])], axis=-1) @ looks.rotation
    a = sight[..., 0] ** 2 + sight[..., 2] ** 2
    b = looks.centre[0] * sight[..., 0] + (looks.centre[2] + 0.45) * sight[..., 2]
    inner = b**2 - a * (looks.centre[0] ** 2 + (looks.centre[2] + 0.45) ** 2 - 0.45**2)
    reach = (-b - np.sqrt(np.where(inner > 0, inner, np.nan))) / a
    hit = looks.centre + reach[..., None] * sight
    arc = 0.45 * np.arctan2(hit[..., 0], hit[..., 2] + 0.45)
    face = np.where((np.floor(arc / 0.1) + np.floor(hit[..., 1] / 0.1)) % 2 < 1, 60, 200)
    picture = np.repeat(
        np.where(np.isfinite(reach), face, 0).astype(np.uint8)[..., None], 3, axis=2
    )
    small = Camera(
        width_px=1000,
        height_px=750,
        fx_px=950,
        fy_px=950,
        cx_px=(2010 - 0) / 4,
        cy_px=1490 / 4,
        k1=-0.1,
        k2=0.02,
    )
    pose, _ = resect_camera(
        surface.points(np.linspace(-0.3, 0.3, 8), np.tile([0.1, 1.0], 4))[0],
        looks.pixel(surface.points(np.linspace(-0.3, 0.3, 8), np.tile([0.1, 1.0], 4))[0]),
        CAMERA,
    )
    view = PosedView(camera=small, pose=pose, surface=surface)
    grid = PixelGrid.over(Extent(u0_m=-0.35, v0_m=0.2, u1_m=0.35, v1_m=1.0), gsd_m=0.004)
    result = np.zeros((grid.height_px, grid.width_px), np.uint8)
    for window, rgb, _mask in rectify_windows(view, picture, grid):
        result[window.slices] = rgb[..., 0]
    places = grid.wall_from_pixel(
        np.arange(grid.width_px)[None, :], np.arange(grid.height_px)[:, None]
    )
    edge = np.minimum(*(np.abs((places[..., k] + 0.05) % 0.1 - 0.05) for k in (0, 1)))
    expected = np.where(
        (np.floor(places[..., 0] / 0.1) + np.floor(places[..., 1] / 0.1)) % 2 < 1, 60, 200
    )
    assert (np.abs(result.astype(int) - expected)[edge > 0.012] < 60).mean() > 0.995


def test_a_set_back_plane_uses_the_control_of_the_wall() -> None:
    rng = np.random.default_rng(1)
    looks = eye((3.0, 1.0, 6.0), (2, 1.5, 0))
    wall = rng.uniform([0, 0], [4, 3], (12, 2))
    points = ControlPoints(
        name=tuple(map(str, range(12))),
        wall_m=wall,
        pixel_px=looks.pixel(np.c_[wall, np.zeros(12)]),
        is_control=np.ones(12, bool),
        sigma_px=np.full(12, 0.5),
        sigma_m=np.zeros(12),
    )
    main = fit_plane_view(points, width_px=4000, height_px=3000, camera=CAMERA)
    pose = find_pose(main)
    np.testing.assert_allclose(pose.centre_m, looks.centre, atol=1e-3)
    view = PosedView(camera=CAMERA, pose=pose, surface=PlaneSurface.set_back(0.3))
    probe = rng.uniform([0, 0], [4, 3], (20, 2))
    np.testing.assert_allclose(
        view.pixel_from_wall(*probe.T), looks.pixel(np.c_[probe, np.full(20, -0.3)]), atol=0.5
    )
    # as a plain wall, those places would be off by the relief displacement
    assert (
        np.abs(main.pixel_from_wall(*probe.T) - looks.pixel(np.c_[probe, np.full(20, -0.3)])).max()
        > 20
    )
    # a left jamb faces right and is seen from the right; a right jamb at the same place is not
    left = PosedView(camera=CAMERA, pose=pose, surface=PlaneSurface.reveal(1.0, faces_right=True))
    right = PosedView(camera=CAMERA, pose=pose, surface=PlaneSurface.reveal(1.0, faces_right=False))
    np.testing.assert_allclose(
        left.pixel_from_wall(0.2, 1.0), looks.pixel(np.array([1.0, 1.0, -0.2])), atol=0.5
    )
    assert np.isnan(right.pixel_from_wall(-0.2, 1.0)).all()


def test_a_pier_is_fitted_from_survey_points() -> None:
    rng = np.random.default_rng(4)
    turn, height = rng.uniform(-1.2, 1.2, 24), rng.uniform(0, 3, 24)
    points = np.c_[300 + 0.6 * np.sin(turn), 500 + 0.6 * np.cos(turn), 40 + height] + rng.normal(
        0, 0.001, (24, 3)
    )
    points[4, :2] += 0.05 * np.array([np.sin(turn[4]), np.cos(turn[4])])
    found = fit_cylinder(points, names=[f"P{i}" for i in range(24)])
    assert found.radius_m == pytest.approx(0.6, abs=0.003)
    assert list(np.flatnonzero(~found.used)) == [4]
    assert "P4" in found.flags[0]
    flat = found.unroll(points, facing_enh=(300, 520, 41))
    np.testing.assert_allclose(
        flat[:, 0] / 0.6, -turn, atol=0.1
    )  # seen from the north, east is on the left
    with pytest.raises(GeometryError):
        fit_cylinder(np.c_[rng.uniform(0, 3, 12), np.zeros(12), rng.uniform(0, 3, 12)])
    with pytest.raises(InputError):
        CylinderSurface(radius_m=-1.0)


PLACES = {"A": (0, 0), "B": (3, 0), "C": (3, 2), "D": (0, 2), "E": (1.5, 1.2)}


def _taped(wrong_mm: float = 0.0) -> list[TapeMeasure]:
    def distance(a: str, b: str) -> float:
        return float(np.hypot(*np.subtract(PLACES[a], PLACES[b])))

    pairs = ("AC", "BD", "BC", "CD", "DA", "EA", "EB", "EC", "ED")
    return [
        TapeMeasure(kind="level", start="A", end="B", length_m=3.0),
        *(
            TapeMeasure(
                kind="distance",
                start=p[0],
                end=p[1],
                length_m=distance(*p) + (wrong_mm / 1000 if p == "AC" else 0),
            )
            for p in pairs
        ),
        TapeMeasure(kind="plumb", start="A", end="D"),
    ]


def test_tape_places_the_points() -> None:
    found = place_by_tape(_taped())
    np.testing.assert_allclose(found.wall_m, [PLACES[n] for n in found.name], atol=1e-6)
    assert found.redundancy == 4
    assert np.linalg.eigvalsh(found.covariance_m2)[-1] > 0
    assert not found.flags


def test_a_plumb_line_without_length_points_up() -> None:
    measures = [m for m in _taped() if m.kind != "level"]
    found = place_by_tape([TapeMeasure(kind="level", start="A", end="B"), *measures])
    np.testing.assert_allclose(found.wall_m, [PLACES[n] for n in found.name], atol=1e-6)
    assert any("left and right" in f for f in place_by_tape(measures).flags)


def test_tape_names_the_measure_that_disagrees() -> None:
    found = place_by_tape(_taped(wrong_mm=50))
    assert "A to C" in found.flags[0]
    with pytest.raises(GeometryError, match="leave points free: C, D"):
        place_by_tape(_taped()[:3])
    with pytest.raises(GeometryError, match="no level"):
        place_by_tape(_taped()[1:-1])
    with pytest.raises(InputError):
        TapeMeasure(kind="distance", start="A", end="B", length_m=-1.0)


def test_a_known_rectangle() -> None:
    np.testing.assert_array_equal(rectangle_places(2.0, 1.0), [(0, 1), (2, 1), (2, 0), (0, 0)])
    with pytest.raises(InputError):
        rectangle_places(0.0, 1.0)


def test_calibration_needs_enough_photos() -> None:
    with pytest.raises(InputError, match="at least 3"):
        calibrate_camera([np.zeros((54, 2))] * 2, width_px=640, height_px=480, columns=9, rows=6)
