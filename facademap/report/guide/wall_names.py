"""Names of repairs on a drawing of a wall: within where there is room, else beside, else at the end of a line."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import shapely

from facademap.report.page import Page
from facademap.report.piece_sketch import RED
from facademap.report.sketch_room import Room, Spot
from facademap.report.typeface import MM_PER_PT, text_width_mm
from facademap.report.wall_window import Put

__all__ = ["write_names"]

_SIZE_PT = 6.5
_TALL = 0.74 * _SIZE_PT * MM_PER_PT
#: Lines to a name are so long, and go out in so many directions.
_FAR_MM, _WAYS = (3.5, 6.0, 9.0, 13.0, 18.0), 16
#: Half the width of a drawn line with its halo.
_LINE_MM = 0.45
_LEAST_MM2 = 0.02
Row = Mapping[str, Any]


def write_names(page: Page, repairs: Sequence[Row], put: Put) -> int:
    """Write the id of each repair where it covers neither another name nor an outline.

    Parameters
    ----------
    page : Page
    repairs : sequence of mapping
        Rows with ``id`` and ``geometry``.
    put : callable
        From metres of the wall to millimetres of the page.

    Returns
    -------
    int
        How many found no room.
    """
    shapes = {str(r["id"]): _on_page(r["geometry"], put) for r in repairs}
    room, without = Room(), 0
    for shape in shapes.values():
        room.take_shape((shape.boundary if shape.area > 0 else shape).buffer(_LINE_MM))
    for name, shape in sorted(shapes.items(), key=lambda s: (s[1].area, s[0])):
        wide = text_width_mm(name, _SIZE_PT, "bold")
        spot = room.take_free(name, list(_near(shape, wide, page)), size_pt=_SIZE_PT, weight="bold")
        if spot is None:
            found = _at_a_line(room, name, shape, wide, page)
            if found is None:
                without += 1
                continue
            spot, line = found
            page.rings([line], closed=False, ink="#ffffff", width_mm=0.5)
            page.rings([line], closed=False, ink=RED, width_mm=0.2)
        page.text(spot[0], spot[1], name, size_pt=_SIZE_PT, weight="bold", anchor="centre", halo="#ffffff")  # fmt: skip
    return without


def _on_page(shape: Any, put: Put) -> Any:
    placed = shapely.transform(shape, put)
    return placed.buffer(1.2) if placed.geom_type == "Point" else placed


def _inside(spot: Spot, wide: float, page: Page) -> bool:
    x, y, _ = spot
    return wide / 2 + 0.5 < x < page.width_mm - wide / 2 - 0.5 and 0.7 < y < page.height_mm - _TALL - 0.5  # fmt: skip


def _near(shape: Any, wide: float, page: Page) -> Iterator[Spot]:
    """Within a large outline, else on its sides."""
    x0, y0, x1, y1 = shape.bounds
    mx, my, out = (x0 + x1) / 2, (y0 + y1) / 2 - _TALL / 2, wide / 2 + 1.1
    spots = [
        (mx, my), (x1 + out, my), (x0 - out, my), (mx, y1 + 1.3), (mx, y0 - _TALL - 1.2),
        (x1 + out, y1 - _TALL), (x1 + out, y0), (x0 - out, y1 - _TALL), (x0 - out, y0),
    ]  # fmt: skip
    yield from (s for x, y in spots if _inside(s := (x, y, 0.0), wide, page))


def _at_a_line(
    room: Room, name: str, shape: Any, wide: float, page: Page
) -> tuple[Spot, list[tuple[float, float]]] | None:
    """A free spot some way off, and the line from the outline to it, which crosses no name and little else."""
    mid = shape.representative_point()
    reach = 0.5 * math.hypot(shape.bounds[2] - shape.bounds[0], shape.bounds[3] - shape.bounds[1])
    for far in _FAR_MM:
        for way in range(_WAYS):
            angle = 2 * math.pi * way / _WAYS
            length = reach + far
            x, y = mid.x + length * math.cos(angle), mid.y + length * math.sin(angle)
            spot = (x, y - _TALL / 2, 0.0)
            if not _inside(spot, wide, page):
                continue
            box = shapely.box(x - wide / 2, y - _TALL / 2, x + wide / 2, y + _TALL / 2)
            line = shapely.shortest_line(box, shape)
            # its end lies on its own outline, whose width is taken
            own = shape.buffer(2 * _LINE_MM)
            if room.covered(line.buffer(0.1).difference(own)) > _LEAST_MM2:
                continue
            if room.take_free(name, [spot], size_pt=_SIZE_PT, weight="bold") is not None:
                room.take_shape(line.buffer(0.15))
                return spot, [(float(a), float(b)) for a, b in line.coords]
    return None
