"""Outlines that a picture of their wall does not show: drawn once, and left off by a picture that is smaller."""

from __future__ import annotations

import shapely

from facademap.store.project import Project
from facademap.wall.grid import Extent

__all__ = ["off_in_words", "outlines_off"]

#: Tables whose outlines are looked for.
_TABLES = ("wall_stones", "openings", "conditions", "repairs")
_NAMED = 3


def outlines_off(project: Project, surface: str, extent: Extent) -> dict[str, list[str]]:
    """Ids of the outlines of a surface that do not lie wholly on an extent, by table; tables without any are left out."""
    shown = shapely.box(*extent.as_tuple())
    found = {}
    for table in _TABLES:
        frame = project.read(table, where={"surface": surface})
        off = [
            str(name)
            for name, shape in zip(frame["id"], frame.geometry, strict=True)
            if shape is not None and not shape.is_empty and not shown.covers(shape)
        ]
        if off:
            found[table] = off
    return found


def off_in_words(off: dict[str, list[str]]) -> list[str]:
    """One sentence a table."""
    return [
        f"{len(ids)} {table.replace('_', ' ')} lie outside the picture, such as {', '.join(ids[:_NAMED])}"
        for table, ids in off.items()
    ]
