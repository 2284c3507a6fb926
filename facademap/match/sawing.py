"""The saw plan of a block as a sequence: every cut takes one solid and leaves others, down to the pieces."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import shapely

from facademap.errors import InputError
from facademap.match.candidates import need_mm
from facademap.match.freeing import free_blank, one_polygon
from facademap.match.outlines import blank_of, turned
from facademap.match.problem import TOLERANCE_MM, Params, Problem
from facademap.match.saw_bench import (
    LEAST_REMAINDER_MM,
    OVER_MM,
    Bench,
    Part,
    cannot_be_sawn,
    home_of,
    named_plan,
    undo,
    worth_keeping,
)
from facademap.match.saw_model import Blank, SawOrder, SawPlan
from facademap.match.solids import contour, parted, polygons, ring_of, straight
from facademap.match.solution import Placement, Slabs, Solution

__all__ = ["saw", "saw_plan"]


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
    bench = Bench(order=order, params=params)
    bench.parts.append(Part(face, 0.0, order.depth_mm, 0))
    shapes = _shapes(order, face)
    rest, start = 0, 0.0
    for number, thickness in enumerate(order.thickness_mm):
        here = [b for b in order.blanks if b.slab == number]
        _check_depth(order, here, start, thickness)
        slab = rest
        if number < len(order.thickness_mm) - 1:
            slab, behind = bench.off_the_back(rest, thickness)
            if not behind:
                raise cannot_be_sawn(order, f"slab {number + 2} lies behind the usable depth")
            rest = behind[0]
        _work(bench, slab, here, shapes)
        start += thickness + params.depth_kerf_mm
    return named_plan(bench)


def _shapes(order: SawOrder, face: shapely.Polygon) -> dict[str, shapely.Polygon]:
    """Outline of every blank, held to the face; it may stand over by the tolerance only."""
    shapes = {}
    for blank in order.blanks:
        if blank.piece_id in shapes:
            raise cannot_be_sawn(order, f"piece {blank.piece_id} is placed twice")
        if not 0 <= blank.slab < len(order.thickness_mm):
            raise cannot_be_sawn(
                order, f"piece {blank.piece_id} lies on slab {blank.slab + 1}, which is not there"
            )
        whole = shapely.Polygon(blank.outline_mm)
        held = polygons(whole.intersection(face))
        if not held or not face.buffer(OVER_MM, join_style="mitre").covers(whole):
            raise cannot_be_sawn(
                order, f"piece {blank.piece_id} leaves the sound stone of the face"
            )
        shapes[blank.piece_id] = held[0]
    return shapes


def _check_depth(order: SawOrder, blanks: Sequence[Blank], start: float, thickness: float) -> None:
    room = min(thickness, order.depth_mm - start)
    for blank in blanks:
        if blank.depth_mm > room + TOLERANCE_MM:
            raise cannot_be_sawn(
                order,
                f"piece {blank.piece_id} needs {blank.depth_mm:.1f} mm and its slab has {max(0.0, room):.1f} mm",
            )


def _work(
    bench: Bench, part: int, blanks: Sequence[Blank], shapes: Mapping[str, shapely.Polygon]
) -> None:
    """Saw all blanks out of a part."""
    if not blanks:
        bench.left.append(part)
        return
    while (smaller := _take_off(bench, part, blanks, shapes)) is not None:
        part = smaller
    if len(blanks) == 1:
        free_blank(bench, part, blanks[0], shapes[blanks[0].piece_id])
        return
    p = bench.parts[part]
    gap = parted(
        [shapes[b.piece_id].bounds for b in blanks],
        kerf_mm=bench.params.kerf_mm,
        slack_mm=OVER_MM,
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
        raise cannot_be_sawn(bench.order, f"straight cuts end to end cannot part {names}")
    groups: dict[int, list[Blank]] = {n: [] for n in new}
    for blank in blanks:
        home = home_of(bench, new, shapes[blank.piece_id])
        if home is None:
            raise cannot_be_sawn(
                bench.order, f"a cut through slab at {p.z0:.0f} mm meets {blank.piece_id}"
            )
        groups[home].append(blank)
    for number, group in groups.items():
        _work(bench, number, group, shapes)


def _take_off(
    bench: Bench, part: int, blanks: Sequence[Blank], shapes: Mapping[str, shapely.Polygon]
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
        off = [q for q in (below if side < 2 else above) if worth_keeping(q, p.z1 - p.z0, params)]
        if off:
            choices.append((sum(q.area for q in off) * (p.z1 - p.z0), side))
    need = max(params.min_slab_mm, *(b.depth_mm for b in blanks))
    back = p.z1 - p.z0 - need - params.depth_kerf_mm
    alone = len(blanks) == 1 and blanks[0].depth_mm < need - OVER_MM
    if (
        back >= params.min_slab_mm - TOLERANCE_MM
        and not alone
        and worth_keeping(p.polygon, back, params)
    ):
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
    home = home_of(bench, stays, shapes[blanks[0].piece_id])
    if home is None or any(
        home_of(bench, stays, shapes[b.piece_id]) != home for b in blanks[1:]
    ):  # a face so hollow that the side held its parts together
        undo(bench, len(bench.parts) - len(below) - len(above))
        return None
    bench.left += [n for n in (*stays, *off_) if n != home]
    return home


def _cut_round(
    bench: Bench, part: int, blanks: Sequence[Blank], shapes: Mapping[str, shapely.Polygon]
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
        [(q, p.z0, p.z1) for q in (one_polygon(inside, shape), *rest)],
        line_mm=ring_of(shape),
    )
    free_blank(bench, home, nearest, shape)
    return others


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
