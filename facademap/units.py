"""Conversions between the units inside (SI) and the units that people read and type.

Metres, square metres, cubic metres and kilograms are used everywhere inside; this module is the
only place that knows other units.

References
----------
The inch is 25.4 mm exactly, the avoirdupois pound 0.45359237 kg exactly (international yard and
pound agreement, 1959). Every other factor follows from these two and standard gravity
9.80665 m/s2 (3rd CGPM, 1901).
"""

from __future__ import annotations

import math

__all__ = [
    "CUBIC_M_PER_CUBIC_FT",
    "CUBIC_M_PER_PERCH",
    "GRAVITY_M_PER_S2",
    "KG_PER_LB",
    "M_PER_FT",
    "M_PER_INCH",
    "deg_c_from_deg_f",
    "format_feet_inches",
    "format_inches",
    "format_mm",
    "kg_per_m3_from_lb_per_ft3",
    "kn_per_m2_from_psf",
    "m_from_inches",
    "m_from_mm",
    "mm_from_m",
    "mpa_from_psi",
]

M_PER_INCH = 0.0254
M_PER_FT = 12 * M_PER_INCH
KG_PER_LB = 0.45359237
GRAVITY_M_PER_S2 = 9.80665
CUBIC_M_PER_CUBIC_FT = M_PER_FT**3
#: A mason's perch: 16.5 ft x 1.5 ft x 1 ft.
CUBIC_M_PER_PERCH = 24.75 * CUBIC_M_PER_CUBIC_FT


def mm_from_m(length_m: float) -> float:
    """Millimetres from metres."""
    return length_m * 1000.0


def m_from_mm(length_mm: float) -> float:
    """Metres from millimetres."""
    return length_mm / 1000.0


def m_from_inches(length_in: float) -> float:
    """Metres from inches."""
    return length_in * M_PER_INCH


def kg_per_m3_from_lb_per_ft3(density_lb_per_ft3: float) -> float:
    """Density in kg/m3 from lb/ft3."""
    return density_lb_per_ft3 * KG_PER_LB / CUBIC_M_PER_CUBIC_FT


def kn_per_m2_from_psf(load_psf: float) -> float:
    """Area load in kN/m2 from pounds-force per square foot."""
    return load_psf * KG_PER_LB * GRAVITY_M_PER_S2 / M_PER_FT**2 / 1000.0


def mpa_from_psi(stress_psi: float) -> float:
    """Stress in MPa from pounds-force per square inch."""
    return stress_psi * KG_PER_LB * GRAVITY_M_PER_S2 / M_PER_INCH**2 / 1e6


def deg_c_from_deg_f(temperature_f: float) -> float:
    """Degrees Celsius from degrees Fahrenheit."""
    return (temperature_f - 32.0) / 1.8


def format_mm(length_m: float, *, decimals: int = 0) -> str:
    """Millimetres as printed on sheets and tickets, with the unit.

    Examples
    --------
    >>> format_mm(0.3125)
    '312 mm'
    >>> format_mm(0.0025, decimals=1)
    '2.5 mm'
    """
    return f"{length_m * 1000.0:.{decimals}f} mm"


def format_inches(length_m: float, *, denominator: int = 16) -> str:
    """Inches to the nearest vulgar fraction, as a mason reads a rule.

    Parameters
    ----------
    length_m : float
        Length in metres, any sign.
    denominator : int
        Smallest division of the rule: 16 reads to 1/16 in.

    Examples
    --------
    >>> format_inches(0.0254 * 12.3125)
    '12 5/16 in'
    >>> format_inches(0.0254 * 0.5)
    '1/2 in'
    >>> format_inches(0.0)
    '0 in'
    """
    parts = round(abs(length_m) / M_PER_INCH * denominator)
    sign = "-" if length_m < 0 and parts else ""
    whole, rest = divmod(parts, denominator)
    if rest == 0:
        return f"{sign}{whole} in"
    divisor = math.gcd(rest, denominator)
    fraction = f"{rest // divisor}/{denominator // divisor}"
    return f"{sign}{whole} {fraction} in" if whole else f"{sign}{fraction} in"


def format_feet_inches(length_m: float, *, denominator: int = 16) -> str:
    """Feet and inches to the nearest fraction of an inch.

    Examples
    --------
    >>> print(format_feet_inches(0.3048 * 5 + 0.0254 * 3.5))
    5' 3 1/2"
    """
    parts = round(abs(length_m) / M_PER_INCH * denominator)
    sign = "-" if length_m < 0 and parts else ""
    feet, rest = divmod(parts, 12 * denominator)
    inches = format_inches(rest / denominator * M_PER_INCH, denominator=denominator)
    return f"{sign}{feet}' {inches.removesuffix(' in')}\""
