"""The bill of quantities as pages: items by elevation, treatment and lift, with rates where an office gave some."""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd

from facademap.report.bill_progress import Progress, progress_pages
from facademap.report.bill_variations import variation_pages
from facademap.report.bill_visits import VisitPrice, visit_pages
from facademap.report.costs import Rate, Rates
from facademap.report.measures import Measures
from facademap.report.page import Page
from facademap.report.paper import paper_named
from facademap.report.pdf import write_pdf
from facademap.report.quantities import MEASURES, Quantities, measured_by, unit_said
from facademap.report.typeface import MM_PER_PT, wrap_text
from facademap.report.variations import Contract, Variation, against_contract, sum_agreed
from facademap.tables import UNDECIDED

__all__ = ["face_of_stones", "write_bill"]

_MARGIN, _SIZE = 14.0, 8.5
_SAID = {m.name: m for m in MEASURES}
_NOTES = (
    "Quantities are as designed, or as measured on the cut-out where it has been cut; the workbook lists every repair.",
    "Nothing is added for what is found when stone is opened up: allow for it. Scaffold, access, protection, waste and tax are not in it.",
    "Rates are those of the office's file; low, likely and high are its own. No rate comes with the program.",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Item:
    number: str
    what: str
    unit: str
    quantity: float
    decimals: int
    rate: Rate | None
    factor: float

    def amounts(self) -> tuple[float, float, float] | None:
        """Low, likely and high."""
        if self.rate is None:
            return None
        stored = self.quantity / self.factor
        return tuple(stored * r for r in (self.rate.low, self.rate.likely, self.rate.high))  # type: ignore[return-value]


def write_bill(
    quantities: Quantities,
    *,
    project: str,
    paper: str = "A4",
    rates: Rates | None = None,
    say: Measures,
    stone_m2: float | None = None,
    progress: Progress | None = None,
    variations: Sequence[Variation] = (),
    contract: Contract | None = None,
    visits: Sequence[VisitPrice] = (),
) -> bytes:
    """The bill as a PDF.

    Parameters
    ----------
    quantities : Quantities
    project, paper : str
    rates : Rates, optional
        Without them rates and amounts are left open, as for a tender.
    say : Measures
    stone_m2 : float, optional
        Face of all wall stones that are drawn, for the share of original stone that stays.
    progress : Progress, optional
        What is done and what it cost, on a page of its own.
    variations : sequence of Variation
        Apart from the items, on a page of their own; only what is agreed is in the sum.
    contract : Contract, optional
        What was agreed at the beginning, against which the quantities are set.
    visits : sequence of VisitPrice
        Stones with several repairs, on pages of their own.
    """
    groups = list(_groups(quantities, rates, say))
    return write_pdf(
        _numbered(
            _pages(groups, quantities, project, paper, rates, say, stone_m2, variations),
            variation_pages(
                variations,
                against_contract(contract, variations, quantities) if contract else (),
                contract,
                project=project,
                paper=paper,
                say=say,
            ),
            visit_pages(
                visits, project=project, paper=paper, currency=rates.currency if rates else ""
            )
            if visits
            else (),
            progress_pages(progress, project=project, paper=paper, say=say)
            if progress is not None and progress.repairs
            else (),
        ),
        title=f"Bill of quantities, {project}".strip(", "),
        subject="Items by elevation, treatment and lift",
    )


def _numbered(*parts: Iterable[Page]) -> Iterator[Page]:
    """The pages of all parts, each with its number."""
    for number, page in enumerate(itertools.chain(*parts), start=1):
        right = page.width_mm - _MARGIN - 3
        page.text(right, _MARGIN - 1, f"page {number}", size_pt=7.5, anchor="right")
        yield page


def _groups(
    quantities: Quantities, rates: Rates | None, say: Measures
) -> Iterator[tuple[str, list[_Item]]]:
    frame = quantities.repairs
    frame = frame[~frame["treatment"].isin(("leave", UNDECIDED))] if len(frame) else frame
    for letter, (elevation, own) in enumerate(_grouped(frame, "elevation")):
        items: list[_Item] = []
        for treatment, rows in _grouped(own, "treatment"):
            priced = {
                r.measure: r for r in (rates.rates if rates else ()) if r.treatment == treatment
            }
            measures = tuple(priced) or measured_by(treatment)
            for lift, part in _grouped(rows, "lift"):
                for measure in measures:
                    total = float(part[measure].sum())
                    if total > 0:
                        number = f"{_letter(letter)}{len(items) + 1}"
                        items.append(
                            _item(
                                number,
                                treatment,
                                lift,
                                len(part),
                                measure,
                                total,
                                priced.get(measure),
                                say,
                            )
                        )
        if items:
            yield str(elevation) or "no elevation", items


def _item(
    number: str, treatment: str, lift: str, repairs: int, measure: str, total: float, rate: Rate | None, say: Measures
) -> _Item:  # fmt: skip
    m = _SAID[measure]
    unit, factor = unit_said(m, inches=say.inches)
    where = f", lift {lift}" if lift and lift != "not stated" else ""
    by = "" if measure == "count" else f": {m.title.lower()}"
    return _Item(
        number=number,
        what=f"{treatment[:1].upper()}{treatment[1:]}{where}, {repairs} repair{'s' if repairs > 1 else ''}{by}",
        unit=unit,
        quantity=total * factor,
        decimals=0 if m.decimals == 0 else 2,
        rate=rate,
        factor=factor,
    )


def _grouped(frame: pd.DataFrame, by: str) -> Iterator[tuple[str, pd.DataFrame]]:
    for key, rows in frame.groupby(by, sort=True) if len(frame) else ():
        yield str(key), rows


def _letter(n: int) -> str:
    return "ABCDEFGHJKLMNPQRSTUVWXYZ"[n % 24] * (n // 24 + 1)


#: Where columns end (figures stand right), as a share of the width; the description begins at 0.08.
_ENDS = {"unit": 0.54, "quantity": 0.66, "rate": 0.79, "amount": 1.0}


def _pages(
    groups: Sequence[tuple[str, list[_Item]]],
    quantities: Quantities,
    project: str,
    paper: str,
    rates: Rates | None,
    say: Measures,
    stone_m2: float | None,
    variations: Sequence[Variation],
) -> Iterator[Page]:
    width, height = paper_named(paper)
    sheet = _Sheet(width, height, project, rates)
    page, y = sheet.fresh()
    y = _headline(page, quantities, say, stone_m2, y, width)
    step = _SIZE * MM_PER_PT * 1.3
    sums = [0.0, 0.0, 0.0]
    for elevation, items in groups:
        if y < _MARGIN + 40:
            yield page
            page, y = sheet.fresh()
        y = sheet.heads(page, elevation, y)
        for item in items:
            lines = wrap_text(item.what, 0.42 * sheet.room, _SIZE)
            tall = step * len(lines) + 2.0
            if y - tall < _MARGIN + 12:
                yield page
                page, y = sheet.fresh()
                y = sheet.heads(page, f"{elevation}, continued", y)
            sheet.row(page, item, lines, y, step)
            for k, amount in enumerate(item.amounts() or ()):
                sums[k] += amount
            y -= tall
    if y < _MARGIN + 45:
        yield page
        page, y = sheet.fresh()
    bare = sum(item.rate is None for _, items in groups for item in items)
    y = sheet.total(page, sums if rates else None, y, empty=not groups, bare=bare)
    y = sheet.varied(page, sums[1] if rates else None, variations, y)
    for note in (*_NOTES, *quantities.gaps):
        if y < _MARGIN + 8:
            yield page
            page, y = sheet.fresh()
        y = page.paragraph(_MARGIN, y, note, width_mm=sheet.room, size_pt=7.5) - 0.8
    yield page


def _headline(
    page: Page,
    quantities: Quantities,
    say: Measures,
    stone_m2: float | None,
    y: float,
    width: float,
) -> float:
    """How much original stone stays."""
    removed = float(quantities.total("repairs")["removed_area_m2"])
    if not stone_m2:
        text = "Original stone kept: not stated, since no wall stones are drawn."
    else:
        kept = max(0.0, 1.0 - removed / stone_m2)
        text = f"Original stone kept: {kept:.1%} of the face drawn ({say.area(removed)} of {say.area(stone_m2)} is cut away)"
    page.text(_MARGIN, y, text, size_pt=11, weight="bold", within_mm=width - 2 * _MARGIN)
    return y - 6.0


class _Sheet:
    """The frame of a page of the bill."""

    def __init__(self, width: float, height: float, project: str, rates: Rates | None) -> None:
        self.width, self.height, self.project, self.rates = width, height, project, rates
        self.room, self.count = width - 2 * _MARGIN, 0

    def fresh(self) -> tuple[Page, float]:
        """A new page with its head; returns it and where writing begins."""
        self.count += 1
        page = Page(width_mm=self.width, height_mm=self.height, title=f"Bill {self.count}")
        top = self.height - _MARGIN
        page.box(_MARGIN, top - 12, self.room, 12, ink=None, fill="#111111")
        page.text(
            _MARGIN + 4, top - 8.6, "BILL OF QUANTITIES", size_pt=15, weight="bold", ink="#ffffff"
        )
        right = self.width - _MARGIN - 3
        page.text(
            right, top - 8.2, self.project, size_pt=9, ink="#ffffff", anchor="right", within_mm=90
        )
        return page, top - 19

    def _at(self, name: str) -> float:
        return _MARGIN + _ENDS[name] * self.room

    def heads(self, page: Page, title: str, y: float) -> float:
        """Heading of a group and of its columns."""
        y -= 2
        page.text(_MARGIN, y, title, size_pt=10.5, weight="bold", within_mm=self.room)
        y -= 5
        page.text(_MARGIN, y, "Item", size_pt=7.5)
        page.text(_MARGIN + 0.08 * self.room, y, "Description", size_pt=7.5)
        money = f", {self.rates.currency}" if self.rates else ""
        for name, head in (
            ("unit", "Unit"),
            ("quantity", "Quantity"),
            ("rate", "Rate"),
            ("amount", f"Amount{money}"),
        ):
            page.text(self._at(name), y, head, size_pt=7.5, anchor="right")
        page.line(_MARGIN, y - 1.5, self.width - _MARGIN, y - 1.5, width_mm=0.4)
        return y - 5

    def row(self, page: Page, item: _Item, lines: Sequence[str], y: float, step: float) -> None:
        """One item."""
        page.text(_MARGIN, y, item.number, size_pt=_SIZE, weight="bold")
        for n, line in enumerate(lines):
            page.text(_MARGIN + 0.08 * self.room, y - n * step, line, size_pt=_SIZE)
        page.text(self._at("unit"), y, item.unit, size_pt=_SIZE, anchor="right")
        page.text(
            self._at("quantity"),
            y,
            f"{item.quantity:,.{item.decimals}f}",
            size_pt=_SIZE,
            anchor="right",
        )
        amounts = item.amounts()
        if item.rate is None or amounts is None:
            for name, wide in (("rate", 20.0), ("amount", 30.0)):
                page.line(
                    self._at(name) - wide,
                    y - 0.4,
                    self._at(name),
                    y - 0.4,
                    width_mm=0.13,
                    dash_mm=(0.4, 1.0),
                )
        else:
            page.text(
                self._at("rate"),
                y,
                f"{item.rate.likely / item.factor:,.2f}",
                size_pt=_SIZE,
                anchor="right",
            )
            page.text(
                self._at("amount"),
                y,
                f"{amounts[1]:,.2f}",
                size_pt=_SIZE,
                weight="bold",
                anchor="right",
            )
            page.text(
                self._at("amount"), y - step + 0.3, f"{amounts[0]:,.0f} to {amounts[2]:,.0f}", size_pt=6.5, anchor="right"
            )  # fmt: skip
        low = y - step * (max(len(lines), 2 if amounts else 1) - 1) - 1.6
        page.line(_MARGIN, low, self.width - _MARGIN, low, width_mm=0.1, ink="#aaaaaa")

    def total(
        self, page: Page, sums: Sequence[float] | None, y: float, *, empty: bool, bare: int
    ) -> float:
        """The sum, or a line for it."""
        y -= 4
        if empty:
            page.text(
                _MARGIN, y, "No repair is planned yet: nothing to price.", size_pt=10, weight="bold"
            )
            return y - 7
        page.line(_MARGIN, y + 4, self.width - _MARGIN, y + 4, width_mm=0.5)
        page.text(_MARGIN, y, "Sum of the items", size_pt=10, weight="bold")
        if sums is None:
            page.line(self._at("amount") - 40, y - 0.4, self._at("amount"), y - 0.4, width_mm=0.2)
        else:
            told = f"{sums[1]:,.2f}   ({sums[0]:,.0f} to {sums[2]:,.0f})"
            page.text(self._at("amount"), y, told, size_pt=10, weight="bold", anchor="right")
        if sums is not None and bare:
            many = f"{bare} items have" if bare > 1 else "1 item has"
            page.text(
                _MARGIN, y - 5, f"NOT COMPLETE: {many} no rate and are not in the sum.", size_pt=9, weight="bold", ink="#a3161b"
            )  # fmt: skip
            y -= 5
        return y - 7

    def varied(
        self, page: Page, likely: float | None, variations: Sequence[Variation], y: float
    ) -> float:
        """What was agreed since, and the sum with it; what is open is told and not added."""
        agreed = [v for v in variations if v.agreed]
        pending = sum(v.result == "open" for v in variations)
        if not agreed and not pending:
            return y
        more, bare = sum_agreed(variations)
        right, money = self._at("amount"), next(v.currency for v in variations)
        lines = [(f"Agreed variations: {len(agreed)}, on their own page", f"{more:+,.2f}")]
        if likely is not None:
            lines.append((f"Sum with agreed variations, {money}", f"{likely + more:,.2f}"))
        for told, amount in lines if agreed else ():
            page.text(_MARGIN, y, told, size_pt=10, weight="bold")
            page.text(right, y, amount, size_pt=10, weight="bold", anchor="right")
            y -= 5
        for many, why in ((bare, "agreed without an amount"), (pending, "open, not agreed")):
            if many:
                told = f"{many} variation{'s' if many > 1 else ''} {why}: not in the sum."
                page.text(_MARGIN, y, told, size_pt=9, weight="bold", ink="#a3161b")
                y -= 5
        return y - 2


def face_of_stones(frame: Any) -> float | None:
    """Face of the wall stones that are drawn, m2; ``None`` where there are none."""
    if not len(frame):
        return None
    return float(frame.geometry.area.sum()) or None
