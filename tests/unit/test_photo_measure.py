"""Ranges at 95 % for positions, lengths and areas hold what they promise."""

from __future__ import annotations

import numpy as np
import pytest
from synthetic_wall import HEIGHT_PX, WIDTH_PX, see_wall

from facademap.errors import InputError
from facademap.photo.measure import measure_area, measure_length, measure_position
from facademap.photo.plane import fit_plane_view

RING = np.array([(2.0, 1.0), (5.0, 1.2), (5.2, 3.4), (2.1, 3.3)])
AREA = 0.5 * abs(
    sum(a[0] * b[1] - b[0] * a[1] for a, b in zip(RING, np.roll(RING, -1, axis=0), strict=True))
)
LENGTH = float(np.hypot(*(RING[2] - RING[0])))


def test_ranges_hold_the_truth_about_19_times_in_20() -> None:
    """Control and picks with 0.5 px noise; the true values are known from the rendering."""
    held = {"area": 0, "length": 0, "position": 0}
    trials = 40
    for seed in range(trials):
        rng = np.random.default_rng(1000 + seed)
        wall = see_wall(rng, oblique_deg=30, k1=-0.1, control=12, check=4, noise_px=0.5)
        view = fit_plane_view(
            wall.points, width_px=WIDTH_PX, height_px=HEIGHT_PX, camera=wall.camera
        )
        # the truth for four picks: the check points' own known places
        truth = wall.points.wall_m[~wall.points.is_control]
        order = np.argsort(np.arctan2(*(truth - truth.mean(axis=0)).T[::-1]))
        truth = truth[order]
        picked = (wall.points.pixel_px[~wall.points.is_control] + rng.normal(0, 0.5, (4, 2)))[order]
        found = view.wall_from_pixel(*picked.T)

        def area(ring: np.ndarray) -> float:
            return (
                abs(
                    float(
                        np.sum(
                            ring[:, 0] * np.roll(ring[:, 1], -1)
                            - np.roll(ring[:, 0], -1) * ring[:, 1]
                        )
                    )
                )
                / 2
            )

        a = measure_area(view, found, pick_px=0.5)
        held["area"] += abs(a.value - area(truth)) <= a.plus_minus_95
        b = measure_length(view, found[[0, 2]], pick_px=0.5)
        held["length"] += abs(b.value - np.hypot(*(truth[2] - truth[0]))) <= b.plus_minus_95
        p = measure_position(view, found[1], pick_px=0.5)
        held["position"] += np.hypot(*(found[1] - truth[1])) <= p.plus_minus_95
    for what, count in held.items():
        assert count >= 0.85 * trials, what


def test_values_are_those_of_plane_geometry() -> None:
    wall = see_wall(np.random.default_rng(1), oblique_deg=20, k1=0.0, control=8, check=1)
    view = fit_plane_view(wall.points, width_px=WIDTH_PX, height_px=HEIGHT_PX, camera=wall.camera)
    assert measure_area(view, RING).value == pytest.approx(AREA)
    assert measure_area(view, np.vstack([RING, RING[:1]])).value == pytest.approx(AREA)
    assert measure_length(view, RING[[0, 2]]).value == pytest.approx(LENGTH)
    assert (
        measure_length(view, RING[[0, 2]], pick_px=2.0).sigma
        > measure_length(view, RING[[0, 2]]).sigma
    )
    with pytest.raises(InputError):
        measure_length(view, [(0, 0), (np.nan, 1)])
    with pytest.raises(InputError):
        measure_area(view, RING[:2])
