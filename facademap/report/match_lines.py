"""Match lines: where one sheet of an elevation goes on in the next, with the number of that sheet.

References
----------
Match lines as a heavy chain line that names the sheet beyond it are common practice of drawing offices.
"""

from __future__ import annotations

from collections.abc import Iterator

from facademap.report.page import Page
from facademap.report.sheet_layout import Sheets

__all__ = ["draw_match_lines", "match_line_boxes", "sheet_at"]

Box = tuple[float, float, float, float]
Place = tuple[int, int]
#: Kept clear on either side of a line, where its words stand.
_CLEAR = 4.6
_DASH_MM = (9.0, 1.5, 1.5, 1.5, 1.5, 1.5)


def sheet_at(sheets: Sheets, column: int, row: int) -> int:
    """Number of a sheet of the field, counted from the upper left.

    Parameters
    ----------
    sheets : Sheets
    column, row : int
        Counted from the lower left.
    """
    return (sheets.rows - 1 - row) * sheets.columns + column + 1


def draw_match_lines(page: Page, sheets: Sheets, column: int, row: int) -> None:
    """Draw the lines at which a sheet meets its neighbours, in the middle of what both show.

    Parameters
    ----------
    page : Page
        Drawn on.
    sheets : Sheets
    column, row : int
        The sheet, counted from the lower left.
    """
    page.layer = "sheet"
    for across, at, ends, beyond in _lines(sheets, column, row):
        words = f"match line, sheet {sheet_at(sheets, *beyond)}"
        page.line(*ends, width_mm=1.4, ink="#ffffff")
        page.line(*ends, width_mm=0.6, dash_mm=_DASH_MM)
        middle = ((ends[0] + ends[2]) / 2, (ends[1] + ends[3]) / 2)
        place = (
            (at + (3.6 if beyond[0] < column else -1.5), middle[1])
            if across
            else (middle[0], at + (1.5 if beyond[1] < row else -3.6))
        )
        page.text(
            *place,
            words,
            size_pt=7.5,
            weight="bold",
            anchor="centre",
            halo="#ffffff",
            angle_deg=90.0 if across else 0.0,
        )


def match_line_boxes(sheets: Sheets, column: int, row: int) -> list[Box]:
    """Where the match lines of a sheet and their words stand, so that nothing is written over them."""
    return [
        (ends[0] - _CLEAR, ends[1], ends[2] + _CLEAR, ends[3])
        if across
        else (ends[0], ends[1] - _CLEAR, ends[2], ends[3] + _CLEAR)
        for across, _, ends, _ in _lines(sheets, column, row)
    ]


def _lines(sheets: Sheets, column: int, row: int) -> Iterator[tuple[bool, float, Box, Place]]:
    """Each match line: whether it is upright, where it stands, its ends on the page, and the sheet beyond."""
    x, y, w, h = sheets.frame.field
    k = sheets.mm_per_m
    here = sheets.window(column, row)
    for across, up in ((-1, 0), (1, 0), (0, -1), (0, 1)):
        beyond = (column + across, row + up)
        if not (0 <= beyond[0] < sheets.columns and 0 <= beyond[1] < sheets.rows):
            continue
        there = sheets.window(*beyond)
        if across:
            at = x + (_shared(here, there, 0) - here[0]) * k
            yield True, at, (at, y, at, y + h), beyond
        else:
            at = y + (_shared(here, there, 1) - here[1]) * k
            yield False, at, (x, at, x + w, at), beyond


def _shared(here: tuple[float, ...], there: tuple[float, ...], axis: int) -> float:
    """The middle of what two sheets both show along an axis, metres."""
    low = max(here[axis], there[axis])
    return (low + min(here[axis + 2], there[axis + 2])) / 2
