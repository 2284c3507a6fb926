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
import re
from collections.abc import Mapping
from typing import Literal

from facademap.errors import InputError

__all__ = [
    "CUBIC_M_PER_CUBIC_FT",
    "CUBIC_M_PER_PERCH",
    "CUBIC_M_PER_US_GALLON",
    "GRAVITY_M_PER_S2",
    "KG_PER_LB",
    "LENGTH_UNITS_M",
    "M_PER_FT",
    "M_PER_INCH",
    "WEIGHT_UNITS_KG",
    "deg_c_from_deg_f",
    "deg_f_from_deg_c",
    "fitting_inches",
    "fitting_mm",
    "format_area",
    "format_feet_inches",
    "format_fluid_ounces",
    "format_gallons",
    "format_inches",
    "format_length",
    "format_mm",
    "kg_per_m3_from_lb_per_ft3",
    "kn_per_m2_from_psf",
    "least_inches",
    "least_mm",
    "length_m_from_text",
    "m_from_inches",
    "m_from_mm",
    "mpa_from_psi",
    "parse_length",
    "unit_named",
]

M_PER_INCH = 0.0254
M_PER_FT = 12 * M_PER_INCH
KG_PER_LB = 0.45359237
GRAVITY_M_PER_S2 = 9.80665
CUBIC_M_PER_CUBIC_FT = M_PER_FT**3
#: The US gallon is 231 cubic inches (NIST Handbook 44).
CUBIC_M_PER_US_GALLON = 231 * M_PER_INCH**3
#: A mason's perch: 16.5 ft x 1.5 ft x 1 ft.
CUBIC_M_PER_PERCH = 24.75 * CUBIC_M_PER_CUBIC_FT


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


def deg_f_from_deg_c(temperature_c: float) -> float:
    """Degrees Fahrenheit from degrees Celsius."""
    return temperature_c * 1.8 + 32.0


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


def least_mm(length_m: float) -> int:
    """Whole millimetres that are enough, for a size to look for: never less than the length.

    Examples
    --------
    >>> least_mm(0.4103), least_mm(0.41), least_mm(0.4100000001)
    (411, 410, 410)
    """
    return math.ceil(round(length_m * 1000.0, 4))


def least_inches(length_m: float, *, denominator: int = 16) -> str:
    """Inches to a vulgar fraction that are enough, for a size to look for.

    Examples
    --------
    >>> least_inches(0.4103), least_inches(0.0254)
    ('16 3/16 in', '1 in')
    """
    parts = math.ceil(round(length_m / M_PER_INCH * denominator, 4))
    return format_inches(parts * M_PER_INCH / denominator, denominator=denominator)


def fitting_mm(length_m: float) -> str:
    """A size that has to go into a gap, to a tenth of a millimetre and never more than the length.

    Examples
    --------
    >>> fitting_mm(0.22679), fitting_mm(0.23), fitting_mm(0.2299999999)
    ('226.7 mm', '230 mm', '230 mm')
    """
    tenths = math.floor(round(length_m * 1e4, 4))
    return format_mm(tenths / 1e4, decimals=0 if tenths % 10 == 0 else 1)


def fitting_inches(length_m: float, *, denominator: int = 32) -> str:
    """The same in inches to a vulgar fraction.

    Examples
    --------
    >>> fitting_inches(0.2267), fitting_inches(0.0254)
    ('8 29/32 in', '1 in')
    """
    parts = math.floor(round(length_m / M_PER_INCH * denominator, 4))
    return format_inches(parts * M_PER_INCH / denominator, denominator=denominator)


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


def format_length(length_m: float, *, inches: bool = False) -> str:
    """A length of wall or joint, as quantities tell it: metres, or feet and inches.

    Examples
    --------
    >>> print(format_length(1.651), format_length(1.651, inches=True))
    1.65 m 5' 5"
    """
    return format_feet_inches(length_m, denominator=1) if inches else f"{length_m:.2f} m"


def format_area(area_m2: float, *, inches: bool = False) -> str:
    """An area as quantities tell it: square metres, or square feet.

    Examples
    --------
    >>> format_area(7.62), format_area(7.62, inches=True)
    ('7.62 m²', '82.02 ft²')
    """
    return f"{area_m2 / M_PER_FT**2:.2f} ft²" if inches else f"{area_m2:.2f} m²"


#: Below this many gallons fluid ounces are told; 128 of them make a US gallon.
_LEAST_GALLONS, _FL_OZ_PER_GALLON = 0.25, 128.0


def format_gallons(volume_m3: float) -> str:
    """A volume of mortar, sand or water as an office in inches tells it: US gallons, or fluid ounces of a little.

    Examples
    --------
    >>> format_gallons(0.01), format_gallons(0.000116)
    ('2.64 gal', '3.9 fl oz')
    """
    gallons = volume_m3 / CUBIC_M_PER_US_GALLON
    if gallons >= _LEAST_GALLONS:
        return f"{gallons:.2f} gal"
    return format_fluid_ounces(volume_m3)


def format_fluid_ounces(volume_m3: float) -> str:
    """A small volume in fluid ounces of the United States.

    Examples
    --------
    >>> format_fluid_ounces(0.000116)
    '3.9 fl oz'
    """
    return f"{volume_m3 / CUBIC_M_PER_US_GALLON * _FL_OZ_PER_GALLON:.1f} fl oz"


#: What people write for a unit of length or weight, in metres or kilograms.
LENGTH_UNITS_M: Mapping[str, float] = {
    "m": 1.0,
    "cm": 0.01,
    "mm": 0.001,
    "in": M_PER_INCH,
    "ft": M_PER_FT,
    # NIST: abolished on 2022-12-31, still in the plane coordinates of older American surveys
    "ftus": 1200 / 3937,
}
WEIGHT_UNITS_KG: Mapping[str, float] = {"kg": 1.0, "lb": KG_PER_LB, "t": 1000.0, "g": 0.001}
_UNIT_WORDS: Mapping[str, str] = {
    **dict.fromkeys(("m", "metre", "metres", "meter", "meters"), "m"),
    **dict.fromkeys(("cm", "centimetre", "centimetres", "centimeter", "centimeters"), "cm"),
    **dict.fromkeys(("mm", "millimetre", "millimetres", "millimeter", "millimeters"), "mm"),
    **dict.fromkeys(("in", "inch", "inches", '"'), "in"),
    **dict.fromkeys(("ft", "foot", "feet", "'"), "ft"),
    **dict.fromkeys(("ftus", "us-ft", "usft", "us_ft", "us survey foot", "us survey feet"), "ftus"),
    **dict.fromkeys(("kg", "kilogram", "kilograms"), "kg"),
    **dict.fromkeys(("lb", "lbs", "pound", "pounds"), "lb"),
    **dict.fromkeys(("t", "tonne", "tonnes"), "t"),
    **dict.fromkeys(("px", "pixel", "pixels"), "px"),
    **dict.fromkeys(("deg", "degree", "degrees"), "deg"),
}
_FRACTIONS = {"½": "1/2", "¼": "1/4", "¾": "3/4", "⅛": "1/8", "⅜": "3/8", "⅝": "5/8", "⅞": "7/8"}
_NUMBER = r"(?:\d+(?:\.\d*)?|\.\d+)"
_FEET_INCHES = re.compile(
    rf"^(?:(?P<feet>{_NUMBER})\s*(?:'|ft\.?|feet|foot))?[\s-]*"
    rf"(?:(?P<inches>{_NUMBER})(?!\s*/)(?!\d))?[\s-]*(?:(?P<top>\d+)\s*/\s*(?P<bottom>\d+))?\s*"
    r'(?P<mark>"|in\.?|inch|inches)?$'
)
_WITH_UNIT = re.compile(rf"^({_NUMBER}(?:e[+-]?\d+)?)\s*([a-z]+)$")


def unit_named(word: str) -> str | None:
    """Our short word for a unit as people write it, or None.

    Examples
    --------
    >>> unit_named("Inches"), unit_named("mm"), unit_named("furlong")
    ('in', 'mm', None)
    """
    return _UNIT_WORDS.get(word.strip().lower())


def length_m_from_text(text: str, *, unit: str | None) -> float:
    """A length as people write it: a number, a number with its unit, feet and inches, vulgar fractions.

    Parameters
    ----------
    text : str
        Decimal sign a point.
    unit : str or None
        Unit of a bare number, one of `LENGTH_UNITS_M`; without it a bare number is refused.

    Raises
    ------
    ValueError
        With what is wrong, for a message.

    Examples
    --------
    >>> round(length_m_from_text("5' 3 1/2\\"", unit=None), 4)
    1.6129
    >>> length_m_from_text("12.5", unit="mm")
    0.0125
    """
    plain = text.strip().lower().replace("′", "'").replace("’", "'").replace("″", '"')
    plain = plain.replace("”", '"').replace("''", '"')
    for sign, fraction in _FRACTIONS.items():
        plain = plain.replace(sign, f" {fraction}")
    plain = plain.strip()
    factor = -1.0 if plain.startswith(("-", "−")) else 1.0
    plain = plain.lstrip("+-−").strip()
    try:
        number = float(plain)
    except ValueError:
        pass
    else:
        if unit is None:
            raise ValueError("a number without its unit")
        return factor * number * LENGTH_UNITS_M[unit]
    found = _WITH_UNIT.match(plain)
    named = unit_named(found[2]) if found else None
    if found and named in LENGTH_UNITS_M:
        return factor * float(found[1]) * LENGTH_UNITS_M[str(named)]
    return factor * _feet_inches_m(plain, unit)


def _feet_inches_m(text: str, unit: str | None) -> float:
    found = _FEET_INCHES.match(text)
    if found is None or not any(found[g] for g in ("feet", "inches", "top")):
        raise ValueError("not a length")
    if found["feet"] is None and found["mark"] is None and unit != "in":
        raise ValueError("a fraction without feet or inch mark")
    inches = float(found["inches"] or 0)
    if found["top"]:
        if int(found["bottom"]) == 0 or int(found["top"]) >= int(found["bottom"]):
            raise ValueError("a fraction that is none")
        inches += int(found["top"]) / int(found["bottom"])
    if found["feet"] is not None and inches >= 12:
        raise ValueError("12 inches or more beside feet")
    return float(found["feet"] or 0) * M_PER_FT + inches * M_PER_INCH


LengthUnit = Literal["mm", "cm", "m", "in", "ft"]
#: No length on a building is longer than this, and none takes more letters to write.
LONGEST_M, _LONGEST_TEXT = 2_000.0, 60
_METRIC_PARTS = re.compile(
    rf"(?:({_NUMBER})\s*m)?\s*(?:({_NUMBER})\s*cm)?\s*(?:({_NUMBER})\s*mm)?", re.IGNORECASE
)


def parse_length(text: str, *, default_unit: LengthUnit | None = None) -> float:
    """A length as people type it into a form, in metres.

    Parameters
    ----------
    text : str
        Number and unit: ``60 cm``, ``0.6 m``, ``2 3/8 in``, ``2' 3 1/2"``, ``1 m 20 cm``. A comma is a decimal comma, but ``1,200`` could
        be either and is refused.
    default_unit : str, optional
        Unit of a number without one; without it such a number is refused.

    Returns
    -------
    float
        Metres.

    Raises
    ------
    InputError
        No length, or one that could be read in two ways.

    Examples
    --------
    >>> parse_length("60 cm")
    0.6
    >>> round(parse_length('2 3/8 in'), 7)
    0.060325
    """
    shown = text.strip()[:40]
    no_length = InputError(f"{shown!r} is no length", "Write a number and its unit, such as 60 cm.")
    plain = text.strip().removesuffix(".")
    if not plain or len(plain) > _LONGEST_TEXT or not re.match(r"[+\-−]?\s*[\d.,½¼¾⅛⅜⅝⅞]", plain):
        raise no_length
    if two_ways := re.search(r"(?<![\d.,])[1-9]\d{0,2},\d{3}(?!\d)", plain):
        number = two_ways[0]
        raise InputError(
            f"{shown!r} can be read in two ways",
            f"Write {number.replace(',', '')} or {number.replace(',', '.')}.",
        )
    plain = re.sub(r"(?<=\d),(?=\d)|^,(?=\d)", ".", plain)
    if re.fullmatch(rf"[+\-−]?{_NUMBER}", plain) and default_unit is None:
        raise InputError(f"{shown!r} has no unit", "Add it, such as 60 cm, 600 mm or 2 3/8 in.")
    parts = _METRIC_PARTS.fullmatch(plain)
    if parts and any(parts.groups()):
        metres = sum(
            float(n or 0) * u for n, u in zip(parts.groups(), (1, 0.01, 0.001), strict=True)
        )
    else:
        try:
            metres = length_m_from_text(plain, unit=default_unit)
        except (ValueError, OverflowError):
            raise no_length from None
    if not abs(metres) <= LONGEST_M:
        raise no_length
    return round(metres, 12)
