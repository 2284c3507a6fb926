"""Is a plan right? Checked with shapely from the rules alone; nothing here is shared with the solver."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from shapely import affinity

from facademap.match.problem import TOLERANCE_MM, Block, Face, Problem, Repair
from facademap.match.solution import Placement, Slabs, Solution
from facademap.photo.lab import difference_ciede2000

__all__ = ["Violation", "recount_objective", "verify"]

_MORE = TOLERANCE_MM + 1e-9
_TURNS = {"horizontal": (0, 180), "edge": (90, 270), "any": (0, 90, 180, 270)}


@dataclass(frozen=True, slots=True, kw_only=True)
class Violation:
    """A rule that a plan breaks, the ids concerned, and how."""

    rule: str
    ids: tuple[str, ...]
    what: str

    def __str__(self) -> str:
        return f"{self.rule} ({', '.join(self.ids)}): {self.what}"


def verify(problem: Problem, solution: Solution) -> list[Violation]:
    """Every rule that the solution breaks; an empty list for a good one.

    Parameters
    ----------
    problem : Problem
    solution : Solution

    Returns
    -------
    list of Violation

    Notes
    -----
    Lengths are held to 0.01 mm. The reason of an unmatched repair is checked as far as it can be told
    without packing anything.
    """
    blocks = {b.id: b for b in problem.blocks}
    repairs = {r.id: r for r in problem.repairs}
    faults = list(_check_ids(solution, blocks, repairs))
    if faults:
        return faults
    slabs = {
        block_id: _slabs_of(problem, solution, block_id)
        for block_id in {p.block_id for p in solution.placements}
    }
    for block_id, plan in solution.slabs.items():
        faults += _check_slabs(problem, blocks[block_id], plan)
    blanks: dict[str, shapely.Polygon] = {}
    for placement in solution.placements:
        repair, block = repairs[placement.repair_id], blocks[placement.block_id]
        plan = slabs[block.id]
        faults += _check_kind(problem, repair, block, placement, plan)
        blank = _placed_blank(problem, repair, placement)
        if blank is None:
            faults.append(
                Violation(
                    rule="outline", ids=(repair.id,), what="no sound blank is left after the joints"
                )
            )
            continue
        blanks[repair.id] = blank
        faults += _check_place(
            block, placement, plan, blank, depth_kerf_mm=problem.params.depth_kerf_mm
        )
    for block_id in slabs:
        for slab in sorted({p.slab for p in solution.on_block(block_id)}):
            here = [
                p.repair_id
                for p in solution.on_block(block_id)
                if p.slab == slab and p.repair_id in blanks
            ]
            faults += _check_sawing(problem, block_id, slab, {i: blanks[i] for i in here})
    faults += _check_locks(problem, solution)
    faults += _check_unmatched(problem, solution)
    faults += _check_numbers(problem, solution)
    return faults


def _check_ids(
    solution: Solution, blocks: dict[str, Block], repairs: dict[str, Repair]
) -> Iterator[Violation]:
    for placement in solution.placements:
        known = placement.repair_id in repairs and placement.block_id in blocks
        if not known or placement.face_id not in {f.id for f in blocks[placement.block_id].faces}:
            yield Violation(
                rule="ids",
                ids=(placement.repair_id, placement.block_id, placement.face_id),
                what="names a repair, block or face that is not there",
            )
    for one in solution.unmatched:
        if one.repair_id not in repairs:
            yield Violation(
                rule="ids", ids=(one.repair_id,), what="an unmatched repair that is not there"
            )
    for block_id, plan in solution.slabs.items():
        if block_id not in blocks or plan.face_id not in {f.id for f in blocks[block_id].faces}:
            yield Violation(
                rule="ids",
                ids=(block_id, plan.face_id),
                what="slabs of a block or face that is not there",
            )
    told = Counter(
        [p.repair_id for p in solution.placements] + [u.repair_id for u in solution.unmatched]
    )
    for repair_id in repairs:
        if told[repair_id] != 1:
            yield Violation(
                rule="once",
                ids=(repair_id,),
                what=f"is placed or unmatched {told[repair_id]} times",
            )
    for block_id in blocks:
        faces = {p.face_id for p in solution.on_block(block_id)}
        if block_id in solution.slabs:
            faces.add(solution.slabs[block_id].face_id)
        if len(faces) > 1:
            yield Violation(
                rule="one face", ids=(block_id,), what=f"is worked from {', '.join(sorted(faces))}"
            )


def _slabs_of(problem: Problem, solution: Solution, block_id: str) -> Slabs:
    if block_id in solution.slabs:
        return solution.slabs[block_id]
    face = problem.block(block_id).face(solution.on_block(block_id)[0].face_id)
    return Slabs(face_id=face.id, thickness_mm=(face.depth_mm,))


def _check_slabs(problem: Problem, block: Block, plan: Slabs) -> Iterator[Violation]:
    params, face = problem.params, block.face(plan.face_id)
    n = len(plan.thickness_mm)
    if not 1 <= n <= params.max_slabs:
        yield Violation(
            rule="slabs", ids=(block.id,), what=f"{n} slabs, at most {params.max_slabs} allowed"
        )
    if any(t < params.min_slab_mm - TOLERANCE_MM for t in plan.thickness_mm):
        yield Violation(
            rule="slabs", ids=(block.id,), what=f"a slab thinner than {params.min_slab_mm:g} mm"
        )
    used = math.fsum(plan.thickness_mm) + params.depth_kerf_mm * (n - 1)
    if used > face.depth_mm + _MORE:
        yield Violation(
            rule="slabs", ids=(block.id,), what=f"slabs use {used:g} of {face.depth_mm:g} mm"
        )


def _check_kind(
    problem: Problem, repair: Repair, block: Block, placement: Placement, plan: Slabs
) -> Iterator[Violation]:
    ids = (repair.id, block.id)
    face = block.face(placement.face_id)
    if block.stone != repair.stone and block.stone not in repair.accept:
        yield Violation(rule="stone", ids=ids, what=f"{block.stone} is not accepted")
    if face.campaign is not None and face.campaign != repair.campaign:
        yield Violation(rule="campaign", ids=ids, what=f"the face is there for {face.campaign}")
    if block.id in repair.forbid:
        yield Violation(rule="forbidden", ids=ids, what="the block is forbidden for this repair")
    if repair.lab is not None and repair.de_tolerance is not None:
        difference = float(
            difference_ciede2000(repair.lab, face.lab if face.lab is not None else block.lab)
        )
        if difference > repair.de_tolerance + 1e-6:
            yield Violation(
                rule="colour",
                ids=ids,
                what=f"CIEDE2000 {difference:.3f} above {repair.de_tolerance:g}",
            )
    turns = _TURNS["any"] if face.bed == "none" else _TURNS[repair.bed]
    if face.bed in ("parallel", "unknown") and repair.bed != "any":
        turns = ()
    if placement.rot_deg not in turns or (not repair.turn180 and placement.rot_deg >= 180):
        yield Violation(
            rule="bed", ids=ids, what=f"turned {placement.rot_deg} on a face with bed {face.bed}"
        )
    if not 0 <= placement.slab < len(plan.thickness_mm):
        yield Violation(rule="slabs", ids=ids, what=f"there is no slab {placement.slab}")
        return
    keeps = repair.weathered == "required" and placement.slab == 0 and face.weathered
    if repair.weathered == "required" and not keeps:
        yield Violation(rule="weathered", ids=ids, what="the piece does not carry a weathered face")
    need = repair.depth_mm + (0.0 if keeps else problem.params.depth_allow_mm)
    if need > plan.thickness_mm[placement.slab] + TOLERANCE_MM:
        yield Violation(
            rule="depth",
            ids=ids,
            what=f"needs {need:g} mm of {plan.thickness_mm[placement.slab]:g} mm",
        )
    if (
        len(plan.thickness_mm) == 1
        and plan.thickness_mm[0] < problem.params.min_slab_mm - TOLERANCE_MM
    ):
        yield Violation(rule="slabs", ids=ids, what="the slab is thinner than allowed")


def _moved_edges(
    points: Sequence[tuple[float, float]], offsets: Sequence[float]
) -> list[tuple[float, float]]:
    """Corners of an outline whose edges move by different amounts: neighbouring lines meet."""
    ring = np.array(points)
    along = np.roll(ring, -1, axis=0) - ring
    along /= np.linalg.norm(along, axis=1, keepdims=True)
    area = float(
        np.sum(ring[:, 0] * np.roll(ring[:, 1], -1) - np.roll(ring[:, 0], -1) * ring[:, 1])
    )
    out = np.column_stack([along[:, 1], -along[:, 0]]) * math.copysign(1.0, area)
    shift = np.sum(ring * out, axis=1) + np.array(offsets)
    corners: list[tuple[float, float]] = []
    for i in range(len(ring)):
        matrix = np.array([out[i - 1], out[i]])
        if abs(float(np.linalg.det(matrix))) < 1e-9:
            corners += [
                tuple(ring[i] + out[i - 1] * offsets[i - 1]),
                tuple(ring[i] + out[i] * offsets[i]),
            ]
        else:
            corners.append(tuple(np.linalg.solve(matrix, [shift[i - 1], shift[i]])))
    return [corner for i, corner in enumerate(corners) if corner != corners[i - 1]]


def _placed_blank(problem: Problem, repair: Repair, placement: Placement) -> shapely.Polygon | None:
    offsets = [problem.params.trim_mm - joint for joint in repair.joints_mm]
    if len(set(offsets)) == 1:
        blank = shapely.Polygon(repair.outline_mm).buffer(
            offsets[0], join_style="mitre", mitre_limit=1e9
        )
    else:
        blank = shapely.Polygon(_moved_edges(repair.outline_mm, offsets))
    if (
        not isinstance(blank, shapely.Polygon)
        or blank.is_empty
        or not blank.is_valid
        or blank.interiors
    ):
        return None
    blank = affinity.rotate(blank, placement.rot_deg, origin=(0, 0))
    left, bottom, _, _ = blank.bounds
    return affinity.translate(blank, placement.x_mm - left, placement.y_mm - bottom)


def _check_place(
    block: Block, placement: Placement, plan: Slabs, blank: shapely.Polygon, *, depth_kerf_mm: float
) -> Iterator[Violation]:
    face: Face = block.face(placement.face_id)
    ids = (placement.repair_id, block.id)
    if not shapely.Polygon(face.outline_mm).buffer(_MORE, join_style="mitre").covers(blank):
        yield Violation(rule="inside", ids=ids, what="the blank leaves the face")
    if placement.slab >= len(plan.thickness_mm):
        return
    thickness = plan.thickness_mm[placement.slab]
    start = math.fsum(plan.thickness_mm[: placement.slab]) + placement.slab * depth_kerf_mm
    core = blank.buffer(-_MORE, join_style="mitre")
    for number, flaw in enumerate(face.flaws):
        deep = flaw.depth_mm is None or flaw.depth_mm > start + TOLERANCE_MM
        if (
            deep
            and flaw.from_mm < start + thickness - TOLERANCE_MM
            and core.intersects(shapely.Polygon(flaw.outline_mm))
        ):
            yield Violation(
                rule="flaw", ids=ids, what=f"the blank lies on flaw {number} of face {face.id}"
            )


def _can_part(boxes: list[tuple[float, float, float, float]], kerf_mm: float) -> bool:
    """Whether straight cuts, end to end, part the boxes; any first cut will do, since parts of a good set are good."""
    if len(boxes) < 2:
        return True
    for axis in (0, 1):
        ordered = sorted(boxes, key=lambda box: box[axis])
        reach = ordered[0][axis + 2]
        for n in range(1, len(ordered)):
            if ordered[n][axis] >= reach + kerf_mm - _MORE:
                return _can_part(ordered[:n], kerf_mm) and _can_part(ordered[n:], kerf_mm)
            reach = max(reach, ordered[n][axis + 2])
    return False


def _check_sawing(
    problem: Problem, block_id: str, slab: int, blanks: dict[str, shapely.Polygon]
) -> Iterator[Violation]:
    kerf = problem.params.kerf_mm
    if problem.params.cut_mode == "guillotine":
        if not _can_part([b.bounds for b in blanks.values()], kerf):
            yield Violation(
                rule="sawing",
                ids=(block_id, *blanks),
                what=f"slab {slab} cannot be parted by straight cuts",
            )
        return
    names = list(blanks)
    for n, a in enumerate(names):
        for b in names[n + 1 :]:
            gap = blanks[a].distance(blanks[b])
            overlap = blanks[a].buffer(-_MORE, join_style="mitre").intersection(blanks[b]).area
            if gap < kerf - _MORE or overlap > 0.0:
                yield Violation(
                    rule="kerf",
                    ids=(block_id, a, b),
                    what=f"only {gap:.3f} mm apart on slab {slab}",
                )


def _check_locks(problem: Problem, solution: Solution) -> Iterator[Violation]:
    placed = {p.repair_id: p for p in solution.placements}
    for repair in problem.repairs:
        lock, place = repair.lock, placed.get(repair.id)
        if lock is None:
            continue
        if lock.block_id is None:
            if place is not None:
                yield Violation(
                    rule="lock", ids=(repair.id,), what="is to stay unmatched but is placed"
                )
            continue
        if place is None or place.block_id != lock.block_id:
            yield Violation(
                rule="lock", ids=(repair.id, lock.block_id), what="is not on the block of its lock"
            )
            continue
        wanted = (
            (lock.face_id, place.face_id),
            (lock.slab, place.slab),
            (lock.rot_deg, place.rot_deg),
        )
        away = any(
            want is not None and abs(want - have) > TOLERANCE_MM
            for want, have in ((lock.x_mm, place.x_mm), (lock.y_mm, place.y_mm))
        )
        if away or any(want is not None and want != have for want, have in wanted):
            yield Violation(
                rule="lock", ids=(repair.id, lock.block_id), what="is not at the place of its lock"
            )


def _check_unmatched(problem: Problem, solution: Solution) -> Iterator[Violation]:
    repairs = {r.id: r for r in problem.repairs}
    for one in solution.unmatched:
        repair = repairs[one.repair_id]
        blank = _placed_blank(
            problem,
            repair,
            Placement(
                repair_id=repair.id, block_id="", face_id="", slab=0, x_mm=0.0, y_mm=0.0, rot_deg=0
            ),
        )
        if blank is not None:
            least = (*blank.bounds[2:], repair.depth_mm + problem.params.depth_allow_mm)
            if any(
                have < want - TOLERANCE_MM for have, want in zip(one.source_mm, least, strict=True)
            ):
                yield Violation(
                    rule="source", ids=(repair.id,), what="the size to look for is too small"
                )
        same = any(
            b.stone in (repair.stone, *repair.accept)
            and any(f.campaign in (None, repair.campaign) for f in b.faces)
            for b in problem.blocks
        )
        if (one.reason == "stone_type") == same and not (
            repair.lock is not None and repair.lock.block_id is None
        ):
            yield Violation(
                rule="reason", ids=(repair.id,), what=f"{one.reason} is not why it is unmatched"
            )


def recount_objective(problem: Problem, solution: Solution) -> float:
    """The objective of the contract, counted again from the placements.

    References
    ----------
    The contract of the matching problem, counted from it alone; weights are settings of the office.
    """
    params = problem.params
    repairs = {r.id: r for r in problem.repairs}
    terms = [params.unmatched_penalty * repairs[u.repair_id].priority for u in solution.unmatched]
    worked: dict[str, Face] = {}
    for place in solution.placements:
        repair, block = repairs[place.repair_id], problem.block(place.block_id)
        face = worked[block.id] = block.face(place.face_id)
        looks = problem.looks.get(repair.id, {}).get(block.id)
        if looks is None:
            colour = face.lab if face.lab is not None else block.lab
            difference = (
                float(difference_ciede2000(repair.lab, colour)) if repair.lab is not None else 0.0
            )
            looks = difference + params.spread_weight * block.spread
        unlike = repair.finish is not None and not (
            place.slab == 0 and face.finish == repair.finish
        )
        terms.append(repair.priority * (looks + params.finish_penalty * unlike + face.provenance))
    for block_id, face in worked.items():
        sound = shapely.Polygon(face.outline_mm)
        for flaw in face.flaws:
            if flaw.depth_mm is None:
                sound = sound.difference(shapely.Polygon(flaw.outline_mm))
        terms.append(params.open_per_dm3 * sound.area * face.depth_mm / 1e6)
        terms.append(params.handle_per_kg * (problem.block(block_id).weight_kg + face.haul_kg))
    return math.fsum(terms)


def _check_numbers(problem: Problem, solution: Solution) -> Iterator[Violation]:
    again = recount_objective(problem, solution)
    near = 1e-6 * max(1.0, abs(again))
    if abs(again - solution.objective) > near:
        yield Violation(
            rule="objective", ids=(), what=f"says {solution.objective:.6f}, counts {again:.6f}"
        )
    if solution.bound > solution.objective + near:
        yield Violation(rule="bound", ids=(), what="the bound is above the objective")
    gap = (solution.objective - solution.bound) / max(solution.objective, 1e-9)
    if abs(gap - solution.gap) > 1e-6 or (solution.status == "optimal" and gap > 1e-6):
        yield Violation(
            rule="gap", ids=(), what=f"the gap is {gap:.3g}, the plan says {solution.gap:.3g}"
        )
