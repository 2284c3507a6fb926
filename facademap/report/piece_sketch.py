"""Sketches to scale of a piece: its face, a section through it, and its place on the block."""

from __future__ import annotations

import itertools
import math
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import shapely

from facademap.repair.edges import edge_names
from facademap.repair.sizes import inside_of, sizes_of
from facademap.report.materials import Rod, number
from facademap.report.measures import Measures
from facademap.report.page import Page
from facademap.report.scales import scale_words, sketch_scale
from facademap.report.sketch_room import Room, Spot
from facademap.report.typeface import Weight, text_width_mm

if TYPE_CHECKING:
    from facademap.report.ticket_content import Ticket

__all__ = ["draw_piece", "draw_section", "scale_that_fits"]

RED = "#b3201f"


class _Placing(NamedTuple):
    """Where a sketch stands: millimetres of paper a metre, a corner of the wall and its place on the page."""

    k: float
    origin: tuple[float, float]
    put: tuple[float, float]

    def on_page(self, wall_m: Any) -> Any:
        """Points of the wall on the page."""
        return (np.asarray(wall_m) - self.origin) * self.k + self.put


def _upright_deg(along: Any) -> float:
    """Angle of words along an edge, turned so that nobody reads them upside down."""
    angle = math.degrees(math.atan2(along[1], along[0]))
    return angle + 180 if angle > 91 or angle < -89 else angle


def _on_sketch(page: Page, spot: Spot, words: str, size_pt: float, weight: Weight = "bold") -> None:
    """Words that are read over lines."""
    x, y, angle = spot
    page.text(
        x,
        y,
        words,
        size_pt=size_pt,
        weight=weight,
        anchor="centre",
        angle_deg=angle,
        halo="#ffffff",
    )


def scale_that_fits(
    width_m: float, height_m: float, width_mm: float, height_mm: float, *, inches: bool = False
) -> float:
    """Denominator of the largest usual scale at which a size fits a box on paper."""
    need = max(width_m * 1000 / max(width_mm, 1e-6), height_m * 1000 / max(height_mm, 1e-6))
    return sketch_scale(need, inches=inches)


def draw_piece(page: Page, ticket: Ticket, x: float, y: float, width: float, height: float) -> None:
    """Front of the piece as it stands in the wall."""
    page.box(x, y, width, height, width_mm=0.4)
    shape = ticket.piece["geometry"]
    u0, v0, u1, v1 = shape.bounds
    scale = scale_that_fits(u1 - u0, v1 - v0, width - 40, height - 33.5, inches=ticket.say.inches)
    k = 1000.0 / scale
    ox, oy = x + 22 + (width - 32 - (u1 - u0) * k) / 2, y + 18 + (height - 33.5 - (v1 - v0) * k) / 2
    placing = _Placing(k, (u0, v0), (ox, oy))
    ring = placing.on_page(shapely.orient_polygons(shape).exterior.coords[:-1])
    pins = [
        (n, *placing.on_page(r.mark))
        for n, r in enumerate(ticket.rods, start=1)
        if r.u_m is not None and r.v_m is not None
    ]
    _bed_lines(page, shape, ticket.piece["bed"], placing)
    page.rings([ring], width_mm=0.9)
    room = Room()
    for _, px, py in pins:
        room.take_box(px - 4.2, py - 4.2, px + 4.2, py + 4.2)
    cx, top = ox + (u1 - u0) * k / 2, oy + (v1 - v0) * k
    room.take_box(cx - 2, top + 4.5, cx + 15, top + 9.5)
    _corners(page, room, shape, placing)
    _edges(page, room, ticket, placing)
    if len(ring) > 4:
        _edge_lengths(page, room, ticket.say, ring, k)
    _bed_arrow(page, room, shape, ticket.piece["bed"], placing, (x + 7, y + height - 14))
    # overall sizes
    page.dimension(
        ox,
        oy,
        ox + (u1 - u0) * k,
        oy,
        ticket.say.fitting(u1 - u0),
        offset_mm=-11.5,
        size_pt=13,
        second=_second(ticket, u1 - u0),
    )
    page.dimension(
        ox,
        oy,
        ox,
        oy + (v1 - v0) * k,
        ticket.say.fitting(v1 - v0),
        offset_mm=11,
        size_pt=13,
        second=_second(ticket, v1 - v0),
    )
    # top
    page.arrow(cx, top + 4.5, cx, top + 9.5, head_mm=3.4, width_mm=0.9)
    page.text(cx + 3, top + 5.6, "TOP", size_pt=11, weight="bold")
    for n, px, py in pins:
        _pin(page, n, px, py)
    page.text(
        x + width - 2,
        y + height - 5,
        f"seen from outside, {scale_words(scale, inches=ticket.say.inches)}",
        size_pt=8,
        anchor="right",
    )
    page.text(x + 2, y + height - 5, "FACE", size_pt=9, weight="bold")


def _pin(page: Page, number: int, x: float, y: float) -> None:
    """A rod seen from its end, with its number."""
    page.discs([(x, y)], 2.6, ink=RED, fill="#ffffff", width_mm=0.5)
    page.text(x, y - 1.25, str(number), size_pt=9, weight="bold", anchor="centre", ink=RED)
    page.lines(
        [
            [[x - 4.2, y], [x - 2.6, y]],
            [[x + 2.6, y], [x + 4.2, y]],
            [[x, y - 4.2], [x, y - 2.6]],
            [[x, y + 2.6], [x, y + 4.2]],
        ],
        ink=RED,
        width_mm=0.35,
    )


def _bed_lines(page: Page, shape: Any, bed: str, placing: _Placing) -> None:
    """Fine lines along the natural bed."""
    u0, v0, u1, v1 = shape.bounds
    if bed not in ("horizontal", "edge"):
        return
    step = 3.2 / placing.k
    level = bed == "horizontal"
    start, stop = (v0, v1) if level else (u0, u1)
    spots = np.arange(start + step / 2, stop, step)
    strokes = [
        shapely.LineString([(u0 - 1, s), (u1 + 1, s)] if level else [(s, v0 - 1), (s, v1 + 1)])
        for s in spots
    ]
    parts = (
        shapely.get_parts(shapely.intersection(shape, np.array(strokes, dtype=object)))
        if strokes
        else []
    )
    lines = [np.asarray(p.coords)[[0, -1]] for p in parts if p.geom_type == "LineString"]
    if lines:
        page.lines(placing.on_page(lines), ink="#b9b2a6", width_mm=0.18, dash_mm=(5, 1.2))


#: Half the length of the bed's arrow, from the longest to the shortest that is drawn inside a piece.
_REACHES_MM = (16.0, 12.0, 8.0)


def _bed_arrow(
    page: Page,
    room: Room,
    shape: Any,
    bed: str,
    placing: _Placing,
    aside: tuple[float, float],
) -> None:
    """Arrow along the natural bed, inside the piece where it covers nothing, else aside in the corner of the sketch."""
    on_page = shapely.transform(shape, placing.on_page)
    x0, y0, x1, y1 = on_page.bounds
    for reach in _REACHES_MM:
        for b, a in itertools.product((0.5, 0.65, 0.35, 0.78, 0.22), (0.5, 0.35, 0.65, 0.22, 0.78)):
            x, y = x0 + (x1 - x0) * a, y0 + (y1 - y0) * b
            level = (x - reach, y - 2, x + reach, y + 6)
            box = shapely.box(*((x - 6, y - reach, x + 2, y + reach) if bed == "edge" else level))
            if on_page.contains(box) and room.covered(box) < 0.01:
                _arrow_of_bed(page, x, y, reach, bed)
                return
    _arrow_of_bed(page, aside[0] + 5, aside[1], 6.0, bed)


def _arrow_of_bed(page: Page, x: float, y: float, reach: float, bed: str) -> None:
    if bed not in ("horizontal", "edge"):
        page.text(x, y, "bed free", size_pt=9, anchor="centre", ink="#777777", halo="#ffffff")
        return
    level = bed == "horizontal"
    dx, dy = (reach, 0.0) if level else (0.0, reach)
    page.arrow(x - dx, y - dy, x + dx, y + dy, both=True, head_mm=3.6, width_mm=0.9)
    page.text(
        x if level else x - 1.6,
        y + 1.8 if level else y,
        "BED",
        size_pt=11,
        weight="bold",
        anchor="centre",
        angle_deg=0 if level else 90,
        halo="#ffffff",
    )


def _edges(page: Page, room: Room, ticket: Ticket, placing: _Placing) -> None:
    """Name and joint of each edge of the cut-out, beside it; exposed edges strong."""
    cut = ticket.repair["geometry"]
    edges = ticket.repair["edges"] if isinstance(ticket.repair["edges"], list) else []
    if cut is None or cut.geom_type != "Polygon" or len(edges) != len(cut.exterior.coords) - 1:
        return
    ring = placing.on_page(cut.exterior.coords)
    page.rings([ring[:-1]], width_mm=0.18, ink="#666666", dash_mm=(2.0, 1.0))
    names = edge_names(ring[:-1])
    for a, b, joint, name in zip(ring[:-1], ring[1:], edges, names, strict=True):
        length = float(np.hypot(*(b - a)))
        if length < 8:
            continue
        along = (b - a) / length
        out = np.array([along[1], -along[0]]) * (1.0 if cut.exterior.is_ccw else -1.0)
        middle = (a + b) / 2
        angle = _upright_deg(along)
        shift = (
            1.2
            if np.dot(out, (-math.sin(math.radians(angle)), math.cos(math.radians(angle)))) > 0
            else 3.4
        )
        words = f"{name}: {ticket.say.joint(float(joint))}" if joint else f"{name.upper()} EXPOSED"
        size = 7.0 if joint else 7.5
        weight: Weight = "regular" if joint else "bold"
        # off the middle, where arrow and dimension stand; else wherever the edge, or a row farther out, has room
        first = 0.27 if length > 30 else 0.0
        spots = [
            (*(middle + along * length * share + out * (shift + row)), angle)
            for row in (0.0, 3.2, 6.4, 9.6)
            for share in (first, -first, 0.0, 0.15, -0.15, 0.3, -0.3, 0.45, -0.45, 0.6, -0.6)
        ]
        spot = room.take_text(words, spots, size_pt=size, weight=weight)
        if not joint:
            page.line(a[0], a[1], b[0], b[1], width_mm=2.0)
        _on_sketch(page, spot, words, size, weight)


def _corners(page: Page, room: Room, shape: Any, placing: _Placing) -> None:
    """Letters of the corners, inside them."""
    for corner in sizes_of(shape).corners:
        x, y = placing.on_page(shape.exterior.coords[corner.at])
        right, up = inside_of(shape, corner)
        at = (x + right * 2.0, y + up * 2.0 - 0.9, 0.0)
        room.take_text(corner.letter, [at], size_pt=7.5, weight="bold")
        _on_sketch(page, at, corner.letter, 7.5)


def _edge_lengths(page: Page, room: Room, say: Measures, ring: Any, k: float) -> None:
    """Length of the edges of a notched outline, where there is room: the corners beside it and the boxes below tell all."""
    closed = np.vstack([ring, ring[:1]])
    for a, b in itertools.pairwise(closed):
        length = float(np.hypot(*(b - a)))
        if length < 6:
            continue
        along = (b - a) / length
        inward = np.array([-along[1], along[0]])
        angle = _upright_deg(along)
        up = np.array([-math.sin(math.radians(angle)), math.cos(math.radians(angle))])
        words = say.figure(length / k, decimals=0 if abs(length / k * 1e3 % 1 - 0.5) > 0.45 else 1)
        spots = [
            (*(a + (b - a) * share + inward * deep - up * 1.1), angle)
            # inside; outside where pins leave no room there
            for deep in (2.6, 5.6, -3.6)
            for share in (0.5, 0.4, 0.6, 0.3, 0.7, 0.2, 0.8)
        ]
        spot = room.take_free(words, spots, size_pt=8.5, weight="bold")
        if spot is not None:
            _on_sketch(page, spot, words, 8.5)


def draw_section(
    page: Page, ticket: Ticket, x: float, y: float, width: float, height: float
) -> None:
    """Section through the piece: face to the left, wall to the right."""
    page.box(x, y, width, height, width_mm=0.25)
    page.text(x + 2, y + height - 5, "SECTION", size_pt=9, weight="bold")
    _, v0, _, v1 = ticket.piece["geometry"].bounds
    depth, tall = float(ticket.piece["depth_m"]), v1 - v0
    cut_depth = number(ticket.repair["depth_m"]) or depth
    reach = (
        max((r.wall_m * math.cos(math.radians(r.angle_deg)) for r in ticket.rods), default=0.03)
        + 0.015
    )
    drop = max((r.wall_m * math.sin(math.radians(r.angle_deg)) for r in ticket.rods), default=0.0)
    profile = ticket.materials.profile_out_up_m
    foot = 21.0 if len(profile) > 1 else 17.0
    scale = scale_that_fits(
        max(depth, cut_depth) + reach,
        tall + drop,
        width - 18,
        height - 11 - foot,
        inches=ticket.say.inches,
    )
    k = 1000.0 / scale
    ox, oy = x + 8, y + foot + drop * k + (height - 9 - foot - (tall + drop) * k) / 2
    proud = ticket.materials.proud_m or 0.0
    gap = max(0.0, cut_depth - depth + proud)
    back, far = ox + depth * k, ox + (depth + reach) * k
    wall = back + max(gap * k, 0.7)
    low, high = oy - max(2.5, drop * k * 0.7), oy + tall * k + 2.5
    page.rings([[(wall, low), (far, low), (far, high), (wall, high)]], ink=None, fill="#e4dfd6")
    page.lines([[[wall, low], [wall, high]]], width_mm=0.5)
    page.rings(
        [[(ox, oy), (back, oy), (back, oy + tall * k), (ox, oy + tall * k)]],
        width_mm=0.9,
        fill="#ffffff",
    )
    if len(profile) > 1:
        line = [
            (ox + (proud + ticket.materials.projection_m - o) * k, oy + (v - v0) * k)
            for o, v in profile
        ]
        page.rings([line], closed=False, ink="#0063a6", width_mm=0.5)
        page.text(x + 2, y + 5.5, "blue: moulding, run after fitting", size_pt=7, ink="#0063a6")
    for n, rod in enumerate(ticket.rods, start=1):
        level = oy + ((rod.v_m - v0) if rod.v_m is not None else tall / 2) * k
        _rod(page, rod, back, level, k)
        if _alone(ticket, n):
            end = level - rod.wall_m * k * math.sin(math.radians(rod.angle_deg))
            page.text(far + 1.2, end - 1.2, str(n), size_pt=8.5, weight="bold", ink=RED)
    _depth_of_piece(page, ticket, depth, (ox, back, oy), 6.5 + drop * k, x + width - 2)
    page.text(
        ox - 2.2, oy + tall * k / 2, "FACE", size_pt=8, weight="bold", anchor="centre", angle_deg=90
    )
    page.text(
        x + width - 2,
        y + height - 5,
        scale_words(scale, inches=ticket.say.inches),
        size_pt=8,
        anchor="right",
    )
    if proud:
        page.line(
            ox + proud * k,
            oy - 1.5,
            ox + proud * k,
            oy + tall * k + 1.5,
            width_mm=0.25,
            dash_mm=(1.5, 1.0),
        )
    note = f"cut-out {ticket.say.length(cut_depth, decimals=0)} deep" + (
        f", face {ticket.say.rod(proud)} proud" if proud else ""
    )
    page.text(x + width - 2, y + 2, note, size_pt=8, anchor="right", within_mm=width - 4)


def _rod(page: Page, rod: Rod, back: float, level: float, k: float) -> None:
    """A rod from the side: into the piece to the left of its back, into the wall to the right and down."""
    angle = math.radians(rod.angle_deg)
    for reach_m, sign in ((rod.piece_m, -1), (rod.wall_m, 1)):
        page.line(
            back,
            level,
            back + sign * reach_m * k * math.cos(angle),
            level - sign * reach_m * k * math.sin(angle),
            ink=RED,
            width_mm=max(0.9, (rod.rod_m or 0.006) * k * 0.7),
        )


def _depth_of_piece(
    page: Page,
    ticket: Ticket,
    depth_m: float,
    at: tuple[float, float, float],
    below: float,
    right: float,
) -> None:
    """The depth under the section; its words beside the arrow where they are wider than the piece is deep."""
    ox, back, oy = at
    words, second = ticket.say.fitting(depth_m), _second(ticket, depth_m)
    wide = text_width_mm(words, 11, "bold")
    if wide <= back - ox:
        page.dimension(ox, oy, back, oy, words, offset_mm=-below, size_pt=11, second=second)
        return
    page.dimension(ox, oy, back, oy, "", offset_mm=-below)
    page.text(back + 2, oy - below - 1.4, words, size_pt=11, weight="bold", halo="#ffffff")
    if back + 4 + wide + text_width_mm(second, 8.8) <= right:
        page.text(back + 3.5 + wide, oy - below - 1.4, second, size_pt=8.8, halo="#ffffff")
    else:
        page.text(back + 2, oy - below - 5.2, second, size_pt=8.8, halo="#ffffff")


def _second(ticket: Ticket, length_m: float) -> str:
    """The size in the other unit, in brackets."""
    return f"({Measures(not ticket.say.inches).fitting(length_m)})"


def _alone(ticket: Ticket, n: int) -> bool:
    """Whether no earlier pin lies at the same height, where numbers would lie on one another."""
    own = ticket.rods[n - 1].v_m
    return own is not None and not any(
        r.v_m is not None and abs(r.v_m - own) < 0.01 for r in ticket.rods[: n - 1]
    )
