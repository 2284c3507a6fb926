"""North and the walls of a building in plan: which way one looks at an elevation."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from facademap.report.page import BLACK, Page
from facademap.report.sketch_room import Room
from facademap.report.typeface import text_width_mm

__all__ = ["draw_plan_key"]

_RED, _GREY = "#a3161b", "#9a948a"
_NAME_PT = 7.0


def draw_plan_key(
    page: Page,
    x: float,
    y: float,
    size: float,
    *,
    facing_deg: float | None,
    others_deg: Sequence[float] = (),
    names: Mapping[float, str] | None = None,
) -> None:
    """A key in plan, north up: the wall that is drawn strong, with the direction in which one looks at it.

    Walls stand where they face, not where they are: their lengths and places are those of no survey.

    Parameters
    ----------
    page : Page
    x, y, size : float
        Lower left corner and side of the square that it takes, millimetres.
    facing_deg : float or None
        Azimuth of the outer side of the wall that is drawn; ``None`` where all are alike, as on a cover.
    others_deg : sequence of float
        The same of the other walls.
    names : mapping of float to str, optional
        What to write beside the wall that faces so.
    """
    middle, radius = np.array([x + size / 2, y + size / 2 - size * 0.06]), size * 0.27
    room = Room()
    # what stands over the key keeps its place
    room.take_box(x - size, y + size - 0.5, x + 2 * size, y + 1.3 * size)
    own = [] if facing_deg is None else [facing_deg]
    for azimuth in (*others_deg, *own):
        strong = azimuth in own
        out = _towards(azimuth)
        along = np.array([out[1], -out[0]])
        a, b = (middle + out * radius + along * side * radius * 0.78 for side in (-1, 1))
        ink = _RED if strong else _GREY
        page.line(*a, *b, ink=ink, width_mm=size * (0.055 if strong else 0.035))
        if strong or facing_deg is None:
            start, end = middle + out * radius * 1.72, middle + out * radius * 1.15
            page.arrow(*start, *end, head_mm=size * 0.1, ink=ink, width_mm=size * 0.018)
        if names and (name := names.get(azimuth)):
            _name(page, room, name, middle + out * radius * 1.95, out)
    page.arrow(
        middle[0], middle[1] - radius * 0.5, middle[0], middle[1] + radius * 0.62,
        head_mm=size * 0.13, width_mm=size * 0.022, ink=BLACK,
    )  # fmt: skip
    page.text(
        middle[0] + radius * 0.16, middle[1] - radius * 0.3, "N", size_pt=size * 0.42, weight="bold", halo="#ffffff"
    )  # fmt: skip


def _name(page: Page, room: Room, name: str, spot: Any, out: Any) -> None:
    """The name of a wall outside it, above or below another one that faces alike; left out where neither has room."""
    half = text_width_mm(name, _NAME_PT) / 2
    side = 0.0 if abs(out[0]) < 0.4 else math.copysign(half, out[0])
    low = float(spot[1]) - (2.0 if out[1] < -0.4 else 0.6)
    # a long name stays within the frame of the sheet
    middle = min(max(float(spot[0]) + side, half + 12.0), page.width_mm - half - 12.0)
    spots = [(middle, low + k * 3.2, 0.0) for k in (0, -1, 1, -2, 2)]
    if (free := room.take_free(name, spots, size_pt=_NAME_PT)) is not None:
        page.text(free[0], free[1], name, size_pt=_NAME_PT, anchor="centre")


def _towards(azimuth_deg: float) -> Any:
    """Unit vector on the sheet, north up."""
    return np.array([math.sin(math.radians(azimuth_deg)), math.cos(math.radians(azimuth_deg))])
