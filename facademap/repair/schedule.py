"""Sequence of the work: which repair on which day, so that the wall stays safe and lime can cure."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from facademap.errors import InputError
from facademap.repair.placing import curing_time_h
from facademap.repair.rows import rows_of
from facademap.repair.settings import Settings
from facademap.repair.work_hours import Hours, WorkRates, hours_of_repair
from facademap.tables import PIECED, UNDECIDED, is_missing

__all__ = [
    "Job",
    "Schedule",
    "ScheduleProblem",
    "amounts_of",
    "bars",
    "day_list",
    "jobs_from_repairs",
    "neighbours_out",
    "schedule_greedily",
    "top_down",
    "why_unscheduled",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """The work on one repair.

    Parameters
    ----------
    repair : str
        Id.
    days : int
        Working days of one crew.
    cure_days : int
        Whole days after the last working day before the stone counts as standing again.
    place : tuple
        Surface, lift, bay.
    priority : float
        Larger is earlier, where nothing else decides.
    first : bool
        Comes before all others: making safe.
    also : tuple of str
        Small surface repairs of the same bay and lift that are done with it.
    hours : Hours, optional
        Low, likely and high; ``days`` is from the likely.
    lime : bool
        Lime is placed: weather and frost count.
    """

    repair: str
    days: int
    cure_days: int
    place: tuple[str, int, int]
    priority: float = 1.0
    first: bool = False
    also: tuple[str, ...] = ()
    hours: Hours | None = None
    lime: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class ScheduleProblem:
    """Jobs and what binds them.

    Parameters
    ----------
    jobs : tuple of Job
        In any order.
    crews : int
        Crews that work at the same time, each on one repair.
    start : date
        First day.
    apart : frozenset of pairs of ids, each sorted
        Never open at once: from the first day of work of one until it has cured, the other is not begun.
    before : frozenset of pairs (first, then)
        ``then`` begins only after the last working day of ``first``: a donor before those who use it, the upper lift
        of a bay before the lower (see :func:`top_down`).
    days_off : frozenset of date
        Holidays; Saturdays and Sundays are off as well unless ``weekend`` is True.
    """

    jobs: tuple[Job, ...]
    crews: int
    start: dt.date
    apart: frozenset[tuple[str, str]] = frozenset()
    before: frozenset[tuple[str, str]] = frozenset()
    days_off: frozenset[dt.date] = frozenset()
    weekend: bool = False

    def __post_init__(self) -> None:
        names = [j.repair for j in self.jobs]
        if len(set(names)) != len(names):
            raise InputError("a repair stands in the schedule twice", "Give every repair one job.")
        if self.crews < 1:
            raise InputError(f"{self.crews} crews", "Give at least one crew.")
        if any(j.days < 1 or j.cure_days < 0 for j in self.jobs):
            raise InputError("a job has less than one working day", "Give whole days, one or more.")
        unknown = {n for pair in (*self.apart, *self.before) for n in pair} - set(names)
        if unknown:
            raise InputError(
                f"{', '.join(sorted(unknown)[:5])} is bound but not scheduled",
                "Bind only repairs that are scheduled.",
            )
        circle = _circle(names, self.before)
        if circle:
            raise InputError(
                f"{' before '.join(circle)}: each waits for the next",
                "Take one of these stones from another donor.",
            )

    def works(self, day: dt.date) -> bool:
        """Whether work is done on that day."""
        return day not in self.days_off and (self.weekend or day.weekday() < 5)

    def last_day(self, first: dt.date, days: int) -> dt.date:
        """The last of so many working days from ``first`` on, which must be a working day itself."""
        day, left = first, days - 1
        while left:
            day += dt.timedelta(days=1)
            left -= self.works(day)
        return day


@dataclass(frozen=True, slots=True, kw_only=True)
class Schedule:
    """A sequence, its length and how far from the best it may be.

    Parameters
    ----------
    starts : mapping of repair to date
        First working day.
    status : str
        ``optimal`` where the length is proved shortest, else ``feasible``.
    length_days, bound_days : int
        Days from the start to the end of the last curing; no sequence can be shorter than the bound.
    """

    problem: ScheduleProblem
    starts: Mapping[str, dt.date]
    status: str
    length_days: int
    bound_days: int
    method: str = "list"
    notes: tuple[str, ...] = field(default=())

    @property
    def gap(self) -> float:
        """(length - bound) / length."""
        return (self.length_days - self.bound_days) / self.length_days if self.length_days else 0.0


def jobs_from_repairs(
    repairs: gpd.GeoDataFrame,
    *,
    settings: Settings,
    rates: WorkRates | None = None,
    without_stone: Collection[str] = (),
    by_treatment: bool = False,
) -> tuple[Job, ...]:
    """Jobs for every repair that is work on the wall; left and held-back repairs are not scheduled.

    Every inset and whole stone is a job; surface work of one bay and lift is done together.

    Parameters
    ----------
    repairs : GeoDataFrame
        Rows of the repairs table.
    settings : Settings
        Trade values.
    rates : WorkRates, optional
        Common practice without it.
    without_stone : collection of str
        Pieced repairs for which no stone is found yet: they get no date.
    by_treatment : bool
        Whether surface work of different treatments is kept apart, for crews that do not do all.
    """
    rates = rates or WorkRates()
    cure = math.ceil(curing_time_h(settings) / 24)
    jobs: list[Job] = []
    small: dict[tuple[Any, ...], list[tuple[str, Hours, float]]] = {}
    for r in rows_of(repairs):
        treatment, name = str(r["treatment"]), str(r["id"])
        if why_unscheduled(r, without_stone):
            continue
        shape, priority = r["geometry"], float(r["priority"])
        lift, bay = (0 if is_missing(r.get(k)) else int(r[k]) for k in ("lift", "bay"))
        place = (str(r["surface"]), lift, bay)
        hours = hours_of_repair(treatment, amounts_of(r, shape), lift=lift, rates=rates)
        if treatment in PIECED:
            jobs.append(
                Job(
                    repair=name,
                    days=_days(hours, rates),
                    cure_days=cure,
                    place=place,
                    priority=priority,
                    hours=hours,
                    lime=True,
                )
            )
            continue
        cures = cure if treatment in ("repoint", "mortar repair", "crack repair", "re-fix") else 0
        kind = treatment if by_treatment else ""
        small.setdefault((place, treatment == "make safe", cures, kind), []).append(
            (name, hours, priority)
        )
    for (place, first, cures, _), listed in small.items():
        names = [n for n, _, _ in listed]
        together = listed[0][1]
        for _, more, _ in listed[1:]:
            together = together + more
        jobs.append(
            Job(
                repair=names[0],
                also=tuple(names[1:]),
                days=_days(together, rates),
                cure_days=cures,
                place=place,
                priority=max(p for _, _, p in listed),
                first=first,
                hours=together,
                lime=cures > 0,
            )
        )
    return tuple(jobs)


def why_unscheduled(repair: Mapping[str, Any], without_stone: Collection[str] = ()) -> str:
    """Why a repair gets no date, in words; empty where it gets one."""
    if repair["treatment"] in ("leave", UNDECIDED):
        return "left as it is" if repair["treatment"] == "leave" else "undecided"
    if not is_missing(repair.get("held_back")):
        return f"held back: {repair['held_back']}"
    if repair["stage"] in ("accepted", "on hold"):
        return str(repair["stage"])
    if str(repair["id"]) in without_stone:
        return "no stone is found for it yet"
    return ""


def amounts_of(repair: Mapping[str, Any], shape: Any) -> dict[str, float]:
    """What the hours of a repair follow from: volume taken out, area, length."""
    volume: Any = repair.get("removed_volume_m3")
    return {
        "removed_volume_m3": 0.0 if is_missing(volume) else float(volume),
        "area_m2": float(shape.area),
        "length_m": float(shape.length if shape.area == 0 else shape.length / 2),
    }


def _days(hours: Hours, rates: WorkRates) -> int:
    return max(1, math.ceil(hours.likely_h / rates.day_h - 1e-9))


def top_down(
    jobs: Sequence[Job], *, donors: frozenset[tuple[str, str]] = frozenset()
) -> frozenset[tuple[str, str]]:
    """Pairs (first, then): what makes safe before all other work on its surface, and in every bay the upper lift before the
    lower, so that nothing falls on finished work and lifts can be struck.

    A pair that would go against a donor and those who wait for it is left out.
    """
    bays: dict[tuple[str, int], dict[int, list[str]]] = {}
    for j in jobs:
        if not j.first:
            bays.setdefault((j.place[0], j.place[2]), {}).setdefault(j.place[1], []).append(
                j.repair
            )
    pairs: set[tuple[str, str]] = set()
    for lifts in bays.values():
        levels = sorted(lifts, reverse=True)
        for upper, lower in pairwise(levels):
            pairs |= {(a, b) for a in lifts[upper] for b in lifts[lower]}
    for safe in (j for j in jobs if j.first):
        pairs |= {
            (safe.repair, j.repair) for j in jobs if not j.first and j.place[0] == safe.place[0]
        }
    names = [j.repair for j in jobs]
    while donors and (circle := _circle(names, frozenset(pairs | donors))):
        on_it = {p for p in pairwise(circle) if p in pairs}
        if not on_it:
            break
        pairs -= on_it
    return frozenset(pairs)


def neighbours_out(
    repairs: gpd.GeoDataFrame,
    wall_stones: gpd.GeoDataFrame,
    *,
    settings: Settings,
    slight_share: float = 0.25,
) -> frozenset[tuple[str, str]]:
    """Pairs of repairs that must not be open at once, since one holds up the other.

    Two pieced repairs in one stone, or in stones that meet in a joint, support each other; not so when both take less than
    ``slight_share`` of the known bed depth of their stones.
    """
    pieced = repairs[repairs["treatment"].isin(PIECED)] if len(repairs) else repairs
    if len(pieced) < 2:
        return frozenset()
    depth = {
        str(i): (math.nan if is_missing(d) else float(d))
        for i, d in zip(wall_stones["id"], wall_stones["depth_m"], strict=True)
    }
    shape = {str(i): g for i, g in zip(wall_stones["id"], wall_stones.geometry, strict=True)}
    rows = [r for r in rows_of(pieced) if str(r["wall_stone"]) in shape]
    outlines = np.array([shape[str(r["wall_stone"])] for r in rows], dtype=object)
    surfaces = [r["surface"] for r in rows]
    slight = [
        r["treatment"] == "inset"
        and depth[str(r["wall_stone"])] > 0
        and float(r["depth_m"]) < slight_share * depth[str(r["wall_stone"])]
        for r in rows
    ]
    tree = shapely.STRtree(outlines)
    first, second = tree.query(outlines, predicate="dwithin", distance=settings.joint_search_m)
    pairs = set()
    for a, b in zip(first, second, strict=True):
        if a < b and surfaces[a] == surfaces[b] and not (slight[a] and slight[b]):
            one, two = sorted((str(rows[a]["id"]), str(rows[b]["id"])))
            pairs.add((one, two))
    return frozenset(pairs)


def schedule_greedily(problem: ScheduleProblem, *, order: Sequence[str] | None = None) -> Schedule:
    """A sequence by taking jobs in order and giving each the first day on which everything holds.

    The order is what makes safe, then lift by lift from the top, bay by bay, by priority; ``order`` sets another. Always finds a sequence; the bound is the longest of: work over crews, the longest chain, the neighbours of
    one stone one after the other.
    """
    jobs = {j.repair: j for j in problem.jobs}
    if not jobs:
        return Schedule(problem=problem, starts={}, status="optimal", length_days=0, bound_days=0)
    ranked = list(order) if order is not None else sorted(jobs, key=lambda n: _rank(jobs[n]))
    ranked = _after_their_donors(ranked, problem.before)
    apart: dict[str, set[str]] = {n: set() for n in jobs}
    for a, b in problem.apart:
        apart[a].add(b)
        apart[b].add(a)
    waits: dict[str, set[str]] = {n: set() for n in jobs}
    for a, b in problem.before:
        waits[b].add(a)
    busy: dict[dt.date, int] = {}
    bay_busy: set[tuple[dt.date, str, int]] = set()
    starts: dict[str, dt.date] = {}
    ends: dict[str, dt.date] = {}
    for name in ranked:
        job = jobs[name]
        day = max([problem.start, *(ends[w] + dt.timedelta(days=1) for w in waits[name])])
        while True:
            if problem.works(day):
                span = _span(problem, day, job.days)
                if all(
                    busy.get(d, 0) < problem.crews
                    and (d, job.place[0], job.place[2]) not in bay_busy
                    for d in span
                ) and all(
                    _apart_in_time(problem, job, day, jobs[o], starts[o])
                    for o in apart[name]
                    if o in starts
                ):
                    break
            day += dt.timedelta(days=1)
        starts[name], ends[name] = day, span[-1]
        for d in span:
            busy[d] = busy.get(d, 0) + 1
            bay_busy.add((d, job.place[0], job.place[2]))
    length = _length(problem, starts)
    bound = _bound(problem)
    return Schedule(
        problem=problem,
        starts=starts,
        status="optimal" if length <= bound else "feasible",
        length_days=length,
        bound_days=bound,
    )


def bars(schedule: Schedule) -> pd.DataFrame:
    """Data of a bar chart: one row a repair, in order of time.

    Returns
    -------
    DataFrame
        ``repair, also, surface, lift, bay, start, end, cured`` (dates as YYYY-MM-DD; ``cured`` is the last day of curing;
        ``also`` lists small repairs done with it), ``hours_low, hours_likely, hours_high``.
    """
    p = schedule.problem
    rows = []
    for job in p.jobs:
        start = schedule.starts[job.repair]
        end = p.last_day(start, job.days)
        rows.append(
            {
                "repair": job.repair,
                "also": ", ".join(job.also),
                "surface": job.place[0],
                "lift": job.place[1],
                "bay": job.place[2],
                "start": start.isoformat(),
                "end": end.isoformat(),
                "cured": (end + dt.timedelta(days=job.cure_days)).isoformat(),
                "hours_low": math.nan if job.hours is None else job.hours.low_h,
                "hours_likely": math.nan if job.hours is None else job.hours.likely_h,
                "hours_high": math.nan if job.hours is None else job.hours.high_h,
            }
        )
    rows.sort(key=lambda r: (str(r["start"]), str(r["surface"]), str(r["repair"])))
    columns = ["repair", "also", "surface", "lift", "bay", "start", "end", "cured"]
    return pd.DataFrame(rows, columns=[*columns, "hours_low", "hours_likely", "hours_high"])


def day_list(schedule: Schedule, repairs: pd.DataFrame) -> pd.DataFrame:
    """What each crew does on each day.

    Returns
    -------
    DataFrame
        ``day, crew, repair, treatment, surface, lift, bay, work``; crews keep their repair until it is done.
    """
    p = schedule.problem
    treatment = (
        {str(i): str(t) for i, t in zip(repairs["id"], repairs["treatment"], strict=True)}
        if len(repairs)
        else {}
    )
    free_from: list[dt.date] = [dt.date.min] * p.crews
    rows = []
    for job in sorted(p.jobs, key=lambda j: (schedule.starts[j.repair], j.repair)):
        span = _span(p, schedule.starts[job.repair], job.days)
        crew = next(k for k in range(p.crews) if free_from[k] < span[0])
        free_from[crew] = span[-1]
        kind = treatment.get(job.repair, "")
        for k, day in enumerate(span):
            work = kind
            if kind in PIECED:
                work = (
                    ("cut out, measure" if k == 0 else "saw and fit")
                    if k < len(span) - 1
                    else (
                        "cut out, measure, fit, bed and point"
                        if len(span) == 1
                        else "bed, sound and point"
                    )
                )
            for name in (job.repair, *job.also):
                own = treatment.get(name, "")
                rows.append(
                    {
                        "day": day.isoformat(),
                        "crew": crew + 1,
                        "repair": name,
                        "treatment": own,
                        "surface": job.place[0],
                        "lift": job.place[1],
                        "bay": job.place[2],
                        "work": work if kind in PIECED else own,
                    }
                )
    rows.sort(key=lambda r: (r["day"], r["crew"]))
    return pd.DataFrame(
        rows, columns=["day", "crew", "repair", "treatment", "surface", "lift", "bay", "work"]
    )


def _span(problem: ScheduleProblem, first: dt.date, days: int) -> list[dt.date]:
    span, day = [first], first
    while len(span) < days:
        day += dt.timedelta(days=1)
        if problem.works(day):
            span.append(day)
    return span


def _apart_in_time(
    problem: ScheduleProblem, job: Job, start: dt.date, other: Job, other_start: dt.date
) -> bool:
    closed = problem.last_day(start, job.days) + dt.timedelta(days=job.cure_days)
    other_closed = problem.last_day(other_start, other.days) + dt.timedelta(days=other.cure_days)
    return start > other_closed or other_start > closed


def _rank(job: Job) -> tuple[Any, ...]:
    surface, lift, bay = job.place
    return (not job.first, surface, -lift, bay, -job.priority, job.repair)


def _after_their_donors(order: Sequence[str], before: Iterable[tuple[str, str]]) -> list[str]:
    """The order with every job moved behind those that it waits for."""
    waits: dict[str, set[str]] = {}
    for a, b in before:
        waits.setdefault(b, set()).add(a)
    done: list[str] = []
    seen: set[str] = set()

    def visit(name: str) -> None:
        if name in seen:
            return
        seen.add(name)
        for first in sorted(waits.get(name, ()), key=order.index):
            visit(first)
        done.append(name)

    for name in order:
        visit(name)
    return done


def _circle(names: Sequence[str], before: Iterable[tuple[str, str]]) -> list[str]:
    """Jobs that wait for each other in a circle, or an empty list."""
    follows: dict[str, list[str]] = {n: [] for n in names}
    for a, b in sorted(before):
        if a in follows:
            follows[a].append(b)
    state: dict[str, int] = {}
    for root in names:
        path: list[tuple[str, int]] = [(root, 0)] if root not in state else []
        while path:
            name, k = path.pop()
            state[name] = 1
            nexts = follows.get(name, [])
            if k < len(nexts):
                path.append((name, k + 1))
                then = nexts[k]
                if state.get(then) == 1:
                    chain = [n for n, _ in path]
                    return [*chain[chain.index(then) :], then] if then in chain else [then, then]
                if then not in state:
                    path.append((then, 0))
            else:
                state[name] = 2
    return []


def _length(problem: ScheduleProblem, starts: Mapping[str, dt.date]) -> int:
    ends = [
        problem.last_day(starts[j.repair], j.days) + dt.timedelta(days=j.cure_days)
        for j in problem.jobs
    ]
    return (max(ends) - problem.start).days + 1


def _bound(problem: ScheduleProblem) -> int:
    """No sequence is shorter: crews, chains, and pairs of neighbours one after the other."""
    first = problem.start
    while not problem.works(first):
        first += dt.timedelta(days=1)
    work = sum(j.days for j in problem.jobs)
    least_cure = min(j.cure_days for j in problem.jobs)
    by_crews = (
        (problem.last_day(first, math.ceil(work / problem.crews)) - problem.start).days
        + 1
        + least_cure
    )
    by_bay = 0
    bays: dict[tuple[str, int], list[Job]] = {}
    for j in problem.jobs:
        bays.setdefault((j.place[0], j.place[2]), []).append(j)
    for group in bays.values():
        by_bay = max(
            by_bay,
            (problem.last_day(first, sum(j.days for j in group)) - problem.start).days
            + 1
            + min(j.cure_days for j in group),
        )
    jobs = {j.repair: j for j in problem.jobs}
    earliest: dict[str, dt.date] = {}
    follows: dict[str, list[str]] = {}
    for a, b in problem.before:
        follows.setdefault(b, []).append(a)
    chain = 0
    for name in _after_their_donors(list(jobs), problem.before):
        day = max(
            [
                first,
                *(
                    problem.last_day(earliest[a], jobs[a].days) + dt.timedelta(days=1)
                    for a in follows.get(name, ())
                ),
            ]
        )
        while not problem.works(day):
            day += dt.timedelta(days=1)
        earliest[name] = day
        end = problem.last_day(day, jobs[name].days)
        chain = max(chain, (end - problem.start).days + 1 + jobs[name].cure_days)
    pair = 0
    for a, b in problem.apart:
        lengths = []
        for x, y in ((jobs[a], jobs[b]), (jobs[b], jobs[a])):
            day = problem.last_day(first, x.days) + dt.timedelta(days=x.cure_days + 1)
            while not problem.works(day):
                day += dt.timedelta(days=1)
            lengths.append((problem.last_day(day, y.days) - problem.start).days + 1 + y.cure_days)
        pair = max(pair, min(lengths))
    return max(by_crews, by_bay, chain, pair)
