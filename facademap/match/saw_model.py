"""Saw plans as values: what is ordered of a block, the cuts that bring it out, and the solids in between."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal, TypeAlias

from facademap.match.problem import Flaw, Point
from facademap.match.solids import Solid

__all__ = ["TOOLS", "Blank", "Kind", "SawOrder", "SawPlan", "SawStep"]

#: parallel: to the face, ``at_mm`` behind it. upright, level: at a distance from the left, from below. slanted: along
#: a line. contour: round an outline. dressed: by hand, what stands over by the trim at most.
Kind: TypeAlias = Literal["parallel", "upright", "level", "slanted", "contour", "dressed"]
#: Tool of each kind of cut. Which one a yard uses is its own matter; the kerf is what the matching reserved.
TOOLS: Mapping[str, str] = {
    "parallel": "block saw",
    "upright": "bridge saw",
    "level": "bridge saw",
    "slanted": "bridge saw",
    "contour": "wire saw",
    "dressed": "chisel",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Blank:
    """A piece to be sawn: its outline with trim where it lies on the face, its slab, and how deep it is with its allowance."""

    piece_id: str
    slab: int
    outline_mm: tuple[Point, ...]
    depth_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SawOrder:
    """One block and what is to come out of it. ``thickness_mm`` are its slabs from the face inwards."""

    block_id: str
    face_id: str
    outline_mm: tuple[Point, ...]
    depth_mm: float
    thickness_mm: tuple[float, ...]
    blanks: tuple[Blank, ...]
    flaws: tuple[Flaw, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class SawStep:
    """One cut.

    Parameters
    ----------
    number : int
        From 1, in the order of work.
    kind, tool, kerf_mm
        What kind of cut, with what, and how wide.
    cuts : str
        The solid that is cut.
    gives : tuple of str
        The solids that it leaves.
    kerf_mm3 : float
        Stone that goes to the blade, with what is too thin to stay whole.
    at_mm : float
        Where the kerf begins: behind the face, from the left or from below in the frame of the face;
        0 for the others.
    line_mm : tuple of (x, y)
        The cut edge on the face: two ends of a straight cut, the outline of the blank where it is cut round or
        dressed, nothing for a cut parallel to the face.
    kerf_side : {-1, 1}
        On which side of the cut edge the kerf lies: 1 towards larger numbers.
    """

    number: int
    kind: Kind
    tool: str
    kerf_mm: float
    cuts: str
    gives: tuple[str, ...]
    kerf_mm3: float
    at_mm: float = 0.0
    line_mm: tuple[Point, ...] = ()
    kerf_side: int = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class SawPlan:
    """Everything the saw needs for one block: the solids by id, the cuts in order, which solid is which piece, and what is left.

    ``left`` that is worth a place in the yard stands in ``kept`` too, under the id of the block that it becomes.
    """

    order: SawOrder
    solids: Mapping[str, Solid]
    steps: tuple[SawStep, ...]
    pieces: Mapping[str, str]
    left: tuple[str, ...]
    kept: tuple[str, ...]

    @property
    def block_id(self) -> str:
        """Id of the block."""
        return self.order.block_id

    @property
    def block(self) -> Solid:
        """The sound stone before the first cut."""
        return self.solids[self.order.block_id]
