"""The figures of many buildings side by side, elevation by elevation, and of all of them together."""

from __future__ import annotations

import datetime as dt
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

import pandas as pd

from facademap.errors import FacademapError, InputError
from facademap.report.costs import Rates
from facademap.store.project import Project
from facademap.store.team_address import is_address, read_address
from facademap.tables import STAGES, UNDECIDED, is_missing
from facademap.tasks.plan.maintenance import due_looks
from facademap.tasks.project.estate_prices import Price, prices_of
from facademap.tasks.project.field_copy import FIELD_COPY
from facademap.tasks.project.team import join_project
from facademap.treatment.maintenance import DONE_STAGES, months_later

__all__ = ["CLASSES", "URGENCIES", "figures_of_estate"]

#: Condition classes as they are counted; conditions that nobody classed are counted as such.
CLASSES = ("CC0", "CC1", "CC2", "CC3", "not classed")
URGENCIES = ("UC0", "UC1", "UC2", "UC3", "not classed")
_COUNTED_FROM: Mapping[str, Sequence[str]] = {
    "conditions": ("surface", "cc", "uc"),
    "repairs": ("id", "surface", "treatment", "stage", "removed_volume_m3"),
}
_COUNTED = (
    "conditions",
    "repairs",
    "to_do",
    "done",
    "stone_taken_m3",
    "stone_not_told",
    "due_now",
    "due_in_a_year",
)


def figures_of_estate(
    projects: Sequence[str],
    *,
    rates: Rates | None = None,
    buildings: Sequence[str] = (),
    today: dt.date | None = None,
    progress: Callable[[float], None] = lambda fraction: None,
    also: Callable[[str, Project, Mapping[str, Price]], None] = lambda place, project, prices: None,
) -> dict[str, Any]:
    """Conditions by class, repairs by stage, stone at stake, costs, progress and looks that are due, for every elevation and for all.

    Parameters
    ----------
    projects : sequence of str
        Folders, addresses of projects, or addresses of databases, whose projects are all taken.
    rates : Rates, optional
        Prices; without them nothing is said of costs.
    buildings : sequence of str
        Only elevations of these buildings; all when empty.
    today : datetime.date, optional
    progress : callable
        Told the fraction that is done.
    also : callable
        Given every project that is counted, with the prices of its repairs.

    Returns
    -------
    dict
        ``projects``: figures of each, ``elevations``: of each elevation, ``total``: the same over all, ``unread``: projects that could
        not be read, or are copies of others, each with the reason; they are in no figure. Stone is that which the planned repairs take
        out, in cubic metres, with the number of repairs that say nothing of it.

    Raises
    ------
    InputError
        No elevation is of one of the buildings.
    """
    places, unread = _places(projects)
    day = today or dt.date.today()
    found: list[dict[str, Any]] = []
    walls: list[dict[str, Any]] = []
    counted: dict[str, str] = {}
    for number, place in enumerate(places):
        progress(number / len(places))
        try:
            folder = join_project(place) if is_address(place) else Path(place)
            with Project.open(folder, read_only=True) as project:
                if (first := counted.setdefault(project.project_id, place)) != place:
                    raise InputError(
                        f"is a copy of {first}, which is counted already",
                        "Name the one of the two that is worked in.",
                    )
                if (taken := project.setting(FIELD_COPY)) is not None:
                    raise InputError(
                        f"is a field copy of {taken.get('source')}",
                        "Bring it back, and name that project.",
                    )
                prices = prices_of(project, rates) if rates is not None else {}
                name = str(project.setting("name", project.folder.name))
                mine = [
                    {"project": place, "name": name, **w}
                    for w in _walls(project, name, prices, day, priced=rates is not None)
                    if not buildings or w["building"] in buildings
                ]
                also(place, project, prices)
        except FacademapError as error:
            unread.append({"project": place, "problem": error.problem, "remedy": error.remedy})
            continue
        if mine or not buildings:
            found.append({"project": place, "name": name, "elevations": len(mine), **_sum(mine)})
            walls += mine
    if buildings and (strange := sorted(set(buildings) - {w["building"] for w in walls})):
        raise InputError(
            f"no elevation that was read is of a building {strange[0]!r}",
            "See the names of buildings without --building.",
        )
    total = {"projects": len(found), "elevations": len(walls), **_sum(walls)}
    currency = None if rates is None else rates.currency
    return {
        "projects": found, "elevations": walls, "total": total, "unread": unread, "day": day.isoformat(), "currency": currency,
    }  # fmt: skip


def _places(projects: Sequence[str]) -> tuple[list[str], list[dict[str, str]]]:
    """Every project once, databases as the projects that are in them."""
    from facademap.store.team_schema import projects_in

    places: list[str] = []
    unread: list[dict[str, str]] = []
    for named in projects:
        if not is_address(named):
            places.append(str(Path(named)))
            continue
        address = read_address(named)
        if address.project:
            places.append(str(address))
            continue
        try:
            places += [f"{address}#{schema}" for schema in projects_in(address)]
        except FacademapError as error:
            unread.append(
                {"project": str(address), "problem": error.problem, "remedy": error.remedy}
            )
    return list(dict.fromkeys(places)), unread


def _walls(
    project: Project, name: str, prices: Mapping[str, Price], day: dt.date, *, priced: bool
) -> list[dict[str, Any]]:
    """The figures of every elevation; what lies on a surface of none stands under a name of its own."""
    elevations = project.read("elevations").to_dict("records")
    of_surface = {
        str(s["id"]): str(s["elevation"])
        for s in project.read("surfaces", columns=("id", "elevation")).to_dict("records")
    }
    conditions, repairs = (_by_wall(project, n, of_surface) for n in ("conditions", "repairs"))
    due: dict[str, list[dt.date]] = {}
    for look in due_looks(project, day):
        due.setdefault(of_surface.get(look.surface, ""), []).append(look.due_on)
    year = months_later(day, 12)
    made = []
    known = {str(e["id"]): e for e in elevations}
    for id in dict.fromkeys((*known, *conditions, *repairs)):
        row = known.get(id, {})
        days = due.get(id, [])
        made.append(
            {
                "building": name if is_missing(row.get("building")) else str(row["building"]),
                "elevation": id,
                "title": str(row.get("name") or id or "no elevation"),
                **_figures(conditions.get(id), repairs.get(id), prices, priced=priced),
                "due_now": sum(d <= day for d in days),
                "due_in_a_year": sum(day < d <= year for d in days),
            }
        )
    return made


def _by_wall(
    project: Project, table: str, of_surface: Mapping[str, str]
) -> dict[str, pd.DataFrame]:
    rows = project.read(table, columns=_COUNTED_FROM[table])
    walls = [of_surface.get(str(s), "") for s in rows["surface"]]
    return {str(wall): part for wall, part in rows.groupby(walls, sort=False)}


def _classed(letters: str, values: Iterable[Any], names: Sequence[str]) -> dict[str, int]:
    counts = Counter("not classed" if pd.isna(v) else f"{letters}{int(v)}" for v in values)
    return {name: counts.get(name, 0) for name in names}


def _figures(
    conditions: pd.DataFrame | None,
    repairs: pd.DataFrame | None,
    prices: Mapping[str, Price],
    *,
    priced: bool,
) -> dict[str, Any]:
    rows = [] if repairs is None else repairs.to_dict("records")
    work = [r for r in rows if r["treatment"] not in ("leave", UNDECIDED)]
    volumes = [r["removed_volume_m3"] for r in rows]
    stages = Counter(str(r["stage"]) for r in rows)
    costs = [prices.get(str(r["id"])) for r in work]
    known = [c for c in costs if c is not None]
    cost = {
        "cost": [sum(getattr(c, n) for c in known) for n in ("low", "likely", "high")],
        "without_price": len(costs) - len(known),
    }
    return {
        "conditions": 0 if conditions is None else len(conditions),
        "classes": _classed("CC", () if conditions is None else conditions["cc"], CLASSES),
        "urgencies": _classed("UC", () if conditions is None else conditions["uc"], URGENCIES),
        "repairs": len(rows),
        "stages": {stage: stages[stage] for stage in STAGES if stages[stage]},
        "to_do": len(work),
        "done": sum(str(r["stage"]) in DONE_STAGES for r in work),
        "stone_taken_m3": float(sum(v for v in volumes if not is_missing(v))),
        "stone_not_told": sum(is_missing(v) for v in volumes),
        **(cost if priced else {}),
    }


def _sum(walls: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    """The same figures over several elevations."""
    stages = {s: sum(w["stages"].get(s, 0) for w in walls) for s in STAGES}
    summed: dict[str, Any] = {
        **{name: sum(w[name] for w in walls) for name in _COUNTED},
        "classes": {name: sum(w["classes"][name] for w in walls) for name in CLASSES},
        "urgencies": {name: sum(w["urgencies"][name] for w in walls) for name in URGENCIES},
        "stages": {stage: count for stage, count in stages.items() if count},
    }
    if any("cost" in w for w in walls):
        summed["cost"] = [sum(w["cost"][n] for w in walls) for n in range(3)]
        summed["without_price"] = sum(w["without_price"] for w in walls)
    return summed
