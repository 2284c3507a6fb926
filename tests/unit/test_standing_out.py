"""The scatter of control split into picking and relief, on residuals whose parts are known."""

from __future__ import annotations

import numpy as np
import pytest

from facademap.photo.error_model import half_range_95
from facademap.photo.standing_out import split_scatter


def _split(
    rng: np.random.Generator, *, points: int, pick: float, relief: float
) -> tuple[float, float]:
    """Parts told from one photo of a wall 3 wide and 2 high, seen square from 3 off; an affine fit takes up six terms."""
    place = rng.uniform([-1.5, -1.0], [1.5, 1.0], (points, 2))
    shift = place / 3.0
    miss = rng.normal(0, pick, (points, 2)) + shift * rng.normal(0, relief, (points, 1))
    one, nought = np.ones(points), np.zeros(points)
    rows = np.empty((points, 2, 6))
    rows[:, 0] = np.stack([*place.T, one, nought, nought, nought], axis=1)
    rows[:, 1] = np.stack([nought, nought, nought, *place.T, one], axis=1)
    design, y = rows.reshape(-1, 6), miss.ravel()
    left = y - design @ np.linalg.lstsq(design, y, rcond=None)[0]
    none = np.empty((2 * points, 0))
    return split_scatter(left, design, none, shift, (np.empty(0), np.empty((0, 6))))


@pytest.mark.parametrize(("pick", "relief"), [(1.0, 0.0), (0.3, 5.0), (0.8, 3.0)])
def test_many_points_tell_both_parts(pick: float, relief: float) -> None:
    rng = np.random.default_rng(8)
    found = np.median([_split(rng, points=50, pick=pick, relief=relief) for _ in range(12)], axis=0)
    assert np.sqrt(found[0]) == pytest.approx(pick, rel=0.25)
    assert np.sqrt(found[1]) == pytest.approx(relief, rel=0.25, abs=0.8)


def test_few_points_leave_more_open_than_many() -> None:
    rng = np.random.default_rng(9)
    few, many = (
        np.mean([sum(_split(rng, points=n, pick=1.0, relief=0.0)) for _ in range(15)])
        for n in (5, 40)
    )
    assert few > 1.5 * many


def test_a_bias_that_is_known_widens_a_range_by_itself_and_no_more() -> None:
    rng = np.random.default_rng(10)
    for bias in (0.0, 0.7, 4.0):
        inside = np.abs(bias + rng.normal(0, 1, 200_000)) <= half_range_95(bias, 1.0)
        assert inside.mean() == pytest.approx(0.95, abs=0.003)
