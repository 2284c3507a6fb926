"""How an elevation lies on sheets: size of the field, scale, number of sheets."""

from __future__ import annotations

import math
from dataclasses import dataclass

from facademap.errors import InputError
from facademap.report.paper import paper_named
from facademap.report.scales import INCH_SCALES, METRIC_SCALES, check_scale

__all__ = ["Frame", "Sheets", "enlarging", "lay_out", "legible_pt"]

#: Finest scale that is taken unasked.
_FINEST = 10.0
#: Sheets up to this long side are read at full size; larger ones are printed at half size too, and are written larger.
_READ_FULL_SIZE_MM = 460.0
#: Smallest type on those: at half size it is 5 pt, which is still read (common practice).
_LEAST_LARGE_PT = 10.0
OVERLAP_MM = 20.0
MOST_SHEETS = 100
#: Margin of a sheet and width of the band with the grid's figures, in mm.
MARGIN = 10.0
GRID_EDGE = 7.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """A sheet, the field drawn on (x, y, width, height) and the strip for writing beside it.

    All is in millimetres of a small sheet; the real one is ``enlarge`` times as large, writing and pens with it.
    """

    width: float
    height: float
    enlarge: float
    field: tuple[float, float, float, float]
    strip: tuple[float, float, float, float]

    @classmethod
    def of(cls, width: float, height: float) -> Frame:
        """The frame of a sheet of this real size."""
        enlarge = enlarging(max(width, height))
        width, height = width / enlarge, height / enlarge
        wide = min(110.0, max(62.0, 0.17 * max(width, height)))
        inner = height - 2 * MARGIN
        x = MARGIN + GRID_EDGE
        return cls(
            width=width,
            height=height,
            enlarge=enlarge,
            field=(x, MARGIN + GRID_EDGE, width - MARGIN - wide - 3 - x, inner - GRID_EDGE),
            strip=(width - MARGIN - wide, MARGIN, wide, inner),
        )


def enlarging(long_mm: float) -> float:
    """How much larger than on a small sheet things are written on one of this long side: half of it can still be read."""
    if long_mm <= _READ_FULL_SIZE_MM:
        return 1.0
    return 1.55 * float((long_mm / 594.0) ** 0.35)


def legible_pt(size_pt: float, enlarge: float) -> float:
    """Type on a small sheet that is still read at half size where the real sheet is so many times as large."""
    return size_pt if enlarge == 1.0 else max(size_pt, _LEAST_LARGE_PT / enlarge)


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheets:
    """How an elevation lies on sheets.

    Parameters
    ----------
    frame : Frame
        Size of the sheet and the field drawn on.
    sheet : str
        Name of the paper.
    scale : float
        Denominator.
    columns, rows : int
    origin : (u_m, v_m)
        Lower left corner of the field of the first sheet, in metres of the development.
    step : (du_m, dv_m)
        From sheet to sheet.
    """

    frame: Frame
    sheet: str
    scale: float
    columns: int
    rows: int
    origin: tuple[float, float]
    step: tuple[float, float]

    @property
    def mm_per_m(self) -> float:
        """Length of a metre of the wall on the small sheet of the frame."""
        return 1000.0 / (self.scale * self.frame.enlarge)

    def window(self, column: int, row: int) -> tuple[float, float, float, float]:
        """Box of the development that a sheet shows, in metres."""
        u, v = self.origin[0] + column * self.step[0], self.origin[1] + row * self.step[1]
        k = 1.0 / self.mm_per_m
        return (u, v, u + self.frame.field[2] * k, v + self.frame.field[3] * k)


def lay_out(
    box: tuple[float, float, float, float],
    *,
    sheet: str = "A3",
    scale: float | None = None,
    inches: bool = False,
) -> Sheets:
    """Scale, orientation and number of sheets for an elevation.

    Parameters
    ----------
    box : (u0, v0, u1, v1)
        Extent of the development, metres.
    sheet : str
    scale : float, optional
        Denominator; the finest standard one at which one sheet holds all when missing.
    inches : bool
        Whether the standard scales are those of the inch.

    Raises
    ------
    InputError
        No standard has the scale, or more sheets would be needed than anybody handles.
    """
    if scale is not None:
        check_scale(scale)
    usual = [s for s in (INCH_SCALES if inches else METRIC_SCALES) if s >= _FINEST]
    width, height = max(box[2] - box[0], 0.01), max(box[3] - box[1], 0.01)
    frames = [Frame.of(*paper_named(sheet, landscape=landscape)) for landscape in (True, False)]
    tries = []
    for n, frame in enumerate(frames):
        room = (frame.field[2] - 12.0, frame.field[3] - 12.0)
        scales = (scale,) if scale else usual
        for s in scales:
            k = 1000.0 / (s * frame.enlarge)
            need = (width * k, height * k)
            columns, rows = (
                1 if q <= r else math.ceil((q - OVERLAP_MM) / (r - OVERLAP_MM))
                for q, r in zip(need, room, strict=True)
            )
            tries.append(
                (
                    columns * rows if scale else (0 if columns * rows == 1 else 1),
                    s,
                    n,
                    frame,
                    columns,
                    rows,
                )
            )
    if not scale and all(t[0] for t in tries):
        tries = [(t[4] * t[5], *t[1:]) for t in tries]
    best = min(tries, key=lambda t: t[:3])
    _, s, _, frame, columns, rows = best
    if columns * rows > MOST_SHEETS:
        raise InputError(
            f"at 1 : {s:g} the elevation takes {columns * rows} sheets {sheet}",
            "Choose a coarser scale or a larger sheet.",
        )
    k = s * frame.enlarge / 1000.0
    room_m = ((frame.field[2] - 12.0) * k, (frame.field[3] - 12.0) * k)
    step = tuple(r - OVERLAP_MM * k for r in room_m)
    total = (room_m[0] + (columns - 1) * step[0], room_m[1] + (rows - 1) * step[1])
    origin = (
        (box[0] + box[2]) / 2 - total[0] / 2 - 6.0 * k,
        (box[1] + box[3]) / 2 - total[1] / 2 - 6.0 * k,
    )
    return Sheets(
        frame=frame,
        sheet=sheet,
        scale=s,
        columns=columns,
        rows=rows,
        origin=origin,
        step=(step[0], step[1]),
    )
