"""Independent check of a sequence: shares no code with the makers of it and looks at every pair of days."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from itertools import combinations

from facademap.repair.schedule import Job, ScheduleProblem

__all__ = ["check_schedule"]


def check_schedule(problem: ScheduleProblem, starts: Mapping[str, dt.date]) -> tuple[str, ...]:
    """Every constraint that a sequence breaks, in sentences; empty when it keeps all.

    Parameters
    ----------
    problem : ScheduleProblem
        Jobs and what binds them.
    starts : mapping of repair to date
        First working day of each.
    """
    faults: list[str] = []
    worked: dict[str, list[dt.date]] = {}
    for job in problem.jobs:
        if job.repair not in starts:
            faults.append(f"{job.repair} has no day")
            continue
        faults += _faults_of_start(problem, job, starts[job.repair])
        worked[job.repair] = _days_of(problem, job, starts[job.repair])
    known = {j.repair for j in problem.jobs}
    faults += [f"{name} is in the sequence but no job" for name in starts if name not in known]
    return (*faults, *_faults_of_days(problem, worked), *_faults_of_pairs(problem, worked))


def _faults_of_start(problem: ScheduleProblem, job: Job, day: dt.date) -> list[str]:
    faults = []
    if day < problem.start:
        faults.append(f"{job.repair} begins on {day}, before the first day")
    if (day.weekday() >= 5 and not problem.weekend) or day in problem.days_off:
        faults.append(f"{job.repair} begins on {day}, which is no working day")
    return faults


def _days_of(problem: ScheduleProblem, job: Job, first: dt.date) -> list[dt.date]:
    """The working days of a job from its first on."""
    days: list[dt.date] = []
    day = first
    while len(days) < job.days:
        off = day in problem.days_off or (not problem.weekend and day.isoweekday() in (6, 7))
        if not off:
            days.append(day)
        day = day + dt.timedelta(1)
    return days


def _faults_of_days(problem: ScheduleProblem, worked: Mapping[str, list[dt.date]]) -> list[str]:
    """Days with too many repairs, or with two in one bay."""
    faults = []
    by_day: dict[dt.date, list[Job]] = {}
    for job in problem.jobs:
        for day in worked.get(job.repair, ()):
            by_day.setdefault(day, []).append(job)
    for day, jobs in sorted(by_day.items()):
        if len(jobs) > problem.crews:
            faults.append(f"{day}: {len(jobs)} repairs for {problem.crews} crews")
        faults += [
            f"{day}: {one.repair} and {two.repair} in one bay, one above the other or side by side"
            for one, two in combinations(jobs, 2)
            if one.place[0] == two.place[0] and one.place[2] == two.place[2]
        ]
    return faults


def _faults_of_pairs(problem: ScheduleProblem, worked: Mapping[str, list[dt.date]]) -> list[str]:
    """Repairs that are open at once or in the wrong order."""
    faults = []
    shut = {
        job.repair: worked[job.repair][-1] + dt.timedelta(job.cure_days)
        for job in problem.jobs
        if job.repair in worked
    }
    for a, b in sorted(problem.apart):
        if a in worked and b in worked and worked[a][0] <= shut[b] and worked[b][0] <= shut[a]:
            faults.append(f"{a} and {b} support each other and are open at once")
    for a, b in sorted(problem.before):
        if a in worked and b in worked and worked[b][0] <= worked[a][-1]:
            faults.append(f"{b} begins before {a} is done, which must come first")
    return faults
