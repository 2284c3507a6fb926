"""Why this block and no other: ranked blocks with each part of the score, reasons, and the stone wanted."""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass

from facademap.errors import InputError
from facademap.match.candidates import FILTERS, colour_differences, need_mm, opening_cost
from facademap.match.freespace import FreeSpace, turns_allowed
from facademap.match.layouts import Layouts
from facademap.match.problem import TOLERANCE_MM, Face, Lock, Problem, Repair
from facademap.match.solution import Reason, Solution
from facademap.match.whatif import premises_of, solve_again

__all__ = [
    "Explanation",
    "RankedBlock",
    "RuledOut",
    "StoneWanted",
    "cost_to_insist",
    "explain",
    "stone_wanted",
]

#: Blocks that may be opened to every repair that gives way: the more, the nearer the cost comes to the true one.
OPENED_TO_INSIST = 30


@dataclass(frozen=True, slots=True, kw_only=True)
class RankedBlock:
    """A block that could serve a repair, best first. All costs in units of the objective.

    ``insist_alone`` is how much dearer the plan gets when only this repair moves here. Others may have to give way,
    or a new plan may make good a part of it: see :func:`cost_to_insist` for the whole.
    """

    block_id: str
    face_id: str
    colour: float
    spread: float
    finish: float
    provenance: float
    looks: float
    opening: float
    opened_already: bool
    chosen: bool
    insist_alone: float


@dataclass(frozen=True, slots=True, kw_only=True)
class RuledOut:
    """A block that cannot serve a repair on any face, and the filter that its best face fails."""

    block_id: str
    reason: Reason


@dataclass(frozen=True, slots=True, kw_only=True)
class Explanation:
    """Why a repair has the piece that it has, or none."""

    repair_id: str
    block_id: str | None
    reason: Reason | None
    ranked: tuple[RankedBlock, ...]
    ruled_out: tuple[RuledOut, ...]


def _first_failure(
    problem: Problem, layouts: Layouts, i: int, b: int, f: int, difference: float
) -> Reason | None:
    """The first filter that a (repair, block, face) fails, in the fixed order."""
    repair, block = problem.repairs[i], problem.blocks[b]
    face: Face = block.faces[f]
    if block.stone != repair.stone and block.stone not in repair.accept:
        return "stone_type"
    free = dataclasses.replace(repair, lock=None)
    if not turns_allowed(free, face):
        return "bed"
    if (
        max(need_mm(repair, face, problem.params, slab=0), problem.params.min_slab_mm)
        > face.depth_mm + TOLERANCE_MM
    ):
        return "depth"
    if repair.weathered == "required" and not face.weathered:
        return "weathered"
    if (
        repair.lab is not None
        and repair.de_tolerance is not None
        and difference > repair.de_tolerance + 1e-9
    ):
        return "colour"
    if not layouts.fits_alone(i, b, f):
        return "size"
    return None


def explain(
    problem: Problem, solution: Solution, *, repair_ids: tuple[str, ...] | None = None
) -> tuple[Explanation, ...]:
    """For each repair the ranked blocks with each part of the score, and what rules out the others.

    Parameters
    ----------
    problem, solution
        A problem and its plan.
    repair_ids : tuple of str, optional
        Only these repairs; by default all.
    """
    free = dataclasses.replace(
        problem, repairs=tuple(dataclasses.replace(r, lock=None) for r in problem.repairs)
    )
    layouts = Layouts(FreeSpace(free, compiled=False))
    differences = colour_differences(problem)
    opened = {p.block_id: p.face_id for p in solution.placements}
    reasons = {u.repair_id: u.reason for u in solution.unmatched}
    result = []
    for i, repair in enumerate(problem.repairs):
        if repair_ids is not None and repair.id not in repair_ids:
            continue
        place = solution.placement(repair.id)
        ranked: list[RankedBlock] = []
        out: list[RuledOut] = []
        column = 0
        for b, block in enumerate(problem.blocks):
            worst: list[int] = []
            options = []
            for f, face in enumerate(block.faces):
                if not face.is_for(repair):
                    column += 1
                    continue
                failure = _first_failure(free, layouts, i, b, f, float(differences[i, column]))
                if failure is None:
                    options.append(
                        _score(
                            problem, repair, b, face, float(differences[i, column]), opened, place
                        )
                    )
                else:
                    worst.append(FILTERS.index(failure))
                column += 1
            if not options and not worst:
                continue
            if block.id in repair.forbid or (
                repair.lock is not None and repair.lock.block_id != block.id
            ):
                out.append(
                    RuledOut(
                        block_id=block.id, reason="locked_out" if options else FILTERS[max(worst)]
                    )
                )
            elif options:
                ranked += options
            else:
                out.append(RuledOut(block_id=block.id, reason=FILTERS[max(worst)]))
        now = problem.params.unmatched_penalty * repair.priority
        if place is not None:
            alone = len(solution.on_block(place.block_id)) == 1
            now = next((r.looks + (r.opening if alone else 0.0) for r in ranked if r.chosen), now)
        ranked = [
            dataclasses.replace(
                r,
                insist_alone=0.0
                if r.chosen
                else r.looks - now + (0.0 if r.opened_already else r.opening),
            )
            for r in ranked
        ]
        ranked.sort(
            key=lambda r: (
                r.looks + (0.0 if r.opened_already else r.opening),
                r.block_id,
                r.face_id,
            )
        )
        result.append(
            Explanation(
                repair_id=repair.id,
                block_id=place.block_id if place else None,
                reason=reasons.get(repair.id),
                ranked=tuple(ranked),
                ruled_out=tuple(out),
            )
        )
    return tuple(result)


def _score(
    problem: Problem,
    repair: Repair,
    b: int,
    face: Face,
    difference: float,
    opened: dict[str, str],
    place: object,
) -> RankedBlock:
    block, params = problem.blocks[b], problem.params
    given = problem.looks.get(repair.id, {}).get(block.id)
    colour = difference if given is None else given
    spread = params.spread_weight * block.spread if given is None else 0.0
    slab = getattr(place, "slab", 0) if getattr(place, "block_id", None) == block.id else 0
    unlike = repair.finish is not None and not (slab == 0 and face.finish == repair.finish)
    finish = params.finish_penalty * unlike
    chosen = (
        getattr(place, "block_id", None) == block.id and getattr(place, "face_id", None) == face.id
    )
    return RankedBlock(
        block_id=block.id,
        face_id=face.id,
        colour=colour,
        spread=spread,
        finish=finish,
        provenance=face.provenance,
        looks=repair.priority * (colour + spread + finish + face.provenance),
        opening=opening_cost(block, face, params),
        opened_already=opened.get(block.id) == face.id,
        chosen=chosen,
        insist_alone=math.nan,
    )


def cost_to_insist(
    problem: Problem,
    solution: Solution,
    *,
    repair_id: str,
    block_id: str,
    time_limit_s: float | None = 10.0,
    work_limit: int | None = None,
    seed: int = 0,
) -> tuple[float, Solution]:
    """What the whole plan costs more when a repair must come from a block, and the plan that does it.

    The other plan is found from the first one as in :func:`facademap.match.solve_again`: the true cost is at most
    what is told, and is told within a thousandth of the whole in most cases.

    Raises
    ------
    InputError
        When the repair may not lie on the block, or is locked already.
    """
    problem.block(block_id)
    if problem.repair(repair_id).lock is not None:
        raise InputError(f"repair {repair_id} is locked already", "Lift its lock first.")
    repairs = tuple(
        dataclasses.replace(r, lock=Lock(block_id=block_id)) if r.id == repair_id else r
        for r in problem.repairs
    )
    other = solve_again(
        dataclasses.replace(problem, repairs=repairs),
        solution,
        premises=premises_of(problem),
        neighbours=OPENED_TO_INSIST,
        time_limit_s=time_limit_s,
        work_limit=work_limit,
        seed=seed,
    )
    return other.objective - solution.objective, other


@dataclass(frozen=True, slots=True, kw_only=True)
class StoneWanted:
    """Stone to look for: one kind and thickness, the largest size among the repairs, the colours wanted."""

    stone: str
    accept: tuple[str, ...]
    depth_mm: float
    width_mm: float
    height_mm: float
    repair_ids: tuple[str, ...]
    sizes_mm: tuple[tuple[float, float, float], ...]
    lab: tuple[float, float, float] | None
    de_tolerance: float | None
    weathered: bool
    reasons: tuple[Reason, ...]


def stone_wanted(problem: Problem, solution: Solution) -> tuple[StoneWanted, ...]:
    """The list of stone wanted: unmatched repairs gathered by stone, thickness and weathered face.

    The colour is the mean of those wanted, the tolerance the smallest; the size of every piece is kept.
    """
    groups: dict[
        tuple[str, float, bool], list[tuple[Repair, tuple[float, float, float], Reason]]
    ] = {}
    for one in solution.unmatched:
        repair = problem.repair(one.repair_id)
        if repair.lock is not None and repair.lock.block_id is None:
            continue
        key = (repair.stone, one.source_mm[2], repair.weathered == "required")
        groups.setdefault(key, []).append((repair, one.source_mm, one.reason))
    result = []
    for (stone, depth_mm, weathered), rows in sorted(groups.items()):
        labs = [r.lab for r, _, _ in rows if r.lab is not None]
        tolerances = [r.de_tolerance for r, _, _ in rows if r.de_tolerance is not None]
        mean = None
        if labs:
            mean = tuple(round(sum(v[k] for v in labs) / len(labs), 2) for k in range(3))
        result.append(
            StoneWanted(
                stone=stone,
                accept=tuple(sorted({a for r, _, _ in rows for a in r.accept})),
                depth_mm=depth_mm,
                width_mm=max(s[0] for _, s, _ in rows),
                height_mm=max(s[1] for _, s, _ in rows),
                repair_ids=tuple(r.id for r, _, _ in rows),
                sizes_mm=tuple(s for _, s, _ in rows),
                lab=mean,  # type: ignore[arg-type]
                de_tolerance=min(tolerances, default=None),
                weathered=weathered,
                reasons=tuple(why for _, _, why in rows),
            )
        )
    return tuple(result)
