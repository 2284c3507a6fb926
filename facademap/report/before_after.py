"""Before, during and after of a repair on one sheet; the later pictures laid over the first where that could be done."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from facademap.report.page import Page
from facademap.report.paper import paper_named
from facademap.report.pdf import write_pdf

__all__ = ["RepairViews", "View", "write_before_after"]

_MARGIN = 12.0
_HEAD, _QUIET, _WARN = "#22313f", "#444444", "#a3231d"


@dataclass(frozen=True, slots=True, kw_only=True)
class View:
    """One picture.

    Parameters
    ----------
    name : str
        Which view it is.
    words : str
        Photo, day, and how it was aligned.
    jpeg : bytes, optional
    width_px, height_px : int
    aligned : bool
        Whether it lies over the first view; the first does.
    """

    name: str
    words: str
    jpeg: bytes | None = None
    width_px: int = 1
    height_px: int = 1
    aligned: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class RepairViews:
    """The views of one repair, and those that are missing."""

    repair: str
    treatment: str
    stage: str
    views: Sequence[View]
    missing: Sequence[str]


def write_before_after(repairs: Sequence[RepairViews], *, project: str, paper: str = "A4") -> bytes:
    """A sheet for each repair that has a view."""
    return write_pdf(
        _pages(repairs, project, paper_named(paper)),
        title=f"Before and after, {project}".strip(", "),
        subject="Views of repairs, later ones laid over the first",
    )


def _pages(
    repairs: Sequence[RepairViews], project: str, size: tuple[float, float]
) -> Iterator[Page]:
    width, height = size
    shown = [r for r in repairs if r.views]
    if not shown:
        page = Page(width_mm=width, height_mm=height)
        page.text(_MARGIN, height - 24, "No view has been photographed", size_pt=16)
        yield page
    for n, repair in enumerate(shown, start=1):
        page = Page(width_mm=width, height_mm=height, title=f"{repair.repair}, views")
        left, right, top = _MARGIN, width - _MARGIN, height - _MARGIN
        page.box(left, top - 12, right - left, 12, ink=None, fill=_HEAD)
        page.text(left + 4, top - 8.2, "BEFORE AND AFTER", size_pt=12, weight="bold", ink="#ffffff")
        page.text(
            right - 4,
            top - 8.2,
            f"{repair.repair}   {repair.treatment}, {repair.stage}",
            size_pt=12,
            weight="bold",
            ink="#ffffff",
            anchor="right",
            within_mm=110,
        )
        low = _MARGIN + 4
        if repair.missing:
            said = f"Missing: {', '.join(repair.missing)}"
            page.text(left, top - 18, said, size_pt=10, weight="bold", ink=_WARN)
        _frames(page, repair.views, (left, low, right, top - 21))
        page.text(left, _MARGIN - 5, project, size_pt=7.5, within_mm=110)
        page.text(right, _MARGIN - 5, f"{n} of {len(shown)}", size_pt=7.5, anchor="right")
        yield page


def _frames(page: Page, views: Sequence[View], box: tuple[float, float, float, float]) -> None:
    left, low, right, top = box
    columns = 1 if len(views) <= 3 else 2
    rows = -(-len(views) // columns)
    wide, tall = (right - left - 4 * (columns - 1)) / columns, (top - low - 4 * (rows - 1)) / rows
    for k, view in enumerate(views):
        x = left + (k % columns) * (wide + 4)
        y = top - (k // columns + 1) * tall - (k // columns) * 4
        page.box(x, y, wide, tall, width_mm=0.3)
        page.text(x + 2, y + tall - 4.5, view.name, size_pt=11, weight="bold")
        ink = _QUIET if view.aligned else _WARN
        page.text(x + 2, y + 2, view.words, size_pt=7.5, ink=ink, within_mm=wide - 4)
        if view.jpeg is None:
            continue
        scale = min((wide - 4) / view.width_px, (tall - 12.5) / view.height_px)
        across, up = view.width_px * scale, view.height_px * scale
        page.picture(
            view.jpeg, x + (wide - across) / 2, y + 5.5 + (tall - 12.5 - up) / 2, across, up
        )
