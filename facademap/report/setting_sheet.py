"""The setting sheet: second page of a ticket, every step in order with boxes that mirror the record."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from facademap.repair.steps import STEPS, Step
from facademap.repair.ways import Way
from facademap.report.materials import Materials, number
from facademap.report.page import BLACK, Page
from facademap.report.paper import paper_named
from facademap.report.typeface import MM_PER_PT, text_width_mm, wrap_text
from facademap.salvage.seen_face import seen_face

if TYPE_CHECKING:
    from facademap.report.ticket_content import Ticket

__all__ = ["draw_setting_sheet", "step_lines"]

MARGIN = 10.0
HOLD = "#ffd54a"
GAP = 5.0
#: Checked only where the face that will show lay inside the stone.
_LOOK_AGAIN = "look again"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Block:
    """One step as it is drawn: its words, checks and what must be written down."""

    number: int
    step: Step
    lines: tuple[str, ...]
    checks: tuple[str, ...]
    boxes: tuple[str, ...]


def draw_setting_sheet(ticket: Ticket, *, paper: str, number: int, total: int) -> Page:
    """The second page of a ticket."""
    width, height = paper_named(paper)
    page = Page(width_mm=width, height_mm=height, title=f"{ticket.piece['id']}, setting sheet")
    left, right, top = MARGIN, width - MARGIN, height - MARGIN
    page.box(left, top - 13, right - left, 13, ink=None, fill=BLACK)
    page.text(left + 4, top - 9, "SETTING SHEET", size_pt=14, weight="bold", ink="#ffffff")
    page.text(
        right - 4,
        top - 9,
        f"{ticket.piece['id']}   for repair {ticket.repair['id']}",
        size_pt=14,
        weight="bold",
        ink="#ffffff",
        anchor="right",
        within_mm=100,
    )
    page.text(
        left,
        top - 17,
        "In this order. Tick when done, write what was measured, and enter it in the record: boxes and names are the same there. "
        "A yellow bar is a hold point.",
        size_pt=7.5,
        within_mm=right - left,
    )
    blocks = _blocks(ticket)
    bottom = MARGIN + 9
    room = top - 20 - bottom
    column = (right - left - GAP) / 2
    size, half = _fit(blocks, column, room)
    for k, part in enumerate((blocks[:half], blocks[half:])):
        x, y = left + k * (column + GAP), top - 20
        spare = (room - sum(_tall(b, column, size) for b in part)) / max(1, len(part))
        for block in part:
            y = _draw(page, block, x, y, column, size) - max(0.0, min(spare, 3.0))
    page.line(left, MARGIN + 2.5, right, MARGIN + 2.5, width_mm=0.2)
    for x, wide, title in (
        (left, 62, "Mason"),
        (left + 66, 42, "Date"),
        (left + 112, 78, "Seen by"),
    ):
        page.text(x, MARGIN + 4.5, title, size_pt=8)
        page.line(x + 15, MARGIN + 4, x + wide, MARGIN + 4, width_mm=0.3)
    page.text(left, MARGIN - 2, ticket.project, size_pt=7.5, within_mm=100)
    page.text(
        right,
        MARGIN - 2,
        f"{ticket.piece['id']}    setting sheet {number} of {total}",
        size_pt=7.5,
        anchor="right",
    )
    return page


def _fit(blocks: list[_Block], column: float, room: float) -> tuple[float, int]:
    """Size of type and number of steps in the first column that fit the page."""
    size = 8.2
    while True:
        talls = [_tall(b, column, size) for b in blocks]
        half = min(range(1, len(blocks)), key=lambda k: max(sum(talls[:k]), sum(talls[k:])))
        if max(sum(talls[:half]), sum(talls[half:])) <= room or size < 5.6:
            return size, half
        size -= 0.15


def _leading(size: float) -> float:
    return size * MM_PER_PT * 1.2


def _words(block: _Block, column: float, size: float) -> Iterator[str]:
    for line in block.lines:
        yield from wrap_text(line, column - 9, size)


def _tall(block: _Block, column: float, size: float) -> float:
    step = _leading(size)
    tall = 5.2 + step * len(list(_words(block, column, size)))
    tall += (step + 1.0) * (len(block.checks) + len(block.boxes))
    if block.step.hold:
        tall += step * len(wrap_text(f"HOLD: {block.step.hold}", column - 11, size)) + 1.7
    return tall + 1.6


def _draw(page: Page, block: _Block, x: float, y: float, column: float, size: float) -> float:
    step = _leading(size)
    page.line(x, y, x + column, y, width_mm=0.25)
    page.text(x, y - 4.2, str(block.number), size_pt=11, weight="bold")
    page.text(x + 7, y - 4.2, block.step.title, size_pt=9.5, weight="bold")
    if block.step.photo:
        words = f"photo: {block.step.photo}"
        wide = text_width_mm(words, 7) + 7
        page.box(x + column - wide, y - 4.9, wide, 3.9, width_mm=0.3)
        page.box(x + column - wide + 1, y - 4.3, 2.6, 2.6, width_mm=0.3)
        page.text(x + column - wide + 5, y - 4.0, words, size_pt=7)
    y -= 5.2
    for line in _words(block, column, size):
        y -= step
        page.text(x + 7, y + step * 0.25, line, size_pt=size)
    for check in block.checks:
        y -= step + 1.0
        page.box(x + 1.2, y + 0.2, step * 0.85, step * 0.85, width_mm=0.45)
        page.text(x + 7, y + step * 0.3, check, size_pt=size, weight="bold", within_mm=column - 8)
    for box in block.boxes:
        y -= step + 1.0
        _write_down(page, box, x + 7, y, column - 7, step, size)
    if block.step.hold:
        held = wrap_text(f"HOLD: {block.step.hold}", column - 11, size)
        tall = step * len(held) + 0.9
        page.box(x + 6, y - tall - 0.6, column - 6, tall, ink=None, fill=HOLD)
        for k, line in enumerate(held):
            page.text(x + 8, y - 0.6 - step * (k + 0.8), line, size_pt=size, weight="bold")
        y -= tall + 0.8
    return y - 1.6


def _write_down(
    page: Page, box: str, x: float, y: float, width: float, step: float, size: float
) -> None:
    """Names with a line to write on, side by side: ``top|right|bottom mm``."""
    head, _, names = box.partition(": ")
    page.text(x, y + step * 0.3, f"{head}:", size_pt=size)
    start = x + text_width_mm(f"{head}:", size) + 1.5
    parts = names.split("|")
    each = (x + width - start) / len(parts)
    for k, name in enumerate(parts):
        at = start + k * each
        page.text(at, y + step * 0.3, name, size_pt=size * 0.85)
        used = text_width_mm(name, size * 0.85) + 0.8
        page.line(at + used, y + 0.5, at + each - 1.2, y + 0.5, width_mm=0.25)


def _blocks(ticket: Ticket) -> list[_Block]:
    shown = {c.split(":")[0].lower(): c for c in ticket.criteria}
    checked = {step.key: checks for step, checks in ticket.steps}
    lines = step_lines(ticket)
    boxes = _boxes(ticket)
    return [
        _Block(
            number=n,
            step=step,
            lines=tuple(lines.get(step.key, ())),
            checks=tuple(
                shown.get(c.lower(), c[:1].upper() + c[1:])
                for c in checked.get(step.key, step.checks)
                if c != _LOOK_AGAIN or _unseen(ticket)
            ),
            boxes=tuple(boxes.get(step.key, ())),
        )
        for n, step in enumerate(STEPS, start=1)
    ]


def _boxes(ticket: Ticket) -> dict[str, list[str]]:
    """What is written down while setting; the sizes as cut stand on the ticket itself."""
    unit = ticket.materials.unit
    joints = [e["name"] for e in ticket.materials.edges if e.get("kind") != "exposed"]
    found = {
        "weather": [f"Air and wall {ticket.say.degree}: now|in the night"],
        "look": ["Full bed: %|beddings"],
        "cover": ["Covered: from|to|hours"],
        "dress": [f"Lips {unit}: most"],
    }
    if joints:
        rows = [joints[k : k + 4] for k in range(0, len(joints), 4)]
        found["dry-fit"] = [f"Joints {unit}: {'|'.join(r)}" for r in rows]
    return found


def step_lines(ticket: Ticket) -> dict[str, list[str]]:
    """What the mason is told at each step, with this repair's own figures."""
    m = ticket.materials
    return {
        "access": _access(ticket),
        "tools": [
            (", ".join(m.tools) + ".").capitalize() if m.tools else "Tools as on the ticket.",
            "Extraction or water on saw and drill; masks fitted. Cautions: see the ticket.",
        ],
        "cut": _cutting(ticket),
        "key-wall": [
            *(
                [
                    f"Sides cut in the stone run {m.undercut_deg:.3g}° back under the face. Never narrower behind than in front."
                ]
                if m.undercut_deg
                else []
            ),
            "Back roughened, sound and clean; no smooth saw face left.",
        ],
        "measure": [
            "Write all sizes as cut on the ticket: sides by name, diagonals, depth at every corner."
        ],
        "piece": [
            "Name, face, bed and top as on the ticket; sizes as measured, ringing sound.",
            *(
                [
                    "Nobody has seen the face that will show: photograph it now and look at it beside the wall."
                ]
                if _unseen(ticket)
                else []
            ),
        ],
        "key-piece": _key_piece(m),
        "holes": _holes(ticket),
        "protect-face": [
            f"Tape along every joint, {m.say.run(m.tape_m)}; sheet below and round it, {m.say.area(m.sheet_m2)}."
            if m.tape_m is not None and m.sheet_m2 is not None
            else "Tape along every joint; sheet below and round it."
        ],
        "dry-fit": [
            *_spacer_lines(ticket),
            ("Rods loose in their holes: p" if _rods_first(ticket) else "P")
            + f"ush {ticket.way.words}, look at every joint, take off again"
            + (" with the rods in place." if _rods_first(ticket) else "."),
        ],
        "weather": _weather(m),
        "rods": _rods(ticket),
        "wet": [
            "Wash dust out of cut-out and holes. Wet wall and piece to surface-dry: dark, no film of water.",
            "Thin first coat of mortar worked into both faces.",
        ],
        "set": _setting(m, ticket.way),
        "look": [
            "Take the piece out once: mortar over the whole back, no void larger than a coin. Clean, wet and bed again where not; after four beddings stop and look at the fit."
        ],
        "sound": ["Rubber mallet all over: it rings solid. Hollow: it comes out again."],
        "point": _pointing(m),
        "cover": _cover(m),
        "dress": [
            f"The face stands {m.say.rod(m.proud_m)} proud: work it back in place to its neighbours, tooled as they are."
            if m.proud_m
            else "Face in line with its neighbours, tooled as they are.",
            *(
                ["Moulding: run the profile against the zinc templet drawn on its sheet."]
                if m.projection_m
                else []
            ),
        ],
        "accept": ["Looked at from arm's length and from the ground; record closed."],
    }


def _unseen(ticket: Ticket) -> bool:
    """Whether the face that will show has not been photographed."""
    if ticket.place is None or ticket.face is None:
        return False
    return not seen_face(ticket.place, ticket.face, piece=ticket.piece).photographed


def _access(ticket: Ticket) -> list[str]:
    lines = ["Scaffold tag seen, nobody below, stone round the place sounded."]
    wet = number(ticket.piece["weight_saturated_kg"])
    if wet is not None:
        lines.append(
            f"Piece weighs {ticket.say.both_weights(wet)} wet: "
            + (
                "lifting gear."
                if wet > 25
                else "two people or a hoist."
                if wet > 10
                else "one person, firm stand."
            )
        )
    return lines


def _cutting(ticket: Ticket) -> list[str]:
    m = ticket.materials
    depth = number(ticket.repair["depth_m"])
    lines = [f"To sound stone, {m.show(depth)} deep, even."] if depth else []
    return lines + list(m.cut_notes)


def _key_piece(m: Materials) -> list[str]:
    lines = []
    if m.grooves_m:
        lines.append(
            f"Level grooves over the back, {m.show(m.groove_width_m)} wide, {m.show(m.groove_depth_m)} deep, every "
            f"{m.show(m.groove_spacing_m)}: {m.say.run(m.grooves_m)} in all."
        )
    if m.eased_edge_m:
        lines.append(
            f"Ease the back edges by {m.show(m.eased_edge_m)}; leave the arrises of the face sharp."
        )
    return lines or ["Back keyed, back edges eased; arrises of the face sharp."]


def _holes(ticket: Ticket) -> list[str]:
    if not ticket.rods:
        return [_no_rods(ticket)]
    rod, m = ticket.rods[0], ticket.materials
    lines = [
        "Set the template on its spacers in the cut-out: the undercut sides are no measure. The same template turned over marks the back of the piece.",
        f"Wall {m.show(rod.wall_m)} deep"
        + ("" if rod.hole_m is None else f", {m.say.rod(rod.hole_m)} wide")
        + f"; piece {m.show(rod.piece_m)}, stop on the drill. Blow and brush clean.",
    ]
    if rod.fixing == "through face":
        lines[1] = (
            "Not now: these rods are drilled through the face when the bed has hardened (see Rods)."
        )
    dust = m.dust_l
    if dust:
        lines.append(
            f"Keep the stone dust, about {m.say.little(dust / 1000)}, for the pointing mortar."
        )
    return lines


def _no_rods(ticket: Ticket) -> str:
    whole = ticket.repair["treatment"] == "whole stone"
    return "Whole stone: none." if whole else "No rods are set out: ask before fixing."


def _spacer_lines(ticket: Ticket) -> list[str]:
    parts = [
        f"{e['name']}: {round(e['spacers'])} × {ticket.say.rod(e['spacer_m'])}"
        for e in ticket.materials.edges
        if e.get("spacers")
    ]
    return [f"Spacers {'; '.join(parts)}."] if parts else []


def _in_cold(m: Materials) -> str:
    """How much longer frost stays away in cold months."""
    return (
        "" if m.frost_free_cold_h is None else f" ({m.frost_free_cold_h / 24:.0f} in cold months)"
    )


def _weather(m: Materials) -> list[str]:
    if m.temperature_deg_c is None:
        return []
    low, high = m.temperature_deg_c
    frost = (
        ""
        if m.frost_free_h is None
        else f", no frost for {m.frost_free_h / 24:.0f} days{_in_cold(m)} or frost covers"
    )
    return [
        f"{m.say.temperatures(low, high)} in air and wall{frost}; shade from sun, screens against wind and rain."
    ]


def _rods(ticket: Ticket) -> list[str]:
    if not ticket.rods:
        return [_no_rods(ticket)]
    rod = ticket.rods[0]
    size = f"{len(ticket.rods)} rods" + (
        ""
        if rod.rod_m is None
        else f" {ticket.say.rod(rod.rod_m)} × {ticket.materials.show(rod.length_m)}, {rod.grade}"
    )
    if rod.fixing == "through face":
        return [
            f"{size}. When the bed has hardened: drill through piece and wall without hammer, grout, push the rod below the face, close with a plug of the same stone."
        ]
    if rod.fixing == "resin":
        return [
            f"{size}. Holes clean and dry; trial beddings without rods. Resin and rods go in with the last bedding only."
        ]
    return [
        f"{size}. Grout them into the wall, {_line(ticket.way)}, held by the template until they stand. They must clear their holes in the piece all round."
    ]


def _rods_first(ticket: Ticket) -> bool:
    """Whether there are rods when the piece is tried: those through the face are drilled later."""
    return any(r.fixing != "through face" for r in ticket.rods)


def _line(way: Way) -> str:
    """How the rods stand to the face."""
    return "square to the face" if way.straight else f"all {way.words}"


def _setting(m: Materials, way: Way) -> list[str]:
    lines = [
        f"Mortar on back and bottom, spacers in; push {way.words}, tap home, level and plumb, face as set."
    ]
    if m.mortar_in_place_m3 is not None:
        lines.append(
            f"{m.say.wet(m.mortar_in_place_m3)} stays"
            + (
                f", {m.say.sentence(m.strength.split(' (')[0])}."
                if m.strength
                else f": {m.mix}."
                if m.mix
                else "."
            )
        )
    return [*lines, *m.mix_faults]


def _pointing(m: Materials) -> list[str]:
    parts = [
        f"{e['name']}: {m.say.rod(e['joint_m'])}{_little(e.get('mortar_m3'), m)}"
        for e in m.edges
        if e.get("kind") != "exposed"
    ]
    return [
        "Spacers out. Wash off smears at once, arrises clean."
        + (f" Joints {'; '.join(parts)}: full, finished as their neighbours." if parts else "")
        + " Tape off."
    ]


def _little(mortar_m3: Any, m: Materials) -> str:
    """Mortar of one joint, front to back."""
    return "" if mortar_m3 is None else f", mortar {m.say.little(float(mortar_m3))}"


def _cover(m: Materials) -> list[str]:
    if m.protect_h is None:
        return ["Covered and kept damp."]
    frost = "" if m.frost_free_h is None else f"; no frost for {m.frost_free_h / 24:.0f} days"
    return [
        f"Covered and kept damp {m.protect_h:.0f} h, out of sun and wind{frost}. No work on it before."
    ]
