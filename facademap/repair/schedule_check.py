"""Independent check of a sequence: shares no code with the makers of it and looks at every pair of days."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from typing import Any

from facademap.repair.schedule import ScheduleProblem

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
    shut: dict[str, dt.date] = {}
    for job in problem.jobs:
        if job.repair not in starts:
            faults.append(f"{job.repair} has no day")
            continue
        day = starts[job.repair]
        if day < problem.start:
            faults.append(f"{job.repair} begins on {day}, before the first day")
        if (day.weekday() >= 5 and not problem.weekend) or day in problem.days_off:
            faults.append(f"{job.repair} begins on {day}, which is no working day")
        days: list[dt.date] = []
        while len(days) < job.days:
            if not (
                day in problem.days_off or (not problem.weekend and day.isoweekday() in (6, 7))
            ):
                days.append(day)
            day = day + dt.timedelta(1)
        worked[job.repair] = days
        shut[job.repair] = days[-1] + dt.timedelta(job.cure_days)
    faults += [
        f"{name} is in the sequence but no job"
        for name in starts
        if name not in {j.repair for j in problem.jobs}
    ]
    by_day: dict[dt.date, list[Any]] = {}
    for job in problem.jobs:
        for day in worked.get(job.repair, ()):
            by_day.setdefault(day, []).append(job)
    for day, jobs in sorted(by_day.items()):
        if len(jobs) > problem.crews:
            faults.append(f"{day}: {len(jobs)} repairs for {problem.crews} crews")
        for k, one in enumerate(jobs):
            for two in jobs[k + 1 :]:
                if one.place[0] == two.place[0] and one.place[2] == two.place[2]:
                    faults.append(
                        f"{day}: {one.repair} and {two.repair} in one bay, one above the other or side by side"
                    )
    for a, b in sorted(problem.apart):
        if a in worked and b in worked and worked[a][0] <= shut[b] and worked[b][0] <= shut[a]:
            faults.append(f"{a} and {b} support each other and are open at once")
    for a, b in sorted(problem.before):
        if a in worked and b in worked and worked[b][0] <= worked[a][-1]:
            faults.append(f"{b} begins before {a} is done, which must come first")
    return tuple(faults)
