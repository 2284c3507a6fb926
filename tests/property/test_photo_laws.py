"""Laws of cameras, grids and resampling."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from facademap.photo.camera import Camera
from facademap.photo.resample import PhotoLevels, rectify_window, rectify_windows
from facademap.wall.grid import (
    Extent,
    PixelGrid,
    Window,
    centre_from_corner_px,
    corner_from_centre_px,
)


@given(st.floats(-0.3, 0.1), st.floats(-0.05, 0.1), st.floats(-2e-3, 2e-3), st.integers(0, 10**6))
@settings(max_examples=60, deadline=None)
def test_rays_and_pixels_round_trip(k1: float, k2: float, p1: float, seed: int) -> None:
    camera = Camera(
        width_px=3000,
        height_px=2000,
        fx_px=2800,
        fy_px=2810,
        cx_px=1490,
        cy_px=1010,
        k1=k1,
        k2=k2,
        p1=p1,
    )
    rng = np.random.default_rng(seed)
    limit = min(0.5, 0.8 * camera.fold_radius)
    turn, radius = rng.uniform(0, 2 * np.pi, 20), rng.uniform(0, limit, 20)
    ray = np.c_[radius * np.cos(turn), radius * np.sin(turn)]
    np.testing.assert_allclose(camera.ray_from_pixel(camera.pixel_from_ray(ray)), ray, atol=1e-8)


def test_nothing_folds_back_into_the_picture() -> None:
    camera = Camera(
        width_px=3000, height_px=2000, fx_px=2800, fy_px=2800, cx_px=1499.5, cy_px=999.5, k1=-0.3
    )
    assert np.isnan(camera.pixel_from_ray([2.0, 0.0])).all()
    assert np.isfinite(camera.pixel_from_ray([0.5, 0.0])).all()


@given(
    st.floats(-50, 50),
    st.floats(-50, 50),
    st.floats(0.1, 30),
    st.floats(0.1, 30),
    st.floats(0.0005, 0.05),
)
def test_a_grid_covers_its_extent_and_no_more(
    u0: float, v0: float, width: float, height: float, gsd: float
) -> None:
    extent = Extent(u0_m=u0, v0_m=v0, u1_m=u0 + width, v1_m=v0 + height)
    grid = PixelGrid.over(extent, gsd_m=gsd)
    covered = grid.extent
    assert covered.u0_m == extent.u0_m
    assert covered.v1_m == extent.v1_m
    assert -1e-5 * gsd - 1e-9 <= covered.u1_m - extent.u1_m < gsd * 1.001
    assert -1e-5 * gsd - 1e-9 <= extent.v0_m - covered.v0_m < gsd * 1.001
    pixel = np.array([(0.0, 0.0), (grid.width_px - 1, grid.height_px - 1), (2.25, -7.5)])
    np.testing.assert_allclose(
        grid.pixel_from_wall(*grid.wall_from_pixel(*pixel.T).T), pixel, atol=1e-6
    )


def test_the_half_pixel() -> None:
    assert corner_from_centre_px(0.0) == 0.5
    assert centre_from_corner_px(corner_from_centre_px(3.25)) == 3.25
    grid = PixelGrid(left_m=10.0, top_m=5.0, gsd_m=0.01, width_px=100, height_px=50)
    np.testing.assert_allclose(grid.wall_from_pixel(0, 0), (10.005, 4.995))


@given(st.integers(1, 1500), st.integers(1, 1500))
@settings(max_examples=20)
def test_windows_tile_the_grid_once(width: int, height: int) -> None:
    grid = PixelGrid(left_m=0, top_m=0, gsd_m=1, width_px=width, height_px=height)
    count = np.zeros((height, width), np.uint8)
    for window in grid.windows(512):
        count[window.slices] += 1
    assert (count == 1).all()


@dataclass(frozen=True)
class _Tilted:
    """A view with perspective, so that windows differ."""

    def pixel_from_wall(self, u_m, v_m):  # type: ignore[no-untyped-def]
        w = 1.0 + 0.02 * np.asarray(u_m)
        return np.stack(
            [(100 * u_m + 3 * np.asarray(v_m)) / w, (700 - 100 * np.asarray(v_m)) / w], axis=-1
        )


@pytest.mark.parametrize("interpolation", ["linear", "cubic"])
@pytest.mark.parametrize("gsd_m", [0.009, 0.05])
def test_blocks_equal_the_whole(interpolation, gsd_m) -> None:  # type: ignore[no-untyped-def]
    picture = np.random.default_rng(0).integers(0, 255, (800, 1200, 3), dtype=np.uint8)
    grid = PixelGrid.over(Extent(u0_m=-1, v0_m=-1, u1_m=12, v1_m=8), gsd_m=gsd_m)
    view, photo = _Tilted(), PhotoLevels(picture)
    for threads in (1, 3):
        for window, rgb, mask in rectify_windows(
            view, picture, grid, interpolation=interpolation, threads=threads
        ):
            alone, seen = rectify_window(view, photo, grid, window, interpolation=interpolation)
            np.testing.assert_array_equal(alone, rgb)
            np.testing.assert_array_equal(seen, mask)


def test_a_ramp_comes_out_as_a_ramp() -> None:
    """Every half pixel that is wrong, in the lattice or in the reduced copies, would show as a shift."""
    x = np.arange(1024)
    picture = np.repeat(np.repeat((x / 4).astype(np.uint8)[None, :, None], 1024, axis=0), 3, axis=2)

    class Straight:
        def pixel_from_wall(self, u_m, v_m):  # type: ignore[no-untyped-def]
            return np.stack(
                [
                    np.asarray(u_m) + 0 * np.asarray(v_m),
                    1000 - np.asarray(v_m) + 0 * np.asarray(u_m),
                ],
                -1,
            )

    for gsd in (0.5, 1.0, 3.0, 8.0):
        grid = PixelGrid.over(Extent(u0_m=100, v0_m=100, u1_m=900, v1_m=900), gsd_m=gsd)
        window = Window(
            column=0, row=0, width=min(512, grid.width_px), height=min(512, grid.height_px)
        )
        rgb, mask = rectify_window(
            Straight(), PhotoLevels(picture), grid, window, interpolation="linear"
        )
        assert (mask == 255).all()
        expected = (grid.wall_from_pixel(np.arange(window.width), 0)[:, 0] - 0.5 * 3) / 4
        shift = np.median(rgb[window.height // 2, :, 0] - expected)
        assert abs(shift) < 0.4
