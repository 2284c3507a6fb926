"""A repair in the wall with its surroundings: the picture, its conditions, its outline, a scale bar."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from typing import Any

import numpy as np
import shapely

from facademap.report.page import Page
from facademap.report.piece_sketch import RED
from facademap.units import M_PER_INCH, format_inches, format_mm
from facademap.wall.mending import mend

__all__ = ["Crop", "Put", "draw_outline", "draw_wall_window"]

#: Surface, box in its wall frame and pixels wanted, to a JPEG and the box that it shows.
Crop = Callable[
    [str, tuple[float, float, float, float], int],
    "tuple[bytes, tuple[float, float, float, float]] | None",
]
#: From metres of the wall to millimetres of the sheet.
Put = Callable[[Any], Any]


def draw_wall_window(
    page: Page,
    crop: Crop | None,
    repair: Mapping[str, Any],
    conditions: Sequence[Mapping[str, Any]],
    *,
    box: tuple[float, float, float, float],
    inches: bool = False,
    least_m: float = 0.25,
) -> Put | None:
    """Draw a repair in the wall.

    Parameters
    ----------
    page : Page
    crop : callable, optional
        Gives the rectified picture of a surface.
    repair : mapping
        Row of the repair; its outline is drawn in red.
    conditions : sequence of mapping
        Rows whose outlines are drawn dashed.
    box : tuple of float
        Left, bottom, width and height on the sheet, millimetres.
    inches : bool
        Whether the scale bar reads in inches.
    least_m : float
        Surroundings shown on each side, at least.

    Returns
    -------
    callable or None
        From metres of the wall to millimetres of the sheet; ``None`` where there is no outline.
    """
    x, y, width, height = box
    page.box(x, y, width, height, width_mm=0.3)
    shape = repair["geometry"]
    if shape is None or shape.is_empty:
        page.text(x + 3, y + height - 7, "no outline", size_pt=9)
        return None
    u0, v0, u1, v1 = shape.bounds
    grow = max(least_m, 0.6 * max(u1 - u0, v1 - v0))
    scale = max((u1 - u0 + 2 * grow) / width, (v1 - v0 + 2 * grow) / height)
    cu, cv = (u0 + u1) / 2, (v0 + v1) / 2
    window = (
        cu - width * scale / 2,
        cv - height * scale / 2,
        cu + width * scale / 2,
        cv + height * scale / 2,
    )

    def put(points: Any) -> Any:
        return (np.asarray(points, dtype=float)[:, :2] - window[:2]) / scale + (x, y)

    found = crop(str(repair["surface"]), window, 700) if crop is not None else None
    if found is not None:
        jpeg, shown = found
        (ax, ay), (bx, by) = put([shown[:2], shown[2:]])
        page.picture(jpeg, float(ax), float(ay), float(bx - ax), float(by - ay))
        _trim(page, (x, y, width, height), (float(ax), float(ay), float(bx), float(by)))
    for condition in conditions:
        draw_outline(
            page,
            shapely.intersection(
                mend(condition["geometry"], name=str(condition["id"])), shapely.box(*window)
            ),
            put,
            ink="#0063a6",
            width_mm=0.4,
            dash_mm=(1.5, 1),
        )
    draw_outline(page, shape, put, ink="#ffffff", width_mm=1.3)
    draw_outline(page, shape, put, ink=RED, width_mm=0.7)
    _scale_bar(page, x + 3, y + 3, scale, width, inches=inches)
    return put


def _scale_bar(page: Page, x: float, y: float, scale: float, width: float, *, inches: bool) -> None:
    if inches:
        steps = (0.25, 0.5, 1, 2, 3, 6, 12, 24, 48, 96)
        fitting = [n * M_PER_INCH for n in steps if n * M_PER_INCH <= scale * width * 0.4]
        bar = fitting[-1] if fitting else steps[0] * M_PER_INCH
        words = format_inches(bar)
    else:
        bar = 10 ** math.floor(math.log10(scale * width * 0.4))
        words = format_mm(bar)
    page.box(x, y, bar / scale, 1.6, fill="#111111", ink="#ffffff", width_mm=0.3)
    page.text(x + 1.5 + bar / scale, y - 0.2, words, size_pt=8, weight="bold", halo="#ffffff")


def _trim(
    page: Page, zone: tuple[float, float, float, float], drawn: tuple[float, float, float, float]
) -> None:
    """Paint white what a picture of whole pixels reaches over its zone."""
    x, y, w, h = zone
    outer = [
        (min(drawn[0], x) - 1, min(drawn[1], y) - 1),
        (max(drawn[2], x + w) + 1, min(drawn[1], y) - 1),
        (max(drawn[2], x + w) + 1, max(drawn[3], y + h) + 1),
        (min(drawn[0], x) - 1, max(drawn[3], y + h) + 1),
    ]
    page.rings([outer, [(x, y), (x + w, y), (x + w, y + h), (x, y + h)]], ink=None, fill="#ffffff")
    page.box(x, y, w, h, width_mm=0.3)


def draw_outline(page: Page, shape: Any, put: Put, **style: Any) -> None:
    """An area with its holes, a line, or a point."""
    for part in shapely.get_parts(shape):
        if part.geom_type == "Polygon":
            page.rings([put(r.coords) for r in (part.exterior, *part.interiors)], **style)
        elif part.geom_type == "LineString":
            page.rings([put(part.coords)], closed=False, **style)
        elif part.geom_type == "Point":
            page.discs(put(part.coords), 1.2, ink=style.get("ink"), fill=None, width_mm=0.6)
