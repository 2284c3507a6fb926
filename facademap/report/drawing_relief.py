"""The relief of a wall on drawing sheets: contours and lines of sections in the field, the scale of depth, the sections."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from facademap.relief.contours import step_that_reads
from facademap.relief.section import Section
from facademap.report.page import Page
from facademap.report.relief_picture import depth_colour, depth_words
from facademap.report.sheet_layout import MARGIN, Sheets
from facademap.units import M_PER_FT, M_PER_INCH
from facademap.values import frozen_value

__all__ = ["CutLine", "ReliefLayer", "draw_relief_legend", "draw_relief_lines", "section_sheets"]

Floats = NDArray[np.floating[Any]]
Box = tuple[float, float, float, float]
_INK, _LINE = "#222222", "#7a1fa2"
#: A contour shorter than this on paper bears no figure.
_FIGURED_MM = 28.0
_COLOURS = 48
_BAR_MM, _SECTION_MM, _PLOT_MM = 62.0, 74.0, 46.0
_UNKNOWN = "#c4aabe"
_OVERDRAWN = (1, 2, 5, 10, 20, 50)
_95 = 1.959964


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class CutLine:
    """Where a section runs, and what it shows.

    Parameters
    ----------
    name : str
    ends_m : ndarray, shape (2, 2)
        In the development.
    section : Section
    """

    name: str
    ends_m: Floats
    section: Section


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class ReliefLayer:
    """What a sheet shows of the relief besides its picture.

    Parameters
    ----------
    ends_m : (low, high, step)
        Of the colours and their scale.
    every_m : float
        Distance of contours.
    contours : sequence of (float, ndarray)
        Metres out of the wall, and the line in the development.
    cuts : sequence of CutLine
    known_share : float
        Share of the cells of which anything is known.
    told : sequence of str
        Of each surface: which survey, made how, how exact. Stands on every sheet that is read by itself.
    """

    ends_m: tuple[float, float, float]
    every_m: float
    contours: Sequence[tuple[float, Floats]]
    cuts: Sequence[CutLine]
    known_share: float
    told: Sequence[str]


def draw_relief_lines(
    page: Page,
    layer: ReliefLayer,
    window: Box,
    to_page: Callable[[Any], Any],
    *,
    inches: bool,
) -> None:
    """Contours with their figures, and lines of sections with their names, inside a field.

    Parameters
    ----------
    page : Page
    layer : ReliefLayer
    window : (u0, v0, u1, v1)
        Box of the development that the sheet shows.
    to_page : callable
        From metres of the development to millimetres of the sheet.
    inches : bool
    """
    field = shapely.box(*window)
    page.layer = "contours"
    lines = [shapely.LineString(line) for _, line in layer.contours]
    inside = shapely.intersection(np.array(lines, dtype=object), field) if lines else []
    figures: list[tuple[float, float, float, str]] = []
    for (out_m, _), shape in zip(layer.contours, inside, strict=True):
        for part in shapely.get_parts(shape):
            if part.geom_type == "LineString" and len(part.coords) > 1:
                points = to_page(shapely.get_coordinates(part))
                page.rings([points], closed=False, ink=_INK, width_mm=0.13)
                figures += _figure(points, depth_words(out_m, inches))
    for x, y, angle, text in figures:
        page.text(x, y, text, size_pt=5.5, anchor="centre", angle_deg=angle, halo="#ffffff")
    page.layer = "sections"
    for cut in layer.cuts:
        shape = shapely.intersection(shapely.LineString(cut.ends_m), field)
        if shape.is_empty or shape.geom_type != "LineString":
            continue
        ends = to_page(shapely.get_coordinates(shape))
        page.rings([ends], closed=False, ink="#ffffff", width_mm=0.9)
        page.rings([ends], closed=False, ink=_LINE, width_mm=0.4, dash_mm=(6, 1.2, 1, 1.2))
        for place in (ends[0], ends[-1]):
            x, y = float(place[0]), float(place[1])
            page.text(
                x, y + 1.0, cut.name, size_pt=8, weight="bold", ink=_LINE, halo="#ffffff", anchor="centre"
            )  # fmt: skip


def _figure(points: Floats, text: str) -> Iterator[tuple[float, float, float, str]]:
    """The figure of a contour at its middle, along it; none on a short one."""
    steps = np.hypot(*np.diff(points, axis=0).T)
    length = float(steps.sum())
    if length < _FIGURED_MM:
        return
    k = int(np.searchsorted(np.cumsum(steps), length / 2))
    a, b = points[max(0, k - 4)], points[min(len(points) - 1, k + 4)]
    angle = math.degrees(math.atan2(b[1] - a[1], b[0] - a[0]))
    angle = angle - 180 if angle > 90 else angle + 180 if angle < -90 else angle
    yield float(points[k][0]), float(points[k][1]), angle, text


def draw_relief_legend(page: Page, layer: ReliefLayer, zone: Box, *, inches: bool) -> None:
    """The scale of depth with its figures, and what the lines mean.

    Parameters
    ----------
    page : Page
    layer : ReliefLayer
    zone : (x, y, width, height)
        Of the strip that is free, in millimetres.
    inches : bool
    """
    x, foot, w, h = zone
    unit = "in" if inches else "mm"
    low, high, step = layer.ends_m
    y = foot + h - 6
    page.text(x + 3, y, "Legend", size_pt=11, weight="bold")
    tall = min(_BAR_MM, max(20.0, h - 52))
    foot_of_bar = y - 9 - tall
    page.text(
        x + 3, y - 6, f"{unit} out of the wall's plane; + towards you", size_pt=7, within_mm=w - 6
    )
    for n in range(_COLOURS):
        red, green, blue = (round(float(c)) for c in depth_colour(np.array((n + 0.5) / _COLOURS)))
        page.box(
            x + 4, foot_of_bar + n * tall / _COLOURS, 9, tall / _COLOURS + 0.05,
            ink=None, fill=f"#{red:02x}{green:02x}{blue:02x}",
        )  # fmt: skip
    page.box(x + 4, foot_of_bar, 9, tall, width_mm=0.25)
    for n in range(round((high - low) / step) + 1):
        at = foot_of_bar + tall * n * step / (high - low)
        page.line(x + 13, at, x + 14.5, at, width_mm=0.25)
        page.text(x + 15.5, at - 0.9, depth_words(low + n * step, inches), size_pt=7)
    at = foot_of_bar - 6
    page.box(x + 4, at, 9, 3.4, width_mm=0.25, fill=_UNKNOWN)
    page.lines(
        [[[x + 4 + k, at], [x + 5.5 + k, at + 3.4]] for k in (0, 2, 4, 6)],
        ink="#ffffff",
        width_mm=0.5,
    )
    page.text(
        x + 15.5, at + 0.8, f"not known ({1 - layer.known_share:.1%} of the cells)", size_pt=7, within_mm=w - 18
    )  # fmt: skip
    at -= 5.5
    page.line(x + 4, at + 1, x + 13, at + 1, ink=_INK, width_mm=0.13)
    page.text(
        x + 15.5,
        at,
        f"contours every {_length(layer.every_m, inches)}",
        size_pt=7,
        within_mm=w - 18,
    )
    if layer.cuts:
        at -= 5.5
        page.line(x + 4, at + 1, x + 13, at + 1, ink=_LINE, width_mm=0.4, dash_mm=(6, 1.2, 1, 1.2))
        page.text(x + 15.5, at, "sections, on the sheet that follows", size_pt=7, within_mm=w - 18)
    at -= 5.5
    page.text(x + 3, at, "Light from the upper left, slopes overdrawn.", size_pt=7, within_mm=w - 6)


def _length(value_m: float, inches: bool) -> str:
    return f"{value_m / M_PER_INCH:.4g} in" if inches else f"{value_m * 1000:g} mm"


def section_sheets(layer: ReliefLayer, sheets: Sheets, *, inches: bool) -> list[Page]:
    """The sections, one above the other, at the scale of the drawing where they fit; what is not known is a gap.

    Parameters
    ----------
    layer : ReliefLayer
    sheets : Sheets
        Of the drawing.
    inches : bool
    """
    x, y, w, h = sheets.frame.field
    each = max(1, int((h - 8) // _SECTION_MM))
    pages = []
    for start in range(0, len(layer.cuts), each):
        page = Page(width_mm=sheets.frame.width, height_mm=sheets.frame.height, layer="sections")
        inner = (sheets.frame.width - 2 * MARGIN, sheets.frame.height - 2 * MARGIN)
        page.box(MARGIN, MARGIN, *inner, width_mm=0.7)
        sx, sy, _, sh = sheets.frame.strip
        page.line(sx, sy, sx, sy + sh, width_mm=0.5)
        page.text(sx + 3, sy + sh - 6, "Sections", size_pt=11, weight="bold")
        at = sy + sh - 12
        for said in (
            "Read from the cells of the relief, nothing interpolated. Blue band: 95 %. Gaps: not known. "
            "Heights are overdrawn as told beside each section: do not scale them off.",
            *layer.told,
        ):
            width = sheets.frame.strip[2] - 6
            at = page.paragraph(sx + 3, at, said, width_mm=width, size_pt=7) - 2
        for n, cut in enumerate(layer.cuts[start : start + each]):
            _draw_section(
                page, cut, (x + 16, y + h - 10 - (n + 1) * _SECTION_MM + 14, w - 20), sheets, inches
            )
        pages.append(page)
    return pages


def _draw_section(
    page: Page, cut: CutLine, place: tuple[float, float, float], sheets: Sheets, inches: bool
) -> None:
    x, y, room = place
    section = cut.section
    known = np.isfinite(section.out_m)
    doubt = _95 * np.nan_to_num(section.sigma_m)
    length = float(section.along_m[-1])
    fits = sheets.mm_per_m * length <= room
    along = sheets.mm_per_m if fits else room / length
    low = float((section.out_m - doubt)[known].min())
    high = float((section.out_m + doubt)[known].max())
    step = _step(high - low, inches)
    low, high = math.floor(low / step) * step, math.ceil(high / step) * step
    times = max((t for t in _OVERDRAWN if (high - low) * along * t <= _PLOT_MM), default=1)
    up = along * times
    tall = (high - low) * up
    for n in range(round((high - low) / step) + 1):
        at = y + n * step * up
        page.line(x, at, x + length * along, at, ink="#bbbbbb", width_mm=0.13)
        page.text(
            x - 1.5, at - 0.8, depth_words(low + n * step, inches), size_pt=6.5, anchor="right"
        )
    bands = [
        shapely.box(
            x + (s - gap) * along,
            y + (o - d - low) * up,
            x + (s + gap) * along,
            y + (o + d - low) * up,
        )
        for s, o, d, gap in _cells(section, known, doubt)
    ]
    if bands:
        shade = shapely.union_all(bands)
        rings = [np.asarray(p.exterior.coords)[:-1] for p in shapely.get_parts(shade)]
        page.rings(rings, ink=None, fill="#b6cbe0")
    for a, b in _runs(known):
        points = np.stack(
            [x + section.along_m[a:b] * along, y + (section.out_m[a:b] - low) * up], axis=1
        )
        if len(points) > 1:
            page.rings([points], closed=False, width_mm=0.3)
    _marks_along(page, (x, y, length, along), inches)
    scale = f"; 1:{sheets.scale:g} along" if fits else "; not at the scale of the drawing"
    page.text(x, y + tall + 4.5, f"Section {cut.name}", size_pt=9, weight="bold")
    page.text(
        x + 30,
        y + tall + 4.5,
        f"{'in' if inches else 'mm'} out of the wall's plane, {times} times as high as long{scale}",
        size_pt=7,
    )


def _step(wide_m: float, inches: bool) -> float:
    return step_that_reads(max(wide_m, 0.002), most=5, inches=inches)


def _cells(
    section: Section, known: NDArray[np.bool_], doubt: Floats
) -> Iterator[tuple[float, float, float, float]]:
    gap = float(section.along_m[1] - section.along_m[0]) / 2 if len(section.along_m) > 1 else 0.0
    for k in np.flatnonzero(known):
        yield float(section.along_m[k]), float(section.out_m[k]), float(doubt[k]), gap


def _runs(known: NDArray[np.bool_]) -> Iterator[tuple[int, int]]:
    edges = np.flatnonzero(np.diff(np.r_[0, known.astype(np.int8), 0]))
    yield from zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True)


def _marks_along(page: Page, place: tuple[float, float, float, float], inches: bool) -> None:
    x, y, length, along = place
    unit = M_PER_FT if inches else 1.0
    step = next((s for s in (0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0) if length / unit / s <= 10), 20.0)
    for n in range(int(length / unit / step) + 1):
        at = x + n * step * unit * along
        page.line(at, y, at, y - 1.5, width_mm=0.25)
        words = f"{n * step:g}" + ((" ft" if inches else " m") if n == 0 else "")
        page.text(at, y - 4.6, words, size_pt=6.5, anchor="centre")
