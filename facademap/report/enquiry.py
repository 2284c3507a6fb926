"""Sheets for a quarry: what stone is wanted, in which sizes, of which colour, what a sample must come with, and room for the answer."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from facademap.photo.lab import srgb_from_lab
from facademap.report.measures import Measures
from facademap.report.page import Page
from facademap.report.paper import paper_named
from facademap.report.pdf import write_pdf
from facademap.report.rows import rows_of
from facademap.report.stone_lists import wanted_stone
from facademap.tables import is_missing, text_of

__all__ = ["write_enquiries"]

_MARGIN = 14.0
_BEDS = {"horizontal": "bed along the width", "edge": "bed along the height", "any": "bed free"}
#: What is asked of the stone; the methods are those of the European standards for natural stone, named from memory.
_ASKED = (
    ("Petrographic description", "EN 12407"),
    ("Density and open porosity", "EN 1936"),
    ("Water absorption at atmospheric pressure", "EN 13755"),
    ("Water absorption by capillarity", "EN 1925"),
    ("Compressive strength", "EN 1926"),
    ("Frost resistance", "EN 12371"),
    ("Salt crystallisation", "EN 12370"),
)
_NOTE = (
    "Sizes are the least sound stone after all waste, without vents, clay seams or stylolites that open. A sample of the bed and finish that would be "
    "delivered, at least the size of a hand, is held against the wall wet and dry before anything is ordered. Colour swatches are as far as paper "
    "shows them. Names of tests are from memory: the office checks editions and decides which are wanted."
)


def write_enquiries(
    frames: Mapping[str, pd.DataFrame], *, project: str, paper: str = "A4", inches: bool = False
) -> bytes:
    """One sheet an enquiry that is not delivered yet, as a PDF.

    Parameters
    ----------
    frames : mapping of table name to frame
        ``orders``, ``repairs``, ``pieces`` and ``placements``.
    project, paper : str
    inches : bool
        Whether inches come first; both are given, since a quarry may read either.
    """
    return write_pdf(
        _pages(frames, project, paper_named(paper), Measures(inches)),
        title=f"Enquiries for stone, {project}".strip(", "),
        subject="Stone that the yard lacks, for quarries",
    )


def _pages(
    frames: Mapping[str, pd.DataFrame], project: str, size: tuple[float, float], say: Measures
) -> Iterator[Page]:
    orders = [o for o in rows_of(frames["orders"]) if o["state"] != "delivered"]
    wanted = {str(w["piece"]): w for w in rows_of(wanted_stone(frames))}
    if not orders:
        page, y = _head("", project, size)
        page.text(_MARGIN, y - 4, "No stone has been asked for.", size_pt=14, weight="bold")
        page.paragraph(
            _MARGIN,
            y - 14,
            f"{len(wanted)} pieces have no block. Ask for their stone with: facademap stone PROJECT --ask STONE --supplier QUARRY.",
            width_mm=size[0] - 2 * _MARGIN,
            size_pt=10,
        )
        yield page
    for order in sorted(orders, key=lambda o: str(o["id"])):
        yield from _enquiry(order, wanted, project, size, say)


def _enquiry(
    order: Mapping[str, Any],
    wanted: Mapping[str, Mapping[str, Any]],
    project: str,
    size: tuple[float, float],
    say: Measures,
) -> Iterator[Page]:
    right, room = size[0] - _MARGIN, size[0] - 2 * _MARGIN
    page, y = _head(str(order["id"]), project, size)
    y = _asked_for(page, order, y, room)
    groups = _grouped([wanted[p] for p in map(str, order["pieces"] or ()) if p in wanted])
    page.text(_MARGIN, y, "Sizes wanted", size_pt=11, weight="bold")
    page.text(right, y, f"{sum(n for n, _ in groups)} stones", size_pt=9.5, anchor="right")
    y -= 6
    for count, row in groups:
        if y < _MARGIN + 12:
            yield page
            page, y = _head(str(order["id"]), project, size)
        page.text(_MARGIN, y, f"{count} ×", size_pt=10.5, weight="bold")
        first, other = _sizes(row, say)
        page.text(_MARGIN + 13, y, first, size_pt=10.5, weight="bold", within_mm=62)
        page.text(_MARGIN + 78, y, f"({other})", size_pt=8.5, within_mm=50)
        finish = f", {row['finish']}" if row["finish"] else ""
        page.text(right, y, _BEDS.get(row["bed"], row["bed"]) + finish, size_pt=8.5, anchor="right", within_mm=48)  # fmt: skip
        y -= 1.8
        page.line(_MARGIN, y, right, y, width_mm=0.1, ink="#aaaaaa")
        y -= 4.6
    if not groups:
        page.text(_MARGIN, y, "None of its pieces waits any more.", size_pt=9)
        y -= 7
    if y < _MARGIN + 118:
        yield page
        page, y = _head(str(order["id"]), project, size)
    _answer(page, order, y, size)
    yield page


def _asked_for(page: Page, order: Mapping[str, Any], y: float, room: float) -> float:
    facts = [
        ("Stone", str(order["stone_type"])),
        ("Asked of", str(order["supplier"])),
        ("Asked on", text_of(order["asked_on"], "")),
        ("State", str(order["state"])),
    ]
    for title, text in facts:
        page.text(_MARGIN, y, title, size_pt=8.5)
        page.text(_MARGIN + 22, y, text, size_pt=10.5, weight="bold", within_mm=room - 60)
        y -= 5.4
    lab = order["lab_wanted"]
    if isinstance(lab, list) and len(lab) == 3:
        tone = "#" + "".join(f"{round(float(v) * 255):02x}" for v in srgb_from_lab(np.array(lab)))
        x = _MARGIN + room - 30
        page.box(x, y + 4, 30, 17, ink="#666666", width_mm=0.2, fill=tone)
        words = "colour wanted: L* {:.0f} a* {:.0f} b* {:.0f}, dry".format(*lab)
        page.text(x + 30, y + 0.6, words, size_pt=7, anchor="right")
    if not is_missing(order["note"]):
        y = page.paragraph(_MARGIN, y, str(order["note"]), width_mm=room - 36, size_pt=9) - 1
    return y - 4


def _answer(page: Page, order: Mapping[str, Any], y: float, size: tuple[float, float]) -> None:
    right, room = size[0] - _MARGIN, size[0] - 2 * _MARGIN
    known = {str(t["name"]).lower(): t for t in order["tests"] or ()}
    y -= 4
    page.text(_MARGIN, y, "Declared or tested, please fill in", size_pt=11, weight="bold")
    page.text(right, y, "value and unit, laboratory, date", size_pt=8, anchor="right")
    y -= 6
    extra = [(str(t["name"]), "") for k, t in known.items() if k not in {a.lower() for a, _ in _ASKED}]  # fmt: skip
    for name, method in (*_ASKED, *extra):
        page.text(_MARGIN, y, name, size_pt=9, within_mm=74)
        page.text(_MARGIN + 76, y, method, size_pt=8, ink="#444444")
        test = known.get(name.lower())
        if test:
            words = f"{test['value']}, {test.get('by', '')}, {test.get('on', '')}: {test.get('result', 'open')}"
            page.text(right, y, words, size_pt=8.5, weight="bold", anchor="right", within_mm=80)
        else:
            page.line(_MARGIN + 98, y - 0.8, right, y - 0.8, width_mm=0.15, ink="#666666")
        y -= 6.2
    y -= 2
    for line in (
        "Largest block that can be had, bed height",
        "Price, what it is for (m³, stone), until when it holds",
        "Time of delivery",
        "Name, day, signature",
    ):
        page.text(_MARGIN, y, line, size_pt=9, within_mm=82)
        page.line(_MARGIN + 86, y - 0.8, right, y - 0.8, width_mm=0.15, ink="#666666")
        y -= 7.4
    page.paragraph(_MARGIN, y - 1, _NOTE, width_mm=room, size_pt=7.5)


def _head(id: str, project: str, size: tuple[float, float]) -> tuple[Page, float]:
    width, height = size
    page = Page(width_mm=width, height_mm=height, title=f"Enquiry {id}" if id else "No enquiry")
    top, right = height - _MARGIN, width - _MARGIN
    page.box(_MARGIN, top - 13, width - 2 * _MARGIN, 13, ink=None, fill="#111111")
    page.text(
        _MARGIN + 4,
        top - 9.2,
        "ENQUIRY FOR STONE" if id else "ENQUIRIES FOR STONE",
        size_pt=16,
        weight="bold",
        ink="#ffffff",
    )
    page.text(right - 4, top - 9.2, id, size_pt=16, weight="bold", ink="#ffffff", anchor="right")  # fmt: skip
    page.text(_MARGIN, _MARGIN - 4, project, size_pt=7.5, within_mm=110)
    return page, top - 20


def _sizes(row: Mapping[str, Any], say: Measures) -> tuple[str, str]:
    metric = " × ".join(str(row[f"{n}_mm"]) for n in ("width", "height", "depth")) + " mm"
    imperial = " × ".join(str(row[f"{n}_in"]).removesuffix(" in") for n in ("width", "height", "depth")) + " in"  # fmt: skip
    return (imperial, metric) if say.inches else (metric, imperial)


def _grouped(rows: Sequence[Mapping[str, Any]]) -> list[tuple[int, Mapping[str, Any]]]:
    """Like sizes together, largest first as the list has them."""
    found: dict[tuple[Any, ...], list[Mapping[str, Any]]] = {}
    for row in rows:
        key = (row["width_mm"], row["height_mm"], row["depth_mm"], row["bed"], row["finish"])
        found.setdefault(key, []).append(row)
    return [(len(own), own[0]) for own in found.values()]
