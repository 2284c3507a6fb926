"""Where the elevations of a project stand on a map, and what was seen and done at them in each year."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from facademap.store.leaves import bounds_of_walls, counted_rows
from facademap.store.project import Project
from facademap.tables import is_missing
from facademap.tasks.plan.maintenance import done_days
from facademap.tasks.survey.walls_in_world import degrees_of, wall_in_world

__all__ = ["lines_on_ground", "years_of_walls"]

Line = list[list[float]]
_DRAWN = ("wall_stones", "conditions", "repairs", "openings")
#: Pieces in which an unrolled cylinder is drawn.
_PIECES = 24
_YEAR = {"observed": 0, "CC3": 0, "UC3": 0, "done": 0, "stone_m3": 0.0}


def lines_on_ground(project: Project) -> dict[str, list[Line]]:
    """The lines in which the surfaces of each elevation stand on the ground, as longitude and latitude.

    A surface is as long as what is drawn on it, else as its outline; one of which only the place is known is a point. What has
    no place in the world is left out.
    """
    surfaces = project.read("surfaces")
    rows = surfaces.to_dict("records")
    walls = {str(r["id"]): wall for r in rows if (wall := wall_in_world(r)) is not None}
    if not walls:
        return {}
    boxes: dict[str, list[Any]] = {}
    for table in _DRAWN:
        for surface, (_, box) in bounds_of_walls(project, table).items():
            if box is not None:
                boxes.setdefault(surface, []).append(box)
    found: dict[str, list[Line]] = {}
    for row in rows:
        id = str(row["id"])
        if id not in walls:
            continue
        drawn = boxes.get(id, [])
        if not drawn and row["geometry"] is not None and not row["geometry"].is_empty:
            drawn = [row["geometry"].bounds]
        ends = (min(b[0] for b in drawn), max(b[2] for b in drawn)) if drawn else (0.0, 0.0)
        foot = min((b[1] for b in drawn), default=0.0)
        count = 1 if not drawn else 2 if walls[id].radius_m is None else _PIECES + 1
        u = np.linspace(ends[0], ends[1], count)
        told = degrees_of(walls[id], np.column_stack([u, np.full_like(u, foot)]))[:, :2]
        line = [[round(float(a), 8), round(float(b), 8)] for a, b in told if np.isfinite(a)]
        if line:
            found.setdefault(str(row["elevation"]), []).append(line)
    return found


def years_of_walls(
    project: Project, of_surface: Mapping[str, str]
) -> dict[str, dict[str, dict[str, Any]]]:
    """By elevation and year: conditions that were observed then, with those of CC3 and UC3, and repairs that came into the wall.

    Conditions without a day, and repairs of which nobody recorded when they were done, are in no year.
    """
    found: dict[str, dict[str, dict[str, Any]]] = {}

    def year(surface: Any, day: Any) -> dict[str, Any]:
        wall = found.setdefault(of_surface.get(str(surface), ""), {})
        return wall.setdefault(str(day)[:4], dict(_YEAR))

    for surface, day, cc, uc, count in counted_rows(
        project, "conditions", ("surface", "observed_on", "cc", "uc")
    ):
        if day is not None:
            of_year = year(surface, day)
            of_year["observed"] += count
            of_year["CC3"] += count if cc == 3 else 0
            of_year["UC3"] += count if uc == 3 else 0
    done = done_days(project)
    if done:
        columns = ("id", "surface", "removed_volume_m3")
        for row in project.read("repairs", columns=columns).to_dict("records"):
            if (day := done.get(str(row["id"]))) is not None:
                of_year = year(row["surface"], day)
                of_year["done"] += 1
                volume = row["removed_volume_m3"]
                of_year["stone_m3"] += 0.0 if is_missing(volume) else float(volume)
    return {wall: dict(sorted(years.items())) for wall, years in found.items()}
