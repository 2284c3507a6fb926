"""The colour correction finds the right model, names bad patches, and never fits what it was told to check."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from facademap.errors import InputError
from facademap.photo.chart import PatchReading, read_patch
from facademap.photo.colour import fit_correction, uncalibrated
from facademap.photo.lab import (
    difference_ciede2000,
    lab_from_srgb,
    linear_rgb_from_lab,
    linear_rgb_from_srgb,
    srgb_from_linear_rgb,
)

CHART = pd.read_csv(
    Path(__file__).parents[1] / "reference" / "colorchecker_24_lab_d50.csv", comment="#"
)
LAB = CHART[["L_before", "a_before", "b_before"]].to_numpy()
MATRIX = np.array([[0.82, 0.12, 0.03], [0.08, 0.80, 0.05], [0.02, 0.16, 0.66]])


def photographed(
    *,
    matrix: np.ndarray = MATRIX,
    exposure: float = 0.85,
    gamma: float | None = None,
    bent: float = 0.0,
    fall_off: float = 0.0,
    seed: int = 0,
    check: int = 6,
) -> list[PatchReading]:
    """A camera that is a matrix and a tone curve photographs the 24 patches."""
    rng = np.random.default_rng(seed)
    x, y = (a.ravel() * 100.0 + 100 for a in np.meshgrid(np.arange(6), np.arange(4)))
    light = np.clip(linear_rgb_from_lab(LAB) @ matrix.T, 0.0005, None) * exposure
    light = light * np.exp(fall_off * (x - 350) / 250)[:, None]
    if gamma is None:
        stored = srgb_from_linear_rgb(light)
        stored = stored + bent * np.sin(2 * np.pi * (stored - 0.5))
    else:
        stored = light**gamma
    stored = stored + rng.normal(0.0, 4e-4, stored.shape)
    held = set(rng.permutation(24)[:check].tolist())
    return [
        PatchReading(
            name=CHART["patch"][i],
            x_px=x[i],
            y_px=y[i],
            role="check" if i in held else "fit",
            rgb=tuple(stored[i]),
            lab=tuple(LAB[i]),
        )
        for i in range(24)
    ]


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize(
    ("camera", "bar_de00"),
    [
        ({}, 0.5),
        ({"gamma": 1.0}, 0.6),
        ({"gamma": 1 / 2.2}, 0.6),
        ({"gamma": 1 / 1.8}, 0.6),
        ({"bent": 0.06}, 0.9),
    ],
)
def test_held_back_patches_are_met_for_several_tone_curves(
    camera: dict, bar_de00: float, seed: int
) -> None:
    _, report = fit_correction(photographed(seed=seed, **camera), linear=camera.get("gamma") == 1.0)
    assert report.check_n == 6
    assert report.check_mean_de00 is not None
    assert report.check_mean_de00 < bar_de00, report.model


def test_check_patches_never_take_part() -> None:
    readings = photographed()
    spoiled = [replace(r, lab=(50.0, 60.0, -60.0)) if r.role == "check" else r for r in readings]
    values = np.array([r.rgb for r in readings])
    one, other = fit_correction(readings)[0], fit_correction(spoiled)[0]
    np.testing.assert_array_equal(one.lab(values), other.lab(values))


def test_uneven_light_is_found_only_when_it_is_there() -> None:
    even, uneven = fit_correction(photographed())[1], fit_correction(photographed(fall_off=0.25))[1]
    assert "light falling off" not in even.model
    assert "light" in uneven.model.replace("stray light", "")
    assert uneven.check_mean_de00 is not None
    assert uneven.check_mean_de00 < 0.6


def test_exact_srgb_needs_no_rich_model() -> None:
    readings = photographed(matrix=np.eye(3))
    _, report = fit_correction(readings)
    assert report.model == "exposure and white balance"


@pytest.mark.parametrize("factor", [0.3, 0.6])
def test_a_patch_in_shadow_is_named_and_left_out(factor: float) -> None:
    readings = photographed(check=4)
    victim = next(i for i, r in enumerate(readings) if r.role == "fit")
    dark = srgb_from_linear_rgb(linear_rgb_from_srgb(np.array(readings[victim].rgb)) * factor)
    readings[victim] = replace(readings[victim], rgb=tuple(dark))
    _, report = fit_correction(readings)
    assert report.left_out == (readings[victim].name,)
    assert any(readings[victim].name in w for w in report.warnings)
    assert report.check_mean_de00 is not None
    assert report.check_mean_de00 < 0.5


def test_a_chart_half_in_shadow_is_refused() -> None:
    readings = [
        replace(r, rgb=tuple(srgb_from_linear_rgb(linear_rgb_from_srgb(np.array(r.rgb)) * 0.4)))
        if r.x_px < 320
        else r
        for r in photographed()
    ]
    with pytest.raises(InputError, match="shadow"):
        fit_correction(readings)


def test_grey_card_alone_sets_exposure_and_balance() -> None:
    stored = srgb_from_linear_rgb(linear_rgb_from_lab(LAB[21]) * [0.9, 0.8, 0.6])
    card = PatchReading(
        name="grey", x_px=5, y_px=5, role="fit", rgb=tuple(stored), lab=tuple(LAB[21])
    )
    correction, report = fit_correction([card])
    assert correction.state == report.state == "grey card"
    assert difference_ciede2000(correction.lab(np.array(card.rgb)), LAB[21]) < 0.01
    brighter = srgb_from_linear_rgb(linear_rgb_from_lab(LAB[19]) * [0.9, 0.8, 0.6])
    assert difference_ciede2000(correction.lab(brighter), LAB[19]) < 0.05


def test_without_patches_the_colours_are_flagged() -> None:
    readings = [replace(r, role="check") for r in photographed()]
    correction, report = fit_correction(readings)
    assert correction.state == report.state == "uncalibrated"
    assert "uncalibrated" in report.warnings[0]
    rgb = np.array([120, 110, 90], dtype=np.uint8)
    np.testing.assert_allclose(uncalibrated().lab(rgb / 255.0), lab_from_srgb(rgb), atol=1e-6)


def test_a_picture_is_corrected_like_its_patches() -> None:
    correction, _ = fit_correction(photographed())
    rng = np.random.default_rng(1)
    picture = rng.integers(60, 200, (40, 50, 3), dtype=np.uint8)
    corrected = correction.srgb8(picture)
    wanted = correction.lab(picture / 255.0)
    assert np.mean(difference_ciede2000(lab_from_srgb(corrected), wanted)) < 1.0


def test_clipped_patches_are_seen() -> None:
    picture = np.full((40, 40, 3), 120, dtype=np.uint8)
    picture[:, 20:, 0] = 255
    assert not read_patch(picture, name="a", x_px=10, y_px=20, half_px=6).clipped
    assert read_patch(picture, name="b", x_px=30, y_px=20, half_px=6).clipped


def test_dust_does_not_shift_a_reading() -> None:
    picture = np.full((21, 21, 3), 150, dtype=np.uint8)
    picture[8:11, 8:11] = 20
    reading = read_patch(picture, name="a", x_px=10, y_px=10, half_px=10)
    np.testing.assert_allclose(reading.rgb, 150 / 255, atol=1e-6)


def test_a_patch_outside_the_picture_is_refused_by_name() -> None:
    with pytest.raises(InputError, match="foliage"):
        read_patch(np.zeros((50, 50, 3), np.uint8), name="foliage", x_px=48, y_px=20, half_px=5)
