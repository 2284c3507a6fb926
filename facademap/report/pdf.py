"""Pages as a PDF: exact sizes, fonts embedded, pictures passed through, same pages same bytes."""

from __future__ import annotations

import datetime as dt
import io
import math
import re
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from typing import Any

import numpy as np
from reportlab import rl_config
from reportlab.lib.utils import ImageReader
from reportlab.pdfbase.pdfdoc import PDFInfo
from reportlab.pdfgen.canvas import Canvas

from facademap.report.page import Disc, Lines, Page, Picture, Rings, Text
from facademap.report.sheet_layout import enlarging, legible_pt
from facademap.report.typeface import MM_PER_PT, font_name, text_width_mm

__all__ = ["date_canvas", "dated", "day_of_pdf", "put_marks", "put_stamp", "stamped", "write_pdf"]

_PT_PER_MM = 72.0 / 25.4
_IN_MM = f"q {_PT_PER_MM:.9f} 0 0 {_PT_PER_MM:.9f} 0 0 cm 1 J 1 j"
#: Handle length of the cubic that is nearest to a quarter circle: 4/3 (sqrt(2) - 1).
_CIRCLE = 4.0 / 3.0 * (math.sqrt(2.0) - 1.0)


#: Words in the lower margin of every page that is written meanwhile.
_stamp: ContextVar[str] = ContextVar("stamp", default="")
_STAMP_PT, _STAMP_AT_MM = 5.0, (12.0, 2.6)
#: What is lower is a label of a tape, without a margin.
LEAST_STAMPED_MM = 90.0
#: Day that the files written meanwhile bear, as 2026-11-30; none where nothing says which.
_day: ContextVar[str] = ContextVar("day", default="")


@contextmanager
def dated(day: str) -> Iterator[None]:
    """Date the files that are written meanwhile, such as with the last edit of what they show."""
    token = _day.set(day)
    try:
        yield
    finally:
        _day.reset(token)


def day_of_pdf(day: str) -> str:
    """A day as PDF writes it (ISO 32000-1, 7.9.4).

    Examples
    --------
    >>> day_of_pdf("2026-11-30")
    "D:20261130000000+00'00'"
    """
    return f"D:{dt.date.fromisoformat(day):%Y%m%d}000000+00'00'"


@contextmanager
def stamped(words: str) -> Iterator[None]:
    """Write these words, such as the number of a paper, small into the lower margin of every page."""
    token = _stamp.set(words)
    try:
        yield
    finally:
        _stamp.reset(token)


class _Jpeg(ImageReader):  # type: ignore[misc]
    """A JPEG known by its bytes; the stock reader would decode every picture only to tell it from others."""

    def __init__(self, jpeg: bytes) -> None:
        super().__init__(io.BytesIO(jpeg))
        self._bytes = jpeg
        self._dataA = None

    def getRGBData(self) -> bytes:  # noqa: N802 - name set by the PDF library
        """The bytes that tell this picture from others."""
        return self._bytes


def write_pdf(
    pages: Iterable[Page], *, title: str, subject: str = "", to_scale: bool = True
) -> bytes:
    """One PDF of all pages.

    Parameters
    ----------
    pages : iterable of Page
        Taken one by one, so that a long run of pages never sits in memory as a whole.
    title, subject : str
        Shown by the reader of the file.
    to_scale : bool
        Ask the reader not to scale when printing.

    Returns
    -------
    bytes
        The file. No clock and no random number goes into it; its date is the one of :func:`dated`, else there is none.
    """
    ascii85, rl_config.useA85 = rl_config.useA85, 0
    try:
        buffer = io.BytesIO()
        canvas = Canvas(
            buffer, pageCompression=1, invariant=1, initialFontName=font_name("regular")
        )
        date_canvas(canvas)
        canvas.setTitle(title)
        canvas.setSubject(subject)
        canvas.setCreator("facademap")
        canvas.setAuthor("")
        if to_scale:
            canvas.setViewerPreference("PrintScaling", "None")
        for page in pages:
            _put_page(canvas, page)
        canvas.save()
    finally:
        rl_config.useA85 = ascii85
    return buffer.getvalue()


def date_canvas(canvas: Canvas) -> None:
    """Give a file the date of :func:`dated`, else none; to be called before its title is set."""
    if day := _day.get():
        canvas.setDateFormatter(lambda *now: day_of_pdf(day))
    else:
        canvas._doc.info = _Undated()


class _Undated(PDFInfo):  # type: ignore[misc]
    """What a file says of itself, without a date: the library would write the first of January 2000."""

    def format(self, document: Any) -> bytes:
        """As the library writes it, less what it does not know."""
        whole: bytes = super().format(document)
        return re.sub(rb"/(?:CreationDate|ModDate) \([^)]*\)\s*", b"", whole)


def _put_page(canvas: Canvas, page: Page) -> None:
    canvas.setPageSize((page.width_mm * _PT_PER_MM, page.height_mm * _PT_PER_MM))
    if page.title:
        canvas.bookmarkPage(page.title)
        canvas.addOutlineEntry(page.title, page.title, 0, False)
    put_marks(canvas, page)
    put_stamp(canvas)
    canvas.showPage()


def put_marks(canvas: Canvas, page: Page) -> None:
    """Put the marks of a page down where the canvas stands, in millimetres."""
    canvas.addLiteral(_IN_MM)
    for mark in page.marks:
        _PUT[type(mark)](canvas, mark)
    canvas.addLiteral("Q")


def put_stamp(canvas: Canvas) -> None:
    """Put the words of :func:`stamped` into the lower margin, where there are any and the page has one."""
    if (words := _stamp.get()) and min(canvas._pagesize) / _PT_PER_MM >= LEAST_STAMPED_MM:
        canvas.addLiteral(_IN_MM)
        _put_text(canvas, _stamp_of(words, max(canvas._pagesize) / _PT_PER_MM))
        canvas.addLiteral("Q")


def _stamp_of(words: str, long_mm: float) -> Text:
    larger = enlarging(long_mm)
    x, y = (a * larger for a in _STAMP_AT_MM)
    return Text(
        x_mm=x, y_mm=y, text=words, size_pt=legible_pt(_STAMP_PT, larger) * larger, weight="regular", anchor="left", angle_deg=0.0, ink="#555555",
        halo="#ffffff", layer="",
    )  # fmt: skip


def _rgb(colour: str) -> str:
    value = colour.lstrip("#")
    return " ".join(f"{int(value[i : i + 2], 16) / 255:.3f}" for i in (0, 2, 4))


def _stroke(ink: str, width_mm: float, dash_mm: tuple[float, ...]) -> str:
    dash = f" [{' '.join(f'{d:g}' for d in dash_mm)}] 0 d 0 J" if dash_mm else ""
    return f"{_rgb(ink)} RG {width_mm:g} w{dash}"


def _put_lines(canvas: Canvas, mark: Lines) -> None:
    strokes = ("%.3f %.3f m %.3f %.3f l\n" * len(mark.segments)) % tuple(
        mark.segments.ravel().tolist()
    )
    canvas.addLiteral(f"q {_stroke(mark.ink, mark.width_mm, mark.dash_mm)}\n{strokes}S Q")


def _put_rings(canvas: Canvas, mark: Rings) -> None:
    parts = []
    for ring in mark.rings:
        if len(ring) < 2:
            continue
        close = " h" if mark.closed else ""
        parts.append(
            (("%.3f %.3f m" + " %.3f %.3f l" * (len(ring) - 1)) % tuple(ring.ravel().tolist()))
            + close
        )
    if not parts or (mark.ink is None and mark.fill is None):
        return
    style = [] if mark.ink is None else [_stroke(mark.ink, mark.width_mm, mark.dash_mm)]
    if mark.fill is not None:
        style.append(f"{_rgb(mark.fill)} rg")
    operator = "B*" if mark.fill and mark.ink else ("f*" if mark.fill else "S")
    if mark.says:
        # ISO 32000-1, 14.9.4: what these outlines read
        canvas.addLiteral(f"/Span <</ActualText <FEFF{mark.says.encode('utf-16-be').hex()}>>> BDC")
    if mark.opacity < 1.0:
        canvas.saveState()
        canvas.setFillAlpha(mark.opacity)
    canvas.addLiteral("q " + " ".join(style) + "\n" + "\n".join(parts) + f"\n{operator} Q")
    if mark.opacity < 1.0:
        canvas.restoreState()
    if mark.says:
        canvas.addLiteral("EMC")


def _put_disc(canvas: Canvas, mark: Disc) -> None:
    if mark.ink is None and mark.fill is not None:
        # a dot is a stroke of no length with a round end: a fifth of the bytes of a drawn circle
        ends = np.repeat(mark.centres, 2, axis=0)
        strokes = ("%.3f %.3f m %.3f %.3f l\n" * len(mark.centres)) % tuple(ends.ravel().tolist())
        canvas.addLiteral(f"q {_rgb(mark.fill)} RG {2 * mark.radius_mm:g} w 1 J\n{strokes}S Q")
        return
    r, k = mark.radius_mm, mark.radius_mm * _CIRCLE
    parts = []
    for x, y in mark.centres.tolist():
        parts.append(
            f"{x + r:.3f} {y:.3f} m {x + r:.3f} {y + k:.3f} {x + k:.3f} {y + r:.3f} {x:.3f} {y + r:.3f} c "
            f"{x - k:.3f} {y + r:.3f} {x - r:.3f} {y + k:.3f} {x - r:.3f} {y:.3f} c "
            f"{x - r:.3f} {y - k:.3f} {x - k:.3f} {y - r:.3f} {x:.3f} {y - r:.3f} c "
            f"{x + k:.3f} {y - r:.3f} {x + r:.3f} {y - k:.3f} {x + r:.3f} {y:.3f} c h"
        )
    style = (f"{_stroke(mark.ink, mark.width_mm, ())} " if mark.ink else "") + (
        f"{_rgb(mark.fill)} rg" if mark.fill else ""
    )
    operator = "B" if mark.fill and mark.ink else ("f" if mark.fill else "S")
    canvas.addLiteral(f"q {style}\n" + "\n".join(parts) + f"\n{operator} Q")


def _put_text(canvas: Canvas, mark: Text) -> None:
    width = text_width_mm(mark.text, mark.size_pt, mark.weight)
    shift = {"left": 0.0, "centre": -width / 2, "right": -width}[mark.anchor]
    cos, sin = math.cos(math.radians(mark.angle_deg)), math.sin(math.radians(mark.angle_deg))
    canvas.addLiteral(
        f"q {cos:.6f} {sin:.6f} {-sin:.6f} {cos:.6f} {mark.x_mm:.3f} {mark.y_mm:.3f} cm"
    )
    for halo in [mark.halo] if mark.halo else []:
        canvas.addLiteral(f"q {_rgb(halo)} RG {max(0.5, mark.size_pt * 0.07):.3f} w 1 j")
        _put_string(canvas, mark, shift, mode=1)
        canvas.addLiteral("Q")
    canvas.addLiteral(f"{_rgb(mark.ink)} rg")
    _put_string(canvas, mark, shift, mode=0)
    canvas.addLiteral("Q")


def _put_string(canvas: Canvas, mark: Text, shift: float, *, mode: int) -> None:
    text = canvas.beginText(shift, 0.0)
    text.setFont(font_name(mark.weight), mark.size_pt * MM_PER_PT)
    text.setTextRenderMode(mode)
    text.textOut(mark.text)
    canvas.drawText(text)


def _put_picture(canvas: Canvas, mark: Picture) -> None:
    canvas.drawImage(_Jpeg(mark.jpeg), mark.x_mm, mark.y_mm, mark.width_mm, mark.height_mm)


_PUT: dict[type, Any] = {
    Lines: _put_lines,
    Rings: _put_rings,
    Disc: _put_disc,
    Text: _put_text,
    Picture: _put_picture,
}
