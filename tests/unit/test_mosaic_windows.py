"""The mosaic's plan and windows: best photo, borders along joints, independent windows, gaps."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from facademap.photo.exposure import PhotoLevel
from facademap.photo.mosaic import PictureShelf, mosaic_window, mosaic_windows, plan_mosaic
from facademap.photo.seams import CoarseView, choose_sources
from facademap.wall.grid import Extent, PixelGrid, Window


@dataclass(frozen=True)
class Squarely:
    """A photo taken squarely: its pixels are wall metres times a factor, v up."""

    left_m: float
    top_m: float
    px_per_m: float
    squeeze: float = 1.0

    def pixel_from_wall(self, u_m: np.ndarray, v_m: np.ndarray) -> np.ndarray:
        u, v = np.broadcast_arrays(np.asarray(u_m, float), np.asarray(v_m, float))
        return np.stack(
            [
                (u - self.left_m) * self.px_per_m * self.squeeze - 0.5,
                (self.top_m - v) * self.px_per_m - 0.5,
            ],
            axis=-1,
        )


def stones(seed: int = 0) -> np.ndarray:
    """A wall of 4 x 2 m at 200 px a metre, v down from 2 m."""
    rng = np.random.default_rng(seed)
    wall = np.full((400, 800, 3), 90, np.uint8)
    for top in range(0, 400, 80):
        for left in range(-40 if top % 160 else 0, 800, 160):
            wall[top + 3 : top + 77, max(0, left + 3) : left + 157] = rng.integers(120, 200, 3)
    return np.clip(wall + rng.normal(0, 4, wall.shape), 0, 255).astype(np.uint8)


WALL = stones()
LEFT, RIGHT = (
    Squarely(left_m=0.0, top_m=2.0, px_per_m=200),
    Squarely(left_m=1.5, top_m=2.0, px_per_m=200),
)
PHOTOS = [WALL[:, :500].copy(), WALL[:, 300:].copy()]
GRID = PixelGrid.over(Extent(u0_m=0, v0_m=0, u1_m=4, v1_m=2), gsd_m=0.005)


def whole(
    photos: list[np.ndarray], window_px: int = 512, **extra: object
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    rgb = np.zeros((GRID.height_px, GRID.width_px, 3), np.uint8)
    mask, source = np.zeros(rgb.shape[:2], np.uint8), np.zeros(rgb.shape[:2], np.int16)
    for window, part, seen, index in mosaic_windows(
        [LEFT, RIGHT], photos, GRID, window_px=window_px, **extra
    ):
        rgb[window.slices], mask[window.slices], source[window.slices] = part, seen, index
    return rgb, mask, source


def test_equal_photos_give_the_wall_back() -> None:
    rgb, mask, source = whole(PHOTOS)
    inner = np.s_[12:-12, 12:-12]
    assert (mask[inner] == 255).all()
    assert np.abs(rgb[inner].astype(int) - WALL[inner]).mean() < 0.6
    assert set(np.unique(source[inner])) == {0, 1}


def test_exposures_are_levelled_without_touching_stones() -> None:
    dark = [PHOTOS[0], np.clip(PHOTOS[1] * 0.75 + 0.5, 0, 255).astype(np.uint8)]
    rgb, _, source = whole(dark)
    ratio = rgb.astype(float)[20:-20, 20:-20] / WALL[20:-20, 20:-20]
    here = source[20:-20, 20:-20]
    left, right = np.median(ratio[here == 0]), np.median(ratio[here == 1])
    assert abs(left / right - 1) < 0.01
    assert abs(left - np.sqrt(0.75)) < 0.02  # the mean of both exposures, in logarithms


def test_windows_do_not_depend_on_their_size_or_order() -> None:
    plan = plan_mosaic([LEFT, RIGHT], PHOTOS, GRID)
    one = whole(PHOTOS, plan=plan)[0]
    other = whole(PHOTOS, window_px=128, plan=plan)[0]
    np.testing.assert_array_equal(one, other)
    shelf = PictureShelf(PHOTOS)
    window = Window(column=384, row=128, width=128, height=128)
    alone = mosaic_window(plan, [LEFT, RIGHT], shelf, window)[0]
    np.testing.assert_array_equal(alone, one[window.slices])


def test_the_squarer_photo_is_taken() -> None:
    oblique = Squarely(left_m=0.0, top_m=2.0, px_per_m=200, squeeze=0.6)
    narrow = WALL[:, ::2][:, :400]
    plan = plan_mosaic([LEFT, oblique], [WALL[:, :800].copy(), narrow.copy()], GRID)
    assert np.mean(plan.source[plan.source >= 0] == 0) > 0.95


def test_gaps_are_reported_and_left_transparent() -> None:
    views, photos = (
        [LEFT, Squarely(left_m=3.0, top_m=2.0, px_per_m=200)],
        [WALL[:, :500].copy(), WALL[:, 600:].copy()],
    )
    plan = plan_mosaic(views, photos, GRID)
    gaps = plan.gaps()
    assert len(gaps) == 1 or gaps[0][4] > 10 * gaps[1][4]
    u0, v0, u1, v1, area = gaps[0]
    assert u0 < 2.6 < 2.9 < u1
    assert v1 - v0 > 1.9
    assert 0.8 < area < 1.4
    for window, rgb, mask, source in mosaic_windows(views, photos, GRID, plan=plan):
        assert (
            mask[:, 520 - window.column : 580 - window.column] == 0
        ).all() or window.column > 580
        assert ((source < 0) == (mask == 0)).all()
        assert (rgb[mask == 0] == 0).all()


def test_a_border_runs_in_the_joint() -> None:
    shape = (60, 80)
    picture = np.full((*shape, 3), 150, np.uint8)
    picture[:, 46:48] = 90  # an upright joint beside the middle
    noise = np.random.default_rng(0).normal(0, 6, picture.shape)
    photos = [np.clip(picture + s * noise, 0, 255).astype(np.uint8) for s in (1, -1)]
    slope = np.broadcast_to(np.linspace(0.4, -0.4, shape[1], dtype=np.float32), shape)
    nothing = np.zeros(shape, np.float32)
    views = [
        CoarseView(
            window=Window(column=0, row=0, width=80, height=60),
            score=score,
            x_share=nothing,
            y_share=nothing,
            sample_m=nothing,
        )
        for score in (slope * 0.5, -slope * 0.5)
    ]
    source = choose_sources(views, photos, shape)
    border = (source == 0).sum(axis=1)
    assert set(np.unique(source)) == {0, 1}
    assert np.abs(border[6:-6] - 47).max() <= 2
    plain = choose_sources(views, [None, None], shape)
    assert np.abs((plain == 0).sum(axis=1) - 40).max() <= 1


def test_the_shelf_keeps_within_its_bytes() -> None:
    loaded: list[int] = []

    def load(number: int) -> np.ndarray:
        loaded.append(number)
        return np.zeros((100, 100, 3), np.uint8)

    shelf = PictureShelf(load, most_bytes=70_000)
    for number in (0, 1, 0, 2, 1, 0):
        shelf.get(number)
    assert loaded == [0, 1, 2, 1, 0]


def test_given_levels_are_used() -> None:
    half = [PhotoLevel(factor=(0.5, 0.5, 0.5))] * 2
    rgb, _, _ = whole(PHOTOS, gains=half)
    inner = np.s_[20:-20, 20:-20]
    assert np.abs(rgb[inner] - WALL[inner] * 0.5).mean() < 1.0
