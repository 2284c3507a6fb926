"""Shortest sequence of small programmes by an open solver (HiGHS in SciPy), days as binary choices."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from typing import Any

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import coo_matrix

from facademap.errors import SolveError
from facademap.repair.schedule import Schedule, ScheduleProblem, schedule_greedily
from facademap.repair.schedule_check import check_schedule

__all__ = ["solve_schedule"]

#: More choices than this are left to the list method: the proof would take too long to be of use.
_MOST_CHOICES = 4000


def solve_schedule(
    problem: ScheduleProblem,
    *,
    time_limit_s: float = 10.0,
    rng: np.random.Generator | None = None,
    tries: int = 20,
) -> Schedule:
    """A short sequence, proved shortest where the programme is small.

    First the list method, from several seeded orders; then, when its length is above the bound and the programme is
    small, an exact model. The result is always checked by code that shares nothing with the makers.

    Parameters
    ----------
    problem : ScheduleProblem
        Jobs and what binds them.
    time_limit_s : float
        For the exact model.
    rng : Generator, optional
        For the orders tried; ``default_rng(0)`` when not given, so that the same input gives the same answer.
    tries : int
        Orders tried.

    Raises
    ------
    SolveError
        The checker found fault, which would be a mistake in this program.
    """
    rng = rng or np.random.default_rng(0)
    best = schedule_greedily(problem)
    for _ in range(tries if best.length_days > best.bound_days else 0):
        trial = schedule_greedily(problem, order=_shuffled(problem, rng))
        if trial.length_days < best.length_days:
            best = trial
        if best.length_days <= best.bound_days:
            break
    if best.status != "optimal" and len(problem.jobs) * best.length_days <= _MOST_CHOICES:
        shorter = _exact(problem, best, time_limit_s=time_limit_s)
        # a solver that answers against a rule has neither found nor proved anything: the list method's stays as it is
        if not check_schedule(problem, shorter.starts):
            best = shorter
    faults = check_schedule(problem, best.starts)
    if faults:
        raise SolveError(
            f"the sequence breaks a rule: {faults[0]}",
            "Report this with the project; the sequence is not shown.",
        )
    return best


def _shuffled(problem: ScheduleProblem, rng: np.random.Generator) -> list[str]:
    """Another order: bays in turn as they come, making safe still first, lifts roughly from the top."""
    key = {j.repair: (not j.first, -j.place[1] + float(rng.normal(0, 0.7))) for j in problem.jobs}
    return sorted(key, key=lambda n: key[n])


def _exact(problem: ScheduleProblem, known: Schedule, *, time_limit_s: float) -> Schedule:
    horizon = known.length_days - 1  # only something shorter is of interest
    days = [problem.start + dt.timedelta(days=k) for k in range(horizon)]
    index = {d: k for k, d in enumerate(days)}
    choices: list[tuple[int, int]] = []
    worked: list[list[int]] = []
    shut: list[int] = []
    for n, job in enumerate(problem.jobs):
        for k, day in enumerate(days):
            if not problem.works(day):
                continue
            end = problem.last_day(day, job.days)
            closed = (end - problem.start).days + job.cure_days
            if closed < horizon:
                choices.append((n, k))
                worked.append([index[d] for d in _working(problem, day, end)])
                shut.append(closed)
    if {n for n, _ in choices} != set(range(len(problem.jobs))):
        return replace(known, status="optimal", bound_days=known.length_days, method="exact")
    rows = _Rows(problem, choices, worked, shut)
    matrix, low, high = rows.constraints()
    cost = np.zeros(len(choices) + 1)
    cost[-1] = 1.0  # the last variable is the length of the programme
    bounds = Bounds(
        np.r_[np.zeros(len(choices)), known.bound_days], np.r_[np.ones(len(choices)), horizon]
    )
    found = milp(
        cost,
        integrality=np.r_[np.ones(len(choices)), 0],
        bounds=bounds,
        constraints=LinearConstraint(matrix, low, high),
        options={"time_limit": float(time_limit_s)},
    )
    if found.status == 2:  # nothing shorter exists
        return replace(known, status="optimal", bound_days=known.length_days, method="exact")
    dual = getattr(found, "mip_dual_bound", None)
    bound = (
        known.bound_days
        if dual is None or not np.isfinite(dual)
        else max(known.bound_days, int(np.ceil(dual - 1e-6)))
    )
    if found.x is None:  # nothing found within the time: the known one stays, with the better bound
        return replace(known, bound_days=min(bound, known.length_days))
    taken = np.flatnonzero(found.x[:-1] > 0.5)
    starts = {problem.jobs[choices[c][0]].repair: days[choices[c][1]] for c in taken}
    reached = max(shut[c] for c in taken) + 1
    return Schedule(
        problem=problem,
        starts=starts,
        status="optimal" if reached <= bound else "feasible",
        length_days=reached,
        bound_days=min(bound, reached),
        method="exact",
    )


def _working(problem: ScheduleProblem, first: dt.date, last: dt.date) -> list[dt.date]:
    return [
        d
        for d in (first + dt.timedelta(days=k) for k in range((last - first).days + 1))
        if problem.works(d)
    ]


class _Rows:
    """Groups of choices of which only so many may be taken."""

    def __init__(
        self,
        problem: ScheduleProblem,
        choices: list[tuple[int, int]],
        worked: list[list[int]],
        shut: list[int],
    ) -> None:
        self.problem, self.choices, self.worked, self.shut = problem, choices, worked, shut
        self.number = {j.repair: n for n, j in enumerate(problem.jobs)}
        self.of_job: list[list[int]] = [[] for _ in problem.jobs]
        for c, (n, _) in enumerate(choices):
            self.of_job[n].append(c)

    def constraints(self) -> tuple[coo_matrix, np.ndarray, np.ndarray]:
        """Rows over all choices and the length: each job once, within the length, groups, donors."""
        entries: list[tuple[int, int, float]] = []
        low: list[float] = []
        high: list[float] = []

        def add(terms: list[tuple[int, float]], least: float, most: float) -> None:
            entries.extend((len(low), column, value) for column, value in terms)
            low.append(least)
            high.append(most)

        length = len(self.choices)
        for of_job in self.of_job:
            add([(c, 1.0) for c in of_job], 1, 1)
            add([*((c, self.shut[c] + 1.0) for c in of_job), (length, -1.0)], -np.inf, 0)
        for group, most in self.at_most():
            add([(c, 1.0) for c in group], -np.inf, most)
        for first, then in sorted(self.problem.before):
            a, b = self.of_job[self.number[first]], self.of_job[self.number[then]]
            add(
                [
                    *((c, float(self.choices[c][1])) for c in b),
                    *((c, -(self.worked[c][-1] + 1.0)) for c in a),
                ],
                0,
                np.inf,
            )
        row, column, value = (np.array(x) for x in zip(*entries, strict=True))
        return (
            coo_matrix((value, (row, column)), shape=(len(low), length + 1)),
            np.array(low),
            np.array(high),
        )

    def at_most(self) -> list[tuple[list[int], int]]:
        groups: dict[Any, list[int]] = {}
        for c, (n, _) in enumerate(self.choices):
            place = self.problem.jobs[n].place
            for day in self.worked[c]:
                groups.setdefault(("crews", day), []).append(c)
                groups.setdefault(("bay", place[0], place[2], day), []).append(c)
        result = [
            (g, self.problem.crews if key[0] == "crews" else 1)
            for key, g in sorted(groups.items(), key=lambda i: str(i[0]))
        ]
        for a, b in sorted(self.problem.apart):
            days: dict[int, list[int]] = {}
            for c in (*self.of_job[self.number[a]], *self.of_job[self.number[b]]):
                for day in range(self.choices[c][1], self.shut[c] + 1):
                    days.setdefault(day, []).append(c)
            result += [(g, 1) for _, g in sorted(days.items())]
        return result
