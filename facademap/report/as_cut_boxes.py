"""Boxes on a ticket for the cut-out as cut, to be typed from one photo of the sheet; and all sizes of outlines that are no rectangles."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from facademap.repair.sizes import Sizes, sizes_of
from facademap.report.page import Page
from facademap.units import format_inches

if TYPE_CHECKING:
    from facademap.report.ticket_content import Ticket

__all__ = ["boxes_tall", "draw_all_sizes", "draw_as_cut"]

#: Boxes in a row.
ACROSS = 10
#: Height of a row, and of one among many.
ROW_TALL, LOW_TALL = 13.0, 10.5


@dataclass(frozen=True, slots=True, kw_only=True)
class _Box:
    title: str
    drawn: str
    wide: int = 1


def _boxes(ticket: Ticket) -> list[list[_Box]]:
    """Rows of boxes: sides and diagonals first, then depths, then joints, date and initials."""
    cut = ticket.repair["geometry"]
    if cut is None or cut.geom_type != "Polygon":
        return []
    sizes = sizes_of(cut)
    kinds = {e["name"]: e for e in ticket.materials.edges}

    def drawn(length_m: float) -> str:
        return (
            format_inches(length_m, denominator=32).removesuffix(" in")
            if ticket.materials.unit == "in"
            else f"{length_m * 1000:.1f}"
        )

    sides = [_Box(title=s.name, drawn=drawn(s.length_m)) for s in sizes.sides]
    across = [_Box(title=n, drawn=drawn(d)) for n, d in sizes.diagonals]
    depth = ticket.repair["depth_m"]
    deep = "" if depth != depth or not depth else drawn(float(depth))
    depths = [_Box(title=f"depth {c.letter}", drawn=deep) for c in sizes.corners]
    joints = [
        _Box(title=f"joint {s.name}", drawn=ticket.say.joint(float(kinds[s.name]["joint_m"])))
        for s in sizes.sides
        if s.name in kinds and kinds[s.name].get("kind") != "exposed"
    ]
    signed = [_Box(title="date", drawn="", wide=2), _Box(title="initials", drawn="")]
    rows: list[list[_Box]] = []
    for group in ([*sides, *across], depths, [*joints, *signed]):
        joined = rows and sum(b.wide for b in rows[-1]) + sum(b.wide for b in group) <= ACROSS
        if joined:
            rows[-1] += group
            continue
        rows.append([])
        for box in group:
            if sum(b.wide for b in rows[-1]) + box.wide > ACROSS:
                rows.append([])
            rows[-1].append(box)
    return rows


def boxes_tall(ticket: Ticket) -> float:
    """Height that the boxes take, with their heading; many rows are drawn lower."""
    rows = len(_boxes(ticket))
    return 6.0 + rows * (ROW_TALL if rows <= 3 else LOW_TALL)


def draw_as_cut(
    page: Page, ticket: Ticket, left: float, right: float, y: float, bottom: float
) -> None:
    """The boxes, between two heights."""
    rows = _boxes(ticket)
    page.text(left, y - 3.5, "AS CUT", size_pt=9, weight="bold")
    unit = ticket.say.unit
    page.text(
        left + 17,
        y - 3.5,
        f"in {ticket.say.unit_in_full}, before the piece is sawn; drawn size small. Type them in "
        f"this order: sides_{unit}, diagonals_{unit}, depths_{unit}, joints_{unit}.",
        size_pt=7,
        within_mm=right - left - 17,
    )
    if not rows:
        return
    tall = min(ROW_TALL, (y - 5.5 - bottom) / len(rows))
    wide = (right - left) / ACROSS
    for r, row in enumerate(rows):
        x, top = left, y - 5.5 - r * tall
        for box in row:
            page.box(x, top - tall + 1.2, wide * box.wide - 1.2, tall - 1.2, width_mm=0.35)
            page.text(
                x + 1,
                top - 2.9,
                box.title,
                size_pt=6.8,
                weight="bold",
                within_mm=wide * box.wide - 3,
            )
            if box.drawn:
                page.text(
                    x + wide * box.wide - 2.2,
                    top - tall + 2.1,
                    box.drawn,
                    size_pt=6,
                    anchor="right",
                    ink="#777777",
                )
            x += wide * box.wide


def draw_all_sizes(
    page: Page, ticket: Ticket, x: float, y: float, width: float, room: float
) -> float:
    """Corner offsets and diagonals of a piece that is no rectangle; returns the height used."""
    sizes: Sizes = sizes_of(ticket.piece["geometry"])
    if sizes.rectangle:
        return 0.0
    say = ticket.say
    lines = [
        f"{c.letter}  {say.figure(c.right_m)} right, {say.figure(c.up_m)} up" for c in sizes.corners
    ]
    lines += [f"{n}  {say.figure(d)}" for n, d in sizes.diagonals]
    half = (len(lines) + 1) // 2
    step = min(3.6, (room - 4.5) / max(1, half))
    size = min(7.5, step * 2.1)
    page.text(
        x,
        y - 3.2,
        f"CORNERS from lower left, DIAGONALS, {say.unit_in_full}",
        size_pt=6.3,
        weight="bold",
        within_mm=width,
    )
    for k, line in enumerate(lines):
        page.text(
            x + (k // half) * width / 2,
            y - 3.4 - step * (k % half + 1),
            line,
            size_pt=size,
            within_mm=width / 2 - 1,
        )
    return 4.5 + step * half
