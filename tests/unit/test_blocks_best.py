"""Where a face is shown in the wall: a place without flaws."""

from __future__ import annotations

import numpy as np
import pytest

from facademap.salvage.appearance import measure_appearance
from facademap.salvage.likeness import appearance_distance
from facademap.tasks.yard.best import _sound_place, _warnings

FACE = {"outline": [[0, 0], [0.5, 0], [0.5, 0.3], [0, 0.3]], "flaws": []}


def test_the_middle_is_shown_where_it_is_sound() -> None:
    assert _sound_place(FACE, (0.2, 0.1)) == pytest.approx((0.15, 0.1))


def test_a_stain_in_the_middle_is_avoided_and_a_face_without_room_left_out() -> None:
    stained = {
        **FACE,
        "flaws": [{"ring": [[0.22, 0], [0.28, 0], [0.28, 0.3], [0.22, 0.3]], "depth_m": 0.01}],
    }
    x, _ = _sound_place(stained, (0.2, 0.1))
    assert x + 0.2 <= 0.22 + 1e-5 or x >= 0.28 - 1e-5
    assert _sound_place(stained, (0.3, 0.1)) is None


def test_what_makes_a_comparison_unsafe_stands_under_its_picture() -> None:
    rng = np.random.default_rng(2)
    rgb = rng.integers(90, 170, (90, 90, 3), dtype=np.uint8)
    wall = measure_appearance(
        rgb,
        calibrated=True,
        finish="rubbed",
        wetness="dry",
        weathered=True,
        gsd_m=0.003,
        source_gsd_m=0.01,
    )
    face = measure_appearance(rgb, finish="droved", wetness="wet", weathered=False)
    alike = appearance_distance(wall, face)
    words = _warnings({"flags": alike.flags, "rank_only": alike.rank_only})
    assert words == [
        "wet beside dry",
        "another finish",
        "weathered beside fresh",
        "picture too coarse for grain",
        "rank only: not calibrated",
    ]
    assert _warnings({"flags": (), "rank_only": False}) == []
