"""Weight of stone, who may lift it, and what stacked stone does to a scaffold.

Screening only: the results name what needs a closer look. Local rules and a competent person decide.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import pandas as pd

from facademap.errors import InputError
from facademap.repair.settings import Settings
from facademap.tables import is_missing
from facademap.units import GRAVITY_M_PER_S2, KG_PER_LB, M_PER_INCH

__all__ = [
    "SCAFFOLD_CLASSES",
    "Lift",
    "LiftResult",
    "ScaffoldResult",
    "hse_filter_kg",
    "niosh_lift",
    "scaffold_load",
    "stack_loads",
    "stone_weight",
]

Coupling = Literal["good", "fair", "poor"]


def stone_weight(volume_m3: float, density_kg_per_m3: float, *, absorption: float = 0.0) -> float:
    """Mass of a stone in kg; with ``absorption`` (share of dry mass) when saturated.

    References
    ----------
    Density times volume; absorption as a share of the dry mass, as stone standards state it (common practice).

    Examples
    --------
    >>> round(stone_weight(0.6 * 0.3 * 0.2, 2160), 2)
    77.76
    """
    return volume_m3 * density_kg_per_m3 * (1.0 + absorption)


@dataclass(frozen=True, slots=True, kw_only=True)
class Lift:
    """One lift with two hands, for the NIOSH equation.

    Parameters
    ----------
    horizontal_m : float
        Hands in front of the ankles (H).
    height_m : float
        Hands above the floor (V).
    travel_m : float
        Vertical distance moved (D).
    twist_deg : float
        Asymmetry (A).
    lifts_per_minute : float
        Frequency (F).
    hours : float
        Duration of the lifting.
    coupling : str
        Grip: ``good``, ``fair`` or ``poor``.
    """

    horizontal_m: float = 0.40
    height_m: float = 0.75
    travel_m: float = 0.50
    twist_deg: float = 0.0
    lifts_per_minute: float = 0.2
    hours: float = 1.0
    coupling: Coupling = "poor"


@dataclass(frozen=True, slots=True, kw_only=True)
class LiftResult:
    """Recommended weight limit, lifting index and every multiplier."""

    limit_kg: float
    index: float
    multipliers: Mapping[str, float]
    band: str
    source: str = "Revised NIOSH lifting equation (NIOSH 94-110, rev. 2021)"
    status: str = "confirmed"


def niosh_lift(
    load_kg: float, lift: Lift, *, form: Literal["metric", "us"] = "metric"
) -> LiftResult:
    """Recommended weight limit and lifting index of the revised NIOSH equation.

    Parameters
    ----------
    load_kg : float
        Load.
    lift : Lift
        The lift.
    form : {'metric', 'us'}
        The manual prints two forms with constants rounded in centimetres or in inches and pounds; they differ by up
        to 2 %, the metric one being the stricter at long reach.

    Raises
    ------
    InputError
        The lift lies outside what the equation covers (reach over 63 cm, height over 175 cm, twist over
        135 degrees, more than 0.2 lifts a minute with no table here).

    Notes
    -----
    RWL = 23 kg x 25/H x (1 - 0.003|V - 75|) x (0.82 + 4.5/D) x (1 - 0.0032 A) x FM x CM, lengths in cm; or
    51 lb x 10/H x (1 - 0.0075|V - 30|) x (0.82 + 1.8/D) x (1 - 0.0032 A) x FM x CM, lengths in inches.
    FM and CM are from memory of the tables. Not for one hand, seated, on ladders or on a footing that moves.

    References
    ----------
    T. R. Waters, V. Putz-Anderson, A. Garg, "Applications manual for the revised NIOSH lifting equation",
    DHHS (NIOSH) publication 94-110, 1994, revised 2021.
    """
    h, v = lift.horizontal_m * 100, lift.height_m * 100
    if h > 63 or not 0 <= v <= 175 or lift.twist_deg > 135 or lift.twist_deg < 0:
        raise InputError(
            f"lift with reach {h:.0f} cm, height {v:.0f} cm, twist {lift.twist_deg:.0f} degrees lies outside the NIOSH equation",
            "Use a hoist or trolley; reach to 63 cm, height to 175 cm and twist to 135 degrees can be assessed.",
        )
    if lift.lifts_per_minute > 0.2:
        raise InputError(
            f"{lift.lifts_per_minute:g} lifts a minute are not covered",
            "Assess lifts of 0.2 a minute or fewer, or use a hoist.",
        )
    if lift.hours > 8:
        raise InputError(
            f"{lift.hours:g} hours of lifting are not covered", "Give 8 hours or fewer."
        )
    frequency = 1.0 if lift.hours <= 1 else 0.95 if lift.hours <= 2 else 0.85
    # the manual parts the grips at 75 cm (30 in)
    coupling = {"good": (1.0, 1.0), "fair": (0.95, 1.0), "poor": (0.90, 0.90)}[lift.coupling][
        1 if v >= 75 else 0
    ]
    constant, unit_m, reach, knuckle, slope, travel, least = (
        (23.0, 0.01, 25.0, 75.0, 0.003, 4.5, 25.0)
        if form == "metric"
        else (51 * KG_PER_LB, M_PER_INCH, 10.0, 30.0, 0.0075, 1.8, 10.0)
    )
    m = {
        "HM": min(1.0, reach * unit_m / max(lift.horizontal_m, 1e-9)),
        "VM": 1 - slope * abs(lift.height_m / unit_m - knuckle),
        "DM": min(1.0, 0.82 + travel / max(lift.travel_m / unit_m, least)),
        "AM": 1 - 0.0032 * lift.twist_deg,
        "FM": frequency,
        "CM": coupling,
    }
    limit = constant
    for value in m.values():
        limit *= value
    index = load_kg / limit
    band = "acceptable" if index <= 1 else "raised" if index <= 3 else "high"
    return LiftResult(limit_kg=limit, index=index, multipliers=m, band=band)


#: HSE filter weights in kg (L23 / INDG143), zone: (close, arm's length); from memory except men, elbow, close.
_HSE: Mapping[str, Mapping[str, tuple[float, float]]] = {
    "men": {
        "shoulder": (10, 5),
        "elbow": (20, 10),
        "knuckle": (25, 15),
        "lower leg": (20, 10),
        "floor": (10, 5),
    },
    "women": {
        "shoulder": (7, 3),
        "elbow": (13, 7),
        "knuckle": (16, 10),
        "lower leg": (13, 7),
        "floor": (7, 3),
    },
}


def hse_filter_kg(
    zones: list[str] | tuple[str, ...],
    *,
    who: Literal["men", "women"] = "women",
    arm_length: bool = False,
) -> float:
    """HSE lifting filter: the smallest weight of the zones that the hands pass through.

    A filter to find lifts that need an assessment, not a legal limit. Zones are ``shoulder`` (shoulder to full
    height), ``elbow`` (elbow to shoulder), ``knuckle`` (knuckle to elbow), ``lower leg``, ``floor``.

    Raises
    ------
    InputError
        A zone that the filter does not have, or none.
    """
    table = _HSE[who]
    wrong = [z for z in zones if z not in table]
    if wrong or not zones:
        raise InputError(f"zone {', '.join(wrong) or 'missing'}", f"Use {', '.join(table)}.")
    return min(table[z][1 if arm_length else 0] for z in zones)


#: Service loads of scaffolds in kN/m2.
SCAFFOLD_CLASSES: Mapping[str, tuple[float, str]] = {
    "EN 12811-1 class 1": (0.75, "EN 12811-1"),
    "EN 12811-1 class 2": (1.5, "EN 12811-1"),
    "EN 12811-1 class 3": (2.0, "EN 12811-1"),
    "EN 12811-1 class 4": (3.0, "EN 12811-1"),
    "EN 12811-1 class 5": (4.5, "EN 12811-1"),
    "EN 12811-1 class 6": (6.0, "EN 12811-1"),
    "OSHA light": (1.197, "29 CFR 1926 subpart L, 25 psf"),
    "OSHA medium": (2.394, "29 CFR 1926 subpart L, 50 psf"),
    "OSHA heavy": (3.591, "29 CFR 1926 subpart L, 75 psf"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class ScaffoldResult:
    """Load of stacked stone against the class of the scaffold."""

    load_kn_per_m2: float
    allowed_kn_per_m2: float
    within: bool
    scaffold_class: str
    needed_class: str | None
    source: str


def scaffold_load(
    mass_kg: float, area_m2: float, *, scaffold_class: str = "EN 12811-1 class 4"
) -> ScaffoldResult:
    """Area load of stone stacked on a scaffold bay, and whether its class carries it.

    Stone alone: people, tools, mortar and dynamic effects come on top, so a load near the class is too much.

    Raises
    ------
    InputError
        An unknown scaffold class, a mass below 0, or no area.

    References
    ----------
    EN 12811-1, service loads of classes 1 to 6; 29 CFR 1926 subpart L, light, medium and heavy duty.

    Examples
    --------
    >>> r = scaffold_load(0.5 * 2400, 2.0)
    >>> round(r.load_kn_per_m2, 1), r.within, r.needed_class
    (5.9, False, 'EN 12811-1 class 6')
    """
    if scaffold_class not in SCAFFOLD_CLASSES:
        raise InputError(
            f"scaffold class {scaffold_class!r} is unknown",
            f"Use one of {', '.join(SCAFFOLD_CLASSES)}.",
        )
    if not area_m2 > 0 or mass_kg < 0:
        raise InputError(
            f"{mass_kg:g} kg on {area_m2:g} m2", "Give a mass of 0 or more and an area above 0."
        )
    load = mass_kg * GRAVITY_M_PER_S2 / 1000.0 / area_m2
    allowed, source = SCAFFOLD_CLASSES[scaffold_class]
    family = scaffold_class.split(" ")[0]
    enough = [
        (v, n) for n, (v, _) in SCAFFOLD_CLASSES.items() if n.startswith(family) and v >= load
    ]
    return ScaffoldResult(
        load_kn_per_m2=load,
        allowed_kn_per_m2=allowed,
        within=load <= allowed,
        scaffold_class=scaffold_class,
        needed_class=min(enough)[1] if enough else None,
        source=source,
    )


def stack_loads(pieces: pd.DataFrame, repairs: pd.DataFrame, *, settings: Settings) -> pd.DataFrame:
    """Load on each scaffold bay when all its pieces are stacked on it, saturated, against the service load.

    Returns
    -------
    DataFrame
        ``surface, lift, bay, pieces, mass_kg, load_kn_per_m2, allowed_kn_per_m2, within``, the heaviest first. Stone alone: people,
        tools, mortar and old stone come on top, so that stone is brought up for the day's work only.

    References
    ----------
    As in :func:`facademap.repair.scaffold_load`; stacking by bays is common practice.
    """
    place = (
        {
            str(i): (str(s), 0 if is_missing(lift) else int(lift), 0 if is_missing(b) else int(b))
            for i, s, lift, b in zip(
                repairs["id"], repairs["surface"], repairs["lift"], repairs["bay"], strict=True
            )
        }
        if len(repairs)
        else {}
    )
    stacks: dict[tuple[str, int, int], list[float]] = {}
    for repair, mass in (
        zip(pieces["repair"], pieces["weight_saturated_kg"], strict=True) if len(pieces) else ()
    ):
        if str(repair) in place and not is_missing(mass):
            stacks.setdefault(place[str(repair)], []).append(float(mass))
    area = settings.bay_length_m * settings.bay_width_m
    rows = [
        {
            "surface": s,
            "lift": lift,
            "bay": bay,
            "pieces": len(m),
            "mass_kg": sum(m),
            "load_kn_per_m2": sum(m) * GRAVITY_M_PER_S2 / 1000 / area,
            "allowed_kn_per_m2": settings.scaffold_load_kn_per_m2,
        }
        for (s, lift, bay), m in stacks.items()
    ]
    frame = pd.DataFrame(
        rows,
        columns=[
            "surface",
            "lift",
            "bay",
            "pieces",
            "mass_kg",
            "load_kn_per_m2",
            "allowed_kn_per_m2",
        ],
    )
    frame["within"] = frame["load_kn_per_m2"] <= frame["allowed_kn_per_m2"]
    return frame.sort_values("load_kn_per_m2", ascending=False, ignore_index=True)
