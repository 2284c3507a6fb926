"""The smallest rectangle of a hatch that repeats, as strokes and dots in millimetres of paper.

A page or a style fills an outline by laying the cell side by side; a drawing cuts the same lines exactly at the outline.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from facademap.condition.glossary import Hatch

__all__ = ["HatchCell", "hatch_cell"]

Stroke = tuple[float, float, float, float]

#: Most lines of a hatch in a cell, and the share by which dashes may be stretched so that they repeat with it.
_MOST_LINES = 5
_STRETCH = 0.1
#: What is drawn beyond the cell, so that nothing is cut thin at its edge.
_MARGIN_MM = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class HatchCell:
    """One cell of a hatch, its corner at the upper left, x to the right, y down.

    Parameters
    ----------
    width_mm, height_mm : float
        After which it repeats.
    strokes_mm : tuple of (x1, y1, x2, y2)
        Lines, and dashes of lines, also those that reach in from the cells beside it.
    dots_mm : tuple of (x, y)
        Middles of dots, likewise.
    """

    width_mm: float
    height_mm: float
    strokes_mm: tuple[Stroke, ...] = ()
    dots_mm: tuple[tuple[float, float], ...] = ()


def hatch_cell(hatch: Hatch) -> HatchCell:
    """The cell of a hatch whose lines run level, upright or at 45 degrees, or that is made of dots.

    Notes
    -----
    Dashes are stretched by about a tenth where they would not repeat with the lines.

    Examples
    --------
    >>> cell = hatch_cell(Hatch(angles_deg=(0.0,), spacing_mm=2.0))
    >>> cell.width_mm, cell.height_mm, len(cell.strokes_mm)
    (2.0, 2.0, 1)
    """
    if not hatch.angles_deg:
        wide, high = hatch.spacing_mm, hatch.spacing_mm * math.sqrt(3.0)
        dots = [
            (wide * (i + shift / 2 + 0.25), high * (j + shift / 2 + 0.25))
            for i in range(-2, 3)
            for j in range(-2, 3)
            for shift in (0, 1)
        ]
        near = [d for d in dots if _within(d[0], wide) and _within(d[1], high)]
        return HatchCell(width_mm=wide, height_mm=high, dots_mm=tuple(near))
    lines, stretch = _repeat(hatch)
    slanted = any(angle % 90 for angle in hatch.angles_deg)
    side = lines * hatch.spacing_mm * (math.sqrt(2.0) if slanted else 1.0)
    dash = tuple(d * stretch for d in hatch.dash_mm)
    strokes = tuple(
        stroke
        for angle in hatch.angles_deg
        for stroke in _strokes(angle, hatch.spacing_mm, side, dash)
    )
    return HatchCell(width_mm=side, height_mm=side, strokes_mm=strokes)


def _within(at: float, side: float) -> bool:
    return -_MARGIN_MM < at < side + _MARGIN_MM


def _repeat(hatch: Hatch) -> tuple[int, float]:
    """Lines in a cell, and the stretch of the dashes, so that both repeat with it."""
    period = sum(hatch.dash_mm)
    if not period:
        return 1, 1.0
    best = (math.inf, 1, 1.0)
    for lines in range(1, _MOST_LINES + 1):
        length = lines * hatch.spacing_mm
        stretch = length / (max(1, round(length / period)) * period)
        best = min(best, (abs(stretch - 1.0), lines, stretch))
        if abs(stretch - 1.0) <= _STRETCH:
            return lines, stretch
    return best[1], best[2]


def _strokes(
    angle_deg: float, spacing: float, side: float, dash: tuple[float, ...]
) -> list[Stroke]:
    """Dashes of the lines of one direction that are seen in a cell."""
    turn = math.radians(angle_deg)
    along, across = (math.cos(turn), -math.sin(turn)), (math.sin(turn), math.cos(turn))
    reach = math.ceil(2 * side / spacing) + 2
    found = []
    for n in range(-reach, reach + 1):
        level = (n + 0.5) * spacing
        foot = (across[0] * level, across[1] * level)
        span = _span(foot, along, side)
        for start, stop in _dashes(span, dash) if span else ():
            found.append(
                (
                    foot[0] + along[0] * start,
                    foot[1] + along[1] * start,
                    foot[0] + along[0] * stop,
                    foot[1] + along[1] * stop,
                )
            )
    return found


def _span(
    foot: tuple[float, float], along: tuple[float, float], side: float
) -> tuple[float, float] | None:
    """From where to where a line runs through the cell and its margin."""
    low, high = -math.inf, math.inf
    for at, way in zip(foot, along, strict=True):
        if abs(way) < 1e-9:
            if not _within(at, side):
                return None
            continue
        ends = sorted(((-_MARGIN_MM - at) / way, (side + _MARGIN_MM - at) / way))
        low, high = max(low, ends[0]), min(high, ends[1])
    return (low, high) if low < high else None


def _dashes(span: tuple[float, float], dash: tuple[float, ...]) -> list[tuple[float, float]]:
    """The stretches of a span that a dash leaves drawn; the dash begins at the foot of the line."""
    low, high = span
    period = sum(dash)
    if not period:
        return [span]
    found = []
    for k in range(math.floor(low / period), math.ceil(high / period) + 1):
        start = k * period
        for n, length in enumerate(dash):
            a, b = max(low, start), min(high, start + length)
            if n % 2 == 0 and a < b:
                found.append((a, b))
            start += length
    return found
