"""The saw plan of a block: slabs, straight cuts in order with their stops, pieces, and what remains."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal, TypeAlias

import shapely

from facademap.errors import InputError
from facademap.match.outlines import blank_of, turned
from facademap.match.problem import TOLERANCE_MM, Block, Face, Flaw, Point, Problem
from facademap.match.solution import Placement, Slabs, Solution

__all__ = ["Remainder", "SawCut", "SawPlan", "SawnPiece", "SawnSlab", "saw_plan"]

#: A remainder smaller than this in either direction goes to the skip.
LEAST_REMAINDER_MM = 60.0
Box: TypeAlias = tuple[float, float, float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class SawnSlab:
    """One slab: where it starts behind the face and how thick it is."""

    number: int
    start_mm: float
    thickness_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SawCut:
    """One cut. ``kind`` slab: parallel to the face, ``at_mm`` behind it. x (y): upright (level) on the slab,
    the kerf from ``at_mm`` to ``at_mm`` + kerf, from one end of the part to the other. ``stop_mm`` is what the
    fence is set to: the distance from the part's left (lower) edge, or from the face. contour: free cutting."""

    number: int
    kind: Literal["slab", "x", "y", "contour"]
    slab: int
    at_mm: float
    stop_mm: float
    from_mm: float
    to_mm: float
    kerf_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SawnPiece:
    """A blank on its slab, outline in the frame of the face; free after cut ``after_cut``."""

    repair_id: str
    slab: int
    outline_mm: tuple[Point, ...]
    after_cut: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Remainder:
    """What is left and worth keeping: a block-to-be in the frame of the old face, with its descent."""

    id: str
    block_id: str
    face_id: str
    slab: int
    stone: str
    face: Face
    weight_kg: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SawPlan:
    """Everything the saw needs for one block."""

    block_id: str
    face_id: str
    slabs: tuple[SawnSlab, ...]
    cuts: tuple[SawCut, ...]
    pieces: tuple[SawnPiece, ...]
    remainders: tuple[Remainder, ...]


@dataclass(slots=True)
class _Bench:
    """What grows while the plan is made."""

    kerf_mm: float
    cuts: list[SawCut]
    pieces: list[SawnPiece]
    left: list[tuple[int, shapely.Geometry]]

    def cut(
        self,
        kind: Literal["slab", "x", "y", "contour"],
        slab: int,
        at: float,
        stop: float,
        span: tuple[float, float],
        kerf: float,
    ) -> int:
        self.cuts.append(
            SawCut(
                number=len(self.cuts) + 1,
                kind=kind,
                slab=slab,
                at_mm=round(at, 3),
                stop_mm=round(stop, 3),
                from_mm=round(span[0], 3),
                to_mm=round(span[1], 3),
                kerf_mm=kerf,
            )
        )
        return len(self.cuts)


def saw_plan(problem: Problem, solution: Solution, block_id: str) -> SawPlan:
    """The saw plan of a block that the solution opens.

    Parameters
    ----------
    problem, solution
        A problem and a plan for it that passes :func:`facademap.match.verify`.
    block_id : str
        A block with at least one placement.

    Raises
    ------
    InputError
        When nothing is placed on the block.
    """
    placements = solution.on_block(block_id)
    if not placements:
        raise InputError(
            f"no piece is placed on block {block_id}", "Name a block that the plan opens."
        )
    block = problem.block(block_id)
    face = block.face(placements[0].face_id)
    given = solution.slabs.get(block_id) or Slabs(face_id=face.id, thickness_mm=(face.depth_mm,))
    params = problem.params
    bench = _Bench(kerf_mm=params.kerf_mm, cuts=[], pieces=[], left=[])
    slabs, start = [], 0.0
    for number, thickness in enumerate(given.thickness_mm):
        slabs.append(SawnSlab(number=number, start_mm=round(start, 3), thickness_mm=thickness))
        start += thickness + params.depth_kerf_mm
    spare = face.depth_mm - start
    for slab in slabs:
        end = slab.start_mm + slab.thickness_mm
        if slab.number < len(slabs) - 1 or spare >= params.min_slab_mm - TOLERANCE_MM:
            bench.cut("slab", slab.number, end, end, (0.0, 0.0), params.depth_kerf_mm)
    outline = shapely.Polygon(face.outline_mm)
    for slab in slabs:
        here = {p.repair_id: _outline_of(problem, p) for p in placements if p.slab == slab.number}
        if not here:
            bench.left.append((slab.number, outline))
        elif params.cut_mode == "guillotine":
            boxes = {i: shapely.Polygon(ring).bounds for i, ring in here.items()}
            _saw(bench, slab.number, outline.bounds, boxes, here, outline)
        else:
            _saw_freely(bench, slab.number, here, outline)
    remainders = list(_remainders(problem, block, face, slabs, bench))
    if spare >= params.min_slab_mm - TOLERANCE_MM:
        last = SawnSlab(number=len(slabs), start_mm=start, thickness_mm=spare)
        remainders += _remainders(
            problem,
            block,
            face,
            [*slabs, last],
            _Bench(kerf_mm=0.0, cuts=[], pieces=[], left=[(len(slabs), outline)]),
            taken=len(remainders),
        )
    return SawPlan(
        block_id=block_id,
        face_id=face.id,
        slabs=tuple(slabs),
        cuts=tuple(bench.cuts),
        pieces=tuple(bench.pieces),
        remainders=tuple(remainders),
    )


def _outline_of(problem: Problem, placement: Placement) -> tuple[Point, ...]:
    blank = blank_of(problem.repair(placement.repair_id), problem.params)
    ring = turned(
        blank.outline_mm, placement.rot_deg, width_mm=blank.width_mm, height_mm=blank.height_mm
    )
    return tuple((x + placement.x_mm, y + placement.y_mm) for x, y in ring)


def _saw(
    bench: _Bench,
    slab: int,
    part: Box,
    boxes: dict[str, Box],
    outlines: dict[str, tuple[Point, ...]],
    face: shapely.Polygon,
) -> None:
    """Part the boxes by cuts from end to end, then free each piece; the order is the order of work."""
    if len(boxes) == 1:
        _free_piece(bench, slab, part, *next(iter(boxes.items())), outlines, face)
        return
    for axis in (0, 1):
        ordered = sorted(boxes, key=lambda i: (boxes[i][axis], i))
        reach = boxes[ordered[0]][axis + 2]
        for n in range(1, len(ordered)):
            start = boxes[ordered[n]][axis]
            if start >= reach + bench.kerf_mm - 2 * TOLERANCE_MM:
                bench.cut(
                    "x" if axis == 0 else "y",
                    slab,
                    reach,
                    reach - part[axis],
                    (part[1 - axis], part[3 - axis]),
                    bench.kerf_mm,
                )
                low, high = list(part), list(part)
                low[axis + 2] = reach
                high[axis] = reach + bench.kerf_mm
                _saw(bench, slab, tuple(low), {i: boxes[i] for i in ordered[:n]}, outlines, face)  # type: ignore[arg-type]
                _saw(bench, slab, tuple(high), {i: boxes[i] for i in ordered[n:]}, outlines, face)  # type: ignore[arg-type]
                return
            reach = max(reach, boxes[ordered[n]][axis + 2])
    raise InputError(
        f"the pieces {', '.join(boxes)} cannot be parted by straight cuts", "Verify the plan first."
    )


def _free_piece(
    bench: _Bench,
    slab: int,
    part: Box,
    repair_id: str,
    box: Box,
    outlines: dict[str, tuple[Point, ...]],
    face: shapely.Polygon,
) -> None:
    """Cut the rest of a part off a piece, the larger rests first so that they stay whole."""
    now = list(part)
    number = len(bench.cuts)
    while True:
        rests = []
        for side in range(4):
            axis = side % 2
            gap = box[side] - now[side] if side < 2 else now[side] - box[side]
            if gap > TOLERANCE_MM * 3:
                across = now[3 - axis] - now[1 - axis]
                rests.append((max(0.0, gap - bench.kerf_mm) * across, side))
        if not rests:
            break
        _, side = max(rests)
        axis = side % 2
        at = box[side] - bench.kerf_mm if side < 2 else box[side]
        number = bench.cut(
            "x" if axis == 0 else "y",
            slab,
            at,
            at - now[axis],
            (now[1 - axis], now[3 - axis]),
            bench.kerf_mm,
        )
        rest = list(now)
        if side < 2:
            rest[axis + 2] = at
        else:
            rest[axis] = at + bench.kerf_mm
        now[side] = box[side]
        if rest[2] > rest[0] and rest[3] > rest[1]:
            bench.left.append((slab, face.intersection(shapely.box(*rest))))
    bench.pieces.append(
        SawnPiece(repair_id=repair_id, slab=slab, outline_mm=outlines[repair_id], after_cut=number)
    )


def _saw_freely(
    bench: _Bench, slab: int, outlines: dict[str, tuple[Point, ...]], face: shapely.Polygon
) -> None:
    rest: shapely.Geometry = face
    for repair_id, ring in sorted(outlines.items()):
        shape = shapely.Polygon(ring)
        number = bench.cut("contour", slab, 0.0, 0.0, (0.0, shape.length), bench.kerf_mm)
        bench.pieces.append(
            SawnPiece(repair_id=repair_id, slab=slab, outline_mm=ring, after_cut=number)
        )
        rest = rest.difference(shape.buffer(bench.kerf_mm, join_style="mitre"))
    bench.left += [(slab, g) for g in getattr(rest, "geoms", [rest])]


def _remainders(
    problem: Problem,
    block: Block,
    face: Face,
    slabs: list[SawnSlab],
    bench: _Bench,
    *,
    taken: int = 0,
) -> Iterator[Remainder]:
    """The rests that are worth a place in the yard, with their flaws and their descent."""
    whole = shapely.Polygon(face.outline_mm).area * face.depth_mm
    count = taken
    for number, shape in bench.left:
        for polygon in getattr(shape, "geoms", [shape]):
            if polygon.geom_type != "Polygon" or polygon.is_empty or polygon.interiors:
                continue
            left, bottom, right, top = polygon.bounds
            slab = slabs[number]
            if min(right - left, top - bottom, slab.thickness_mm) < min(
                LEAST_REMAINDER_MM, problem.params.min_slab_mm
            ) or (min(right - left, top - bottom) < LEAST_REMAINDER_MM):
                continue
            flaws = []
            for flaw in face.flaws:
                if not flaw.reaches(slab.start_mm, slab.thickness_mm):
                    continue
                inside = shapely.Polygon(flaw.outline_mm).intersection(polygon)
                for bit in getattr(inside, "geoms", [inside]):
                    if bit.geom_type == "Polygon" and bit.area > 1.0:
                        flaws.append(
                            Flaw(
                                outline_mm=tuple(
                                    (float(x), float(y)) for x, y in bit.exterior.coords[:-1]
                                ),
                                depth_mm=None
                                if flaw.depth_mm is None
                                else flaw.depth_mm - slab.start_mm,
                                from_mm=max(0.0, flaw.from_mm - slab.start_mm),
                            )
                        )
            count += 1
            front = number == 0
            yield Remainder(
                id=f"{block.id}-{count}",
                block_id=block.id,
                face_id=face.id,
                slab=number,
                stone=block.stone,
                face=Face(
                    id=face.id,
                    outline_mm=tuple((float(x), float(y)) for x, y in polygon.exterior.coords[:-1]),
                    depth_mm=slab.thickness_mm,
                    bed=face.bed,
                    flaws=tuple(flaws),
                    lab=face.lab,
                    finish=face.finish if front else None,
                    weathered=face.weathered and front,
                ),
                weight_kg=round(block.weight_kg * polygon.area * slab.thickness_mm / whole, 2)
                if whole > 0
                else math.nan,
            )
