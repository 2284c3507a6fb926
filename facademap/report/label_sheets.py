"""Labels on sheets to be cut apart, or one by one on a tape."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence

from facademap.errors import InputError
from facademap.report.enlarging import enlarged
from facademap.report.page import Page
from facademap.report.paper import paper_named
from facademap.report.ticket_page import draw_qr
from facademap.units import M_PER_INCH

__all__ = ["Label", "label_pages", "label_tape_mm"]

#: Kind, name, lines and code.
Label = tuple[str, str, Sequence[str], str]
_TAPE = re.compile(r"tape\s*(\d+(?:\.\d+)?)\s*(mm|in)?\Z")
_LEAST_MM, _MOST_MM = 24.0, 150.0
#: A label of a tape as it is drawn, before it takes the width of the tape.
_WIDE, _TALL = 95.0, 38.0
_COLUMNS, _ROWS, _EDGE = 2, 7, 8.0


def label_tape_mm(name: str) -> float | None:
    """Width of a tape by its name, ``tape 62`` or ``tape 2.4 in``; nothing where it names no tape.

    Raises
    ------
    InputError
        No tape is so wide that a code on it can be read, or so wide at all.

    Examples
    --------
    >>> label_tape_mm("tape 62"), label_tape_mm("tape 2 in"), label_tape_mm("A4")
    (62.0, 50.8, None)
    """
    found = _TAPE.match(" ".join(name.lower().split()))
    if found is None:
        return None
    width = float(found[1]) * (M_PER_INCH * 1000 if found[2] == "in" else 1.0)
    if not _LEAST_MM <= width <= _MOST_MM:
        raise InputError(
            f"a tape {width:g} mm wide",
            f"Give a width from {_LEAST_MM:g} to {_MOST_MM:g} mm, such as tape 62.",
        )
    return round(width, 3)


def label_pages(labels: Sequence[Label], paper: str) -> Iterator[Page]:
    """Two columns of seven on a sheet, or a page each for a tape.

    Parameters
    ----------
    labels : sequence of Label
    paper : str
        A sheet, or a tape by its width.
    """
    tape = label_tape_mm(paper)
    if tape is not None:
        yield from _taped(labels, tape)
        return
    width, height = paper_named(paper)
    w, h = (width - 2 * _EDGE) / _COLUMNS, (height - 2 * _EDGE) / _ROWS
    most = _COLUMNS * _ROWS
    for start in range(0, max(1, len(labels)), most):
        page = Page(width_mm=width, height_mm=height, title=f"Labels {start // most + 1}")
        for k, label in enumerate(labels[start : start + most]):
            x, y = _EDGE + (k % _COLUMNS) * w, height - _EDGE - (k // _COLUMNS + 1) * h
            page.box(x, y, w, h, width_mm=0.15, ink="#aaaaaa", dash_mm=(1.5, 1.5))
            _draw(page, label, x, y, w, h)
        if not labels:
            page.text(
                15, height - 30, "No blocks and no pieces to label", size_pt=16, weight="bold"
            )
        yield page


def _taped(labels: Sequence[Label], tape_mm: float) -> Iterator[Page]:
    for label in labels:
        page = Page(width_mm=_WIDE, height_mm=_TALL, title=label[1])
        _draw(page, label, 0.0, 0.0, _WIDE, _TALL)
        yield enlarged(page, tape_mm / _TALL)
    if not labels:
        page = Page(width_mm=_WIDE, height_mm=_TALL, title="No labels")
        page.text(6, _TALL / 2, "No blocks and no pieces to label", size_pt=12, weight="bold")
        yield enlarged(page, tape_mm / _TALL)


def _draw(page: Page, label: Label, x: float, y: float, w: float, h: float) -> None:
    kind, name, lines, code = label
    qr = h - 8
    draw_qr(page, code, x + w - qr - 3, y + 4, qr)
    page.box(x + 3, y + h - 8.5, 16, 5.5, ink=None, fill="#111111")
    page.text(x + 11, y + h - 7.2, kind, size_pt=8.5, weight="bold", anchor="centre", ink="#ffffff")
    if kind == "PIECE":
        at = x + w - qr - 9
        page.arrow(at, y + h - 13, at, y + h - 5, head_mm=3, width_mm=0.9)
        page.text(at, y + h - 17, "TOP", size_pt=7.5, weight="bold", anchor="centre")
    page.text(x + 3, y + h - 15.8, name, size_pt=20, weight="bold", within_mm=w - qr - 18)
    for n, line in enumerate(t for t in lines if t):
        page.text(x + 3, y + h - 20.4 - 3.85 * n, line, size_pt=9.5, within_mm=w - qr - 10)
