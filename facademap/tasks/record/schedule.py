"""Sequence of a project's work: bars, a list a day, and the check."""

from __future__ import annotations

import csv
import datetime as dt
import io
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pandas as pd

from facademap.errors import InputError
from facademap.io.block_columns import no_formula
from facademap.io.whole_files import make_folder, remove_file, write_whole
from facademap.repair.cold_work import cold_work
from facademap.repair.consents import held_by_consents
from facademap.repair.crews import Crew, crew_days
from facademap.repair.mixes import DEFAULT_MIX, mix_named
from facademap.repair.placing import COLD_MONTHS
from facademap.repair.rows import rows_of
from facademap.repair.schedule import (
    ScheduleProblem,
    bars,
    day_list,
    jobs_from_repairs,
    neighbours_out,
    top_down,
    why_unscheduled,
)
from facademap.repair.schedule_check import check_schedule
from facademap.repair.schedule_solver import solve_schedule
from facademap.report.programme_page import programme_html
from facademap.store.project import Project
from facademap.tables import PIECED, is_missing
from facademap.tasks.plan.plan import settings_of_project
from facademap.tasks.plan.treatments import jobs_of_project
from facademap.tasks.record.crews import crews_of, plan_by_crews, work_rates_from
from facademap.treatment import Job

__all__ = ["schedule_project"]


def schedule_project(
    folder: str | Path,
    *,
    start: dt.date,
    crews: int = 1,
    weekend: bool = False,
    days_off: Sequence[dt.date] = (),
    time_limit_s: float = 10.0,
    by_crew: bool = False,
    work_rates: Path | None = None,
    out: str | Path | None = None,
) -> dict[str, Any]:
    """Set the repairs of a project in sequence.

    Parameters
    ----------
    folder : path
        Project.
    start : date
        First day.
    crews : int
        Crews at the same time.
    weekend : bool
        Work on Saturdays and Sundays too.
    days_off : sequence of date
        Holidays.
    time_limit_s : float
        For the exact model of a small programme.
    by_crew : bool
        By the crews of the project, their skills and days, instead of a number of like crews.
    work_rates : path, optional
        Rates of one's own, made by ``facademap crews --rates``.
    out : path, optional
        Folder for ``programme.html``, ``programme.csv`` (bars) and ``day-list.csv``.

    Returns
    -------
    dict
        ``length_days, bound_days, gap, status, bars, days, faults`` (of the independent check, empty) and ``left_out``; ``cold`` names lime work
        that falls into cold months, and ``hours`` sums low, likely and high.
    """
    with Project.open(folder, read_only=True) as project:
        mix = mix_named(project.setting("mix", None) or DEFAULT_MIX)
        cold_months = frozenset(project.setting("cold_months", None) or COLD_MONTHS)
        teams = crews_of(project) if by_crew else ()
        settings, name = settings_of_project(project), str(project.setting("name", "the project"))
        repairs, stones, placements, blocks = (
            project.read(n) for n in ("repairs", "wall_stones", "placements", "blocks")
        )
        repairs = held_by_consents(repairs, project.read("consents"))
        repairs = _held_by_designs(repairs, jobs_of_project(project))
    found = {str(r) for r in placements["repair"]} if len(placements) else set()
    pieced = repairs[repairs["treatment"].isin(PIECED)] if len(repairs) else repairs
    without = {str(i) for i in pieced["id"]} - found
    rates = work_rates_from(work_rates)
    jobs = jobs_from_repairs(
        repairs,
        settings=settings,
        rates=rates,
        without_stone=without,
        by_treatment=by_crew,
    )
    if not jobs:
        raise InputError(
            "no repair of this project can be scheduled",
            "Plan the repairs, match them with stone, and settle the causes of those held back.",
        )
    names = {j.repair for j in jobs}
    scheduled = names | {n for j in jobs for n in j.also}
    apart = frozenset(
        p for p in neighbours_out(repairs, stones, settings=settings) if set(p) <= names
    )
    donors = _donors_first(repairs, placements, blocks, names)
    problem = ScheduleProblem(
        jobs=jobs,
        crews=len(teams) or crews,
        start=start,
        apart=apart,
        weekend=weekend or by_crew,
        days_off=frozenset(days_off),
        before=donors | top_down(jobs, donors=donors),
    )
    if by_crew:
        return _by_crew(problem, teams, repairs, cold_months=cold_months, without=without, out=out)
    schedule = solve_schedule(problem, time_limit_s=time_limit_s)
    chart, days = bars(schedule), day_list(schedule, repairs)
    cold = cold_work(schedule, binder=mix.binder, settings=settings, cold_months=cold_months)
    hours = [float(sum(chart[f"hours_{n}"])) for n in ("low", "likely", "high")]
    left_out = [
        {
            "repair": str(r["id"]),
            "why": why_unscheduled(r, without),
        }
        for r in rows_of(repairs)
        if str(r["id"]) not in scheduled
    ]
    if out is not None:
        make_folder(out)
        _write_csv(Path(out) / "programme.csv", chart.to_dict("records"))
        _write_csv(Path(out) / "day-list.csv", days.to_dict("records"))
        page = programme_html(
            chart.to_dict("records"),  # type: ignore[arg-type]
            days.to_dict("records"),  # type: ignore[arg-type]
            title=f"Programme of {name}",
            left_out=left_out,
            length_days=schedule.length_days,
            bound_days=schedule.bound_days,
            crews=crews,
            cold=cold,
        )
        write_whole(Path(out) / "programme.html", page)
    return {
        "jobs": len(jobs),
        "repairs": len(scheduled),
        "crews": crews,
        "start": start.isoformat(),
        "length_days": schedule.length_days,
        "bound_days": schedule.bound_days,
        "gap": schedule.gap,
        "status": schedule.status,
        "method": schedule.method,
        "apart": len(problem.apart),
        "donors": len(donors),
        "bars": chart.to_dict("records"),
        "days": days.to_dict("records"),
        "faults": list(check_schedule(problem, schedule.starts)),
        "left_out": left_out,
        "cold": cold,
        "hours": {
            **dict(zip(("low", "likely", "high"), hours, strict=True)),
            "source": rates.source,
        },
    }


def _held_by_designs(repairs: pd.DataFrame, jobs: Sequence[Job]) -> pd.DataFrame:
    """Repairs with what their job sheets say before which nothing begins, such as a trial that is not approved."""
    holds = {j.repair: j.holds[0] for j in jobs if j.holds}
    if not holds:
        return repairs
    held = [
        holds.get(str(row["id"])) if is_missing(row["held_back"]) else row["held_back"]
        for row in rows_of(repairs)
    ]
    return repairs.assign(held_back=pd.Series(held, index=repairs.index, dtype=object))


def _by_crew(
    problem: ScheduleProblem,
    teams: Sequence[Crew],
    repairs: Any,
    *,
    cold_months: frozenset[int],
    without: set[str],
    out: str | Path | None,
) -> dict[str, Any]:
    """The programme by crews: their days, hours of each, and what has no day."""
    rows = repairs.to_dict("records")
    treatments = {str(r["id"]): str(r["treatment"]) for r in rows}
    plan = plan_by_crews(problem, teams, treatments, cold_months=cold_months)
    days = crew_days(problem, plan, treatments)
    told = {n for j in problem.jobs if j.repair in plan.days for n in (j.repair, *j.also)}
    held = {n: why for j in problem.jobs for n in (j.repair, *j.also)
            if (why := plan.left_out.get(j.repair))}  # fmt: skip
    left_out = [
        {"repair": str(r["id"]), "why": held.get(str(r["id"])) or why_unscheduled(r, without)}
        for r in rows
        if str(r["id"]) not in told
    ]
    if out is not None:
        make_folder(out)
        for k, team in enumerate(teams, start=1):
            own = [d for d in days if d["crew"] == team.name]
            _write_csv(Path(out) / f"crew-{k}-days.csv", own, head=_OF_DAY)
        _write_csv(Path(out) / "day-list.csv", days, head=_OF_DAY)
        # nobody reads a list of an earlier programme as one of this
        for old in Path(out).glob("crew-*-days.csv"):
            number = old.name.removeprefix("crew-").removesuffix("-days.csv")
            if number.isdecimal() and int(number) > len(teams):
                remove_file(old.name, inside=Path(out))
    last = max((d for span in plan.days.values() for d in span), default=problem.start)
    return {
        "repairs": len(told),
        "start": problem.start.isoformat(),
        "last_day": last.isoformat(),
        "crews": {
            t.name: {
                "days": len({d["day"] for d in days if d["crew"] == t.name}),
                "hours_likely": sum(d["hours_likely"] for d in days if d["crew"] == t.name),
            }
            for t in teams
        },
        "days": days,
        "left_out": left_out,
    }


def _donors_first(
    repairs: Any, placements: Any, blocks: Any, names: set[str]
) -> frozenset[tuple[str, str]]:
    """Pairs (donor's repair, user's repair): a block that is a wall stone, or a part of one, comes out by that stone's repair."""
    out_of = {
        str(r["wall_stone"]): str(r["id"])
        for r in rows_of(repairs)
        if r["treatment"] == "whole stone" and str(r["id"]) in names
    }
    donor_of = {}
    for b in blocks.to_dict("records"):
        if not is_missing(b["after_repair"]):
            donor_of[str(b["id"])] = str(b["after_repair"])
        elif not is_missing(b["provenance"]):
            donor_of[str(b["id"])] = out_of.get(
                str(b["provenance"]).removeprefix("wall stone "), ""
            )
    pairs = {
        (donor_of.get(str(p["block"]), ""), str(p["repair"])) for p in placements.to_dict("records")
    }
    return frozenset(
        (donor, user) for donor, user in pairs if {donor, user} <= names and donor != user
    )


_OF_DAY = ("day", "crew", "repair", "treatment", "surface", "lift", "bay", "work", "hours_likely")


def _write_csv(path: Path, rows: list[dict[Any, Any]], *, head: Sequence[str] = ()) -> None:
    text = io.StringIO()
    names = [str(k) for k in rows[0]] if rows else list(head)
    if names:
        writer = csv.DictWriter(text, fieldnames=names)
        writer.writeheader()
        writer.writerows({k: no_formula(v) for k, v in row.items()} for row in rows)
    write_whole(path, text.getvalue())
