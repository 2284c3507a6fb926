"""Where a face is shown in the wall: a place without flaws."""

from __future__ import annotations

import pytest

from facademap.tasks.yard_best import _sound_place

FACE = {"outline": [[0, 0], [0.5, 0], [0.5, 0.3], [0, 0.3]], "flaws": []}


def test_the_middle_is_shown_where_it_is_sound() -> None:
    assert _sound_place(FACE, (0.2, 0.1)) == pytest.approx((0.15, 0.1))


def test_a_stain_in_the_middle_is_avoided_and_a_face_without_room_left_out() -> None:
    stained = {**FACE, "flaws": [{"ring": [[0.22, 0], [0.28, 0], [0.28, 0.3], [0.22, 0.3]], "depth_m": 0.01}]}
    x, _ = _sound_place(stained, (0.2, 0.1))
    assert x + 0.2 <= 0.22 + 1e-5 or x >= 0.28 - 1e-5
    assert _sound_place(stained, (0.3, 0.1)) is None
