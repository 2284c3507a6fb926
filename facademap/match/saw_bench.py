"""The bench while a saw plan grows: the solids that lie on it, the cuts so far, and the names that they get in the end."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import shapely

from facademap.errors import InputError
from facademap.match.problem import TOLERANCE_MM, Params, Point
from facademap.match.saw_model import TOOLS, Blank, Kind, SawOrder, SawPlan, SawStep
from facademap.match.solids import Solid, holds_round, ring_of, straight

__all__ = [
    "LEAST_REMAINDER_MM",
    "OVER_MM",
    "Bench",
    "Part",
    "cannot_be_sawn",
    "home_of",
    "lay_aside",
    "named_plan",
    "undo",
    "worth_keeping",
]

#: A remainder narrower than this goes to the skip.
LEAST_REMAINDER_MM = 60.0
#: Stone standing over by less is no cut: two tolerances, since each of two neighbours may be off by one.
OVER_MM = 2 * TOLERANCE_MM + 1e-6


@dataclass(slots=True)
class Part:
    """A solid on the bench."""

    polygon: shapely.Polygon
    z0: float
    z1: float
    step: int
    """Number of the step that left it; 0 for the block."""


@dataclass(slots=True)
class Cut:
    kind: Kind
    kerf_mm: float
    cuts: int
    gives: list[int]
    at_mm: float
    line_mm: tuple[Point, ...]
    kerf_side: int


@dataclass(slots=True)
class Bench:
    """Solids and cuts by number while the plan grows."""

    order: SawOrder
    params: Params
    parts: list[Part] = field(default_factory=list)
    cuts: list[Cut] = field(default_factory=list)
    piece_of: dict[str, int] = field(default_factory=dict)
    left: list[int] = field(default_factory=list)

    @property
    def over_mm(self) -> float:
        """Stone that may stand over a blank and is not sawn: it is dressed off with the trim."""
        return max(self.params.trim_mm, OVER_MM)

    def cut(
        self,
        part: int,
        kind: Kind,
        gives: Sequence[tuple[shapely.Polygon, float, float]],
        *,
        at_mm: float = 0.0,
        line_mm: tuple[Point, ...] = (),
        side: int = 1,
    ) -> list[int]:
        """Note a cut and put what it gives on the bench."""
        kerf = {"parallel": self.params.depth_kerf_mm, "dressed": 0.0}.get(
            kind, self.params.kerf_mm
        )
        first = len(self.parts)
        self.parts += [Part(p, z0, z1, len(self.cuts) + 1) for p, z0, z1 in gives]
        numbers = list(range(first, len(self.parts)))
        self.cuts.append(Cut(kind, kerf, part, numbers, at_mm, line_mm, side))
        return numbers

    def off_the_back(self, part: int, thickness: float) -> tuple[int, list[int]]:
        """Cut a part parallel to the face: what is in front of the cut, and behind it."""
        p = self.parts[part]
        at = p.z0 + thickness
        behind = at + self.params.depth_kerf_mm
        gives = [(p.polygon, p.z0, at)]
        if p.z1 - behind > OVER_MM:
            gives.append((p.polygon, behind, p.z1))
        front, *back = self.cut(part, "parallel", gives, at_mm=at)
        return front, back

    def across(self, part: int, axis: int, at: float, side: int) -> tuple[list[int], list[int]]:
        """A straight cut whose kerf begins (``side`` 1) or ends (-1) at ``at``: what is below and above it."""
        p, kerf = self.parts[part], self.params.kerf_mm
        start = at if side > 0 else at - kerf
        below, above = straight(
            p.polygon, normal=(1.0, 0.0) if axis == 0 else (0.0, 1.0), at_mm=start, kerf_mm=kerf
        )
        low, high = p.polygon.bounds[1 - axis], p.polygon.bounds[3 - axis]
        ends = ((at, low), (at, high)) if axis == 0 else ((low, at), (high, at))
        numbers = self.cut(
            part,
            "upright" if axis == 0 else "level",
            [(q, p.z0, p.z1) for q in (*below, *above)],
            at_mm=at,
            line_mm=ends,
            side=side,
        )
        return numbers[: len(below)], numbers[len(below) :]


def cannot_be_sawn(order: SawOrder, why: str) -> InputError:
    """The error that says why a block cannot be sawn as planned."""
    return InputError(
        f"block {order.block_id} cannot be sawn as planned: {why}",
        "Match again with facademap match --again.",
    )


def home_of(bench: Bench, parts: Sequence[int], shape: shapely.Polygon) -> int | None:
    """Which of the parts holds a blank."""
    inside = shape.representative_point()
    return next((n for n in parts if bench.parts[n].polygon.contains(inside)), None)


def lay_aside(bench: Bench, parts: Sequence[int], shape: shapely.Polygon, blank: Blank) -> int:
    """Lay aside all parts but the one that holds the blank."""
    home = home_of(bench, parts, shape)
    if home is None:
        raise cannot_be_sawn(bench.order, f"a cut meets piece {blank.piece_id}")
    bench.left += [n for n in parts if n != home]
    return home


def worth_keeping(shape: shapely.Polygon, depth: float, params: Params) -> bool:
    """Whether a solid is worth a place in the yard."""
    return depth >= min(LEAST_REMAINDER_MM, params.min_slab_mm) - TOLERANCE_MM and holds_round(
        shape, LEAST_REMAINDER_MM - TOLERANCE_MM
    )


def undo(bench: Bench, parts: int) -> None:
    """Take the last cut back."""
    del bench.parts[parts:]
    bench.cuts.pop()


def named_plan(bench: Bench) -> SawPlan:
    """The plan, its solids under the names that they keep: block, pieces, blocks to come, parts and offcuts."""
    order = bench.order
    taken = {order.block_id}
    names: dict[int, str] = {0: order.block_id}

    def name(number: int, wanted: str) -> str:
        while wanted in taken:
            wanted += "'"
        taken.add(wanted)
        names[number] = wanted
        return wanted

    pieces = {
        piece: names[n] if n in names else name(n, piece)
        for piece, n in sorted(bench.piece_of.items())
    }
    kept: list[str] = []
    left: list[str] = []
    for number in sorted(bench.left):
        p = bench.parts[number]
        worth = worth_keeping(p.polygon, p.z1 - p.z0, bench.params)
        if worth:
            kept.append(name(number, f"{order.block_id}-{len(kept) + 1}"))
            left.append(kept[-1])
        else:
            left.append(name(number, f"offcut {len(left) - len(kept) + 1}"))
    between = [n for n in range(len(bench.parts)) if n not in names]
    for count, number in enumerate(between, start=1):
        name(number, f"part {count}")
    solids = {
        names[n]: Solid(
            id=names[n],
            outline_mm=ring_of(p.polygon),
            z0_mm=round(p.z0, 6),
            z1_mm=round(p.z1, 6),
        )
        for n, p in enumerate(bench.parts)
    }
    steps = tuple(
        SawStep(
            number=k,
            kind=c.kind,
            tool=TOOLS[c.kind],
            kerf_mm=c.kerf_mm,
            cuts=names[c.cuts],
            gives=tuple(names[n] for n in c.gives),
            kerf_mm3=solids[names[c.cuts]].volume_mm3
            - math.fsum(solids[names[n]].volume_mm3 for n in c.gives),
            at_mm=round(c.at_mm, 6),
            line_mm=c.line_mm,
            kerf_side=c.kerf_side,
        )
        for k, c in enumerate(bench.cuts, start=1)
    )
    return SawPlan(
        order=order, solids=solids, steps=steps, pieces=pieces, left=tuple(left), kept=tuple(kept)
    )
