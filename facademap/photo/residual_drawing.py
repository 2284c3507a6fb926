"""A picture of the residual arrows: where the control and check points lie and how they miss."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any
from xml.sax.saxutils import escape

import numpy as np
from numpy.typing import NDArray

from facademap.photo.control import ControlPoints
from facademap.photo.plane import PlaneView
from facademap.units import M_PER_INCH
from facademap.values import frozen_value
from facademap.wall.grid import Extent

__all__ = ["PointResiduals", "draw_residuals_svg"]

_WIDTH = 900.0
_MARGIN = 60.0
_FOOT = 118.0
_STYLE = {
    "used": ("#1f4e79", "control, used"),
    "check": ("#b85c00", "check"),
    "blunder": ("#a3123a", "left out"),
}


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class PointResiduals:
    """Residuals of many photos in one list.

    Parameters
    ----------
    points : ControlPoints
    used : ndarray of bool, shape (n,)
        Control points in a fit.
    residual_m : ndarray, shape (n, 2)
        Place seen minus place given.
    """

    points: ControlPoints
    used: NDArray[np.bool_]
    residual_m: NDArray[np.floating[Any]]


def draw_residuals_svg(
    view: PlaneView | PointResiduals,
    extent: Extent,
    *,
    title: str = "Residuals",
    inches: bool = False,
) -> str:
    """Residual arrows over the extent, as SVG.

    Parameters
    ----------
    view : PlaneView or PointResiduals
        One photo, or the residuals of all; a name is written once.
    extent : Extent
    title : str
    inches : bool
        The office reads inches.

    Returns
    -------
    str
        Control points are filled circles, check points open ones, points left out crosses; an arrow
        leads from the given place towards the place found in the photo, exaggerated as stated.
    """
    scale = (_WIDTH - 2 * _MARGIN) / extent.width_m
    if extent.height_m * scale > 1100:
        scale = 1100 / extent.height_m
    width = max(extent.width_m * scale + 2 * _MARGIN, 560.0)
    height = extent.height_m * scale + 2 * _MARGIN + _FOOT
    left = (width - extent.width_m * scale) / 2
    lengths = np.hypot(*view.residual_m.T)
    normal = lengths[np.isfinite(lengths) & (view.used | ~view.points.is_control)]
    factor = _round_factor(
        0.07 * max(extent.width_m, extent.height_m) / max(float(normal.max(initial=0.0)), 1e-9)
    )
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width:.0f}" height="{height:.0f}" '
        f'viewBox="0 0 {width:.0f} {height:.0f}" font-family="DejaVu Sans, Arial, sans-serif" font-size="13">',
        f'<rect width="{width:.0f}" height="{height:.0f}" fill="#ffffff"/>',
        f'<text x="{left:.1f}" y="36" font-size="18" font-weight="bold">{escape(title)}</text>',
        f'<rect x="{left:.1f}" y="{_MARGIN}" width="{extent.width_m * scale:.1f}" '
        f'height="{extent.height_m * scale:.1f}" fill="#f4f1ea" stroke="#777777"/>',
    ]
    names = len(set(view.points.name))
    for i, name in enumerate(view.points.name):
        x = left + (view.points.wall_m[i, 0] - extent.u0_m) * scale
        y = _MARGIN + (extent.v1_m - view.points.wall_m[i, 1]) * scale
        kind = "check" if not view.points.is_control[i] else "used" if view.used[i] else "blunder"
        parts += _point(
            x,
            y,
            name,
            view.residual_m[i] * scale * factor,
            kind,
            label=names <= 80 and name not in view.points.name[:i],
        )
    parts += _legend(left, _MARGIN + extent.height_m * scale + 30, factor, scale, inches=inches)
    parts.append("</svg>")
    return "\n".join(parts) + "\n"


def _round_factor(value: float) -> float:
    power = 10.0 ** math.floor(math.log10(min(max(value, 1.0), 1e5)))
    return max(step * power for step in (1.0, 2.0, 5.0) if step * power <= max(value, 1.0))


def _point(
    x: float, y: float, name: str, arrow: np.ndarray, kind: str, *, label: bool
) -> list[str]:
    colour = _STYLE[kind][0]
    parts = []
    length = float(np.hypot(*arrow))
    if math.isfinite(length) and length > 0.5:
        # an arrow of a point left out can be huge: cut it and let the broken line say so
        cut = min(1.0, 120.0 / length)
        dx, dy = arrow[0] * cut, -arrow[1] * cut
        dash = ' stroke-dasharray="5 4"' if cut < 1 else ""
        parts.append(
            f'<line x1="{x:.1f}" y1="{y:.1f}" x2="{x + dx:.1f}" y2="{y + dy:.1f}" stroke="{colour}" '
            f'stroke-width="1.8"{dash}/>'
        )
        ux, uy = dx / math.hypot(dx, dy), dy / math.hypot(dx, dy)
        tip = f"{x + dx:.1f},{y + dy:.1f}"
        wing = [
            f"{x + dx - 7 * ux + s * 3.2 * uy:.1f},{y + dy - 7 * uy - s * 3.2 * ux:.1f}"
            for s in (1, -1)
        ]
        if length > 7:
            parts.append(f'<polygon points="{tip} {wing[0]} {wing[1]}" fill="{colour}"/>')
    if kind == "blunder":
        parts.append(
            f'<path d="M{x - 5:.1f},{y - 5:.1f} l10,10 m0,-10 l-10,10" stroke="{colour}" stroke-width="2.4"/>'
        )
    else:
        fill = colour if kind == "used" else "#ffffff"
        parts.append(
            f'<circle cx="{x:.1f}" cy="{y:.1f}" r="4" fill="{fill}" stroke="{colour}" stroke-width="1.8"/>'
        )
    if label:
        parts.append(
            f'<text x="{x + 7:.1f}" y="{y - 7:.1f}" fill="#333333" stroke="#ffffff" stroke-width="3" '
            f'paint-order="stroke" font-size="11">{escape(name)}</text>'
        )
    return parts


def _bar(px_per_m: float, *, inches: bool) -> tuple[float, str]:
    """Length of the bar, metres, and its words: the first round length that is 30 pixels long."""
    unit_m, word = (M_PER_INCH, "in") if inches else (0.001, "mm")
    powers = [step * 10.0**power for power in range(-3, 6) for step in (1.0, 2.0, 5.0)]
    length = next((b for b in powers if b * unit_m * px_per_m >= 30), powers[-1])
    return length * unit_m, f"{length:g} {word}"


def _legend(left: float, top: float, factor: float, scale: float, *, inches: bool) -> list[str]:
    bar_m, words = _bar(factor * scale, inches=inches)
    length = min(bar_m * factor * scale, 300.0)
    parts = [
        f'<line x1="{left:.1f}" y1="{top}" x2="{left + length:.1f}" y2="{top}" stroke="#333333" stroke-width="2"/>',
        f'<text x="{left + length + 8:.1f}" y="{top + 4}">residual of {words} '
        f"(arrows {factor:g} times larger than the wall)</text>",
    ]
    x = left + 5
    for kind, (_, text) in _STYLE.items():
        parts += _point(x, top + 30, "", np.zeros(2), kind, label=False)
        parts.append(f'<text x="{x + 12:.1f}" y="{top + 34}">{text}</text>')
        x += 150
    parts.append(
        f'<text x="{left:.1f}" y="{top + 60}" fill="#555555">An arrow leads from the given place to the place '
        "found in the photo.</text>"
    )
    parts.append(
        f'<text x="{left:.1f}" y="{top + 77}" fill="#555555">Broken arrows are cut.</text>'
    )
    return parts
