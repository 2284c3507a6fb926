"""The index in front of a pack of papers."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from facademap.report.page import Page
from facademap.report.paper import paper_named
from facademap.report.pdf import dated, write_pdf

__all__ = ["Entry", "write_pack_index"]

#: Millimetres: edge of the sheet, line to line and as close as they may be set, lowest line.
_MARGIN, _STEP, _CLOSEST, _LOWEST = 16.0, 5.2, 4.5, 22.0
_NOTES = (
    "In the order of the work. The number in the lower margin of a sheet says which paper it is; before work, ask whether it still holds.",
    "Loose stone, lifting, dust and scaffolds: as the cautions on each sheet say; defer to local codes and licensed practice.",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One line: what it is, number of its paper, page of the pack, and sheets."""

    title: str
    number: str
    page: int
    sheets: int


def write_pack_index(
    title: str, entries: Sequence[Entry], *, project: str, day: str, paper: str
) -> bytes:
    """Pages of the index as a PDF.

    Parameters
    ----------
    title : str
    entries : sequence of Entry
    project, paper : str
    day : str
        Day of the last edit that the papers show.
    """
    with dated(day):
        return write_pdf(_pages(title, entries, project, day, paper), title=f"{title}, index")


def _pages(
    title: str, entries: Sequence[Entry], project: str, day: str, paper: str
) -> Iterator[Page]:
    width, height = paper_named(paper)
    right = width - _MARGIN
    page, y = _head(title, project, day, width, height)
    for note in _NOTES:
        y = page.paragraph(_MARGIN, y, note, width_mm=right - _MARGIN, size_pt=8.5) - 0.5
    y -= 3
    # a few lines more than a page holds are set closer, so that none is left alone on another
    tight = (y - _LOWEST) / max(len(entries) - 1, 1)
    step = min(_STEP, tight) if tight >= _CLOSEST else _STEP
    for entry in entries:
        if y < _LOWEST - 1e-6:
            yield page
            page, y = _head(title, project, day, width, height)
        page.text(_MARGIN, y, entry.title, size_pt=9.5, within_mm=right - _MARGIN - 62)
        page.text(right - 38, y, entry.number, size_pt=8, anchor="right")
        sheets = f"{entry.sheets} sheets" if entry.sheets > 1 else "1 sheet"
        page.text(right - 14, y, sheets, size_pt=8, anchor="right")
        page.text(right, y, str(entry.page), size_pt=9.5, weight="bold", anchor="right")
        page.line(_MARGIN, y - 1.6, right, y - 1.6, width_mm=0.1, ink="#aaaaaa")
        y -= step
    yield page


def _head(title: str, project: str, day: str, width: float, height: float) -> tuple[Page, float]:
    page = Page(width_mm=width, height_mm=height, title="Index")
    page.box(_MARGIN, height - 30, width - 2 * _MARGIN, 14, ink=None, fill="#111111")
    page.text(
        _MARGIN + 4, height - 25.5, title, size_pt=16, weight="bold", ink="#ffffff", within_mm=110
    )
    page.text(
        width - _MARGIN - 4,
        height - 25,
        project,
        size_pt=9,
        ink="#ffffff",
        anchor="right",
        within_mm=60,
    )
    page.text(
        _MARGIN,
        height - 37,
        f"Last edit shown: {day}. Paper, sheets, page of this pack.",
        size_pt=8.5,
    )
    return page, height - 44
