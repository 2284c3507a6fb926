"""The figures of many projects side by side, and of all of them together."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import pandas as pd

from facademap.errors import FacademapError, InputError
from facademap.store.project import Project
from facademap.store.team_address import is_address, read_address
from facademap.tables import STAGES
from facademap.tasks.project.team import join_project

__all__ = ["CLASSES", "figures_of_estate"]

#: Condition classes as they are counted; conditions that nobody classed are counted as such.
CLASSES = ("CC0", "CC1", "CC2", "CC3", "not classed")


def figures_of_estate(
    projects: Sequence[str], *, progress: Callable[[float], None] = lambda fraction: None
) -> dict[str, Any]:
    """Conditions by class, repairs by stage and stone at stake, for every project and for all.

    Parameters
    ----------
    projects : sequence of str
        Folders, addresses of projects, or addresses of databases, whose projects are all taken.
    progress : callable
        Told the fraction that is done.

    Returns
    -------
    dict
        ``projects``: figures of each, ``total``: the same over all, ``unread``: projects that could not be read, or are
        copies of others, each with the reason; they are in no figure. Stone is that which the planned repairs take out, in cubic metres, with the number
        of repairs that say nothing of it.
    """
    places, unread = _places(projects)
    found: list[dict[str, Any]] = []
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
                found.append({"project": place, **_figures(project)})
        except FacademapError as error:
            unread.append({"project": place, "problem": error.problem, "remedy": error.remedy})
    return {"projects": found, "total": _total(found), "unread": unread}


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


def _figures(project: Project) -> dict[str, Any]:
    conditions, repairs = project.read("conditions"), project.read("repairs")
    classes = Counter(
        "not classed" if pd.isna(cc) else f"CC{int(cc)}" for cc in conditions["cc"].tolist()
    )
    stages = Counter(repairs["stage"].tolist())
    volumes = pd.to_numeric(repairs["removed_volume_m3"])
    return {
        "name": str(project.setting("name", project.folder.name)),
        "elevations": len(project.read("elevations")),
        "conditions": len(conditions),
        "classes": {name: classes.get(name, 0) for name in CLASSES},
        "repairs": len(repairs),
        "stages": {stage: stages[stage] for stage in STAGES if stages[stage]},
        "stone_taken_m3": float(volumes.sum()),
        "stone_not_told": int(volumes.isna().sum()),
    }


def _total(found: Sequence[dict[str, Any]]) -> dict[str, Any]:
    counted = ("elevations", "conditions", "repairs", "stone_taken_m3", "stone_not_told")
    stages = {s: sum(f["stages"].get(s, 0) for f in found) for s in STAGES}
    return {
        "projects": len(found),
        **{name: sum(f[name] for f in found) for name in counted},
        "classes": {name: sum(f["classes"][name] for f in found) for name in CLASSES},
        "stages": {stage: count for stage, count in stages.items() if count},
    }
