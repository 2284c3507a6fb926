"""Uneven light is taken out, stones are not."""

from __future__ import annotations

import numpy as np

from facademap.photo.flatten import WallLight, fit_wall_light

CELL_M, ROWS, COLUMNS = 0.02, 250, 500


def wall(light: np.ndarray, seed: int = 0) -> tuple[np.ndarray, np.ndarray]:
    """Stones of 0.3 x 0.6 m under a light: the picture and the number of the stone of every cell."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[0:ROWS, 0:COLUMNS]
    stone = (y // 15) * 1000 + (x + 15 * (y // 15 % 2)) // 30
    colour = dict(zip(np.unique(stone), rng.normal(0.0, 0.10, 10_000), strict=False))
    value = 120 * np.exp(np.vectorize(colour.get)(stone)) * light
    rgb = value[..., None] * np.array([1.05, 1.0, 0.9])
    return np.clip(rgb + rng.normal(0, 1, rgb.shape), 0, 255).astype(np.uint8), stone


def shares() -> tuple[np.ndarray, np.ndarray]:
    return ((2.0 * np.arange(COLUMNS) + 1) / COLUMNS - 1)[None, :], (
        (2.0 * np.arange(ROWS) + 1) / ROWS - 1
    )[:, None]


def test_smooth_light_goes_and_stones_stay() -> None:
    x, y = shares()
    light = np.exp(0.3 * x - 0.15 * y - 0.1 * (x * x - 1 / 3))
    rgb, stone = wall(light)
    rgb[100:160, 200:240] = 8  # an opening
    field = fit_wall_light(rgb, np.ones((ROWS, COLUMNS), bool), cell_m=CELL_M)
    factor = field.factor(x, y)
    left = np.log(light * factor)
    assert np.std(left) < 0.2 * np.std(np.log(light))
    # beyond the true light, stones side by side keep their ratio within two per cent
    assert np.abs(left[:, 30:] - left[:, :-30]).max() < 0.02
    assert len(np.unique(stone)) > 100


def test_even_light_is_left_alone() -> None:
    x, y = shares()
    rgb, _ = wall(np.ones((ROWS, COLUMNS)))
    factor = fit_wall_light(rgb, np.ones((ROWS, COLUMNS), bool), cell_m=CELL_M).factor(x, y)
    assert np.std(np.log(factor)) < 0.03


def test_a_wall_of_a_few_stones_is_not_flattened() -> None:
    rgb, _ = wall(np.ones((ROWS, COLUMNS)))
    few = fit_wall_light(rgb[:60, :60], np.ones((60, 60), bool), cell_m=CELL_M)
    assert few == WallLight()
    assert np.all(few.factor(*shares()) == 1.0)
