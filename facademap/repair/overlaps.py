"""Cut-outs that take the same stone."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import shapely

__all__ = ["SHARED_AREA_M2", "shared_stone_m2"]

#: Cut-outs may share this much stone before two repairs are said to overlap: 1 cm2 (project rule).
SHARED_AREA_M2 = 1e-4


def shared_stone_m2(
    shapes: Sequence[Any], stones: Sequence[Any], *, among: Sequence[int] | None = None
) -> dict[tuple[int, int], float]:
    """Stone that two cut-outs take both, by their places in the list; pairs that share none are left out.

    Parameters
    ----------
    shapes : sequence of polygons
        Cut-outs of one surface, in metres.
    stones : sequence of polygons
        Wall stones of it. Two cut-outs may share the mortar of the joint between their stones, but no stone.
    among : sequence of int, optional
        Only pairs with one of these.
    """
    cuts, own = np.array(shapes, dtype=object), np.array(stones, dtype=object)
    if not len(cuts) or not len(own):
        return {}
    tree, wanted = shapely.STRtree(own), range(len(cuts)) if among is None else among
    first, second = shapely.STRtree(cuts).query(cuts[list(wanted)], predicate="intersects")
    found: dict[tuple[int, int], float] = {}
    for k, j in zip(first, second, strict=True):
        i = wanted[int(k)]
        pair = (min(i, int(j)), max(i, int(j)))
        if i == j or pair in found:
            continue
        shared = cuts[i].intersection(cuts[j])
        found[pair] = float(
            shapely.area(shapely.intersection(own[tree.query(shared)], shared)).sum()
        )
    return {pair: area for pair, area in found.items() if area > 0}
