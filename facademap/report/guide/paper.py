"""The guide as a PDF: chapters flow over as many sheets as they take."""

from __future__ import annotations

import io
from collections.abc import Sequence
from typing import Any

from markupsafe import escape
from reportlab.lib.colors import HexColor
from reportlab.lib.styles import ParagraphStyle
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import (
    BaseDocTemplate,
    CondPageBreak,
    Flowable,
    Frame,
    KeepTogether,
    ListFlowable,
    ListItem,
    PageBreak,
    PageTemplate,
    Paragraph,
    Spacer,
    Table,
    TableStyle,
)
from reportlab.platypus.tableofcontents import TableOfContents

from facademap.report.guide.blocks import Block, Chapter, Drawing, Grid, Heading, Items, Run, Words
from facademap.report.page import Page
from facademap.report.paper import paper_named
from facademap.report.pdf import date_canvas, put_marks, put_stamp
from facademap.report.typeface import font_name, printable

__all__ = ["write_guide_pdf"]

_PT = 72.0 / 25.4
#: Share of the height of a sheet that must be left for a further chapter to begin on it.
_LEFT = 0.45
_MARGIN_MM = 18.0
_INK, _HEAD, _QUIET = HexColor("#1c1c1c"), HexColor("#22313f"), HexColor("#4d4d4d")


def write_guide_pdf(
    chapters: Sequence[Chapter], *, title: str, kind: str, told: str, paper: str = "A4"
) -> bytes:
    """The guide on sheets, with a list of chapters; the same guide gives the same bytes.

    Parameters
    ----------
    chapters : sequence of Chapter
    title, kind, told : str
        Name of the project, what it is, and day, revision and sources.
    paper : str
        Size of the sheets.
    """
    width, height = (mm * _PT for mm in paper_named(paper))
    buffer = io.BytesIO()
    document = _Guide(
        buffer, pagesize=(width, height), title=f"{kind}, {title}", creator="facademap", invariant=1
    )
    margin = _MARGIN_MM * _PT
    frame = Frame(margin, margin, width - 2 * margin, height - 2 * margin, 0, 0, 0, 0)

    def foot(canvas: Canvas, doc: Any) -> None:
        canvas.setFont(font_name("regular"), 8)
        canvas.setFillColor(_QUIET)
        canvas.drawString(margin, margin - 16, printable(title)[:90])
        canvas.drawRightString(width - margin, margin - 16, str(doc.page))
        put_stamp(canvas)

    document.addPageTemplates([PageTemplate("guide", [frame], onPage=foot)])
    contents = TableOfContents()
    contents.tableStyle = TableStyle(
        [_embedded(), ("VALIGN", (0, 0), (-1, -1), "TOP"), ("RIGHTPADDING", (0, 0), (-1, -1), 0),
         ("LEFTPADDING", (0, 0), (-1, -1), 0)]
    )  # fmt: skip
    contents.levelStyles = [_style("contents", size=11, before=4)]
    story: list[Any] = [
        Paragraph(_safe(kind), _style("kind", size=11, ink=_QUIET)),
        Paragraph(_safe(title), _style("title", size=26, bold=True, ink=_HEAD, after=8)),
        Paragraph(_safe(told), _style("told", size=10, ink=_QUIET, after=18)),
        contents,
    ]
    wide = width - 2 * margin
    for number, chapter in enumerate(chapters):
        # a chapter goes on below the last one where enough of the sheet is left, so that none holds two lines and nothing else
        story += [CondPageBreak(_LEFT * height), Spacer(0, 26)] if number else [PageBreak()]
        for block in chapter.blocks:
            story += _flow(block, wide)
    document.multiBuild(story, canvasmaker=_dated_canvas)
    return buffer.getvalue()


def _embedded() -> tuple[Any, ...]:
    """The typeface of empty cells: the library would name one that it does not embed."""
    return ("FONTNAME", (0, 0), (-1, -1), font_name("regular"))


def _dated_canvas(*given: Any, **named: Any) -> Canvas:
    # else the file names a typeface that it does not embed
    canvas = Canvas(*given, **{**named, "initialFontName": font_name("regular")})
    date_canvas(canvas)
    return canvas


class _Guide(BaseDocTemplate):  # type: ignore[misc]
    """Tells the list of chapters where each begins."""

    def afterFlowable(self, flowable: Any) -> None:  # noqa: N802 - name set by the PDF library
        """Called by the library when something was put down."""
        if isinstance(flowable, Paragraph) and flowable.style.name == "heading 1":
            words = flowable.getPlainText()
            key = f"chapter {self.page} {self.frame._y:.0f}"
            top = self.frame._y + flowable.height
            self.canv.bookmarkPage(key, fit="XYZ", left=0, top=top, zoom=0)
            self.canv.addOutlineEntry(words, key, 0, False)
            self.notify("TOCEntry", (0, words, self.page, key))


class _Drawn(Flowable):  # type: ignore[misc]
    """A drawn figure, made smaller where it is wider than the text."""

    def __init__(self, page: Page, most: float) -> None:
        super().__init__()
        self.page = page
        self.scale = min(1.0, most / (page.width_mm * _PT))
        self.width, self.height = (mm * _PT * self.scale for mm in (page.width_mm, page.height_mm))

    def wrap(self, _width: float, _height: float) -> tuple[float, float]:
        """Size on the sheet."""
        return self.width, self.height

    def draw(self) -> None:
        """Put the marks down."""
        self.canv.saveState()
        self.canv.scale(self.scale, self.scale)
        put_marks(self.canv, self.page)
        self.canv.restoreState()


class _Rows(Table):  # type: ignore[misc]
    """A table that leaves no row alone at the foot or at the head of a sheet; its title stands on each."""

    def split(self, availWidth: float, availHeight: float) -> list[Any]:
        """Called by the library where the table goes over the end of a sheet."""
        parts: list[Any] = super().split(availWidth, availHeight)
        if len(parts) != 2:
            return parts
        here, rest = (p._nrows - int(self.repeatRows) for p in parts)
        if rest == 1 and here > 2:
            shorter = sum(parts[0]._rowHeights[:-1]) + 0.1
            parts = super().split(availWidth, shorter) or parts
        # the library marks what it has moved to the next sheet already
        return [] if here == 1 and not hasattr(self, "_postponed") else parts


def _flow(block: Block, wide: float) -> list[Any]:
    match block:
        case Heading(level=level, text=text):
            size = {1: 18, 2: 13}.get(level, 11)
            style = _style(f"heading {level}", size=size, bold=True, ink=_HEAD, before=10, after=5)
            style.keepWithNext = 1
            return [Paragraph(_safe(text), style)]
        case Words(runs=runs):
            return [Paragraph(_marked(runs), _style("words", size=10, after=6))]
        case Items(look="ticks"):
            return [_ticks(block, wide)]
        case Items():
            return [_list(block)]
        case Drawing(page=page, legend=legend):
            under = Paragraph(
                _safe(legend), _style("legend", size=8.5, ink=_QUIET, before=3, after=8)
            )
            return [KeepTogether([Spacer(0, 5), _Drawn(page, wide), under])]
        case Grid() if not block.rows:
            return [Paragraph(_safe(block.empty), _style("told", size=9.5, ink=_QUIET, after=6))]
        case Grid():
            return _table(block, wide)
    return []


def _list(block: Items) -> ListFlowable:
    style = _style("item", size=10, after=2)
    mark: dict[str, Any] = {
        "bullets": {"bulletType": "bullet", "start": "–"},
        "numbers": {"bulletType": "1"},
    }[block.look]
    return ListFlowable(
        [ListItem(Paragraph(_marked(i), style)) for i in block.items],
        leftIndent=16,
        bulletFontSize=9,
        **{"bulletFontName": font_name("regular"), **mark},
    )


class _Box(Flowable):  # type: ignore[misc]
    """A box to tick."""

    def wrap(self, _width: float, _height: float) -> tuple[float, float]:
        """Size on the sheet."""
        return 9.0, 10.0

    def draw(self) -> None:
        """Draw its outline."""
        self.canv.setLineWidth(0.7)
        self.canv.rect(0, -1, 9, 9)


def _ticks(block: Items, wide: float) -> Table:
    style = _style("item", size=10)
    table = _Rows(
        [[_Box(), Paragraph(_marked(i), style)] for i in block.items], colWidths=[18, wide - 18]
    )
    table.setStyle(
        TableStyle(
            [
                _embedded(),
                ("VALIGN", (0, 0), (-1, -1), "TOP"),
                ("LEFTPADDING", (0, 0), (0, -1), 0),
            ]
        )
    )
    return table


def _table(block: Grid, wide: float) -> list[Any]:
    small, bold = _style("cell", size=8.5), _style("head", size=8.5, bold=True)
    title = Paragraph(_safe(block.title), _style("caption", size=9.5, bold=True))
    rows = [[title, *[""] * (len(block.head) - 1)], [Paragraph(_safe(h), bold) for h in block.head]]
    rows += [[Paragraph(_safe(c), small) for c in row] for row in block.rows]
    table = _Rows(rows, colWidths=[wide * s for s in block.shares], repeatRows=2)
    table.setStyle(
        TableStyle(
            [
                _embedded(),
                ("VALIGN", (0, 0), (-1, -1), "TOP"),
                ("SPAN", (0, 0), (-1, 0)),
                ("LINEBELOW", (0, 1), (-1, 1), 0.9, _INK),
                ("LINEBELOW", (0, 2), (-1, -1), 0.25, _QUIET),
                ("LEFTPADDING", (0, 0), (-1, -1), 0),
                ("RIGHTPADDING", (0, 0), (-1, -1), 5),
                ("TOPPADDING", (0, 0), (-1, -1), 2),
                ("BOTTOMPADDING", (0, 0), (-1, -1), 2.5),
            ]
        )
    )
    return [CondPageBreak(90), Spacer(0, 4), table, Spacer(0, 8)]


def _style(
    name: str,
    *,
    size: float,
    bold: bool = False,
    ink: Any = _INK,
    before: float = 0,
    after: float = 0,
) -> ParagraphStyle:
    return ParagraphStyle(
        name,
        fontName=font_name("bold" if bold else "regular"),
        fontSize=size,
        leading=size * 1.38,
        textColor=ink,
        spaceBefore=before,
        spaceAfter=after,
    )


def _marked(runs: Sequence[Run]) -> str:
    return "".join(
        f'<font name="{font_name("bold")}">{_safe(r.text)}</font>'
        if r.strong or r.source
        else f'<font name="{font_name("italic")}">{_safe(r.text)}</font>'
        if r.slanted
        else _safe(r.text)
        for r in runs
    )


def _safe(text: str) -> str:
    return str(escape(printable(text)))
