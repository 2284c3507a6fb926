"""A relief to look at: colour by depth, shade by slope, contours, with its legend, a bar of length and what is unknown."""

from __future__ import annotations

import io
import math
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from facademap.relief.build import Relief
from facademap.relief.contours import calmed, contour_steps, nice_range

__all__ = [
    "RAMP",
    "ReliefLook",
    "depth_colour",
    "depth_words",
    "relief_colours",
    "relief_png",
    "shaded",
]

Bytes = NDArray[np.uint8]

#: From deep to standing out: blue, pale, ochre, told apart by every kind of colour sight and in grey (lightness rises).
RAMP = np.array(
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
_STONE = 205.0
#: A light below this is a raking one.
_LOW_DEG = 30.0
_PAPER, _INK, _UNKNOWN = (255, 255, 255), (30, 30, 30), (196, 170, 190)
_MARGIN, _FOOT, _LONGEST = 28, 100, 1600
#: How far a slope is overdrawn, and where the light comes from (upper left, as drawings have it).
_OVERDRAWN = 3.0
_INCH_M = 0.0254


@dataclass(frozen=True, slots=True, kw_only=True)
class ReliefLook:
    """How a relief is shown.

    Parameters
    ----------
    colour : bool
        Colour by depth; without it a grey wall under the light.
    contours_m : float, optional
        Distance of contours.
    from_deg, height_deg : float
        Where the light comes from: clockwise from the top of the wall, and above its face; a raking light is low.
    inches : bool
        Whether the legend is in inches.
    """

    colour: bool = True
    contours_m: float | None = None
    from_deg: float = 315.0
    height_deg: float = 45.0
    inches: bool = False

    @property
    def light(self) -> NDArray[np.floating[Any]]:
        """Direction to the light: right, up, out."""
        turn, height = math.radians(self.from_deg), math.radians(self.height_deg)
        return np.array(
            [
                math.sin(turn) * math.cos(height),
                math.cos(turn) * math.cos(height),
                math.sin(height),
            ]
        )


def relief_colours(relief: Relief, look: ReliefLook | None = None) -> tuple[Bytes, Bytes]:
    """The relief alone, a pixel a cell: RGB, and 255 where something is known.

    Parameters
    ----------
    relief : Relief
    look : ReliefLook, optional
    """
    look = look or ReliefLook()
    low, high, _ = _range(relief.out_m, look)
    known = np.isfinite(relief.out_m)
    rgb = shaded(relief.out_m, relief.grid.gsd_m, low, high, look)
    if look.contours_m is not None:
        rgb = _with_contours(rgb, relief.out_m, look.contours_m)
    return rgb, np.where(known, 255, 0).astype(np.uint8)


def relief_png(
    relief: Relief, *, title: str, inches: bool = False, look: ReliefLook | None = None
) -> bytes:
    """A picture of a relief.

    Parameters
    ----------
    relief : Relief
    title : str
    inches : bool
        Whether the legend is in inches.
    look : ReliefLook, optional
        Counts instead of ``inches``.

    Returns
    -------
    bytes
        PNG.
    """
    look = look or ReliefLook(inches=inches)
    scale = max(1, math.ceil(max(relief.out_m.shape) / _LONGEST))
    out_m = _thinned(relief.out_m, scale)
    cell_m = relief.grid.gsd_m * scale
    enlarge = max(1, _LONGEST // 2 // max(out_m.shape))
    low, high, step = _range(out_m, look)
    picture = shaded(out_m, cell_m, low, high, look)
    picture = np.asarray(
        cv2.resize(picture, None, fx=enlarge, fy=enlarge, interpolation=cv2.INTER_NEAREST)
    )
    if look.contours_m is not None:
        wide = cv2.resize(out_m, None, fx=enlarge, fy=enlarge, interpolation=cv2.INTER_LINEAR)
        picture = _with_contours(picture, np.asarray(wide), look.contours_m)
    height, width = picture.shape[:2]
    sheet = Image.new("RGB", (max(width, 560) + 2 * _MARGIN, height + 2 * _MARGIN + _FOOT), _PAPER)
    sheet.paste(Image.fromarray(picture), (_MARGIN, _MARGIN))
    pen, font = ImageDraw.Draw(sheet), ImageFont.load_default(15)
    top = height + _MARGIN + 12
    pen.text((_MARGIN, top), title, fill=_INK, font=font)
    _legend(sheet, pen, font, (_MARGIN, top + 26), (low, high, step), look)
    _length_bar(pen, font, (_MARGIN + 380, top + 26), enlarge / cell_m, look.inches)
    done = io.BytesIO()
    sheet.save(done, "PNG")
    return done.getvalue()


def _thinned(out_m: NDArray[np.float32], scale: int) -> NDArray[np.float32]:
    return out_m[::scale, ::scale]


def _range(out_m: NDArray[np.float32], look: ReliefLook) -> tuple[float, float, float]:
    """Round ends and step of the legend, metres, that hold 99 of 100 cells."""
    return nice_range(out_m[np.isfinite(out_m)], inches=look.inches)


def depth_colour(share: NDArray[np.floating[Any]]) -> NDArray[np.floating[Any]]:
    """Red, green and blue, 0 to 255, of a share of the way from deep to standing out."""
    place = np.clip(share, 0, 1) * (len(RAMP) - 1)
    return np.stack([np.interp(place, range(len(RAMP)), RAMP[:, c]) for c in range(3)], axis=-1)


def _with_contours(rgb: Bytes, out_m: NDArray[np.float32], every_m: float) -> Bytes:
    """Thin dark lines where the relief, calmed, passes each whole step: on the face of stones, not along their joints."""
    calm, inner = calmed(out_m)
    if not inner.any():
        return rgb
    drawn = rgb.copy()
    for number in contour_steps(calm, inner, every_m):
        above = (calm >= number * every_m).astype(np.uint8)
        lines, _ = cv2.findContours(above, cv2.RETR_LIST, cv2.CHAIN_APPROX_NONE)
        long = [line for line in lines if len(line) > 40]
        cv2.drawContours(drawn, long, -1, _INK, 1, cv2.LINE_AA)
    # an edge of the picture, and of what is known, is no contour
    drawn[~inner] = rgb[~inner]
    return drawn


def shaded(
    out_m: NDArray[np.float32], cell_m: float, low: float, high: float, look: ReliefLook
) -> Bytes:
    """A relief under a light, unknown cells striped.

    Parameters
    ----------
    out_m : ndarray, shape (rows, columns)
        NaN where unknown.
    cell_m, low, high : float
        Side of a cell, and the ends of the colours, metres.
    look : ReliefLook

    Returns
    -------
    ndarray, shape (rows, columns, 3)
        RGB.
    """
    known = np.isfinite(out_m)
    filled = np.where(known, out_m, np.float32((low + high) / 2))
    # a low light shows enough by itself, and noise as well
    overdrawn = _OVERDRAWN * min(1.0, math.sin(math.radians(look.height_deg)) / math.sqrt(0.5))
    calm = cv2.GaussianBlur(filled, (0, 0), 0.8 if look.height_deg >= _LOW_DEG else 1.6)
    rise_v, rise_u = np.gradient(calm * overdrawn, cell_m)
    normal = np.stack([-rise_u, rise_v, np.ones_like(rise_u)], axis=-1)
    normal /= np.linalg.norm(normal, axis=-1, keepdims=True)
    light = look.light
    shade = np.clip(normal @ light, 0, 1)
    lit = 0.45 + 0.55 * shade / max(float(light[2]), 0.1)
    ground = (
        depth_colour((filled - low) / max(high - low, 1e-9))
        if look.colour
        else np.full((*out_m.shape, 3), _STONE)
    )
    rgb = ground * np.clip(lit, 0.3, 1.25)[..., None]
    # unknown cells are hatched, so that they are told from stone without colour too
    rows, columns = np.mgrid[0 : out_m.shape[0], 0 : out_m.shape[1]]
    striped = np.where(((rows + columns) // 3 % 2)[..., None] > 0, _UNKNOWN, _PAPER)
    return np.where(known[..., None], np.clip(rgb, 0, 255), striped).astype(np.uint8)


def depth_words(value_m: float, inches: bool) -> str:
    """A figure of a legend, in millimetres or inches."""
    text = f"{value_m / _INCH_M:+.4g}" if inches else f"{value_m * 1000:+.0f}"
    return text if any(c in text for c in "123456789") else "0"


def _legend(
    sheet: Image.Image,
    pen: ImageDraw.ImageDraw,
    font: Any,
    place: tuple[int, int],
    marks: tuple[float, float, float],
    look: ReliefLook,
) -> None:
    low, high, step = marks
    inches = look.inches
    width, height = 320, 16
    x, y = place
    if not look.colour:
        words = f"light from {look.from_deg:.0f} degrees, {look.height_deg:.0f} above the face; striped: not known"
        pen.text((x, y + 44), words, fill=_INK, font=font)
        if look.contours_m is not None:
            pen.text((x, y), _contour_words(look), fill=_INK, font=font)
        return
    ramp = np.broadcast_to(depth_colour(np.linspace(0, 1, width))[None], (height, width, 3))
    sheet.paste(Image.fromarray(ramp.astype(np.uint8)), (x, y))
    pen.rectangle((x, y, x + width, y + height), outline=_INK)
    count = round((high - low) / step)
    for k in range(count + 1):
        at = x + width * k / count
        pen.line((at, y + height, at, y + height + 4), fill=_INK)
        if k % max(1, count // 4) == 0:
            pen.text(
                (at, y + height + 6),
                depth_words(low + k * step, inches),
                fill=_INK,
                font=font,
                anchor="ma",
            )
    unit = "in" if inches else "mm"
    more = "" if look.contours_m is None else f"; {_contour_words(look)}"
    pen.text(
        (x, y + height + 30),
        f"{unit} out of the wall; striped: not known{more}",
        fill=_INK,
        font=font,
    )


def _contour_words(look: ReliefLook) -> str:
    step = look.contours_m or 0.0
    told = f"{step / _INCH_M:.2f} in" if look.inches else f"{step * 1000:g} mm"
    return f"contours every {told}"


_BARS_M = (
    (2.0, "2 m"),
    (1.0, "1 m"),
    *((mm / 1000, f"{mm} mm") for mm in (500, 200, 100, 50, 10)),
)
_BARS_INCH = tuple(
    (n * _INCH_M, w)
    for n, w in ((72, "6 ft"), (36, "3 ft"), (12, "1 ft"), (6, "6 in"), (1, "1 in"))
)


def _length_bar(
    pen: ImageDraw.ImageDraw, font: Any, place: tuple[int, int], px_per_m: float, inches: bool
) -> None:
    bars = _BARS_INCH if inches else _BARS_M
    length, words = next((b for b in bars if b[0] * px_per_m <= 160), bars[-1])
    x, y = place
    pen.rectangle((x, y + 8, x + length * px_per_m, y + 14), fill=_INK)
    pen.text((x, y + 18), words, fill=_INK, font=font)
