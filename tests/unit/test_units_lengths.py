"""Lengths as people type them, against the definitions of the units: inch 25.4 mm, foot 12 in (1959), SI prefixes."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from facademap.errors import InputError
from facademap.units import format_feet_inches, format_inches, parse_length

TYPED = [
    ("60 cm", 0.6),
    ("60cm", 0.6),
    ("0.6 m", 0.6),
    ("0,6 m", 0.6),
    ("600 mm", 0.6),
    (".5 in", 0.0127),
    ("2 3/8 in", 2.375 * 0.0254),
    ('2 3/8"', 2.375 * 0.0254),
    ("2\u215c in", 2.375 * 0.0254),
    ("3/8 in", 0.375 * 0.0254),
    ("2' 3 1/2\"", 27.5 * 0.0254),
    ("2\u2032 3\u2033", 27 * 0.0254),
    ("2 ft 3 in", 27 * 0.0254),
    ("12 inches", 0.3048),
    ("1 m 20 cm", 1.2),
    ("1 m 2 cm 3 mm", 1.023),
    ("-4 mm", -0.004),
    ("0 mm", 0.0),
    ("60 cm.", 0.6),
]
REFUSED = [
    "", "abc", "60", "60 cmm", "60 furlong", "cm", "1,200 mm", "2 8/3 in", "3/0 in", "20 cm 1 m", "1 m 20", "5 m 5 m",
    "nan m", "inf m", "60 cm; drop", "3000 m", "--4 mm", "1.2.3 m", "9" * 400 + " mm",
]  # fmt: skip


@pytest.mark.parametrize(("text", "metres"), TYPED)
def test_lengths_are_read_as_people_type_them(text: str, metres: float) -> None:
    assert parse_length(text) == pytest.approx(metres, abs=1e-12)


@pytest.mark.parametrize("text", REFUSED)
def test_what_is_no_length_is_refused_with_a_remedy(text: str) -> None:
    with pytest.raises(InputError) as error:
        parse_length(text)
    assert error.value.remedy


def test_a_number_alone_takes_the_unit_that_is_offered() -> None:
    assert parse_length("60", default_unit="mm") == 0.06
    assert parse_length("2 3/8", default_unit="in") == pytest.approx(0.060325)
    assert parse_length("60 cm", default_unit="mm") == 0.6


@given(st.integers(min_value=0, max_value=16 * 12 * 500))
def test_what_the_sheets_print_is_read_back(sixteenths: int) -> None:
    length_m = sixteenths * 0.0254 / 16
    assert parse_length(format_inches(length_m)) == pytest.approx(length_m, abs=1e-9)
    assert parse_length(format_feet_inches(length_m)) == pytest.approx(length_m, abs=1e-9)


@given(st.text(max_size=80))
def test_any_text_is_a_length_or_refused(text: str) -> None:
    try:
        value = parse_length(text, default_unit="mm")
    except InputError:
        return
    assert abs(value) <= 2000
