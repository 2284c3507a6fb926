"""What a saw plan leaves for the yard: each remainder as a solid with its faces, its flaws and its descent."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from facademap.match.problem import Flaw, Point
from facademap.match.saw_model import SawPlan
from facademap.match.solids import Solid, polygons, ring_of
from facademap.wall.mending import mend

__all__ = ["Remainder", "flaws_in", "remainders_of"]

#: Two faces nearer than this are one and the same, in mm.
_SAME_MM = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class Remainder:
    """A solid worth keeping, in the frame of the old face.

    Parameters
    ----------
    id, block_id : str
        Of the block that it becomes, and of the one that it comes from.
    solid : Solid
    flaws : tuple of Flaw
        Those that reach it, clipped to it, depths counted from its own front.
    old_face : bool
        Whether its front is the face of the block; else it is sawn.
    old_back : bool
        Whether its back is that of the usable stone, found as it is; else it is sawn.
    sawn_edges, edges : int
        How many of the sides round its outline are sawn, and how many there are.
    """

    id: str
    block_id: str
    solid: Solid
    flaws: tuple[Flaw, ...]
    old_face: bool
    old_back: bool
    sawn_edges: int
    edges: int

    @property
    def faces(self) -> str:
        """Its faces in words."""
        front = "front: old face" if self.old_face else "front: sawn"
        back = "back as found" if self.old_back else "back sawn"
        return f"{front}, {back}, {self.sawn_edges} of {self.edges} sides sawn"


def remainders_of(plan: SawPlan) -> tuple[Remainder, ...]:
    """The remainders of a plan, in the order in which they fall off."""
    return tuple(_remainder(plan, plan.solids[name]) for name in plan.kept)


def _remainder(plan: SawPlan, solid: Solid) -> Remainder:
    ring = np.asarray(solid.outline_mm)
    middles = shapely.points((ring + np.roll(ring, -1, axis=0)) / 2)
    old = shapely.distance(middles, shapely.Polygon(plan.order.outline_mm).exterior) < _SAME_MM
    return Remainder(
        id=solid.id,
        block_id=plan.block_id,
        solid=solid,
        flaws=flaws_in(plan.order.flaws, solid),
        old_face=solid.z0_mm < _SAME_MM,
        old_back=solid.z1_mm > plan.order.depth_mm - _SAME_MM,
        sawn_edges=int(np.count_nonzero(~old)),
        edges=len(ring),
    )


def flaws_in(flaws: Sequence[Flaw], solid: Solid) -> tuple[Flaw, ...]:
    """Flaws as far as they reach into a solid; depths counted from its front, ``None`` where one leaves by its back."""
    found = []
    outline = solid.polygon
    for flaw in flaws:
        if not flaw.reaches(solid.z0_mm, solid.depth_mm):
            continue
        through = flaw.depth_mm is None or flaw.depth_mm >= solid.z1_mm - _SAME_MM
        drawn = shapely.Polygon(flaw.outline_mm)
        if not drawn.is_valid and drawn.convex_hull.area == 0:
            continue  # a line: it takes no room
        for bit in polygons(mend(drawn, name="a flaw").intersection(outline)):
            ring: tuple[Point, ...] = ring_of(bit)
            found.append(
                Flaw(
                    outline_mm=ring,
                    depth_mm=None if through else float(flaw.depth_mm or 0.0) - solid.z0_mm,
                    from_mm=max(0.0, flaw.from_mm - solid.z0_mm),
                )
            )
    return tuple(found)
