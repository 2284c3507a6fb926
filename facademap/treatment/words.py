"""Figures of a design as people read them, in the units of the profile and in no other."""

from __future__ import annotations

from facademap.treatment.job import Kind
from facademap.units import (
    CUBIC_M_PER_CUBIC_FT,
    CUBIC_M_PER_US_GALLON,
    KG_PER_LB,
    M_PER_FT,
    M_PER_INCH,
    deg_f_from_deg_c,
    format_area,
    format_feet_inches,
    format_gallons,
    format_inches,
    format_length,
    format_mm,
)

__all__ = ["say"]


def say(value: float, kind: Kind, *, inches: bool = False) -> str:
    """A figure with its unit.

    Parameters
    ----------
    value : float
        In SI; months, hours, degrees and degrees Celsius as they are.
    kind : str
        What it measures.
    inches : bool
        Inches, feet, pounds, gallons and degrees Fahrenheit instead of SI.

    Examples
    --------
    >>> say(0.3554, "length"), say(0.0357, "depth"), say(0.00733, "width")
    ('355 mm', '36 mm', '7.3 mm')
    >>> say(0.0357, "depth", inches=True), say(0.000116, "volume"), say(5, "temperature", inches=True)
    ('1 3/8 in', '116 mL', '41 °F')
    """
    return (_say_inches if inches else _say_si)(value, kind)


def _say_si(value: float, kind: Kind) -> str:
    match kind:
        case "length":
            return format_length(value) if value >= 1 else format_mm(value)
        case "depth":
            return format_mm(value)
        case "width":
            return f"{value * 1000:.2g} mm" if value < 0.01 else f"{value * 1000:.0f} mm"
        case "area":
            return format_area(value) if value >= 1 else f"{value:.3f} m²"
        case "volume":
            return _litres(value)
        case "mass":
            return f"{value:.1f} kg" if value >= 1 else f"{value * 1000:.0f} g"
        case "litres_per_m2":
            return f"{value * 1000:g} L/m²"
        case "temperature":
            return f"{value:g} °C"
        case _:
            return _plain(value, kind)


def _litres(value: float) -> str:
    if value >= 1e-3:
        return f"{value * 1e3:.2f} L"
    return f"{value * 1e6:.0f} mL" if value >= 1e-5 else f"{value * 1e6:.1f} mL"


def _say_inches(value: float, kind: Kind) -> str:
    match kind:
        case "length":
            return format_feet_inches(value) if value >= M_PER_FT else format_inches(value)
        case "depth":
            return format_inches(value)
        case "width":
            return (
                f"{value / M_PER_INCH:.3f} in"
                if value < M_PER_INCH / 16
                else format_inches(value, denominator=32)
            )
        case "area":
            return format_area(value, inches=True)
        case "volume":
            return _gallons(value)
        case "mass":
            return (
                f"{value / KG_PER_LB:.1f} lb"
                if value >= KG_PER_LB
                else f"{value / KG_PER_LB * 16:.1f} oz"
            )
        case "litres_per_m2":
            return f"{value / CUBIC_M_PER_US_GALLON * M_PER_FT**2:.2g} gal/ft²"
        case "temperature":
            return f"{deg_f_from_deg_c(value):.0f} °F"
        case _:
            return _plain(value, kind)


def _gallons(value: float) -> str:
    if value >= CUBIC_M_PER_CUBIC_FT:
        return f"{value / CUBIC_M_PER_CUBIC_FT:.2f} ft³"
    return format_gallons(value)


def _plain(value: float, kind: Kind) -> str:
    match kind:
        case "share":
            return f"{value * 100:g} %"
        case "angle":
            return f"{value:.0f}°"
        case "hours":
            return f"{value / 24:.0f} days" if value >= 72 else f"{value:.0f} h"
        case "months":
            return f"{value:.0f} months"
        case "colour_difference":
            return f"dE*ab {value:g}"
        case _:
            return f"{value:g}"
