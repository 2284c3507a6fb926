"""A section through a relief to look at: the line of the face with its plus or minus, heights overdrawn, scale told."""

from __future__ import annotations

import io
import math

import numpy as np
from PIL import Image, ImageDraw, ImageFont

from facademap.relief.section import Section
from facademap.report.cut_dxf import dxf_bytes, new_drawing

__all__ = ["section_csv", "section_dxf", "section_png"]

_WIDTH, _HEIGHT, _LEFT, _RIGHT, _TOP, _FOOT = 1400, 360, 70, 30, 44, 60
_PAPER, _INK, _PALE, _DOUBT = (255, 255, 255), (30, 30, 30), (205, 205, 205), (182, 203, 224)
_INCH_M = 0.0254
_95 = 1.959964


def section_png(section: Section, *, title: str, inches: bool = False) -> bytes:
    """A picture of a section, from the first end of the line at the left; gaps are not known.

    Parameters
    ----------
    section : Section
    title : str
    inches : bool
    """
    unit, name = (_INCH_M, "in") if inches else (0.001, "mm")
    known = np.isfinite(section.out_m)
    spread = _95 * np.nan_to_num(section.sigma_m)
    low, high = (
        float((section.out_m - spread)[known].min()),
        float((section.out_m + spread)[known].max()),
    )
    step = _nice((high - low) / unit / 5) * unit
    low, high = math.floor(low / step) * step, math.ceil(high / step) * step
    length = float(section.along_m[-1])
    across = (_WIDTH - _LEFT - _RIGHT) / max(length, 1e-9)
    up = (_HEIGHT - _TOP - _FOOT) / max(high - low, 1e-9)
    sheet = Image.new("RGB", (_WIDTH, _HEIGHT), _PAPER)
    pen, font = ImageDraw.Draw(sheet), ImageFont.load_default(15)

    def at(s: float, w: float) -> tuple[float, float]:
        return _LEFT + s * across, _HEIGHT - _FOOT - (w - low) * up

    for number in range(round((high - low) / step) + 1):
        w = low + number * step
        pen.line((*at(0, w), *at(length, w)), fill=_PALE)
        pen.text((_LEFT - 8, at(0, w)[1]), f"{w / unit:+.3g}", fill=_INK, font=font, anchor="rm")
    _marks_along(pen, font, length, at(0, low)[1], across, inches)
    for k in np.flatnonzero(known):
        s, w, doubt = (float(v[k]) for v in (section.along_m, section.out_m, spread))
        x, top = at(s, w + doubt)
        pen.rectangle((x - 1, top, x + 1, at(s, w - doubt)[1]), fill=_DOUBT)
    for k in np.flatnonzero(known[1:] & known[:-1]):
        ends = [at(float(section.along_m[n]), float(section.out_m[n])) for n in (k, k + 1)]
        pen.line((*ends[0], *ends[1]), fill=_INK, width=2)
    pen.text((_LEFT, 12), title, fill=_INK, font=font)
    foot = f"{name} out of the wall, {up / across:.0f} times as high as long; band: 95 %; gaps: not known"
    pen.text((_LEFT, _HEIGHT - 24), foot, fill=_INK, font=font)
    done = io.BytesIO()
    sheet.save(done, "PNG")
    return done.getvalue()


def _marks_along(
    pen: ImageDraw.ImageDraw, font: object, length: float, y: float, across: float, inches: bool
) -> None:
    unit, name = (0.3048, "ft") if inches else (1.0, "m")
    step = _nice(length / unit / 8) * unit
    for number in range(int(length / step) + 1):
        x = _LEFT + number * step * across
        pen.line((x, y, x, y + 5), fill=_INK)
        words = f"{number * step / unit:.3g}" + (f" {name}" if number == 0 else "")
        pen.text((x, y + 8), words, fill=_INK, font=font, anchor="ma")  # type: ignore[arg-type]


def _nice(value: float) -> float:
    """The next of 1, 2, 5, 10, ... that is not smaller."""
    power = 10.0 ** math.floor(math.log10(max(value, 1e-6)))
    return next(f * power for f in (1, 2, 5, 10) if f * power >= value * 0.999)


def section_csv(section: Section) -> str:
    """Rows ``along_m,u_m,v_m,out_m,sigma_m``; empty where nothing is known."""
    lines = ["along_m,u_m,v_m,out_m,sigma_m"]
    for s, (u, v), w, sigma in zip(
        section.along_m, section.place_m, section.out_m, section.sigma_m, strict=True
    ):
        told = [f"{w:.5f}", f"{sigma:.5f}"] if math.isfinite(w) else ["", ""]
        lines.append(",".join([f"{s:.4f}", f"{u:.4f}", f"{v:.4f}", *told]))
    return "\n".join(lines) + "\n"


def section_dxf(section: Section) -> bytes:
    """The line at full size in millimetres: x along it, y out of the wall; broken where nothing is known."""
    drawing = new_drawing({"SECTION": (7, "How far the wall stands out along a line")})
    space, known = drawing.modelspace(), np.isfinite(section.out_m)
    starts = np.flatnonzero(known & ~np.r_[False, known[:-1]])
    ends = np.flatnonzero(known & ~np.r_[known[1:], False])
    for a, b in zip(starts, ends, strict=True):
        points = np.stack([section.along_m, section.out_m], axis=1)[a : b + 1] * 1000
        if len(points) > 1:
            space.add_lwpolyline(points.round(3).tolist(), dxfattribs={"layer": "SECTION"})
    return dxf_bytes(drawing)
