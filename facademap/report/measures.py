"""Figures in the unit that an office reads first, the other one in brackets where both are wanted."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

from facademap.units import (
    CUBIC_M_PER_CUBIC_FT,
    KG_PER_LB,
    M_PER_INCH,
    deg_f_from_deg_c,
    fitting_inches,
    fitting_mm,
    format_area,
    format_fluid_ounces,
    format_gallons,
    format_inches,
    format_length,
    least_inches,
    least_mm,
    length_m_from_text,
    mpa_from_psi,
)

__all__ = ["METRIC", "Measures"]

_ROUNDED = re.compile(r"(?:\d+ \d+/\d+|\d+/\d+|\d+(?:\.\d+)?) (?:mm|in)\b")


@dataclass(frozen=True, slots=True)
class Measures:
    """How figures are said.

    Parameters
    ----------
    inches : bool
        Whether inches, pounds and gallons come first.

    Examples
    --------
    >>> say = Measures(inches=True)
    >>> say.length(0.0254), say.size((0.2032, 0.1016, 0.05)), say.weight(10.0)
    ('1 in', '8 × 4 × 1 31/32 in', '22.0 lb')
    >>> Measures().size((0.2032, 0.1016, 0.05)), Measures().both_weights(10.0)
    ('203.2 × 101.6 × 50.0 mm', '10.0 kg (22 lb)')
    >>> say.joint(0.002), Measures().joint(0.002), say.sentence("49.0 mm deep, 71 kg, 6 N/mm²")
    ('5/64', '2.0', '1.929 in deep, 156.5 lb, 870 psi')
    """

    inches: bool = False

    @property
    def unit(self) -> str:
        """Short word of the unit of small lengths."""
        return "in" if self.inches else "mm"

    @property
    def unit_in_full(self) -> str:
        """The same, as it stands in a sentence."""
        return "inches" if self.inches else "mm"

    def figure(self, length_m: float, *, decimals: int = 1) -> str:
        """A small length without its unit: millimetres, or inches to 1/32."""
        if self.inches:
            return format_inches(length_m, denominator=32).removesuffix(" in")
        return f"{length_m * 1000:.{decimals}f}"

    def length(self, length_m: float, *, decimals: int | None = None) -> str:
        """A small length; a tenth of a millimetre only where it counts when no decimals are given."""
        if decimals is None:
            decimals = 0 if abs(length_m * 1e3 - round(length_m * 1e3)) < 0.05 else 1
        return f"{self.figure(length_m, decimals=decimals)} {self.unit}"

    def both(self, length_m: float) -> str:
        """A small length with the other unit in brackets."""
        return f"{self.length(length_m, decimals=1)} ({Measures(not self.inches).length(length_m)})"

    def rod(self, diameter_m: float) -> str:
        """A diameter: to a hundredth of a millimetre, or to 1/64 of an inch."""
        if self.inches:
            return format_inches(diameter_m, denominator=64)
        return f"{diameter_m * 1000:.3g} mm"

    def joint(self, width_m: float) -> str:
        """Width of a joint without its unit: a tenth of a millimetre, or 1/64 of an inch, as spacers are told."""
        if self.inches:
            return format_inches(width_m, denominator=64).removesuffix(" in")
        return f"{width_m * 1000:.1f}"

    def error(self, length_m: float) -> str:
        """How well a length is known: tenths of a millimetre, or thousandths of an inch."""
        return f"{length_m / M_PER_INCH:.3f} in" if self.inches else f"{length_m * 1000:.1f} mm"

    def sentence(self, words: str) -> str:
        """A sentence of a check or of a rule with its measures in the units of the office.

        Millimetres become thousandths of an inch, since a check may turn on a tenth of a millimetre.
        """
        if not self.inches:
            return words
        for shape, said in (
            ("mm", lambda v: self.error(v / 1000)),
            ("m2|m²", self.area),
            ("m", self.run),
            ("kg", self.weight),
            ("N/mm²|N/mm2", self.strength),
            ("L", lambda v: self.wet(v / 1000)),
        ):
            words = re.sub(
                rf"(?<![\d.])(\d+(?:\.\d+)?) (?:{shape})\b(?![²³/])",
                lambda found, say=said: say(float(found[1])),  # type: ignore[misc]
                words,
            )
        return words

    def retold(self, words: str) -> str:
        """A sentence of which the lengths were rounded in one unit, millimetres or inches, in that of the office.

        Examples
        --------
        >>> Measures(inches=True).retold("reaches 40 mm of 50 mm"), METRIC.retold("2 5/16 in stay")
        ('reaches 1 9/16 in of 1 31/32 in', '59 mm stay')
        """
        return _ROUNDED.sub(
            lambda found: (
                found[0]
                if found[0].endswith(self.unit)
                else self.length(length_m_from_text(found[0], unit=None), decimals=0)
            ),
            words,
        )

    def size(self, lengths_m: Iterable[float], *, decimals: int = 1) -> str:
        """Sides of something."""
        return " × ".join(self.figure(s, decimals=decimals) for s in lengths_m) + f" {self.unit}"

    def fitting(self, length_m: float) -> str:
        """A size that has to go into a gap: never more than the length."""
        return fitting_inches(length_m) if self.inches else fitting_mm(length_m)

    def least(self, lengths_m: Iterable[float]) -> str:
        """Sides to look for: never less than the lengths."""
        if self.inches:
            return " × ".join(least_inches(s).removesuffix(" in") for s in lengths_m) + " in"
        return " × ".join(str(least_mm(s)) for s in lengths_m) + " mm"

    def signed(self, length_m: float) -> str:
        """A change of length, with its sign: tenths of a millimetre, or thousandths of an inch.

        Examples
        --------
        >>> METRIC.signed(-0.0021), Measures(inches=True).signed(-0.0021)
        ('-2.1 mm', '-0.083 in')
        """
        return f"{'-' if length_m < 0 else '+'}{self.error(abs(length_m))}"

    def patch(self, area_m2: float) -> str:
        """The area of something small: square centimetres, or square inches.

        Examples
        --------
        >>> METRIC.patch(0.0123), Measures(inches=True).patch(0.0123)
        ('123 cm²', '19.1 in²')
        """
        if self.inches:
            return f"{area_m2 / M_PER_INCH**2:.1f} in²"
        return f"{area_m2 * 1e4:.0f} cm²"

    def lost(self, volume_m3: float) -> str:
        """A small volume of stone, with its sign: cubic centimetres, or cubic inches.

        Examples
        --------
        >>> METRIC.lost(-0.000012), Measures(inches=True).lost(-0.000012)
        ('-12 cm³', '-0.73 in³')
        """
        if self.inches:
            return f"{volume_m3 / M_PER_INCH**3:+.2f} in³"
        return f"{volume_m3 * 1e6:+.0f} cm³"

    def run(self, length_m: float) -> str:
        """A length of joint or tape."""
        return format_length(length_m, inches=self.inches)

    def area(self, area_m2: float) -> str:
        """An area."""
        return format_area(area_m2, inches=self.inches)

    def stone(self, volume_m3: float) -> str:
        """A volume of stone: litres, or cubic feet."""
        if self.inches:
            return f"{volume_m3 / CUBIC_M_PER_CUBIC_FT:.3f} ft³"
        return f"{volume_m3 * 1000:.3f} L"

    def wet(self, volume_m3: float) -> str:
        """A volume of mortar, sand or water: litres, or gallons and fluid ounces (of the United States)."""
        if not self.inches:
            return f"{volume_m3 * 1000:.2f} L"
        return format_gallons(volume_m3)

    def little(self, volume_m3: float) -> str:
        """A small volume: millilitres, or fluid ounces."""
        if self.inches:
            return format_fluid_ounces(volume_m3)
        return f"{volume_m3 * 1e6:.0f} mL"

    def weight(self, weight_kg: float, *, decimals: int = 1) -> str:
        """A weight."""
        value = weight_kg / KG_PER_LB if self.inches else weight_kg
        return f"{value:.{decimals}f} {'lb' if self.inches else 'kg'}"

    def both_weights(self, weight_kg: float, *, decimals: int = 1) -> str:
        """A weight that somebody lifts, in both units."""
        other = Measures(not self.inches).weight(weight_kg, decimals=0)
        return f"{self.weight(weight_kg, decimals=decimals)} ({other})"

    def density(self, density_kg_per_m3: float) -> str:
        """A density."""
        if self.inches:
            return f"{density_kg_per_m3 / KG_PER_LB * CUBIC_M_PER_CUBIC_FT:.0f} lb/ft³"
        return f"{density_kg_per_m3:.0f} kg/m³"

    def temperatures(self, low_deg_c: float, high_deg_c: float) -> str:
        """A range of temperatures."""
        if self.inches:
            return f"{deg_f_from_deg_c(low_deg_c):.0f} to {deg_f_from_deg_c(high_deg_c):.0f} °F"
        return f"{low_deg_c:.3g} to {high_deg_c:.3g} °C"

    def strength(self, n_per_mm2: float) -> str:
        """Strength of a mortar or a stone."""
        if self.inches:
            return f"{n_per_mm2 / mpa_from_psi(1):.0f} psi"
        return f"{n_per_mm2:g} N/mm²"

    @property
    def degree(self) -> str:
        """Sign of the unit of temperature."""
        return "°F" if self.inches else "°C"


METRIC = Measures()
