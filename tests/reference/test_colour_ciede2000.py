"""CIEDE2000 against Sharma, Wu & Dalal (2005), Table 1, and against scikit-image."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from skimage.color import deltaE_ciede2000

from facademap.photo.lab import difference_ciede2000

PAIRS = pd.read_csv(Path(__file__).with_name("ciede2000_sharma_2005.csv"), comment="#")
FIRST = PAIRS[["L_1", "a_1", "b_1"]].to_numpy()
SECOND = PAIRS[["L_2", "a_2", "b_2"]].to_numpy()


def test_table_is_whole() -> None:
    assert len(PAIRS) == 34


@pytest.mark.parametrize("row", range(34))
def test_every_pair_to_the_printed_digits(row: int) -> None:
    found = difference_ciede2000(FIRST[row], SECOND[row])
    assert found == pytest.approx(PAIRS["de00"][row], abs=1e-4)


def test_swapped_pairs_give_the_same() -> None:
    np.testing.assert_allclose(difference_ciede2000(SECOND, FIRST), PAIRS["de00"], atol=1e-4)


def test_agrees_with_scikit_image_over_the_whole_space() -> None:
    rng = np.random.default_rng(11)
    one, other = (
        np.column_stack([rng.uniform(0, 100, 3000), rng.uniform(-90, 90, (3000, 2))])
        for _ in range(2)
    )
    np.testing.assert_allclose(
        difference_ciede2000(one, other), deltaE_ciede2000(one, other), atol=1e-9
    )


def test_a_colour_does_not_differ_from_itself() -> None:
    assert np.all(difference_ciede2000(FIRST, FIRST) == 0.0)
