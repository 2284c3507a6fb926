"""North and the walls of a building in plan: which way one looks at an elevation."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import shapely

from facademap.report.page import BLACK, Page
from facademap.report.sketch_room import Room
from facademap.report.typeface import text_width_mm, wrap_text

__all__ = ["draw_plan_key"]

_RED, _GREY = "#a3161b", "#9a948a"
_NAME_PT, _STEP, _MOST_LINES = 7.0, 3.2, 3
#: Square millimetres that do not count.
_NOTHING = 0.01


def draw_plan_key(
    page: Page,
    x: float,
    y: float,
    size: float,
    *,
    facing_deg: float | None,
    others_deg: Sequence[float] = (),
    names: Mapping[float, str] | None = None,
    within: tuple[float, float] | None = None,
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
    within : (float, float), optional
        Left and right end of the room for the names; that of the page inside its frame where nothing is said.
    """
    middle, radius = np.array([x + size / 2, y + size / 2 - size * 0.06]), size * 0.27
    room, ends = Room(), within or (12.0, page.width_mm - 12.0)
    # what stands over the key keeps its place
    room.take_box(x - size, y + size - 0.5, x + 2 * size, y + 1.3 * size)
    room.take_box(*(middle - radius), *(middle + radius))  # walls and north
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
            _name(page, room, name, middle + out * radius * 1.95, out, ends)
    page.arrow(
        middle[0], middle[1] - radius * 0.5, middle[0], middle[1] + radius * 0.62,
        head_mm=size * 0.13, width_mm=size * 0.022, ink=BLACK,
    )  # fmt: skip
    page.text(
        middle[0] + radius * 0.16, middle[1] - radius * 0.3, "N", size_pt=size * 0.42, weight="bold", halo="#ffffff"
    )  # fmt: skip


def _name(
    page: Page, room: Room, name: str, spot: Any, out: Any, within: tuple[float, float]
) -> None:
    """The name of a wall outside it, above or below another one that faces alike; left out where neither has room."""
    left, right = within
    beside = 0.0 if abs(out[0]) < 0.4 else math.copysign(1.0, out[0])
    free = {0.0: right - left, 1.0: right - float(spot[0]), -1.0: float(spot[0]) - left}[beside]
    lines = wrap_text(name, free, _NAME_PT, most_lines=_MOST_LINES)
    wide, high = max(text_width_mm(line, _NAME_PT) for line in lines), _STEP * len(lines)
    middle = float(spot[0]) + beside * wide / 2
    middle = min(max(middle, left + wide / 2), right - wide / 2)
    # the first line of a name above its wall stands so much higher, of one beside it half as much
    up = (0.0 if out[1] < -0.4 else 1.0 if not beside else 0.5) * (high - _STEP)
    first = float(spot[1]) - (2.0 if out[1] < -0.4 else 0.6) + up
    for k in (0, -1, 1, -2, 2, -3, 3):
        top = first + k * _STEP
        box = (middle - wide / 2, top - high + 2.6, middle + wide / 2, top + 2.0)
        if room.covered(shapely.box(*box)) < _NOTHING:
            break
    else:
        return
    room.take_box(*box)
    for n, line in enumerate(lines):
        page.text(middle, top - n * _STEP, line, size_pt=_NAME_PT, anchor="centre")


def _towards(azimuth_deg: float) -> Any:
    """Unit vector on the sheet, north up."""
    return np.array([math.sin(math.radians(azimuth_deg)), math.cos(math.radians(azimuth_deg))])
