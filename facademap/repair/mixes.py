"""Lime mixes: what goes into a cubic metre, how strong it becomes, how long frost must stay away."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from facademap.errors import InputError

__all__ = [
    "BINDERS",
    "DEFAULT_MIX",
    "MIXES",
    "Binder",
    "Mix",
    "add_mixes",
    "batch",
    "mix_named",
    "strength_faults",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Binder:
    """A hydraulic lime: what its sheet says of weather.

    Parameters
    ----------
    name : str
    bulk_kg_per_l : float
        Loose density.
    temperature_minimum_deg_c, temperature_maximum_deg_c : float
        Air and wall while it is placed and after.
    frost_free_h : float
        No frost, or protection from it, for this long in the warm months.
    frost_free_cold_h : float
        The same in cold months, when lime hardens slowly.
    """

    name: str
    bulk_kg_per_l: float
    temperature_minimum_deg_c: float
    temperature_maximum_deg_c: float
    temperature_source: str
    temperature_status: str
    frost_free_h: float
    frost_free_cold_h: float
    frost_source: str
    frost_status: str


_SHEETS = "Producer data sheets NHL 2 and NHL 3.5 (stastier.co.uk)"
_COLD = "Cold weather notes (limeworks.us; cornishlime.co.uk): about three weeks in summer for NHL 3.5, double in cold"

#: Binders by name. The sheet of the bag on site goes before these values.
BINDERS: Mapping[str, Binder] = {
    b.name: b
    for b in (
        Binder(
            name="NHL 2",
            bulk_kg_per_l=0.50,
            temperature_minimum_deg_c=8,
            temperature_maximum_deg_c=30,
            temperature_source=_SHEETS,
            temperature_status="confirmed",
            frost_free_h=10 * 24,
            frost_free_cold_h=20 * 24,
            frost_source="Producer data sheet NHL 2 (stastier.co.uk): at least 10 days; doubled in cold months as "
            "for NHL 3.5 (practice)",
            frost_status="confirmed",
        ),
        Binder(
            name="NHL 3.5",
            bulk_kg_per_l=0.65,
            temperature_minimum_deg_c=8,
            temperature_maximum_deg_c=30,
            temperature_source=_SHEETS,
            temperature_status="confirmed",
            frost_free_h=21 * 24,
            frost_free_cold_h=42 * 24,
            frost_source=_COLD,
            frost_status="confirmed",
        ),
        Binder(
            name="NHL 5",
            bulk_kg_per_l=0.72,
            temperature_minimum_deg_c=8,
            temperature_maximum_deg_c=30,
            temperature_source="as NHL 2 and NHL 3.5, for lack of a sheet",
            temperature_status="practice",
            frost_free_h=21 * 24,
            frost_free_cold_h=42 * 24,
            frost_source="as NHL 3.5, for lack of a sheet",
            frost_status="practice",
        ),
    )
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Mix:
    """One lime mix: what goes into a cubic metre of mortar, and what it becomes.

    Parameters
    ----------
    name : str
        Binder and proportion by volume.
    binder : Binder
    binder_kg_per_m3 : float
        Binder in a cubic metre of mortar.
    sand_parts : float
        Parts of sand to one of binder, by loose volume.
    water_l_per_m3 : float
        Mixing water; adjusted by hand to the consistency wanted.
    strength_28d_mpa, strength_24_months_mpa : float or None
        Compressive strength of the mix, where a sheet says it.
    """

    name: str
    binder: Binder
    binder_kg_per_m3: float
    sand_parts: float
    water_l_per_m3: float
    source: str
    status: str
    strength_28d_mpa: float | None = None
    strength_24_months_mpa: float | None = None
    strength_source: str = ""

    @property
    def sand_l_per_m3(self) -> float:
        """Loose sand in a cubic metre of mortar; near 1,000 L, since sand fills it."""
        return self.binder_kg_per_m3 / self.binder.bulk_kg_per_l * self.sand_parts

    @property
    def strength_says(self) -> str:
        """The strength in words."""
        if self.strength_24_months_mpa is None:
            return f"{self.name}: strength not stated by its sheet; the class of a binder is not the strength of its mortar."
        return (
            f"{self.name}: {self.strength_28d_mpa:g} N/mm² after 28 days, "
            f"{self.strength_24_months_mpa:g} N/mm² after 24 months ({self.strength_source})."
        )


_WATER = "; water scaled from 270 L for 250 kg binder (stastier.co.uk rework study)"
#: Loose sand of one cubic metre of mortar where no sheet gives the binder: sand fills the mortar
#: (the NHL 3.5 sheet gives 938 to 997 L, the NHL 2 sheet 1,008 to 1,120 L).
_SAND_L = 1000.0
_BY_SAND = (
    "from the volume of the sand, which fills the mortar (derived; NHL 3.5 sheet within 6 %); bulk density 0.72 kg/L "
    "from memory. Yields printed by the bag (Making NHL Mortar, limeworks.us) give about a fifth less binder if a bag "
    "of sand is as large as one of lime, which they do not say"
)


def _mix(binder: str, parts: float, kg: float | None, **strength: Any) -> Mix:
    known = BINDERS[binder]
    weight = kg if kg is not None else _SAND_L / parts * known.bulk_kg_per_l
    return Mix(
        name=f"{binder} 1:{parts:g}",
        binder=known,
        binder_kg_per_m3=weight,
        sand_parts=parts,
        water_l_per_m3=round(270.0 * weight / 250.0, 1),
        source=(f"{_SHEETS}, binder plus or minus 10 %" if kg is not None else _BY_SAND) + _WATER,
        status="confirmed" if kg is not None else "derived",
        **strength,
    )


#: Mixes by name. Substitute the sheet of the bag on site.
MIXES: dict[str, Mix] = {
    m.name: m
    for m in (
        _mix("NHL 2", 2.0, 280),
        _mix(
            "NHL 2",
            2.5,
            224,
            strength_28d_mpa=1.36,
            strength_24_months_mpa=3.0,
            strength_source=_SHEETS,
        ),
        _mix("NHL 2", 3.0, 168),
        _mix("NHL 3.5", 2.0, 305),
        _mix(
            "NHL 3.5",
            2.5,
            244,
            strength_28d_mpa=1.47,
            strength_24_months_mpa=6.0,
            strength_source=_SHEETS,
        ),
        _mix("NHL 3.5", 3.0, 216),
        _mix("NHL 5", 2.5, None),
        _mix("NHL 5", 3.0, None),
    )
}

DEFAULT_MIX = "NHL 3.5 1:2.5"


def add_mixes(mixes: Iterable[Mix]) -> None:
    """Make more mixes known by name, for as long as the program runs.

    Raises
    ------
    InputError
        A name is taken, or a figure of a mix cannot be.
    """
    for mix in mixes:
        if MIXES.get(mix.name, mix) != mix:
            raise InputError(f"mix {mix.name!r} is there already", "Give it another name.")
        if not (mix.binder_kg_per_m3 > 0 and mix.sand_parts > 0 and mix.water_l_per_m3 > 0):
            raise InputError(
                f"mix {mix.name!r} has a figure that is not above 0", "Correct its table."
            )
        if not (mix.source and mix.status):
            raise InputError(
                f"mix {mix.name!r} does not say where its figures come from",
                "Give its source and status.",
            )
        if mix.strength_24_months_mpa is None and mix.binder.name not in _CLASS_UPPER_MPA:
            raise InputError(
                f"mix {mix.name!r} states no strength, and the class of its binder is unknown",
                "Give its strength after 24 months, since mortar must stay weaker than the stone.",
            )
        MIXES[mix.name] = mix


def mix_named(name: str) -> Mix:
    """The mix of that name.

    Raises
    ------
    InputError
        There is no such mix.
    """
    if name not in MIXES:
        raise InputError(f"mix {name!r} is unknown", f"Use one of {', '.join(MIXES)}.")
    return MIXES[name]


#: Least compressive strength of a stone that its specification lets pass, in MPa (ASTM C568 type I
#: and C616 type I and C615, C503; read in a retyped table).
_STONE_MPA: Mapping[str, tuple[float, str]] = {
    "limestone": (12, "ASTM C568 type I"),
    "sandstone": (28, "ASTM C616 type I"),
    "granite": (131, "ASTM C615"),
    "marble": (52, "ASTM C503"),
}


def strength_floor(stone_type: Any) -> tuple[float, str] | None:
    """What its specification asks of new stone of a kind, in MPa, and which; ``None`` where the name tells no kind.

    Examples
    --------
    >>> strength_floor("Buff sandstone")
    (28, 'ASTM C616 type I')
    """
    said = str(stone_type or "").lower()
    return next((floor for word, floor in _STONE_MPA.items() if word in said), None)


def strength_faults(
    mix: Mix, stone_type: Any, *, stone_mpa: float | None = None
) -> tuple[str, ...]:
    """Why a mix is too strong for a stone, in sentences; empty where it stays weaker.

    Parameters
    ----------
    mix : Mix
    stone_type : str or missing
        Local name of the stone, in which a word for the rock is looked for.
    stone_mpa : float, optional
        Strength of this very stone where it was tested; else the floor of its specification.

    Notes
    -----
    Mortar weaker than the stone lets damage happen in the joint, not in the stone (published
    conservation guidance, NPS Preservation Brief 2; read in a copy). Where the strength of the mix
    is not stated, the upper end of the binder's class (EN 459-1, from memory) is compared.
    """
    known = (stone_mpa, "as tested") if stone_mpa is not None else strength_floor(stone_type)
    if known is None:
        return ()
    limit, source = known
    strength = mix.strength_24_months_mpa or _CLASS_UPPER_MPA[mix.binder.name]
    if strength < limit:
        return ()
    return (
        f"The mix {mix.name} may reach {strength:g} N/mm², the stone only {limit:g} N/mm² ({source}): "
        "take a weaker mix, or have both tested.",
    )


#: Upper end of the 28-day strength of the class, EN 459-1 (from memory).
_CLASS_UPPER_MPA: Mapping[str, float] = {"NHL 2": 7, "NHL 3.5": 10, "NHL 5": 15}


def batch(volume_m3: float, mix: Mix) -> dict[str, Any]:
    """What to weigh and measure out for a volume of mortar.

    Raises
    ------
    InputError
        A volume below 0, or a mix that is unknown.

    References
    ----------
    Amounts are those of the mix, whose ``source`` names the maker's sheet; proportions by volume are common practice.

    Examples
    --------
    >>> amounts = batch(1.0, mix_named("NHL 3.5 1:2.5"))
    >>> amounts["binder_kg"], round(amounts["binder_l"]), round(amounts["sand_l"])
    (244.0, 375, 938)
    """
    if not volume_m3 >= 0:
        raise InputError(f"mortar volume {volume_m3!r}", "Give a volume of 0 or more.")
    kg = mix.binder_kg_per_m3 * volume_m3
    litres = kg / mix.binder.bulk_kg_per_l
    return {
        "mix": mix.name,
        "volume_m3": volume_m3,
        "binder_kg": kg,
        "binder_l": litres,
        "sand_l": litres * mix.sand_parts,
        "water_l": mix.water_l_per_m3 * volume_m3,
        "strength": mix.strength_says,
        "source": mix.source,
        "status": mix.status,
    }
