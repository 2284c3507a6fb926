"""Outlines that a picture of their wall does not show: drawn once, and left off by a picture that is smaller."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import shapely

from facademap.store.project import Project
from facademap.tasks.survey.understand_shapes import place_of_surface
from facademap.wall.grid import Extent

__all__ = ["off_in_words", "outlines_off", "read_off_picture"]

#: Tables whose outlines are looked for.
_TABLES = ("wall_stones", "openings", "conditions", "repairs")
_NAMED = 3


def outlines_off(project: Project, surface: str, extent: Extent) -> dict[str, list[str]]:
    """Ids of the outlines of a surface that do not lie wholly on an extent, by table; tables without any are left out."""
    found = {}
    for table in _TABLES:
        frame = project.read(table, where={"surface": surface})
        if off := _off(frame["id"], frame.geometry, extent):
            found[table] = off
    return found


def read_off_picture(project: Project, frame: gpd.GeoDataFrame, what: str) -> list[str]:
    """Outlines that are being read and do not lie wholly on the picture of their wall, in a sentence a surface."""
    said = []
    for surface, part in frame.groupby("surface", sort=False):
        place = place_of_surface(project, str(surface))
        if place.picture is None or place.extent is None:
            continue
        off = _off(part["id"], part.geometry, place.extent)
        said += [
            f"{len(off)} of {len(part)} {what} do not lie wholly on the picture of {surface}, such as {', '.join(off[:_NAMED])}"
        ] * bool(off)
    return said


def _off(ids: Any, shapes: Any, extent: Extent) -> list[str]:
    shown = shapely.box(*extent.as_tuple())
    return [
        str(name)
        for name, shape in zip(ids, shapes, strict=True)
        if shape is not None and not shape.is_empty and not shown.covers(shape)
    ]


def off_in_words(off: dict[str, list[str]]) -> list[str]:
    """One sentence a table."""
    return [
        f"{len(ids)} {table.replace('_', ' ')} lie outside the picture, such as {', '.join(ids[:_NAMED])}"
        for table, ids in off.items()
    ]
