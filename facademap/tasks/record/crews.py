"""Crews of a project: who they are, their days, hours booked, and the rates that follow."""

from __future__ import annotations

import datetime as dt
import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from facademap.errors import FileError, InputError
from facademap.io.whole_files import need_file, write_whole
from facademap.repair.crews import Crew, CrewPlan, check_crews, plan_crews, read_crews
from facademap.repair.own_rates import own_rates, rates_text, read_rates
from facademap.repair.schedule import ScheduleProblem, amounts_of
from facademap.repair.settings import parse_toml
from facademap.repair.stages import effective_entries
from facademap.repair.work_hours import WorkRates, hours_of_repair
from facademap.store.project import Project
from facademap.tables import TREATMENTS, is_missing
from facademap.tasks.record.days import day_of
from facademap.tasks.record.editing import record_edit
from facademap.tasks.training.kept import read_kept

__all__ = [
    "Booked",
    "book_hours",
    "booked_hours",
    "crews_of",
    "forget_crews",
    "plan_by_crews",
    "put_crew",
    "set_crews",
    "work_rates_from",
    "write_own_rates",
]

_NO_CREWS = (
    "this project has no crews",
    "Set them on the desk, or with facademap crews.",
)
#: Title of an edit that booked hours, in earlier versions.
_TITLE = re.compile(r": hours of (.+)$")
_DONE = frozenset({"accepted", "curing"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Booked:
    """Hours booked on one repair.

    Parameters
    ----------
    repair, treatment, stage : str
    hours_h : float
    told_h : float
        Likely hours by common practice; 0 where they cannot be told.
    crews : tuple of str
    """

    repair: str
    treatment: str
    stage: str
    hours_h: float
    told_h: float
    crews: tuple[str, ...]


def set_crews(folder: str | Path, path: Path, *, who: str = "facademap crews") -> tuple[Crew, ...]:
    """Put the crews of a TOML file (``[[crew]]``) in place of those of the project."""
    entries = parse_toml(_text(path), where=str(path)).get("crew")
    crews = read_crews(entries, where=str(path))
    plain = [{k: _plain(v) for k, v in entry.items()} for entry in entries or ()]
    with Project.open(folder) as project, project.edit(who=who, what="crews") as edit:
        edit.set("crews", plain)
    return crews


def put_crew(
    folder: str | Path,
    *,
    name: str,
    hours_h: float,
    skills: Sequence[str] = (),
    days: Sequence[str] | None = None,
    who: str = "facademap crews",
) -> Crew:
    """Add one crew to those of the project, or change its hours, skills and days of the week; what is not given stays.

    Raises
    ------
    InputError
        No name, no hours, or a skill that is no treatment.
    """
    with Project.open(folder) as project:
        kept: list[dict[str, Any]] = list(project.setting("crews", None) or [])
        old = next((c for c in kept if c["name"] == name.strip()), {})
        fresh = {**old, "name": name.strip(), "hours": hours_h, "skills": list(skills)}
        if days is not None:
            fresh["days"] = list(days)
        (crew,) = read_crews([fresh])
        entries = [c for c in kept if c is not old] + [fresh]
        with project.edit(who=who, what="crews") as edit:
            edit.set("crews", entries)
    return crew


def crews_of(project: Project) -> tuple[Crew, ...]:
    """The crews of a project, each gone on the day after a certificate of theirs has run out.

    Raises
    ------
    InputError
        None is set, or a certificate that one names was not given or is withdrawn.
    """
    kept = project.setting("crews", None)
    if not kept:
        raise InputError(*_NO_CREWS)
    crews = read_crews(kept)
    if not any(c.certificates for c in crews):
        return crews
    book = read_kept(project.folder)
    gone = {str(w.body["number"]) for w in book.of("withdrawal")}
    until = {
        str(e.body["number"]): dt.date.fromisoformat(e.body["valid_until"])
        for e in book.of("certificate")
        if e.body["number"] not in gone
    }
    found = []
    for crew in crews:
        wrong = [c for c in crew.certificates if c not in until]
        if wrong:
            raise InputError(
                f"crew {crew.name}: certificate {wrong[0]} was not given here, or is withdrawn",
                "Give the number of one that holds, or leave it out.",
            )
        ends = [until[c] for c in crew.certificates] + ([crew.last] if crew.last else [])
        found.append(replace(crew, last=min(ends)) if ends else crew)
    return tuple(found)


def plan_by_crews(
    problem: ScheduleProblem,
    crews: Sequence[Crew],
    treatments: Mapping[str, str],
    *,
    cold_months: frozenset[int],
) -> CrewPlan:
    """A sequence by crews that was looked at by code of its own.

    Raises
    ------
    InputError
        The check found fault, which would be a mistake in this program.
    """
    plan = plan_crews(problem, crews, treatments, cold_months=cold_months)
    faults = check_crews(problem, crews, treatments, plan)
    if faults:
        raise InputError(
            f"the sequence breaks a rule: {faults[0]}",
            "Report this with the project; the sequence is not shown.",
        )
    return plan


def book_hours(
    folder: str | Path,
    repair: str,
    hours_h: float,
    *,
    crew: str,
    on: str | None = None,
    key: str | None = None,
    who: str = "facademap crews",
) -> dict[str, Any]:
    """Book hours of a crew on a repair; an entry of the work record, so that it is corrected like any other.

    Raises
    ------
    InputError
        No such crew, no hours, more than a crew has in that day, or a day that has not come.
    """
    day = dt.date.fromisoformat(day_of(on, "Book hours after they were worked."))
    if not 0 < hours_h <= 24:
        raise InputError(f"{hours_h:g} hours in a day", "Book above 0, at most 24.")
    with Project.open(folder) as project:
        kept = project.setting("crews", None)
        if not kept:
            raise InputError(*_NO_CREWS)
        known = {c.name for c in read_crews(kept)}
        if crew not in known:
            raise InputError(
                f"no crew is called {crew!r}", f"Use one of {', '.join(sorted(known))}."
            )
        project.row("repairs", repair)
        already = sum(
            float(e["measured"]["hours_h"])
            for e in _hours_entries(project)
            if e["measured"].get("crew") == crew and str(e["at"])[:10] == day.isoformat()
        )
        if already + hours_h > 24:
            raise InputError(
                f"crew {crew} has {already:g} hours on {day} already",
                "A day has 24; correct what is wrong first.",
            )
        entry: dict[str, Any] = {
            "repair": repair,
            "at": dt.datetime.combine(day, dt.time(12), dt.UTC).isoformat(),
            "measured": {"hours_h": float(hours_h), "crew": crew},
            "note": "hours",
        }
        with record_edit(project, key, who=who, what=f"{repair}: hours") as edit:
            entry["id"] = edit.new_id("W", digits=5)
            edit.insert("work_log", [entry])
    return entry


def forget_crews(project: Project, *, who: str) -> int:
    """Labels of crews, which may be names of people, become crew 1, crew 2 .. in hours, settings and all their history.

    Hours, skills and days stay; certificates are taken off, since a number leads to a person.

    Returns
    -------
    int
        Labels that went.
    """
    told: dict[str, str] = {}

    def plain(label: Any) -> str:
        return told.setdefault(str(label), f"crew {len(told) + 1}")

    def of_hours(row: Mapping[str, Any]) -> Any:
        measured = row["measured"]
        if not isinstance(measured, Mapping) or "crew" not in measured:
            return measured
        return {**measured, "crew": plain(measured["crew"])}

    def of_setting(row: Mapping[str, Any]) -> Any:
        if str(row["id"]) != "crews":
            return row["value"]
        kept = json.loads(row["value"]) or []
        return json.dumps(
            [
                {k: v for k, v in c.items() if k != "certificates"} | {"name": plain(c["name"])}
                for c in kept
            ],
            ensure_ascii=False,
        )

    def of_title(what: str) -> str:
        """Titles of edits of earlier versions named the crew."""
        found = _TITLE.search(what)
        return f"{what[: found.start(1)]}{plain(found[1])}" if found else what

    log = project.read("work_log")
    named = any(isinstance(m, Mapping) and "crew" in m for m in log["measured"])
    if project.setting("crews", None) is None and not named:
        return 0
    project.forget("settings", "value", who=who, instead=of_setting)
    project.forget("work_log", "measured", who=who, instead=of_hours, retitled=of_title)
    return len(told)


def booked_hours(project: Project) -> list[Booked]:
    """Hours booked on each repair, beside what common practice tells."""
    hours: dict[str, list[tuple[float, str]]] = {}
    for e in _hours_entries(project):
        pair = (float(e["measured"]["hours_h"]), str(e["measured"].get("crew", "")))
        hours.setdefault(str(e["repair"]), []).append(pair)
    found = []
    rows = project.rows("repairs", list(hours))
    for name, own in sorted(hours.items()):
        row = rows[name]
        shape, treatment = row["geometry"], str(row["treatment"])
        told = 0.0
        if treatment in TREATMENTS and shape is not None:
            lift = 0 if is_missing(row["lift"]) else int(row["lift"])
            told = hours_of_repair(treatment, amounts_of(row, shape), lift=lift).likely_h
        found.append(
            Booked(
                repair=name,
                treatment=treatment,
                stage=str(row["stage"]),
                hours_h=sum(h for h, _ in own),
                told_h=told,
                crews=tuple(sorted({c for _, c in own})),
            )
        )
    return found


def write_own_rates(folder: str | Path, out: Path) -> dict[str, Any]:
    """Rates from repairs that are done, to a TOML file for the next campaign.

    Raises
    ------
    InputError
        Too few repairs are done and booked.
    """
    with Project.open(folder, read_only=True) as project:
        booked = [b for b in booked_hours(project) if b.stage in _DONE]
        name = str(project.setting("name", "this project"))
    rates = own_rates([(b.treatment, b.hours_h, b.told_h) for b in booked])
    if not rates:
        raise InputError(
            f"{len(booked)} repairs are done and booked: no treatment has three",
            "Book hours on more; with fewer a rate would be a guess.",
        )
    source = f"hours booked on {sum(r.repairs for r in rates.values())} repairs of {name}"
    write_whole(out, rates_text(rates, source=source))
    return {
        t: {"low": r.low, "likely": r.likely, "high": r.high, "repairs": r.repairs}
        for t, r in rates.items()
    }


def work_rates_from(path: Path | None) -> WorkRates:
    """Work rates with those of a file of one's own; common practice without one."""
    if path is None:
        return WorkRates()
    body = parse_toml(_text(path), where=str(path))
    return WorkRates(
        own=read_rates(body, where=str(path)),
        source=str(body.get("source", path.name)),
        status="project",
    )


def _hours_entries(project: Project) -> list[dict[str, Any]]:
    entries = project.read("work_log").to_dict("records")
    return [
        e
        for e in effective_entries(entries)
        if not is_missing(e.get("measured"))
        and isinstance(e["measured"].get("hours_h"), int | float)
        and str(e.get("note")) == "hours"
    ]


def _plain(value: Any) -> Any:
    if isinstance(value, dt.date):
        return value.isoformat()
    return [_plain(v) for v in value] if isinstance(value, list) else value


def _text(path: Path) -> str:
    need_file(path)
    if not path.is_file() or path.stat().st_size > 1_000_000:
        raise FileError(f"{path}: is no such file", "Give the path of a TOML file.")
    try:
        return path.read_text("utf-8")
    except UnicodeDecodeError:
        raise FileError(f"{path}: is no UTF-8 text", "Save it as UTF-8.") from None
