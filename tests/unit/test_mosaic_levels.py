"""Levelling of exposure: factors come back, the mean is kept, stones keep their differences."""

from __future__ import annotations

import numpy as np
import pytest

from facademap.photo.exposure import OverlapSample, PhotoLevel, level_photos, sharpness_of


def overlaps(
    log_factor: np.ndarray,
    shade: np.ndarray,
    pairs: list[tuple[int, int]],
    *,
    gloss: float = 0.0,
    seed: int = 0,
) -> list[OverlapSample]:
    """Photos whose stored values are the wall times exp(factor + shade x)."""
    rng = np.random.default_rng(seed)
    found = []
    for a, b in pairs:
        xy = [rng.uniform(-1, 1, (400, 2)) for _ in range(2)]
        value = [log_factor[i] + shade[i] * at[:, :1] for i, at in zip((a, b), xy, strict=True)]
        ratio = value[0] - value[1] + rng.normal(0, 0.02, (400, 3))
        ratio[: int(400 * gloss)] += 0.7
        found.append(
            OverlapSample(first=a, second=b, log_ratio=ratio, first_xy=xy[0], second_xy=xy[1])
        )
    return found


PAIRS = [(0, 1), (1, 2), (2, 3), (0, 3), (1, 3)]


@pytest.mark.parametrize("gloss", [0.0, 0.2])
def test_known_exposures_are_levelled(gloss: float) -> None:
    rng = np.random.default_rng(1)
    log_factor = rng.normal(0, 0.2, (4, 1)) + rng.normal(0, 0.05, (4, 3))
    levels = level_photos(4, overlaps(log_factor, np.zeros(4), PAIRS, gloss=gloss))
    found = np.log([level.factor for level in levels])
    wanted = -(log_factor - log_factor.mean(axis=0))
    np.testing.assert_allclose(found, wanted, atol=0.02)


def test_the_mean_is_kept_in_every_connected_group() -> None:
    rng = np.random.default_rng(2)
    log_factor = rng.normal(0.1, 0.2, (7, 3))
    levels = level_photos(7, overlaps(log_factor, np.zeros(7), [*PAIRS, (4, 5)]))
    found = np.log([level.factor for level in levels])
    np.testing.assert_allclose(found[:4].mean(axis=0), 0.0, atol=1e-9)
    np.testing.assert_allclose(found[4:6].mean(axis=0), 0.0, atol=1e-9)
    assert levels[6] == PhotoLevel()


def test_shading_is_found_and_gentle() -> None:
    shade = np.array([0.08, -0.05, 0.0, 0.06])
    levels = level_photos(4, overlaps(np.zeros((4, 3)), shade, PAIRS))
    found = np.array([level.shading[0] for level in levels])
    np.testing.assert_allclose(found, -shade, atol=0.02)
    # neighbouring stones, a tenth of the photo apart, keep their ratio to a few parts in a thousand
    here, beside = (
        levels[0].at(np.array(0.0), np.array(0.0)),
        levels[0].at(np.array(0.1), np.array(0.0)),
    )
    np.testing.assert_allclose(here / beside, 1.0, atol=0.012)


def test_nothing_shared_changes_nothing() -> None:
    assert all(level.is_plain for level in level_photos(3, []))


def test_sharpness_falls_with_blur_and_not_with_exposure() -> None:
    import cv2

    rng = np.random.default_rng(3)
    sharp = (
        cv2.GaussianBlur(rng.normal(128, 60, (600, 800)).astype(np.float32), (0, 0), 0.8)
        .clip(0, 255)
        .astype(np.uint8)
    )
    soft = cv2.GaussianBlur(sharp, (0, 0), 2.5)
    dark = (sharp * 0.6).astype(np.uint8)
    assert sharpness_of(soft) < 0.5 * sharpness_of(sharp)
    assert sharpness_of(dark) == pytest.approx(sharpness_of(sharp), rel=0.15)
