"""Damage indices: one number for how far an elevation has decayed.

References
----------
B. Fitzner, K. Heinrichs, D. La Bouchardiere, "Damage index for stone monuments", 2002 (RWTH Aachen);
the formulas are from memory.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from facademap.errors import InputError

__all__ = ["DamageIndices", "damage_indices"]


@dataclass(frozen=True, slots=True, kw_only=True)
class DamageIndices:
    """Linear and progressive damage index, both from 0 (none) to 5 (very severe)."""

    linear: float
    progressive: float


def damage_indices(shares_percent: Sequence[float]) -> DamageIndices:
    """Indices from the share of the area in each damage category.

    Parameters
    ----------
    shares_percent : sequence of 6 float
        Percent of the area in the categories 0 none, 1 very slight, 2 slight, 3 moderate, 4 severe,
        5 very severe; they sum to 100.

    Raises
    ------
    InputError
        Not six shares from 0 to 100 % that sum to 100 %.

    Examples
    --------
    >>> damage_indices([50, 20, 15, 10, 4, 1]).linear
    1.01
    """
    if len(shares_percent) != 6 or any(not 0 <= s <= 100 for s in shares_percent):
        raise InputError(
            "damage categories need six shares from 0 to 100 %",
            "Give one share for each category 0 to 5.",
        )
    if abs(sum(shares_percent) - 100.0) > 0.01:
        raise InputError(f"the shares sum to {sum(shares_percent):g} %", "Let them sum to 100 %.")
    linear = sum(k * s for k, s in enumerate(shares_percent)) / 100.0
    progressive = math.sqrt(sum(k * k * s for k, s in enumerate(shares_percent)) / 100.0)
    return DamageIndices(linear=linear, progressive=progressive)
