"""Small elevations on a cover: which wall is which, and which part of it each sheet shows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely

from facademap.report.page import Page

__all__ = ["KeyWall", "draw_key_walls", "scale_of_walls"]

Box = tuple[float, float, float, float]
#: Smaller than this a wall tells nothing, and more of them are not looked for on a cover.
_LEAST_MM, _MOST = 28.0, 6
_NAME, _GAP = 7.0, 6.0
#: Room for the words of a sheet.
_WORDS = 18.0


@dataclass(frozen=True, slots=True, kw_only=True)
class KeyWall:
    """A wall as it is drawn small.

    Parameters
    ----------
    name : str
    box : (u0, v0, u1, v1)
        Extent, metres.
    stones, openings : array of shapely geometries
    windows : tuple of (box, sheet)
        What each sheet shows, where there are several.
    """

    name: str
    box: Box
    stones: Any
    openings: Any
    windows: tuple[tuple[Box, str], ...] = ()


def draw_key_walls(page: Page, walls: Sequence[KeyWall], zone: Box) -> None:
    """Draw them as large as they fit, in columns; nothing where there is no room for all.

    Parameters
    ----------
    page : Page
    walls : sequence of KeyWall
    zone : (x0, y0, x1, y1)
        Room on the page, millimetres.
    """
    x0, y0, x1, y1 = zone
    columns, scale = scale_of_walls(walls, x1 - x0, y1 - y0)
    if not scale:
        return
    cell = (x1 - x0) / columns
    top = y1
    for n in range(0, len(walls), columns):
        row = walls[n : n + columns]
        tall = max((w.box[3] - w.box[1]) * scale for w in row)
        for k, wall in enumerate(row):
            _wall(page, wall, x0 + k * cell, top, cell - _GAP, tall, scale)
        top -= tall + _NAME + _GAP


def scale_of_walls(walls: Sequence[KeyWall], width: float, height: float) -> tuple[int, float]:
    """Columns in which some walls become largest in a room, and millimetres a metre then; 0 where they are not drawn."""
    if not walls or len(walls) > _MOST:
        return 1, 0.0
    columns, scale = max(
        ((n, _scale(walls, n, width, height)) for n in range(1, len(walls) + 1)),
        key=lambda found: found[1],
    )
    tallest = max((w.box[3] - w.box[1]) * scale for w in walls)
    return columns, scale if tallest >= _LEAST_MM else 0.0


def _scale(walls: Sequence[KeyWall], columns: int, width: float, height: float) -> float:
    """Millimetres a metre at which all fit in so many columns."""
    rows = [walls[n : n + columns] for n in range(0, len(walls), columns)]
    wide = max(w.box[2] - w.box[0] for w in walls)
    tall = sum(max(w.box[3] - w.box[1] for w in row) for row in rows)
    return min(
        (width / columns - _GAP) / max(wide, 0.01),
        (height - len(rows) * (_NAME + _GAP)) / max(tall, 0.01),
    )


def _wall(
    page: Page, wall: KeyWall, x: float, top: float, width: float, tall: float, scale: float
) -> None:
    low = top - _NAME - tall
    page.text(x, top - 3.5, wall.name, size_pt=9, weight="bold", within_mm=width)

    def on_page(shapes: Any) -> Any:
        return shapely.transform(
            shapes, lambda c: (c - (wall.box[0], wall.box[1])) * scale + (x, low)
        )

    for shapes, ink, width_mm in (
        (wall.stones, "#9a9488", 0.13),
        (wall.openings, "#3b4252", 0.25),
    ):
        parts = shapely.get_parts(on_page(shapes)) if len(shapes) else ()
        rings = [np.asarray(p.exterior.coords)[:-1] for p in parts if p.geom_type == "Polygon"]
        if rings:
            page.rings(rings, ink=ink, width_mm=width_mm)
    wide, high = (wall.box[2] - wall.box[0]) * scale, (wall.box[3] - wall.box[1]) * scale
    page.box(x, low, wide, high, width_mm=0.35)
    for (u0, v0, u1, v1), sheet in wall.windows:
        a, b = max(u0, wall.box[0]), max(v0, wall.box[1])
        c, d = min(u1, wall.box[2]), min(v1, wall.box[3])
        left, foot = x + (a - wall.box[0]) * scale, low + (b - wall.box[1]) * scale
        page.box(
            left, foot, (c - a) * scale, (d - b) * scale, width_mm=0.35, ink="#a3161b", dash_mm=(4, 1.5)
        )  # fmt: skip
        if min(w[0][2] - w[0][0] for w in wall.windows) * scale < _WORDS:
            continue
        page.text(
            left + (c - a) * scale / 2,
            foot + (d - b) * scale / 2 - 1.5,
            f"sheet {sheet}",
            size_pt=9,
            weight="bold",
            ink="#a3161b",
            anchor="centre",
            halo="#ffffff",
        )
