"""A page as a list of marks in millimetres, the same for PDF and SVG.

The origin is the lower left corner of the sheet, x to the right, y up. Marks know nothing of a file
format; :mod:`facademap.report.pdf` and :mod:`facademap.report.svg` put them down.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from facademap.report.scripts import glyph_rings, runs_of
from facademap.report.typeface import (
    MM_PER_PT,
    Weight,
    fit_text,
    is_foreign,
    own_letters,
    printable,
    text_width_mm,
    wrap_text,
)
from facademap.values import frozen_value

__all__ = ["Anchor", "Disc", "Lines", "Page", "Picture", "Rings", "Text"]

Anchor = Literal["left", "centre", "right"]
Array = npt.NDArray[np.float64]
BLACK = "#111111"


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class Lines:
    """Separate strokes, (n, 2, 2) in millimetres."""

    segments: Array
    ink: str
    width_mm: float
    dash_mm: tuple[float, ...]
    layer: str


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class Rings:
    """Outlines drawn in one go; filled by the even-odd rule, so that holes stay open.

    Letters of other fonts are such outlines too, and then say what they read.
    """

    rings: tuple[Array, ...]
    closed: bool
    ink: str | None
    width_mm: float
    fill: str | None
    opacity: float
    dash_mm: tuple[float, ...]
    layer: str
    says: str = ""


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class Disc:
    """Circles of one size, centres (n, 2) in millimetres."""

    centres: Array
    radius_mm: float
    ink: str | None
    width_mm: float
    fill: str | None
    layer: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Text:
    """One line of text, (x, y) on its base line."""

    x_mm: float
    y_mm: float
    text: str
    size_pt: float
    weight: Weight
    anchor: Anchor
    angle_deg: float
    ink: str
    halo: str | None
    layer: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """A JPEG, put down as it is, never encoded again."""

    jpeg: bytes
    x_mm: float
    y_mm: float
    width_mm: float
    height_mm: float
    layer: str


@dataclass(slots=True)
class Page:
    """A sheet and its marks, in the order they are put down.

    Parameters
    ----------
    width_mm, height_mm : float
        Size of the sheet.
    title : str
        What it is, for the reader of the file.
    """

    width_mm: float
    height_mm: float
    title: str = ""
    layer: str = "sheet"
    marks: list[Any] = field(default_factory=list)

    def lines(
        self,
        segments: npt.ArrayLike,
        *,
        ink: str = BLACK,
        width_mm: float = 0.25,
        dash_mm: Sequence[float] = (),
    ) -> None:
        """Separate strokes, (n, 2, 2)."""
        array = np.asarray(segments, dtype=float).reshape(-1, 2, 2)
        if len(array):
            self.marks.append(
                Lines(
                    segments=array,
                    ink=ink,
                    width_mm=width_mm,
                    dash_mm=tuple(dash_mm),
                    layer=self.layer,
                )
            )

    def line(self, x0: float, y0: float, x1: float, y1: float, **style: Any) -> None:
        """One stroke."""
        self.lines([[[x0, y0], [x1, y1]]], **style)

    def rings(
        self,
        rings: Iterable[npt.ArrayLike],
        *,
        ink: str | None = BLACK,
        width_mm: float = 0.25,
        fill: str | None = None,
        opacity: float = 1.0,
        dash_mm: Sequence[float] = (),
        closed: bool = True,
        says: str = "",
    ) -> None:
        """Outlines, each (n, 2); a ring need not repeat its first point."""
        arrays = tuple(np.asarray(r, dtype=float).reshape(-1, 2) for r in rings)
        if arrays:
            self.marks.append(
                Rings(
                    rings=arrays,
                    closed=closed,
                    ink=ink,
                    width_mm=width_mm,
                    fill=fill,
                    opacity=opacity,
                    dash_mm=tuple(dash_mm),
                    layer=self.layer,
                    says=says,
                )
            )

    def box(self, x: float, y: float, width: float, height: float, **style: Any) -> None:
        """A rectangle."""
        self.rings([[(x, y), (x + width, y), (x + width, y + height), (x, y + height)]], **style)

    def discs(
        self,
        centres: npt.ArrayLike,
        radius_mm: float,
        *,
        ink: str | None = None,
        width_mm: float = 0.25,
        fill: str | None = BLACK,
    ) -> None:
        """Circles of one size."""
        array = np.asarray(centres, dtype=float).reshape(-1, 2)
        if len(array):
            self.marks.append(
                Disc(
                    centres=array,
                    radius_mm=radius_mm,
                    ink=ink,
                    width_mm=width_mm,
                    fill=fill,
                    layer=self.layer,
                )
            )

    def text(
        self,
        x: float,
        y: float,
        text: object,
        *,
        size_pt: float = 9.0,
        weight: Weight = "regular",
        anchor: Anchor = "left",
        angle_deg: float = 0.0,
        ink: str = BLACK,
        halo: str | None = None,
        within_mm: float | None = None,
    ) -> float:
        """One line; set smaller or shortened to stay within a width. Returns the width taken."""
        line = printable(text)
        if within_mm is not None:
            line, size_pt = fit_text(line, within_mm, size_pt, weight=weight)
        if line and is_foreign(line):
            self._foreign(x, y, line, size_pt, weight, anchor, angle_deg, ink, halo)
        elif line:
            self.marks.append(
                Text(
                    x_mm=x,
                    y_mm=y,
                    text=line,
                    size_pt=size_pt,
                    weight=weight,
                    anchor=anchor,
                    angle_deg=angle_deg,
                    ink=ink,
                    halo=halo,
                    layer=self.layer,
                )
            )
        return text_width_mm(line, size_pt, weight)

    def _foreign(
        self, x: float, y: float, line: str, size_pt: float, weight: Weight, anchor: Anchor, angle_deg: float, ink: str, halo: str | None
    ) -> None:  # fmt: skip
        """A line with letters of other fonts: those as outlines, the rest as text between them."""
        width = text_width_mm(line, size_pt, weight)
        at = {"left": 0.0, "centre": -width / 2, "right": -width}[anchor]
        em = size_pt * MM_PER_PT
        cos, sin = math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))
        turn = np.array([[cos, sin], [-sin, cos]])
        for run in runs_of(line, weight, own_letters()):
            if run.font < 0:
                self.marks.append(
                    Text(
                        x_mm=x + at * cos, y_mm=y + at * sin, text=run.text, size_pt=size_pt, weight=weight, anchor="left",
                        angle_deg=angle_deg, ink=ink, halo=halo, layer=self.layer,
                    )
                )  # fmt: skip
                at += text_width_mm(run.text, size_pt, weight)
                continue
            rings = [
                np.add(ring, (dx, dy)) * em + np.array([at, 0.0])
                for glyph, dx, dy in run.glyphs
                for ring in glyph_rings(run.font, glyph, weight)
            ]
            rings = [ring @ turn + np.array([x, y]) for ring in rings]
            if halo:
                self.rings(rings, ink=halo, width_mm=max(0.5, size_pt * 0.07))
            self.rings(rings, ink=None, fill=ink, says=run.said)
            at += run.width_em * em

    def paragraph(
        self,
        x: float,
        y: float,
        text: object,
        *,
        width_mm: float,
        size_pt: float = 9.0,
        weight: Weight = "regular",
        leading: float = 1.28,
        most_lines: int = 1000,
        ink: str = BLACK,
    ) -> float:
        """Wrapped text whose first base line is at y; returns the base line after the last."""
        step = size_pt * MM_PER_PT * leading
        for line in wrap_text(text, width_mm, size_pt, weight=weight, most_lines=most_lines):
            self.text(x, y, line, size_pt=size_pt, weight=weight, ink=ink)
            y -= step
        return y

    def picture(self, jpeg: bytes, x: float, y: float, width: float, height: float) -> None:
        """A JPEG in a box."""
        self.marks.append(
            Picture(jpeg=jpeg, x_mm=x, y_mm=y, width_mm=width, height_mm=height, layer=self.layer)
        )

    def arrow(
        self,
        x0: float,
        y0: float,
        x1: float,
        y1: float,
        *,
        head_mm: float = 2.5,
        ink: str = BLACK,
        width_mm: float = 0.35,
        both: bool = False,
    ) -> None:
        """A stroke with a filled head at its end, or at both."""
        angle = math.atan2(y1 - y0, x1 - x0)
        short = min(0.8 * head_mm, 0.45 * math.hypot(x1 - x0, y1 - y0))
        dx, dy = math.cos(angle) * short, math.sin(angle) * short
        self.line(x0 + dx * both, y0 + dy * both, x1 - dx, y1 - dy, ink=ink, width_mm=width_mm)
        ends = [(x1, y1, angle)] + ([(x0, y0, angle + math.pi)] if both else [])
        for x, y, direction in ends:
            left = (
                x - head_mm * math.cos(direction - 0.28),
                y - head_mm * math.sin(direction - 0.28),
            )
            right = (
                x - head_mm * math.cos(direction + 0.28),
                y - head_mm * math.sin(direction + 0.28),
            )
            self.rings([[(x, y), left, right]], ink=None, fill=ink)

    def dimension(
        self,
        x0: float,
        y0: float,
        x1: float,
        y1: float,
        label: str,
        *,
        offset_mm: float,
        size_pt: float = 10.0,
        second: str = "",
    ) -> None:
        """A dimension beside a stretch: ``offset_mm`` to the left of its direction; text reads from below or from the right."""
        length = math.hypot(x1 - x0, y1 - y0)
        if length <= 0:
            return
        nx, ny = -(y1 - y0) / length, (x1 - x0) / length
        sign = 1.0 if offset_mm >= 0 else -1.0
        ax, ay, bx, by = (
            x0 + nx * offset_mm,
            y0 + ny * offset_mm,
            x1 + nx * offset_mm,
            y1 + ny * offset_mm,
        )
        over = 1.5 * sign
        gap = 1.0 * sign
        self.lines(
            [
                [[x0 + nx * gap, y0 + ny * gap], [ax + nx * over, ay + ny * over]],
                [[x1 + nx * gap, y1 + ny * gap], [bx + nx * over, by + ny * over]],
            ],
            width_mm=0.18,
        )
        self.arrow(ax, ay, bx, by, both=True, head_mm=min(2.4, length / 3), width_mm=0.25)
        angle = math.degrees(math.atan2(y1 - y0, x1 - x0))
        flip = angle > 91 or angle < -89
        if flip:
            angle += 180.0
        up = math.radians(angle + 90.0)
        mx, my = (ax + bx) / 2, (ay + by) / 2
        lift = 1.2
        below = size_pt * 0.8 * MM_PER_PT + 1.0
        # words wider than the stretch stand on the side away from it, not over what is measured
        if (
            text_width_mm(label, size_pt, "bold") > length
            and (math.cos(up) * nx + math.sin(up) * ny) * sign < 0
        ):
            lift = -(size_pt * 0.75 * MM_PER_PT + 1.2)
            below -= lift
        self.text(
            mx + math.cos(up) * lift,
            my + math.sin(up) * lift,
            label,
            size_pt=size_pt,
            weight="bold",
            anchor="centre",
            angle_deg=angle,
            halo="#ffffff",
        )
        if second:
            drop = -below
            self.text(
                mx + math.cos(up) * drop,
                my + math.sin(up) * drop,
                second,
                size_pt=size_pt * 0.8,
                anchor="centre",
                angle_deg=angle,
                halo="#ffffff",
            )
