"""The title block of a drawing: what it is, at what scale, who issued it as what, and its revisions."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from facademap.report.drawing_content import Content
from facademap.report.drawing_north import draw_plan_key
from facademap.report.page import Page
from facademap.report.revision import IssueMark
from facademap.report.scales import scale_words
from facademap.report.sheet_layout import Sheets
from facademap.report.typeface import MM_PER_PT, Weight, text_width_mm, wrap_text

__all__ = ["SheetWords", "draw_issue", "draw_title_block"]

_TITLES = {
    "condition": "CONDITION DRAWING",
    "repair": "REPAIR DRAWING",
    "as-built": "AS-BUILT DRAWING",
    "relief": "RELIEF",
    "change": "CHANGE BETWEEN SURVEYS",
}
#: Revisions shown; older ones stand in the index of the issued papers.
_MOST_REVISIONS = 4
_ROW = 4.3
#: Room of who drew and who checked a revision.
_BY_MM = 15.0
#: Side of the key in plan; of the one beside the scale where room is scarce.
_KEY_MM, _SMALL_KEY_MM = 17.0, 12.0
#: Type of the names of project and elevation: the largest in which two lines hold them.
_PROJECT_PT, _ELEVATION_PT = (9.0, 8.0, 7.0), (13.0, 11.0, 9.0, 8.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetWords:
    """What a sheet says of itself besides its content.

    Parameters
    ----------
    project : str
        Name of the project.
    revision : str
        State of the project that a working print shows.
    mark : IssueMark or None
        Number and revisions of an issued drawing; ``None`` for a working print.
    gone : tuple of str
        What the revision before showed, and this one does not.
    """

    project: str = ""
    revision: str = ""
    mark: IssueMark | None = None
    gone: tuple[str, ...] = ()


def draw_title_block(
    page: Page,
    content: Content,
    sheets: Sheets,
    number: tuple[int, int],
    words: SheetWords,
    *,
    low: bool = False,
) -> float:
    """Draw it at the foot of the strip; returns how high it reaches.

    A low one, for long names beside a long legend, has its key in plan beside the scale.
    """
    x, y, w, _ = sheets.frame.strip
    at = _foot(page, content, sheets, y)
    at = draw_issue(page, words, number, x, at, w)
    page.line(x, at, x + w, at, width_mm=0.25)
    page.text(x + 3, at + 8.6, "Scale", size_pt=6.5)
    told = content.facing_deg is not None
    page.text(
        x + 3,
        at + 2.4,
        scale_words(sheets.scale, inches=content.inches),
        size_pt=16,
        weight="bold",
        within_mm=w - 6 - (_SMALL_KEY_MM if low and told else 0.0),
    )
    if low and told:
        _facing(page, content, x + w - 2 - _SMALL_KEY_MM, at + 0.2, _SMALL_KEY_MM)
        facing = f"faces {content.facing_deg:.0f}° from north"
        page.text(
            x + w - 3 - _SMALL_KEY_MM, at + 8.6, facing, size_pt=6.5, anchor="right", within_mm=w - 30
        )  # fmt: skip
    return _names(page, content, words, (x, at + 12.0, w), key=told and not low)


def draw_issue(
    page: Page, words: SheetWords, number: tuple[int, int], x: float, y: float, w: float
) -> float:
    """Revision table, number, status, date and names, from a height upwards; returns how high they reach."""
    return _issue(page, words, number, x, _revisions(page, words, x, y, w), w)


def _facing(page: Page, content: Content, x: float, y: float, size: float) -> None:
    draw_plan_key(
        page, x, y, size, facing_deg=content.facing_deg, others_deg=content.other_facings_deg
    )


def _names(
    page: Page,
    content: Content,
    words: SheetWords,
    zone: tuple[float, float, float],
    *,
    key: bool,
) -> float:
    x, y, w = zone
    inner, first = w - 6, 2.6 if content.facing_deg is not None and not key else 6.6
    page.line(x, y, x + w, y, width_mm=0.25)
    if key:
        inner -= _KEY_MM
        facing = f"faces {content.facing_deg:.0f}° from north"
        page.text(x + 3, y + 2.2, facing, size_pt=7.5, within_mm=inner)
        _facing(page, content, x + w - _KEY_MM - 1, y + 0.2, _KEY_MM)
    top = _name(page, words.project, (x + 3, y + first, inner), _PROJECT_PT, weight="regular")
    top = _name(page, content.elevation, (x + 3, top + 4.8, inner), _ELEVATION_PT, weight="bold")
    page.box(x, top + 6.1, w, 9, ink=None, fill="#111111")
    page.text(
        x + 3, top + 8.7, _TITLES[content.kind], size_pt=11, weight="bold", ink="#ffffff", within_mm=w - 6
    )  # fmt: skip
    page.line(x, top + 15.1, x + w, top + 15.1, width_mm=0.5)
    return top + 15.1


def _name(
    page: Page,
    name: str,
    at: tuple[float, float, float],
    sizes_pt: Sequence[float],
    *,
    weight: Weight,
) -> float:
    """A name upwards from its last line, in the largest type that takes two lines, else in four; returns its first base line."""
    x, y, wide = at
    size = next(
        (s for s in sizes_pt if len(wrap_text(name, wide, s, weight=weight)) <= 2), sizes_pt[-1]
    )
    lines = wrap_text(name, wide, size, weight=weight, most_lines=4)
    step = size * MM_PER_PT * 1.2
    for n, line in enumerate(reversed(lines)):
        page.text(x, y + n * step, line, size_pt=size, weight=weight, within_mm=wide)
    return y + max(0, len(lines) - 1) * step


def _issue(
    page: Page, words: SheetWords, number: tuple[int, int], x: float, y: float, w: float
) -> float:
    """Number, sheet, status, date, and who answers for it."""
    page.line(x, y, x + w, y, width_mm=0.25)
    sheet = f"sheet {number[0]} of {number[1]}"
    if words.mark is None:
        page.text(
            x + 3,
            y + 8.4,
            "WORKING PRINT, NOT ISSUED",
            size_pt=9,
            weight="bold",
            ink="#a3161b",
            within_mm=w - 6,
        )
        page.text(x + 3, y + 4.9, sheet, size_pt=8, weight="bold")
        page.text(
            x + 3,
            y + 1.4,
            f"shows {words.revision}" if words.revision else "no edit is recorded",
            size_pt=6.5,
            within_mm=w - 6,
        )
        return y + 12.0
    last = words.mark.last
    page.text(x + 3, y + 12.6, words.mark.name, size_pt=15, weight="bold", within_mm=w * 0.58)
    page.text(x + w - 3, y + 12.8, sheet, size_pt=9, weight="bold", anchor="right")
    page.text(x + 3, y + 8.4, last.status.upper(), size_pt=9, weight="bold", within_mm=w * 0.6)
    page.text(x + w - 3, y + 8.4, last.date, size_pt=9, weight="bold", anchor="right")
    page.text(x + 3, y + 4.9, f"Drawn {last.drawn_by}", size_pt=7, within_mm=w - 6)
    checked = f"Checked {last.checked_by}" if last.checked_by else "NOT CHECKED"
    page.text(x + 3, y + 1.6, checked, size_pt=7, within_mm=w - 6)
    return y + 18.5


def _revisions(page: Page, words: SheetWords, x: float, y: float, w: float) -> float:
    """The revision table, the last one on top."""
    if words.mark is None:
        return y
    page.line(x, y, x + w, y, width_mm=0.25)
    rows = words.mark.revisions[-_MOST_REVISIONS:]
    at = y
    if words.gone:
        told = ", ".join(words.gone[:6]) + (
            f" and {len(words.gone) - 6} more" if len(words.gone) > 6 else ""
        )
        page.text(x + 3, at + 1.4, f"Not on it any more: {told}", size_pt=6.5, within_mm=w - 6)
        at += _ROW
    for revision in rows:
        page.text(x + 3, at + 1.3, revision.letter, size_pt=7, weight="bold", within_mm=6)
        page.text(x + 9, at + 1.3, revision.date, size_pt=6.5)
        page.text(x + 25, at + 1.3, revision.reason, size_pt=6.5, within_mm=w - 43)
        by = ", ".join(n for n in (revision.drawn_by, revision.checked_by) if n)
        if text_width_mm(by, 6.5) > _BY_MM:  # their names stand in full with the last revision
            by = ", ".join(map(_initials, filter(None, (revision.drawn_by, revision.checked_by))))
        page.text(x + w - 2, at + 1.3, by, size_pt=6.5, anchor="right", within_mm=_BY_MM)
        at += _ROW
        page.line(x, at, x + w, at, width_mm=0.13)
    for text, left in (("Rev", 3), ("Date", 9), ("Reason", 25)):
        page.text(x + left, at + 1.2, text, size_pt=6.5)
    page.text(x + w - 2, at + 1.2, "by, checked", size_pt=6.5, anchor="right")
    return at + _ROW


def _initials(name: str) -> str:
    """What a revision table has room for.

    Examples
    --------
    >>> _initials("Anna Lanner"), _initials("B. Reed")
    ('AL', 'BR')
    """
    return "".join(word[0] for word in re.split(r"[\s.-]+", name) if word)


def _foot(page: Page, content: Content, sheets: Sheets, y: float) -> float:
    x, _, w, _ = sheets.frame.strip
    unit = "feet and inches" if content.inches else "metres"
    page.text(
        x + 3,
        y + 1.8,
        f"{sheets.sheet}, print at 100 %. Lengths in {unit} of the wall.",
        size_pt=6.5,
        within_mm=w - 6,
    )
    return y + 5.0
