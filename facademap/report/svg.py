"""A page as SVG: millimetres, one group a layer, text as text."""

from __future__ import annotations

import base64
from itertools import groupby
from typing import Any
from xml.sax.saxutils import escape, quoteattr

from facademap.report.page import Disc, Lines, Page, Picture, Rings, Text
from facademap.report.typeface import MM_PER_PT, text_width_mm

__all__ = ["write_svg"]

_FONT = "Open Sans, DejaVu Sans, Arial, sans-serif"


def write_svg(page: Page) -> bytes:
    """The page as a file of its own; nothing in it points outside."""
    height = page.height_mm
    body = []
    for layer, marks in groupby(page.marks, key=lambda m: m.layer):
        body.append(f"<g class={quoteattr(layer)}>")
        body += [line for mark in marks for line in _PUT[type(mark)](mark, height)]
        body.append("</g>")
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{page.width_mm:g}mm" height="{page.height_mm:g}mm" '
        f'viewBox="0 0 {page.width_mm:g} {page.height_mm:g}" stroke-linecap="square" stroke-linejoin="round" fill="none" '
        f'font-family="{_FONT}">'
    )
    return "\n".join(
        [
            '<?xml version="1.0" encoding="UTF-8"?>',
            head,
            f"<title>{escape(page.title)}</title>",
            *body,
            "</svg>",
            "",
        ]
    ).encode("utf-8")


def _stroke(ink: str | None, width_mm: float, dash_mm: tuple[float, ...] = ()) -> str:
    if ink is None:
        return ""
    dash = (
        f' stroke-dasharray="{" ".join(f"{d:g}" for d in dash_mm)}" stroke-linecap="butt"'
        if dash_mm
        else ""
    )
    return f' stroke="{ink}" stroke-width="{width_mm:g}"{dash}'


def _lines(mark: Lines, height: float) -> list[str]:
    flat = mark.segments.copy()
    flat[..., 1] = height - flat[..., 1]
    path = ("M%.3f %.3fL%.3f %.3f" * len(flat)) % tuple(flat.ravel().tolist())
    return [f'<path d="{path}"{_stroke(mark.ink, mark.width_mm, mark.dash_mm)}/>']


def _rings(mark: Rings, height: float) -> list[str]:
    parts = []
    for ring in mark.rings:
        if len(ring) >= 2:
            points = ring.copy()
            points[:, 1] = height - points[:, 1]
            parts.append(
                ("M%.3f %.3f" + "L%.3f %.3f" * (len(ring) - 1)) % tuple(points.ravel().tolist())
                + ("Z" if mark.closed else "")
            )
    if not parts:
        return []
    fill = (
        f' fill="{mark.fill}" fill-rule="evenodd"'
        + (f' fill-opacity="{mark.opacity:g}"' if mark.opacity < 1 else "")
        if mark.fill
        else ""
    )
    return [f'<path d="{"".join(parts)}"{fill}{_stroke(mark.ink, mark.width_mm, mark.dash_mm)}/>']


def _disc(mark: Disc, height: float) -> list[str]:
    fill = f' fill="{mark.fill}"' if mark.fill else ""
    if mark.ink is None and mark.fill and len(mark.centres) > 3:
        path = "".join(f"M{x:.3f} {height - y:.3f}h0" for x, y in mark.centres.tolist())
        return [
            f'<path d="{path}" stroke="{mark.fill}" stroke-width="{2 * mark.radius_mm:g}" stroke-linecap="round"/>'
        ]
    return [
        f'<circle cx="{x:.3f}" cy="{height - y:.3f}" r="{mark.radius_mm:g}"{fill}{_stroke(mark.ink, mark.width_mm)}/>'
        for x, y in mark.centres.tolist()
    ]


def _text(mark: Text, height: float) -> list[str]:
    anchor = {"left": "start", "centre": "middle", "right": "end"}[mark.anchor]
    x, y = mark.x_mm, height - mark.y_mm
    look = f'font-size="{mark.size_pt * MM_PER_PT:.3f}" text-anchor="{anchor}" fill="{mark.ink}"'
    look += {"bold": ' font-weight="bold"', "italic": ' font-style="italic"', "regular": ""}[
        mark.weight
    ]
    if mark.halo:
        look += (
            f' stroke="{mark.halo}" stroke-width="{mark.size_pt * 0.07:.2f}" paint-order="stroke"'
        )
    # other fonts are wider or narrower: the width that was planned is kept
    look += f' textLength="{text_width_mm(mark.text, mark.size_pt, mark.weight):.3f}" lengthAdjust="spacingAndGlyphs" xml:space="preserve"'
    if mark.angle_deg:
        look += f' transform="rotate({-mark.angle_deg:g} {x:.3f} {y:.3f})"'
    return [f'<text x="{x:.3f}" y="{y:.3f}" {look}>{escape(mark.text)}</text>']


def _picture(mark: Picture, height: float) -> list[str]:
    data = base64.b64encode(mark.jpeg).decode("ascii")
    return [
        f'<image x="{mark.x_mm:.3f}" y="{height - mark.y_mm - mark.height_mm:.3f}" width="{mark.width_mm:.3f}" height="{mark.height_mm:.3f}" '
        f'preserveAspectRatio="none" href="data:image/jpeg;base64,{data}"/>'
    ]


_PUT: dict[type, Any] = {Lines: _lines, Rings: _rings, Disc: _disc, Text: _text, Picture: _picture}
