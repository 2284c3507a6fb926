"""Solve the matching: which piece from which block, where on it, sawn how, and how good that is proved to be."""

from __future__ import annotations

import math
import os
import time
from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from facademap.errors import InputError, SolveError
from facademap.match.candidates import Candidates, find_candidates
from facademap.match.exact import MOST_REPAIRS, solve_exactly
from facademap.match.freespace import FreeSpace
from facademap.match.generation import Component
from facademap.match.improvement import Rebuilding
from facademap.match.layouts import Layout, Layouts
from facademap.match.locks import check_locks, forced_repairs
from facademap.match.master import Column
from facademap.match.plans import layout_cost, placements_of, quality_of, slabs_of, unmatched_of
from facademap.match.problem import Block, Face, Flaw, Problem, Repair
from facademap.match.solution import Solution
from facademap.match.start import greedy_plan
from facademap.match.verification import verify

__all__ = ["Progress", "is_small", "load_compiled_code", "solve", "solve_nearly"]

SMALL_PAIRS = 60
MOST_THREADS = 4
#: From so many pairs on, only the best-looking blocks of each repair are looked at.
LARGE_PAIRS = 1_000_000
MOST_BLOCKS = 40
#: Turns of ruin and recreate at a time, and its share of the time or work.
BURST = 500
#: Groups listed for the proof at the end, and the effort for one face; four times as many where that gains nothing.
MOST_LISTED = 10_000
LIST_EFFORT = 1_000_000
MOST_CLOSINGS = 2
REBUILD_SHARE = 0.3
#: Most of the time for one pick before the prices have settled.
PICK_SHARE = 0.02
#: Share of the time after which the rounds end, so that a last plan can be picked from all groups.
ROUNDS_SHARE = 0.9
#: The same in very large yards, where the last plan takes longer than the last gains of the bound are worth.
LARGE_ROUNDS_SHARE = 0.85
#: The last plan is picked again in parts, at most so many times as wide where nothing else gains.
WIDEST = 8
#: The same for the polishing of the last plan.
LAST_SHARE = 0.97
#: With more repairs in a part a plan is rounded off from the prices before they have settled, not picked.
MOST_PICKED = 300
#: In a pruned yard, pairs are looked at that cost so many times the repair's share of the first plan.
WIDER = 1.25


@dataclass(frozen=True, slots=True, kw_only=True)
class Progress:
    """How far a run has come."""

    phase: str
    fraction: float
    objective: float | None = None
    bound: float | None = None
    placed: int | None = None


def solve(
    problem: Problem,
    *,
    time_limit_s: float | None = None,
    work_limit: int | None = None,
    seed: int = 0,
    progress: Callable[[Progress], None] | None = None,
    start: Solution | None = None,
    compiled: bool | None = None,
    threads: int | None = None,
    clock: Callable[[], float] = time.monotonic,
) -> Solution:
    """Match repairs to blocks.

    Parameters
    ----------
    problem : Problem
    time_limit_s : float, optional
        Stop after so many seconds with the best plan so far.
    work_limit : int, optional
        Stop after so many units of work; the plan is then the same on every machine.
    seed : int
        Recorded with the plan; equal seeds give equal plans.
    progress : callable, optional
        Told how far the run has come; an exception raised in it stops the run.
    start : Solution, optional
        An earlier plan; what of it still holds is where the search begins.
    compiled : bool, optional
        Use compiled code; by default for all but small problems.
    threads : int, optional
        Faces looked at side by side; by default as many as there are cores, four at most. The plan does
        not depend on it unless the clock ends the run.
    clock : callable
        Seconds; only differences count.

    Returns
    -------
    Solution
        A plan that passes :func:`facademap.match.verify`.

    Raises
    ------
    InputError
        Locks that contradict each other or the rules.
    SolveError
        No plan in the time given, or one that breaks a rule (never returned).
    """
    if time_limit_s is not None and not time_limit_s > 0:
        raise InputError(f"the time limit is {time_limit_s:g} s", "Give a time limit above 0.")
    if work_limit is not None and work_limit <= 0:
        raise InputError(f"the work limit is {work_limit}", "Give a work limit above 0.")
    if threads is not None and threads < 1:
        raise InputError(f"{threads} threads were asked for", "Give 1 or more.")
    run = _Run(
        problem,
        time_limit_s=time_limit_s,
        work_limit=work_limit,
        seed=seed,
        progress=progress,
        start=start,
        compiled=compiled,
        clock=clock,
    )
    run.make_ready()
    if threads is None:
        threads = min(MOST_THREADS, os.cpu_count() or 1)
    if threads == 1 or not run.compiled:
        return _checked(problem, run.solution())
    with ThreadPoolExecutor(threads) as pool:
        run.run = pool.map
        return _checked(problem, run.solution())


def solve_nearly(
    problem: Problem,
    *,
    within: float,
    start: Solution,
    time_limit_s: float | None = None,
    work_limit: int | None = None,
    seed: int = 0,
    progress: Callable[[Progress], None] | None = None,
    clock: Callable[[], float] = time.monotonic,
) -> Solution:
    """Match a few repairs again from an earlier plan, and stop as soon as the plan is good enough.

    Parameters
    ----------
    within : float
        Cost by which every part of the plan may miss the best one.

    Returns
    -------
    Solution
        A plan that was not verified; who joins it to other plans verifies the whole.
    """
    run = _Run(
        problem,
        time_limit_s=time_limit_s,
        work_limit=work_limit,
        seed=seed,
        progress=progress,
        start=start,
        compiled=None,
        clock=clock,
    )
    run.make_ready()
    run.within, run.thorough = within, False
    return run.solution()


def _checked(problem: Problem, solution: Solution) -> Solution:
    """The solution, when no rule is broken."""
    faults = verify(problem, solution)
    if faults:
        raise SolveError(
            f"the plan found breaks a rule and is not shown: {faults[0]}",
            "Report the problem file; solve with another --seed meanwhile.",
        )
    return solution


def is_small(problem: Problem) -> bool:
    """Whether every set of repairs on every block can be looked at; that needs no compiled code."""
    pairs = len(problem.repairs) * sum(len(b.faces) for b in problem.blocks)
    return len(problem.repairs) <= MOST_REPAIRS and pairs <= SMALL_PAIRS


def load_compiled_code() -> None:
    """Load the kernels, or compile them where that was not yet done; seconds, counted in a time limit."""
    if not _WARM:
        _Run(
            _tiny_problem(),
            time_limit_s=None,
            work_limit=None,
            seed=0,
            progress=None,
            start=None,
            compiled=True,
            clock=time.monotonic,
        ).solution()
        _WARM.append(True)


#: Holds something once the compiled code is loaded in this process.
_WARM: list[bool] = []


def _tiny_problem() -> Problem:
    """A problem that calls every kernel, to have them compiled before the time counts."""
    repairs = tuple(
        Repair(
            id=f"r{n}",
            outline_mm=((0.0, 0.0), (w, 0.0), (w, h), (0.0, h)),
            depth_mm=50.0,
            joints_mm=(3.0,),
            bed="horizontal",
            stone="s",
            weathered="required" if n == 0 else "any",
        )
        for n, (w, h) in enumerate([(60.0, 50.0), (70.0, 80.0), (90.0, 60.0), (110.0, 90.0)])
    )
    flaw = Flaw(outline_mm=((20.0, 20.0), (30.0, 20.0), (25.0, 32.0)), depth_mm=40.0)
    face = Face(
        id="f",
        outline_mm=((0.0, 0.0), (170.0, 0.0), (170.0, 150.0), (0.0, 150.0)),
        depth_mm=150.0,
        bed="x",
        flaws=(flaw,),
        weathered=True,
    )
    blocks = tuple(
        Block(id=f"b{n}", stone="s", lab=(70.0, 0.0, 10.0), faces=(face,), weight_kg=9.0)
        for n in range(2)
    )
    return Problem(repairs=repairs, blocks=blocks)


class _Run:
    """One run: the parts of the problem in turn, until proof or until the limit."""

    def __init__(
        self,
        problem: Problem,
        *,
        time_limit_s: float | None,
        work_limit: int | None,
        seed: int,
        progress: Callable[[Progress], None] | None,
        start: Solution | None,
        compiled: bool | None,
        clock: Callable[[], float],
    ) -> None:
        self.problem, self.seed, self.start, self.clock = problem, seed, start, clock
        self.time_limit_s, self.work_limit, self.progress = time_limit_s, work_limit, progress
        self.began = clock()
        self.small = is_small(problem)
        self.compiled = not self.small if compiled is None else compiled
        if compiled:
            self.small = False
        self.space = FreeSpace(problem, compiled=self.compiled)
        #: Without compiled code and with a clock there is only time for the first plan.
        self.first_only = not self.small and not self.compiled and time_limit_s is not None
        self.layouts = Layouts(self.space, most_queries=500 if self.first_only else 20_000)
        self.parts: list[Component] = []
        self.run: Callable[..., Iterable[None]] = map
        self.ended: Literal["proof", "time", "work"] = "proof"
        self.share = ROUNDS_SHARE
        self.rebuilding: Rebuilding | None = None
        self.rounded = False
        self.outside: list[int] = []
        #: Cost by which a part may miss its best plan, and whether the search goes on to the proof.
        self.within, self.thorough = 0.0, True

    def make_ready(self) -> None:
        """Load the compiled code where this run needs it."""
        if self.compiled and not _WARM:
            if self.progress is not None:
                self.progress(
                    Progress(
                        phase="loading compiled code (longer the first time on a machine)",
                        fraction=0.0,
                    )
                )
            load_compiled_code()

    def stop(self) -> bool:
        """Whether the time or the work given is used up."""
        if self.work_limit is not None and self.layouts.work >= self.work_limit:
            self.ended = "work"
            return True
        if (
            self.time_limit_s is not None
            and self.clock() - self.began >= self.share * self.time_limit_s
        ):
            self.ended = "time"
            return True
        return False

    def left_s(self, share: float = 1.0) -> float | None:
        """Seconds left, but no more than a share of all; None without a limit."""
        if self.time_limit_s is None:
            return None
        return min(share * self.time_limit_s, self.time_limit_s - (self.clock() - self.began))

    def tell(self, phase: str, fraction: float) -> None:
        """Tell how far it has come."""
        if self.progress is None:
            return
        cost = math.fsum(p.cost for p in self.parts) + self.lost if self.parts else None
        bound = math.fsum(p.bound for p in self.parts) + self.lost_bound if self.parts else None
        spent = 0.0
        if self.time_limit_s is not None:
            spent = (self.clock() - self.began) / self.time_limit_s
        self.progress(
            Progress(
                phase=phase,
                fraction=min(1.0, max(fraction, spent)),
                objective=cost,
                bound=bound,
                placed=sum(len(c.pieces) for p in self.parts for c in p.plan)
                if self.parts
                else None,
            )
        )

    def solution(self) -> Solution:
        """Solve, and return the plan."""
        self.lost = self.lost_bound = 0.0
        self.pruned = (
            not self.small and len(self.problem.repairs) * len(self.problem.blocks) >= LARGE_PAIRS
        )
        self.candidates = find_candidates(
            self.problem,
            self.space,
            fits_alone=self.layouts.fits_alone if self.small else None,
            most_blocks=MOST_BLOCKS if self.pruned else None,
        )
        check_locks(self.problem, self.candidates, self.layouts)
        return self._small_solution() if self.small else self._large_solution()

    def _small_solution(self) -> Solution:
        problem = self.problem
        penalties = [problem.params.unmatched_penalty * r.priority for r in problem.repairs]
        plan = solve_exactly(
            self.layouts,
            self.candidates,
            penalties=penalties,
            forced=forced_repairs(problem),
            stop=self.stop,
        )
        if plan is None and self.ended != "proof":
            raise SolveError(
                "no plan that holds all locks was found", "Lift a lock, or give more time."
            )
        if plan is None:
            raise SolveError("no plan holds all locks", "Lift a lock.")
        return self._finish(list(plan.layouts), plan.bound, plan.least_unmatched, plan.bound)

    def _large_solution(self) -> Solution:
        problem, candidates = self.problem, self.candidates
        penalties = [problem.params.unmatched_penalty * r.priority for r in problem.repairs]
        fixed: dict[int, list[int]] = {}
        blocks = {b.id: n for n, b in enumerate(problem.blocks)}
        for i in forced_repairs(problem):
            lock = problem.repairs[i].lock
            assert lock is not None
            assert lock.block_id is not None
            fixed.setdefault(blocks[lock.block_id], []).append(i)
        forced = {b: tuple(g) for b, g in fixed.items()}
        plan = greedy_plan(
            self.layouts,
            candidates,
            penalties=penalties,
            fixed=forced,
            stop=self.stop if self.first_only else lambda: False,
        )
        groups = self._earlier_groups()
        self._make_parts(forced)
        for part in self.parts:
            keys = set(part.keys)
            part.set_plan({k: g for k, g in plan.items() if k in keys})
            if groups is not None:  # what is locked lies as the greedy plan has it
                known = {
                    **{k: g for k, g in groups.items() if k[0] not in forced},
                    **{k: g for k, g in plan.items() if k[0] in forced},
                }
                part.set_plan({k: g for k, g in known.items() if k in keys})
        if any(part.cost == math.inf for part in self.parts):
            raise SolveError(
                "no plan that holds all locks was found", "Lift a lock, or give more time."
            )
        self.tell("first plan", 0.0)
        if not self.first_only:
            if self.thorough:
                self._rebuild(penalties, set(forced))
            if self.pruned and not self.stop():
                self.share = LARGE_ROUNDS_SHARE
                self._widen(forced)
            shares = self._shares()
            for part in self.parts:
                part.expect(shares)
            self._improve()
            self._last_pick()
        elif self.ended == "proof":
            self.ended = "time"
        elif not plan and any(candidates.pairs):
            raise SolveError(
                "the time given is too short for any plan",
                "Give more time; the first run on a machine makes compiled code ready, which takes up to a minute.",
            )
        layouts = [c.layout for p in self.parts for c in p.plan if c.layout is not None]
        lost_priority = math.fsum(
            problem.repairs[i].priority
            for i in self.outside
            if self.candidates.beyond[i] == math.inf
        )
        return self._finish(
            layouts,
            math.fsum(min(p.bound, p.cost) for p in self.parts) + self.lost_bound,
            math.fsum(p.least_left() for p in self.parts) + lost_priority,
            math.fsum(min(p.cost, p.bound_at(p.unmatched)) for p in self.parts) + self.lost_bound,
        )

    def _make_parts(self, forced: dict[int, tuple[int, ...]]) -> None:
        """Part the problem; what no part holds is lost."""
        candidates, penalty = self.candidates, self.problem.params.unmatched_penalty
        self.parts = [
            Component(
                self.layouts,
                candidates,
                repairs=repairs,
                keys=keys,
                stop=self.stop,
                run=self.run,
                forced={b: g for b, g in forced.items() if any(k[0] == b for k in keys)},
            )
            for repairs, keys in _parts(candidates)
        ]
        inside = {i for p in self.parts for i in p.repairs}
        self.outside = [i for i in range(len(self.problem.repairs)) if i not in inside]
        lost = {i: penalty * self.problem.repairs[i].priority for i in self.outside}
        self.lost = math.fsum(lost.values())
        self.lost_bound = math.fsum(min(cost, candidates.beyond[i]) for i, cost in lost.items())

    def _widen(self, forced: dict[int, tuple[int, ...]]) -> None:
        """Look at further blocks of each repair: all that cost no more than its own share of the plan, and some more."""
        old = self.parts
        columns = [c for part in old for c in part.master.columns]
        plan = [c for part in old for c in part.plan]
        self.candidates = find_candidates(
            self.problem,
            self.space,
            fits_alone=None,
            most_blocks=MOST_BLOCKS,
            most_cost=WIDER * self._shares(),
        )
        self._make_parts(forced)
        for part in self.parts:
            keys = set(part.keys)
            part.offer_plan([c for c in plan if (c.block, c.face) in keys])
            for column in columns:
                if (column.block, column.face) in keys:
                    part.master.add(column)

    def _rebuild(self, penalties: list[float], locked_blocks: set[int]) -> None:
        """Ruin and recreate over all parts at once."""
        if not self.parts or self.stop():
            return
        work = Rebuilding(
            self.layouts,
            self.candidates,
            plan=[c for p in self.parts for c in p.plan],
            penalties=penalties,
            locked_blocks=locked_blocks,
            seed=self.seed,
            stop=self.stop,
        )
        self.rebuilding = None if self.pruned else work
        until = None if self.time_limit_s is None else REBUILD_SHARE * self.time_limit_s
        most_work = None if self.work_limit is None else REBUILD_SHARE * self.work_limit
        self._burst(
            work,
            lambda: (
                (until is not None and self.clock() - self.began > until)
                or (most_work is not None and self.layouts.work > most_work)
            ),
        )

    def _shares(self) -> npt.NDArray[np.float64]:
        """What each repair costs in the plan at hand, with its share of opening its block by volume; infinite where unmatched."""
        shares = np.full(len(self.problem.repairs), np.inf)
        for column in (c for part in self.parts for c in part.plan):
            key = column.block, column.face
            sizes = [
                self.space.blanks[i].area_mm2 * self.problem.repairs[i].depth_mm
                for i in column.repairs
            ]
            for (i, must), size in zip(column.pieces, sizes, strict=True):
                shares[i] = self.candidates.pairs[i][key][
                    0 if must else 1
                ] + self.candidates.opening[key] * size / sum(sizes)
        return shares

    def _burst(self, work: Rebuilding, enough: Callable[[], bool]) -> None:
        """Let a plan be rebuilt in bursts; what that finds also goes to the master programs."""
        part_of = {key: p for p in self.parts for key in p.keys}
        while not work.done and not self.stop() and not enough():
            better = work.burst(BURST)
            for best in (True, False) if better else (False,):
                plans: dict[int, list[Column]] = {}
                for key, pieces, layout in work.groups(best=best):
                    part = part_of[key]
                    column = part.column_of(*key, pieces, layout)
                    if best:
                        plans.setdefault(id(part), []).append(column)
                    elif work.turn % (4 * BURST) == 0:
                        part.master.add(column)
                for part in self.parts:
                    if id(part) in plans:
                        part.offer_plan(plans[id(part)])
            self.tell("improving", 0.0)

    def _polish(self) -> None:
        """Rebuild from the plan at hand with little heat."""
        plan = [c for p in self.parts for c in p.plan]
        if self.rebuilding is None:
            self.rebuilding = Rebuilding(
                self.layouts,
                self.candidates,
                plan=plan,
                seed=self.seed,
                stop=self.stop,
                penalties=[
                    self.problem.params.unmatched_penalty * r.priority for r in self.problem.repairs
                ],
                locked_blocks={b for p in self.parts for b in p.forced},
            )
        self.rebuilding.polish(plan)
        self._burst(self.rebuilding, lambda: False)

    def _improve(self) -> None:
        """Rounds over the parts in turn, each time followed by some polishing where a plan was rounded off."""
        waiting = list(self.parts)
        while waiting:
            self.rounded = False
            for part in list(waiting):
                if self.stop() or not self._turn(part):
                    return
                if part.finished:
                    waiting.remove(part)
            if waiting and not self.thorough and self.rebuilding is None:
                self._rebuild(
                    [
                        self.problem.params.unmatched_penalty * r.priority
                        for r in self.problem.repairs
                    ],
                    {b for p in self.parts for b in p.forced},
                )
            if self.rounded:
                self._polish()
            self.tell("matching", 1.0 - len(waiting) / len(self.parts))

    def _last_pick(self) -> None:
        """Time is nearly up: make a last plan from all groups of the parts that are not done."""
        open_parts = [p for p in self.parts if not p.finished and p.rounds > 0]
        self.rounded = False
        for n, part in enumerate(open_parts):
            left = self.left_s()
            if left is not None and left <= 0.0:
                return
            if len(part.repairs) > MOST_PICKED:
                part.round_off()
                self.rounded = True
            else:
                part.pick(
                    most_columns=6000,
                    most_nodes=100,
                    time_limit_s=None if left is None else 0.8 * left / (len(open_parts) - n),
                )
        if self.rounded:
            self.share = LAST_SHARE
            self._polish()
            seed, wide = self.seed, 1
            while not self.stop() and wide <= WIDEST:
                before = math.fsum(p.cost for p in self.parts)
                for part in open_parts:
                    part.pick_in_parts(seed=seed, stop=self.stop, wide=wide)
                    self.tell("improving", 0.0)
                seed += 1
                if math.fsum(p.cost for p in self.parts) >= before:
                    wide *= 2

    def _turn(self, part: Component) -> bool:
        """A few rounds on one part; False when the limit is reached."""
        if not part.prepare():
            return False
        for _ in range(4):
            if part.converged:
                break
            if not part.round():
                return False
        if (part.converged and part.rounds > part.last_pick) or part.rounds >= part.next_pick:
            self._pick(part)
        if part.cost - part.bound <= max(self.within, 1e-6 * max(1.0, part.cost)):
            part.finished = True
        elif self.thorough and part.at_last_cap and part.counted < (2 if part.converged else 1):
            if not part.settle_count():
                return False
        elif part.converged:
            return self._close(part)
        return True

    def _pick(self, part: Component) -> None:
        """A plan from the groups that are known."""
        part.last_pick, part.next_pick = part.rounds, 2 * part.rounds + 8
        if part.converged:
            part.pick(most_columns=6000, most_nodes=2000, time_limit_s=self.left_s())
        elif len(part.repairs) > MOST_PICKED:
            part.round_off()
            self.rounded = True
        else:  # a quick look only: the groups to come matter more
            part.pick(
                most_columns=6 * len(part.repairs),
                most_nodes=50,
                time_limit_s=self.left_s(PICK_SHARE),
            )

    def _close(self, part: Component) -> bool:
        """List the groups that could still make the plan better; False when the limit is reached."""
        before, more = (part.cost, part.bound), 4**part.closings
        if not part.close(
            most_groups=MOST_LISTED * more,
            most_effort=LIST_EFFORT * more,
            time_limit_s=self.left_s(),
        ):
            return False
        if (part.cost, part.bound) == before or not self.thorough:
            part.closings += 1
            part.finished = part.closings > MOST_CLOSINGS or not part.whole or not self.thorough
        return True

    def _earlier_groups(self) -> dict[tuple[int, int], tuple[int, ...]] | None:
        """What of an earlier plan still passes the filters."""
        if self.start is None:
            return None
        blocks = {
            b.id: (n, {f.id: m for m, f in enumerate(b.faces)})
            for n, b in enumerate(self.problem.blocks)
        }
        repairs = {r.id: i for i, r in enumerate(self.problem.repairs)}
        groups: dict[tuple[int, int], list[int]] = {}
        for place in self.start.placements:
            i, block = repairs.get(place.repair_id), blocks.get(place.block_id)
            if i is None or block is None or place.face_id not in block[1]:
                continue
            key = (block[0], block[1][place.face_id])
            if key in self.candidates.pairs[i]:
                groups.setdefault(key, []).append(i)
        return {k: tuple(sorted(g)) for k, g in groups.items()}

    def _finish(
        self, layouts: list[Layout], bound: float, least_unmatched: float, bound_fixed_count: float
    ) -> Solution:
        problem, candidates = self.problem, self.candidates
        placements = placements_of(problem, layouts)
        placed = {i for x in layouts for i, *_ in x.places}
        penalty = problem.params.unmatched_penalty
        objective = math.fsum(
            [layout_cost(x, candidates) for x in layouts]
            + [penalty * r.priority for i, r in enumerate(problem.repairs) if i not in placed]
        )
        bound = min(bound, objective)
        gap = (objective - bound) / max(objective, 1e-9)
        return Solution(
            status="optimal" if gap <= 1e-6 else "feasible",
            objective=objective,
            bound=bound,
            gap=gap,
            seconds=self.clock() - self.began,
            seed=self.seed,
            ended_by="proof" if gap <= 1e-6 else "work" if self.ended == "proof" else self.ended,
            placements=placements,
            unmatched=unmatched_of(problem, self.space, candidates.reasons, placed),
            slabs=slabs_of(problem, self.space, layouts),
            quality=quality_of(
                problem,
                candidates,
                layouts,
                objective=objective,
                bound=bound,
                least_unmatched=least_unmatched,
                bound_fixed_count=bound_fixed_count,
                undecided=self.layouts.unknown,
                work=self.layouts.work,
            ),
        )


def _parts(candidates: Candidates) -> list[tuple[list[int], list[tuple[int, int]]]]:
    """Repairs and (block, face) keys that hang together, the largest part first."""
    leader: dict[int, int] = {}

    def find(node: int) -> int:
        while leader[node] != node:
            leader[node] = leader[leader[node]]
            node = leader[node]
        return node

    for i, pairs in enumerate(candidates.pairs):
        if not pairs:
            continue
        leader.setdefault(i, i)
        for block, _ in pairs:
            leader.setdefault(-1 - block, -1 - block)
            a, b = find(i), find(-1 - block)
            leader[max(a, b)] = min(a, b)
    repairs: dict[int, list[int]] = {}
    for i, pairs in enumerate(candidates.pairs):
        if pairs:
            repairs.setdefault(find(i), []).append(i)
    result = []
    for group in repairs.values():
        keys = sorted({key for i in group for key in candidates.pairs[i]})
        result.append((group, keys))
    return sorted(result, key=lambda part: (-len(part[0]), part[0]))
