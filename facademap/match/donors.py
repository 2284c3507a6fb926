"""Blocks that come out of the wall only when another repair is cut out, and an order of work without circles.

A hole is opened only when its piece can be had: a repair that takes its piece from a donor waits until the
donor's own repair has been cut out, and that one waits for its own piece in turn. A repair without a piece
is not cut out, so nothing may wait for it.

An order of work only restricts: what bounds the plans without one bounds the plans with one. Where the best
plan has no order, it is parted: every plan with an order lacks one of the stones of a circle, and either lacks
a stone that comes out with an unmatched repair or serves that repair. Each case is solved for itself, the
most promising first.
"""

from __future__ import annotations

import dataclasses
import math
import time
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass

from facademap.errors import InputError, SolveError
from facademap.match.candidates import opening_cost, usable_dm3
from facademap.match.outlines import blank_of
from facademap.match.problem import Block, Problem, Repair
from facademap.match.solution import Solution, Unmatched
from facademap.match.solver import LARGE_PAIRS, Progress, is_small, solve
from facademap.match.verification import recount_objective, verify
from facademap.photo.lab import difference_ciede2000
from facademap.repair.donors import in_order

__all__ = ["order_of_work", "solve_with_donors"]

#: Cases looked at after the first plan: without a limit of time, with one, and in small problems, which take none.
MOST_CASES = 40
MOST_TIMED_CASES = 400
MOST_SMALL_CASES = 200
#: Share of the time for them; the rest betters the plan in its own order.
PART_SHARE = 0.85
#: Orders of work that are tried to come by a first plan with one, and to better the last.
MOST_DIVES = 8
#: Share of the time or work for the first plan, and of what is left for each later one.
FIRST_SHARE = 0.7
LATER_SHARE = 0.2
POLISH_SHARE = 0.6
LEAST_TIME_S = 0.5
HIGHEST_PRIORITY = 1e6

Pair = tuple[str, str]


def order_of_work(solution: Solution, donors: Mapping[str, str]) -> tuple[str, ...]:
    """Repairs that have a piece, in an order that has every donor out of the wall before its stone is needed.

    Parameters
    ----------
    solution : Solution
    donors : mapping
        Block id to the repair whose cut-out sets it free.

    Raises
    ------
    InputError
        The plan runs in a circle, or a stone comes out with a repair that has no piece; the repairs are named.
    """
    waits = _waits(solution, donors)
    for circle in _circles(waits):
        raise _circle_error(circle, "Forbid one of the donors to its repair and match again.")
    for one in _stuck(solution, waits):
        raise InputError(
            f"repair {one} waits for stone that comes out with repair {waits[one]}, which has no piece and is not cut out",
            f"Find a block for {waits[one]}, or another one for {one}.",
        )
    return in_order((p.repair_id for p in solution.placements), waits)


def solve_with_donors(
    problem: Problem,
    donors: Mapping[str, str],
    *,
    time_limit_s: float | None = None,
    work_limit: int | None = None,
    seed: int = 0,
    progress: Callable[[Progress], None] | None = None,
    start: Solution | None = None,
    clock: Callable[[], float] = time.monotonic,
) -> tuple[Solution, tuple[str, ...]]:
    """Match with blocks that other repairs set free, and give an order of work that makes it possible.

    Parameters
    ----------
    problem : Problem
        Its blocks include the donors.
    donors : mapping
        Block id to the repair whose cut-out sets it free.
    time_limit_s, work_limit, seed, progress, start, clock
        As for :func:`facademap.match.solve`; limits hold for all that is solved on the way.

    Returns
    -------
    solution, order
        The plan, and the ids of the repairs in the order of work. Bound, gap and status hold for all plans
        that have an order of work.

    Raises
    ------
    InputError
        A donor that is not there, or locks that leave no order of work.
    SolveError
        As for :func:`facademap.match.solve`.
    """
    blocks, repairs = {b.id for b in problem.blocks}, {r.id for r in problem.repairs}
    for block_id, repair_id in donors.items():
        if block_id not in blocks or repair_id not in repairs:
            raise InputError(
                f"the donor {block_id} of repair {repair_id} is not there",
                "Name a block and a repair of the problem.",
            )
    _check_locks(problem, donors)
    search = _Search(
        problem,
        donors,
        time_limit_s=time_limit_s,
        work_limit=work_limit,
        seed=seed,
        progress=progress,
        clock=clock,
    )
    solution = search.solution(start)
    return solution, order_of_work(solution, donors)


@dataclass(frozen=True, slots=True)
class _Case:
    """Blocks forbidden to repairs, and repairs that are to have a piece."""

    forbidden: tuple[Pair, ...] = ()
    insisted: tuple[str, ...] = ()

    def forbid(self, pairs: Iterable[Pair]) -> _Case:
        return _Case(tuple(sorted({*self.forbidden, *pairs})), self.insisted)

    def insist(self, repair_id: str) -> _Case:
        return _Case(self.forbidden, tuple(sorted({*self.insisted, repair_id})))

    def problem(self, whole: Problem) -> Problem:
        """The whole problem with what the case asks for; no plan of the case costs more in it than in the whole one."""
        more: dict[str, list[str]] = {}
        for repair_id, block_id in self.forbidden:
            more.setdefault(repair_id, []).append(block_id)
        repairs = {r.id: r for r in whole.repairs}
        looks = dict(whole.looks)
        weight = 1.0 + math.fsum(r.priority for r in whole.repairs)
        for one in self.insisted:
            priority = min(weight, HIGHEST_PRIORITY)
            share = repairs[one].priority / priority  # so that its looks count no more than before
            looks[one] = {b.id: share * _least_looks(whole, repairs[one], b) for b in whole.blocks}
            repairs[one] = dataclasses.replace(repairs[one], priority=priority, finish=None)
        return dataclasses.replace(
            whole,
            looks=looks,
            repairs=tuple(
                dataclasses.replace(r, forbid=(*r.forbid, *more[r.id])) if r.id in more else r
                for r in repairs.values()
            ),
        )


def _least_looks(problem: Problem, repair: Repair, block: Block) -> float:
    """What a piece out of a block costs at least for its looks, before its priority."""
    given, params = problem.looks.get(repair.id, {}).get(block.id), problem.params
    costs = []
    for face in block.faces:
        looks = given
        if looks is None:
            colour = (
                0.0
                if repair.lab is None
                else float(difference_ciede2000(repair.lab, face.lab or block.lab))
            )
            looks = colour + params.spread_weight * block.spread
        costs.append(
            looks
            + (
                params.finish_penalty
                if repair.finish is not None and repair.finish != face.finish
                else 0.0
            )
        )
    return min(costs)


class _Search:
    """Best first over the cases; the least bound of what is left open holds for the whole problem."""

    def __init__(
        self,
        problem: Problem,
        donors: Mapping[str, str],
        *,
        time_limit_s: float | None,
        work_limit: int | None,
        seed: int,
        progress: Callable[[Progress], None] | None,
        clock: Callable[[], float],
    ) -> None:
        self.problem, self.donors, self.seed, self.progress, self.clock = (
            problem,
            donors,
            seed,
            progress,
            clock,
        )
        self.time_limit_s, self.work_limit = time_limit_s, work_limit
        self.locked = {
            (i, block_id) for i, block_id in _locks(problem).items() if block_id in donors
        }
        self.stones: dict[str, list[str]] = {}
        for block_id, repair_id in donors.items():
            self.stones.setdefault(repair_id, []).append(block_id)
        self.began = clock()
        self.spent_work = 0
        self.fraction = 0.0
        self.best: Solution | None = None

    def solution(self, start: Solution | None) -> Solution:
        """The best plan found that has an order of work, with what is proved about it."""
        whole = _Case().forbid(
            (d, b) for d, blocks in self.stones.items() for b in blocks
        )  # nothing waits for itself
        first = self._solve(whole, share=FIRST_SHARE, start=start)
        if self._keep(first):
            if (
                first.status == "optimal"
                or not self._time_left()
                or (first.ended_by != "time" and self.work_limit is None)
            ):
                return self._finished(first, first.bound)
            again = self._solve(whole, share=1.0, start=first)
            self._keep(again)
            return self._finished(first, max(first.bound, again.bound))
        self._dive(whole, first)
        bound = self._part(whole, first)
        self._polish(whole, bound)
        return self._finished(first, bound)

    def _dive(self, whole: _Case, plan: Solution) -> None:
        """A plan with an order soon: an order of work is settled from a plan, and stone that comes later is forbidden."""
        case = whole
        for _ in range(MOST_DIVES):
            waits = _waits(plan, self.donors)
            for one in _stuck(plan, waits):
                pairs = [
                    (r.id, block_id)
                    for r in self.problem.repairs
                    for block_id in self.stones[waits[one]]
                ]
                case = case.forbid(p for p in pairs if p not in self.locked)
                if not self.locked.isdisjoint(pairs):
                    case = case.insist(waits[one])
            plan = self._solve(case.forbid(self._later(plan, waits)), share=LATER_SHARE, start=plan)
            if self._keep(plan) or not self._time_left():
                return

    def _polish(self, whole: _Case, bound: float) -> None:
        """Better plans in the order of work of the best one."""
        for _ in range(MOST_DIVES):
            best = self.best
            if best is None or not self._time_left() or bound >= best.objective * (1.0 - 1e-6):
                return
            self._keep(
                self._solve(
                    whole.forbid(self._later(best, _waits(best, self.donors))),
                    share=POLISH_SHARE,
                    start=best,
                )
            )
            if self.best is best:
                return

    def _later(self, plan: Solution, waits: Mapping[str, str]) -> set[Pair]:
        """Stone that comes out after the repairs that could take it, where work goes by what waits in a plan."""
        waits = {**waits, **{one: self.donors[block_id] for one, block_id in self.locked}}
        circling = {i for circle in _circles(waits) for i in circle}
        placed = [p.repair_id for p in plan.placements]
        apart = {i for i in placed if not circling.isdisjoint(in_order([i], waits))}
        unmatched = [u.repair_id for u in plan.unmatched]
        # what breaks a circle goes late, so that it may take the stone of all the others; what has no piece goes last
        order = in_order(
            [
                *(i for i in placed if i not in apart),
                *(i for i in placed if i in apart),
                *unmatched,
            ],
            waits,
        )
        rank = {i: n for n, i in enumerate(order)}
        return {
            (r.id, b)
            for r in self.problem.repairs
            for b, donor in self.donors.items()
            if rank[donor] >= rank[r.id]
        } - self.locked

    def _part(self, case: _Case, plan: Solution) -> float:
        """Look at the cases, and return what bounds every plan that has an order."""
        waiting = {0: (plan.bound, case, plan)}
        closed: list[float] = []
        seen = {case}
        count, follow = 0, 0
        most = (
            MOST_SMALL_CASES
            if is_small(self.problem)
            else MOST_CASES
            if self.time_limit_s is None
            else MOST_TIMED_CASES
        )
        while waiting and count < most and (self._time_left(PART_SHARE) or self.best is None):
            enough = (
                math.inf
                if self.best is None
                else self.best.objective - 1e-6 * max(1.0, self.best.objective)
            )
            least = min(waiting, key=lambda n: waiting[n][0])
            if waiting[least][0] >= enough:
                break
            # down to a plan with an order first, then up again to the case with the least bound
            bound, case, plan = waiting.pop(
                follow if follow in waiting and waiting[follow][0] < enough else least
            )
            cases, follow = self._cases(case, plan), -1
            if case in cases:  # to insist did not help, and is not refuted either
                closed.append(bound)
            for inner in cases:
                if inner in seen:
                    continue
                if self.best is not None and not self._time_left(PART_SHARE):
                    closed.append(bound)
                    break
                seen.add(inner)
                count += 1
                found = self._solve(inner, share=LATER_SHARE, start=plan)
                if self._keep(found):
                    closed.append(max(bound, found.bound))
                    continue
                waiting[count] = (max(bound, found.bound), inner, found)
                if follow not in waiting or waiting[count][0] < waiting[follow][0]:
                    follow = count
        return min([*closed, *(w[0] for w in waiting.values())], default=math.inf)

    def _cases(self, case: _Case, plan: Solution) -> list[_Case]:
        """Cases of which every plan with an order belongs to one."""
        waits = _waits(plan, self.donors)
        for circle in _circles(waits):
            without = [[(one, block_id) for block_id in self.stones[waits[one]]] for one in circle]
            return [case.forbid(pairs) for pairs in without if self.locked.isdisjoint(pairs)]
        donor = waits[_stuck(plan, waits)[0]]
        pairs = [(r.id, block_id) for r in self.problem.repairs for block_id in self.stones[donor]]
        unused = [case.forbid(pairs)] if self.locked.isdisjoint(pairs) else []
        reason = next(u.reason for u in plan.unmatched if u.repair_id == donor)
        # in a very large yard not every block was looked at, so that no reason rules out a piece
        large = len(self.problem.repairs) * len(self.problem.blocks) >= LARGE_PAIRS
        served = [case.insist(donor)] if large or reason == "capacity" else []
        return [*unused, *served]

    def _solve(self, case: _Case, *, share: float, start: Solution | None) -> Solution:
        """Solve a case in its share of what is left."""
        limit = work = None
        if self.time_limit_s is not None:
            limit = max(LEAST_TIME_S, share * (self.time_limit_s - (self.clock() - self.began)))
        if self.work_limit is not None:
            work = max(1, round(share * (self.work_limit - self.spent_work)))
        begin, end = self.fraction, self.fraction + share * (1.0 - self.fraction)

        def tell(step: Progress) -> None:
            self.fraction = max(self.fraction, begin + (end - begin) * step.fraction)
            if self.progress is not None:
                self.progress(dataclasses.replace(step, fraction=self.fraction))

        tell(Progress(phase="matching" if begin == 0.0 else "order of work", fraction=0.0))
        plan = solve(
            case.problem(self.problem),
            time_limit_s=limit,
            work_limit=work,
            seed=self.seed,
            progress=tell,
            start=start,
            clock=self.clock,
        )
        self.fraction = end
        self.spent_work += plan.quality.work if plan.quality else 0
        return plan

    def _keep(self, plan: Solution) -> bool:
        """Whether a plan has an order of work; the best one is kept, or what of it has one, counted by the true priorities."""
        waits = _waits(plan, self.donors)
        whole = not _circles(waits) and not _stuck(plan, waits)
        kept = plan if whole else self._without_waiting(plan, waits)
        if kept is not None:
            objective = recount_objective(self.problem, kept)
            if self.best is None or objective < self.best.objective - 1e-9:
                self.best = dataclasses.replace(kept, objective=objective)
        return whole

    def _without_waiting(self, plan: Solution, waits: Mapping[str, str]) -> Solution | None:
        """A plan in which those go without a piece that would wait for ever; None where a lock forbids that."""
        waits = dict(waits)
        out = {u.repair_id for u in plan.unmatched}
        while waits:
            lost = [one for one, donor in waits.items() if donor in out] or [
                min(circle, key=lambda i: (self.problem.repair(i).priority, i))
                for circle in _circles(waits)
            ]
            if not lost:
                break
            out |= set(lost)
            waits = {one: donor for one, donor in waits.items() if one not in out}
        gone = [p for p in plan.placements if p.repair_id in out]
        if any((p.repair_id, p.block_id) in self.locked for p in gone):
            return None
        placements = tuple(p for p in plan.placements if p.repair_id not in out)
        used = {p.block_id for p in placements}
        return dataclasses.replace(
            plan,
            placements=placements,
            slabs={b: s for b, s in plan.slabs.items() if b in used},
            unmatched=(*plan.unmatched, *(self._left(p.repair_id) for p in gone)),
        )

    def _left(self, repair_id: str) -> Unmatched:
        repair, params = self.problem.repair(repair_id), self.problem.params
        blank = blank_of(repair, params)
        width, height, depth = (
            round(math.ceil(v * 10.0 - 1e-6) / 10.0, 1)
            for v in (blank.width_mm, blank.height_mm, repair.depth_mm + params.depth_allow_mm)
        )
        return Unmatched(repair_id=repair_id, reason="capacity", source_mm=(width, height, depth))

    def _time_left(self, share: float = 1.0) -> bool:
        timed = self.time_limit_s is None or self.clock() - self.began < share * self.time_limit_s
        return timed and (self.work_limit is None or self.spent_work < share * self.work_limit)

    def _block(self, plan: Solution, repair_id: str) -> str:
        place = plan.placement(repair_id)
        assert place is not None
        return place.block_id

    def _finished(self, first: Solution, bound: float) -> Solution:
        """The best plan with figures that hold for the problem as it was given; reasons are those of the first plan."""
        if self.best is None and self.donors:  # none but locked stone of the wall, as a last resort
            self._keep(
                self._solve(
                    _Case().forbid(
                        {(r.id, b) for r in self.problem.repairs for b in self.donors} - self.locked
                    ),
                    share=LATER_SHARE,
                    start=first,
                )
            )
        best = self.best
        if best is None:
            raise self._no_order(first)
        objective, penalty = best.objective, self.problem.params.unmatched_penalty
        bound = min(bound, objective)
        gap = (objective - bound) / max(objective, 1e-9)
        reasons = {u.repair_id: u.reason for u in first.unmatched}
        forbidding = {r.id for r in self.problem.repairs if r.forbid or r.lock is not None}
        for one, reason in reasons.items():
            if reason == "locked_out" and one not in forbidding:  # only its own stone would do
                reasons[one] = "capacity"
        unmatched: tuple[Unmatched, ...] = tuple(
            dataclasses.replace(u, reason=reasons.get(u.repair_id, "capacity"))
            for u in best.unmatched
        )
        quality, proof = best.quality, first.quality
        if quality is not None and proof is not None:
            left = math.fsum(self.problem.repair(u.repair_id).priority for u in unmatched)
            opened = [
                (b, b.face(f))
                for b, f in (
                    (self.problem.block(i), f)
                    for i, f in dict.fromkeys((p.block_id, p.face_id) for p in best.placements)
                )
            ]
            opening = math.fsum(opening_cost(b, f, self.problem.params) for b, f in opened)
            same = abs(left - proof.unmatched_priority) < 1e-9
            fixed = min(objective, max(bound, proof.bound_fixed_count if same else bound))
            base = proof.unavoidable_priority * penalty
            quality = dataclasses.replace(
                quality,
                unmatched_priority=left,
                unavoidable_priority=proof.unavoidable_priority,
                opening=opening,
                opened_dm3=math.fsum(usable_dm3(f) for _, f in opened),
                visual=objective - opening - penalty * left,
                placed=len(best.placements),
                placed_proved=proof.unmatched_priority_bound >= left - 1e-6,
                unmatched_priority_bound=proof.unmatched_priority_bound,
                bound_fixed_count=fixed,
                gap_fixed_count=max(0.0, objective - fixed) / max(objective, 1e-9),
                gap_avoidable=max(0.0, objective - bound) / max(objective - base, 1e-9),
                work=self.spent_work,
            )
        proved = gap <= 1e-6
        solution = dataclasses.replace(
            best,
            bound=bound,
            gap=gap,
            status="optimal" if proved else "feasible",
            unmatched=unmatched,
            quality=quality,
            ended_by="proof"
            if proved
            else "work"
            if self._time_left() or self.time_limit_s is None
            else "time",
            seconds=self.clock() - self.began,
        )
        faults = verify(self.problem, solution)
        if faults:
            raise SolveError(
                f"the plan found breaks a rule and is not shown: {faults[0]}",
                "Match without donors meanwhile.",
            )
        return solution

    def _no_order(self, plan: Solution) -> InputError:
        waits = _waits(plan, self.donors)
        for one in (*_stuck(plan, waits), *(i for c in _circles(waits) for i in c)):
            if (one, self._block(plan, one)) in self.locked:
                return InputError(
                    f"repair {one} is locked to stone that comes out with repair {waits[one]}, for which no piece was found",
                    f"Lift the lock of {one}, or find a block for {waits[one]}.",
                )
        pairs = ", ".join(
            f"{one} (with {self.donors[block_id]})" for one, block_id in sorted(self.locked)
        )
        return InputError(
            f"no order of work was found in which the stone comes out for the repairs that are locked to it: {pairs}",
            "Lift one of these locks.",
        )


def _check_locks(problem: Problem, donors: Mapping[str, str]) -> None:
    """Raise where locks alone make a circle, or wait for a repair that is to stay without a piece."""
    waits = {i: donors[block_id] for i, block_id in _locks(problem).items() if block_id in donors}
    barred = {r.id for r in problem.repairs if r.lock is not None and r.lock.block_id is None}
    for circle in _circles(waits):
        raise _circle_error(circle, "Lift the lock of one of them.")
    for one, donor in waits.items():
        if donor in barred:
            raise InputError(
                f"repair {one} is locked to stone that comes out with repair {donor}, which is to stay without a piece",
                f"Lift the lock of {one} or that of {donor}.",
            )


def _locks(problem: Problem) -> dict[str, str]:
    """Repair to the block that it is locked to."""
    return {
        r.id: r.lock.block_id
        for r in problem.repairs
        if r.lock is not None and r.lock.block_id is not None
    }


def _circle_error(circle: list[str], remedy: str) -> InputError:
    if len(circle) == 1:
        return InputError(f"repair {circle[0]} waits for stone that comes out with itself", remedy)
    return InputError(
        f"repairs {', '.join(circle)} wait for each other's stone in a circle", remedy
    )


def _waits(solution: Solution, donors: Mapping[str, str]) -> dict[str, str]:
    """Repair to the repair whose stone it waits for."""
    return {p.repair_id: donors[p.block_id] for p in solution.placements if p.block_id in donors}


def _stuck(solution: Solution, waits: Mapping[str, str]) -> list[str]:
    """Repairs that wait for one without a piece."""
    unmatched = {u.repair_id for u in solution.unmatched}
    return [one for one, donor in waits.items() if donor in unmatched]


def _circles(waits: Mapping[str, str]) -> list[list[str]]:
    """All circles; none shares a repair with another, since each repair waits for one at most."""
    found: list[list[str]] = []
    done: set[str] = set()
    for first in waits:
        chain: list[str] = []
        at: str | None = first
        while at is not None and at not in done:
            done.add(at)
            chain.append(at)
            at = waits.get(at)
        if at in chain:
            found.append(chain[chain.index(at) :])
    return found
