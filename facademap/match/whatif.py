"""What if: solve again from the last plan with few other changes, and compare two plans side by side."""

from __future__ import annotations

import dataclasses
import hashlib
import math
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from facademap.errors import SolveError
from facademap.match.candidates import find_candidates, usable_dm3
from facademap.match.freespace import FreeSpace
from facademap.match.layouts import Layouts
from facademap.match.problem import Problem
from facademap.match.solution import Placement, Quality, Solution, Unmatched
from facademap.match.solver import Progress, is_small, solve_nearly
from facademap.match.verification import Violation, recount_objective, verify

__all__ = [
    "PlanComparison",
    "Premises",
    "RepairChange",
    "compare_plans",
    "premises_of",
    "solve_again",
]

#: Solving again ends within this share of looks and opening; what is saved beyond it is not worth the wait.
GOOD_ENOUGH = 1e-3
#: Or with this share of the work of the earlier plan, where that is known, and no less than so many units.
SHARE_OF_WORK, LEAST_WORK = 0.05, 3_000_000
#: So many times the blocks are opened where a repair would lose its stone otherwise.
WIDER = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class RepairChange:
    """A repair whose place differs between two plans (None: unmatched)."""

    repair_id: str
    first: Placement | None
    second: Placement | None


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanComparison:
    """Two plans of one problem side by side; pairs are (first, second)."""

    placed: tuple[int, int]
    unmatched_priority: tuple[float, float]
    objective: tuple[float, float]
    visual: tuple[float, float]
    opened_dm3: tuple[float, float]
    opened_blocks: tuple[int, int]
    changes: tuple[RepairChange, ...]


def compare_plans(problem: Problem, first: Solution, second: Solution) -> PlanComparison:
    """Placed, looks, stone opened, and which repairs changed, for two plans of one problem."""
    sides = [_figures(problem, s) for s in (first, second)]
    changes = []
    for repair in problem.repairs:
        a, b = first.placement(repair.id), second.placement(repair.id)
        if a != b:
            changes.append(RepairChange(repair_id=repair.id, first=a, second=b))
    return PlanComparison(
        placed=(len(first.placements), len(second.placements)),
        unmatched_priority=(sides[0]["unmatched"], sides[1]["unmatched"]),
        objective=(sides[0]["objective"], sides[1]["objective"]),
        visual=(sides[0]["visual"], sides[1]["visual"]),
        opened_dm3=(sides[0]["opened"], sides[1]["opened"]),
        opened_blocks=(int(sides[0]["blocks"]), int(sides[1]["blocks"])),
        changes=tuple(changes),
    )


def _figures(problem: Problem, solution: Solution) -> Mapping[str, float]:
    params = problem.params
    faces = {p.block_id: problem.block(p.block_id).face(p.face_id) for p in solution.placements}
    opened = {b: usable_dm3(f) for b, f in faces.items()}
    unmatched = math.fsum(problem.repair(u.repair_id).priority for u in solution.unmatched)
    objective = recount_objective(problem, solution)
    opening = math.fsum(
        params.open_per_dm3 * v
        + params.handle_per_kg * (problem.block(b).weight_kg + faces[b].haul_kg)
        for b, v in opened.items()
    )
    return {
        "unmatched": unmatched,
        "objective": objective,
        "opened": math.fsum(opened.values()),
        "blocks": len(opened),
        "visual": objective - opening - params.unmatched_penalty * unmatched,
    }


@dataclass(frozen=True, slots=True, kw_only=True)
class Premises:
    """What a plan was made from, in plain values that can be kept beside it.

    Parameters
    ----------
    digest : str
        Of the problem without its locks and forbidden blocks.
    locks : mapping
        By repair what its lock gives, by name.
    forbid : mapping
        By repair its forbidden blocks.
    """

    digest: str
    locks: Mapping[str, Mapping[str, Any]]
    forbid: Mapping[str, Sequence[str]]

    def only_restricted_in(self, later: Premises) -> bool:
        """Whether a later problem only has more locks and forbidden blocks, so that no plan of it can be better."""
        return (
            self.digest == later.digest
            and all(
                lock.items() <= later.locks.get(i, {}).items() for i, lock in self.locks.items()
            )
            and all(
                set(blocks) <= set(later.forbid.get(i, ())) for i, blocks in self.forbid.items()
            )
        )


def premises_of(problem: Problem) -> Premises:
    """The premises of a plan for this problem."""
    free = dataclasses.replace(
        problem,
        repairs=tuple(dataclasses.replace(r, lock=None, forbid=()) for r in problem.repairs),
    )
    locks = {r.id: dataclasses.asdict(r.lock) for r in problem.repairs if r.lock is not None}
    return Premises(
        digest=hashlib.sha256(repr(free).encode()).hexdigest(),
        locks={
            i: {k: v for k, v in lock.items() if v is not None or k == "block_id"}
            for i, lock in locks.items()
        },
        forbid={r.id: r.forbid for r in problem.repairs if r.forbid},
    )


def solve_again(
    problem: Problem,
    earlier: Solution,
    *,
    premises: Premises | None = None,
    neighbours: int = 3,
    time_limit_s: float | None = 10.0,
    work_limit: int | None = None,
    seed: int = 0,
    progress: Callable[[Progress], None] | None = None,
    clock: Callable[[], float] = time.monotonic,
) -> Solution:
    """Solve a changed problem from an earlier plan, touching only what the change touches.

    Parameters
    ----------
    problem : Problem
        The changed problem: other locks, forbidden blocks, weights or blocks.
    earlier : Solution
        The plan before the change.
    premises : Premises, optional
        What the earlier plan was made from. Where the change only forbids more, the earlier bound still holds.
    neighbours : int
        How many of the best-looking other blocks are opened to every repair that has to move.
    time_limit_s, work_limit, seed, progress, clock
        As in :func:`facademap.match.solve`. Without a work limit a twentieth of the earlier work is spent.

    Returns
    -------
    Solution
        A plan for the whole problem. Blocks that are not touched keep their saw plans as they are, and so do
        those on which the same pieces lie as before. Without ``premises`` that hold the bound is a weak one (every
        repair on its best-looking block); :func:`facademap.match.solve` gives a proof.

    Raises
    ------
    InputError
        Locks that contradict each other or the rules.
    SolveError
        No plan that holds all locks, or one that breaks a rule (never returned).
    """
    began = clock()
    spent = earlier.quality.work if earlier.quality is not None else 0
    if work_limit is None and spent:
        work_limit = max(LEAST_WORK, int(SHARE_OF_WORK * spent))
    restricted = premises is not None and premises.only_restricted_in(premises_of(problem))

    def tried(
        standing: Callable[[Problem, Solution], set[str]], wide: int
    ) -> tuple[Solution, list[Violation]]:
        keep = _Keep(problem, earlier, standing(problem, earlier), wide, restricted=restricted)
        made = keep.solved(
            time_limit_s=time_limit_s,
            work_limit=work_limit,
            seed=seed,
            progress=progress,
            clock=clock,
        )
        plan = _with_figures(
            problem, made, earlier if restricted else None, seconds=clock() - began
        )
        return plan, verify(problem, plan)

    # mostly all that stays keeps the rules, and only the new plan is checked; block by block where it does not
    standing = _standing
    plan, faults = tried(standing, neighbours)
    if faults:
        standing = _holding
        plan, faults = tried(standing, neighbours)
    if not faults and _given_up(
        problem, earlier, plan
    ):  # more blocks are opened before a repair goes without stone
        wider, more_faults = tried(standing, WIDER * neighbours)
        if not more_faults and wider.objective < plan.objective:
            plan = wider
    if faults:
        raise SolveError(
            f"the plan found breaks a rule and is not shown: {faults[0]}",
            "Solve the whole problem.",
        )
    return plan


def _given_up(problem: Problem, earlier: Solution, plan: Solution) -> bool:
    """Whether a repair that had stone has none now, although nobody asked for that."""
    had, has = ({p.repair_id for p in s.placements} for s in (earlier, plan))
    return any(
        r.id in had and r.id not in has and not (r.lock is not None and r.lock.block_id is None)
        for r in problem.repairs
    )


def _standing(problem: Problem, plan: Solution) -> set[str]:
    """Blocks on which an earlier plan still keeps the locks of a changed problem."""
    blocks, locks = {b.id for b in problem.blocks}, {r.id: r.lock for r in problem.repairs}
    moved = {
        p.block_id
        for p in plan.placements
        if p.repair_id not in locks
        or ((lock := locks[p.repair_id]) is not None and lock.block_id != p.block_id)
    }
    return ({p.block_id for p in plan.placements} & blocks) - moved


def _holding(problem: Problem, plan: Solution) -> set[str]:
    """Blocks on which an earlier plan still keeps every rule of a changed problem."""
    return {b for b in _standing(problem, plan) if _holds(problem, plan, b)}


def _holds(problem: Problem, plan: Solution, block_id: str) -> bool:
    """Whether what an earlier plan puts on a block keeps every rule of a changed problem."""
    placements = plan.on_block(block_id)
    ids = {p.repair_id for p in placements}
    part = dataclasses.replace(
        problem,
        looks={},
        blocks=(problem.block(block_id),),
        repairs=tuple(
            dataclasses.replace(r, forbid=tuple(f for f in r.forbid if f == block_id))
            for r in problem.repairs
            if r.id in ids
        ),
    )
    kept = dataclasses.replace(
        plan,
        placements=placements,
        unmatched=(),
        quality=None,
        bound=0.0,
        slabs={b: s for b, s in plan.slabs.items() if b == block_id},
    )
    return {v.rule for v in verify(part, kept)} <= {"objective", "bound", "gap"}


class _Keep:
    """What of an earlier plan is kept as it is, and what is solved again."""

    def __init__(
        self,
        problem: Problem,
        earlier: Solution,
        good: set[str],
        neighbours: int,
        *,
        restricted: bool,
    ) -> None:
        self.problem, self.earlier, self.good = problem, earlier, good
        at = {p.repair_id: p.block_id for p in earlier.placements}
        used = set(at.values())
        moving = {
            r.id
            for r in problem.repairs
            if at.get(r.id) not in good and not (r.lock is not None and r.lock.block_id is None)
        }
        free = {b.id for b in problem.blocks if b.id not in used} | (used - good)
        for repair in problem.repairs:
            if repair.id not in moving:
                continue
            if repair.lock is not None and repair.lock.block_id is not None:
                free.add(repair.lock.block_id)
            elif (
                repair.id in at or not restricted
            ):  # nothing becomes possible by more locks for what had no stone before
                free |= set(_closest(problem, repair.id, neighbours))
        self.placements = tuple(p for p in earlier.placements if p.block_id in good - free)
        self.blocks = {p.block_id for p in self.placements}

    def solved(
        self,
        *,
        time_limit_s: float | None,
        work_limit: int | None,
        seed: int,
        progress: Callable[[Progress], None] | None,
        clock: Callable[[], float],
    ) -> Solution:
        """The kept places with the best that is soon found for the rest; its figures are those of the rest."""
        problem, earlier = self.problem, self.earlier
        kept = {p.repair_id for p in self.placements}
        rest = tuple(
            dataclasses.replace(r, forbid=tuple(f for f in r.forbid if f not in self.blocks))
            for r in problem.repairs
            if r.id not in kept
        )
        blocks = tuple(b for b in problem.blocks if b.id not in self.blocks)
        slabs = {b: s for b, s in earlier.slabs.items() if b in self.blocks}
        if not rest or not blocks:
            return dataclasses.replace(
                earlier,
                placements=self.placements,
                slabs=slabs,
                seed=seed,
                ended_by="proof",
                unmatched=tuple(
                    u for u in earlier.unmatched if u.repair_id in {r.id for r in rest}
                ),
            )
        names = {b.id for b in blocks}
        part = dataclasses.replace(
            problem,
            repairs=rest,
            blocks=blocks,
            looks={
                r.id: {b: c for b, c in problem.looks.get(r.id, {}).items() if b in names}
                for r in rest
            },
        )
        figures = earlier.quality
        within = 0.0 if figures is None else GOOD_ENOUGH * (figures.visual + figures.opening)
        inner = solve_nearly(
            part,
            within=within,
            start=earlier,
            time_limit_s=time_limit_s,
            work_limit=work_limit,
            seed=seed,
            progress=progress,
            clock=clock,
        )
        same = {
            b
            for b in self.good & {p.block_id for p in inner.placements}
            if _pieces(inner, b) == _pieces(earlier, b)
        }
        return dataclasses.replace(
            inner,
            placements=self.placements
            + tuple(p for p in inner.placements if p.block_id not in same)
            + tuple(p for p in earlier.placements if p.block_id in same),
            slabs={
                **slabs,
                **{b: s for b, s in inner.slabs.items() if b not in same},
                **{b: s for b, s in earlier.slabs.items() if b in same},
            },
        )


def _pieces(plan: Solution, block_id: str) -> set[tuple[str, str, bool]]:
    """What lies on a block, as far as its looks depend on it."""
    return {(p.repair_id, p.face_id, p.slab == 0) for p in plan.on_block(block_id)}


def _closest(problem: Problem, repair_id: str, count: int) -> list[str]:
    repair = problem.repair(repair_id)
    rows = []
    for block in problem.blocks:
        if block.stone != repair.stone and block.stone not in repair.accept:
            continue
        looks = problem.looks.get(repair_id, {}).get(block.id)
        if looks is None:
            looks = (
                sum((a - b) ** 2 for a, b in zip(repair.lab, block.lab, strict=True))
                if repair.lab
                else 0.0
            )
        rows.append((looks, block.id))
    return [b for _, b in sorted(rows)[:count]]


def _with_figures(
    problem: Problem, made: Solution, freer: Solution | None, *, seconds: float
) -> Solution:
    """The whole plan with its own figures, reasons and bound; ``freer`` is a plan of a problem with more freedom."""
    order = {r.id: n for n, r in enumerate(problem.repairs)}
    unmatched, lost = _reasons(problem, made.unmatched)
    plan = dataclasses.replace(
        made,
        placements=tuple(sorted(made.placements, key=lambda p: order[p.repair_id])),
        unmatched=tuple(sorted(unmatched, key=lambda u: order[u.repair_id])),
        seconds=seconds,
    )
    figures = _figures(problem, plan)
    objective, left = figures["objective"], figures["unmatched"]
    penalty = problem.params.unmatched_penalty
    # a plan for more freedom is never dearer, so what was proved for it holds
    proved = None if freer is None else freer.quality
    bound = min(objective, _least_cost(problem) if freer is None else freer.bound)
    least = lost if proved is None else max(lost, proved.unmatched_priority_bound)
    same = proved is not None and abs(proved.unmatched_priority - left) < 1e-9
    fixed = min(
        objective, max(bound, proved.bound_fixed_count if proved is not None and same else bound)
    )
    gap = (objective - bound) / max(objective, 1e-9)
    best = gap <= 1e-6
    quality = Quality(
        unmatched_priority=left,
        unavoidable_priority=lost,
        visual=figures["visual"],
        opening=objective - figures["visual"] - left * penalty,
        opened_dm3=figures["opened"],
        placed=len(plan.placements),
        placed_proved=least >= left - 1e-6,
        unmatched_priority_bound=least,
        bound_fixed_count=fixed,
        gap_fixed_count=(objective - fixed) / max(objective, 1e-9),
        gap_avoidable=(objective - bound) / max(objective - lost * penalty, 1e-9),
        work=made.quality.work if made.quality is not None else 0,
    )
    return dataclasses.replace(
        plan,
        objective=objective,
        bound=bound,
        gap=gap,
        quality=quality,
        status="optimal" if best else "feasible",
        ended_by="proof" if best else "time" if made.ended_by == "time" else "work",
    )


def _reasons(problem: Problem, unmatched: tuple[Unmatched, ...]) -> tuple[list[Unmatched], float]:
    """Why these repairs are unmatched, looking at every block; and the priority of those that no block can serve."""
    if not unmatched:
        return [], 0.0
    names = {u.repair_id for u in unmatched}
    part = dataclasses.replace(
        problem,
        repairs=tuple(r for r in problem.repairs if r.id in names),
        looks={i: c for i, c in problem.looks.items() if i in names},
    )
    layouts = Layouts(FreeSpace(part, compiled=not is_small(problem)))
    found = find_candidates(part, layouts.space, fits_alone=layouts.fits_alone)
    reason_of = {r.id: reason for r, reason in zip(part.repairs, found.reasons, strict=True)}
    lost = math.fsum(r.priority for r in part.repairs if reason_of[r.id] is not None)
    return [
        dataclasses.replace(u, reason=reason_of[u.repair_id] or "capacity") for u in unmatched
    ], lost


def _least_cost(problem: Problem) -> float:
    """A weak lower bound on every plan: each repair unmatched, or on its best-looking block, opened for nothing."""
    found = find_candidates(
        problem, FreeSpace(problem, compiled=not is_small(problem)), fits_alone=None
    )
    return math.fsum(
        min([problem.params.unmatched_penalty * r.priority, *(min(c) for c in pairs.values())])
        for r, pairs in zip(problem.repairs, found.pairs, strict=True)
    )
