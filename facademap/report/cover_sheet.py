"""Cover of a set of drawings: which sheets there are, which walls in plan, how to read them, and the general notes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from facademap.condition.signs import PROPOSED_DASH_MM, URGENCY_MARKS, weight_of_class
from facademap.report.cover_key import KeyWall, draw_key_walls
from facademap.report.cover_layout import GENERAL_NOTES, STEP, note_lines, share_cover, signs_mm
from facademap.report.drawing_clouds import draw_clouds
from facademap.report.drawing_north import draw_plan_key
from facademap.report.drawing_title import SheetWords, draw_issue
from facademap.report.enlarging import enlarged
from facademap.report.page import Page
from facademap.report.paper import paper_named
from facademap.report.scales import scale_words
from facademap.report.sheet_layout import MARGIN, Frame
from facademap.report.typeface import MM_PER_PT, text_width_mm, wrap_text

__all__ = ["CoverRow", "draw_cover"]

#: Type of small lines, as a share of that of the index.
_SMALLER = 0.75
#: Room for the cloud of a revision below the line before it.
_CLOUD_MM = 12.5
#: Sizes of a name that takes two lines on the bar.
_NAMES = (24.0, 20.0, 17.0, 15.0, 13.0, 11.0, 9.5)
#: Room for the names of walls on either side of their key.
_BESIDE = 22.0
#: Where the columns of the index begin, as a share of its width.
_AT = (0.0, 0.14, 0.66, 0.84, 1.0)
_HEADS = ("No.", "Drawing", "Scale", "Sheets")


@dataclass(frozen=True, slots=True, kw_only=True)
class CoverRow:
    """A drawing of the set.

    Parameters
    ----------
    number : str
        Of the issued drawing; empty for a working print.
    title : str
    scale : float
        Denominator.
    sheets : int
    facing_deg : float or None
        Where its elevation faces.
    elevation : str
    """

    number: str
    title: str
    scale: float
    sheets: int
    facing_deg: float | None
    elevation: str


def draw_cover(
    rows: Sequence[CoverRow],
    *,
    sheet: str,
    words: SheetWords,
    buildings: Sequence[str] = (),
    walls: Sequence[KeyWall] = (),
    inches: bool = False,
) -> list[Page]:
    """The sheets of the cover: one, or more where the index of a large set goes on.

    Parameters
    ----------
    rows : sequence of CoverRow
        In the order of the set.
    sheet : str
        Name of the paper.
    words : SheetWords
    buildings : sequence of str
    walls : sequence of KeyWall
        Drawn small where the index leaves room.
    inches : bool
        Whether scales are told in inches.
    """
    frame = Frame.of(*paper_named(sheet, landscape=True))
    x, y, w, h = (
        MARGIN + 6,
        MARGIN + 5,
        frame.width - 2 * MARGIN - 12,
        frame.height - 2 * MARGIN - 10,
    )
    bare = Page(width_mm=frame.width, height_mm=frame.height)
    top = _head(bare, words, buildings, (x, y + h, w))
    layout = share_cover(
        (w, top - y),
        rows=len(rows),
        walls=walls,
        issue_mm=draw_issue(bare, words, (1, 1), 0.0, 0.0, 90.0),
    )
    half, size = w * layout.share, layout.size_pt
    wide = min(90.0, 0.62 * (w - half))  # clear of the signs
    most = max(1, int((h - 42.0) // (size * STEP)))
    parts = [rows[n : n + most] for n in range(0, len(rows), most)] or [rows]
    pages = []
    for n, part in enumerate(parts, start=1):
        page = Page(
            width_mm=frame.width,
            height_mm=frame.height,
            title="Cover" if n == 1 else f"Cover {n}",
        )
        page.box(MARGIN, MARGIN, frame.width - 2 * MARGIN, frame.height - 2 * MARGIN, width_mm=0.7)
        top = _head(page, words, buildings, (x, y + h, w))
        low = _index(page, part, (x, top, half - 8), size, inches=inches)
        right = x + half
        if n == len(parts):
            draw_key_walls(page, walls, (x, y + 4, x + half - 8, low - 8))
        if n == 1:
            low = _notes(page, (right, top, w - half), size)
            signs = w - half if layout.key_below else min(signs_mm(size), (w - half) * 0.62)
            end = _signs(page, (right, low - 3, signs), size, foot=MARGIN)
            if layout.key_below:
                _walls(page, rows, (right, end - 2, w - half + 6 - wide), MARGIN + 2)
            else:
                _walls(page, rows, (right + signs + 4, low - 3, w - half - signs - 4), y + 34)
        end = draw_issue(page, words, (n, len(parts)), frame.width - MARGIN - wide, MARGIN, wide)
        page.line(
            frame.width - MARGIN - wide, MARGIN, frame.width - MARGIN - wide, end, width_mm=0.25
        )
        page.line(frame.width - MARGIN - wide, end, frame.width - MARGIN, end, width_mm=0.25)
        pages.append(enlarged(page, frame.enlarge))
    return pages


def _head(
    page: Page, words: SheetWords, buildings: Sequence[str], zone: tuple[float, float, float]
) -> float:
    x, top, w = zone
    page.box(MARGIN, top - 13, page.width_mm - 2 * MARGIN, 18, ink=None, fill="#111111")
    name, size = _on_bar(words.project, w * 0.66)
    step = size * MM_PER_PT * 1.15
    for n, line in enumerate(name):
        base = top - 4 - size * MM_PER_PT * 0.36 + step * ((len(name) - 1) / 2 - n)
        page.text(x, base, line, size_pt=size, weight="bold", ink="#ffffff", within_mm=w * 0.66)
    page.text(
        x + w, top - 6.4, "COVER OF THE DRAWINGS", size_pt=11, weight="bold", ink="#ffffff", anchor="right",
        within_mm=w * 0.3,
    )  # fmt: skip
    told = [b for b in dict.fromkeys(buildings) if b and b != words.project]
    at = top - 19.0
    for line in wrap_text(", ".join(told), w, 10.0, most_lines=4):
        page.text(x, at, line, size_pt=10, within_mm=w)
        at -= 4.6
    return min(at - 2.4, top - 26.0)


def _on_bar(name: str, wide_mm: float) -> tuple[list[str], float]:
    """A name in at most two lines, and its size."""
    for size in _NAMES:
        lines = wrap_text(name, wide_mm, size, weight="bold")
        if len(lines) == 1 or (len(lines) == 2 and size <= _NAMES[2]):
            return lines, size
    return wrap_text(name, wide_mm, _NAMES[-1], weight="bold", most_lines=3), _NAMES[-1]


def _index(
    page: Page,
    rows: Sequence[CoverRow],
    zone: tuple[float, float, float],
    size: float,
    *,
    inches: bool,
) -> float:
    """The index; returns how far down it reaches."""
    x, top, w = zone
    small, step = max(6.0, size * _SMALLER), size * STEP
    page.text(x, top, "Index of drawings", size_pt=size + 3, weight="bold")
    at = top - 7.0
    ends = _AT[1:]
    for share, head in zip(_AT, _HEADS, strict=False):
        page.text(x + share * w, at, head, size_pt=max(6.5, small))
    page.line(x, at - 1.6, x + w, at - 1.6, width_mm=0.4)
    at -= 0.9
    if not rows:
        page.text(x, at - step, "No drawing yet: no elevation has an extent.", size_pt=size)
    for row in rows:
        at -= step
        texts = (
            row.number or "not issued",
            row.title,
            scale_words(row.scale, inches=inches),
            str(row.sheets),
        )
        for k, (share, end, text) in enumerate(zip(_AT, ends, texts, strict=False)):
            wide, bold = (end - share) * w - 1.5, k == 0 and bool(row.number)
            lines = wrap_text(text, wide, small, most_lines=2) if k == 1 else [text]
            if len(lines) == 1 or text_width_mm(text, size) <= wide:
                page.text(
                    x + share * w,
                    at,
                    text,
                    size_pt=size,
                    weight="bold" if bold else "regular",
                    within_mm=wide,
                )
                continue
            for n, line in enumerate(lines):  # the end of a name may be what tells it from another
                page.text(
                    x + share * w,
                    at + size * 0.19 - size * 0.3 * n,
                    line,
                    size_pt=small,
                    within_mm=wide,
                )
        page.line(x, at - size * 0.19, x + w, at - size * 0.19, width_mm=0.1, ink="#999999")
    return at


def _notes(page: Page, zone: tuple[float, float, float], size: float) -> float:
    """The general notes, numbered; returns how far down they reach."""
    x, top, w = zone
    page.text(x, top, "General notes and cautions", size_pt=size + 3, weight="bold")
    step, at = size * MM_PER_PT * 1.25, top - 6.5
    last = len(GENERAL_NOTES)
    for n, lines in enumerate(note_lines(w, size), start=1):
        page.text(x, at, f"{n}", size_pt=size, weight="bold")
        for line in lines:
            page.text(x + 6, at, line, size_pt=size, weight="bold" if n == last else "regular")
            at -= step
        at -= 1.1
    return at


def _signs(page: Page, zone: tuple[float, float, float], size: float, *, foot: float) -> float:
    """What is the same on every drawing, how far down it reaches; other signs stand on each for itself."""
    x, top, w = zone
    page.text(x, top - 3, "On every drawing", size_pt=size + 3, weight="bold")
    at, wide = top - 9.5, 14.0
    # ten lines and the cloud, which is taller, stay above the foot of the sheet
    step = min(size * STEP, (at - foot - _CLOUD_MM) / 10)

    def told(text: str) -> None:
        nonlocal at
        page.text(x + wide + 4, at - 0.9, text, size_pt=size - 0.5, within_mm=w - wide - 5)
        at -= step

    for n in range(4):
        page.line(x, at, x + wide, at, width_mm=weight_of_class(n))
        told(f"outline of condition class CC{n}")
    page.line(x, at, x + wide, at, width_mm=0.35, dash_mm=PROPOSED_DASH_MM)
    told("proposed by the program, confirmed by nobody")
    for urgency in (2, 3):
        page.text(
            x + wide / 2, at - 1, URGENCY_MARKS[urgency], size_pt=9, weight="bold", anchor="centre"
        )
        told(f"after the letter: urgency class UC{urgency}")
    page.box(x + 2, at - 1.8, wide - 4, 3.6, width_mm=0.3)
    page.lines(
        [
            [[x + 2, at - 1.8], [x + wide - 2, at + 1.8]],
            [[x + 2, at + 1.8], [x + wide - 2, at - 1.8]],
        ],
        width_mm=0.13,
        ink="#9aa0aa",
    )
    told("opening, not counted in areas")
    page.line(x, at, x + wide, at, width_mm=0.3, ink="#444444", dash_mm=(6, 1.5, 1, 1.5))
    told("edge of a surface")
    page.line(x, at, x + wide, at, width_mm=0.25, dash_mm=(3, 2))
    told("edge of the control (beyond: extrapolated)")
    at -= 4.5  # a cloud is taller than a line
    changed = np.array([shapely.box(x + 4, at - 0.8, x + 8, at + 0.8)], dtype=object)
    draw_clouds(page, changed, "B", within=(x - 3, at - 7, x + wide + 5, at + 9))
    told("changed at revision B")
    return at


def _walls(
    page: Page, rows: Sequence[CoverRow], zone: tuple[float, float, float], least: float
) -> None:
    """The elevations in plan by where they face, under a heading."""
    x, top, w = zone
    facing: dict[float, list[str]] = {}
    for row in rows:
        if row.facing_deg is not None and row.elevation not in facing.get(row.facing_deg, ()):
            facing.setdefault(row.facing_deg, []).append(row.elevation)
    names = {azimuth: ", ".join(walls) for azimuth, walls in facing.items()}
    size = min(max(25.0, w - 2 * _BESIDE), top - 6 - least, 60.0)
    if not names or size < 25:
        return
    page.text(x, top - 3, "Elevations by where they face", size_pt=9, weight="bold", within_mm=w)
    draw_plan_key(
        page, x + (w - size) / 2, top - 7 - size, size, facing_deg=None, others_deg=list(names), names=names,
        within=(x - 2, x + w),
    )  # fmt: skip
