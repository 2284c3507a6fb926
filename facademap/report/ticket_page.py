"""The page of one cut ticket: large type, strong lines, most important things first."""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import segno

from facademap.repair.cautions import CAUTIONS, sources_line
from facademap.repair.ways import Way
from facademap.report.as_cut_boxes import boxes_tall, draw_all_sizes, draw_as_cut
from facademap.report.face_picture import FacePicture
from facademap.report.materials import Rod, number
from facademap.report.measures import Measures
from facademap.report.page import BLACK, Page
from facademap.report.paper import paper_named
from facademap.report.piece_sketch import draw_piece, draw_section
from facademap.report.ticket_block import draw_on_block
from facademap.report.typeface import MM_PER_PT, common_size, wrap_text
from facademap.tables import is_missing

if TYPE_CHECKING:
    from facademap.report.ticket_content import Ticket

__all__ = ["draw_qr", "draw_ticket"]

MARGIN = 10.0
#: Type and line of where cautions come from.
_SOURCES_PT, _SOURCES_LEADING_MM = 5.8, 2.5
GREY = "#e9e6e0"
#: White left of the code.
_CODE_CLEAR = 2.0
_BED = {
    "horizontal": "Bed level in the wall",
    "edge": "Bed upright (edge)",
    "any": "Bed does not bind",
}


@lru_cache(maxsize=4096)
def _qr_bars(text: str) -> tuple[int, tuple[tuple[int, int, int], ...]]:
    """Modules on a side with the quiet zone, and the dark runs (row, first, after last) of a code.

    The mask is set, not searched for: scoring all eight takes ten times as long, and readers take any.
    """
    rows = [
        list(row)
        for row in segno.make(text, error="m", micro=False, boost_error=False, mask=5).matrix_iter(
            border=4
        )
    ]
    bars = []
    for r, row in enumerate(rows):
        start = None
        for c, dark in enumerate([*row, 0]):
            if dark and start is None:
                start = c
            elif not dark and start is not None:
                bars.append((r, start, c))
                start = None
    return len(rows), tuple(bars)


def draw_qr(page: Page, text: str, x: float, y: float, size: float) -> None:
    """A QR code with its quiet zone, lower left corner at (x, y)."""
    count, bars = _qr_bars(text)
    module = size / count
    page.box(x, y, size, size, ink=None, fill="#ffffff")
    boxes = []
    for row, start, stop in bars:
        top = y + size - row * module
        boxes.append(
            [
                (x + start * module, top),
                (x + stop * module, top),
                (x + stop * module, top - module),
                (x + start * module, top - module),
            ]
        )
    page.rings(boxes, ink=None, fill="#000000")


def draw_ticket(
    ticket: Ticket, picture: FacePicture | None, *, paper: str, number: int, total: int
) -> Page:
    """The page of one piece."""
    width, height = paper_named(paper)
    page = Page(width_mm=width, height_mm=height, title=str(ticket.piece["id"]))
    left, right = MARGIN, width - MARGIN
    y = height - MARGIN
    y = _header(page, ticket, left, right, y)
    y = _standing(page, ticket, left, right, y)
    below = _wall_stone(page, ticket, left, right, y)
    bands, y = y - below, below
    spare = max(0.0, height - 279.0)
    low = 42.0 + spare * 0.15
    # many cautions take room from the sketch rather than shrink
    more = min(12.0, max(0.0, _cautions_tall(ticket, right - left - 77, 7.4) - low))
    low += more
    middle = 52.0 + spare * 0.1 - bands / 2
    # the boxes for the sizes as cut take what they need, the sketch gets the rest
    sketch = y - (MARGIN + 4) - boxes_tall(ticket) - low - middle - 9
    _sizes(page, ticket, right - 60, right, y, sketch)
    draw_piece(page, ticket, left, y - sketch, right - 63 - left, sketch)
    y -= sketch + 3
    draw_section(page, ticket, left, y - middle, 54, middle)
    _holes(page, ticket, left + 56, y, 42, middle)
    draw_on_block(page, ticket, picture, left + 101, y - middle, right - left - 101, middle)
    y -= middle + 3
    _bring(page, ticket, left, y, 74, low)
    _cautions(page, ticket, left + 77, y, right - left - 77, low)
    y -= low + 3
    draw_as_cut(page, ticket, left, right, y, MARGIN + 4)
    page.line(left, MARGIN + 2.5, right, MARGIN + 2.5, width_mm=0.2)
    page.text(left, MARGIN - 2, ticket.project, size_pt=7.5, within_mm=100)
    page.text(
        right,
        MARGIN - 2,
        f"{ticket.piece['id']}    ticket {number} of {total}",
        size_pt=7.5,
        anchor="right",
    )
    return page


def _header(page: Page, ticket: Ticket, left: float, right: float, y: float) -> float:
    tall = 24.0
    # the black of the head ends well before the code: readers take a dark edge for a part of it
    page.box(left, y - tall, right - left - tall - _CODE_CLEAR, tall, ink=None, fill=BLACK)
    draw_qr(page, ticket.link, right - tall, y - tall, tall)
    room = right - left - tall - _CODE_CLEAR - 8
    page.text(left + 4, y - 6, "CUT TICKET", size_pt=9, weight="bold", ink="#ffffff")
    page.text(
        left + 4,
        y - 15.5,
        ticket.piece["id"],
        size_pt=27,
        weight="bold",
        ink="#ffffff",
        within_mm=room * 0.52,
    )
    stone = ticket.piece["stone_type"]
    page.text(
        left + 4 + room,
        y - 6,
        f"for repair {ticket.repair['id']}",
        size_pt=10,
        weight="bold",
        ink="#ffffff",
        anchor="right",
        within_mm=room * 0.6,
    )
    page.text(
        left + 4 + room,
        y - 14,
        "any stone" if is_missing(stone) else stone,
        size_pt=15,
        weight="bold",
        ink="#ffffff",
        anchor="right",
        within_mm=room * 0.46,
    )
    where = [ticket.elevation] + ([ticket.surface] if ticket.surface != ticket.elevation else [])
    if ticket.stone is not None:
        where.append(f"stone {ticket.stone['id']}")
    for name in ("lift", "bay"):
        if not is_missing(ticket.repair[name]):
            where.append(f"{name} {int(ticket.repair[name])}")
    page.text(
        left + 4,
        y - 21.5,
        "   ·   ".join(w for w in where if w),
        size_pt=10,
        ink="#ffffff",
        within_mm=room,
    )
    return y - tall - 2


def _standing(page: Page, ticket: Ticket, left: float, right: float, y: float) -> float:
    """The band that says whether the sizes may be sawn."""
    tall = 9.5
    if ticket.measured:
        page.box(left, y - tall, right - left, tall, width_mm=0.6)
        page.text(
            left + 3,
            y - 6.4,
            "Sizes as measured in the cut-out",
            size_pt=12,
            weight="bold",
            within_mm=78,
        )
        page.text(
            right - 3,
            y - 6.2,
            _measured_line(ticket.repair["measured"], ticket.say),
            size_pt=9,
            anchor="right",
            within_mm=right - left - 88,
        )
    else:
        page.box(left, y - tall, right - left, tall, ink=BLACK, width_mm=0.6, fill="#ffd54a")
        page.text(
            (left + right) / 2,
            y - 6.8,
            "provisional: measure the cut-out",
            size_pt=15,
            weight="bold",
            anchor="centre",
        )
        for k in range(4):
            for x in (left + 2 + 6 * k, right - 8 - 6 * k):
                page.rings(
                    [[(x, y - tall), (x + 3, y - tall), (x + 6, y), (x + 3, y)]],
                    ink=None,
                    fill=BLACK,
                )
    return y - tall - 3


def _wall_stone(page: Page, ticket: Ticket, left: float, right: float, y: float) -> float:
    """Bands that say that the piece's stone is still to come out of the wall, and that the old stone is wanted whole."""
    tall = 9.8
    for title, text in wall_stone_words(ticket):
        page.box(left, y - tall, right - left, tall, ink=BLACK, width_mm=0.6, fill="#ffd54a")
        page.text(left + 3, y - 4.4, title, size_pt=11, weight="bold", within_mm=right - left - 6)
        page.text(left + 3, y - 8.4, text, size_pt=9, within_mm=right - left - 6)
        y -= tall + 2
    return y


def wall_stone_words(ticket: Ticket) -> list[tuple[str, str]]:
    """Title and sentence of each band."""
    words = []
    if ticket.waits:
        more = f" (and {len(ticket.waits) - 1} more)" if len(ticket.waits) > 1 else ""
        words.append(("HELD: cut nothing out", ticket.waits[0] + more))
    if ticket.from_wall is not None:
        use = ticket.from_wall
        words.append(
            (
                f"STONE NOT TESTED: it came out with {use.donor}",
                "Sound and test it; saw nothing from it before it is accepted.",
            )
            if use.out
            else (
                f"STONE STILL IN THE WALL: it comes out with {use.donor}, which goes first",
                "Sound and test it when it is out; saw nothing before it is accepted. Until then it is known only as seen in the wall.",
            )
        )
    if ticket.yields and not ticket.yields[0].out:
        names = ", ".join(dict.fromkeys(u.repair for u in ticket.yields))
        words.append(
            (
                f"KEEP THE OLD STONE WHOLE: it is wanted for {names}",
                f"Take it out without breaking, mark it {ticket.yields[0].block}, then have it sounded and tested.",
            )
        )
    return words


def _measured_line(measured: Any, say: Measures) -> str:
    if not isinstance(measured, Mapping):
        return ""
    words = []
    for name, title in (
        ("widths", "widths"),
        ("heights", "heights"),
        ("diagonals", "diagonals"),
        ("depths", "depths"),
    ):
        values = measured.get(f"{name}_m", measured.get(name))
        numbers = (
            [n for v in values if (n := number(v)) is not None] if isinstance(values, list) else []
        )
        if numbers:
            words.append(f"{title} " + " / ".join(say.figure(n, decimals=0) for n in numbers))
    return ", ".join(words) + (f" {say.unit}" if words else "")


def _sizes(page: Page, ticket: Ticket, x: float, right: float, y: float, tall: float) -> None:
    """Finished size in large figures, and what the stone must be."""
    page.box(x, y - tall, right - x, tall, width_mm=0.4)
    piece, other = ticket.piece, Measures(not ticket.say.inches)
    row = min(14.2, tall * 0.19)
    for k, (name, title) in enumerate(
        (("width_m", "WIDTH"), ("height_m", "HEIGHT"), ("depth_m", "DEPTH"))
    ):
        top = y - k * row
        if k % 2 == 0:
            page.box(x, top - row, right - x, row, ink=None, fill=GREY)
        page.text(x + 2.5, top - 5, title, size_pt=8, weight="bold")
        page.text(
            right - 2.5,
            top - 8.2,
            ticket.say.fitting(piece[name]),
            size_pt=21,
            weight="bold",
            anchor="right",
            within_mm=44,
        )
        if row >= 13:
            page.text(
                right - 2.5,
                top - row + 1.4,
                f"({other.fitting(piece[name])})",
                size_pt=11,
                anchor="right",
            )
        else:  # no room below the first unit
            page.text(
                x + 2.5, top - min(9.2, row - 1.2), f"({other.fitting(piece[name])})", size_pt=9
            )
    page.line(x, y - 3 * row, right, y - 3 * row, width_mm=0.4)
    lines = [
        ("Bed", _BED.get(piece["bed"], str(piece["bed"]))),
        ("Exposed", str(piece["exposed"] or "front").replace(",", ", ")),
        ("Finish", "as neighbours" if is_missing(piece["finish"]) else str(piece["finish"])),
        ("Face", "keep the weathered face" if piece["weathered"] else "new face allowed"),
        ("Turn", "may be turned upside down" if piece["turn_180"] else "top stays top"),
    ]
    kg, wet = number(piece["weight_kg"]), number(piece["weight_saturated_kg"])
    lines.append(
        (
            "Weight",
            "unknown: weigh it"
            if kg is None
            else f"{ticket.say.both_weights(kg)} dry"
            + ("" if wet is None else f"; {ticket.say.weight(wet)} wet"),
        )
    )
    top = y - 3 * row
    top -= draw_all_sizes(page, ticket, x + 2.5, top, right - x - 4, (tall - 3 * row) * 0.5)
    step = (top - (y - tall) - 2) / len(lines)
    room = right - x - 19
    size = common_size((t for _, t in lines), room, min(10.0, step * 2.5), weight="bold")
    for k, (title, text) in enumerate(lines):
        base = top - 0.6 - step * (k + 0.72)
        page.text(x + 2.5, base, title, size_pt=min(8.0, step * 2.3), weight="bold")
        page.text(
            x + 17,
            base,
            text,
            size_pt=size,
            weight="bold" if title in ("Bed", "Weight") else "regular",
            within_mm=room,
        )


def _holes(page: Page, ticket: Ticket, x: float, y: float, width: float, tall: float) -> None:
    page.box(x, y - tall, width, tall, width_mm=0.25)
    page.text(x + 2, y - 5, "PINS AND HOLES", size_pt=9, weight="bold")
    if not ticket.rods:
        page.paragraph(
            x + 2,
            y - 11,
            "Whole stone: bedded without rods."
            if ticket.repair["treatment"] == "whole stone"
            else "No pins set out. Ask before fixing.",
            width_mm=width - 4,
            size_pt=9,
        )
        return
    u0, v0, u1, _ = ticket.piece["geometry"].bounds
    # fractions of an inch are wider than whole millimetres
    columns = (16.5, 28.0, width - 2) if ticket.say.inches else (17.0, 29.5, width - 2)
    heads = (("from left", "front"), ("from left", "back"), ("from", "bottom"))
    for column, (head, under) in zip(columns, heads, strict=True):
        page.text(x + column, y - 8.6, head, size_pt=6, anchor="right")
        page.text(x + column, y - 11, under, size_pt=6, anchor="right")
    page.text(x + 2, y - 11, ticket.say.unit, size_pt=6)
    # every rod is told as long as its figures can be read
    row = max(3.6, min(5.6, (tall - 31) / len(ticket.rods)))
    size_pt = min(10.5, 10.5 * row / 5.0)
    shown = ticket.rods[: max(1, int((tall - 31) / row + 1e-9))]
    for k, rod in enumerate(shown):
        base = y - 16.5 - k * row
        page.text(x + 2, base, f"{k + 1}", size_pt=size_pt, weight="bold")
        if rod.u_m is None or rod.v_m is None:
            page.text(x + 8, base, "place by hand", size_pt=9)
            continue
        along, left = rod.mark[0] - u0, 6.0
        for column, value in zip(columns, (along, u1 - rod.mark[0], rod.mark[1] - v0), strict=True):
            page.text(
                x + column,
                base,
                ticket.say.figure(value, decimals=0),
                size_pt=size_pt if not ticket.say.inches else size_pt * 0.8,
                weight="bold",
                anchor="right",
                within_mm=column - left - 1.2,
            )
            left = column
    first, say = ticket.rods[0], ticket.say
    lines = [
        f"Hole {_width(first.hole_m, say)}, rod {_width(first.rod_m, say)} × {say.length(first.length_m, decimals=0)}",
        f"Drill wall {say.figure(first.wall_m, decimals=0)}, piece {say.length(first.piece_m, decimals=0)}",
        *_slope_words(first),
    ]
    if len(shown) < len(ticket.rods):
        lines.insert(0, f"and {len(ticket.rods) - len(shown)} more: see the record")
    for k, text in enumerate(reversed(lines)):
        page.text(x + 2, y - tall + 2.5 + 4.3 * k, text, size_pt=8, within_mm=width - 4)


def _slope_words(rod: Rod) -> list[str]:
    """Which way to drill."""
    if rod.fixing == "through face":
        slope = f"Slope {rod.angle_deg:.0f}° down into the wall" if rod.angle_deg else "Straight in"
        turn = [f"and {abs(rod.turn_deg):.0f}° aside, in turn"] if rod.turn_deg else []
        return [slope, *turn, "THROUGH THE FACE,", "when the bed is hard; plug it"]
    way = Way(down_deg=rod.angle_deg, right_deg=rod.turn_deg)
    along = "Straight in: square to the face" if way.straight else f"ALL RODS {way.words.upper()}"
    return [along, "RODS IN RESIN" if rod.fixing == "resin" else "Rods set in the wall first"]


def _width(value: float | None, say: Measures) -> str:
    return f"? {say.unit}" if value is None else say.rod(value)


def _bring(page: Page, ticket: Ticket, x: float, y: float, width: float, tall: float) -> None:
    page.box(x, y - tall, width, tall, width_mm=0.25)
    page.text(x + 2, y - 5, "BRING", size_pt=9, weight="bold")
    m, say = ticket.materials, ticket.say
    lines = []
    for length, rod, grade in sorted({(r.length_m, r.rod_m or 0.0, r.grade) for r in ticket.rods}):
        n = sum(
            1 for r in ticket.rods if (r.length_m, r.rod_m or 0.0, r.grade) == (length, rod, grade)
        )
        lines.append(
            f"{n} × stainless threaded rod {say.rod(rod)} × {say.length(length, decimals=0)}"
            + (f", {grade}" if grade else "")
        )
    lines += [
        f"{count} × spacers {say.rod(thick)} ({Measures(not say.inches).rod(thick)})"
        + (f": {', '.join(names)}" if names else "")
        for thick, count, names in m.spacers_by_thickness
    ]
    if m.mortar_in_place_m3 is not None:
        to_mix = m.mortar_in_place_m3 + (m.mortar_trials_m3 or 0.0) + (m.mortar_waste_m3 or 0.0)
        lines.append(
            f"Lime mortar {say.wet(to_mix)} to mix, {say.wet(m.mortar_in_place_m3)} stays"
            + (f": {m.mix}" if m.mix else "")
        )
    if m.binder_kg is not None:
        lines.append(
            f"Lime {say.weight(m.binder_kg, decimals=2)}"
            + ("" if m.sand_l is None else f", sand {say.wet(m.sand_l / 1000)}")
            + ("" if m.water_l is None else f", water about {say.wet(m.water_l / 1000)}")
        )
    lines += [t[0].upper() + t[1:] for t in m.tools[:4]]
    lines += ["Water, brush, sacking; square, rule, mallet, level"]
    step = min(5.2, (tall - 8) / max(1, len(lines)))
    side = min(2.9, step - 0.6)
    size = common_size(lines, width - 8.5, min(8.8, step * 2.15), least_pt=7.0)
    for k, text in enumerate(lines):
        base = y - 10.2 - step * k
        page.box(x + 2, base - 0.3, side, side, width_mm=0.35)
        page.text(x + 6.5, base, text, size_pt=size, within_mm=width - 8.5)


def _handling(kg: float | None, say: Measures) -> str:
    if kg is None:
        return "Weight unknown: weigh the piece before lifting it."
    if kg > 25:
        return (
            f"{say.both_weights(kg)}: lift with gear, never by hand; fixing to be agreed with an engineer "
            f"(common practice above {say.weight(25, decimals=0)})."
        )
    if kg > 10:
        return (
            f"{say.both_weights(kg)}: two people or a hoist; keep the way clear "
            f"(common practice above {say.weight(10, decimals=0)})."
        )
    return f"{say.both_weights(kg)}: one person may lift it from a firm stand, not from a ladder (common practice)."


def _caution_texts(ticket: Ticket, *, as_kept: bool = False) -> list[str]:
    """Handling first, then what the repair says, the deference to codes last; ``as_kept`` with the figures that the project keeps."""
    wet = number(ticket.piece["weight_saturated_kg"])
    known = wet if wet is not None else number(ticket.piece["weight_kg"])
    texts = [_handling(known, ticket.say)]
    given = ticket.repair["cautions"] if isinstance(ticket.repair["cautions"], list) else []
    if not any(CAUTIONS["propping"].says(str(c)) for c in given):
        texts += ticket.carrying
    texts += [*ticket.poisons, *(str(c) if as_kept else ticket.say.sentence(str(c)) for c in given)]
    if ticket.yields and not ticket.yields[0].out:
        heavy = (
            ""
            if ticket.yields_kg is None
            else f", about {ticket.say.both_weights(ticket.yields_kg, decimals=0)},"
        )
        texts.append(
            f"The old stone{heavy} comes out whole: hold it before its last joint is cut, and lift it with gear as a competent person has planned."
        )
    if not any("dust" in t.lower() for t in texts):
        texts.append(
            "Stone dust holds silica: cut and drill wet or with extraction, wear a fitted mask."
        )
    last = [t for t in dict.fromkeys(texts) if "local codes" in t][:1] or [
        "Defer to local codes and licensed practice."
    ]
    return [t for t in texts if "local codes" not in t] + last


def _cautions_tall(ticket: Ticket, width: float, size_pt: float) -> float:
    """Height that the cautions take at a size of type."""
    return (
        10.5
        + len(_source_lines(ticket, width)) * _SOURCES_LEADING_MM
        + sum(len(wrap_text(t, width - 7, size_pt)) for t in _caution_texts(ticket))
        * size_pt
        * MM_PER_PT
        * 1.24
    )


def _source_lines(ticket: Ticket, width: float) -> list[str]:
    """Where the cautions come from, small at their foot."""
    said = sources_line(_caution_texts(ticket, as_kept=True))
    return list(wrap_text(said, width - 7, _SOURCES_PT)) if said else []


def _cautions(page: Page, ticket: Ticket, x: float, y: float, width: float, tall: float) -> None:
    page.box(x, y - tall, width, tall, width_mm=0.9)
    page.rings(
        [[(x + 2, y - 6.5), (x + 8, y - 6.5), (x + 5, y - 1.6)]], width_mm=0.5, fill="#ffd54a"
    )
    page.text(x + 5, y - 6, "!", size_pt=11, weight="bold", anchor="centre")
    page.text(x + 10, y - 5.6, "CAUTIONS", size_pt=10, weight="bold")
    texts = _caution_texts(ticket)
    size = 8.8
    while size > 5.5 and _cautions_tall(ticket, width, size) > tall:
        size -= 0.2
    base = y - 11.5
    for k, text in enumerate(texts):
        page.discs([(x + 2.8, base + 0.9)], 0.6)
        base = page.paragraph(
            x + 5,
            base,
            text,
            width_mm=width - 7,
            size_pt=size,
            leading=1.24,
            weight="bold" if k == len(texts) - 1 else "regular",
        )
    lines = _source_lines(ticket, width)
    for k, line in enumerate(reversed(lines)):
        base = y - tall + 1.6 + k * _SOURCES_LEADING_MM
        page.text(x + 5, base, line, size_pt=_SOURCES_PT, ink="#555555")
