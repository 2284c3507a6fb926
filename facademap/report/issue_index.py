"""Paper about issued papers: the sheet that goes with a transmittal, and the index of all that was ever issued."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from facademap.report.issue_register import Document, Register, Transmittal
from facademap.report.page import Page
from facademap.report.paper import paper_named
from facademap.report.pdf import dated, write_pdf
from facademap.report.typeface import MM_PER_PT, wrap_text

__all__ = ["write_index", "write_transmittal_sheet"]

_MARGIN = 14.0
_SIZE = 8.5


_CAUTIONS = (
    "A sheet holds only at the revision named here, and only until a later one is issued. Before work: ask with number and "
    "revision, facademap issued PROJECT --sheet NUMBER.",
    "Sizes marked provisional are measured on the cut-out before anything is sawn. Loose stone, lifting, dust and scaffolds: "
    "defer to local codes and licensed practice.",
)


def write_transmittal_sheet(
    one: Transmittal,
    documents: Sequence[Document],
    *,
    project: str,
    paper: str,
    before: Register,
) -> bytes:
    """The sheet on top of what is handed out.

    Parameters
    ----------
    one : Transmittal
    documents : sequence of Document
        Papers in it, in their order.
    project, paper : str
        Name of the project, size of the sheet.
    before : Register
        As it was before, to tell which of them replace others.
    """
    had = {d.number: d for d in before.current}
    rows = []
    for document in documents:
        old = had.get(document.number)
        note = (
            "new"
            if old is None
            else "as issued before"
            if old.name == document.name
            else f"replaces rev {old.revision.letter}: take that one back"
        )
        rows.append(
            (document.number, document.revision.letter, document.title, _sheets(document), note)
        )
    facts = (
        ("Project", project),
        ("Issued", f"{one.date}, {one.status}"),
        ("To", "; ".join(one.to)),
        ("Reason", one.reason),
    )
    with dated(one.date):
        return write_pdf(
            _pages(
                f"TRANSMITTAL {one.id}",
                facts,
                [("", ("Number", "Rev", "Title", "Sheets", "Note"), rows)],
                paper,
            ),
            title=f"Transmittal {one.id}, {project}",
            subject="What was handed out, and to whom",
        )


def write_index(register: Register, *, project: str, paper: str) -> bytes:
    """The index of all issued papers: the current ones, the superseded ones, and every transmittal.

    Parameters
    ----------
    register : Register
    project, paper : str
    """
    last = register.transmittals[-1].date if register.transmittals else ""
    current = [
        (d.number, d.revision.letter, d.title, f"{d.revision.status}, {d.revision.date}", "; ".join(register.who_got(d)))
        for d in register.current
    ]  # fmt: skip
    old = [
        (d.number, d.revision.letter, d.title, f"{d.revision.status}, {d.revision.date}", "; ".join(register.who_got(d)))
        for d in register.superseded
    ]  # fmt: skip
    sent = [
        (t.id, "", t.reason, f"{t.status}, {t.date}", "; ".join(t.to))
        for t in register.transmittals
    ]
    heads = ("Number", "Rev", "Title", "Status, date", "Who has it")
    with dated(last):
        return write_pdf(
            _pages(
                "INDEX OF ISSUED PAPERS",
                (("Project", project), ("As of", last or "nothing was issued")),
                [
                    ("Current", heads, current),
                    ("Superseded: not to be worked from", heads, old),
                    ("Transmittals", ("Number", "", "Reason", "Status, date", "To"), sent),
                ],
                paper,
            ),
            title=f"Index of issued papers, {project}",
            subject="Every paper with its revision, status and who has it",
        )


def _sheets(document: Document) -> str:
    return str(document.pages) if document.pages else "file"


Table = tuple[str, tuple[str, ...], Sequence[tuple[str, ...]]]
#: Where each column begins, as a share of the width.
_AT = (0.0, 0.1, 0.16, 0.56, 0.74)


def _pages(
    title: str, facts: Sequence[tuple[str, str]], tables: Sequence[Table], paper: str
) -> Iterator[Page]:
    width, height = paper_named(paper)
    room = width - 2 * _MARGIN
    step = _SIZE * MM_PER_PT * 1.3
    count = 0

    def fresh() -> tuple[Page, float]:
        nonlocal count
        count += 1
        page = Page(width_mm=width, height_mm=height, title=f"{title} {count}")
        page.box(_MARGIN, height - _MARGIN - 12, room, 12, ink=None, fill="#111111")
        page.text(
            _MARGIN + 4, height - _MARGIN - 8.6, title, size_pt=16, weight="bold", ink="#ffffff", within_mm=room - 30,
        )  # fmt: skip
        page.text(
            width - _MARGIN - 3, height - _MARGIN - 8.2, f"page {count}", size_pt=9, ink="#ffffff", anchor="right",
        )  # fmt: skip
        return page, height - _MARGIN - 19

    page, y = fresh()
    for name, text in facts:
        page.text(_MARGIN, y, name, size_pt=_SIZE, weight="bold")
        y = page.paragraph(_MARGIN + 24, y, text, width_mm=room - 24, size_pt=_SIZE + 1) - 0.6
    for caution in _CAUTIONS:
        y = page.paragraph(_MARGIN, y - 0.8, caution, width_mm=room, size_pt=_SIZE)
    for heading, heads, rows in tables:
        if not rows:
            continue
        if y < _MARGIN + 30:
            yield page
            page, y = fresh()
        if heading:
            y -= 4
            page.text(_MARGIN, y, heading, size_pt=11, weight="bold")
            y -= 1.5
        y -= 4
        _row(page, y, [[h] for h in heads], room, step, bold=True)
        page.line(_MARGIN, y - 1.4, width - _MARGIN, y - 1.4, width_mm=0.4)
        y -= step + 1
        for row in rows:
            cells = _cells(row, room)
            tall = step * max(len(c) for c in cells) + 2.0
            if y - tall < _MARGIN + 4:
                yield page
                page, y = fresh()
            _row(page, y, cells, room, step)
            y -= tall
            page.line(_MARGIN, y + 3.4, width - _MARGIN, y + 1.9, width_mm=0.13, ink="#999999")
    yield page


def _cells(row: Sequence[str], room: float) -> list[list[str]]:
    ends = (*_AT[1:], 1.0)
    return [
        wrap_text(text, (end - at) * room - 1.5, _SIZE, most_lines=12) or [""]
        for text, at, end in zip(row, _AT, ends, strict=True)
    ]


def _row(
    page: Page,
    y: float,
    cells: Sequence[Sequence[str]],
    room: float,
    step: float,
    *,
    bold: bool = False,
) -> None:
    for k, (lines, at) in enumerate(zip(cells, _AT, strict=True)):
        for n, line in enumerate(lines):
            page.text(
                _MARGIN + at * room,
                y - n * step,
                line,
                size_pt=_SIZE,
                weight="bold" if bold or k < 2 else "regular",
            )
