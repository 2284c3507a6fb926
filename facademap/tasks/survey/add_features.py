"""Take drawn outlines into a project: wall stones, architectural openings, conditions."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Literal

import geopandas as gpd
import pandas as pd
import shapely

from facademap.condition.records import (
    attach_wall_stones,
    classify_terms,
    find_overlaps,
    measure_area_m2,
    measure_length_m,
    mend_outlines,
)
from facademap.errors import InputError
from facademap.io.vectors import read_features
from facademap.store.edit import Edit
from facademap.store.project import Project
from facademap.tables import TABLES, Table, is_missing
from facademap.tasks.survey.add_photos import surface_of

__all__ = ["FeatureKind", "add_features", "complete_conditions"]

FeatureKind = Literal["conditions", "wall_stones", "openings"]
_PREFIX = {"conditions": "C", "wall_stones": "S", "openings": "O"}


def add_features(
    folder: str | Path,
    kind: FeatureKind,
    path: str | Path,
    *,
    surface: str | None = None,
    layer: str | None = None,
    who: str = "surveyor",
) -> dict[str, Any]:
    """Read outlines from a file into the project; a row whose id exists is brought up to date.

    Returns
    -------
    dict
        ``added``, ``notes`` (what was mended, left out, or overlaps), and for conditions ``area_m2``.
    """
    table = TABLES[kind]
    frame = read_features(path, layer=layer)
    with Project.open(folder) as project:
        if surface is not None and "surface" in frame:
            frame = frame.drop(columns="surface")  # what the caller says counts
        surface = surface_of(project, surface)
        frame, notes = _fit_to_table(frame, table, surface=surface, source=str(path))
        _refuse_unknown_surfaces(frame, project)
        with project.edit(
            who=who, what=f"read {kind.replace('_', ' ')} from {Path(path).name}"
        ) as edit:
            frame = _name_rows(frame, edit, _PREFIX[kind])
            shapes, mended = mend_outlines(frame)
            frame = frame.set_geometry(shapes)
            result: dict[str, Any] = {"added": len(frame), "notes": [*notes, *mended]}
            if kind == "conditions":
                stones, openings = project.read("wall_stones"), project.read("openings")
                frame, more = complete_conditions(frame, stones, openings)
                result["notes"] += more
                result["area_m2"] = float(frame["area_m2"].sum())
            edit.put(kind, table.check(frame, source=str(path)))
        return result


def complete_conditions(
    conditions: gpd.GeoDataFrame, wall_stones: gpd.GeoDataFrame, openings: gpd.GeoDataFrame
) -> tuple[gpd.GeoDataFrame, list[str]]:
    """Conditions with term, family, layer, wall stone, area and length found; notes on overlaps."""
    frame = conditions.copy()
    classified = classify_terms(frame)
    for name in classified:
        frame[name] = classified[name]
    frame["wall_stone"] = attach_wall_stones(frame, wall_stones)
    frame["area_m2"] = measure_area_m2(frame, openings)
    frame["length_m"] = measure_length_m(frame)
    overlaps = find_overlaps(frame)
    notes = [
        f"{r.a} and {r.b} are both {r.term} and overlap by {r.area_m2:.4f} m2; the area counts twice"
        for r in overlaps.itertuples()
    ]
    return frame, notes


def _fit_to_table(
    frame: gpd.GeoDataFrame, table: Table, *, surface: str, source: str
) -> tuple[gpd.GeoDataFrame, list[str]]:
    """Columns of the table only; others are left out and named."""
    unknown = [str(c) for c in frame.columns if c not in table.names and c != frame.geometry.name]
    notes = [f"columns not used: {', '.join(unknown)}"] if unknown else []
    frame = frame.drop(columns=unknown)
    if "surface" not in frame:
        frame["surface"] = surface
    frame["surface"] = [surface if is_missing(s) else s for s in frame["surface"]]
    if "id" not in frame:
        frame["id"] = None
    if table.name == "conditions" and "term" not in frame:
        raise InputError(
            f"{source}: has no column term", "Give every condition its term of the glossary."
        )
    if "origin" in table.names and "origin" not in frame:
        frame["origin"] = "imported"
    return frame, notes


def _refuse_unknown_surfaces(frame: pd.DataFrame, project: Project) -> None:
    known = set(project.read("surfaces")["id"])
    strange = sorted(set(frame["surface"]) - known)
    if strange:
        raise InputError(
            f"the file places outlines on a surface {strange[0]!r}, which the project does not have",
            f"Correct its column surface to one of {', '.join(sorted(known))}, or give --surface for all of them.",
        )


def _name_rows(frame: gpd.GeoDataFrame, edit: Edit, prefix: str) -> gpd.GeoDataFrame:
    """Rows without an id get the next numbers of the project."""
    frame = frame.copy()
    taken = {str(i) for i in frame["id"] if not is_missing(i)}
    ids = []
    for value in frame["id"]:
        name = str(value) if not is_missing(value) else edit.new_id(prefix)
        while is_missing(value) and name in taken:
            name = edit.new_id(prefix)
        ids.append(name)
    frame["id"] = pd.Series(ids, index=frame.index, dtype=object)
    frame.geometry = shapely.force_2d(frame.geometry.to_numpy())
    return frame
