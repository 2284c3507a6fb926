"""Reference tables of charts, and charts found in photos.

Sources: colour-science (``CCS_COLOURCHECKERS``) against the published CIELAB values in
``colorchecker_24_lab_d50.csv`` (charts made before and from November 2014 on).
"""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pandas as pd
import pytest

from facademap.errors import InputError
from facademap.photo.chart import (
    ChartTable,
    chart_tables,
    find_chart,
    patch_places,
    read_chart,
    reference_chart,
)
from facademap.photo.colour import fit_correction
from facademap.photo.lab import difference_ciede2000, linear_rgb_from_lab, srgb_from_linear_rgb

pytest.importorskip("colour")
PUBLISHED = pd.read_csv(Path(__file__).with_name("colorchecker_24_lab_d50.csv"), comment="#")


@pytest.mark.parametrize("edition", ["before", "after"])
def test_tables_are_the_published_values(edition: str) -> None:
    table = reference_chart(f"ColorChecker24 - {edition.title()} November 2014")
    published = PUBLISHED[[f"{c}_{edition}" for c in ("L", "a", "b")]].to_numpy()
    assert (table.rows, table.columns) == (4, 6)
    # the tables are stored as xyY with four digits, which is worth some hundredths
    assert difference_ciede2000(table.lab, published).max() < 0.05


def test_editions_differ_as_published() -> None:
    # mean 0.85, largest 1.95 (white): computed from the two published tables
    difference = difference_ciede2000(
        PUBLISHED[["L_before", "a_before", "b_before"]].to_numpy(),
        PUBLISHED[["L_after", "a_after", "b_after"]].to_numpy(),
    )
    assert difference.mean() == pytest.approx(0.85, abs=0.005)
    assert difference.max() == pytest.approx(1.95, abs=0.005)
    assert PUBLISHED["patch"][difference.argmax()] == "white 9.5"


def test_tables_for_another_light_are_refused() -> None:
    assert "ColorChecker24 - After November 2014" in chart_tables()
    with pytest.raises(InputError, match="D50"):
        reference_chart("ColorChecker 1976")


def photographed(
    table: ChartTable, turn_deg: float, *, seed: int = 0
) -> tuple[np.ndarray, np.ndarray]:
    """A photo of stones with the chart on them, and the true middles of its corner patches."""
    rng = np.random.default_rng(seed)
    wall = np.full((900, 1200, 3), 110.0)
    for top in range(0, 900, 110):
        for left in range(-(top % 220), 1200, 230):
            wall[top + 3 : top + 107, max(0, left + 3) : max(0, left + 227)] = np.array(
                [168, 158, 140]
            ) + rng.normal(0, 9)
    chart = np.full((4 * 40 + 10, 6 * 40 + 10, 3), 25.0)
    light = np.clip(linear_rgb_from_lab(table.lab) * [0.9, 0.8, 0.6], 0, 1)
    for number, colour in enumerate(srgb_from_linear_rgb(light) * 255):
        y, x = 10 + 40 * (number // 6), 10 + 40 * (number % 6)
        chart[y : y + 30, x : x + 30] = colour
    angle = np.radians(turn_deg)
    spin = 1.1 * np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    place = np.array([620.0, 430.0]) - spin @ np.array([125.0, 85.0])
    matrix = np.vstack([np.column_stack([spin, place]), [1e-5, 2e-5, 1.0]])
    laid = cv2.warpPerspective(chart, matrix, (1200, 900), flags=cv2.INTER_LINEAR)
    covered = cv2.warpPerspective(np.ones(chart.shape[:2]), matrix, (1200, 900)) > 0.99
    photo = np.where(covered[..., None], laid, wall) + rng.normal(0, 2, wall.shape)
    middles = np.array([[(24.5, 24.5), (224.5, 24.5), (224.5, 144.5), (24.5, 144.5)]])
    return np.clip(photo, 0, 255).astype(np.uint8), cv2.perspectiveTransform(middles, matrix)[0]


TABLE = reference_chart("ColorChecker24 - After November 2014")


@pytest.mark.parametrize("turn_deg", [0.0, 12.0, 90.0, 180.0])
def test_a_chart_is_found_by_itself(turn_deg: float) -> None:
    photo, corners = photographed(TABLE, turn_deg)
    found = find_chart(photo, TABLE)
    assert np.hypot(*(found - corners).T).max() < 3.0
    _, report = fit_correction(read_chart(photo, found, TABLE), chart=TABLE.title)
    assert report.chart == TABLE.title
    assert report.left_out_mean_de00 < 1.0


def test_no_chart_is_no_chart() -> None:
    photo, _ = photographed(TABLE, 0.0)
    photo[300:560, 420:820] = photo[0:260, 0:400]
    with pytest.raises(InputError, match="no chart"):
        find_chart(photo, TABLE)


def test_corners_in_the_wrong_order_are_refused() -> None:
    with pytest.raises(InputError, match="quadrilateral"):
        patch_places(np.array([[0, 0], [100, 100], [100, 0], [0, 100.0]]), TABLE)
