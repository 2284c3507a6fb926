"""Follow a saw plan cut by cut and say what does not come out; it knows nothing of how the plan was made."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence

import numpy as np
import shapely

from facademap.match.saw_model import SawPlan, SawStep
from facademap.match.solids import Solid

__all__ = ["replay"]

#: Lengths are held to this in mm: two tolerances of a place, and the rounding of what is written.
_NEAR_MM = 0.03
#: Volumes are held to this share of the block.
_SHARE = 1e-6


def replay(plan: SawPlan) -> list[str]:
    """Everything that is wrong with a saw plan, each fault in one line; an empty list for a good one.

    Parameters
    ----------
    plan : SawPlan

    Notes
    -----
    Each step must cut a solid that is there, leave solids that lie in it and at least a kerf apart, lose no
    more than its kerf, and be straight where its tool cuts straight. In the end exactly the pieces and what
    is left must lie on the bench, each piece as large as its blank and clear of every flaw.
    """
    faults: list[str] = []
    there = {plan.block_id}
    seen = set(there)
    whole = plan.block.volume_mm3 if plan.block_id in plan.solids else math.nan
    for n, step in enumerate(plan.steps, start=1):
        where = f"{plan.block_id}, cut {n}"
        if step.number != n:
            faults.append(f"{where}: is numbered {step.number}")
        missing = [i for i in (step.cuts, *step.gives) if i not in plan.solids]
        if missing:
            faults.append(f"{where}: {', '.join(missing)} is no solid of the plan")
            continue
        if step.cuts not in there:
            faults.append(f"{where}: {step.cuts} is not on the bench")
        again = [i for i in step.gives if i in seen]
        if again or not step.gives:
            faults.append(
                f"{where}: gives {', '.join(again) or 'nothing'}" + " again" * bool(again)
            )
        there.discard(step.cuts)
        there.update(step.gives)
        seen.update(step.gives)
        cut, gives = plan.solids[step.cuts], [plan.solids[i] for i in step.gives]
        faults += [f"{where}: {what}" for what in _faults_of(step, cut, gives, whole)]
    faults += _faults_at_the_end(plan, there)
    return faults


def _faults_of(step: SawStep, cut: Solid, gives: Sequence[Solid], whole: float) -> Iterator[str]:
    lost = cut.volume_mm3 - math.fsum(g.volume_mm3 for g in gives)
    if not abs(lost - step.kerf_mm3) <= _SHARE * whole:
        yield f"{step.cuts} loses {lost:.0f} mm3, the plan says {step.kerf_mm3:.0f}"
    outlines = {s.id: s.polygon for s in (cut, *gives)}
    around = outlines[cut.id].buffer(_NEAR_MM / 10, join_style="mitre")
    for give in gives:
        if (
            give.z0_mm < cut.z0_mm - 1e-5
            or give.z1_mm > cut.z1_mm + 1e-5
            or give.depth_mm <= 0
            or not around.covers(outlines[give.id])
        ):
            yield f"{give.id} does not lie in {cut.id}"
    for k, a in enumerate(gives):
        for b in gives[k + 1 :]:
            gap, least = _apart(a, b, outlines[a.id], outlines[b.id]), _kerf_between(step, a, b)
            if gap < least - _NEAR_MM:
                yield f"{a.id} and {b.id} are {gap:.2f} mm apart, the kerf is {step.kerf_mm:g} mm"
    yield from _bent(step, cut, gives, outlines)


def _kerf_between(step: SawStep, a: Solid, b: Solid) -> float:
    """The kerf where two solids lie on either side of it; on one side they may lie as near as the stone had it."""
    if step.kind == "parallel":
        return step.kerf_mm
    if step.kind in ("contour", "dressed"):
        blank = shapely.Polygon(step.line_mm).buffer(_NEAR_MM, join_style="mitre")
        return step.kerf_mm if blank.covers(a.polygon) != blank.covers(b.polygon) else 0.0
    (ax, ay), (bx, by) = step.line_mm
    sides = [
        (by - ay) * (float(np.mean([p[0] for p in s.outline_mm])) - ax)
        > (bx - ax) * (float(np.mean([p[1] for p in s.outline_mm])) - ay)
        for s in (a, b)
    ]
    return step.kerf_mm if sides[0] != sides[1] else 0.0


def _apart(a: Solid, b: Solid, on_a: shapely.Polygon, on_b: shapely.Polygon) -> float:
    """Gap between two prisms."""
    deep = max(a.z0_mm - b.z1_mm, b.z0_mm - a.z1_mm)
    beside = float(on_a.distance(on_b))
    if deep > 0:
        return math.hypot(deep, beside)
    if beside == 0.0 and on_a.intersection(on_b).area > 1e-6:
        return -1.0
    return beside


def _bent(
    step: SawStep, cut: Solid, gives: Sequence[Solid], outlines: Mapping[str, shapely.Polygon]
) -> Iterator[str]:
    """What shows that a cut is not one straight slot from end to end."""
    face = outlines[cut.id]
    edge = _NEAR_MM * face.length + 10.0
    if step.kind in ("contour", "dressed"):
        return
    if step.kind == "parallel":
        for give in gives:
            in_front = give.z1_mm <= step.at_mm + 1e-5
            behind = give.z0_mm >= step.at_mm + step.kerf_mm - 1e-5
            if not (in_front or behind) or face.area - outlines[give.id].area > edge:
                yield f"{give.id} is not what a cut {step.at_mm:.1f} mm behind the face leaves"
        return
    (ax, ay), (bx, by) = step.line_mm
    length = math.hypot(bx - ax, by - ay)
    normal = np.array([(by - ay) / length, -(bx - ax) / length])
    corners = np.asarray(cut.outline_mm)
    lost = face.area
    sides = []
    for give in gives:
        off = (np.asarray(give.outline_mm) - (ax, ay)) @ normal
        sides.append((float(off.min()), float(off.max())))
        lost -= outlines[give.id].area
    out = (corners - (ax, ay)) @ normal
    for sign in (1, -1):
        low, high = (0.0, step.kerf_mm) if sign > 0 else (-step.kerf_mm, 0.0)
        if all(b <= low + _NEAR_MM or a >= high - _NEAR_MM for a, b in sides):
            break
    else:
        yield "what it leaves does not lie on both sides of one straight kerf"
        return
    band = _band(face, (ax, ay), normal, low, high)
    if lost > band + edge:
        yield f"it takes {lost:.0f} mm2 of the face, a straight kerf {band:.0f} mm2"
    if float(out.max()) < low or float(out.min()) > high:
        yield "it passes beside the solid"


def _band(
    face: shapely.Polygon, at: tuple[float, float], normal: np.ndarray, low: float, high: float
) -> float:
    """Area of an outline in the kerf."""
    along = np.array([-normal[1], normal[0]]) * 1e5
    foot = np.array(at)
    ring = [
        foot + low * normal - along,
        foot + low * normal + along,
        foot + high * normal + along,
        foot + high * normal - along,
    ]
    return float(face.intersection(shapely.polygons(np.array(ring))).area)


def _faults_at_the_end(plan: SawPlan, there: set[str]) -> Iterator[str]:
    name = plan.block_id
    told = [*plan.pieces.values(), *plan.left]
    for twice in sorted({i for i in told if told.count(i) > 1}):
        yield f"{name}: {twice} is told twice at the end"
    if unknown := sorted(set(told) - there):
        yield f"{name}: {', '.join(unknown)} is not there at the end"
    if forgotten := sorted(there - set(told)):
        yield f"{name}: {', '.join(forgotten)} is still there at the end and told nowhere"
    if stray := sorted(set(plan.kept) - set(plan.left)):
        yield f"{name}: {', '.join(stray)} is kept but not left"
    wanted = {b.piece_id: b for b in plan.order.blanks}
    for piece in sorted(set(plan.pieces) ^ set(wanted)):
        yield f"{name}: piece {piece} " + (
            "does not come out" if piece in wanted else "was not asked for"
        )
    for piece, blank in wanted.items():
        solid = plan.solids.get(plan.pieces.get(piece, ""))
        if solid is None:
            continue
        want, have = shapely.Polygon(blank.outline_mm), solid.polygon
        off = want.symmetric_difference(have).area
        if off > _NEAR_MM * want.length or abs(solid.depth_mm - blank.depth_mm) > _NEAR_MM:
            yield (
                f"{name}: piece {piece} comes out {off:.0f} mm2 and "
                f"{abs(solid.depth_mm - blank.depth_mm):.1f} mm of depth away from its blank"
            )
        core = have.buffer(-_NEAR_MM, join_style="mitre")
        for k, flaw in enumerate(plan.order.flaws, start=1):
            if flaw.reaches(solid.z0_mm, solid.depth_mm) and core.intersects(
                shapely.Polygon(flaw.outline_mm)
            ):
                yield f"{name}: piece {piece} holds flaw {k} of the face"
