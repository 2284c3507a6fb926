"""Numbers that people read, and conversions with their sources."""

from __future__ import annotations

import doctest

import pytest

from facademap import units
from facademap.condition import indices


def test_examples_in_docstrings() -> None:
    for module in (units, indices):
        assert doctest.testmod(module).failed == 0


def test_conversions_against_printed_values() -> None:
    """Densities as printed in ASTM C568 (1 760, 2 160, 2 560 kg/m3, rounded there); loads of OSHA scaffold
    classes; temperatures of NPS Preservation Brief 2 as corrected (40 F = 4.4 C, 95 F = 35 C)."""
    assert [units.kg_per_m3_from_lb_per_ft3(d) for d in (110, 135, 160)] == pytest.approx(
        [1762, 2162, 2563], abs=0.6
    )
    assert [units.kn_per_m2_from_psf(p) for p in (25, 50, 75)] == pytest.approx(
        [1.197, 2.394, 3.591], abs=5e-4
    )
    assert units.deg_c_from_deg_f(40) == pytest.approx(4.44, abs=5e-3)
    assert units.deg_c_from_deg_f(95) == pytest.approx(35.0)
    assert units.mpa_from_psi(1) == pytest.approx(0.0068948, abs=5e-8)
    assert pytest.approx(0.7008, abs=5e-5) == units.CUBIC_M_PER_PERCH


@pytest.mark.parametrize(
    ("inches", "text"),
    [(11.97, "12 in"), (0.04, "1/16 in"), (-3.25, "-3 1/4 in"), (7.5, "7 1/2 in"), (0.99, "1 in")],
)
def test_inches_round_to_sixteenths_and_carry(inches: float, text: str) -> None:
    assert units.format_inches(inches * units.M_PER_INCH) == text


@pytest.mark.parametrize(
    ("length_m", "mm", "inches"),
    [
        (0.4103, 411, "16 3/16 in"),
        (0.41, 410, "16 3/16 in"),
        (0.4064, 407, "16 in"),
        (0.4066, 407, "16 1/16 in"),
    ],
)
def test_a_size_to_look_for_is_never_less_than_what_is_needed(
    length_m: float, mm: int, inches: str
) -> None:
    assert units.least_mm(length_m) == mm
    assert units.least_inches(length_m) == inches
