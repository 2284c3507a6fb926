"""The page of a piece that cannot be set as planned: what fails, and what to do; nothing to cut by."""

from __future__ import annotations

from typing import TYPE_CHECKING

from facademap.report.page import Page
from facademap.report.paper import paper_named

if TYPE_CHECKING:
    from facademap.report.ticket_content import Ticket

__all__ = ["draw_refusal"]

MARGIN = 12.0
RED = "#b3201f"


def draw_refusal(ticket: Ticket, *, paper: str, what: str = "ticket") -> Page:
    """A page that names every fault with its remedy, for a ticket or template that is not given out."""
    width, height = paper_named(paper)
    page = Page(
        width_mm=width, height_mm=height, title=f"{ticket.piece['id']}: cannot be set as planned"
    )
    left, right, y = MARGIN, width - MARGIN, height - MARGIN
    page.box(left, y - 30, right - left, 30, ink=None, fill=RED)
    page.text(
        left + 5, y - 9, f"NO {what.upper()}: DO NOT CUT", size_pt=13, weight="bold", ink="#ffffff"
    )
    page.text(
        left + 5, y - 22, ticket.piece["id"], size_pt=27, weight="bold", ink="#ffffff", within_mm=90
    )
    page.text(
        right - 5,
        y - 22,
        f"for repair {ticket.repair['id']}",
        size_pt=13,
        weight="bold",
        ink="#ffffff",
        anchor="right",
        within_mm=70,
    )
    y -= 42
    y = page.paragraph(
        left,
        y,
        "This piece was taken through its setting on paper: rods set, pushed on, taken off with the rods in place, set again. "
        "As planned it cannot be done.",
        width_mm=right - left,
        size_pt=12,
    )
    for fault in ticket.faults:
        if y < MARGIN + 52:  # heading, five lines, and the line that says that there are more
            page.text(left, y - 6, "and more: facademap check names them all", size_pt=10)
            break
        y -= 7
        page.line(left, y + 2, right, y + 2, width_mm=0.3)
        page.text(left, y - 5, fault.about, size_pt=13, weight="bold", ink=RED)
        y = page.paragraph(
            left,
            y - 11,
            f"Fails: {ticket.say.sentence(fault.problem)}.",
            width_mm=right - left,
            size_pt=11,
        )
        y = page.paragraph(
            left,
            y,
            f"Remedy: {ticket.say.sentence(fault.remedy)}",
            width_mm=right - left,
            size_pt=11,
            weight="bold",
        )
    page.text(left, MARGIN - 4, ticket.project, size_pt=7.5, within_mm=110)
    page.text(right, MARGIN - 4, str(ticket.piece["id"]), size_pt=7.5, anchor="right")
    return page
