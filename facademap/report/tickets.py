"""Cut tickets: a ticket and a setting sheet a piece, with all that the mason needs at the saw and on the scaffold."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence

from facademap.report.face_picture import FacePicture
from facademap.report.page import Page
from facademap.report.pdf import write_pdf
from facademap.report.refusal_page import draw_refusal
from facademap.report.setting_sheet import draw_setting_sheet
from facademap.report.ticket_content import Ticket
from facademap.report.ticket_page import draw_ticket

__all__ = ["ticket_pages", "write_cut_tickets"]


def ticket_pages(
    tickets: Iterable[Ticket],
    pictures: Mapping[str, FacePicture],
    *,
    paper: str = "A4",
    total: int = 0,
) -> Iterator[Page]:
    """The pages, drawn one by one: ticket and setting sheet of each piece, or why there is none."""
    for number, ticket in enumerate(tickets, start=1):
        if ticket.faults:
            yield draw_refusal(ticket, paper=paper)
            continue
        face = str(ticket.face["id"]) if ticket.face else ""
        yield draw_ticket(ticket, pictures.get(face), paper=paper, number=number, total=total)
        yield draw_setting_sheet(ticket, paper=paper, number=number, total=total)


def write_cut_tickets(
    tickets: Sequence[Ticket],
    *,
    pictures: Mapping[str, FacePicture] | None = None,
    paper: str = "A4",
) -> bytes:
    """All tickets as one PDF.

    Parameters
    ----------
    tickets : sequence of Ticket
        From :func:`make_tickets`.
    pictures : mapping of face id to FacePicture, optional
        Faces of the blocks; a face without one is drawn as an outline, and the ticket says so.
    paper : str
        Sheet, ``A4`` or ``Letter``.
    """
    project = tickets[0].project if tickets else ""
    pages = (
        ticket_pages(tickets, pictures or {}, paper=paper, total=len(tickets))
        if tickets
        else iter([_nothing(paper)])
    )
    return write_pdf(
        pages,
        title=f"Cut tickets, {project}".strip(", "),
        subject="Ticket and setting sheet of each piece",
    )


def _nothing(paper: str) -> Page:
    from facademap.report.paper import paper_named

    width, height = paper_named(paper)
    page = Page(width_mm=width, height_mm=height)
    page.text(15, height - 30, "No pieces to cut", size_pt=20, weight="bold")
    page.text(15, height - 40, "The plan has no insets and no whole stones yet.", size_pt=11)
    return page
