"""A patch that stands out on a stone, and the stone it lies on."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from facademap.condition.assist import outline_at
from facademap.condition.assist_lines import follow_line
from facademap.condition.assist_patch import patch_at


def _stone(seed: int, *, grain: float = 4.0) -> np.ndarray:
    """One pale stone between dark joints, with grain."""
    rng = np.random.default_rng(seed)
    rgb = np.full((360, 480, 3), (95, 90, 82), np.float32)
    rgb[60:300, 70:410] = (182, 170, 148)
    return (
        rgb
        + grain
        * cv2.GaussianBlur(rng.normal(0, 2, rgb.shape[:2]).astype(np.float32), (0, 0), 0.9)[
            ..., None
        ]
    )


def _stain(seed: int, *, middle: tuple[int, int] = (180, 190), reach: float = 34.0) -> np.ndarray:
    """A ragged blot."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[0:360, 0:480]
    ragged = cv2.GaussianBlur(rng.normal(0, 1, (360, 480)).astype(np.float32), (0, 0), 9)
    return np.hypot(x - middle[0], y - middle[1]) / reach + 0.12 * ragged / ragged.std() < 1


def _overlap(ring: np.ndarray, truth: np.ndarray) -> float:
    mask = np.zeros(truth.shape, np.uint8)
    cv2.fillPoly(mask, [np.round(ring).astype(np.int32)], 1)
    return float(((mask > 0) & truth).sum() / ((mask > 0) | truth).sum())


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("tone", [(0.6, 0.6, 0.58), (0.75, 0.95, 0.6)])
def test_a_click_on_a_stain_gives_the_stain_and_beside_it_the_stone(
    seed: int, tone: tuple[float, float, float]
) -> None:
    rgb, stain = _stone(seed), _stain(seed)
    rgb[stain] *= tone
    picture = np.clip(rgb, 0, 255).astype(np.uint8)
    stone = np.zeros(stain.shape, bool)
    stone[60:300, 70:410] = True
    assert _overlap(outline_at(picture, 180.0, 190.0), stain) > 0.8
    assert _overlap(outline_at(picture, 330.0, 170.0), stone) > 0.8


def test_what_shows_in_texture_alone_is_a_patch_too() -> None:
    rng = np.random.default_rng(5)
    rough = _stain(5, middle=(240, 180), reach=50.0)
    rgb = np.full((360, 480, 3), 160.0)
    rgb += np.where(rough, 26.0, 3.0)[..., None] * rng.normal(0, 1, rough.shape)[..., None]
    patch = patch_at(np.clip(rgb, 0, 255).astype(np.uint8), 240.0, 180.0)
    assert patch is not None
    assert _overlap(patch.ring_px, rough) > 0.7


def test_plain_stone_has_no_distinct_patch() -> None:
    rng = np.random.default_rng(6)
    rgb = np.clip(150 + rng.normal(0, 4, (360, 480, 3)), 0, 255).astype(np.uint8)
    patch = patch_at(rgb, 240.0, 180.0)
    assert patch is None or patch.distinct < 0.5


def test_a_crack_beside_an_arris_is_followed_and_not_the_arris() -> None:
    """A step between two tones is much stronger than the line that runs along it, 9 px away, and bends off."""
    rng = np.random.default_rng(8)
    rgb = np.full((220, 420, 3), 175.0)
    rgb[120:] = 120.0
    x = np.arange(20, 400)
    line = np.column_stack([x, 111 - 24 * np.sin((x - 20) / 380 * np.pi)])
    drawn = np.zeros(rgb.shape[:2], np.uint8)
    cv2.polylines(drawn, [np.round(line * 16).astype(np.int32)], False, 255, 2, cv2.LINE_AA, 4)
    picture = np.clip(
        rgb * (1 - 0.28 * (drawn / 255.0)[..., None]) + rng.normal(0, 3, rgb.shape), 0, 255
    ).astype(np.uint8)
    found = follow_line(picture, [tuple(line[0]), tuple(line[-1])])
    away = np.abs(np.interp(x, found[:, 0], found[:, 1]) - line[:, 1])
    assert np.mean(away <= 2.0) > 0.9
