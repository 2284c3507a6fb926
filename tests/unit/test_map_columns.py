"""The map's columns say again what was put into them; the bytes of corners are read by a reader of their own."""

from __future__ import annotations

import base64
import json
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from facademap.report.map_columns import as_columns, corner_bytes

PLACE = st.integers(-90_000_000, 90_000_000)
RING = st.lists(st.tuples(PLACE, PLACE), min_size=1, max_size=5).map(
    lambda places: [v for place in places for v in place]
)


def numbers(coded: bytes) -> list[int]:
    found, value, shift = [], 0, 0
    for byte in coded:
        value |= (byte & 127) << shift
        shift += 7
        if byte < 128:
            found.append(value // 2 if value % 2 == 0 else -(value // 2) - 1)
            value, shift = 0, 0
    return found


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(PLACE, PLACE, st.lists(RING, max_size=3)), max_size=4))
def test_corners_come_back_to_the_millimetre(things: list[Any]) -> None:
    rest = iter(numbers(corner_bytes([{"c": [u, v], "g": rings} for u, v, rings in things])))
    for u, v, rings in things:
        assert (next(rest), next(rest), next(rest)) == (u, v, len(rings))
        for ring in rings:
            x, y, seen = u, v, []
            for _ in range(next(rest)):
                x, y = x + next(rest), y + next(rest)
                seen += [x, y]
            assert seen == ring
    assert next(rest, None) is None


def test_what_many_share_is_written_once_and_what_is_missing_stays_missing() -> None:
    rows = [
        {
            "k": "condition",
            "i": f"C-{n}",
            "s": "front",
            "t": "P",
            "g": [],
            "c": [n, n],
            "p": {"cc": n % 2, "area_m2": n / 7} | ({"note": "damp"} if n == 3 else {}),
        }
        for n in range(8)
    ] + [{"k": "control", "i": "P1", "s": "front", "t": "X", "g": [], "c": [0, 0], "p": {}}]
    conditions, control = json.loads(json.dumps(as_columns(rows)))
    assert (conditions["kind"], conditions["count"], control["count"]) == ("condition", 8, 1)
    assert conditions["columns"]["s"] == {"all": "front"}
    assert conditions["told"]["cc"] == {"of": [0, 1], "at": [1, 2] * 4}
    assert conditions["told"]["note"] == {"of": ["damp"], "at": [0, 0, 0, 1, 0, 0, 0, 0]}
    assert conditions["told"]["area_m2"] == [round(n / 7, 6) for n in range(8)]
    assert control["told"] == {}
    assert numbers(base64.b64decode(control["corners"])) == [0, 0, 0]
