"""Whole surfaces with every repair marked."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from typing import Any

import numpy as np
import shapely

from facademap.report.guide.blocks import Drawing
from facademap.report.page import Page
from facademap.report.piece_sketch import RED
from facademap.report.sketch_room import Room
from facademap.report.wall_window import Crop, draw_outline

__all__ = ["draw_walls"]

_WIDE, _HIGH, _PIXELS = 170.0, 200.0, 1400
_SIZE_PT = 6.0
Row = Mapping[str, Any]


def draw_walls(rows: Callable[[str], Sequence[Row]], crop: Crop | None) -> list[Drawing]:
    """One drawing for each surface on which something is planned, in the order of the surfaces.

    Parameters
    ----------
    rows : callable
        Gives the rows of a table.
    crop : callable, optional
        Gives the rectified picture of a surface; stones are drawn by their outlines where there is none.
    """
    stones, repairs = rows("wall_stones"), rows("repairs")
    found = []
    for surface in rows("surfaces"):
        name = str(surface["id"])
        own = [r for r in repairs if str(r["surface"]) == name and _drawn(r)]
        if own:
            walls = [s for s in stones if str(s["surface"]) == name and _drawn(s)]
            found.append(_surface(name, own, walls, crop))
    return found


def _drawn(row: Row) -> bool:
    shape = row["geometry"]
    return shape is not None and not shape.is_empty


def _surface(
    name: str, repairs: Sequence[Row], stones: Sequence[Row], crop: Crop | None
) -> Drawing:
    shapes = [r["geometry"] for r in (*repairs, *stones)]
    u0, v0, u1, v1 = shapely.total_bounds(shapes)
    per_m = min(_WIDE / max(u1 - u0, 1e-6), _HIGH / max(v1 - v0, 1e-6))
    page = Page(width_mm=(u1 - u0) * per_m, height_mm=(v1 - v0) * per_m, title=f"repairs on {name}")

    def put(points: Any) -> Any:
        return (np.asarray(points, dtype=float)[:, :2] - (u0, v0)) * per_m

    picture = crop(name, (u0, v0, u1, v1), _PIXELS) if crop is not None else None
    if picture is not None:
        jpeg, box = picture
        (ax, ay), (bx, by) = put([box[:2], box[2:]])
        page.picture(jpeg, float(ax), float(ay), float(bx - ax), float(by - ay))
    for stone in stones if picture is None else ():
        draw_outline(page, stone["geometry"], put, ink="#8a8172", width_mm=0.15)
    for repair in repairs:
        draw_outline(page, repair["geometry"], put, ink="#ffffff", width_mm=0.9)
        draw_outline(page, repair["geometry"], put, ink=RED, width_mm=0.5)
    without = _names(page, repairs, put)
    kinds = Counter(str(r["treatment"]) for r in repairs)
    told = ", ".join(f"{n} {t}" for t, n in sorted(kinds.items(), key=lambda k: (-k[1], k[0])))
    left = f" {without} carry no name for want of room." if without else ""
    return Drawing(
        page=page, legend=f"{name}, the whole surface with its repairs in red: {told}.{left}"
    )


def _names(page: Page, repairs: Sequence[Row], put: Any) -> int:
    """Write the id beside each repair where there is room; how many found none."""
    room, without = Room(), 0
    for repair in sorted(repairs, key=lambda r: -float(r["geometry"].area)):
        a, b, c, d = repair["geometry"].bounds
        (x0, y0), (x1, y1) = put([(a, b), (c, d)])
        text, mid = str(repair["id"]), (x0 + x1) / 2
        wide = len(text) * _SIZE_PT * 0.21
        spots = [(mid, (y0 + y1) / 2 - 0.8, 0.0), (mid, y1 + 0.6, 0.0), (mid, y0 - 2.2, 0.0)]
        spots += [(x1 + wide, y0, 0.0), (x0 - wide, y0, 0.0)]
        inside = [
            s for s in spots if wide < s[0] < page.width_mm - wide and 0 < s[1] < page.height_mm - 2
        ]
        spot = room.take_free(text, inside, size_pt=_SIZE_PT, weight="bold") if inside else None
        if spot is None:
            without += 1
            continue
        page.text(spot[0], spot[1], text, size_pt=_SIZE_PT, weight="bold", anchor="centre", halo="#ffffff")  # fmt: skip
    return without
