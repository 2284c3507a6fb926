"""What stands round a drawing: border, wall grid, legend, scale bar, key plan, notes, title block."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import shapely

from facademap.condition.signs import DASH_OF_LINE, LINE_EXTRA_MM, weight_of_class
from facademap.report.drawing_change import SCALE_MM, draw_change_scale
from facademap.report.drawing_content import Content, Group
from facademap.report.drawing_relief import draw_relief_legend
from facademap.report.drawing_schedule import draw_schedule_beside
from facademap.report.drawing_title import SheetWords, draw_title_block
from facademap.report.hatching import draw_hatch, draw_marks
from facademap.report.page import Page
from facademap.report.sheet_layout import MARGIN, Frame, Sheets, legible_pt
from facademap.report.typeface import MM_PER_PT, wrap_text
from facademap.units import M_PER_FT, format_area, format_feet_inches, format_length

__all__ = ["draw_frame", "draw_legend_sheet", "grid_boxes"]

#: Distance of the lines of a legend below which they could not be read any more.
LEAST_STEP_MM = 3.2
#: Type of a legend whose lines are so far apart.
_PT_PER_STEP = 1.75


def draw_frame(
    page: Page,
    content: Content,
    sheets: Sheets,
    place: tuple[int, int],
    number: tuple[int, int],
    *,
    words: SheetWords,
    left_out: int,
    shown: frozenset[str] | None = None,
    schedule: bool = False,
    low: bool = False,
) -> tuple[bool, float]:
    """All that stands round the field of one sheet, with the schedule under the legend if so wanted.

    A low title block leaves more room to the legend.

    Returns
    -------
    tuple of (bool, float)
        Whether the legend did not fit and needs a sheet of its own, and the height left free under it.
    """
    page.layer = "sheet"
    x, y, w, h = sheets.frame.field
    _mask(page, sheets.frame)
    page.box(x, y, w, h, width_mm=0.5)
    page.box(
        MARGIN,
        MARGIN,
        sheets.frame.width - 2 * MARGIN,
        sheets.frame.height - 2 * MARGIN,
        width_mm=0.7,
    )
    page.layer = "grid"
    _grid(page, content, sheets, sheets.window(*place))
    page.layer = "sheet"
    sx, sy, sw, sh = sheets.frame.strip
    page.line(sx, sy, sx, sy + sh, width_mm=0.5)
    foot = draw_title_block(page, content, sheets, number, words, low=low)
    foot = _scale_bar(page, sheets, foot, inches=content.inches)
    if sheets.columns * sheets.rows > 1:
        foot = _key_plan(page, content, sheets, place, foot)
    foot = _notes(page, content, sheets, foot, left_out)
    page.line(sx, foot, sx + sw, foot, width_mm=0.25)
    rows = None if shown is None or sheets.columns * sheets.rows == 1 else _rows(content, shown)
    too_long, base = _legend(
        page,
        content,
        (sx, foot, sw, sy + sh - foot),
        rows=rows,
        enlarge=sheets.frame.enlarge,
        sheet_follows=sheets.columns * sheets.rows + 1,
    )
    if schedule:
        page.line(sx, base, sx + sw, base, width_mm=0.25)
        draw_schedule_beside(page, content, (sx + 3, base, sw - 6))
    return too_long, base - foot - 2.0


def draw_legend_sheet(
    page: Page,
    content: Content,
    sheets: Sheets,
    number: tuple[int, int],
    *,
    words: SheetWords,
) -> None:
    """A sheet with the whole legend, in columns."""
    x, y, w, h = sheets.frame.field
    page.box(
        MARGIN,
        MARGIN,
        sheets.frame.width - 2 * MARGIN,
        sheets.frame.height - 2 * MARGIN,
        width_mm=0.7,
    )
    sx, sy, _, sh = sheets.frame.strip
    page.line(sx, sy, sx, sy + sh, width_mm=0.5)
    draw_title_block(page, content, sheets, number, words)
    columns = max(1, int(w // 85))
    wide = w / columns
    rows = _rows(content)
    each = math.ceil((len(rows) + 4) / columns)
    for n in range(columns):
        part = rows[n * each : (n + 1) * each]
        if part:
            _legend(
                page,
                content,
                (x + n * wide, y, wide - 4, h),
                rows=part,
                first=n == 0,
                last=(n + 1) * each >= len(rows),
            )


def _mask(page: Page, frame: Frame) -> None:
    """White round the field, over what a picture or a leader may have put there."""
    x, y, w, h = frame.field
    page.rings(
        [
            [(0, 0), (frame.width, 0), (frame.width, frame.height), (0, frame.height)],
            [(x, y), (x + w, y), (x + w, y + h), (x, y + h)],
        ],
        ink=None,
        fill="#ffffff",
    )


#: Half the length of a cross of the grid.
_ARM = 1.5
#: Quarters of the scale bar.
_BAR_M = (0.025, 0.05, 0.1, 0.2, 0.25, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0)
_BAR_FT = (0.0625, 0.125, 0.25, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0)
#: Unit of the grid in metres and its steps, by whether inches come first.
_GRID_OF = {
    False: (1.0, (0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 1e9)),
    True: (M_PER_FT, (0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 1e9)),
}


def _along(value_m: float, step_m: float, inches: bool) -> str:
    """A figure of the grid."""
    if inches:
        return format_feet_inches(value_m).removesuffix(' 0"')
    return f"{value_m + 0.0:.{1 if step_m < 1 else 0}f}"


def _grid_places(
    content: Content, sheets: Sheets, window: tuple[float, float, float, float]
) -> tuple[Any, Any, Any, Any, list[tuple[float, float]], float]:
    """Figures along both sides, where they and the crosses stand on the sheet, and their step in metres."""
    x, y, _, _ = sheets.frame.field
    k = sheets.mm_per_m
    unit_m, steps = _GRID_OF[content.inches]
    step = next(s * unit_m for s in steps if s * unit_m * k >= 18)
    # figures stand where there is wall, and one step beyond
    low = np.maximum(window[:2], np.array(content.box[:2]) - step)
    high = np.minimum(window[2:], np.array(content.box[2:]) + step)
    us, vs = (
        np.arange(math.ceil(a / step - 1e-9), math.floor(b / step + 1e-9) + 1) * step
        for a, b in zip(low, high, strict=True)
    )
    px, py = (us - window[0]) * k + x, (vs - window[1]) * k + y
    on = [
        (a, b)
        for a, u in zip(px, us, strict=True)
        for b, v in zip(py, vs, strict=True)
        if any(
            p.box[0] - 1e-9 <= u <= p.box[2] + 1e-9 and p.box[1] - 1e-9 <= v <= p.box[3] + 1e-9
            for p in content.panels
        )
    ]
    return us, vs, px, py, on, step


def grid_boxes(
    content: Content, sheets: Sheets, window: tuple[float, float, float, float]
) -> list[tuple[float, float, float, float]]:
    """Where the crosses of the grid stand on a sheet, so that nothing is written over them."""
    return [
        (a - _ARM, b - _ARM, a + _ARM, b + _ARM)
        for a, b in _grid_places(content, sheets, window)[4]
    ]


def _grid(
    page: Page, content: Content, sheets: Sheets, window: tuple[float, float, float, float]
) -> None:
    """Wall coordinates: crosses in the field, figures on its edge."""
    x, y, w, h = sheets.frame.field
    us, vs, px, py, on, step = _grid_places(content, sheets, window)
    unit = "ft" if content.inches else "m"
    page.lines([[[a, y - 2], [a, y]] for a in px], width_mm=0.25)
    page.lines([[[x - 2, b], [x, b]] for b in py], width_mm=0.25)
    page.lines(
        [[[a - _ARM, b], [a + _ARM, b]] for a, b in on]
        + [[[a, b - _ARM], [a, b + _ARM]] for a, b in on],
        width_mm=0.13,
        ink="#222222",
    )
    for a, u in zip(px, us, strict=True):
        if a > x + w - 10:
            continue
        page.text(a, y - 5, _along(u, step, content.inches), size_pt=6.5, anchor="centre")
    for b, v in zip(py, vs, strict=True):
        if b > y + h - 16:
            continue
        page.text(
            x - 2.6, b, _along(v, step, content.inches), size_pt=6.5, anchor="centre", angle_deg=90
        )
    page.text(
        x + w - 0.5, y - 5, f"u, {unit}", size_pt=6.5, anchor="right", weight="bold", halo="#ffffff"
    )
    page.text(
        x - 2.6,
        y + h - 1.5,
        f"level v, {unit}",
        size_pt=6.5,
        anchor="right",
        angle_deg=90,
        weight="bold",
        halo="#ffffff",
    )


def _scale_bar(page: Page, sheets: Sheets, foot: float, *, inches: bool) -> float:
    """A bar in the unit that comes first, and a finer one in the other."""
    x, _, w, _ = sheets.frame.strip
    k, room = sheets.mm_per_m, w - 14
    metres = max((u for u in _BAR_M if u * 4 * k <= room), default=_BAR_M[0])
    feet = max((f for f in _BAR_FT if f * 4 * M_PER_FT * k <= room), default=_BAR_FT[0])
    first, second = (feet * M_PER_FT, metres) if inches else (metres, feet * M_PER_FT)
    labels = [f"{n * (feet if inches else metres):g}" for n in range(5)]
    labels[4] += " ft" if inches else " m"
    y = foot + 9
    for n in range(4):
        fill = "#111111" if n % 2 == 0 else "#ffffff"
        page.box(x + 4 + n * first * k, y, first * k, 2.2, width_mm=0.25, fill=fill)
    for n, label in enumerate(labels):
        page.text(x + 4 + n * first * k, y + 3.2, label, size_pt=7, anchor="centre")
    end = x + 4 + 4 * second * k
    page.line(x + 4, y - 2.5, end, y - 2.5, width_mm=0.3)
    page.lines([[[a, y - 3.5], [a, y - 1.5]] for a in (x + 4, end)], width_mm=0.3)
    told = f"({4 * metres:g} m)" if inches else f"({4 * feet:g} ft)"
    page.text(end + 1.5, y - 3.3, told, size_pt=6.5)
    page.line(x, y + 8, x + w, y + 8, width_mm=0.25)
    return y + 8


def _key_plan(
    page: Page, content: Content, sheets: Sheets, place: tuple[int, int], foot: float
) -> float:
    x, _, w, _ = sheets.frame.strip
    first, last = sheets.window(0, 0), sheets.window(sheets.columns - 1, sheets.rows - 1)
    low, high = np.array(first[:2]), np.array(last[2:])
    k = min(
        (w - 10) / (high[0] - low[0]),
        (34.0 if sheets.frame.height > 250 else 22.0) / (high[1] - low[1]),
    )
    put = np.array([x + 5, foot + 3])
    for panel in content.panels:
        (a, b), (c, d) = (
            (np.array(panel.box[:2]) - low) * k + put,
            (np.array(panel.box[2:]) - low) * k + put,
        )
        page.box(a, b, c - a, d - b, width_mm=0.2, fill="#ddd7cb")
    for shape in shapely.get_parts(content.openings) if len(content.openings) else ():
        if shape.geom_type == "Polygon":
            page.rings(
                [(np.asarray(shape.exterior.coords)[:-1] - low) * k + put], ink=None, fill="#ffffff"
            )
    count = 0
    for row in range(sheets.rows - 1, -1, -1):
        for column in range(sheets.columns):
            count += 1
            window = sheets.window(column, row)
            (a, b), (c, d) = (
                (np.array(window[:2]) - low) * k + put,
                (np.array(window[2:]) - low) * k + put,
            )
            here = (column, row) == place
            page.box(
                a,
                b,
                c - a,
                d - b,
                width_mm=0.9 if here else 0.25,
                ink="#a3161b" if here else "#333333",
            )
            page.text(
                (a + c) / 2,
                (b + d) / 2 - 1.2,
                str(count),
                size_pt=9,
                weight="bold",
                anchor="centre",
                ink="#a3161b" if here else "#333333",
            )
    top = foot + 3 + (high[1] - low[1]) * k
    page.text(x + 3, top + 1.5, "Key plan", size_pt=8, weight="bold")
    page.line(x, top + 6, x + w, top + 6, width_mm=0.25)
    return float(top + 6)


def _notes(page: Page, content: Content, sheets: Sheets, foot: float, left_out: int) -> float:
    x, _, w, _ = sheets.frame.strip
    size = 6.5
    texts = list(content.notes)
    if left_out:
        texts.append(
            f"{left_out} numbers found no room on this sheet: the schedule lists them by place."
        )
    lines = [
        (line, n == 0) for text in texts for n, line in enumerate(wrap_text(text, w - 9, size))
    ]
    step = size * MM_PER_PT * 1.25
    y = foot + 3 + step * (len(lines) - 1)
    top = y + 4
    for text, first in lines:
        if first:
            page.discs([(x + 3.6, y + 0.8)], 0.4)
        page.text(x + 5, y, text, size_pt=size)
        y -= step
    page.text(x + 3, top, "Notes", size_pt=8, weight="bold")
    page.line(x, top + 4.5, x + w, top + 4.5, width_mm=0.25)
    return top + 4.5


def _rows(content: Content, shown: frozenset[str] | None = None) -> list[Group | str]:
    """Headings and groups in their order; only those that a sheet shows where that is given."""
    groups = [g for g in content.groups if shown is None or g.name in shown]
    rows: list[Group | str] = []
    for heading in dict.fromkeys(g.heading for g in groups):
        rows.append(heading)
        rows += [g for g in groups if g.heading == heading]
    return rows


def _legend(
    page: Page,
    content: Content,
    zone: tuple[float, float, float, float],
    *,
    rows: list[Group | str] | None = None,
    first: bool = True,
    last: bool = True,
    enlarge: float = 1.0,
    sheet_follows: int = 0,
) -> tuple[bool, float]:
    """Signs with number and area, without the families' headings where only so they fit.

    Tells whether not all of them fit, and how far down they reach.
    """
    if content.relief is not None:
        draw_relief_legend(page, content.relief, zone, inches=content.inches)
        return False, zone[1]
    x, foot, w, h = zone
    top, inches = foot + h, content.inches
    if first:
        page.text(x + 3, top - 6, "Legend", size_pt=11, weight="bold")
        page.text(x + w - 3, top - 6, "number, net", size_pt=6.5, anchor="right")
    rows = _rows(content) if rows is None else rows
    tail = 6.0 + (6.0 if content.kind == "condition" else 0.0)
    tail += SCALE_MM if content.change is not None else 0.0
    room = h - 9 - tail
    step = min(5.4, room / max(1, len(rows)))
    least = legible_pt(LEAST_STEP_MM * _PT_PER_STEP, enlarge) / _PT_PER_STEP
    if step < least:
        rows = [row for row in rows if not isinstance(row, str)]
        step = min(5.4, room / max(1, len(rows)))
    if step < least:
        page.paragraph(
            x + 3,
            top - 12,
            f"The signs and their areas stand on sheet {sheet_follows}."
            if sheet_follows
            else "See the quantities.",
            width_mm=w - 6,
            size_pt=8,
        )
        return True, foot
    base = top - 9
    if not content.groups:
        base -= step
        page.text(
            x + 3,
            base + 0.6,
            "Nothing is recorded for this drawing yet.",
            size_pt=7.5,
            within_mm=w - 6,
        )
    for row in rows:
        base -= step
        if isinstance(row, str):
            page.text(
                x + 3,
                base + 0.6,
                row,
                size_pt=min(7.5, step * _PT_PER_STEP),
                weight="bold",
                within_mm=w - 6,
            )
            continue
        _swatch(page, row, x + 3, base, 9.0, step - 0.9)
        size = min(8.0, step * _PT_PER_STEP)
        page.text(
            x + 13.5, base + step * 0.22, row.short, size_pt=size, weight="bold", ink=row.colour
        )
        shift = 8.5 if row.short else 0.0
        figures = (
            f"{len(row.shapes)}"
            + (f"   {format_area(row.area_m2, inches=inches)}" if row.area_m2 > 0 else "")
            + (f"   {format_length(row.length_m, inches=inches)}" if row.length_m > 0 else "")
        )
        taken = page.text(
            x + w - 3, base + step * 0.22, figures, size_pt=size, anchor="right", within_mm=w * 0.5
        )
        page.text(
            x + 13.5 + shift,
            base + step * 0.22,
            row.name,
            size_pt=size,
            within_mm=w - 18 - shift - taken,
        )
    if not last:
        return False, base
    total_area, total_length = (
        sum(g.area_m2 for g in content.groups),
        sum(g.length_m for g in content.groups),
    )
    count = sum(len(g.shapes) for g in content.groups)
    page.line(x + 3, base - 1.2, x + w - 3, base - 1.2, width_mm=0.25)
    # figures are those of the elevation, also where a sheet has the signs of its own part alone
    shown = sum(not isinstance(row, str) for row in rows)
    whole = "All" if shown >= len(content.groups) else "Whole elevation"
    taken = page.text(x + 3, base - 4.8, whole, size_pt=8, weight="bold", within_mm=w * 0.45)
    page.text(
        x + w - 3,
        base - 4.8,
        f"{count}   {format_area(total_area, inches=inches)}   {format_length(total_length, inches=inches)}",
        size_pt=8,
        weight="bold",
        anchor="right",
        within_mm=w - 8 - taken,
    )
    if content.kind == "condition":
        page.text(x + 3, base - 10.5, "Class", size_pt=6.5)
        for n in range(4):
            left = x + 14 + n * (w - 15) / 4
            page.line(left, base - 9.6, left + 3.5, base - 9.6, width_mm=weight_of_class(n))
            page.text(left + 4.2, base - 10.5, f"CC{n}", size_pt=6.5)
        return False, base - 13.0
    if content.change is not None:
        draw_change_scale(page, content.change, (x, base - 7.0, w), inches=inches)
        return False, base - 8.0 - SCALE_MM
    return False, base - 8.0


def _swatch(page: Page, group: Group, x: float, y: float, width: float, height: float) -> None:
    """The sign of a group as it is drawn on the wall: an area, a line, or a place."""
    dimension = int(shapely.get_dimensions(group.shapes).max(initial=-1))
    if dimension == 1:
        ends = (x, y + height / 2, x + width, y + height / 2)
        width, dash = weight_of_class(1) + LINE_EXTRA_MM, DASH_OF_LINE.get(group.name, ())
        page.line(*ends, ink=group.colour, width_mm=width, dash_mm=dash)
        return
    if dimension == 0:
        draw_marks(page, [(x + width / 2, y + height / 2)], group.colour, weight_of_class(1))
        return
    if group.fill:
        page.box(x, y, width, height, ink=None, fill=group.colour, opacity=group.fill)
    draw_hatch(page, [shapely.box(x, y, x + width, y + height)], group)
    page.box(x, y, width, height, ink=group.colour, width_mm=0.3)
