"""Wall frames from survey points."""

from __future__ import annotations

import json
import math

import numpy as np
import pyproj
import pytest

from facademap.errors import GeometryError, InputError
from facademap.wall.frame import WorldPlacement, fit_surface, fit_world_placement
from facademap.wall.in_world import WallInWorld
from facademap.wall.world import wall_crs

#: Any place before the walls of these tests.
BEFORE = (3.0, -20.0, 2.0)


def wall_in_world(
    rng: np.random.Generator, lean_deg: float = 0.0
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Axes (columns along, up, out), origin, and 14 wall places."""
    turn, lean = rng.uniform(0, 2 * np.pi), np.radians(lean_deg)
    along = np.array([np.cos(turn), np.sin(turn), 0.0])
    flat_out = np.cross(along, [0, 0, 1.0])
    up = np.cos(lean) * np.array([0, 0, 1.0]) - np.sin(lean) * flat_out
    axes = np.stack([along, up, np.cross(along, up)], axis=1)
    return axes, np.array([412345.0, 5212345.0, 87.0]), rng.uniform(0, [12, 7], (14, 2))


@pytest.mark.parametrize("seed", range(4))
def test_frame_from_points_names_those_off_the_plane(seed: int) -> None:
    rng = np.random.default_rng(seed)
    axes, origin, uv = wall_in_world(rng, lean_deg=seed)
    out = np.zeros(14)
    out[3], out[7] = 0.08, -0.12
    points = np.c_[uv, out] @ axes.T + origin + rng.normal(0, 0.001, (14, 3))
    placed = fit_surface(
        points, names=[f"S{i}" for i in range(14)], outside_enh=origin + axes @ [5, 1, 20]
    )
    np.testing.assert_allclose(placed.matrix[:, :3], axes, atol=2e-3)
    assert set(np.flatnonzero(~placed.used)) == {3, 7}
    assert placed.out_of_plane_m[3] == pytest.approx(0.08, abs=0.004)
    assert any("S3" in f and "before" in f for f in placed.flags)
    assert any("S7" in f and "behind" in f for f in placed.flags)
    assert placed.lean_deg == pytest.approx(seed, abs=0.1)
    inside = placed.wall_from_world(points)
    assert inside[placed.used][:, :2].min() == pytest.approx(0.0, abs=1e-6)
    np.testing.assert_allclose(placed.world_from_wall(inside), points, atol=1e-6)


def test_known_wall_places_are_put_into_the_world() -> None:
    rng = np.random.default_rng(9)
    axes, origin, uv = wall_in_world(rng)
    points = np.c_[uv, np.zeros(14)] @ axes.T + origin + rng.normal(0, 0.001, (14, 3))
    points[5] += [0.2, 0.1, 0.0]
    placed = fit_world_placement(uv, points, epsg=25832)
    np.testing.assert_allclose(placed.matrix, np.c_[axes, origin], atol=3e-3)
    assert list(np.flatnonzero(~placed.used)) == [5]
    assert placed.rmse_m < 0.003
    again = WorldPlacement.from_dict(json.loads(json.dumps(placed.to_dict())))
    np.testing.assert_array_equal(again.matrix, placed.matrix)
    assert again.epsg == 25832


def test_a_surveyed_area_is_the_same_in_wall_and_world() -> None:
    """Area of a polygon by the cross-product sum in E, N, H against the shoelace formula in u, v."""
    rng = np.random.default_rng(2)
    axes, origin, uv = wall_in_world(rng, lean_deg=3.0)
    placed = fit_world_placement(uv, np.c_[uv, np.zeros(14)] @ axes.T + origin)
    ring = np.array([(1, 1), (4, 1.5), (3.5, 4), (2, 5), (0.5, 3)])
    world = placed.world_from_wall(ring) - origin
    area_world = np.linalg.norm(np.cross(world, np.roll(world, -1, axis=0)).sum(axis=0)) / 2
    u, v = ring.T
    assert area_world == pytest.approx(abs(u @ np.roll(v, -1) - v @ np.roll(u, -1)) / 2, rel=1e-8)


def test_unusable_survey_points_are_refused() -> None:
    line = np.c_[np.arange(5.0), np.arange(5.0), np.full(5, 2.0)]
    with pytest.raises(GeometryError, match="one line"):
        fit_surface(line, outside_enh=BEFORE)
    upright = fit_surface(line, upright=True, outside_enh=BEFORE)
    assert upright.lean_deg == 0
    flat = np.random.default_rng(0).uniform(0, 9, (8, 3)) * [1, 1, 0]
    with pytest.raises(GeometryError, match="flat"):
        fit_surface(flat, outside_enh=BEFORE)
    with pytest.raises(GeometryError, match="too few"):
        fit_surface(line[:2], outside_enh=BEFORE)
    with pytest.raises(InputError, match="not a finite number"):
        fit_surface(np.array([[0, 0, np.nan], [1, 0, 0], [0, 0, 1]]), outside_enh=BEFORE)


def test_wall_crs_is_its_own() -> None:
    a, b = (
        pyproj.CRS(wall_crs('North "yard" front', "id-1")),
        pyproj.CRS(wall_crs('North "yard" front', "id-2")),
    )
    assert a.type_name == "Engineering CRS"
    assert a.axis_info[0].unit_name == "metre"
    assert a != b
    assert a == pyproj.CRS(wall_crs('North "yard" front', "id-1"))
    with pytest.raises(InputError):
        wall_crs(" ", "x")


def test_every_order_of_rows_gives_the_same_frame() -> None:
    rng = np.random.default_rng(5)
    points = np.column_stack([rng.uniform(0, 12, 9), rng.normal(0, 0.003, 9), rng.uniform(0, 8, 9)])
    points[4, 1] += 0.4  # one stands off the wall
    first = fit_surface(points, outside_enh=BEFORE)
    for _ in range(60):
        again = fit_surface(rng.permutation(points), outside_enh=BEFORE)
        np.testing.assert_allclose(again.matrix, first.matrix, atol=1e-9)
    behind = fit_surface(points, outside_enh=(3.0, 20.0, 2.0))
    np.testing.assert_allclose(behind.matrix[:, 2], -first.matrix[:, 2], atol=1e-9)


@pytest.mark.parametrize(("radius_m", "out_m"), [(2.0, -2.0), (-2.0, 2.0)])
def test_a_round_wall_bends_away_from_outside_and_towards_whoever_stands_inside(
    radius_m: float, out_m: float
) -> None:
    """A quarter of the way round: as far aside as its radius, and as far out of the plane, by the circle itself."""
    matrix = np.hstack([np.eye(3), np.zeros((3, 1))])
    wall = WallInWorld(epsg=32631, matrix=matrix, radius_m=radius_m)
    (place,) = wall.enh([[math.pi / 2 * 2.0, 1.0]])
    np.testing.assert_allclose(place, (2.0, 1.0, out_m), atol=1e-12)
    # half the way round is the most that there is
    assert np.isnan(wall.enh([[math.pi * 2.0 * 1.001, 0.0]])[0, 0])
