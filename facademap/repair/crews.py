"""Crews: who can do what on which days, and a sequence that keeps to it.

People stand here by crew, and a crew by any label: names are optional.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from facademap.errors import InputError
from facademap.repair.schedule import Job, ScheduleProblem
from facademap.tables import TREATMENTS

__all__ = ["Crew", "CrewPlan", "check_crews", "crew_days", "plan_crews", "read_crews"]

_DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_LONGEST_DAYS = 3650


@dataclass(frozen=True, slots=True, kw_only=True)
class Crew:
    """People who work together.

    Parameters
    ----------
    name : str
        A label.
    skills : frozenset of str
        Treatments that they do; all, when empty.
    weekdays : frozenset of int
        Days of the week, Monday 0.
    hours_h : float
        Working hours of a day.
    away : frozenset of date
    first, last : date, optional
        Days between which they are here.
    certificates : tuple of str
        Numbers; the crew gets no work after one of them has run out.
    """

    name: str
    skills: frozenset[str] = frozenset()
    weekdays: frozenset[int] = frozenset(range(5))
    hours_h: float = 7.0
    away: frozenset[dt.date] = frozenset()
    first: dt.date | None = None
    last: dt.date | None = None
    certificates: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if not self.name.strip():
            raise InputError("a crew has no name", "Give it a label, such as crew A.")
        if not 0 < self.hours_h <= 24 or not self.weekdays:
            raise InputError(
                f"crew {self.name} has no hours",
                "Give hours above 0, at most 24, and days of the week.",
            )
        unknown = self.skills - set(TREATMENTS)
        if unknown:
            raise InputError(
                f"crew {self.name}: {', '.join(sorted(unknown))} is no treatment",
                f"Use {', '.join(TREATMENTS)}.",
            )
        if self.first and self.last and self.last < self.first:
            raise InputError(
                f"crew {self.name} leaves before it comes", "Give first and last in order."
            )

    @property
    def days(self) -> list[str]:
        """Days of the week as they are written."""
        return [_DAYS[d] for d in sorted(self.weekdays)]

    def works(self, day: dt.date) -> bool:
        """Whether they are here and work on that day."""
        return (
            day.weekday() in self.weekdays
            and day not in self.away
            and (self.first is None or day >= self.first)
            and (self.last is None or day <= self.last)
        )

    def can(self, treatments: Sequence[str]) -> bool:
        """Whether they do all of these."""
        return not self.skills or set(treatments) <= self.skills


@dataclass(frozen=True, slots=True, kw_only=True)
class CrewPlan:
    """Who does what when.

    Parameters
    ----------
    days : mapping of repair to tuple of date
        Working days of each job.
    crew : mapping of repair to str
    left_out : mapping of repair to str
        Why a job has no day.
    """

    days: Mapping[str, tuple[dt.date, ...]]
    crew: Mapping[str, str]
    left_out: Mapping[str, str] = field(default_factory=dict)


def read_crews(value: Any, *, where: str = "crews") -> tuple[Crew, ...]:
    """Crews from a list of mappings, as a TOML text with ``[[crew]]`` or a setting holds them.

    Raises
    ------
    InputError
        A crew without hours, an unknown key, skill or day, or a name that is taken.
    """
    if not isinstance(value, Sequence) or isinstance(value, str) or not value:
        raise InputError(f"{where}: no crew", "Begin each with [[crew]] and its name.")
    found = [_crew(entry, where) for entry in value]
    names = [c.name for c in found]
    taken = sorted({n for n in names if names.count(n) > 1})
    if taken:
        raise InputError(f"{where}: {taken[0]!r} is named twice", "Give each crew its own name.")
    return tuple(found)


def _crew(entry: Any, where: str) -> Crew:
    keys = {"name", "skills", "days", "hours", "away", "first", "last", "certificates"}
    if not isinstance(entry, Mapping) or set(entry) - keys:
        strange = sorted(set(entry) - keys) if isinstance(entry, Mapping) else ["no table"]
        raise InputError(
            f"{where}: unknown {', '.join(strange)}", f"Use {', '.join(sorted(keys))}."
        )
    for key in ("days", "skills", "away", "certificates"):
        if not isinstance(entry.get(key, []), list):
            raise InputError(f"{where}: {key} is no list", f'Write it as {key} = ["..", ".."].')
    days = entry.get("days", list(_DAYS[:5]))
    strange = [d for d in days if d not in _DAYS]
    if strange:
        raise InputError(f"{where}: {strange[0]!r} is no day", f"Use {', '.join(_DAYS)}.")
    hours = entry.get("hours", 0)
    if isinstance(hours, bool) or not isinstance(hours, int | float):
        raise InputError(f"{where}: hours {hours!r}", "Give hours of a day as a number.")
    return Crew(
        name=str(entry.get("name", "")).strip(),
        skills=frozenset(str(s) for s in entry.get("skills", ())),
        weekdays=frozenset(_DAYS.index(d) for d in days),
        hours_h=float(hours),
        away=frozenset(_day(d, where) for d in entry.get("away", ())),
        first=_day(entry["first"], where) if entry.get("first") else None,
        last=_day(entry["last"], where) if entry.get("last") else None,
        certificates=tuple(str(c) for c in entry.get("certificates", ())),
    )


def plan_crews(
    problem: ScheduleProblem,
    crews: Sequence[Crew],
    treatments: Mapping[str, str],
    *,
    cold_months: frozenset[int] = frozenset(),
) -> CrewPlan:
    """A sequence day by day: each crew that is free takes the first job that it can do and that nothing holds.

    Parameters
    ----------
    problem : ScheduleProblem
        Jobs and what binds them; its number of crews is not used, its days off are.
    crews : sequence of Crew
    treatments : mapping of repair to str
    cold_months : frozenset of int
        In these a crew takes work without lime first, where there is any.

    Notes
    -----
    A crew stays on its lift while there is work for it, and of two that are free the one with fewer hours takes first. No
    proof of the shortest length is made here; :func:`check_crews` looks at the result with code of its own.
    """
    jobs = {j.repair: j for j in problem.jobs}
    own = {n: _treatments_of(j, treatments) for n, j in jobs.items()}
    left_out = {
        n: f"no crew does {', '.join(sorted(set(own[n])))}"
        for n in jobs
        if not any(c.can(own[n]) for c in crews)
    }
    state = _State(problem=problem, jobs=jobs, own=own, cold=cold_months)
    state.waiting = [n for n in sorted(jobs, key=lambda n: _rank(jobs[n])) if n not in left_out]
    day = problem.start
    for _ in range(_LONGEST_DAYS):
        if not state.waiting:
            break
        if day not in problem.days_off:
            for crew in sorted(crews, key=lambda c: (state.hours.get(c.name, 0.0), c.name)):
                if crew.works(day) and state.free_from.get(crew.name, day) <= day:
                    state.take(crew, day)
        day += dt.timedelta(days=1)
    for name in state.waiting:
        left_out[name] = "waits for work that has no day, or its crews are gone before"
    return CrewPlan(days=state.days, crew=state.crew, left_out=left_out)


@dataclass(slots=True, kw_only=True)
class _State:
    """A sequence while it is made."""

    problem: ScheduleProblem
    jobs: Mapping[str, Job]
    own: Mapping[str, tuple[str, ...]]
    cold: frozenset[int]
    waiting: list[str] = field(default_factory=list)
    days: dict[str, tuple[dt.date, ...]] = field(default_factory=dict)
    crew: dict[str, str] = field(default_factory=dict)
    free_from: dict[str, dt.date] = field(default_factory=dict)
    hours: dict[str, float] = field(default_factory=dict)
    at: dict[str, tuple[str, int]] = field(default_factory=dict)
    bays: set[tuple[dt.date, str, int]] = field(default_factory=set)

    def take(self, crew: Crew, day: dt.date) -> None:
        """Give a free crew its next job, if there is one."""
        choices = sorted(
            self.waiting,
            key=lambda n: (
                not self.jobs[n].first,
                day.month in self.cold and self.jobs[n].lime,
                self.jobs[n].place[:2] != self.at.get(crew.name, self.jobs[n].place[:2]),
            ),
        )
        for name in choices:
            if not crew.can(self.own[name]) or not self._may_begin(name, day):
                continue
            span = self._span(crew, name, day)
            if not span:
                continue
            job = self.jobs[name]
            self.days[name], self.crew[name] = span, crew.name
            self.free_from[crew.name] = span[-1] + dt.timedelta(days=1)
            self.hours[crew.name] = self.hours.get(crew.name, 0.0) + _hours(job, crew)
            self.at[crew.name] = job.place[:2]
            self.bays |= {(d, job.place[0], job.place[2]) for d in span}
            self.waiting.remove(name)
            return

    def _may_begin(self, name: str, day: dt.date) -> bool:
        for first, then in self.problem.before:
            if then == name and (first not in self.days or self.days[first][-1] >= day):
                return False
        for a, b in self.problem.apart:
            other = b if a == name else a if b == name else ""
            if other and other in self.days:
                cured = self.days[other][-1] + dt.timedelta(days=self.jobs[other].cure_days)
                if day <= cured:
                    return False
        return True

    def _span(self, crew: Crew, name: str, day: dt.date) -> tuple[dt.date, ...]:
        """Days that the crew needs from that day on; none where it leaves before, or the bay is taken."""
        job = self.jobs[name]
        span: list[dt.date] = []
        needed = max(1, -(-round(_hours(job, crew) * 60) // round(crew.hours_h * 60)))
        for k in range(_LONGEST_DAYS):
            at = day + dt.timedelta(days=k)
            if crew.works(at) and at not in self.problem.days_off:
                if (at, job.place[0], job.place[2]) in self.bays:
                    return ()
                span.append(at)
            if len(span) == needed:
                return tuple(span)
            if crew.last and at >= crew.last:
                return ()
        return ()


def check_crews(
    problem: ScheduleProblem,
    crews: Sequence[Crew],
    treatments: Mapping[str, str],
    plan: CrewPlan,
) -> tuple[str, ...]:
    """Every rule that a sequence by crews breaks, in sentences; shares no code with its maker."""
    jobs = {j.repair: j for j in problem.jobs}
    faults = _faults_at_work(problem, {c.name: c for c in crews}, treatments, plan)
    faults += _faults_of_pairs(problem, plan)
    names = list(plan.days)
    for k, one in enumerate(names):
        for two in names[k + 1 :]:
            bay = [(jobs[n].place[0], jobs[n].place[2]) for n in (one, two)]
            if bay[0] == bay[1] and set(plan.days[one]) & set(plan.days[two]):
                faults.append(f"{one} and {two} in one bay on one day")
    faults += [
        f"{n} has no day and no reason"
        for n in jobs
        if n not in plan.days and n not in plan.left_out
    ]
    return tuple(faults)


def _faults_at_work(
    problem: ScheduleProblem,
    by_name: Mapping[str, Crew],
    treatments: Mapping[str, str],
    plan: CrewPlan,
) -> list[str]:
    """Crews that do what they cannot, on days when they are not there, in two places or in too little time."""
    faults: list[str] = []
    jobs = {j.repair: j for j in problem.jobs}
    at_work: dict[tuple[str, dt.date], str] = {}
    for name, days in plan.days.items():
        crew, job = by_name[plan.crew[name]], jobs[name]
        needed = {treatments.get(n, "") for n in (name, *job.also)}
        if crew.skills and needed - crew.skills:
            faults.append(f"{name}: {crew.name} does not do {', '.join(sorted(needed))}")
        for day in days:
            gone = (crew.first and day < crew.first) or (crew.last and day > crew.last)
            if (
                gone
                or day in crew.away
                or day in problem.days_off
                or day.weekday() not in crew.weekdays
            ):
                faults.append(f"{name}: {crew.name} does not work on {day}")
            if at_work.setdefault((crew.name, day), name) != name:
                faults.append(f"{day}: {crew.name} at {name} and {at_work[crew.name, day]}")
        likely = job.hours.likely_h if job.hours else job.days * crew.hours_h
        if likely - len(days) * crew.hours_h > 1 / 60:
            faults.append(f"{name}: {likely:.1f} hours in {len(days)} days of {crew.name}")
    return faults


def _faults_of_pairs(problem: ScheduleProblem, plan: CrewPlan) -> list[str]:
    """Repairs in the wrong order, or open at once."""
    faults = []
    cure = {j.repair: dt.timedelta(j.cure_days) for j in problem.jobs}
    for a, b in problem.before:
        if b in plan.days and (a not in plan.days or plan.days[b][0] <= plan.days[a][-1]):
            faults.append(f"{b} begins before {a} is done")
    for a, b in problem.apart:
        if a in plan.days and b in plan.days:
            one, two = sorted((a, b), key=lambda n: plan.days[n][0])
            if plan.days[two][0] <= plan.days[one][-1] + cure[one]:
                faults.append(f"{a} and {b} support each other and are open at once")
    return faults


def crew_days(
    problem: ScheduleProblem, plan: CrewPlan, treatments: Mapping[str, str]
) -> list[dict[str, Any]]:
    """What each crew does on each day: ``day, crew, repair, treatment, surface, lift, bay, work, hours_likely``."""
    rows = []
    for job in problem.jobs:
        for day in plan.days.get(job.repair, ()):
            share = len(plan.days[job.repair]) * (1 + len(job.also))
            for name in (job.repair, *job.also):
                kind = treatments.get(name, "")
                rows.append(
                    {
                        "day": day.isoformat(),
                        "crew": plan.crew[job.repair],
                        "repair": name,
                        "treatment": kind,
                        "surface": job.place[0],
                        "lift": job.place[1],
                        "bay": job.place[2],
                        "work": kind,
                        "hours_likely": (job.hours.likely_h if job.hours else 0.0) / share,
                    }
                )
    return sorted(rows, key=lambda r: (str(r["day"]), str(r["crew"]), str(r["repair"])))


def _treatments_of(job: Job, treatments: Mapping[str, str]) -> tuple[str, ...]:
    return tuple(treatments.get(n, "") for n in (job.repair, *job.also))


def _hours(job: Job, crew: Crew) -> float:
    return job.hours.likely_h if job.hours else job.days * crew.hours_h


def _rank(job: Job) -> tuple[Any, ...]:
    surface, lift, bay = job.place
    return (not job.first, -lift, surface, bay, -job.priority, job.repair)


def _day(value: Any, where: str) -> dt.date:
    if isinstance(value, dt.date):
        return value
    try:
        return dt.date.fromisoformat(str(value))
    except ValueError:
        raise InputError(
            f"{where}: {str(value)[:40]!r} is no day", "Write it as YYYY-MM-DD."
        ) from None
