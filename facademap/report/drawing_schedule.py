"""The schedule that belongs to a drawing: every number on it, what it is, how large, and where it lies."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import shapely

from facademap.report.drawing_content import Content
from facademap.report.drawing_title import SheetWords, draw_title_block
from facademap.report.page import Page
from facademap.report.sheet_layout import MARGIN, Sheets
from facademap.report.typeface import text_width_mm, wrap_text
from facademap.units import M_PER_INCH, format_area, format_feet_inches, format_length

__all__ = ["count_of_schedule", "draw_schedule", "draw_schedule_beside", "height_of_schedule"]

_SIZE, _STEP, _HEAD = 7.0, 3.9, 12.7
_COLUMN_MM = 128.0
#: Where each part of a row begins, as a share of the column; beside the drawing, where numbers are found by eye, no places.
_AT = (0.0, 0.13, 0.5, 0.6, 0.8)
_AT_CHANGE = (0.0, 0.13, 0.46, 0.63, 0.83)
_AT_BESIDE = (0.0, 0.15, 0.54, 0.76, 1.0)
_HEADS = ("No.", "What", "Class", "Size", "u, v")
_CLASSES = {
    "condition": "Class",
    "repair": "Stage",
    "as-built": "Stage or class",
    "change": "Depth",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class _Row:
    number: str
    what: str
    classes: str
    size: str
    place: str


def _shares(content: Content) -> tuple[float, ...]:
    return _AT_CHANGE if content.kind == "change" else _AT


def _columns_of(sheets: Sheets) -> tuple[int, int]:
    """Columns and rows that a sheet holds."""
    _, _, w, h = sheets.frame.field
    return max(1, int(w // _COLUMN_MM)), max(1, int((h - _HEAD - 12.0) // _STEP))


def draw_schedule(
    content: Content, sheets: Sheets, words: SheetWords, *, first: int, total: int
) -> Iterator[Page]:
    """The sheets of the schedule.

    Parameters
    ----------
    content : Content
    sheets : Sheets
        Of the drawing, for the size of the sheet.
    words : SheetWords
    first, total : int
        Number of the first of them in the set, and sheets of the set.
    """
    lines = _lines(content, sheets)
    columns, most = _columns_of(sheets)
    x, y, w, h = sheets.frame.field
    for n, start in enumerate(range(0, len(lines), columns * most)):
        page = Page(
            width_mm=sheets.frame.width,
            height_mm=sheets.frame.height,
            title=f"{content.elevation}, schedule {n + 1}",
        )
        page.box(
            MARGIN, MARGIN, sheets.frame.width - 2 * MARGIN, sheets.frame.height - 2 * MARGIN, width_mm=0.7
        )  # fmt: skip
        sx, sy, _, sh = sheets.frame.strip
        page.line(sx, sy, sx, sy + sh, width_mm=0.5)
        draw_title_block(page, content, sheets, (first + n, total), words)
        page.text(
            x, y + h - 6, f"Schedule, {content.elevation}", size_pt=12, weight="bold", within_mm=w
        )
        wide = w / columns
        for c in range(columns):
            part = lines[start + c * most : start + (c + 1) * most]
            if part:
                _column(
                    page, content, part, (x + c * wide, y + h - _HEAD, wide - 5.0), _shares(content)
                )
        yield page


def height_of_schedule(content: Content, width_mm: float) -> float:
    """Room that the schedule takes in the strip beside a drawing, with its heading."""
    return _HEAD + _STEP * len(_lines_within(content, width_mm, _AT_BESIDE))


def draw_schedule_beside(page: Page, content: Content, zone: tuple[float, float, float]) -> None:
    """The schedule in the strip beside the drawing; the zone is its left edge, its top and its width."""
    x, top, w = zone
    page.text(x, top - 5, "Schedule", size_pt=9, weight="bold")
    _column(page, content, _lines_within(content, w, _AT_BESIDE), (x, top - 5.5, w), _AT_BESIDE)


def count_of_schedule(content: Content, sheets: Sheets) -> int:
    """Sheets that the schedule takes."""
    columns, most = _columns_of(sheets)
    return -(-len(_lines(content, sheets)) // (columns * most))


def _column(
    page: Page,
    content: Content,
    rows: Sequence[_Row | str],
    zone: tuple[float, float, float],
    shares: tuple[float, ...],
) -> None:
    x, top, w = zone
    at = top - 4
    ends = (*shares[1:], 1.0)
    for share, end, head in zip(shares, ends, _HEADS, strict=True):
        if end > share:
            told = _CLASSES[content.kind] if head == "Class" else head
            if content.inches:
                told = told.replace(", mm", ", in")
            page.text(x + share * w, at, told, size_pt=6.5, within_mm=(end - share) * w - 1.0)
    page.line(x, at - 1.4, x + w, at - 1.4, width_mm=0.35)
    at -= 0.7
    for row in rows:
        at -= _STEP
        if isinstance(row, str):
            page.text(x + shares[1] * w, at, row, size_pt=_SIZE)
            continue
        texts = (row.number, row.what, row.classes, row.size, row.place)
        for k, (share, end, text) in enumerate(zip(shares, ends, texts, strict=True)):
            if end <= share:
                continue
            page.text(
                x + share * w,
                at,
                text,
                size_pt=_SIZE,
                weight="bold" if k == 0 else "regular",
                within_mm=(end - share) * w - 1.0,
            )
        page.line(x, at - 1.1, x + w, at - 1.1, width_mm=0.09, ink="#999999")


def _lines(content: Content, sheets: Sheets) -> list[_Row | str]:
    """Rows in the order of their numbers; a name too long for its column goes on below."""
    _, _, w, _ = sheets.frame.field
    columns, _ = _columns_of(sheets)
    return _lines_within(content, w / columns - 5.0, _shares(content))


def _lines_within(content: Content, width_mm: float, shares: tuple[float, ...]) -> list[_Row | str]:
    room = width_mm * (shares[2] - shares[1]) - 1.0
    lines: list[_Row | str] = []
    for row in _rows(content):
        parts = (
            [row.what]
            if text_width_mm(row.what, _SIZE) <= room
            else wrap_text(row.what, room, _SIZE)
        )
        lines.append(
            _Row(number=row.number, what=parts[0] if parts else "", classes=row.classes, size=row.size, place=row.place)
        )  # fmt: skip
        lines += parts[1:]
    return lines


def _rows(content: Content) -> list[_Row]:
    found: list[tuple[str, _Row]] = []
    inches = content.inches
    for group in content.groups:
        for k, shape in enumerate(group.shapes):
            name = group.told[k] if group.told else group.name
            centre = shapely.point_on_surface(shape)
            dimension = int(shapely.get_dimensions(shape))
            size = (
                _area(shape.area, inches=inches)
                if dimension == 2
                else format_length(shape.length, inches=inches)
                if dimension == 1
                else "place"
            )
            u, v = (
                (format_feet_inches(c, denominator=1) if inches else f"{c:.2f}")
                for c in (centre.x, centre.y)
            )
            row = _Row(
                number=str(group.ids[k]),
                what=f"{name}, not confirmed" if group.proposed[k] else name,
                classes=group.classes[k],
                size=group.sizes[k] if group.sizes else size,
                place=f"{u}, {v}",
            )
            found.append((row.number, row))
    return [row for _, row in sorted(found, key=lambda f: _natural(f[0]))]


def _area(area_m2: float, *, inches: bool) -> str:
    """An area; what would round to almost nothing in the smaller unit."""
    if area_m2 >= 0.01:
        return format_area(area_m2, inches=inches)
    return f"{area_m2 / M_PER_INCH**2:.0f} in²" if inches else f"{area_m2 * 1e4:.0f} cm²"


def _natural(text: str) -> tuple[tuple[int, int | str], ...]:
    return tuple(
        (0, int(p)) if p.isdigit() else (1, p) for p in re.split(r"(\d+)", text.casefold()) if p
    )
