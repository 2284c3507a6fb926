"""What the matching gives back: placements, slabs, reasons, and how good the plan is proved to be."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal, TypeAlias

__all__ = ["Placement", "Quality", "Reason", "Slabs", "Solution", "Unmatched"]

Reason: TypeAlias = Literal[
    "stone_type", "bed", "depth", "weathered", "colour", "size", "capacity", "locked_out"
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Placement:
    """A blank on a slab: turned ``rot_deg`` counter-clockwise, lower-left of its bounding box at (x, y)."""

    repair_id: str
    block_id: str
    face_id: str
    slab: int
    x_mm: float
    y_mm: float
    rot_deg: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Slabs:
    """How a block is sawn into slabs parallel to the face that is worked, from the face inwards."""

    face_id: str
    thickness_mm: tuple[float, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Unmatched:
    """A repair without a piece: the reason and the least stone to look for (width, height, depth)."""

    repair_id: str
    reason: Reason
    source_mm: tuple[float, float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Quality:
    """The plan in parts, and what is proved about it.

    ``gap_fixed_count`` compares with the best plan that leaves the same priority unmatched;
    ``gap_avoidable`` leaves out the penalties of repairs that no block can serve.
    """

    unmatched_priority: float
    unavoidable_priority: float
    visual: float
    opening: float
    opened_dm3: float
    placed: int
    placed_proved: bool
    unmatched_priority_bound: float
    bound_fixed_count: float
    gap_fixed_count: float
    gap_avoidable: float
    undecided_sets: int = 0
    work: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Solution:
    """A plan and its proof; ``status`` is optimal only where the gap is at most 1e-6."""

    status: Literal["optimal", "feasible"]
    objective: float
    bound: float
    gap: float
    seconds: float
    seed: int
    ended_by: Literal["proof", "time", "work"]
    placements: tuple[Placement, ...]
    unmatched: tuple[Unmatched, ...]
    slabs: Mapping[str, Slabs] = field(default_factory=dict)
    quality: Quality | None = None

    def placement(self, repair_id: str) -> Placement | None:
        """Where a repair's piece lies, or None where it has none."""
        return next((p for p in self.placements if p.repair_id == repair_id), None)

    def on_block(self, block_id: str) -> tuple[Placement, ...]:
        """The placements on one block."""
        return tuple(p for p in self.placements if p.block_id == block_id)
