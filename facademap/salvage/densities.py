"""How heavy stone is: from the blocks that were weighed, else from handbooks, with low and high.

A quantity takes the likely density, a lift the heavy one: a hoist that was chosen for the mean of
a stone is too weak for half of it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from facademap.errors import InputError
from facademap.tables import is_missing

__all__ = [
    "LEAST_WEIGHED",
    "TYPICAL_DENSITIES",
    "ImpossibleWeight",
    "StoneDensity",
    "density_of",
    "estimate_weight",
    "impossible_weights",
    "measured_densities",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class StoneDensity:
    """Dry density of a stone and the water it takes up.

    Parameters
    ----------
    likely_kg_per_m3 : float
        For quantities.
    low_kg_per_m3, high_kg_per_m3 : float
        Range; the high one serves lifting, hoists and scaffolds.
    absorption : float
        Water taken up when saturated, as a share of the dry mass.
    source, status : str
        Where the values are from, and how far they are known.
    weighed : int
        Blocks of this stone that were weighed and measured; 0 for a handbook value.
    """

    likely_kg_per_m3: float
    low_kg_per_m3: float
    high_kg_per_m3: float
    absorption: float
    source: str
    status: str
    weighed: int = 0

    def __post_init__(self) -> None:
        if not 0 < self.low_kg_per_m3 <= self.likely_kg_per_m3 <= self.high_kg_per_m3:
            raise InputError(
                f"densities {self.low_kg_per_m3:g}, {self.likely_kg_per_m3:g} and "
                f"{self.high_kg_per_m3:g} kg/m3 do not rise",
                "Give low, likely and high in kg/m3, each at least the one before.",
            )


def _typical(
    low: float, likely: float, high: float, absorption_percent: float, status: str, source: str
) -> StoneDensity:
    return StoneDensity(
        low_kg_per_m3=low,
        likely_kg_per_m3=likely,
        high_kg_per_m3=high,
        absorption=absorption_percent / 100,
        status=status,
        source=source,
    )


_POCKETBOOK = "Building Trades Pocketbook, Stone (chestofbooks)"

#: Handbook densities by kind of rock. "read" was read in the source named; "memory" is to be verified.
TYPICAL_DENSITIES: Mapping[str, StoneDensity] = {
    "sandstone": _typical(
        2000,
        2243,
        2563,
        8.0,
        "read",
        f"{_POCKETBOOK}: 140 lb/ft3; low and absorption from ASTM C616 type I (retyped table); "
        "high from sandstones measured at 160 lb/ft3 (selectstone.com)",
    ),
    "limestone": _typical(
        1760,
        2523,
        2700,
        7.5,
        "memory",
        f"{_POCKETBOOK}: 155 to 160 lb/ft3 (read); low from ASTM C568 type I (retyped table); "
        "high: dense limestone near the 2710 kg/m3 of calcite (memory)",
    ),
    "granite": _typical(
        2560,
        2675,
        2883,
        0.4,
        "read",
        f"{_POCKETBOOK}: 167 lb/ft3; low and absorption from ASTM C615 (retyped table); "
        "high from granites measured at 180 lb/ft3 (selectstone.com)",
    ),
    "marble": _typical(
        2590,
        2700,
        2850,
        0.2,
        "memory",
        "typical handbook value; low and absorption from ASTM C503 (retyped table)",
    ),
    "slate": _typical(
        2700,
        2750,
        2800,
        0.45,
        "memory",
        "typical handbook value; absorption from ASTM C629 (retyped table)",
    ),
    "sedimentary": _typical(
        1760, 2383, 2700, 8.0, "memory", "limestone and sandstone together, for lack of better"
    ),
    "igneous": _typical(2560, 2675, 3000, 0.4, "memory", "granite; basalt to 3000 kg/m3"),
    "metamorphic": _typical(2590, 2725, 2850, 0.5, "memory", "marble and slate together"),
    "unknown": _typical(1760, 2500, 3000, 8.0, "practice", "any building stone"),
}

#: Heaviest that dry stone of a kind can be: its grains without pores, in kg/m3 (from memory:
#: quartz 2650, calcite 2710, dolomite 2870; basic igneous rock to 3300).
_GRAINS: Mapping[str, float] = {
    "sedimentary": 2870,
    "sandstone": 2870,
    "limestone": 2870,
    "granite": 2900,
    "marble": 2900,
    "slate": 2950,
    "metamorphic": 3300,
    "igneous": 3300,
    "unknown": 3300,
}
#: A weight in kilograms and a size in millimetres agree to some percent (common practice).
_SCATTER = 0.05
#: A box holds its block loosely; less than this share filled by stone is no block (common practice).
_LEAST_FILLED = 0.45
#: Weighed blocks from which the density of a stone is taken (common practice).
LEAST_WEIGHED = 3
_WORDS = ("limestone", "sandstone", "granite", "marble", "slate")


def _kind_of(stone_type: Any, kind: Any) -> str:
    """The word for the rock in a stone's local name, else its kind."""
    name = "" if is_missing(stone_type) else str(stone_type).lower()
    for word in _WORDS:
        if word in name:
            return word
    return str(kind) if not is_missing(kind) and str(kind) in TYPICAL_DENSITIES else "unknown"


def density_of(
    stone_type: Any,
    kind: Any = None,
    *,
    densities: Mapping[str, StoneDensity | float] | None = None,
) -> StoneDensity:
    """Density of a stone by its local name, a word in that name, or its kind of rock.

    Parameters
    ----------
    stone_type, kind : str or missing
        Local name ("Harbour sandstone") and kind of rock.
    densities : mapping, optional
        Densities by local name, asked first: measured ones, or a bare number in kg/m3 that was
        decided for the project.
    """
    typical = TYPICAL_DENSITIES[_kind_of(stone_type, kind)]
    name = "" if is_missing(stone_type) else str(stone_type).lower()
    given = {k.lower(): v for k, v in (densities or {}).items()}.get(name)
    if given is None:
        return typical
    if isinstance(given, StoneDensity):
        return given
    return StoneDensity(
        low_kg_per_m3=float(given),
        likely_kg_per_m3=float(given),
        high_kg_per_m3=float(given),
        absorption=typical.absorption,
        source="decided for this project",
        status="project",
    )


def estimate_weight(
    volume_m3: float,
    kind: Any,
    *,
    stone_type: Any = None,
    saturated: bool = False,
    densities: Mapping[str, StoneDensity | float] | None = None,
) -> float:
    """Heavy estimate of the weight of stone in kg, for lifting; ``saturated`` adds its water.

    Raises
    ------
    InputError
        The volume is not above 0.

    References
    ----------
    Densities of the table in this module, each with its source; heavy values are taken for lifting (common practice).

    Examples
    --------
    >>> round(estimate_weight(0.1, "sandstone"), 1)
    256.3
    """
    if not (np.isfinite(volume_m3) and volume_m3 > 0):
        raise InputError(
            f"volume {volume_m3!r} m3 is not positive", "Measure length, height and depth."
        )
    known = density_of(stone_type, kind, densities=densities)
    wet = 1 + known.absorption if saturated else 1.0
    return volume_m3 * known.high_kg_per_m3 * wet


@dataclass(frozen=True, slots=True, kw_only=True)
class ImpossibleWeight:
    """A block whose weight and size do not belong together."""

    block: str
    kg_per_m3: float
    problem: str
    remedy: str


def _weighed(block: Mapping[str, Any]) -> float | None:
    """Weight over the volume of the box in kg/m3, of a block that was weighed and measured."""
    if block.get("weight_status") != "measured" or not is_missing(block.get("parent")):
        return None
    names = ("weight_kg", "length_m", "height_m", "depth_m")
    weight, *sides = (0.0 if is_missing(block.get(n)) else float(block[n]) for n in names)
    volume = float(np.prod(sides))
    return weight / volume if weight > 0 and volume > 0 else None


def impossible_weights(blocks: Sequence[Mapping[str, Any]]) -> tuple[ImpossibleWeight, ...]:
    """Blocks that are heavier or lighter than stone of their size can be, in the order given.

    Parameters
    ----------
    blocks : sequence of mapping
        Rows of the table ``blocks``.

    Notes
    -----
    The box over all holds the whole block, so that weight over box is at most the density of the
    stone. More than the grains of the rock without any pore weigh (with 5 % for the scale and the
    tape) cannot be; less than 45 % of its lightest kind is no block in its box.
    """
    found = []
    for block in blocks:
        density = _weighed(block)
        if density is None:
            continue
        rock = _kind_of(block.get("stone_type"), block.get("kind"))
        most, least = _GRAINS[rock] * (1 + _SCATTER), TYPICAL_DENSITIES[rock].low_kg_per_m3
        if density > most:
            limit = f"more than {rock} without a pore weighs ({_GRAINS[rock] / 1000:.2f} t/m3)"
        elif density < least * _LEAST_FILLED:
            limit = f"less than half of light {rock} ({least / 1000:.2f} t/m3)"
        else:
            continue
        found.append(
            ImpossibleWeight(
                block=str(block["id"]),
                kg_per_m3=density,
                problem=f"{float(block['weight_kg']):.1f} kg in its size over all is "
                f"{density / 1000:.2f} t/m3, {limit}",
                remedy="Weigh it again and measure length, height and depth over all; "
                "until then plan its lift for the heavier.",
            )
        )
    return tuple(found)


def measured_densities(blocks: Sequence[Mapping[str, Any]]) -> dict[str, StoneDensity]:
    """Density of every local stone of which enough blocks were weighed, by its name.

    Parameters
    ----------
    blocks : sequence of mapping
        Rows of the table ``blocks``; impossible weights and remainders are left out.

    Returns
    -------
    dict of str to StoneDensity
        Likely is the median of weight over box, low and high the extremes; high is never below the
        handbook's likely value, since a box is larger than its block.
    """
    impossible = {i.block for i in impossible_weights(blocks)}
    found: dict[str, list[float]] = {}
    kinds: dict[str, Any] = {}
    for block in blocks:
        density = _weighed(block)
        if density is None or str(block["id"]) in impossible or is_missing(block.get("stone_type")):
            continue
        found.setdefault(str(block["stone_type"]), []).append(density)
        kinds.setdefault(str(block["stone_type"]), block.get("kind"))
    result = {}
    for name, values in found.items():
        if len(values) < LEAST_WEIGHED:
            continue
        typical = density_of(name, kinds[name])
        result[name] = StoneDensity(
            low_kg_per_m3=min(values),
            likely_kg_per_m3=float(np.median(values)),
            high_kg_per_m3=max(*values, typical.likely_kg_per_m3),
            absorption=typical.absorption,
            source=f"{len(values)} blocks of this stone weighed and measured over all",
            status="measured",
            weighed=len(values),
        )
    return result
