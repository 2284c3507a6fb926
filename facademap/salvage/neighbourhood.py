"""Where to look for the colour that a piece must match: sound stone round its cut-out."""

from __future__ import annotations

from typing import Any

import shapely

__all__ = ["sound_ring"]

#: How far round the cut-out the neighbourhood reaches, and how far stone is kept from joints, cracks and
#: the cut-out's own edge (project rules).
REACH_M = 0.30
CLEAR_M = 0.012
#: A neighbourhood smaller than this is grown (project rule): 3 dm2.
FEWEST_AREA_M2 = 0.03


def sound_ring(
    cut_out: Any,
    stones: Any,
    damaged: Any,
    openings: Any,
    *,
    stone_types: Any = None,
    wanted: str | None = None,
    reach_m: float = REACH_M,
) -> Any:
    """Sound stone round a cut-out: joints, conditions, other cut-outs and openings left out.

    Parameters
    ----------
    cut_out : shapely geometry
    stones, damaged, openings : array of shapely geometries
        Wall stones; conditions and other cut-outs; openings. All in the frame of the cut-out.
    stone_types : sequence of str, optional
        Type of each wall stone.
    wanted : str, optional
        Only stones of this type count, where there are any.
    reach_m : float

    Returns
    -------
    shapely geometry
        May be empty when nothing sound is near. Grown up to three times the reach when too small.
    """
    result = shapely.Polygon()
    for step in (1, 2, 3):
        near = cut_out.buffer(reach_m * step, join_style="mitre")
        picked = [
            s.buffer(-CLEAR_M)
            for k, s in enumerate(stones)
            if s.intersects(near)
            and (wanted is None or stone_types is None or stone_types[k] == wanted)
        ]
        if not picked and wanted is not None:
            picked = [s.buffer(-CLEAR_M) for s in stones if s.intersects(near)]
        taken = [
            g.buffer(CLEAR_M)
            for g in (*damaged, *openings, cut_out)
            if g is not None and g.intersects(near)
        ]
        result = shapely.union_all(picked).intersection(near).difference(shapely.union_all(taken))
        if result.area >= FEWEST_AREA_M2:
            break
    return result
