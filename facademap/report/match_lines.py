"""Match lines: where one sheet of an elevation goes on in the next, with the number of that sheet.

References
----------
Match lines as a heavy chain line that names the sheet beyond it are common practice of drawing offices.
"""

from __future__ import annotations

from facademap.report.page import Page
from facademap.report.sheet_layout import Sheets

__all__ = ["draw_match_lines", "sheet_at"]

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
    x, y, w, h = sheets.frame.field
    k = sheets.mm_per_m
    here = sheets.window(column, row)
    for across, up in ((-1, 0), (1, 0), (0, -1), (0, 1)):
        beyond = (column + across, row + up)
        if not (0 <= beyond[0] < sheets.columns and 0 <= beyond[1] < sheets.rows):
            continue
        there, words = sheets.window(*beyond), f"match line, sheet {sheet_at(sheets, *beyond)}"
        if across:
            at = x + (_shared(here, there, 0) - here[0]) * k
            ends = (at, y, at, y + h)
        else:
            at = y + (_shared(here, there, 1) - here[1]) * k
            ends = (x, at, x + w, at)
        page.line(*ends, width_mm=1.4, ink="#ffffff")
        page.line(*ends, width_mm=0.6, dash_mm=_DASH_MM)
        middle = ((ends[0] + ends[2]) / 2, (ends[1] + ends[3]) / 2)
        inward = 1.5 if across + up < 0 else -3.6
        place = (
            (at + (3.6 if across < 0 else -1.5), middle[1]) if across else (middle[0], at + inward)
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


def _shared(here: tuple[float, ...], there: tuple[float, ...], axis: int) -> float:
    """The middle of what two sheets both show along an axis, metres."""
    low = max(here[axis], there[axis])
    return (low + min(here[axis + 2], there[axis + 2])) / 2
