"""Use case: the plan of maintenance of a project, as table, page and calendar."""

from __future__ import annotations

import csv
import datetime as dt
import hashlib
import io
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from facademap.errors import FacademapError, InputError
from facademap.io.block_columns import no_formula
from facademap.io.whole_files import make_folder, write_whole
from facademap.report.calendar_file import CalendarEntry, calendar_text
from facademap.report.maintenance_page import maintenance_page
from facademap.store.leaves import counted_rows
from facademap.store.project import Project
from facademap.tables import is_missing
from facademap.tasks.plan.treatments import treatment_values_of_project
from facademap.tasks.survey.compare_surveys import compared, newest_surveys
from facademap.tasks.survey.kept_gauges import gauges_in
from facademap.tasks.survey.kept_reliefs import reliefs_of
from facademap.treatment.maintenance import (
    DONE_STAGES,
    JUDGED_BY,
    DueLook,
    compared_surveys,
    look_at_condition,
    looks_due,
)

__all__ = ["MaintenancePlan", "count_looks", "done_days", "due_looks", "plan_maintenance"]

_COLUMNS = (
    *("due_on", "kind", "id", "subject", "surface", "wall_stone", "seen_on", "months", "why"),
    "look_at",
)
#: Looks that an entry of a calendar names; the rest are counted.
_MOST_NAMED = 40


#: What the looks follow from; outlines are read only where surveys are compared.
_OF_CONDITIONS = ("id", "surface", "term", "cc", "uc", "activity", "observed_on", "wall_stone", "survey")  # fmt: skip
_OF_WORK = ("id", "repair", "at", "stage", "corrects")
_OF_REPAIRS = ("id", "surface", "stage", "treatment", "conditions", "wall_stone")


@dataclass(frozen=True, slots=True, kw_only=True)
class MaintenancePlan:
    """What planning maintenance returns.

    Parameters
    ----------
    looks : tuple of DueLook
    files : tuple of str
    notes : tuple of str
    """

    looks: tuple[DueLook, ...]
    files: tuple[str, ...]
    notes: tuple[str, ...]


def plan_maintenance(
    folder: str | Path, *, out: Path | None = None, today: dt.date | None = None
) -> MaintenancePlan:
    """What is to be looked at when.

    Parameters
    ----------
    folder : path
        Project; it is only read.
    out : Path, optional
        Folder for ``maintenance.csv``, ``.html`` and ``.ics``; default: the project's folder ``out``.
    today : datetime.date, optional

    Raises
    ------
    InputError
        The project has no surface.
    """
    now = dt.datetime.now(dt.UTC)
    day = today or now.date()
    with Project.open(folder, read_only=True) as project:
        surfaces = project.read("surfaces").to_dict("records")
        if not surfaces:
            raise InputError(
                "the project has no surface to look after", "Add one with facademap add-surfaces."
            )
        deeper, said = _deeper(project, surfaces)
        looks = due_looks(project, day, deeper=deeper)
        values = treatment_values_of_project(project)
        name = str(project.setting("name", "") or Path(folder).name)
        target = out or project.folder / "out"
    notes = [*_notes(looks), *said]
    title = f"Plan of maintenance: {name}"
    used = {n: v for n, v in values.values.items() if n.split(".")[0] in ("maintain", "watch")}
    files = {
        "maintenance.csv": _table(looks),
        "maintenance.html": maintenance_page(
            looks, title=title, today=day, values=used, notes=notes
        ),
        "maintenance.ics": calendar_text(_entries(looks, name), name=title, now=now),
    }
    make_folder(target)
    for file, text in files.items():
        write_whole(target / file, text)
    return MaintenancePlan(
        looks=tuple(looks), files=tuple(str(target / f) for f in files), notes=tuple(notes)
    )


def due_looks(
    project: Project, today: dt.date, *, deeper: Mapping[str, str] | None = None
) -> list[DueLook]:
    """Everything in a project that is to be looked at, the most pressing first.

    Parameters
    ----------
    project : Project
    today : datetime.date
    deeper : mapping of str to str, optional
        Conditions that the reliefs show to have become deeper, with words.

    Returns
    -------
    list of DueLook
    """
    surfaces = project.read("surfaces").to_dict("records")
    repairs = project.read("repairs", columns=_OF_REPAIRS).to_dict("records")
    rows = project.read("conditions", columns=_OF_CONDITIONS)
    if rows["survey"].nunique() > 1:  # only surveys that are compared need outlines
        rows = project.read("conditions")
    conditions = rows.to_dict("records")
    by_surface: dict[str, list[dict[str, Any]]] = {}
    for condition in conditions:
        by_surface.setdefault(str(condition["surface"]), []).append(condition)
    seen: dict[str, dt.date | None] = {}
    grown: dict[str, str] = {}
    replaced: set[str] = set()
    for row in surfaces:
        id = str(row["id"])
        here = by_surface.get(id, [])
        days = _survey_days(row, here)
        seen[id] = max((d for d in days.values() if d is not None), default=None)
        if len(days) > 1:
            larger, again = compared_surveys(here, days)
            grown |= larger
            replaced |= again
    for id, words in (deeper or {}).items():
        grown[id] = f"{grown[id]}; {words}" if id in grown else words
    return looks_due(
        surfaces=seen,
        conditions=conditions,
        repairs=repairs,
        grown=grown,
        replaced=replaced,
        looks_made=project.read("looks").to_dict("records"),
        **_of_project(project, today),
    )


def _of_project(project: Project, today: dt.date) -> dict[str, Any]:
    return {
        "done_on": done_days(project),
        "values": treatment_values_of_project(project),
        "today": today,
        "gauges": gauges_in(project),
    }


def count_looks(project: Project, today: dt.date) -> Counter[tuple[str, str, dt.date]]:
    """How many looks of which kind are due on which surface on which day; as :func:`due_looks` lists them, in less time.

    Conditions that are judged alike are counted where they lie, and judged once. What is known of single ones (a look, a repair
    that mended or holds them) is taken out of these counts and judged by itself; where that is most of them, or where surveys are to
    be compared, everything is listed after all.
    """
    names = ("surface", "survey", *JUDGED_BY)
    groups = [(dict(zip(names, v, strict=True)), n) for *v, n in counted_rows(project, "conditions", names)]  # fmt: skip
    repairs = project.read("repairs", columns=_OF_REPAIRS).to_dict("records")
    made = project.read("looks").to_dict("records")
    single = {str(r["about"]) for r in made if r["about_table"] == "conditions"} | {
        str(condition)
        for r in repairs
        if r["stage"] in DONE_STAGES or r["treatment"] == "make safe"
        for condition in r["conditions"] or ()
    }
    most = sum(n for _, n in groups) // 2
    if len({str(g["survey"]) for g, _ in groups}) > 1 or len(single) > most:
        return Counter((k.kind, k.surface, k.due_on) for k in due_looks(project, today))
    apart = list(project.rows("conditions", sorted(single)).values())
    alike = Counter({_alike(g): n for g, n in groups})
    alike.subtract(_alike(row) for row in apart)
    surveyed: dict[str, dt.date | None] = {}
    for row in project.read("surfaces", columns=("id", "reliefs", "report")).to_dict("records"):
        days = _survey_days(row, [g for g, _ in groups if g["surface"] == row["id"]])
        surveyed[str(row["id"])] = max((d for d in days.values() if d is not None), default=None)
    about = _of_project(project, today)
    listed = looks_due(
        surfaces=surveyed, conditions=apart, repairs=repairs, looks_made=made, **about
    )
    found = Counter((k.kind, k.surface, k.due_on) for k in listed)
    for values, count in alike.items():
        row = {"id": "", "wall_stone": None, **dict(zip(names, values, strict=True))}
        look = look_at_condition(row, about["values"], today)
        found[look.kind, look.surface, look.due_on] += count
    return +found


def _alike(row: Mapping[str, Any]) -> tuple[Any, ...]:
    return tuple(None if is_missing(row[n]) else row[n] for n in ("surface", "survey", *JUDGED_BY))


def done_days(project: Project) -> dict[str, dt.date]:
    """When each repair came into the wall: its last entry of such a stage that no later one takes back."""
    log = project.read("work_log", columns=_OF_WORK).to_dict("records")
    corrected = {str(r["corrects"]) for r in log if not is_missing(r["corrects"])}
    done: dict[str, dt.date] = {}
    for row in sorted(log, key=lambda r: str(r["at"])):
        if str(row["id"]) in corrected or is_missing(row["stage"]):
            continue
        if row["stage"] in DONE_STAGES:
            done[str(row["repair"])] = dt.date.fromisoformat(str(row["at"])[:10])
        else:
            done.pop(str(row["repair"]), None)
    return done


def _survey_days(
    surface: dict[str, Any], conditions: Sequence[dict[str, Any]]
) -> dict[str, dt.date | None]:
    """The day of every survey: of its relief, else the last on which one of its conditions was seen."""
    seen: dict[str, str] = {}
    for row in conditions:
        survey = str(row["survey"])
        day = "" if is_missing(row["observed_on"]) else str(row["observed_on"])[:10]
        seen[survey] = max(day, seen.get(survey, ""))
    days = {s: dt.date.fromisoformat(day) if day else None for s, day in seen.items()}
    for kept in reliefs_of(surface):
        if kept.taken_on:
            days[kept.survey] = dt.date.fromisoformat(kept.taken_on)
    return days


def _deeper(
    project: Project, surfaces: Sequence[dict[str, Any]]
) -> tuple[dict[str, str], list[str]]:
    """What became deeper between the two newest reliefs of its surface, surely and in words; and what is to be said of them."""
    found: dict[str, str] = {}
    notes: list[str] = []
    for row in surfaces:
        id = str(row["id"])
        surveys = newest_surveys(row, ())
        if surveys is None:
            continue
        try:
            done = compared(project, id, surveys, colours=False)
        except FacademapError as error:
            notes.append(f"{id}: growth is not counted: {error.problem}; {error.remedy}")
            continue
        notes += [f"{id}: {w}" for k in reliefs_of(row) if k.survey in surveys for w in k.warnings]
        for change in done.rows:
            patch = change.patch
            if patch is not None and patch.significant and patch.mean_change_m < 0:
                words = (
                    f"{-patch.mean_change_m * 1000:.1f} ± {patch.plus_minus_95_m * 1000:.1f} mm deeper since survey "
                    f"{surveys[0]}"
                )
                found |= dict.fromkeys(change.pair.new, words)
    return found, notes


def _notes(looks: Sequence[DueLook]) -> list[str]:
    undated = sum(k.seen_on is None and k.kind != "water" for k in looks)
    if not undated:
        return []
    return [
        f"{undated} without a recorded day are due now: give the day of the survey (observed_on) or of the repair"
    ]


def _table(looks: Sequence[DueLook]) -> str:
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(_COLUMNS)
    for look in looks:
        writer.writerow(
            ["" if (value := getattr(look, c)) is None else no_formula(value) for c in _COLUMNS]
        )
    return text.getvalue()


def _entries(looks: Sequence[DueLook], project: str) -> list[CalendarEntry]:
    """One entry for what is due on a surface in a month; the rounds that come again have their own."""
    entries, months = [], dict[tuple[str, int, int], list[DueLook]]()
    for look in looks:
        if look.repeats:
            entries.append(
                CalendarEntry(
                    uid=_uid(project, look.surface, look.kind),
                    day=look.due_on,
                    summary=f"{project}, {look.surface}: {look.subject}",
                    description=look.look_at,
                    place=look.surface,
                    every_months=look.months,
                )
            )
        else:
            key = (look.surface, look.due_on.year, look.due_on.month)
            months.setdefault(key, []).append(look)
    for (surface, year, month), group in months.items():
        lines = [f"{k.id} {k.subject}: {k.look_at}" for k in group[:_MOST_NAMED]]
        if len(group) > _MOST_NAMED:
            lines.append(f"and {len(group) - _MOST_NAMED} more: see the plan")
        entries.append(
            CalendarEntry(
                uid=_uid(project, surface, f"{year}-{month}"),
                day=min(k.due_on for k in group),
                summary=f"{project}, {surface}: look at {len(group)} {'place' if len(group) == 1 else 'places'}",
                description="\n".join(lines),
                place=surface,
            )
        )
    return sorted(entries, key=lambda e: (e.day, e.uid))


def _uid(*parts: str) -> str:
    digest = hashlib.sha256("\x1f".join(parts).encode()).hexdigest()[:32]
    return f"{digest}@facademap"
