"""Make a new project from a short survey description."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence, Set
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pandas as pd
import shapely

from facademap.errors import InputError
from facademap.io.csv_tables import read_text_file
from facademap.plain_texts import parse_toml
from facademap.store.gate import gated_edit
from facademap.store.project import Project
from facademap.tables import ELEVATIONS, SURFACES
from facademap.wall.world import wall_crs

__all__ = ["ProjectPlan", "add_surfaces", "create_project", "read_project_plan"]


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
        return cls(
            name=name,
            elevations=({"id": "main", "name": name},),
            surfaces=(
                {"id": "main-plane", "elevation": "main", "name": "Main plane", "kind": "plane"},
            ),
        )


def read_project_plan(path: str | Path) -> ProjectPlan:
    """Read a ``project.toml``: ``name``, ``[[elevations]]``, ``[[surfaces]]``, and settings.

    Raises
    ------
    InputError
        Not TOML, or a key that has no meaning here.
    """
    path = Path(path)
    text = read_text_file(path, what="project description")
    content = parse_toml(text, where=str(path), remedy="Correct the line.")
    name = content.pop("name", None)
    if not isinstance(name, str) or not name.strip():
        raise InputError(f"{path}: name is missing", 'Add a line name = "...".')
    lists = {}
    for key in ("elevations", "surfaces"):
        rows = content.pop(key, [])
        if not isinstance(rows, list) or not rows or not all(isinstance(r, dict) for r in rows):
            raise InputError(
                f"{path}: [[{key}]] is missing", f"Describe at least one entry under [[{key}]]."
            )
        lists[key] = tuple(rows)
    return ProjectPlan(
        name=name.strip(),
        elevations=lists["elevations"],
        surfaces=lists["surfaces"],
        settings=content,
    )


def create_project(
    folder: str | Path,
    plan: ProjectPlan,
    *,
    who: str = "surveyor",
    create: Callable[..., Project] = Project.create,
) -> dict[str, Any]:
    """Make the project folder with its elevations and surfaces.

    Parameters
    ----------
    folder : path
        Of the project.
    plan : ProjectPlan
        What it starts with.
    who : str
        As the history will say.
    create : callable
        Makes the empty project, given folder, ``name`` and ``settings``.

    Returns
    -------
    dict
        ``project``, ``elevations``, ``surfaces``.
    """
    _refuse_strangers(
        plan.surfaces,
        elevations={str(e.get("id")) for e in plan.elevations},
        surfaces={str(s.get("id")) for s in plan.surfaces},
    )
    # checked before the folder is made, so that a mistake leaves nothing behind
    elevations = ELEVATIONS.check(pd.DataFrame(list(plan.elevations)), source="elevations")
    surfaces = [SURFACES.check_row(_with_extent(row), source="surfaces") for row in plan.surfaces]
    with create(folder, name=plan.name, settings=plan.settings) as project:
        for row in surfaces:
            row["frame_wkt"] = wall_crs(row["name"], f"{project.project_id} {row['id']}")
        with gated_edit(project, who=who, what="new elevations and surfaces") as edit:
            edit.insert("elevations", elevations)
            edit.insert("surfaces", surfaces)
    return {
        "project": str(folder),
        "elevations": len(plan.elevations),
        "surfaces": len(plan.surfaces),
    }


def add_surfaces(folder: str | Path, plan: ProjectPlan, *, who: str = "surveyor") -> dict[str, Any]:
    """Add the elevations and surfaces of a description that the project does not have; those it has stay as they are.

    Returns
    -------
    dict
        ``added``: ids of the new surfaces, ``surfaces``: how many there are now.
    """
    with Project.open(folder) as project:
        there = {
            name: set(map(str, project.read(name)["id"])) for name in ("elevations", "surfaces")
        }
        elevations = [e for e in plan.elevations if str(e.get("id")) not in there["elevations"]]
        described = [s for s in plan.surfaces if str(s.get("id")) not in there["surfaces"]]
        _refuse_strangers(
            described,
            elevations=there["elevations"] | {str(e.get("id")) for e in elevations},
            surfaces=there["surfaces"] | {str(s.get("id")) for s in described},
        )
        rows = [SURFACES.check_row(_with_extent(row), source="surfaces") for row in described]
        for row in rows:
            row["frame_wkt"] = wall_crs(row["name"], f"{project.project_id} {row['id']}")
        if rows or elevations:
            with gated_edit(project, who=who, what="new surfaces") as edit:
                if elevations:
                    edit.insert(
                        "elevations",
                        ELEVATIONS.check(pd.DataFrame(elevations), source="elevations"),
                    )
                if rows:
                    edit.insert("surfaces", rows)
        return {"added": [r["id"] for r in rows], "surfaces": len(there["surfaces"]) + len(rows)}


def _refuse_strangers(
    rows: Sequence[Mapping[str, Any]], *, elevations: Set[str], surfaces: Set[str]
) -> None:
    """A surface of an elevation, or on a host, that nobody described."""
    for row in rows:
        if str(row.get("elevation")) not in elevations:
            raise InputError(
                f"surface {row.get('id')}: elevation {row.get('elevation')!r} is not described",
                f"Use one of {', '.join(sorted(elevations))}.",
            )
        if "host" in row and row["host"] not in surfaces:
            raise InputError(
                f"surface {row.get('id')}: its host {row['host']!r} is not a surface",
                f"Use one of {', '.join(sorted(surfaces))}.",
            )


def _with_extent(row: Mapping[str, Any]) -> dict[str, Any]:
    """A surface whose part of the wall is given as ``u0_m, v0_m, u1_m, v1_m`` gets it as its outline."""
    names = ("u0_m", "v0_m", "u1_m", "v1_m")
    given = {n: row[n] for n in names if n in row}
    rest = {k: v for k, v in row.items() if k not in names}
    if not given:
        return _folded(rest)
    if len(given) < 4 or not all(isinstance(v, (int, float)) for v in given.values()):
        raise InputError(
            f"surface {row.get('id')}: its extent is not complete",
            "Give u0_m, v0_m, u1_m and v1_m as numbers.",
        )
    u0, v0, u1, v1 = (float(given[n]) for n in names)
    if u0 >= u1 or v0 >= v1:
        raise InputError(
            f"surface {row.get('id')}: its extent is empty", "Give u0_m < u1_m and v0_m < v1_m."
        )
    return {**_folded(rest), "geometry": shapely.box(u0, v0, u1, v1)}


_FOLD_KEYS = ("host", "reveal", "set_back_m", "opening", "depth_m", "edge", "offset_m")


def _folded(row: Mapping[str, Any]) -> dict[str, Any]:
    """A reveal or set-back plane of a host gets its fold and, where none is given, its outline.

    ``host`` with ``reveal`` (left, right, top, bottom), ``opening`` (u0, v0, u1, v1 on the host) and ``depth_m``; or
    ``host`` with ``set_back_m`` (negative: before the host), and ``opening`` when it is seen through one. ``edge`` and
    ``offset_m`` say where a development drawing folds it out.
    """
    given = {k: row[k] for k in _FOLD_KEYS if k in row}
    rest = {k: v for k, v in row.items() if k not in _FOLD_KEYS}
    if not given:
        return rest
    where = f"surface {row.get('id')}"
    if not isinstance(given.get("host"), str) or given["host"] == row.get("id"):
        raise InputError(
            f"{where}: {', '.join(given)} needs the name of another surface as host",
            'Add host = "...".',
        )
    opening = given.get("opening")
    if opening is not None and not _is_box(opening):
        raise InputError(
            f"{where}: opening is not u0, v0, u1, v1 with u0 < u1 and v0 < v1",
            "Give four numbers, metres on the host.",
        )
    reveal = given.get("reveal")
    if (reveal is None) == (given.get("set_back_m") is None):
        raise InputError(
            f"{where}: is neither a reveal nor a set-back plane, or both",
            "Give reveal or set_back_m.",
        )
    numbers = [given[k] for k in ("set_back_m", "depth_m", "offset_m") if k in given]
    if not all(isinstance(n, int | float) and math.isfinite(n) for n in numbers):
        raise InputError(
            f"{where}: set_back_m, depth_m or offset_m is not a number", "Give metres."
        )
    if reveal is not None and (
        reveal not in _REVEALS or opening is None or not given.get("depth_m", 0) > 0
    ):
        raise InputError(
            f"{where}: a reveal needs reveal = left, right, top or bottom, opening and depth_m above zero",
            "Give the opening in the host's metres and the depth of the reveal.",
        )
    if given.get("edge", "left") not in _REVEALS:
        raise InputError(f"{where}: edge is {given['edge']!r}", "Use left, right, top or bottom.")
    fold = {"edge": reveal or "bottom", "offset_m": 0.0, **given}
    return {
        **rest,
        "fold": fold,
        **({"geometry": _fold_outline(fold)} if opening is not None else {}),
    }


_REVEALS = ("left", "right", "top", "bottom")


def _is_box(value: Any) -> bool:
    return (
        isinstance(value, list | tuple)
        and len(value) == 4
        and all(isinstance(x, int | float) and math.isfinite(x) for x in value)
        and value[0] < value[2]
        and value[1] < value[3]
    )


def _fold_outline(fold: Mapping[str, Any]) -> shapely.Polygon:
    u0, v0, u1, v1 = (float(x) for x in fold["opening"])
    depth = float(fold.get("depth_m", 0.0))
    return {
        "left": shapely.box(0, v0, depth, v1),
        "right": shapely.box(-depth, v0, 0, v1),
        "top": shapely.box(u0, -depth, u1, 0),
        "bottom": shapely.box(u0, 0, u1, depth),
        None: shapely.box(u0, v0, u1, v1),
    }[fold.get("reveal")]
