"""The saw plan of a block as a sequence: every cut takes one solid and leaves others, down to the pieces."""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal, TypeAlias

import numpy as np
import shapely

from facademap.errors import InputError
from facademap.match.candidates import need_mm
from facademap.match.outlines import blank_of, turned
from facademap.match.problem import TOLERANCE_MM, Flaw, Params, Point, Problem
from facademap.match.solids import (
    DUST_MM2,
    Solid,
    contour,
    holds_round,
    parted,
    polygons,
    ring_of,
    straight,
)
from facademap.match.solution import Placement, Slabs, Solution

__all__ = [
    "LEAST_REMAINDER_MM",
    "TOOLS",
    "Blank",
    "Kind",
    "SawOrder",
    "SawPlan",
    "SawStep",
    "saw",
    "saw_plan",
]

#: A remainder narrower than this goes to the skip.
LEAST_REMAINDER_MM = 60.0
#: Stone standing over by less is no cut: two tolerances, since each of two neighbours may be off by one.
_OVER_MM = 2 * TOLERANCE_MM + 1e-6
#: A blank with more slanted sides than this is cut round by a wire.
_MOST_SLANTED = 8

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


@dataclass(slots=True)
class _Part:
    """A solid on the bench."""

    polygon: shapely.Polygon
    z0: float
    z1: float
    step: int
    """Number of the step that left it; 0 for the block."""


@dataclass(slots=True)
class _Cut:
    kind: Kind
    kerf_mm: float
    cuts: int
    gives: list[int]
    at_mm: float
    line_mm: tuple[Point, ...]
    kerf_side: int


@dataclass(slots=True)
class _Bench:
    """Solids and cuts by number while the plan grows."""

    order: SawOrder
    params: Params
    parts: list[_Part] = field(default_factory=list)
    cuts: list[_Cut] = field(default_factory=list)
    piece_of: dict[str, int] = field(default_factory=dict)
    left: list[int] = field(default_factory=list)

    @property
    def over_mm(self) -> float:
        """Stone that may stand over a blank and is not sawn: it is dressed off with the trim."""
        return max(self.params.trim_mm, _OVER_MM)

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
        self.parts += [_Part(p, z0, z1, len(self.cuts) + 1) for p, z0, z1 in gives]
        numbers = list(range(first, len(self.parts)))
        self.cuts.append(_Cut(kind, kerf, part, numbers, at_mm, line_mm, side))
        return numbers

    def off_the_back(self, part: int, thickness: float) -> tuple[int, list[int]]:
        """Cut a part parallel to the face: what is in front of the cut, and behind it."""
        p = self.parts[part]
        at = p.z0 + thickness
        behind = at + self.params.depth_kerf_mm
        gives = [(p.polygon, p.z0, at)]
        if p.z1 - behind > _OVER_MM:
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


def saw(order: SawOrder, params: Params) -> SawPlan:
    """The cuts that bring every piece out of a block, in the order of work.

    Parameters
    ----------
    order : SawOrder
    params : Params
        Kerfs, least slab, and whether outlines may be cut round.

    Raises
    ------
    InputError
        A piece leaves the face or its slab, or straight cuts cannot part the pieces: named with its remedy.

    Notes
    -----
    Slabs first, from the face inwards. Then on each part, as long as that leaves a block worth keeping,
    the largest of what can be taken off whole: a side, or the back behind the deepest piece. Then the
    widest gap is cut, and each piece freed: its sides, its depth, its slanted edges, its notches. What stands
    over by no more than the trim is not sawn but dressed off.
    """
    face = shapely.Polygon(order.outline_mm)
    if not order.blanks:
        raise InputError(
            f"no piece is placed on block {order.block_id}", "Name a block that the plan opens."
        )
    bench = _Bench(order=order, params=params)
    bench.parts.append(_Part(face, 0.0, order.depth_mm, 0))
    shapes = _shapes(order, face)
    rest, start = 0, 0.0
    for number, thickness in enumerate(order.thickness_mm):
        here = [b for b in order.blanks if b.slab == number]
        _check_depth(order, here, start, thickness)
        slab = rest
        if number < len(order.thickness_mm) - 1:
            slab, behind = bench.off_the_back(rest, thickness)
            if not behind:
                raise _cannot(order, f"slab {number + 2} lies behind the usable depth")
            rest = behind[0]
        _work(bench, slab, here, shapes)
        start += thickness + params.depth_kerf_mm
    return _named(bench)


def _cannot(order: SawOrder, why: str) -> InputError:
    return InputError(
        f"block {order.block_id} cannot be sawn as planned: {why}",
        "Match again with facademap match --again.",
    )


def _shapes(order: SawOrder, face: shapely.Polygon) -> dict[str, shapely.Polygon]:
    """Outline of every blank, held to the face; it may stand over by the tolerance only."""
    shapes = {}
    for blank in order.blanks:
        if blank.piece_id in shapes:
            raise _cannot(order, f"piece {blank.piece_id} is placed twice")
        if not 0 <= blank.slab < len(order.thickness_mm):
            raise _cannot(
                order, f"piece {blank.piece_id} lies on slab {blank.slab + 1}, which is not there"
            )
        whole = shapely.Polygon(blank.outline_mm)
        held = polygons(whole.intersection(face))
        if not held or not face.buffer(_OVER_MM, join_style="mitre").covers(whole):
            raise _cannot(order, f"piece {blank.piece_id} leaves the sound stone of the face")
        shapes[blank.piece_id] = held[0]
    return shapes


def _check_depth(order: SawOrder, blanks: Sequence[Blank], start: float, thickness: float) -> None:
    room = min(thickness, order.depth_mm - start)
    for blank in blanks:
        if blank.depth_mm > room + TOLERANCE_MM:
            raise _cannot(
                order,
                f"piece {blank.piece_id} needs {blank.depth_mm:.1f} mm and its slab has {max(0.0, room):.1f} mm",
            )


def _work(
    bench: _Bench, part: int, blanks: Sequence[Blank], shapes: Mapping[str, shapely.Polygon]
) -> None:
    """Saw all blanks out of a part."""
    if not blanks:
        bench.left.append(part)
        return
    while (smaller := _take_off(bench, part, blanks, shapes)) is not None:
        part = smaller
    if len(blanks) == 1:
        _free(bench, part, blanks[0], shapes[blanks[0].piece_id])
        return
    p = bench.parts[part]
    gap = parted(
        [shapes[b.piece_id].bounds for b in blanks],
        kerf_mm=bench.params.kerf_mm,
        slack_mm=_OVER_MM,
    )
    if gap is not None:
        axis, at, _, _ = gap
        below, above = bench.across(part, axis, at, 1)
        new = [*below, *above]
    elif bench.params.cut_mode == "free":
        new = _cut_round(bench, part, blanks, shapes)
        blanks = [b for b in blanks if b.piece_id not in bench.piece_of]
    else:
        names = ", ".join(b.piece_id for b in blanks)
        raise _cannot(bench.order, f"straight cuts end to end cannot part {names}")
    groups: dict[int, list[Blank]] = {n: [] for n in new}
    for blank in blanks:
        home = _home(bench, new, shapes[blank.piece_id])
        if home is None:
            raise _cannot(
                bench.order, f"a cut through slab at {p.z0:.0f} mm meets {blank.piece_id}"
            )
        groups[home].append(blank)
    for number, group in groups.items():
        _work(bench, number, group, shapes)


def _home(bench: _Bench, parts: Sequence[int], shape: shapely.Polygon) -> int | None:
    """Which of the parts holds a blank."""
    inside = shape.representative_point()
    return next((n for n in parts if bench.parts[n].polygon.contains(inside)), None)


def _worth(shape: shapely.Polygon, depth: float, params: Params) -> bool:
    """Whether a solid is worth a place in the yard."""
    return depth >= min(LEAST_REMAINDER_MM, params.min_slab_mm) - TOLERANCE_MM and holds_round(
        shape, LEAST_REMAINDER_MM - TOLERANCE_MM
    )


def _take_off(
    bench: _Bench, part: int, blanks: Sequence[Blank], shapes: Mapping[str, shapely.Polygon]
) -> int | None:
    """Take the largest solid worth keeping off a part without a cut through a blank; ``None`` where there is none."""
    p, params = bench.parts[part], bench.params
    box = shapely.total_bounds([shapes[b.piece_id] for b in blanks])
    choices: list[tuple[float, int]] = []
    for side in range(4):
        axis = side % 2
        normal = (1.0, 0.0) if axis == 0 else (0.0, 1.0)
        start = float(box[side]) - (params.kerf_mm if side < 2 else 0.0)
        if (start - p.polygon.bounds[side]) * (1 if side < 2 else -1) < LEAST_REMAINDER_MM / 2:
            continue
        below, above = straight(p.polygon, normal=normal, at_mm=start, kerf_mm=params.kerf_mm)
        off = [q for q in (below if side < 2 else above) if _worth(q, p.z1 - p.z0, params)]
        if off:
            choices.append((sum(q.area for q in off) * (p.z1 - p.z0), side))
    need = max(params.min_slab_mm, *(b.depth_mm for b in blanks))
    back = p.z1 - p.z0 - need - params.depth_kerf_mm
    alone = len(blanks) == 1 and blanks[0].depth_mm < need - _OVER_MM
    if back >= params.min_slab_mm - TOLERANCE_MM and not alone and _worth(p.polygon, back, params):
        choices.append((p.polygon.area * back, 4))
    if not choices:
        return None
    _, side = max(choices, key=lambda c: (c[0], -c[1]))
    if side == 4:
        front, behind = bench.off_the_back(part, need)
        bench.left += behind
        return front
    below, above = bench.across(part, side % 2, float(box[side]), -1 if side < 2 else 1)
    stays, off_ = (above, below) if side < 2 else (below, above)
    home = _home(bench, stays, shapes[blanks[0].piece_id])
    if home is None or any(
        _home(bench, stays, shapes[b.piece_id]) != home for b in blanks[1:]
    ):  # a face so hollow that the side held its parts together
        _undo(bench, len(bench.parts) - len(below) - len(above))
        return None
    bench.left += [n for n in (*stays, *off_) if n != home]
    return home


def _undo(bench: _Bench, parts: int) -> None:
    """Take the last cut back."""
    del bench.parts[parts:]
    bench.cuts.pop()


def _free(bench: _Bench, part: int, blank: Blank, shape: shapely.Polygon) -> None:
    """Free one blank: its sides, the larger rest first, its depth, its slanted edges, its notches, the last by hand."""
    over = bench.over_mm
    while (side := _largest_rest(bench.parts[part].polygon, shape.bounds, over)) is not None:
        below, above = bench.across(part, side % 2, shape.bounds[side], -1 if side < 2 else 1)
        part = _keep_home(bench, [*below, *above], shape, blank)
    if bench.parts[part].z1 - bench.parts[part].z0 - blank.depth_mm > over:
        part, behind = bench.off_the_back(part, blank.depth_mm)
        bench.left += behind
    edges = _slanted(bench.parts[part].polygon, shape, over)
    while edges and len(edges) <= _MOST_SLANTED:
        part = _cut_slanted(bench, part, *edges[0], blank, shape)
        edges = _slanted(bench.parts[part].polygon, shape, over)
    p = bench.parts[part]
    if p.polygon.difference(shape.buffer(over, join_style="mitre")).area > DUST_MM2 / 100:
        inside, offcuts = contour(p.polygon, shape, kerf_mm=bench.params.kerf_mm)
        part, *off = bench.cut(
            part,
            "contour",
            [(q, p.z0, p.z1) for q in (_clean(inside, shape), *offcuts)],
            line_mm=ring_of(shape),
        )
        bench.left += off
    bench.piece_of[blank.piece_id] = _dressed(bench, part, blank, shape)


def _dressed(bench: _Bench, part: int, blank: Blank, shape: shapely.Polygon) -> int:
    """The blank itself: what stands over by the trim at most is dressed off by hand, less than can be seen goes with the last cut."""
    p = bench.parts[part]
    inside = _clean(p.polygon.intersection(shape), p.polygon)
    thick = p.z1 - p.z0 - blank.depth_mm > _OVER_MM
    seen = shape.buffer(_OVER_MM, join_style="mitre")
    if thick or p.polygon.difference(seen).area > DUST_MM2 / 100:
        end = p.z0 + blank.depth_mm if thick else p.z1
        return bench.cut(part, "dressed", [(inside, p.z0, end)], line_mm=ring_of(shape))[0]
    if p.step:
        p.polygon = inside
    return part


def _clean(shape: shapely.Geometry, otherwise: shapely.Polygon) -> shapely.Polygon:
    """The one polygon of a shape."""
    found = polygons(shape)
    return found[0] if found else otherwise


def _keep_home(bench: _Bench, parts: Sequence[int], shape: shapely.Polygon, blank: Blank) -> int:
    """Lay aside all parts but the one that holds the blank."""
    home = _home(bench, parts, shape)
    if home is None:
        raise _cannot(bench.order, f"a cut meets piece {blank.piece_id}")
    bench.left += [n for n in parts if n != home]
    return home


def _largest_rest(
    part: shapely.Polygon, box: tuple[float, float, float, float], over_mm: float
) -> int | None:
    """The side of a box beyond which most of a part lies; ``None`` where no more than ``over_mm`` stands over."""
    now = part.bounds
    over = [(box[s] - now[s]) if s < 2 else (now[s] - box[s]) for s in range(4)]
    rests = [
        (max(0.0, gap) * (now[3 - s % 2] - now[1 - s % 2]), s)
        for s, gap in enumerate(over)
        if gap > over_mm
    ]
    return max(rests)[1] if rests else None


def _slanted(
    part: shapely.Polygon, shape: shapely.Polygon, over_mm: float
) -> list[tuple[Point, Point]]:
    """Edges of the blank's hull beyond which stone of the part stands over, the longest first."""
    hull = shape.convex_hull
    ring = shapely.get_coordinates(shapely.orient_polygons(hull).exterior)
    corners = shapely.get_coordinates(part.exterior)
    found = []
    for a, b in itertools.pairwise(ring):
        along = (b - a) / np.hypot(*(b - a))
        out = np.array([along[1], -along[0]])
        if float((corners @ out).max()) > float(a @ out) + over_mm:
            found.append((float(np.hypot(*(b - a))), tuple(map(float, a)), tuple(map(float, b))))
    found.sort(reverse=True)
    return [(a, b) for _, a, b in found]  # type: ignore[misc]


def _cut_slanted(
    bench: _Bench, part: int, start: Point, end: Point, blank: Blank, shape: shapely.Polygon
) -> int:
    """Cut along one edge of the blank's hull, end to end of the part."""
    p = bench.parts[part]
    length = math.hypot(end[0] - start[0], end[1] - start[1])
    normal = ((end[1] - start[1]) / length, -(end[0] - start[0]) / length)
    at = start[0] * normal[0] + start[1] * normal[1]
    below, above = straight(p.polygon, normal=normal, at_mm=at, kerf_mm=bench.params.kerf_mm)
    if not below:
        raise _cannot(bench.order, f"a cut meets piece {blank.piece_id}")
    edge = shapely.LineString(
        [
            (start[0] - normal[1] * -9e4, start[1] + normal[0] * -9e4),
            (start[0] - normal[1] * 9e4, start[1] + normal[0] * 9e4),
        ]
    ).intersection(p.polygon)
    ends = shapely.get_coordinates(edge)
    numbers = bench.cut(
        part,
        "slanted",
        [(q, p.z0, p.z1) for q in (*below, *above)],
        line_mm=(tuple(map(float, ends[0])), tuple(map(float, ends[-1]))),  # type: ignore[arg-type]
    )
    return _keep_home(bench, numbers, shape, blank)


def _cut_round(
    bench: _Bench, part: int, blanks: Sequence[Blank], shapes: Mapping[str, shapely.Polygon]
) -> list[int]:
    """Cut the blank nearest to an edge out with a wire; what is left goes on."""
    p = bench.parts[part]
    nearest = min(
        blanks, key=lambda b: (shapes[b.piece_id].distance(p.polygon.exterior), b.piece_id)
    )
    shape = shapes[nearest.piece_id]
    inside, rest = contour(p.polygon, shape, kerf_mm=bench.params.kerf_mm)
    home, *others = bench.cut(
        part,
        "contour",
        [(q, p.z0, p.z1) for q in (_clean(inside, shape), *rest)],
        line_mm=ring_of(shape),
    )
    _free(bench, home, nearest, shape)
    return others


def _named(bench: _Bench) -> SawPlan:
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
        worth = _worth(p.polygon, p.z1 - p.z0, bench.params)
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


def saw_plan(
    problem: Problem, solution: Solution, block_id: str, *, names: Mapping[str, str] | None = None
) -> SawPlan:
    """The saw plan of a block that the solution opens.

    Parameters
    ----------
    problem, solution
        A problem and a plan for it that passes :func:`facademap.match.verify`.
    block_id : str
        A block with at least one placement.
    names : mapping of repair id to piece id, optional
        What the pieces are called; as their repairs where it says nothing.

    Raises
    ------
    InputError
        Nothing is placed on the block, or it cannot be sawn so.
    """
    placements = solution.on_block(block_id)
    if not placements:
        raise InputError(
            f"no piece is placed on block {block_id}", "Name a block that the plan opens."
        )
    face = problem.block(block_id).face(placements[0].face_id)
    slabs = solution.slabs.get(block_id) or Slabs(face_id=face.id, thickness_mm=(face.depth_mm,))

    def blank(place: Placement) -> Blank:
        repair = problem.repair(place.repair_id)
        shape = blank_of(repair, problem.params)
        ring = turned(
            shape.outline_mm, place.rot_deg, width_mm=shape.width_mm, height_mm=shape.height_mm
        )
        return Blank(
            piece_id=(names or {}).get(repair.id, repair.id),
            slab=place.slab,
            outline_mm=tuple((x + place.x_mm, y + place.y_mm) for x, y in ring),
            depth_mm=need_mm(repair, face, problem.params, slab=place.slab),
        )

    order = SawOrder(
        block_id=block_id,
        face_id=face.id,
        outline_mm=face.outline_mm,
        depth_mm=face.depth_mm,
        thickness_mm=slabs.thickness_mm,
        blanks=tuple(blank(p) for p in placements),
        flaws=face.flaws,
    )
    return saw(order, problem.params)
