"""What a block and every part of it weigh under the saw: the likely weight, and the one to lift for."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from facademap.salvage.densities import StoneDensity, density_of, impossible_weights
from facademap.tables import is_missing
from facademap.units import KG_PER_LB

__all__ = ["BlockWeights", "how_to_lift", "weights_of_block"]

#: One person lifts to the first, two or a hoist to the second, beyond it only gear (common practice).
ONE_PERSON_KG, BY_HAND_KG = 10.0, 25.0


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
    heavier of that and the stone's, also where that weight cannot be: until it is weighed again.
    """
    stone = density_of(block["stone_type"], block["kind"], densities=densities)
    name = "" if is_missing(block["stone_type"]) else str(block["stone_type"])
    weight = None if is_missing(block["weight_kg"]) else float(block["weight_kg"])
    sides = [block[n] for n in ("length_m", "height_m", "depth_m")]
    likely, how, warning = (
        stone.likely_kg_per_m3,
        f"density of {name or 'stone'}: {stone.source}",
        "",
    )
    own = 0.0
    if weight and block["weight_status"] == "measured" and not any(is_missing(s) for s in sides):
        volume = float(sides[0]) * float(sides[1]) * float(sides[2])
        own = weight / volume if volume > 0 else 0.0
        impossible = impossible_weights([block])
        if impossible:
            warning = f"{impossible[0].problem}. {impossible[0].remedy}"
        elif own > 0:
            likely, how = own, "this block as weighed, over its size over all"
    return BlockWeights(
        likely_kg_per_m3=likely,
        lift_kg_per_m3=max(likely, own, stone.high_kg_per_m3) * (1.0 + stone.absorption),
        how=how,
        block_kg=weight,
        warning=warning,
    )


def how_to_lift(kg: float, *, thin: bool = False, inches: bool = False) -> str:
    """In a few words how a part of that weight is lifted; empty where one person may.

    Examples
    --------
    >>> how_to_lift(8.0)
    ''
    >>> how_to_lift(40.0)
    'gear, not by hand: 40 kg, 88 lb'
    """
    pounds = kg / KG_PER_LB
    told = f"{pounds:.0f} lb ({kg:.0f} kg)" if inches else f"{kg:.0f} kg, {pounds:.0f} lb"
    if kg > BY_HAND_KG:
        words = f"gear, not by hand: {told}"
    elif kg > ONE_PERSON_KG:
        words = f"two people or a hoist: {told}"
    else:
        return ""
    return words + (", on edge" if thin else "")
