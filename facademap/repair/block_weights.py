"""What a block and every part of it weigh under the saw: the likely weight, and the one to lift for."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from facademap.repair.handling import StoneDensity, density_of
from facademap.tables import is_missing
from facademap.units import KG_PER_LB

__all__ = ["BlockWeights", "how_to_lift", "weights_of_block"]

#: One person lifts to the first, two or a hoist to the second, beyond it only gear (common practice).
ONE_PERSON_KG, BY_HAND_KG = 10.0, 25.0
#: A block weighed lighter or heavier than stone can be was measured or weighed wrong.
_POSSIBLE_KG_PER_M3 = (1000.0, 3300.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class BlockWeights:
    """Weights of one block.

    Parameters
    ----------
    likely_kg_per_m3, lift_kg_per_m3 : float
        Density for sums, and the heavier one, soaked with water, for lifting.
    how : str
        Where the density is from.
    block_kg : float or None
        Weight of the whole block as it lies, with what lies outside its sound stone.
    warning : str
        What is wrong with the block's weight; empty where nothing is.
    """

    likely_kg_per_m3: float
    lift_kg_per_m3: float
    how: str
    block_kg: float | None
    warning: str = ""

    def kg(self, volume_mm3: float) -> float:
        """Likely weight of a part."""
        return volume_mm3 * 1e-9 * self.likely_kg_per_m3

    def lift_kg(self, volume_mm3: float) -> float:
        """Weight of a part to choose people and gear for."""
        return volume_mm3 * 1e-9 * self.lift_kg_per_m3


def weights_of_block(
    block: Mapping[str, Any], *, densities: Mapping[str, StoneDensity | float] | None = None
) -> BlockWeights:
    """Densities of one block: its own where it was weighed, else those of its stone.

    Parameters
    ----------
    block : mapping
        Row of the table ``blocks``.
    densities : mapping, optional
        Densities by local name of the stone, asked before handbooks.

    Notes
    -----
    Weight over the box is at most the density of the stone, since no block fills its box; lifting takes the
    heavier of that and the stone's.
    """
    stone = density_of(block["stone_type"], block["kind"], densities=densities)
    name = "" if is_missing(block["stone_type"]) else str(block["stone_type"])
    weight = None if is_missing(block["weight_kg"]) else float(block["weight_kg"])
    sides = [block[n] for n in ("length_m", "height_m", "depth_m")]
    likely, how, warning = _likely(stone), f"density of {name or 'stone'}: {stone.source}", ""
    if weight and block["weight_status"] == "measured" and not any(is_missing(s) for s in sides):
        volume = float(sides[0]) * float(sides[1]) * float(sides[2])
        own = weight / volume if volume > 0 else 0.0
        if _POSSIBLE_KG_PER_M3[0] <= own <= _POSSIBLE_KG_PER_M3[1]:
            likely, how = own, "this block as weighed, over its size over all"
        else:
            warning = (
                f"{weight:.0f} kg in its size over all is {own / 1000:.2f} t/m3, which no stone is: "
                "weigh and measure it again"
            )
    return BlockWeights(
        likely_kg_per_m3=likely,
        lift_kg_per_m3=max(likely, _heavy(stone)) * (1.0 + stone.absorption),
        how=how,
        block_kg=weight,
        warning=warning,
    )


def _likely(stone: StoneDensity) -> float:
    return stone.density_kg_per_m3


def _heavy(stone: StoneDensity) -> float:
    return stone.density_kg_per_m3


def how_to_lift(kg: float, *, thin: bool = False) -> str:
    """In a few words how a part of that weight is lifted; empty where one person may.

    Examples
    --------
    >>> how_to_lift(8.0)
    ''
    >>> how_to_lift(40.0)
    'gear, not by hand: 40 kg, 88 lb'
    """
    if kg > BY_HAND_KG:
        words = f"gear, not by hand: {kg:.0f} kg, {kg / KG_PER_LB:.0f} lb"
    elif kg > ONE_PERSON_KG:
        words = f"two people or a hoist: {kg:.0f} kg, {kg / KG_PER_LB:.0f} lb"
    else:
        return ""
    return words + (", on edge" if thin else "")
