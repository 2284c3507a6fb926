"""The condition maps of an estate, beside its page: each is read when one of its walls is looked at."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any
from urllib.parse import quote

from facademap.errors import FacademapError
from facademap.io.whole_files import make_folder
from facademap.store.project import Project
from facademap.store.team_address import is_address
from facademap.tables.names import file_name, unique_id
from facademap.tasks.issue.condition_map import make_condition_map
from facademap.tasks.project.team import join_project

__all__ = ["make_maps"]


def make_maps(
    walls: Sequence[Mapping[str, Any]],
    *,
    beside: Path,
    progress: Callable[[float], None] = lambda fraction: None,
) -> tuple[dict[tuple[str, str], str], list[str]]:
    """Make the condition map of every project of an estate.

    Parameters
    ----------
    walls : sequence of mapping
        Elevations as they were counted: ``project``, ``name``, ``elevation``.
    beside : Path
        Page of the estate; the maps go into a folder beside it that is called after it.
    progress : callable
        Told the fraction that is done.

    Returns
    -------
    maps : dict
        Where the map of an elevation lies, from the page, by project and elevation.
    missing : list of str
        What could not be shown.
    """
    folder = beside.with_name(f"{beside.stem}-maps")
    make_folder(folder)
    maps: dict[tuple[str, str], str] = {}
    missing: list[str] = []
    places = dict.fromkeys((str(w["project"]), str(w["name"])) for w in walls)
    taken: set[str] = set()
    for number, (place, name) in enumerate(places):
        progress(number / len(places))
        file = unique_id(file_name(name), taken)
        taken.add(file)
        project = join_project(place) if is_address(place) else Path(place)
        try:
            # pictures lie beside the map, so that only those that are looked at are read
            made = make_condition_map(project, target=folder / f"{file}.html", pixels_in_page=0)
            first = _first_surfaces(project)
        except FacademapError as error:
            missing.append(f"{name}: no condition map: {error.problem}")
            continue
        missing += [f"{name}: {words}" for words in made["missing"]]
        for elevation, surface in first.items():
            wall = quote(f"wall:{surface}", safe="")
            maps[(place, elevation)] = f"{quote(folder.name)}/{quote(file)}.html#{wall}"
    return maps, missing


def _first_surfaces(folder: Path) -> dict[str, str]:
    with Project.open(folder, read_only=True) as project:
        rows = project.read("surfaces", columns=("id", "elevation")).to_dict("records")
    return {str(r["elevation"]): str(r["id"]) for r in reversed(rows)}
