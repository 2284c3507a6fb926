"""A page drawn small and put down larger: text, pens and hatches keep their share of the sheet."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from facademap.report.page import Disc, Lines, Page, Picture, Rings, Text

__all__ = ["enlarged"]


def enlarged(page: Page, factor: float) -> Page:
    """The page with everything on it a number of times as large."""
    if factor == 1.0:
        return page
    return Page(
        width_mm=page.width_mm * factor,
        height_mm=page.height_mm * factor,
        title=page.title,
        layer=page.layer,
        marks=[_mark(m, factor) for m in page.marks],
    )


def _mark(mark: Any, f: float) -> Any:
    if isinstance(mark, Lines):
        return replace(
            mark,
            segments=mark.segments * f,
            width_mm=mark.width_mm * f,
            dash_mm=tuple(d * f for d in mark.dash_mm),
        )
    if isinstance(mark, Rings):
        return replace(
            mark,
            rings=tuple(r * f for r in mark.rings),
            width_mm=mark.width_mm * f,
            dash_mm=tuple(d * f for d in mark.dash_mm),
        )
    if isinstance(mark, Disc):
        return replace(
            mark,
            centres=mark.centres * f,
            radius_mm=mark.radius_mm * f,
            width_mm=mark.width_mm * f,
        )
    if isinstance(mark, Text):
        return replace(mark, x_mm=mark.x_mm * f, y_mm=mark.y_mm * f, size_pt=mark.size_pt * f)
    assert isinstance(mark, Picture)
    return replace(
        mark,
        x_mm=mark.x_mm * f,
        y_mm=mark.y_mm * f,
        width_mm=mark.width_mm * f,
        height_mm=mark.height_mm * f,
    )
