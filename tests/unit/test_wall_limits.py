"""Numbers of the wall frame, its grid and its place in the world, each on both sides of its limit; values by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from scipy.spatial.transform import Rotation

from facademap.errors import GeometryError, InputError
from facademap.limits import Limits
from facademap.wall.frame import WorldPlacement, fit_surface, fit_world_placement
from facademap.wall.grid import Extent, PixelGrid, Window
from facademap.wall.in_world import WallInWorld
from facademap.wall.mending import count_contacts, mend, mend_all
from facademap.wall.plane_fit import common_variance, fit_plane, stated_sigmas

#: A wall that faces south: u runs east, v up, w to the south.
SOUTH = np.array([[1.0, 0.0, 0.0], [0.0, 0.0, -1.0], [0.0, 1.0, 0.0]])
ORIGIN = np.array([1000.0, 2000.0, 50.0])
#: Corners and the middles of the sides of 8 x 4 m.
AROUND = np.array([(0, 0), (4, 0), (8, 0), (8, 2), (8, 4), (4, 4), (0, 4), (0, 2)], float)


def placed(rotation=SOUTH, origin=ORIGIN) -> WorldPlacement:
    return WorldPlacement(
        matrix=np.c_[rotation, origin],
        residual_m=np.zeros((3, 3)),
        out_of_plane_m=np.zeros(3),
        used=np.ones(3, dtype=bool),
        rmse_m=0.0,
    )


# --- the frame


def test_a_place_on_the_wall_has_its_place_in_the_world() -> None:
    frame = placed()
    assert frame.world_from_wall([2.0, 3.0]).tolist() == [1002.0, 2000.0, 53.0]
    assert frame.world_from_wall([2.0, 3.0, 0.5]).tolist() == [1002.0, 1999.5, 53.0]
    assert frame.wall_from_world([1002.0, 1999.5, 53.0]).tolist() == [2.0, 3.0, 0.5]


@pytest.mark.parametrize("lean", [0.0, 1.0, 10.0])
def test_a_wall_leans_by_the_angle_of_its_up_with_the_vertical(lean) -> None:
    turned = Rotation.from_euler("x", lean, degrees=True).as_matrix() @ SOUTH
    assert placed(turned).lean_deg == pytest.approx(lean, abs=1e-6)


@pytest.mark.parametrize(
    "matrix", [np.zeros((3, 3)), np.full((3, 4), math.nan), np.c_[2 * SOUTH, ORIGIN]]
)
def test_only_a_rigid_motion_is_a_placement(matrix) -> None:
    sound = matrix.shape == (3, 4) and np.isfinite(matrix).all()
    with pytest.raises(InputError, match="rigid motion" if sound else "finite 3 x 4"):
        WorldPlacement(
            matrix=matrix,
            residual_m=np.zeros((3, 3)),
            out_of_plane_m=np.zeros(3),
            used=np.ones(3, dtype=bool),
            rmse_m=0.0,
        )
    with pytest.raises(InputError):
        placed(SOUTH[:, ::-1])


def world(uvw: np.ndarray) -> np.ndarray:
    uvw = np.asarray(uvw, float)
    uvw = np.c_[uvw, np.zeros(len(uvw))] if uvw.shape[1] == 2 else uvw
    return uvw @ SOUTH.T + ORIGIN


BEFORE = world([(4.0, 1.0, 15.0)])[0]


def test_a_frame_from_points_has_its_corner_left_and_low_and_looks_to_the_instrument() -> None:
    found = fit_surface(world(AROUND + np.array((2.0, 1.0))), outside_enh=BEFORE)
    assert found.matrix == pytest.approx(np.c_[SOUTH, world([(2.0, 1.0)])[0]], abs=1e-9)
    given = fit_surface(world(AROUND), outside_enh=BEFORE, origin_enh=world([(3.0, 1.0, 0.4)])[0])
    assert given.matrix[:, 3] == pytest.approx(world([(3.0, 1.0)])[0], abs=1e-9)
    behind = fit_surface(world(AROUND), outside_enh=world([(4.0, 1.0, -15.0)])[0])
    assert behind.facing_deg == pytest.approx(0.0, abs=1e-6)
    for side in (0.5, -0.5):
        near = fit_surface(world(AROUND), outside_enh=world([(4.0, 1.0, side)])[0]).matrix
        assert near[:, :3] == pytest.approx(SOUTH * (np.sign(side), 1, np.sign(side)), abs=1e-9)
    assert found.facing_deg == pytest.approx(180.0)


def test_points_off_the_plane_are_told_with_their_side_and_size() -> None:
    off = np.zeros(len(AROUND))
    off[1], off[5] = 0.08, -0.12
    found = fit_surface(world(np.c_[AROUND, off]), outside_enh=BEFORE)
    assert found.used.tolist() == (off == 0).tolist()
    assert found.out_of_plane_m == pytest.approx(off, abs=1e-9)
    assert found.residual_m[:, 2] == pytest.approx(off, abs=1e-9)
    assert found.rmse_m == pytest.approx(0.0, abs=1e-9)
    assert ["80 mm before" in f for f in found.flags] == [True, False]
    assert ["120 mm behind" in f for f in found.flags] == [False, True]


def test_the_error_of_a_frame_is_the_root_of_the_mean_square() -> None:
    off = 0.003 * np.array([1, -1, 1, -1, 1, -1, 1, -1])
    found = fit_surface(world(np.c_[AROUND, off]), outside_enh=BEFORE)
    assert found.used.all()
    assert found.rmse_m == pytest.approx(0.003, rel=0.05)
    assert found.residual_m.shape == (8, 3)
    assert np.isnan(found.residual_m[:, :2]).all()


def test_of_four_points_the_worst_is_told() -> None:
    """On a trapezium points lie unlike distances off the plane that is nearest to all of them."""
    corners = np.array([(0.0, 0.0), (6.0, 0.0), (4.0, 4.0), (2.0, 4.0)])
    off = np.array([0.0, 0.0, 0.0, 0.06])
    rows = np.c_[np.ones(4), corners]
    left = np.abs(off - rows @ np.linalg.lstsq(rows, off, rcond=None)[0])
    assert left.min() < 0.010 < left.max()
    (said,) = fit_surface(world(np.c_[corners, off]), outside_enh=BEFORE).flags
    assert f"up to {left.max() * 1000:.0f} mm off a plane" in said


@pytest.mark.parametrize(("off_m", "told"), [(0.0099, False), (0.0101, True)])
def test_four_points_are_doubted_from_ten_millimetres_on(off_m, told) -> None:
    """The corners of a square, lifted in turn: each lies the same off the plane between them."""
    square = np.array([(0, 0, off_m), (4, 0, -off_m), (4, 4, off_m), (0, 4, -off_m)])
    found = fit_surface(world(square), outside_enh=BEFORE)
    assert any("which of them is wrong" in f for f in found.flags) is told
    five = np.r_[square, [(2, 2, 0.0)]]
    assert not any("which of them" in f for f in fit_surface(world(five), outside_enh=BEFORE).flags)


@pytest.mark.parametrize(("level", "good"), [(0.101, True), (0.099, False)])
def test_a_plane_that_lies_flat_has_no_way_along(level, good) -> None:
    """A plane whose normal is level by so much."""
    turned = Rotation.from_euler("x", -math.acos(level), degrees=False).as_matrix() @ SOUTH
    points = np.c_[AROUND, np.zeros(8)] @ turned.T
    out = 20 * turned[:, 2]
    if good:
        assert fit_surface(points, outside_enh=out).matrix[2, 0] == pytest.approx(0.0, abs=1e-9)
    else:
        with pytest.raises(GeometryError, match="flat"):
            fit_surface(points, outside_enh=out)


@pytest.mark.parametrize(("high", "good"), [(0.101, True), (0.099, False)])
def test_points_that_lie_on_a_line_but_for_a_hundredth_fix_no_plane(high, good) -> None:
    """Two rows of points: the second extent over the first is their height over their length."""
    u = np.linspace(0, 10, 6)
    spread = float(np.std(u))
    strip = np.r_[
        np.c_[u, np.full(6, 0.1 * high * spread)], np.c_[u, np.full(6, -0.1 * high * spread)]
    ]
    if good:
        fit_surface(world(strip), outside_enh=BEFORE)
    else:
        with pytest.raises(GeometryError, match="on one line"):
            fit_surface(world(strip), outside_enh=BEFORE)
        with pytest.raises(GeometryError, match="on one line"):
            fit_world_placement(strip, world(strip))
    if good:
        assert fit_world_placement(strip, world(strip)).used.all()


@pytest.mark.parametrize(("high", "told"), [(0.09, True), (0.11, False)])
def test_a_narrow_strip_of_known_points_is_told(high: float, told: bool) -> None:
    """A tenth of its length: what stands 5 m above it would lie some 50 mm off at 3 mm of noise."""
    strip = np.array([[0.0, 0.0, 0.0], [1.0, 0.0, 0.0], [1.0, high, 0.0], [0.0, high, 0.0]])
    flags = fit_world_placement(strip, world(strip)).flags
    assert any("narrow strip" in flag for flag in flags) == told
    assert fit_surface(world(strip), outside_enh=BEFORE, upright=True).facing_deg == 180.0


def test_a_frame_that_is_known_is_put_where_its_points_are() -> None:
    found = fit_world_placement(
        np.c_[AROUND, np.arange(8) % 2], world(np.c_[AROUND, np.arange(8) % 2])
    )
    assert found.matrix == pytest.approx(np.c_[SOUTH, ORIGIN], abs=1e-9)
    assert found.residual_m == pytest.approx(np.zeros((8, 3)), abs=1e-9)
    assert found.out_of_plane_m == pytest.approx(np.arange(8) % 2, abs=1e-9)
    assert (found.rmse_m, found.flags) == (pytest.approx(0.0, abs=1e-9), ())


def test_a_frame_is_weighted_by_what_points_state() -> None:
    """Against the weighted rotation of scipy: points on a grid of which two are surveyed roughly."""
    rng = np.random.default_rng(5)
    wall = np.c_[AROUND, np.zeros(8)]
    sigma = np.array([0.001] * 6 + [0.05] * 2)
    points = world(wall) + rng.normal(0, 1, (8, 3)) * sigma[:, None]
    found = fit_world_placement(AROUND, points, sigma_m=sigma)
    assert found.used.all()
    weight = 1 / sigma**2
    middle = [np.average(x, axis=0, weights=weight) for x in (wall, points)]
    turn, _ = Rotation.align_vectors(points - middle[1], wall - middle[0], weights=weight)
    assert found.matrix[:, :3] == pytest.approx(turn.as_matrix(), abs=2e-5)
    assert found.matrix[:, 3] == pytest.approx(middle[1] - turn.as_matrix() @ middle[0], abs=2e-4)
    plain, _ = Rotation.align_vectors(points - points.mean(axis=0), wall - wall.mean(axis=0))
    assert np.abs(plain.as_matrix() - turn.as_matrix()).max() > 1e-3
    residual = found.wall_from_world(points) - wall
    assert found.residual_m == pytest.approx(residual)
    assert found.rmse_m == pytest.approx(math.sqrt(float(np.mean(np.sum(residual**2, axis=1)))))


def test_what_the_points_do_not_state_is_taken_from_their_misses() -> None:
    """Against scipy's rotation with weights of the stated and the common variance, the latter from the misses that it leaves."""
    rng = np.random.default_rng(6)
    wall = np.c_[AROUND, np.zeros(8)]
    sigma = np.array([0.0, 0.0, 0.0, 0.0, 0.004, 0.004, 0.008, 0.008])
    points = world(wall) + rng.normal(0, 0.004, (8, 3))
    found = fit_world_placement(AROUND, points, sigma_m=sigma)
    assert found.used.all()
    misses = found.wall_from_world(points) - wall
    variance = common_variance(misses.ravel(), np.repeat(sigma, 3), 24 - 6)
    assert variance > 1e-6
    weight = 1 / (sigma**2 + variance)
    middle = [np.average(x, axis=0, weights=weight) for x in (wall, points)]
    turn, _ = Rotation.align_vectors(points - middle[1], wall - middle[0], weights=weight)
    assert found.matrix[:, :3] == pytest.approx(turn.as_matrix(), abs=2e-6)
    plain, _ = Rotation.align_vectors(points - points.mean(axis=0), wall - wall.mean(axis=0))
    assert np.abs(plain.as_matrix() - turn.as_matrix()).max() > 2e-5


@pytest.mark.parametrize(("share", "left_out"), [(0.97, False), (1.03, True)])
def test_a_point_may_miss_by_five_times_what_the_others_do(share, left_out) -> None:
    rng = np.random.default_rng(7)
    wall = np.c_[AROUND, np.zeros(8)]
    points = world(wall) + rng.normal(0, 0.004, (8, 3))
    others = np.arange(8) != 2
    middle = wall[others].mean(axis=0), points[others].mean(axis=0)
    turn, _ = Rotation.align_vectors(points[others] - middle[1], wall[others] - middle[0])
    back = turn.as_matrix()
    misses = (points - middle[1]) @ back + middle[0] - wall
    typical = math.sqrt(float(np.mean(np.sum(misses[others] ** 2, axis=1))))
    assert 5 * typical > 0.015
    points[2] = (wall[2] - middle[0]) @ back.T + middle[1] + back[:, 2] * 5 * typical * share
    assert fit_world_placement(AROUND, points).used[2] == (not left_out)


def test_what_alone_stands_off_a_line_is_never_left_out() -> None:
    line = np.array([(0, 0), (2, 0), (4, 0), (6, 0), (3, 4)], float)
    off = np.zeros((5, 3))
    off[4, 2] = 0.5
    assert fit_world_placement(line, world(np.c_[line, np.zeros(5)] + off)).used.all()


def test_places_on_the_wall_go_with_the_survey_points() -> None:
    points = world(AROUND)
    for wrong in (AROUND[:7], np.c_[AROUND, AROUND], AROUND[:, :1], AROUND.ravel()[:8]):
        with pytest.raises(InputError, match="do not go with 8 survey points"):
            fit_world_placement(wrong, points)
    gap = AROUND.copy()
    gap[3, 1] = math.nan
    with pytest.raises(InputError, match="not a finite number"):
        fit_world_placement(gap, points)


@pytest.mark.parametrize(("miss_m", "left_out"), [(0.0099, False), (0.0101, True)])
def test_a_point_that_the_others_miss_by_ten_millimetres_is_left_out(miss_m, left_out) -> None:
    """The others agree to nothing, and state nothing: twice the five millimetres that a plane allows."""
    off = np.zeros((8, 3))
    off[2, 2] = miss_m
    found = fit_world_placement(AROUND, world(np.c_[AROUND, np.zeros(8)] + off))
    assert found.used.tolist() == [not left_out or i != 2 for i in range(8)]
    assert bool(found.flags) is left_out
    if left_out:
        assert "10 mm" in found.flags[0]


@pytest.mark.parametrize(("miss_m", "left_out"), [(0.0245, False), (0.0255, True)])
def test_a_point_may_miss_by_five_times_what_it_states(miss_m, left_out) -> None:
    off = np.zeros((8, 3))
    off[2, 2] = miss_m
    sigma = np.array([0.0, 0.0, 0.005, 0.0, 0.0, 0.0, 0.0, 0.0])
    found = fit_world_placement(AROUND, world(np.c_[AROUND, np.zeros(8)] + off), sigma_m=sigma)
    assert found.used[2] == (not left_out)
    assert found.used.sum() == (7 if left_out else 8)


def test_of_four_points_none_is_left_out_and_of_five_one_may_be() -> None:
    corners = AROUND[::2]
    off = np.zeros((4, 3))
    off[1, 2] = 0.5
    four = fit_world_placement(corners, world(np.c_[corners, np.zeros(4)] + off))
    assert four.used.all()
    five_m = np.r_[corners, [(4.0, 2.0)]]
    off = np.r_[off, np.zeros((1, 3))]
    five = fit_world_placement(five_m, world(np.c_[five_m, np.zeros(5)] + off))
    assert five.used.tolist() == [True, False, True, True, True]


@pytest.mark.parametrize(("scale", "told"), [(1.0009, False), (1.0011, True), (0.9989, True)])
def test_a_survey_of_another_scale_is_told_from_a_millimetre_in_a_metre_on(scale, told) -> None:
    """On a small wall, where no point is off by so much that it is left out."""
    small = AROUND / 4
    found = fit_world_placement(small, world(small * scale))
    assert found.used.all()
    assert any(f"{scale:.4f} times" in f for f in found.flags) is told


# --- the plane


def test_a_plane_takes_what_points_state_into_account_and_tells_its_own_unevenness() -> None:
    """Eight points of no stated precision off by 2 mm to either side: three of the eight are used up by the plane."""
    off = 0.002 * np.array([1, -1, 1, -1, 1, -1, 1, -1])
    points = np.c_[AROUND - AROUND.mean(axis=0), off]
    found = fit_plane(points, np.zeros(8))
    assert found.unevenness_m == pytest.approx(0.002 * math.sqrt(8 / 5), rel=1e-3)
    assert abs(found.normal[2]) == pytest.approx(1.0, abs=1e-9)
    assert found.spread == pytest.approx(np.std(AROUND[:, 1]) / np.std(AROUND[:, 0]), rel=1e-6)
    stated = fit_plane(points, np.full(8, 0.004))
    assert stated.unevenness_m == 0.0


def test_a_plane_that_is_held_upright_has_two_unknowns() -> None:
    off = 0.002 * np.array([1, -1, 1, -1, 1, -1, 1, -1])
    points = np.c_[AROUND[:, 0] - 4, off, AROUND[:, 1] + 3]
    found = fit_plane(points, np.zeros(8), upright=True)
    assert found.unevenness_m == pytest.approx(0.002 * math.sqrt(8 / 6), rel=1e-3)
    assert np.abs(found.normal) == pytest.approx([0.0, 1.0, 0.0], abs=1e-9)
    assert found.centre == pytest.approx([0.0, 0.0, 5.0], abs=1e-9)


@pytest.mark.parametrize(
    ("surplus", "stated", "expected"),
    [(4, 0.0, 4e-6 * 8 / 4), (4, 0.002, 4e-6 * 8 / 4 - 4e-6), (4, 0.004, 0.0), (0, 0.0, 0.0)],
)
def test_the_common_variance_is_what_the_stated_one_leaves(surplus, stated, expected) -> None:
    """Eight residuals of 2 mm; where all state the same, the likeliest is the mean square over the surplus less that."""
    found = common_variance(np.full(8, 0.002), np.full(8, stated), surplus)
    assert found == pytest.approx(expected, rel=0.04, abs=1e-12)


@pytest.mark.parametrize(("off_m", "used"), [(0.0049, True), (0.0051, False)])
def test_a_point_nearer_than_five_millimetres_is_never_left_out(off_m, used) -> None:
    u, v = (x.ravel() for x in np.meshgrid(np.linspace(-6, 6, 8), np.linspace(-3, 3, 6)))
    off = np.zeros(48)
    off[20] = off_m
    assert fit_plane(np.c_[u, v, off], np.zeros(48)).used.tolist() == [
        used or i != 20 for i in range(48)
    ]


@pytest.mark.parametrize(("off_m", "used"), [(0.03, True), (0.06, False)])
def test_a_rough_point_may_lie_further_off(off_m, used) -> None:
    """One that states 10 mm among 47 that state nothing: Student's limit for a hundredth among 48 is near 4."""
    u, v = (x.ravel() for x in np.meshgrid(np.linspace(-6, 6, 8), np.linspace(-3, 3, 6)))
    off, sigma = np.zeros(48), np.zeros(48)
    off[20], sigma[20] = off_m, 0.01
    assert bool(fit_plane(np.c_[u, v, off], sigma).used[20]) is used


def test_points_that_state_nothing_are_as_good_as_the_others() -> None:
    assert stated_sigmas(None, 2).tolist() == [0.0, 0.0]
    assert stated_sigmas([0.001, math.nan, 0.003], 3).tolist() == [0.001, 0.002, 0.003]
    assert stated_sigmas([math.nan, math.nan], 2).tolist() == [0.0, 0.0]
    assert stated_sigmas([0.0], 1).tolist() == [0.0]
    for wrong in ([-0.001], [0.001, 0.001]):
        with pytest.raises(InputError):
            stated_sigmas(wrong, 1)


# --- the grid


def test_an_extent_has_sides_and_grows_by_its_share() -> None:
    extent = Extent(u0_m=1.0, v0_m=2.0, u1_m=5.0, v1_m=4.0)
    assert (extent.width_m, extent.height_m) == (4.0, 2.0)
    assert extent.grown(0.25).as_tuple() == (0.0, 1.5, 6.0, 4.5)
    for wrong in ((0, 0, 0, 1), (0, 0, 1, 0), (1, 0, 0, 1), (0, 1, 1, 0), (0, 0, math.inf, 1)):
        with pytest.raises(InputError):
            Extent(**dict(zip(("u0_m", "v0_m", "u1_m", "v1_m"), wrong, strict=True)))


def test_a_grid_lies_on_its_extent_from_the_upper_left() -> None:
    grid = PixelGrid.over(Extent(u0_m=1.0, v0_m=2.0, u1_m=2.0, v1_m=2.75), gsd_m=0.25)
    assert (grid.width_px, grid.height_px) == (4, 3)
    assert grid.transform == (0.25, 0.0, 1.0, 0.0, -0.25, 2.75)
    assert grid.extent.as_tuple() == (1.0, 2.0, 2.0, 2.75)
    assert grid.wall_from_pixel(0, 0).tolist() == [1.125, 2.625]
    assert grid.wall_from_pixel(3, 2).tolist() == [1.875, 2.125]
    assert grid.pixel_from_wall(1.875, 2.125).tolist() == [3.0, 2.0]
    part = grid.crop(Window(column=1, row=2, width=2, height=1))
    assert part.extent.as_tuple() == (1.25, 2.0, 1.75, 2.25)
    longer = PixelGrid.over(Extent(u0_m=0.0, v0_m=0.0, u1_m=1.01, v1_m=0.1), gsd_m=0.25)
    assert (longer.width_px, longer.height_px) == (5, 1)


@pytest.mark.parametrize(
    ("extent", "window"),
    [
        ((1.0, 2.0, 2.0, 2.75), (0, 0, 4, 3)),
        ((1.25, 2.25, 1.5, 2.5), (1, 1, 1, 1)),
        ((1.24, 2.24, 1.51, 2.51), (0, 0, 3, 3)),
        ((0.0, 0.0, 9.0, 9.0), (0, 0, 4, 3)),
        ((2.0, 2.0, 3.0, 2.5), None),
        ((0.0, 2.0, 1.0, 2.5), None),
        ((1.0, 2.75, 2.0, 3.0), None),
        ((1.0, 1.0, 2.0, 2.0), None),
    ],
)
def test_a_window_holds_the_pixels_that_an_extent_touches(extent, window) -> None:
    grid = PixelGrid(left_m=1.0, top_m=2.75, gsd_m=0.25, width_px=4, height_px=3)
    names = ("u0_m", "v0_m", "u1_m", "v1_m")
    found = grid.window_of(Extent(**dict(zip(names, extent, strict=True))))
    assert (found and (found.column, found.row, found.width, found.height)) == window


def test_windows_tile_a_grid_row_by_row() -> None:
    grid = PixelGrid(left_m=0.0, top_m=1.0, gsd_m=0.1, width_px=5, height_px=3)
    tiles = [(w.column, w.row, w.width, w.height) for w in grid.windows(2)]
    assert tiles == [
        (0, 0, 2, 2),
        (2, 0, 2, 2),
        (4, 0, 1, 2),
        (0, 2, 2, 1),
        (2, 2, 2, 1),
        (4, 2, 1, 1),
    ]
    assert Window(column=2, row=1, width=3, height=4).slices == (slice(1, 5), slice(2, 5))
    assert [
        (w.width, w.height)
        for w in PixelGrid(left_m=0, top_m=1, gsd_m=1, width_px=600, height_px=1).windows()
    ] == [(512, 1), (88, 1)]


def test_a_grid_has_pixels_of_some_size_and_not_more_than_a_disk_holds() -> None:
    one = Extent(u0_m=0.0, v0_m=0.0, u1_m=1.0, v1_m=1.0)
    for gsd_m in (0.0, -0.1, math.nan, 1e-8):
        with pytest.raises(InputError):
            PixelGrid.over(one, gsd_m=gsd_m)
    most = {"left_m": 0.0, "top_m": 1.0, "gsd_m": 0.1}
    PixelGrid(**most, width_px=4_000_000, height_px=1000)
    for width, height in ((4_000_001, 1000), (0, 1), (1, 0)):
        with pytest.raises(InputError):
            PixelGrid(**most, width_px=width, height_px=height)


# --- in the world


def in_world(radius_m=None) -> WallInWorld:
    return WallInWorld(epsg=25832, matrix=np.c_[SOUTH, ORIGIN], radius_m=radius_m)


def test_round_walls_bend_by_their_radius() -> None:
    """A quarter of the way round a radius of 2 m lies 2 m beside and 2 m behind; seen from inside 2 m before."""
    quarter = math.pi
    assert in_world().enh([(1.0, 2.0)])[0].tolist() == [1001.0, 2000.0, 52.0]
    assert in_world(2.0).enh([(quarter, 1.0)])[0] == pytest.approx([1002.0, 2002.0, 51.0])
    assert in_world(-2.0).enh([(quarter, 1.0)])[0] == pytest.approx([1002.0, 1998.0, 51.0])
    assert np.isfinite(in_world(2.0).enh([(2 * math.pi, 0.0)])).all()
    assert np.isnan(in_world(2.0).enh([(2 * math.pi + 0.01, 0.0)])[0, 0])


GROUND = ORIGIN[:2] + np.array([(1, -1), (3, -1), (3, 1), (1, 1)])


def test_the_part_of_a_wall_within_a_piece_of_ground_by_hand() -> None:
    assert in_world().part_within(GROUND, (51.0, 54.0)) == pytest.approx((1.0, 1.0, 3.0, 4.0))
    all_high = in_world().part_within(GROUND)
    assert all_high == pytest.approx((1.0, -2000.0, 3.0, 2000.0))
    assert in_world().part_within(GROUND + np.array((0.0, 3.0)), (51.0, 54.0)) is None
    assert in_world().part_within(GROUND, (3000.0, 3001.0)) is None
    touching = in_world().part_within(GROUND + np.array((0.0, 1.0)), (51.0, 54.0))
    assert touching == pytest.approx((1.0, 1.0, 3.0, 4.0))


def test_the_part_of_a_round_wall_within_a_piece_of_ground() -> None:
    """A wall of 2 m radius from its front to 1 m behind: a third of a right angle more than half of one to each side."""
    ground = ORIGIN[:2] + np.array([(-3.0, -0.5), (3.0, -0.5), (3.0, 1.0), (-3.0, 1.0)])
    third = 2.0 * math.pi / 3
    step = 4 * math.pi / 1440
    found = in_world(2.0).part_within(ground, (51.0, 54.0))
    assert found == pytest.approx((-third, 1.0, third, 4.0), abs=step)
    assert in_world(2.0).part_within(ground)[1::2] == (-2000.0, 2000.0)
    assert in_world(2.0).part_within(ground + np.array((0, 9.0))) is None


# --- mending


def test_contacts_of_sides_are_counted() -> None:
    bow = shapely.Polygon([(0, 0), (1, 1), (1, 0), (0, 1)])
    assert count_contacts(bow, most=9) == 1
    assert count_contacts(shapely.box(0, 0, 1, 1), most=9) == 0
    star = shapely.Polygon(
        [(math.sin(4 * math.pi * k / 5), math.cos(4 * math.pi * k / 5)) for k in range(5)]
    )
    assert count_contacts(star, most=9) == 5
    twice = shapely.Polygon([(0, 0), (0, 0), (1, 1), (1, 0), (0, 1)])
    assert count_contacts(twice, most=9) == 1


def test_an_outline_is_mended_within_its_limits_and_keeps_its_dimension() -> None:
    star = shapely.Polygon(
        [(math.sin(4 * math.pi * k / 5), math.cos(4 * math.pi * k / 5)) for k in range(5)]
    )
    mended = mend(star, name="C-1", limits=Limits(contacts=5))
    assert mended.is_valid
    assert mended.geom_type in ("Polygon", "MultiPolygon")
    with pytest.raises(GeometryError, match="C-1"):
        mend(star, name="C-1", limits=Limits(contacts=4))
    corners = shapely.get_num_coordinates(star)
    mend(star, name="C-1", limits=Limits(corners=int(corners)))
    with pytest.raises(GeometryError, match="C-1"):
        mend(star, name="C-1", limits=Limits(corners=int(corners) - 1))
    with pytest.raises(GeometryError, match="encloses nothing"):
        mend(shapely.Polygon([(0, 0), (1, 0), (2, 0)]), name="C-1")
    spike = shapely.Polygon([(0, 0), (1, 0), (1, 1), (2, 1), (1, 1), (0, 1)])
    assert mend(spike, name="C-1").geom_type == "Polygon"
    sound = shapely.box(0, 0, 1, 1)
    bow = shapely.Polygon([(0, 0), (1, 1), (1, 0), (0, 1)])
    both = mend_all([sound, bow, None])
    assert both[0] is sound
    assert both[1].area == pytest.approx(0.5)
    assert both[2] is None
    assert both[1].geom_type == "MultiPolygon"
    with pytest.raises(GeometryError, match="outline 2"):
        mend_all([sound, shapely.Polygon([(0, 0), (1, 0), (2, 0)])])
