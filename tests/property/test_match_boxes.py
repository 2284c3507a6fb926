"""Smallest rectangles of sets of boxes: against every way of cutting, written down without any cleverness."""

from __future__ import annotations

import functools
import itertools

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from facademap.match.kernels.box import MOST_SIZES, box_sets, flattest, keep_size, narrowest
from facademap.match.kernels.values import Blanks, Box, Sets

SIDES = st.integers(1, 9)


def _choices(sizes: list[tuple[int, int]]) -> tuple[np.ndarray, Blanks]:
    rows = np.zeros((len(sizes), 11))
    for n, (w, h) in enumerate(sizes):
        rows[n, 2:4] = w, h
    return np.arange(len(sizes)), Blanks(np.arange(len(sizes) + 1), rows)


def _every_way(
    sizes: list[tuple[int, int]], kerf: int
) -> dict[frozenset[int], set[tuple[int, int]]]:
    @functools.cache
    def ways(group: frozenset[int]) -> frozenset[tuple[int, int]]:
        if len(group) == 1:
            return frozenset({sizes[min(group)]})
        found = set()
        for count in range(1, len(group)):
            for part in itertools.combinations(sorted(group), count):
                for a, b in itertools.product(ways(frozenset(part)), ways(group - set(part))):
                    found |= {
                        (a[0] + b[0] + kerf, max(a[1], b[1])),
                        (max(a[0], b[0]), a[1] + b[1] + kerf),
                    }
        return frozenset(found)

    everything = range(len(sizes))
    return {
        frozenset(g): set(ways(frozenset(g)))
        for n in everything
        for g in itertools.combinations(everything, n + 1)
    }


@given(
    sizes=st.lists(st.tuples(SIDES, SIDES), min_size=1, max_size=5),
    kerf=st.integers(0, 2),
    wide=st.integers(4, 20),
    high=st.integers(4, 20),
)
def test_sizes_of_every_set_are_the_smallest_of_all_ways(
    sizes: list[tuple[int, int]], kerf: int, wide: int, high: int
) -> None:
    group, blanks = _choices(sizes)
    spent = np.zeros(3, dtype=np.int64)
    box = Box(0.0, 0.0, float(wide), float(high))
    sets = box_sets(group, blanks, box, float(kerf), 1 << 40, spent)
    w, h, count = sets.wide, sets.high, sets.kept
    for members, ways in _every_way(sizes, kerf).items():
        mask = sum(1 << k for k in members)
        fit = {x for x in ways if x[0] <= wide and x[1] <= high}
        least = {x for x in fit if not any(y != x and y[0] <= x[0] and y[1] <= x[1] for y in fit)}
        assert {(round(w[mask, k]), round(h[mask, k])) for k in range(count[mask])} == least
        for most in range(high + 1):
            assert narrowest(sets, mask, float(most)) == min(
                (x[0] for x in fit if x[1] <= most), default=np.inf
            )
        for most in range(wide + 1):
            assert flattest(sets, mask, float(most)) == min(
                (x[1] for x in fit if x[0] <= most), default=np.inf
            )


def test_a_set_with_more_sizes_than_are_kept_excludes_nothing() -> None:
    rng = np.random.default_rng(5)
    wide, high = np.empty((1, MOST_SIZES)), np.empty((1, MOST_SIZES))
    count = np.zeros(1, dtype=np.int64)
    sets = Sets(np.zeros(1, dtype=np.int64), wide, high, count)
    sizes = [(float(x), float(y)) for x, y in rng.uniform(1.0, 100.0, (400, 2))]
    sizes += [(float(k), 100.0 / k) for k in range(1, 60)]
    for w, h in sizes:
        keep_size(sets, 0, w, h)
    assert 2 < count[0] <= MOST_SIZES
    kept = list(zip(wide[0, : count[0]], high[0, : count[0]], strict=True))
    assert kept == sorted(kept)
    assert all(any(a <= w and b <= h for a, b in kept) for w, h in sizes)


def test_mason_example_two_long_and_two_short_blanks() -> None:
    """Four blanks of 100 by 50 and 60 by 50 from a plate 165 by 105: just two rows with a 5 mm saw."""
    sizes = [(100, 50), (100, 50), (60, 50), (60, 50)]
    group, blanks = _choices(sizes)
    spent = np.zeros(3, dtype=np.int64)
    for plate, fits in (((165.0, 105.0), True), ((164.9, 105.0), False), ((165.0, 104.9), False)):
        sets = box_sets(group, blanks, Box(0.0, 0.0, *plate), 5.0, 1 << 40, spent)
        assert (sets.kept[15] > 0) == fits, plate
