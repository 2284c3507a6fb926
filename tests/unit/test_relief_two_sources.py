"""Photos and a scan of one wall: their difference is told, the surer one is used, contradictions are named."""

from __future__ import annotations

import numpy as np
import pytest

from facademap.errors import InputError
from facademap.relief.build import Relief
from facademap.relief.two_sources import FROM_PHOTOS, FROM_SCAN, relief_on_grid, two_sources
from facademap.wall.grid import PixelGrid

PHOTOS = PixelGrid(left_m=0.0, top_m=0.6, gsd_m=0.004, width_px=240, height_px=150)
SCAN = PixelGrid(left_m=-0.05, top_m=0.63, gsd_m=0.0025, width_px=440, height_px=280)


def _depth(u: np.ndarray, v: np.ndarray) -> np.ndarray:
    return 0.004 * np.sin(7 * u) - 0.02 * np.exp(-((u - 0.5) ** 2 + (v - 0.3) ** 2) / 0.01)


def _relief(grid: PixelGrid, sigma_m: float, seed: int) -> Relief:
    u = grid.left_m + (np.arange(grid.width_px) + 0.5) * grid.gsd_m
    v = grid.top_m - (np.arange(grid.height_px) + 0.5) * grid.gsd_m
    out_m = _depth(*np.broadcast_arrays(u[None, :], v[:, None]))
    noise = np.random.default_rng(seed).normal(0, sigma_m, out_m.shape)
    return Relief(
        grid=grid,
        out_m=(out_m + noise).astype(np.float32),
        sigma_m=np.full(out_m.shape, sigma_m, np.float32),
    )


def _part(grid: PixelGrid, u0: float, v0: float, u1: float, v1: float) -> tuple[slice, slice]:
    column, row = (
        (round((u - grid.left_m) / grid.gsd_m) for u in (u0, u1)),
        (round((grid.top_m - v) / grid.gsd_m) for v in (v1, v0)),
    )
    return slice(*row), slice(*column)


def test_a_relief_on_other_cells_is_the_mean_within() -> None:
    fine = _relief(SCAN, 0.0, 1)
    laid = relief_on_grid(fine, PHOTOS)
    assert np.nanmax(np.abs(laid.out_m - _relief(PHOTOS, 0.0, 1).out_m)) < 0.0001
    back = relief_on_grid(laid, SCAN)
    inner = np.s_[30:-30, 40:-40]
    assert np.abs(back.out_m - fine.out_m)[inner].max() < 0.0002
    # beside the photos' cells nothing is known
    assert np.isnan(back.out_m[:10]).all()


def test_each_cell_comes_from_the_surer_source_and_contradictions_are_named() -> None:
    photos, scan = _relief(PHOTOS, 0.0006, 2), _relief(SCAN, 0.0005, 3)
    hole = _part(PHOTOS, 0.7, 0.1, 0.8, 0.2)
    photos.out_m[hole] = photos.sigma_m[hole] = np.nan
    sure = _part(PHOTOS, 0.0, 0.4, 0.3, 0.5)
    photos.sigma_m[sure] = 0.0002
    moved = _part(SCAN, 0.2, 0.1, 0.3, 0.2)
    scan.out_m[moved] += 0.006
    both = two_sources(photos, scan)
    assert both.joined
    assert (both.origin[hole] == FROM_SCAN).all()
    assert (both.origin[sure] == FROM_PHOTOS).all()
    assert np.abs(both.relief.out_m - _relief(PHOTOS, 0.0, 0).out_m)[hole].max() < 0.003
    (place,) = both.places
    assert place["box_m"] == pytest.approx([0.2, 0.1, 0.3, 0.2], abs=0.009)
    assert place["mean_m"] == pytest.approx(0.006, abs=0.0003)
    # the photos are kept where the two contradict each other, and are as doubtful as that
    inside = _part(PHOTOS, 0.22, 0.12, 0.28, 0.18)
    assert (both.origin[inside] == FROM_PHOTOS).mean() > 0.98
    assert np.median(both.relief.sigma_m[inside]) > 0.0025
    assert both.mean_m == pytest.approx(0.006 * 0.01 / (0.96 * 0.6), abs=0.0001)
    assert 0.0006 < both.spread_m < np.hypot(0.0006, 0.0005)
    assert 0.02 < both.beyond_share < 0.1
    assert both.photos_share + both.scan_share == pytest.approx(1.0)


def test_a_small_shift_of_the_scan_is_taken_off_and_a_large_one_keeps_it_out() -> None:
    photos, scan = _relief(PHOTOS, 0.0006, 2), _relief(SCAN, 0.0005, 3)
    hole = _part(PHOTOS, 0.7, 0.1, 0.8, 0.2)
    photos.out_m[hole] = photos.sigma_m[hole] = np.nan
    scan.out_m[:] += 0.001
    both = two_sources(photos, scan)
    assert both.joined
    assert both.removed[0] == pytest.approx(0.001, abs=1e-4)
    assert both.mean_m == pytest.approx(0.001, abs=1e-4)
    assert np.mean(both.relief.out_m[hole] - _relief(PHOTOS, 0.0, 0).out_m[hole]) == pytest.approx(
        0.0, abs=1e-4
    )
    scan.out_m[:] += 0.009
    apart = two_sources(photos, scan)
    assert not apart.joined
    assert apart.mean_m == pytest.approx(0.01, abs=1e-4)
    assert np.isnan(apart.relief.out_m[hole]).all()
    assert apart.scan_share == 0


def test_a_scan_that_misses_the_wall_is_refused() -> None:
    away = PixelGrid(left_m=9.0, top_m=0.6, gsd_m=0.004, width_px=50, height_px=50)
    with pytest.raises(InputError, match="0 cells in common"):
        two_sources(_relief(PHOTOS, 0.0006, 2), _relief(away, 0.0005, 3))


def test_fewer_than_four_hundred_cells_in_common_tell_nothing() -> None:
    photos = _relief(PHOTOS, 0.0006, 2)

    def seen(rows: int) -> Relief:
        scan = _relief(PHOTOS, 0.0005, 3)
        away = np.ones(photos.out_m.shape, bool)
        away[40 : 40 + rows, 60:81] = False
        scan.out_m[away] = scan.sigma_m[away] = np.nan
        return scan

    with pytest.raises(InputError, match="399 cells in common"):
        two_sources(photos, seen(19))
    two_sources(photos, seen(20))
