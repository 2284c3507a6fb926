"""Numbers of the resampling on both sides of their limits: where a picture ends, which copy is read, the horizon."""

from __future__ import annotations

import numpy as np
import pytest

from facademap.errors import GeometryError
from facademap.photo.resample import PhotoLevels, check_horizon, rectify_window
from facademap.wall.grid import PixelGrid, Window


class Straight:
    """A view whose pixels are so many to a metre."""

    def __init__(self, scale: float, x: float = 0.0, y: float = 0.0) -> None:
        self.scale, self.x, self.y = scale, x, y

    def pixel_from_wall(self, u_m, v_m):
        u, v = np.broadcast_arrays(np.asarray(u_m, float), np.asarray(v_m, float))
        return np.stack([self.x + u * self.scale, self.y - v * self.scale], axis=-1)


def sampled(picture, *, scale=1.0, x=-0.5, y=-0.5, width=40, height=30, interpolation="cubic"):
    grid = PixelGrid(left_m=0.0, top_m=0.0, gsd_m=1.0, width_px=width, height_px=height)
    whole = Window(column=0, row=0, width=width, height=height)
    view = Straight(scale, x, y)
    return rectify_window(view, PhotoLevels(picture), grid, whole, interpolation=interpolation)


PICTURE = np.random.default_rng(1).integers(0, 255, (30, 40, 3), dtype=np.uint8)


def test_a_picture_at_its_own_scale_comes_out_as_it_is() -> None:
    rgb, mask = sampled(PICTURE)
    assert np.array_equal(rgb, PICTURE)
    assert (mask == 255).all()
    moved, mask = sampled(PICTURE, x=2.5, y=-3.5)
    assert np.array_equal(moved[3:, :-3], PICTURE[:-3, 3:])
    assert (mask[3:, :-3] == 255).all()
    assert mask.sum() == 255 * 27 * 37
    assert not moved[:3].any()
    grey, _ = sampled(PICTURE[..., 0])
    assert np.array_equal(grey[..., 0], PICTURE[..., 0])


@pytest.mark.parametrize(
    ("shift", "shown"), [((39.49, 0), 1), ((39.51, 0), 0), ((-39.49, 0), 1), ((-39.51, 0), 0), ((0, 29.49), 1), ((0, -29.51), 0), ((0, 29.51), 0), ((0, -29.49), 1)]
)  # fmt: skip
def test_a_picture_ends_half_a_pixel_beyond_its_last_centre(shift, shown) -> None:
    rgb, mask = sampled(PICTURE, x=-0.5 + shift[0], y=-0.5 + shift[1])
    assert (mask > 0).any() == bool(shown)
    assert rgb.shape == (30, 40, 3)
    assert rgb.any() == bool(shown)


@pytest.mark.parametrize(("scale", "level"), [(1.99, 0), (2.0, 1), (3.35, 1), (3.37, 2), (4.0, 2)])
def test_a_coarser_elevation_reads_a_reduced_copy(scale, level) -> None:
    """A board of single black and white pixels is even grey in every reduced copy, and not in the picture itself."""
    board = (np.indices((256, 256)).sum(axis=0) % 2 * 255).astype(np.uint8)
    wide = 256 // 4 - 4
    rgb, _ = sampled(
        board, scale=scale, x=-0.5, y=-0.5, width=wide, height=wide, interpolation="linear"
    )
    assert bool(np.ptp(rgb.astype(int)) > 8) is (level == 0)
    steps = np.repeat(np.repeat(np.arange(64, dtype=np.uint8) * 3, 4)[None], 256, axis=0)
    rgb, _ = sampled(steps, scale=scale, width=wide, height=wide, interpolation="linear")
    middle = (np.arange(wide) + 0.5) * scale - 0.5
    assert rgb[20, :, 0] == pytest.approx(3 * (middle - 1.5) / 4, abs=3.1)
    if level == 2 and scale == 4.0:
        assert rgb[20, :, 0].tolist() == (np.arange(wide) * 3).tolist()


def test_reduced_copies_are_means_of_two_by_two() -> None:
    levels = PhotoLevels(PICTURE)
    half, number = levels.level(1)
    assert number == 1
    assert half == pytest.approx(PICTURE.reshape(15, 2, 20, 2, 3).mean(axis=(1, 3)), abs=0.51)
    assert levels.nbytes == PICTURE.nbytes + half.nbytes
    smallest, number = levels.level(9)
    assert (smallest.shape[:2], number) == ((3, 5), 3)
    assert (levels.bands, PhotoLevels(PICTURE[..., 0]).bands) == (3, 1)
    odd, _ = PhotoLevels(PICTURE[:29, :39]).level(1)
    assert odd.shape[:2] == (14, 19)


def test_a_very_wide_picture_is_read_in_part() -> None:
    wide = np.arange(32010, dtype=np.int64)[None] % 251
    wide = np.repeat(wide, 8, axis=0).astype(np.uint8)
    rgb, mask = sampled(wide, x=31950.5, width=50, height=8)
    assert rgb[..., 0].tolist() == wide[:, 31951:32001].tolist()
    assert (mask == 255).all()
    rgb, mask = sampled(wide, x=31990.5, width=50, height=8)
    assert mask[0].tolist() == [255] * 19 + [0] * 31
    assert rgb[0, :19, 0].tolist() == wide[0, 31991:32010].tolist()


@pytest.mark.parametrize(("least", "good"), [(0.0501, True), (0.0499, False)])
def test_an_extent_stays_off_the_horizon_by_a_twentieth(least, good) -> None:
    grid = PixelGrid(left_m=0.0, top_m=5.0, gsd_m=1.0, width_px=10, height_px=5)

    def depth(u, v):
        return 1 - (1 - least) * (np.asarray(u) / 10) * (np.asarray(v) / 5)

    if good:
        check_horizon(depth, grid)
    else:
        with pytest.raises(GeometryError, match=r"u 10.00, v 5.00"):
            check_horizon(depth, grid)
