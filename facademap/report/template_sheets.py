"""Full-size templates of pieces: several on a sheet or a roll, and large ones tiled over sheets that are glued together."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from facademap.repair.edges import edge_names, ring_of
from facademap.repair.sizes import inside_of, sizes_of
from facademap.report.measures import Measures
from facademap.report.page import Page
from facademap.report.paper import paper_named
from facademap.report.pdf import write_pdf
from facademap.report.piece_sketch import RED
from facademap.report.refusal_page import draw_refusal
from facademap.report.sheet_layout import enlarging
from facademap.report.sketch_room import Room
from facademap.report.template_nesting import Roll, Spot, nest, sheet_sides
from facademap.report.typeface import text_width_mm

if TYPE_CHECKING:
    from facademap.report.ticket_content import Ticket

__all__ = ["MOST_SHEETS", "sheets_of", "too_large", "write_templates"]

MARGIN = 8.0
_FOOT = 25.0
OVERLAP = 15.0
#: Beyond this a plotter and the DXF serve better than glue.
MOST_SHEETS = 60
BAR_MM = 100.0
#: Room left of the templates for the upright bar, round each template, and for its words below it.
BAR_ROOM, PAD, WORDS = 5.0, 7.0, 10.0
_LEAST_WORDS = 52.0
#: A piece with a shorter side has no room for words inside it.
_SMALL = 60.0
_BEDS = {"horizontal": "bed level", "edge": "bed upright"}
_SIDES = ("width_m", "height_m", "depth_m")


def _grid(shape: Any, sheet: Roll) -> tuple[Page, int, int, float, float]:
    """An empty sheet, columns and rows, and size of the zone drawn on; the orientation that takes fewer sheets."""
    u0, v0, u1, v1 = shape.bounds
    need = ((u1 - u0) * 1000 + 12, (v1 - v0) * 1000 + 12)
    best = None
    sides = (sheet.width_mm, sheet.height_mm)
    for width, height in (sides,) if sheet.cut else (sides, sides[::-1]):
        zone = (width - 2 * MARGIN, height - 2 * MARGIN - _foot_mm(sheet))
        columns, rows = (
            max(1, math.ceil((n - OVERLAP) / (z - OVERLAP)))
            for n, z in zip(need, zone, strict=True)
        )
        if best is None or columns * rows < best[1] * best[2]:
            best = (Page(width_mm=width, height_mm=height), columns, rows, *zone)
    assert best is not None
    return best


def _foot_mm(sheet: Roll) -> float:
    """Room for bars and name above the lower margin, in which the line of the issue stands larger on a large sheet."""
    return _FOOT + MARGIN * (enlarging(max(sheet.width_mm, sheet.height_mm)) - 1.0)


def sheets_of(tickets: Sequence[Ticket], *, paper: str) -> int:
    """How many sheets, or pages of a roll, the templates of these pieces take.

    Parameters
    ----------
    tickets : sequence of Ticket
    paper : str
        A sheet, or a roll by its width.
    """
    sheet, count = sheet_sides(paper), 0
    for ticket in tickets:
        if not ticket.faults and not _fits(ticket, sheet):
            _, columns, rows, *_ = _grid(ticket.piece["geometry"], sheet)
            count += columns * rows
    spots = nest([_cell(t) for t in tickets if not t.faults and _fits(t, sheet)], _zone(sheet))
    return count + len({s.page for s in spots})


def too_large(tickets: Sequence[Ticket], *, paper: str) -> list[str]:
    """Ids of pieces whose template would take more sheets than anybody glues together."""
    found, sheet = [], sheet_sides(paper)
    for ticket in tickets:
        _, columns, rows, *_ = _grid(ticket.piece["geometry"], sheet)
        if columns * rows > MOST_SHEETS:
            found.append(str(ticket.piece["id"]))
    return found


def write_templates(tickets: Sequence[Ticket], *, paper: str = "A4") -> bytes:
    """Templates of all pieces at 1 : 1.

    Every sheet bears bars in both directions, to be measured after printing. Pieces that fit are laid several to a sheet;
    larger ones are tiled, with register crosses that lie on those of the neighbouring sheet.

    Parameters
    ----------
    tickets : sequence of Ticket
    paper : str
        A sheet, or a roll by its width: ``roll 914``, ``roll 36 in``.
    """
    return write_pdf(
        _pages(tickets, paper),
        title="Full-size templates",
        subject="Print at 100 %; check the bars on every sheet in both directions",
    )


def _pages(tickets: Sequence[Ticket], paper: str) -> Iterator[Page]:
    sheet = sheet_sides(paper)
    large = set(too_large(tickets, paper=paper))
    # what is told of a piece without a template fits an office sheet
    words = paper if not sheet.cut else "A4"
    small = [t for t in tickets if not t.faults and _fits(t, sheet)]
    yield from _nested(small, sheet)
    for ticket in tickets:
        if ticket.faults:
            yield draw_refusal(ticket, paper=words, what="template")
        elif ticket.piece["id"] in large:
            yield _refusal(ticket, words)
        elif not _fits(ticket, sheet):
            yield from _tiles(ticket, sheet)
    if not tickets:
        width, height = paper_named(words)
        page = Page(width_mm=width, height_mm=height)
        page.text(15, height - 30, "No pieces, no templates", size_pt=20, weight="bold")
        yield page


def _cell(ticket: Ticket) -> tuple[float, float]:
    """Room that a template takes on a sheet with others, with its words below."""
    u0, v0, u1, v1 = ticket.piece["geometry"].bounds
    pad = _pad(ticket)
    return max((u1 - u0) * 1000, _LEAST_WORDS) + 2 * pad, (v1 - v0) * 1000 + 2 * pad + WORDS


def _pad(ticket: Ticket) -> float:
    """Room round a template: the outline of its cut-out lies in it."""
    cut, piece = ticket.repair["geometry"], ticket.piece["geometry"]
    if cut is None or cut.is_empty:
        return PAD
    off = np.abs(np.array(cut.bounds) - np.array(piece.bounds)).max() * 1000
    return max(PAD, float(off) + 2.0)


def _fits(ticket: Ticket, sheet: Roll) -> bool:
    width, height = _cell(ticket)
    wide, high = _zone(sheet)
    return width <= wide and height <= high


def _zone(sheet: Roll) -> tuple[float, float]:
    """What several templates share on a sheet, in millimetres."""
    return (
        sheet.width_mm - 2 * MARGIN - BAR_ROOM,
        sheet.height_mm - 2 * MARGIN - _foot_mm(sheet),
    )


def _nested(tickets: Sequence[Ticket], sheet: Roll) -> Iterator[Page]:
    """Sheets with several templates each."""
    zone = _zone(sheet)
    cells = [_cell(t) for t in tickets]
    spots = nest(cells, zone)
    for number in range(max((s.page for s in spots), default=-1) + 1):
        here = sorted((s for s in spots if s.page == number), key=lambda s: (-s.y_mm, s.x_mm))
        # a roll is cut below what stands on it, but leaves room for the bar
        free = min(s.y_mm for s in here) if sheet.cut else 0.0
        free = max(0.0, min(free, zone[1] - BAR_MM - 20.0))
        names = ", ".join(str(tickets[s.index].piece["id"]) for s in here)
        page = Page(width_mm=sheet.width_mm, height_mm=sheet.height_mm - free, title=names)
        for spot in here:
            _nested_one(page, tickets[spot.index], spot, free, _foot_mm(sheet))
        _foot_of_many(
            page, tickets[here[0].index].say, _foot_mm(sheet), names, number + 1, len(here)
        )
        yield page


def _nested_one(page: Page, ticket: Ticket, spot: Spot, free: float, foot_mm: float) -> None:
    shape = ticket.piece["geometry"]
    u0, v0, u1, v1 = shape.bounds
    pad = _pad(ticket)
    left, low = (
        MARGIN + BAR_ROOM + spot.x_mm + pad,
        MARGIN + foot_mm + spot.y_mm - free + pad + WORDS,
    )
    window = shapely.box(-pad, -pad, (u1 - u0) * 1000 + pad, (v1 - v0) * 1000 + pad)
    _draw(
        page, ticket, shape, np.zeros(2), np.array([left, low]), window, inside_mm=2.0, frame=False
    )
    room = _cell(ticket)[0] - 4.0
    name = f"{ticket.piece['id']}   {ticket.piece['stone_type'] or ''}   {_BEDS.get(ticket.piece['bed'], '')}"
    page.text(left - pad + 2, low - pad - 1.5, name, size_pt=9, weight="bold", within_mm=room)
    page.text(left - pad + 2, low - pad - 5.2, _sizes_of(ticket), size_pt=7, within_mm=room)
    said = "Seen from outside; turned over: the back."
    if not ticket.measured:
        said = f"PROVISIONAL. {said}"
    page.text(left - pad + 2, low - pad - 8.4, said, size_pt=6.5, within_mm=room)


def _sizes_of(ticket: Ticket) -> str:
    first, second = (
        " × ".join(say.fitting(ticket.piece[n]).removesuffix(f" {say.unit}") for n in _SIDES)
        + f" {say.unit}"
        for say in (ticket.say, Measures(not ticket.say.inches))
    )
    return f"{first}   ({second})"


def _foot_of_many(
    page: Page, say: Measures, foot_mm: float, names: str, number: int, count: int
) -> None:
    x, y = MARGIN, MARGIN + foot_mm - _FOOT
    many = f"{count} templates" if count > 1 else "1 template"
    page.text(
        x,
        y + 17.5,
        f"Sheet {number}, {many}: {names}",
        size_pt=10,
        weight="bold",
        within_mm=page.width_mm - 2 * x,
    )
    _bars(page, say, foot_mm)
    page.text(
        x,
        y - 1,
        "Print at 100 %, not fitted to the page. Finished size, joints taken off.",
        size_pt=7,
    )


def _bars(page: Page, say: Measures, foot_mm: float) -> None:
    """A bar along the sheet and one up it: a printer may be true in one direction alone."""
    x, y = MARGIN, MARGIN + foot_mm - _FOOT
    long, parts = (4 * 25.4, 8) if say.inches else (BAR_MM, 10)
    each = long / parts
    # the round ends of the strokes stay inside, so that the bars are as long as the ticks say
    page.line(x + 0.15, y + 3, x + long - 0.15, y + 3, width_mm=0.3)
    page.lines(
        [[[x + k * each, y + 3], [x + k * each, y + (7 if k in (0, parts) else 5)]] for k in range(parts + 1)],
        width_mm=0.3,
    )  # fmt: skip
    foot = MARGIN + foot_mm + 3
    page.line(x, foot + 0.15, x, foot + long - 0.15, width_mm=0.3)
    page.lines(
        [[[x, foot + k * each], [x + (4 if k in (0, parts) else 2), foot + k * each]] for k in range(parts + 1)],
        width_mm=0.3,
    )  # fmt: skip
    told, off = ("4 in (101.6 mm)", "1/64 in (0.4 mm)") if say.inches else ("100.0 mm", "0.5 mm")
    page.text(
        x + 2,
        y + 8,
        f"This bar and the upright one are {told}. Measure both: discard the print when either is more than {off} off.",
        size_pt=7,
        within_mm=page.width_mm - 2 * x - 45,
    )


def _refusal(ticket: Ticket, paper: str) -> Page:
    width, height = paper_named(paper)
    page = Page(width_mm=width, height_mm=height, title=str(ticket.piece["id"]))
    page.text(15, height - 30, ticket.piece["id"], size_pt=24, weight="bold")
    page.paragraph(
        15,
        height - 42,
        f"A full-size template would take more than {MOST_SHEETS} sheets. Use its DXF file with a plotter, or a larger sheet.",
        width_mm=width - 30,
        size_pt=13,
    )
    return page


def _tiles(ticket: Ticket, sheet: Roll) -> Iterator[Page]:
    shape = ticket.piece["geometry"]
    blank, columns, rows, zone_w, zone_h = _grid(shape, sheet)
    u0, v0, u1, v1 = shape.bounds
    step_x, step_y = zone_w - OVERLAP, zone_h - OVERLAP
    total = (columns * step_x + OVERLAP, rows * step_y + OVERLAP)
    # the outline in the middle of all tiles, in millimetres
    shift = np.array([(total[0] - (u1 - u0) * 1000) / 2, (total[1] - (v1 - v0) * 1000) / 2])
    number, foot = 0, _foot_mm(sheet)
    for row in range(rows - 1, -1, -1):
        for column in range(columns):
            number += 1
            name = str(ticket.piece["id"])
            page = Page(
                width_mm=blank.width_mm,
                height_mm=blank.height_mm,
                title=name if number == 1 else f"{name}, sheet {number}",
            )
            origin = np.array([column * step_x, row * step_y])
            put = np.array([MARGIN, MARGIN + foot]) - origin
            window = shapely.box(*origin, origin[0] + zone_w, origin[1] + zone_h)
            room = Room()
            _crosses(
                page, room, column, row, columns, rows, (zone_w, zone_h), (step_x, step_y), put
            )
            _draw(page, ticket, shape, shift, put, window, room=room)
            _foot(page, ticket, foot, number, column, row, columns, rows)
            yield page


def _draw(
    page: Page,
    ticket: Ticket,
    shape: Any,
    shift: Any,
    put: Any,
    window: Any,
    *,
    inside_mm: float = OVERLAP,
    frame: bool = True,
    room: Room | None = None,
) -> None:
    """What of the piece lies on this sheet; its name stays so far within the window."""
    u0, v0 = shape.bounds[:2]

    def to_mm(geometry: Any) -> Any:
        return shapely.transform(geometry, lambda c: (c - (u0, v0)) * 1000 + shift)

    def strokes(geometry: Any, **style: Any) -> None:
        parts = shapely.get_parts(shapely.intersection(geometry, window))
        page.rings(
            [np.asarray(p.coords) + put for p in parts if p.geom_type == "LineString"],
            closed=False,
            **style,
        )

    outline = to_mm(shape)
    x0, y0 = np.asarray(window.bounds[:2]) + put
    if frame:
        page.box(
            float(x0),
            float(y0),
            window.bounds[2] - window.bounds[0],
            window.bounds[3] - window.bounds[1],
            ink="#aaaaaa",
            width_mm=0.15,
        )
    cut = ticket.repair["geometry"]
    if cut is not None and cut.geom_type == "Polygon":
        strokes(to_mm(cut.exterior), ink="#777777", width_mm=0.2, dash_mm=(4, 2))
    strokes(outline.boundary, width_mm=0.35)
    bed = ticket.piece["bed"]
    if bed in ("horizontal", "edge"):
        step = 12.0
        bounds = outline.bounds
        level = bed == "horizontal"
        spots = np.arange(
            (bounds[1] if level else bounds[0]) + step / 2, bounds[3] if level else bounds[2], step
        )
        lines = shapely.MultiLineString(
            [
                [(bounds[0] - 1, s), (bounds[2] + 1, s)]
                if level
                else [(s, bounds[1] - 1), (s, bounds[3] + 1)]
                for s in spots
            ]
        )
        inner = shapely.intersection(shapely.intersection(lines, outline), window)
        page.rings(
            [
                np.asarray(p.coords) + put
                for p in shapely.get_parts(inner)
                if p.geom_type == "LineString"
            ],
            closed=False,
            ink="#c9c2b6",
            width_mm=0.15,
            dash_mm=(8, 2),
        )
    # words stand on the lines of the bed, which end at them
    _edges(page, room or Room(), ticket, outline, put, window)
    _names(
        page,
        ticket,
        shapely.intersection(outline, window.buffer(-inside_mm, join_style="mitre")),
        put,
        [to_mm(shapely.Point(*r.mark)) for r in ticket.rods if r.u_m is not None],
    )
    for n, rod in enumerate(ticket.rods, start=1):
        if rod.u_m is None or rod.v_m is None:
            continue
        spot = to_mm(shapely.Point(*rod.mark))
        if window.contains(spot):
            x, y = np.array([spot.x, spot.y]) + put
            r = (rod.hole_m or 0.009) * 500
            page.discs([(x, y)], r, ink=RED, fill=None, width_mm=0.25)
            page.lines(
                [[[x - r - 4, y], [x + r + 4, y]], [[x, y - r - 4], [x, y + r + 4]]],
                ink=RED,
                width_mm=0.2,
            )
            page.text(
                x + r + 1.5, y + 1.5, f"{n}", size_pt=11, weight="bold", ink=RED, halo="#ffffff"
            )


def _edges(page: Page, room: Room, ticket: Ticket, outline: Any, put: Any, window: Any) -> None:
    """Name and joint of each edge beside it, letters in the corners."""
    shown = {str(e["name"]): e for e in ticket.materials.edges}
    ring = ring_of(outline)
    for corner in sizes_of(outline).corners:
        at = ring[corner.at]
        spot = at + np.array(inside_of(outline, corner)) * 4.5
        if window.contains(shapely.Point(spot)):
            x, y = spot + put
            room.take_text(corner.letter, [(x, y - 1.6, 0.0)], size_pt=12.0, weight="bold")
            page.text(
                x,
                y - 1.6,
                corner.letter,
                size_pt=12,
                weight="bold",
                anchor="centre",
                halo="#ffffff",
            )
    for name, a, b in zip(edge_names(ring), ring, np.roll(ring, -1, axis=0), strict=True):
        along = (b - a) / max(float(np.hypot(*(b - a))), 1e-9)
        inward = np.array([-along[1], along[0]]) * (1.0 if outline.exterior.is_ccw else -1.0)
        edge = shown.get(name)
        words = name
        # a short edge has room for its name alone, between the letters of its corners
        if edge is not None and float(np.hypot(*(b - a))) >= _SMALL:
            words += (
                ": exposed"
                if edge.get("kind") == "exposed"
                else f": joint {ticket.say.length(float(edge['joint_m']), decimals=1)}"
            )
        angle = 90.0 if abs(along[1]) > abs(along[0]) else 0.0
        spots = [
            (float(p[0] + put[0]), float(p[1] + put[1]) - 1, angle)
            for inset in (4.0, 8.0)  # further in where a letter or a cross stands beside the edge
            for p in _on_edge(
                a + inward * inset, b + inward * inset, text_width_mm(words, 8.0), window
            )
        ]
        if spots:
            x, y, angle = room.take_text(words, spots, size_pt=8.0)
            page.text(x, y, words, size_pt=8, anchor="centre", angle_deg=angle, halo="#ffffff")


def _on_edge(a: Any, b: Any, wide_mm: float, window: Any) -> list[Any]:
    """Where the middle of words beside an edge may stand on the part of it that this sheet shows, the best place first."""
    shown = shapely.intersection(
        shapely.LineString([a, b]), window.buffer(-1.5, join_style="mitre")
    )
    if shown.geom_type != "LineString" or shown.length < wide_mm + 1.0:
        return []
    low = min(wide_mm / 2 + 1.5, shown.length / 2)  # clear of the edges that meet there
    high = shown.length - low
    wanted = min(max(shown.project(shapely.Point(a + (b - a) * 0.3)), low), high)
    places = [wanted, *np.linspace(low, high, 9)]
    return [np.asarray(shown.interpolate(p).coords[0]) for p in places]


def _names(page: Page, ticket: Ticket, visible: Any, put: Any, rods: Sequence[Any]) -> None:
    """Name, bed and top inside the part of the piece that this sheet shows."""
    if visible.is_empty:
        return
    centre = _clear_of(visible, rods)
    x, y = np.array([centre.x, centre.y]) + put
    u0, v0, u1, v1 = visible.bounds
    bed = ticket.piece["bed"]
    level = bed == "horizontal"
    if min(u1 - u0, v1 - v0) < _SMALL:  # its words stand below it, its bed lines lie across it
        return
    reach = min(25.0, centre.x - u0 - 3.0, u1 - centre.x - 3.0)
    if not level:
        reach = min(25.0, centre.y - v0 - 3.0, v1 - centre.y - 3.0)
    page.text(
        x,
        y - 9,
        ticket.piece["id"],
        size_pt=min(22.0, max(9.0, 0.35 * (u1 - u0))),
        weight="bold",
        anchor="centre",
        halo="#ffffff",
        within_mm=2 * min(centre.x - u0, u1 - centre.x),
    )
    if bed in ("horizontal", "edge") and reach > 6:
        dx, dy = (reach, 0.0) if level else (0.0, reach)
        page.arrow(x - dx, y - dy, x + dx, y + dy, both=True, head_mm=4, width_mm=0.7)
        page.text(
            x + (0 if level else 3),
            y + 2,
            "BED",
            size_pt=11,
            weight="bold",
            anchor="centre" if level else "left",
            halo="#ffffff",
        )
    top = shapely.Point((u0 + u1) / 2, v1 - 8)
    if visible.contains(top) and v1 - v0 > 45:
        x, y = np.array([top.x, top.y]) + put
        page.arrow(x, y - 5, x, y + 5, head_mm=4, width_mm=0.8)
        page.text(x + 3, y - 3, "TOP", size_pt=11, weight="bold", halo="#ffffff")


def _clear_of(visible: Any, rods: Sequence[Any]) -> Any:
    """A place for the words, as far from the rods and the outline as there is one."""
    u0, v0, u1, v1 = visible.bounds
    steps = np.linspace(0.15, 0.85, 8)
    points = [shapely.Point(u0 + a * (u1 - u0), v0 + b * (v1 - v0)) for a in steps for b in steps]
    inside = [p for p in points if visible.contains(p)]
    if not rods or not inside:
        return shapely.point_on_surface(visible)
    return max(
        inside,
        key=lambda p: min(
            2.0 * visible.exterior.distance(p) if visible.geom_type == "Polygon" else np.inf,
            *(r.distance(p) for r in rods),
        ),
    )


def _crosses(
    page: Page,
    room: Room,
    column: int,
    row: int,
    columns: int,
    rows: int,
    zone: tuple[float, float],
    step: tuple[float, float],
    put: Any,
) -> None:
    """Register crosses in the middle of every overlap; the same crosses stand on both sheets."""
    marks = []
    for side, there in ((0, column > 0), (1, column < columns - 1)):
        if there:
            x = (column + side) * step[0] + OVERLAP / 2
            marks += [
                (
                    x,
                    row * step[1] + zone[1] * f,
                    f"{chr(97 + (column + side) % 26)}{row + 1}{'lu'[k]}",
                )
                for k, f in enumerate((0.2, 0.8))
            ]
    for side, there in ((0, row > 0), (1, row < rows - 1)):
        if there:
            y = (row + side) * step[1] + OVERLAP / 2
            marks += [
                (
                    column * step[0] + zone[0] * f,
                    y,
                    f"{column + 1}{chr(65 + (row + side) % 26)}{'lr'[k]}",
                )
                for k, f in enumerate((0.2, 0.8))
            ]
    for x, y, name in marks:
        px, py = np.array([x, y]) + put
        page.lines([[[px - 5, py], [px + 5, py]], [[px, py - 5], [px, py + 5]]], width_mm=0.2)
        page.discs([(px, py)], 2.5, ink="#111111", fill=None, width_mm=0.2)
        page.text(px + 3, py + 1.2, name, size_pt=6)
        room.take_box(px - 5, py - 5, px + 8, py + 5)


def _foot(
    page: Page,
    ticket: Ticket,
    foot_mm: float,
    number: int,
    column: int,
    row: int,
    columns: int,
    rows: int,
) -> None:
    """Check bar, name, place of the sheet among the others."""
    x, y = MARGIN, MARGIN + foot_mm - _FOOT
    page.text(
        x,
        y + 17.5,
        f"{ticket.piece['id']}   {ticket.piece['stone_type'] or ''}",
        size_pt=13,
        weight="bold",
        within_mm=page.width_mm - 2 * MARGIN - 60,
    )
    page.text(x, y + 12.8, _sizes_of(ticket), size_pt=8.5)
    _bars(page, ticket.say, foot_mm)
    page.text(
        x,
        y - 1,
        "Print at 100 %, not fitted to the page. Seen from outside; finished size, joints taken off."
        + ("" if ticket.measured else "  PROVISIONAL: measure the cut-out."),
        size_pt=7,
        weight="regular" if ticket.measured else "bold",
    )
    right = page.width_mm - MARGIN
    cell = min(5.0, 20.0 / max(columns, rows))
    left = right - columns * cell
    for c in range(columns):
        for r in range(rows):
            page.box(
                left + c * cell,
                y + r * cell,
                cell,
                cell,
                width_mm=0.2,
                fill="#111111" if (c, r) == (column, row) else None,
            )
    page.text(
        left - 2,
        y + 6,
        f"sheet {number} of {columns * rows}",
        size_pt=9,
        weight="bold",
        anchor="right",
    )
    page.text(
        left - 2, y + 2, f"column {column + 1}, row {row + 1} from below", size_pt=7, anchor="right"
    )
