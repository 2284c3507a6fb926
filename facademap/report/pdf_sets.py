"""Finished PDFs taken in hand again: marked with their issue, struck as superseded, joined into one."""

from __future__ import annotations

import io
import math
from collections.abc import Sequence
from typing import Any

from facademap.report.page import Page
from facademap.report.pdf import LEAST_STAMPED_MM, day_of_pdf, write_pdf
from facademap.report.sheet_layout import enlarging, legible_pt

__all__ = ["marked", "page_count", "picked", "struck"]

_PT_PER_MM = 72.0 / 25.4
#: Where the mark of the issue stands: within what office printers leave white at the foot, over the margin's other line.
_MARK_AT_MM, _MARK_PT = (12.0, 5.2), 6.0


def marked(pdf: bytes, words: str, *, date: str) -> bytes:
    """The same sheets with a line in the lower margin of each, dated.

    Parameters
    ----------
    pdf : bytes
    words : str
        What it says of the issue.
    date : str
        Day of issue, as 2026-11-30.
    """

    def draw(page: Page) -> None:
        if min(page.width_mm, page.height_mm) < LEAST_STAMPED_MM:
            return
        larger = enlarging(max(page.width_mm, page.height_mm))
        x, y = (a * larger for a in _MARK_AT_MM)
        page.text(
            x, y, words, size_pt=legible_pt(_MARK_PT, larger) * larger, weight="bold", halo="#ffffff", within_mm=page.width_mm - 2 * x
        )  # fmt: skip

    return _overlaid(pdf, draw, date=date)


def struck(pdf: bytes, words: str, *, date: str) -> bytes:
    """The same sheets with a stamp across each, such as that it was superseded.

    Parameters
    ----------
    pdf : bytes
    words : str
    date : str
        Day of the stamp, as 2026-11-30.
    """

    def draw(page: Page) -> None:
        w, h = page.width_mm, page.height_mm
        angle = math.degrees(math.atan2(h, w))
        for size, line, y in ((0.16, "SUPERSEDED", 0.0), (0.036, words, -0.075)):
            reach = math.hypot(w, h)
            page.text(
                w / 2 - math.sin(math.radians(angle)) * y * reach,
                h / 2 + math.cos(math.radians(angle)) * y * reach,
                line,
                size_pt=size * reach,
                weight="bold",
                anchor="centre",
                angle_deg=angle,
                ink="#a3161b",
                halo="#ffffff",
                within_mm=0.82 * reach,
            )

    return _overlaid(pdf, draw, date=date)


def picked(
    parts: Sequence[tuple[str, bytes, Sequence[int] | None]], *, title: str, date: str
) -> bytes:
    """Sheets of several PDFs as one, each part found by its name in the list of contents.

    Parameters
    ----------
    parts : sequence of (name, bytes, pages)
        Which pages of the PDF, counted from 0; all where ``None``.
    title : str
    date : str
        Day of the whole, as 2026-11-30.
    """
    from pypdf import PdfReader, PdfWriter

    writer = PdfWriter()
    readers: dict[int, PdfReader] = {}
    for name, data, pages in parts:
        start = len(writer.pages)
        # one reader a file, so that fonts and pictures that its sheets share are taken over once
        reader = readers.setdefault(id(data), PdfReader(io.BytesIO(data)))
        wanted = None if pages is None else list(pages)
        writer.append(reader, pages=wanted, import_outline=False)
        writer.add_outline_item(title=name, page_number=start)
    return _bytes_of(writer, title=title, date=date)


def page_count(pdf: bytes) -> int:
    """Number of sheets."""
    from pypdf import PdfReader

    return len(PdfReader(io.BytesIO(pdf)).pages)


def _overlaid(pdf: bytes, draw: Any, *, date: str) -> bytes:
    from pypdf import PdfReader, PdfWriter

    reader = PdfReader(io.BytesIO(pdf))
    writer = PdfWriter(clone_from=reader)
    sizes = [(float(p.mediabox.width), float(p.mediabox.height)) for p in reader.pages]
    overlays: dict[tuple[float, float], Any] = {}
    for size in dict.fromkeys(sizes):
        page = Page(width_mm=size[0] / _PT_PER_MM, height_mm=size[1] / _PT_PER_MM)
        draw(page)
        overlays[size] = PdfReader(io.BytesIO(write_pdf([page], title=""))).pages[0]
    for sheet, size in zip(writer.pages, sizes, strict=True):
        sheet.merge_page(overlays[size])
    info = reader.metadata
    return _bytes_of(writer, title=str(info.title or "") if info else "", date=date)


def _bytes_of(writer: Any, *, title: str, date: str) -> bytes:
    day = day_of_pdf(date)
    writer.add_metadata(
        {"/Title": title, "/Creator": "facademap", "/CreationDate": day, "/ModDate": day}
    )
    writer.create_viewer_preferences()
    writer.viewer_preferences.print_scaling = "/None"
    writer.compress_identical_objects()
    buffer = io.BytesIO()
    writer.write(buffer)
    return buffer.getvalue()
