"""Make a new project from a short survey description."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pandas as pd
import shapely

from facademap.errors import InputError
from facademap.io.csv_tables import read_text_file
from facademap.store.project import Project
from facademap.tables import ELEVATIONS, SURFACES
from facademap.wall.world import wall_crs

__all__ = ["ProjectPlan", "create_project", "read_project_plan"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ProjectPlan:
    """What a new project starts with.

    Parameters
    ----------
    name : str
        Name of the campaign.
    elevations, surfaces : tuple of mapping
        Rows of the tables of that name.
    settings : mapping
        Project settings, for instance ``epsg`` and ``lift_height_m``.
    """

    name: str
    elevations: tuple[Mapping[str, Any], ...] = ()
    surfaces: tuple[Mapping[str, Any], ...] = ()
    settings: Mapping[str, Any] = field(default_factory=dict)

    @classmethod
    def of_one_wall(cls, name: str) -> ProjectPlan:
        """A project with one elevation of one plane surface."""
        return cls(name=name, elevations=({"id": "main", "name": name},),
                   surfaces=({"id": "main-plane", "elevation": "main", "name": "Main plane", "kind": "plane"},))


def read_project_plan(path: str | Path) -> ProjectPlan:
    """Read a ``project.toml``: ``name``, ``[[elevations]]``, ``[[surfaces]]``, and settings.

    Raises
    ------
    InputError
        Not TOML, or a key that has no meaning here.
    """
    path = Path(path)
    try:
        content = tomllib.loads(read_text_file(path, what="project description"))
    except tomllib.TOMLDecodeError as error:
        raise InputError(f"{path}: is not TOML ({error})", "Correct the line.") from None
    name = content.pop("name", None)
    if not isinstance(name, str) or not name.strip():
        raise InputError(f"{path}: name is missing", 'Add a line name = "...".')
    lists = {}
    for key in ("elevations", "surfaces"):
        rows = content.pop(key, [])
        if not isinstance(rows, list) or not rows or not all(isinstance(r, dict) for r in rows):
            raise InputError(f"{path}: [[{key}]] is missing", f"Describe at least one entry under [[{key}]].")
        lists[key] = tuple(rows)
    return ProjectPlan(name=name.strip(), elevations=lists["elevations"], surfaces=lists["surfaces"], settings=content)


def create_project(folder: str | Path, plan: ProjectPlan, *, who: str = "surveyor") -> dict[str, Any]:
    """Make the project folder with its elevations and surfaces.

    Returns
    -------
    dict
        ``project``, ``elevations``, ``surfaces``.
    """
    known = {str(e.get("id")) for e in plan.elevations}
    for row in plan.surfaces:
        if str(row.get("elevation")) not in known:
            raise InputError(f"surface {row.get('id')}: elevation {row.get('elevation')!r} is not described",
                             f"Use one of {', '.join(sorted(known))}.")
    # checked before the folder is made, so that a mistake leaves nothing behind
    elevations = ELEVATIONS.check(pd.DataFrame(list(plan.elevations)), source="elevations")
    surfaces = [SURFACES.check_row(_with_extent(row), source="surfaces") for row in plan.surfaces]
    with Project.create(folder, name=plan.name, settings=plan.settings) as project:
        for row in surfaces:
            row["frame_wkt"] = wall_crs(row["name"], f"{project.project_id} {row['id']}")
        with project.edit(who=who, what="new elevations and surfaces") as edit:
            edit.insert("elevations", elevations)
            edit.insert("surfaces", surfaces)
    return {"project": str(folder), "elevations": len(plan.elevations), "surfaces": len(plan.surfaces)}


def _with_extent(row: Mapping[str, Any]) -> dict[str, Any]:
    """A surface whose part of the wall is given as ``u0_m, v0_m, u1_m, v1_m`` gets it as its outline."""
    names = ("u0_m", "v0_m", "u1_m", "v1_m")
    given = {n: row[n] for n in names if n in row}
    rest = {k: v for k, v in row.items() if k not in names}
    if not given:
        return rest
    if len(given) < 4 or not all(isinstance(v, (int, float)) for v in given.values()):
        raise InputError(f"surface {row.get('id')}: its extent is not complete", "Give u0_m, v0_m, u1_m and v1_m as numbers.")
    u0, v0, u1, v1 = (float(given[n]) for n in names)
    if u0 >= u1 or v0 >= v1:
        raise InputError(f"surface {row.get('id')}: its extent is empty", "Give u0_m < u1_m and v0_m < v1_m.")
    return {**rest, "geometry": shapely.box(u0, v0, u1, v1)}
