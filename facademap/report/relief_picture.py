"""A relief to look at: colour by depth, shade by slope, with its legend, a bar of length and what is unknown."""

from __future__ import annotations

import io
import math
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from facademap.relief.build import Relief

__all__ = ["relief_png"]

Bytes = NDArray[np.uint8]

#: From deep to standing out: blue, pale, ochre, told apart by every kind of colour sight and in grey (lightness rises).
_RAMP = np.array(
    [
        [18, 32, 77],
        [39, 78, 137],
        [92, 134, 170],
        [166, 186, 189],
        [222, 214, 190],
        [247, 238, 214],
    ],
    dtype=float,
)
_PAPER, _INK, _UNKNOWN = (255, 255, 255), (30, 30, 30), (196, 170, 190)
_MARGIN, _FOOT, _LONGEST = 28, 100, 1600
#: How far a slope is overdrawn, and where the light comes from (upper left, as drawings have it).
_OVERDRAWN, _LIGHT = 3.0, np.array([-0.5, 0.5, 0.7])
_INCH_M = 0.0254


def relief_png(relief: Relief, *, title: str, inches: bool = False) -> bytes:
    """A picture of a relief.

    Parameters
    ----------
    relief : Relief
    title : str
    inches : bool
        Whether the legend is in inches.

    Returns
    -------
    bytes
        PNG.
    """
    scale = max(1, math.ceil(max(relief.out_m.shape) / _LONGEST))
    out_m = _thinned(relief.out_m, scale)
    cell_m = relief.grid.gsd_m * scale
    enlarge = max(1, _LONGEST // 2 // max(out_m.shape))
    low, high, step = _range(out_m)
    picture = _coloured(out_m, cell_m, low, high)
    picture = np.asarray(
        cv2.resize(picture, None, fx=enlarge, fy=enlarge, interpolation=cv2.INTER_NEAREST)
    )
    height, width = picture.shape[:2]
    sheet = Image.new("RGB", (max(width, 560) + 2 * _MARGIN, height + 2 * _MARGIN + _FOOT), _PAPER)
    sheet.paste(Image.fromarray(picture), (_MARGIN, _MARGIN))
    pen, font = ImageDraw.Draw(sheet), ImageFont.load_default(15)
    top = height + _MARGIN + 12
    pen.text((_MARGIN, top), title, fill=_INK, font=font)
    _legend(sheet, pen, font, (_MARGIN, top + 26), (low, high, step), inches)
    _length_bar(pen, font, (_MARGIN + 380, top + 26), enlarge / cell_m)
    done = io.BytesIO()
    sheet.save(done, "PNG")
    return done.getvalue()


def _thinned(out_m: NDArray[np.float32], scale: int) -> NDArray[np.float32]:
    return out_m[::scale, ::scale]


def _range(out_m: NDArray[np.float32]) -> tuple[float, float, float]:
    """Round ends and step of the legend, metres, that hold 99 of 100 cells."""
    known = out_m[np.isfinite(out_m)]
    low, high = (float(q) for q in np.percentile(known, (0.5, 99.5))) if known.size else (0.0, 0.01)
    wide = max(high - low, 0.002)
    step = next(
        s
        for s in (0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0)
        if wide / s <= 7 or s == 1.0
    )
    return math.floor(low / step) * step, math.ceil(high / step) * step, step


def _colour(share: NDArray[np.floating[Any]]) -> NDArray[np.floating[Any]]:
    place = np.clip(share, 0, 1) * (len(_RAMP) - 1)
    return np.stack([np.interp(place, range(len(_RAMP)), _RAMP[:, c]) for c in range(3)], axis=-1)


def _coloured(out_m: NDArray[np.float32], cell_m: float, low: float, high: float) -> Bytes:
    known = np.isfinite(out_m)
    filled = np.where(known, out_m, np.float32((low + high) / 2))
    rise_v, rise_u = np.gradient(filled * _OVERDRAWN, cell_m)
    normal = np.stack([-rise_u, rise_v, np.ones_like(rise_u)], axis=-1)
    normal /= np.linalg.norm(normal, axis=-1, keepdims=True)
    shade = np.clip(normal @ (_LIGHT / np.linalg.norm(_LIGHT)), 0, 1)
    lit = 0.45 + 0.55 * shade / float(_LIGHT[2] / np.linalg.norm(_LIGHT))
    rgb = _colour((filled - low) / max(high - low, 1e-9)) * np.clip(lit, 0.3, 1.25)[..., None]
    # unknown cells are hatched, so that they are told from stone without colour too
    rows, columns = np.mgrid[0 : out_m.shape[0], 0 : out_m.shape[1]]
    striped = np.where(((rows + columns) // 3 % 2)[..., None] > 0, _UNKNOWN, _PAPER)
    return np.where(known[..., None], np.clip(rgb, 0, 255), striped).astype(np.uint8)


def _words(value_m: float, inches: bool) -> str:
    text = f"{value_m / _INCH_M:+.2f}" if inches else f"{value_m * 1000:+.0f}"
    return text if any(c in text for c in "123456789") else "0"


def _legend(
    sheet: Image.Image,
    pen: ImageDraw.ImageDraw,
    font: Any,
    place: tuple[int, int],
    marks: tuple[float, float, float],
    inches: bool,
) -> None:
    low, high, step = marks
    width, height = 320, 16
    x, y = place
    ramp = np.broadcast_to(_colour(np.linspace(0, 1, width))[None], (height, width, 3))
    sheet.paste(Image.fromarray(ramp.astype(np.uint8)), (x, y))
    pen.rectangle((x, y, x + width, y + height), outline=_INK)
    count = round((high - low) / step)
    for k in range(count + 1):
        at = x + width * k / count
        pen.line((at, y + height, at, y + height + 4), fill=_INK)
        if k % max(1, count // 4) == 0:
            pen.text(
                (at, y + height + 6),
                _words(low + k * step, inches),
                fill=_INK,
                font=font,
                anchor="ma",
            )
    unit = "in" if inches else "mm"
    pen.text(
        (x, y + height + 30), f"{unit} out of the wall; striped: not known", fill=_INK, font=font
    )


def _length_bar(
    pen: ImageDraw.ImageDraw, font: Any, place: tuple[int, int], px_per_m: float
) -> None:
    length = next(
        m for m in (2.0, 1.0, 0.5, 0.2, 0.1, 0.05, 0.01) if m * px_per_m <= 160 or m == 0.01
    )
    x, y = place
    pen.rectangle((x, y + 8, x + length * px_per_m, y + 14), fill=_INK)
    words = f"{length:g} m" if length >= 1 else f"{length * 1000:g} mm"
    pen.text((x, y + 18), words, fill=_INK, font=font)
