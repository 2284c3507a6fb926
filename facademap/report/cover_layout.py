"""How a cover shares its sheet between index and walls on the left, notes and signs on the right."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from facademap.repair.cautions import DEFER
from facademap.report.cover_key import KeyWall, scale_of_walls
from facademap.report.typeface import MM_PER_PT, wrap_text

__all__ = ["GENERAL_NOTES", "STEP", "CoverLayout", "note_lines", "share_cover", "signs_mm"]

GENERAL_NOTES = (
    "Work to the figures on cut tickets and schedules, never to lengths taken off a print; check the scale bar of a sheet before "
    "anything is measured from it.",
    "Elevations are seen square on, from outside: u runs to the right, v upwards. Each drawing says at which height its level "
    "v = 0 lies, and how far its picture can be trusted; nothing is set out from a sheet that is marked NOT PROVED.",
    "Sizes of repairs are provisional. The cut-out is measured when it is open, and nothing is sawn before the sizes as cut "
    "are recorded.",
    "Conditions were seen from outside on the day of the survey. A survey is no proof of safety: what is loose, leaning or "
    "newly cracked is reported at once, and nobody stands below it.",
    "Before old stone is cut out: consent of those who look after the monument, the engineer's decision where stone carries "
    "load, propping as decided, and protection of what is below and beside.",
    "Cutting and drilling stone sets free silica dust: wet or with extraction, and fitted masks. Lime is caustic: gloves, "
    "goggles, clean water for the eyes. Lift by weight as the ticket says.",
    "Lime work needs mild, frost-free weather and protection while it cures, as the setting sheets say.",
    "A sheet holds only at its latest revision. Superseded sheets are destroyed or struck through.",
    DEFER,
)
#: Sizes of type tried for index and notes; small lines and rows go with them.
_SIZES, STEP = (16.0, 15.0, 14.0, 13.0, 12.0, 11.0, 10.0, 9.0, 8.0), 0.65
#: Shares of the width tried for index and walls; a wide one only in a type that is read well.
_SHARES, _LEAST_WIDE = (0.5, 0.54, 0.58, 0.62, 0.66), 10.0
#: Lines of what is the same on every drawing, the room of the longest of them at 1 pt, and that of its sign.
_SIGNS, _SIGN_PER_PT, _SIGN_MM = 11, 7.4, 19.0
#: Room of the key in plan with the names beside it: its width, and its height where it stands below the signs.
_KEY_WIDE, _KEY_TALL = 72.0, 62.0


@dataclass(frozen=True, slots=True, kw_only=True)
class CoverLayout:
    """How a cover is shared.

    Parameters
    ----------
    share : float
        Of the width, for index and walls.
    size_pt : float
        Type of index and notes.
    key_below : bool
        Whether the key in plan stands below the signs, not beside them.
    """

    share: float
    size_pt: float
    key_below: bool


def share_cover(
    room: tuple[float, float],
    *,
    rows: int,
    walls: Sequence[KeyWall],
    issue_mm: float,
) -> CoverLayout:
    """The layout that leaves the least of the sheet empty.

    Parameters
    ----------
    room : (width, height)
        Below the head of the sheet, millimetres.
    rows : int
        Of the index.
    walls : sequence of KeyWall
    issue_mm : float
        Height of the block of the issue in the lower right corner.
    """
    found = [
        (_used(room, layout, rows=rows, walls=walls), layout)
        for share in _SHARES
        for size in _SIZES
        if share == _SHARES[0] or size >= _LEAST_WIDE
        for layout in [_fitted(room, share, size, rows=rows, issue_mm=issue_mm)]
        if layout is not None
    ]
    if not found:
        return CoverLayout(share=_SHARES[0], size_pt=_SIZES[-1], key_below=False)
    return max(found, key=lambda one: one[0])[1]


def _fitted(
    room: tuple[float, float], share: float, size: float, *, rows: int, issue_mm: float
) -> CoverLayout | None:
    """The layout at a share and a size, where all that must stand on the sheet has room."""
    width, height = room
    right = width * (1 - share)
    below = signs_mm(size) + _KEY_WIDE > right
    tall = _tall(right, size) + (max(_KEY_TALL, issue_mm) if below else issue_mm)
    if tall > height or rows * size * STEP > 0.6 * (height - 10.0):
        return None
    if below and signs_mm(size) > right:
        return None
    return CoverLayout(share=share, size_pt=size, key_below=below)


def _used(
    room: tuple[float, float], layout: CoverLayout, *, rows: int, walls: Sequence[KeyWall]
) -> float:
    """Square millimetres of the sheet that are written or drawn on."""
    width, height = room
    left = width * layout.share - 8.0
    index = 10.0 + rows * layout.size_pt * STEP
    used = _tall(width - width * layout.share, layout.size_pt) * width * (1 - layout.share)
    used += index * left
    if walls:
        scale = scale_of_walls(walls, left, height - index - 12.0)[1]
        used += sum((w.box[2] - w.box[0]) * (w.box[3] - w.box[1]) for w in walls) * scale**2
    return used


def signs_mm(size: float) -> float:
    """Width of what is the same on every drawing, at a size of type."""
    return _SIGN_MM + _SIGN_PER_PT * size


def _tall(width_mm: float, size: float) -> float:
    """Height that notes and signs take at a size of type."""
    notes = 10.5 + sum(
        len(one) * size * MM_PER_PT * 1.25 + 1.1 for one in note_lines(width_mm, size)
    )
    return notes + 3 + 9.5 + _SIGNS * size * STEP + 9.0


def note_lines(width_mm: float, size: float) -> list[list[str]]:
    """The general notes as they are written at a size of type, line by line."""
    *most, last = GENERAL_NOTES
    wide = width_mm - 7
    return [
        *(wrap_text(note, wide, size) for note in most),
        wrap_text(last, wide, size, weight="bold"),
    ]
