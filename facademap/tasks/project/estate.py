"""The figures of many buildings side by side, elevation by elevation, and of all of them together."""

from __future__ import annotations

import datetime as dt
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

from facademap.errors import FacademapError, InputError
from facademap.report.costs import Rates
from facademap.store.leaves import counted_rows
from facademap.store.project import Project
from facademap.store.team_address import is_address, read_address
from facademap.tables import STAGES, UNDECIDED, is_missing
from facademap.tasks.plan.maintenance import count_looks
from facademap.tasks.project.estate_ground import lines_on_ground, years_of_walls
from facademap.tasks.project.estate_kept import keep_figures, kept_figures, state_of
from facademap.tasks.project.estate_prices import Price, prices_of
from facademap.tasks.project.field_copy import FIELD_COPY
from facademap.tasks.project.team import join_project
from facademap.treatment.maintenance import DONE_STAGES, months_later

__all__ = ["CLASSES", "URGENCIES", "figures_of_estate"]

#: Condition classes as they are counted; conditions that nobody classed are counted as such.
CLASSES = ("CC0", "CC1", "CC2", "CC3", "not classed")
URGENCIES = ("UC0", "UC1", "UC2", "UC3", "not classed")
_BY_CLASS = ("surface", "cc", "uc")
_BY_STAGE = ("surface", "treatment", "stage")
_NO_WORK = ("leave", UNDECIDED)
_NO_COST: Mapping[str, Any] = {"cost": [0.0, 0.0, 0.0], "without_price": 0}
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
    also: Callable[[str, Project, Mapping[str, Price]], None] | None = None,
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
        not be read, or are copies of others, each with the reason; they are in no figure. Of an elevation also ``ground``, its lines
        on a map as longitude and latitude, and ``years``. Stone is that which the planned repairs take
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
                project.need_whole()
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
                name = str(project.setting("name", project.folder.name))
                every = _kept_or_counted(place, project, name, rates, day, also)
                mine = [
                    {"project": place, "name": name, **w}
                    for w in every
                    if not buildings or w["building"] in buildings
                ]
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


def _kept_or_counted(
    place: str,
    project: Project,
    name: str,
    rates: Rates | None,
    day: dt.date,
    also: Callable[[str, Project, Mapping[str, Price]], None] | None,
) -> list[dict[str, Any]]:
    """The figures of every elevation: as they were kept, while nothing changed since."""
    state = state_of(project, rates)
    kept = kept_figures(project.folder, state, day)
    prices = {}
    if rates is not None and (kept is None or also is not None):
        prices = prices_of(project, rates)
    if kept is None:
        walls, until = _walls(project, name, prices, day, priced=rates is not None)
        keep_figures(project.folder, state, (day, until), walls)
    else:
        walls = kept
    if also is not None:
        also(place, project, prices)
    return [_on(day, wall) for wall in walls]


def _on(day: dt.date, wall: Mapping[str, Any]) -> dict[str, Any]:
    """The figures of a wall on a day: how many looks are due."""
    now, year = day.isoformat(), months_later(day, 12).isoformat()
    return {
        **{name: value for name, value in wall.items() if name != "due"},
        "due_now": sum(n for when, n in wall["due"].items() if when <= now),
        "due_in_a_year": sum(n for when, n in wall["due"].items() if now < when <= year),
    }


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
) -> tuple[list[dict[str, Any]], dt.date]:
    """The figures of every elevation, and until when they hold; what lies on a surface of none stands under a name of its own."""
    elevations = project.read("elevations").to_dict("records")
    of_surface = {
        str(s["id"]): str(s["elevation"])
        for s in project.read("surfaces", columns=("id", "elevation")).to_dict("records")
    }
    conditions = _by_wall(counted_rows(project, "conditions", _BY_CLASS), of_surface)
    repairs = _by_wall(
        counted_rows(project, "repairs", _BY_STAGE, total="removed_volume_m3"), of_surface
    )
    costs = _costs(project, prices, of_surface) if priced else {}
    due: dict[str, Counter[str]] = {}
    until = dt.date.max
    for (kind, surface, due_on), count in count_looks(project, day).items():
        # once the first look at a repair is past its day, the next one counts
        if kind == "repair" and due_on > day:
            until = min(until, due_on)
        # what is due at once is so tomorrow too
        when = "" if due_on <= day else due_on.isoformat()
        due.setdefault(of_surface.get(surface, ""), Counter())[when] += count
    ground = lines_on_ground(project)
    years = years_of_walls(project, of_surface)
    made = []
    known = {str(e["id"]): e for e in elevations}
    for id in dict.fromkeys((*known, *conditions, *repairs)):
        row = known.get(id, {})
        made.append(
            {
                "building": name if is_missing(row.get("building")) else str(row["building"]),
                "elevation": id,
                "title": str(row.get("name") or id or "no elevation"),
                **_figures(conditions.get(id, ()), repairs.get(id, ())),
                **(costs.get(id, _NO_COST) if priced else {}),
                "due": dict(due.get(id, ())),
                "ground": ground.get(id, []),
                "years": years.get(id, {}),
            }
        )
    return made, until


def _by_wall(
    rows: Iterable[tuple[Any, ...]], of_surface: Mapping[str, str]
) -> dict[str, list[tuple[Any, ...]]]:
    """What was counted by surface first, by elevation."""
    found: dict[str, list[tuple[Any, ...]]] = {}
    for surface, *more in rows:
        found.setdefault(of_surface.get(str(surface), ""), []).append(tuple(more))
    return found


def _classed(
    letters: str, counts: Iterable[tuple[Any, int]], names: Sequence[str]
) -> dict[str, int]:
    found: Counter[str] = Counter()
    for value, count in counts:
        found["not classed" if value is None else f"{letters}{int(value)}"] += count
    return {name: found.get(name, 0) for name in names}


def _costs(
    project: Project, prices: Mapping[str, Price], of_surface: Mapping[str, str]
) -> dict[str, dict[str, Any]]:
    found: dict[str, dict[str, Any]] = {}
    for row in project.read("repairs", columns=("id", "surface", "treatment")).to_dict("records"):
        if row["treatment"] in _NO_WORK:
            continue
        wall = found.setdefault(
            of_surface.get(str(row["surface"]), ""), {"cost": [0.0, 0.0, 0.0], "without_price": 0}
        )
        price = prices.get(str(row["id"]))
        if price is None:
            wall["without_price"] += 1
        else:
            each = (price.low, price.likely, price.high)
            wall["cost"] = [a + b for a, b in zip(wall["cost"], each, strict=True)]
    return found


def _figures(
    conditions: Sequence[tuple[Any, ...]], repairs: Sequence[tuple[Any, ...]]
) -> dict[str, Any]:
    stages: Counter[str] = Counter()
    to_do: Counter[str] = Counter()
    for treatment, stage, count, _, _ in repairs:
        stages[str(stage)] += count
        if treatment not in _NO_WORK:
            to_do[str(stage)] += count
    return {
        "conditions": sum(count for *_, count in conditions),
        "classes": _classed("CC", ((cc, count) for cc, _, count in conditions), CLASSES),
        "urgencies": _classed("UC", ((uc, count) for _, uc, count in conditions), URGENCIES),
        "repairs": sum(stages.values()),
        "stages": {stage: stages[stage] for stage in STAGES if stages[stage]},
        "to_do": sum(to_do.values()),
        "done": sum(to_do[stage] for stage in DONE_STAGES),
        "stone_taken_m3": float(sum(volume or 0.0 for *_, volume, _ in repairs)),
        "stone_not_told": sum(untold for *_, untold in repairs),
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
