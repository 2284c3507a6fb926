"""Shortest sequence of small programmes by an open solver (HiGHS), days as binary choices."""

from __future__ import annotations

import datetime as dt
from typing import Any

import numpy as np

from facademap.errors import SolveError
from facademap.repair.schedule import Schedule, ScheduleProblem, schedule_greedily
from facademap.repair.schedule_check import check_schedule

__all__ = ["solve_schedule"]

#: More choices than this are left to the list method: the proof would take too long to be of use.
_MOST_CHOICES = 4000


def solve_schedule(problem: ScheduleProblem, *, time_limit_s: float = 10.0, rng: np.random.Generator | None = None,
                   tries: int = 20) -> Schedule:
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
    names = [j.repair for j in problem.jobs]
    for _ in range(tries if best.length_days > best.bound_days else 0):
        trial = schedule_greedily(problem, order=[names[k] for k in rng.permutation(len(names))])
        if trial.length_days < best.length_days:
            best = trial
        if best.length_days <= best.bound_days:
            break
    if best.status != "optimal" and len(names) * best.length_days <= _MOST_CHOICES:
        best = _exact(problem, best, time_limit_s=time_limit_s)
    faults = check_schedule(problem, best.starts)
    if faults:
        raise SolveError(f"the sequence breaks a rule: {faults[0]}", "Report this with the project; the sequence is not shown.")
    return best


def _exact(problem: ScheduleProblem, known: Schedule, *, time_limit_s: float) -> Schedule:
    import highspy

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
        return Schedule(problem=problem, starts=known.starts, status="optimal", length_days=known.length_days, bound_days=known.length_days,
                        method="exact")
    model = highspy.Highs()
    model.silent()
    model.setOptionValue("time_limit", float(time_limit_s))
    model.setOptionValue("random_seed", 0)
    model.setOptionValue("threads", 1)
    x = [model.addBinary() for _ in choices]
    length = model.addVariable(lb=float(known.bound_days), ub=float(horizon))
    rows = _Rows(problem, choices, worked, shut)
    for n in range(len(problem.jobs)):
        model.addConstr(sum(x[c] for c in rows.of_job[n]) == 1)
        model.addConstr(sum((shut[c] + 1) * x[c] for c in rows.of_job[n]) <= length)
    for group, most in rows.at_most():
        model.addConstr(sum(x[c] for c in group) <= most)
    for first, then in problem.before:
        a, b = rows.number[first], rows.number[then]
        model.addConstr(sum(choices[c][1] * x[c] for c in rows.of_job[b]) >= sum((worked[c][-1] + 1) * x[c] for c in rows.of_job[a]))
    model.minimize(length)
    status = model.getModelStatus()
    info = model.getInfo()
    if status == highspy.HighsModelStatus.kInfeasible:
        return Schedule(problem=problem, starts=known.starts, status="optimal", length_days=known.length_days, bound_days=known.length_days,
                        method="exact")
    values = model.getSolution().col_value
    bound = max(known.bound_days, int(np.ceil(info.mip_dual_bound - 1e-6))) if np.isfinite(info.mip_dual_bound) else known.bound_days
    if info.primal_solution_status != 2:  # no sequence found within the time: the known one stays, with the bound
        return Schedule(problem=problem, starts=known.starts, status="feasible", length_days=known.length_days,
                        bound_days=min(bound, known.length_days), method=known.method)
    starts = {problem.jobs[choices[c][0]].repair: days[choices[c][1]] for c in range(len(choices)) if values[c] > 0.5}
    reached = max(shut[c] for c in range(len(choices)) if values[c] > 0.5) + 1
    return Schedule(problem=problem, starts=starts, status="optimal" if reached <= bound else "feasible", length_days=reached,
                    bound_days=min(bound, reached), method="exact")


def _working(problem: ScheduleProblem, first: dt.date, last: dt.date) -> list[dt.date]:
    return [d for d in (first + dt.timedelta(days=k) for k in range((last - first).days + 1)) if problem.works(d)]


class _Rows:
    """Groups of choices of which only so many may be taken."""

    def __init__(self, problem: ScheduleProblem, choices: list[tuple[int, int]], worked: list[list[int]], shut: list[int]) -> None:
        self.problem, self.choices, self.worked, self.shut = problem, choices, worked, shut
        self.number = {j.repair: n for n, j in enumerate(problem.jobs)}
        self.of_job: list[list[int]] = [[] for _ in problem.jobs]
        for c, (n, _) in enumerate(choices):
            self.of_job[n].append(c)

    def at_most(self) -> list[tuple[list[int], int]]:
        groups: dict[Any, list[int]] = {}
        for c, (n, _) in enumerate(self.choices):
            place = self.problem.jobs[n].place
            for day in self.worked[c]:
                groups.setdefault(("crews", day), []).append(c)
                groups.setdefault(("bay", place[0], place[2], day), []).append(c)
        result = [(g, self.problem.crews if key[0] == "crews" else 1) for key, g in sorted(groups.items(), key=lambda i: str(i[0]))]
        for a, b in sorted(self.problem.apart):
            days: dict[int, list[int]] = {}
            for c in (*self.of_job[self.number[a]], *self.of_job[self.number[b]]):
                for day in range(self.choices[c][1], self.shut[c] + 1):
                    days.setdefault(day, []).append(c)
            result += [(g, 1) for _, g in sorted(days.items())]
        return result
