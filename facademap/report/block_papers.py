"""Papers of the yard: labels for blocks, contact sheet, target sheet."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely

from facademap.errors import InputError
from facademap.photo.lab import srgb_from_lab
from facademap.report.measures import METRIC, Measures
from facademap.report.page import Page
from facademap.report.paper import paper_named
from facademap.report.pdf import write_pdf
from facademap.report.ticket_page import draw_qr
from facademap.salvage.target_sheet import MARKER_MM, marker_bits, marker_places_mm

__all__ = ["BlockCard", "write_block_labels", "write_contact_sheet", "write_target_sheet"]

_MARGIN_MM = 12.0
_BED_WORDS = {
    "x": "bed along the width",
    "none": "no bed",
    "parallel": "face-bedded",
    "unknown": "BED UNKNOWN",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class BlockCard:
    """What papers of the yard say of one block.

    Parameters
    ----------
    id, stone_type, location, state, acceptance, bed, finish : str
    size_m : tuple of float
        Width, height and usable depth; NaN where not known.
    weight_kg : float or None
    lab : tuple of float or None
        Mean colour.
    calibrated : bool
    outline_m : ndarray or None, shape (n, 2)
    flaws_m : tuple of ndarray
    jpeg : bytes or None
        Picture of the face.
    jpeg_aspect : float
        Width over height of the picture.
    faces : int
        How many faces of the block are measured; the first is shown.
    say : Measures
        Units in which the office reads.
    """

    id: str
    stone_type: str
    size_m: tuple[float, float, float]
    location: str = ""
    state: str = "available"
    acceptance: str = "to test"
    bed: str = "unknown"
    finish: str = ""
    weight_kg: float | None = None
    lab: tuple[float, float, float] | None = None
    calibrated: bool = False
    outline_m: Any = None
    flaws_m: tuple[Any, ...] = ()
    jpeg: bytes | None = None
    jpeg_aspect: float = 1.0
    faces: int = 1

    say: Measures = METRIC

    @property
    def size_text(self) -> str:
        """Width, height and depth in the office's unit."""
        sides = ("?" if v != v else self.say.figure(v, decimals=0) for v in self.size_m)
        return " × ".join(sides) + f" {self.say.unit}"

    @property
    def weight_text(self) -> str:
        """Weight in the office's unit, the other in brackets."""
        if self.weight_kg is None:
            return "weight not known"
        return self.say.both_weights(self.weight_kg, decimals=0)


def write_block_labels(
    cards: Sequence[BlockCard], *, paper: str = "A4", link: str = "block:{id}"
) -> bytes:
    """Labels, two across and five down, each with a QR code that names the block.

    Parameters
    ----------
    cards : sequence of BlockCard
    paper : str
        ``A4`` or ``Letter``.
    link : str
        Text of the code; ``{id}`` stands for the block.
    """
    if not cards:
        raise InputError("there are no blocks to label", "Add blocks first.")
    width, height = paper_named(paper)
    across, down = (width - 2 * _MARGIN_MM) / 2, (height - 2 * _MARGIN_MM) / 5

    def pages() -> Iterator[Page]:
        for start in range(0, len(cards), 10):
            page = Page(width_mm=width, height_mm=height, title=f"Labels {start + 1}")
            for k, card in enumerate(cards[start : start + 10]):
                x, y = _MARGIN_MM + across * (k % 2), height - _MARGIN_MM - down * (k // 2 + 1)
                _label(page, card, x, y, across, down, link)
            yield page

    return write_pdf(pages(), title="Block labels")


def _label(
    page: Page, card: BlockCard, x: float, y: float, width: float, height: float, link: str
) -> None:
    page.box(x, y, width, height, ink="#999999", width_mm=0.15)
    code = height - 10
    draw_qr(page, link.replace("{id}", card.id), x + width - code - 3, y + 5, code)
    left, room = x + 4, width - code - 10
    page.text(left, y + height - 12, card.id, size_pt=22, weight="bold", within_mm=room)
    for k, line in enumerate(
        (
            card.stone_type,
            card.size_text,
            card.weight_text,
            _BED_WORDS.get(card.bed, card.bed),
            card.location,
        )
    ):
        page.text(left, y + height - 20 - 6.4 * k, line, size_pt=10, within_mm=room)


def write_contact_sheet(
    cards: Sequence[BlockCard], *, paper: str = "A4", title: str = "Blocks in the yard"
) -> bytes:
    """Blocks with picture, swatch and sizes, twelve on a page."""
    if not cards:
        raise InputError("there are no blocks to show", "Add blocks first.")
    width, height = paper_named(paper)
    across, down = (width - 2 * _MARGIN_MM) / 3, (height - 2 * _MARGIN_MM - 10) / 4
    total = -(-len(cards) // 12)

    def pages() -> Iterator[Page]:
        for number, start in enumerate(range(0, len(cards), 12), start=1):
            page = Page(width_mm=width, height_mm=height, title=f"{title} {number}")
            page.text(_MARGIN_MM, height - _MARGIN_MM - 3, title, size_pt=13, weight="bold")
            page.text(
                width - _MARGIN_MM,
                height - _MARGIN_MM - 3,
                f"{number} of {total}",
                size_pt=9,
                anchor="right",
            )
            for k, card in enumerate(cards[start : start + 12]):
                x, y = _MARGIN_MM + across * (k % 3), height - _MARGIN_MM - 10 - down * (k // 3 + 1)
                _contact(page, card, x + 1.5, y + 1.5, across - 3, down - 3)
            yield page

    return write_pdf(pages(), title=title, to_scale=False)


def _contact(page: Page, card: BlockCard, x: float, y: float, width: float, height: float) -> None:
    page.box(x, y, width, height, ink="#bbbbbb", width_mm=0.15)
    room_w, room_h = width - 4, height - 28.5
    if card.jpeg is not None:
        shown_w = min(room_w, room_h * card.jpeg_aspect)
        shown_h = shown_w / card.jpeg_aspect
        page.picture(
            card.jpeg,
            x + (width - shown_w) / 2,
            y + 26.5 + (room_h - shown_h) / 2,
            shown_w,
            shown_h,
        )
    elif card.outline_m is not None:
        _sketch(page, card, x + 2, y + 26.5, room_w, room_h)
    if card.lab is not None:
        tone = "#" + "".join(
            f"{round(float(v) * 255):02x}" for v in srgb_from_lab(np.array(card.lab))
        )
        page.box(x + width - 13, y + 13, 11, 11, ink="#666666", width_mm=0.15, fill=tone)
    left, text_room = x + 2, width - 17
    page.text(left, y + 20.6, card.id, size_pt=11, weight="bold", within_mm=text_room)
    page.text(left, y + 16.2, card.stone_type, size_pt=8, within_mm=text_room)
    page.text(left, y + 12.4, card.size_text, size_pt=8, within_mm=text_room)
    colour = (
        "no colour"
        if card.lab is None
        else "L* {:.0f}  a* {:.0f}  b* {:.0f}".format(*card.lab)
        + ("" if card.calibrated else " (rank only)")
    )
    faces = "" if card.faces == 1 else f"  {card.faces} faces" if card.faces else "  no face"
    page.text(left, y + 8.7, colour + faces, size_pt=7, within_mm=width - 4)
    page.text(
        left,
        y + 5.3,
        ", ".join(w for w in (card.state, card.acceptance, _BED_WORDS.get(card.bed, "")) if w),
        size_pt=7,
        within_mm=width - 4,
    )
    page.text(left, y + 1.9, card.location, size_pt=7, within_mm=width - 4)


def _sketch(page: Page, card: BlockCard, x: float, y: float, width: float, height: float) -> None:
    outline = np.asarray(card.outline_m, dtype=float)
    low, size = outline.min(axis=0), np.ptp(outline, axis=0)
    scale = min(width / size[0], height / size[1])
    shift = np.array([x, y]) + (np.array([width, height]) - size * scale) / 2
    page.rings([(outline - low) * scale + shift], fill="#efece4")
    for flaw in card.flaws_m:
        page.rings(
            [(np.asarray(flaw, dtype=float) - low) * scale + shift], fill="#888888", width_mm=0.15
        )
    if card.bed == "x":
        middle = shapely.Polygon(outline).representative_point()
        cx, cy = (np.array([middle.x, middle.y]) - low) * scale + shift
        reach = min(8.0, 0.3 * size[0] * scale)
        page.arrow(cx - reach, cy, cx + reach, cy, both=True)


def write_target_sheet(*, paper: str = "A4") -> bytes:
    """The sheet that is laid on a face before it is photographed, at its true size."""
    width, height = paper_named(paper)
    places = marker_places_mm(paper)
    page = Page(width_mm=width, height_mm=height, title="Target sheet")
    span = np.array(list(places.values())).max(axis=0)
    origin = (np.array([width, height]) - span) / 2
    for number, middle in places.items():
        corner = origin + middle - MARKER_MM / 2
        cell = MARKER_MM / 6
        bits = marker_bits(number)
        for row, start, stop in _runs(bits):
            page.box(
                corner[0] + start * cell,
                corner[1] + (5 - row) * cell,
                (stop - start) * cell,
                cell + 0.02,
                ink=None,
                fill="#000000",
            )
    centre = width / 2
    page.text(centre, height / 2 + 32, "Target sheet", size_pt=20, weight="bold", anchor="centre")
    for k, line in enumerate(
        (
            "Print at 100 %, without fitting to the page.",
            "Lay it flat on the face, or in the face's plane beside it.",
            "Photograph the whole face and all four markers, in focus.",
            "If the bar is not 100 mm (3 15/16 in) long, print again or give its length.",
        )
    ):
        page.text(centre, height / 2 + 20 - 6 * k, line, size_pt=10, anchor="centre")
    bar = height / 2 - 18
    page.line(centre - 50, bar, centre + 50, bar, width_mm=0.4)
    for x in (centre - 50, centre + 50):
        page.line(x, bar - 3, x, bar + 3, width_mm=0.4)
    page.text(centre, bar - 7, "100 mm", size_pt=10, anchor="centre")
    return write_pdf([page], title="Target sheet")


def _runs(bits: Any) -> Iterator[tuple[int, int, int]]:
    for row, line in enumerate(bits):
        edges = np.flatnonzero(np.diff(np.r_[0, line.astype(int), 0]))
        for start, stop in zip(edges[::2], edges[1::2], strict=True):
            yield row, int(start), int(stop)
