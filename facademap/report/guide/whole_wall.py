"""Whole surfaces with every repair marked; where there are many, the whole without names and parts of it with them."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely

from facademap.report.guide.blocks import Drawing
from facademap.report.guide.wall_names import write_names
from facademap.report.page import Page
from facademap.report.piece_sketch import RED
from facademap.report.wall_window import Crop, Put, draw_outline
from facademap.wall.mending import mend

__all__ = ["draw_walls"]

_WIDE, _HIGH, _PIXELS = 170.0, 190.0, 1400
#: As many repairs are named in one drawing; more stand in parts of the surface, and so do those whose names find no room
#: (common practice: what can be read at arm's length). Fewer are not parted again.
_MOST, _FEW = 36, 6
#: What a part shows beyond its edges, as share of its size.
_AROUND = 0.02
Row = Mapping[str, Any]
Box = tuple[float, float, float, float]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Surface:
    """What is drawn of a surface."""

    name: str
    repairs: Sequence[Row]
    stones: Sequence[Row]
    crop: Crop | None


def draw_walls(rows: Callable[[str], Sequence[Row]], crop: Crop | None) -> list[Drawing]:
    """Drawings of each surface on which something is planned, in the order of the surfaces: the whole, then parts of it.

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
            found += _drawings(_Surface(name=name, repairs=own, stones=walls, crop=crop))
    return found


def _drawn(row: Row) -> bool:
    shape = row["geometry"]
    return shape is not None and not shape.is_empty


def _drawings(surface: _Surface) -> list[Drawing]:
    shapes = [r["geometry"] for r in (*surface.repairs, *surface.stones)]
    whole: Box = tuple(shapely.total_bounds(shapes))
    parts = _parts(surface.repairs, whole)
    title = f"repairs on {surface.name}"
    page, put = _page(surface, _around(whole, surface.repairs), title=title)
    if len(parts) == 1:
        _mark(page, put, surface.repairs)
        without = write_names(page, surface.repairs, put)
        told = (
            f"{surface.name}, the whole surface with its repairs in red. {_listed(surface.repairs)}"
        )
        return [Drawing(page=page, legend=told + _left(without))]
    _mark(page, put, surface.repairs, thin=True)
    found = []
    for letter, (box, own) in zip(_letters(), parts, strict=False):
        _frame(page, put, box, letter)
        part, put_part = _page(surface, _around(box, own), title=f"{title}, part {letter}")
        others = [r for r in surface.repairs if r not in own]
        beside = _cut(others, _around(box, own))
        for repair in beside:
            draw_outline(part, repair["geometry"], put_part, ink="#4d4d4d", width_mm=0.25)
        _mark(part, put_part, own)
        without = write_names(part, own, put_part)
        told = f"{surface.name}, part {letter}. {_listed(own)}"
        told += " Grey: of another part." if beside else ""
        found.append(Drawing(page=part, legend=told + _left(without)))
    told = (
        f"{surface.name}, the whole surface with its {len(surface.repairs)} repairs in red. "
        f"The {len(parts)} parts follow, with the names of the repairs."
    )
    return [Drawing(page=page, legend=told), *found]


def _letters() -> Sequence[str]:
    return [chr(65 + n % 26) * (1 + n // 26) for n in range(26 * 4)]


def _parts(repairs: Sequence[Row], box: Box) -> list[tuple[Box, Sequence[Row]]]:
    """Halves of a box across its longer side, and halves of these, until each can be read."""
    if len(repairs) <= _FEW or (len(repairs) <= _MOST and _can_be_named(repairs, box)):
        return [(box, repairs)]
    u0, v0, u1, v1 = box
    across = u1 - u0 >= v1 - v0
    middles = [r["geometry"].centroid for r in repairs]
    at = np.array([m.x if across else m.y for m in middles])
    order = np.sort(at)
    half = len(order) // 2
    cut = float(order[half - 1] + order[half]) / 2
    low = [r for r, a in zip(repairs, at, strict=True) if a < cut]
    high = [r for r, a in zip(repairs, at, strict=True) if a >= cut]
    if not low or not high:  # all in one place: no cut parts them
        return [(box, repairs)]
    first, second = ((u0, v0, cut, v1), (cut, v0, u1, v1)) if across else ((u0, cut, u1, v1), (u0, v0, u1, cut))  # fmt: skip
    own = (low, high) if across else (high, low)
    return [*_parts(own[0], first), *_parts(own[1], second)]


def _can_be_named(repairs: Sequence[Row], box: Box) -> bool:
    page, put = _blank(_around(box, repairs), title="")
    return write_names(page, repairs, put) == 0


def _around(box: Box, repairs: Sequence[Row]) -> Box:
    """A part with the whole of its repairs."""
    u0, v0, u1, v1 = box
    a, b, c, d = shapely.total_bounds([r["geometry"] for r in repairs])
    more = _AROUND * max(u1 - u0, v1 - v0)
    return min(u0, a) - more, min(v0, b) - more, max(u1, c) + more, max(v1, d) + more


def _page(surface: _Surface, box: Box, *, title: str) -> tuple[Page, Put]:
    """A page with the picture of a box of a surface, or its stones."""
    page, put = _blank(box, title=title)
    picture = surface.crop(surface.name, box, _PIXELS) if surface.crop is not None else None
    if picture is not None:
        jpeg, seen = picture
        (ax, ay), (bx, by) = put([seen[:2], seen[2:]])
        page.picture(jpeg, float(ax), float(ay), float(bx - ax), float(by - ay))
    for stone in _cut(surface.stones, box) if picture is None else ():
        draw_outline(page, stone["geometry"], put, ink="#8a8172", width_mm=0.15)
    return page, put


def _blank(box: Box, *, title: str) -> tuple[Page, Put]:
    u0, v0, u1, v1 = box
    per_m = min(_WIDE / max(u1 - u0, 1e-6), _HIGH / max(v1 - v0, 1e-6))

    def put(points: Any) -> Any:
        return (np.asarray(points, dtype=float)[:, :2] - (u0, v0)) * per_m

    return Page(width_mm=(u1 - u0) * per_m, height_mm=(v1 - v0) * per_m, title=title), put


def _cut(rows: Sequence[Row], box: Box) -> list[Row]:
    """Rows that reach into a box, cut off at its edges."""
    frame = shapely.box(*box)
    found: list[Row] = []
    for row in rows:
        shape = mend(row["geometry"], name=str(row["id"]))
        if shape.intersects(frame):
            found.append({**row, "geometry": shapely.intersection(shape, frame)})
    return found


def _mark(page: Page, put: Put, repairs: Sequence[Row], *, thin: bool = False) -> None:
    for repair in repairs:
        draw_outline(page, repair["geometry"], put, ink="#ffffff", width_mm=0.5 if thin else 0.9)
        draw_outline(page, repair["geometry"], put, ink=RED, width_mm=0.25 if thin else 0.5)


def _frame(page: Page, put: Put, box: Box, letter: str) -> None:
    (x0, y0), (x1, y1) = put([box[:2], box[2:]])
    page.box(x0, y0, x1 - x0, y1 - y0, ink="#ffffff", width_mm=0.9)
    page.box(x0, y0, x1 - x0, y1 - y0, ink="#111111", width_mm=0.4, dash_mm=(2.0, 1.0))
    page.text(x0 + 1.5, y1 - 5.5, letter, size_pt=14, weight="bold", halo="#ffffff")


def _listed(repairs: Sequence[Row]) -> str:
    """Repairs by what is done, the most frequent first."""
    kinds: dict[str, list[str]] = defaultdict(list)
    for repair in repairs:
        kinds[str(repair["treatment"])].append(str(repair["id"]))
    inorder = sorted(kinds.items(), key=lambda k: (-len(k[1]), k[0]))
    return "; ".join(f"{t} ({len(n)}): {', '.join(sorted(n))}" for t, n in inorder) + "."


def _left(without: int) -> str:
    return f" {without} carry no name for want of room." if without else ""
