"""The panel of a ticket that says which block a piece comes from, and where on it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from facademap.match.from_tables import flaws_mm, ring_mm
from facademap.match.remainders import flaws_in
from facademap.match.solids import Solid
from facademap.report.face_picture import FacePicture
from facademap.report.measures import Measures
from facademap.report.page import Page
from facademap.report.piece_sketch import RED
from facademap.report.saw_zero import zero_of
from facademap.report.unmatched_words import reason_said
from facademap.salvage.seen_face import seen_face
from facademap.tables import is_missing

if TYPE_CHECKING:
    from facademap.report.ticket_content import Ticket

__all__ = ["draw_on_block"]


def draw_on_block(
    page: Page,
    ticket: Ticket,
    picture: FacePicture | None,
    x: float,
    y: float,
    width: float,
    tall: float,
) -> None:
    """Block, blank from zero, what is known of the face that will show, and the picture of the old face."""
    page.box(x, y, width, tall, width_mm=0.25)
    if ticket.place is None or ticket.block is None or ticket.face is None:
        page.text(x + 3, y + tall - 7, "NO BLOCK YET", size_pt=14, weight="bold")
        reason = ticket.piece["unmatched_reason"]
        line = page.paragraph(
            x + 3,
            y + tall - 14,
            f"Reason: {'not matched yet' if is_missing(reason) else reason_said(str(reason))}.",
            width_mm=width - 6,
            size_pt=10,
        )
        size = ticket.piece["source_size"]
        if isinstance(size, list) and len(size) == 3:
            line = page.paragraph(
                x + 3,
                line - 2,
                f"Look for a stone of at least {ticket.say.least(size)}",
                width_mm=width - 6,
                size_pt=10,
            )
            page.text(
                x + 3,
                line - 2,
                f"({Measures(not ticket.say.inches).least(size)}).",
                size_pt=10,
                within_mm=width - 6,
            )
        return
    place = ticket.place
    page.text(
        x + 2,
        y + tall - 5,
        f"BLOCK {ticket.block['id']}",
        size_pt=12,
        weight="bold",
        within_mm=width * 0.5,
    )
    spot = f"face {ticket.face['id']}, slab {int(place['slab'] or 0) + 1}"
    page.text(
        x + width - 2, y + tall - 4.6, spot, size_pt=8.5, anchor="right", within_mm=width * 0.46
    )
    top = y + tall - 9.0
    for text, bold, ink in _lines(ticket, place, ticket.face, ticket.block):
        page.text(
            x + 2,
            top,
            text,
            size_pt=7.5,
            weight="bold" if bold else "regular",
            ink=ink,
            within_mm=width - 4,
        )
        top -= 3.5
    seen = seen_face(place, ticket.face, piece=ticket.piece)
    if seen.words:
        short = (
            "The picture shows the OLD FACE. That of this piece lies inside the stone, unseen: "
            "photograph it when sawn and look again."
            if seen.slab
            else seen.words
        )
        page.box(x + 1, top - 5.6, width - 2, 8.2, ink=None, fill="#ffd54a")
        page.paragraph(
            x + 2.5, top - 0.7, short, width_mm=width - 5, size_pt=6.9, weight="bold", most_lines=2
        )
        top -= 9.0
    _draw_face(page, ticket, picture, x + 1.5, y + 1.5, width - 3, top - y + 0.5)


def _lines(
    ticket: Ticket, place: Mapping[str, Any], face: Mapping[str, Any], block: Mapping[str, Any]
) -> list[tuple[str, bool, str]]:
    """Where it lies, where the blank is on it, and how large the blank is sawn."""
    say = ticket.say
    zero = zero_of([(p[0] * 1000, p[1] * 1000) for p in face["outline"]])
    where = (
        []
        if is_missing(block["location"])
        else [(f"lies at {block['location']}", False, "#111111")]
    )
    lines = [
        *where,
        (
            f"blank {say.length(place['x_m'] - zero.x_mm / 1000, decimals=1)} right of zero, "
            f"{say.length(place['y_m'] - zero.y_mm / 1000, decimals=1)} up, turned {int(place['rotation_deg'])}° (arrow: its top)",
            False,
            "#111111",
        ),
    ]
    if ticket.not_sawn:
        lines.append((f"NOT TO BE SAWN: {say.sentence(ticket.not_sawn)}", True, RED))
    elif ticket.blank is not None:
        size = say.size(s / 1000 for s in ticket.blank.size_mm)
        lines.append(
            (
                f"sawn blank {size} over all, {say.stone(ticket.blank.volume_mm3 * 1e-9)}",
                True,
                "#111111",
            )
        )
    if face["bed"] == "none" and ticket.piece["bed"] != "any":
        lines.append(
            (
                "this stone shows no bed: a bed told on this ticket is held by any turn",
                False,
                "#111111",
            )
        )
    return lines


def _draw_face(
    page: Page,
    ticket: Ticket,
    picture: FacePicture | None,
    x: float,
    y: float,
    width: float,
    height: float,
) -> None:
    """The old face with the blank on it, an arrow to its top, and the flaws as far as they reach it; no words on it."""
    assert ticket.face is not None
    assert ticket.place is not None
    outline = np.asarray(ticket.face["outline"], dtype=float).reshape(-1, 2)
    low, high = outline.min(axis=0), outline.max(axis=0)
    if picture is not None:
        low, high = np.array([picture.x0_m, picture.y0_m]), np.array([picture.x1_m, picture.y1_m])
    k = min(width / (high[0] - low[0]), height / (high[1] - low[1]))
    put = np.array(
        [x + (width - (high[0] - low[0]) * k) / 2, y + (height - (high[1] - low[1]) * k) / 2]
    )
    if picture is not None:
        page.picture(picture.jpeg, put[0], put[1], (high[0] - low[0]) * k, (high[1] - low[1]) * k)
    ink = "#ffffff" if picture else "#555555"
    page.rings([(outline - low) * k + put], ink=ink, width_mm=0.6, dash_mm=(2.0, 1.0))
    for ring in _flaws(ticket):
        page.rings([(ring - low) * k + put], ink=RED, width_mm=0.4, fill=RED, opacity=0.45)
    for other in ticket.neighbours:
        ring = np.asarray(other["blank"] or [], dtype=float).reshape(-1, 2)
        if len(ring) > 2:
            page.rings([(ring - low) * k + put], ink=ink, width_mm=0.6)
    ring = np.asarray(ticket.place["blank"] or [], dtype=float).reshape(-1, 2)
    if len(ring) > 2:
        _mark_blank(page, (ring - low) * k + put, int(ticket.place["rotation_deg"] or 0))
    if picture is None:
        page.text(
            x + width / 2, y + 1, "no photo of this face", size_pt=7.5, anchor="centre", ink=RED
        )


def _flaws(ticket: Ticket) -> list[Any]:
    """Flaws of the face in metres, as far as they reach the layer that the blank is sawn from."""
    face, blank = ticket.face, ticket.blank
    assert face is not None
    flaws = flaws_mm(face)
    if blank is not None:
        layer = Solid(
            id="", outline_mm=ring_mm(face["outline"]), z0_mm=blank.z0_mm, z1_mm=blank.z1_mm
        )
        flaws = flaws_in(flaws, layer)
    return [np.asarray(f.outline_mm) / 1000 for f in flaws]


def _mark_blank(page: Page, ring: Any, turn: int) -> None:
    """The blank in yellow, with an arrow to the top of its piece."""
    page.rings([ring], ink="#111111", width_mm=2.2)
    page.rings([ring], ink="#ffd54a", width_mm=1.4)
    dx, dy = {0: (0.0, 1.0), 90: (-1.0, 0.0), 180: (0.0, -1.0), 270: (1.0, 0.0)}[turn]
    middle = (ring.min(axis=0) + ring.max(axis=0)) / 2
    reach = min(6.0, float(np.ptp(ring, axis=0).min()) * 0.35)
    tail, head = middle - reach * np.array([dx, dy]), middle + reach * np.array([dx, dy])
    page.arrow(*tail, *head, head_mm=3.6, width_mm=1.9, ink="#ffffff")
    page.arrow(*tail, *head, head_mm=2.8, width_mm=0.8)
