"""Stones with several repairs as one visit each: the order of work, the hours together, and the price less what setting up once saves."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from facademap.repair.work_hours import Hours
from facademap.report.costs import Rates
from facademap.report.page import Page
from facademap.report.paper import paper_named
from facademap.report.quantities import Quantities
from facademap.report.rows import rows_of
from facademap.treatment import Visit

__all__ = ["VisitPrice", "price_visits", "visit_pages"]

_MARGIN = 14.0
Money = tuple[float, float, float]
_NOTES = (
    "One visit: crew, tools and protection are set up once for all repairs of a stone, in the order given; make safe first, what is loose, "
    "then stone, then joints. Hours are common practice, low to high.",
    "Price of a visit = its items by the office's rates, less the hours saved by setting up once at the office's price of an hour ([hour] in the "
    "file of rates). Without that price nothing is taken off. "
    "Where the items come to less than what setting up costs, the visit is priced by its hours, and nothing of it is taken off the sum. "
    "A visit with a treatment that has no rate has no price, and nothing of it is taken off.",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class VisitPrice:
    """A visit with its money.

    Parameters
    ----------
    visit : Visit
    items : tuple of float
        Low, likely and high of its items; ``None`` where there are no rates.
    saved : tuple of float
        Low, likely and high of what setting up once saves; ``None`` where an hour has no price.
    by_hour : tuple of float
        Low, likely and high of its hours; ``None`` where an hour has no price.
    bare : tuple of str
        Treatments of the visit that have no rate, so that the visit has no price.
    """

    visit: Visit
    items: Money | None
    saved: Money | None
    by_hour: Money | None = None
    bare: tuple[str, ...] = ()

    @property
    def small(self) -> bool:
        """Whether its items come to less than what setting up costs, so that it is priced by the hour."""
        return (
            not self.bare
            and self.items is not None
            and self.by_hour is not None
            and self.saved is not None
            and any(i <= s for i, s in zip(self.items, self.saved, strict=True))
        )

    @property
    def taken_off(self) -> Money | None:
        """What of the sum of the items it saves; ``None`` where that is not known."""
        return None if self.small or self.bare else self.saved

    @property
    def price(self) -> Money | None:
        """Low, likely and high of the visit; ``None`` where not all of it is priced."""
        if self.items is None or self.bare:
            return None
        if self.small:
            return self.by_hour
        off = self.saved or (0.0, 0.0, 0.0)
        low, likely, high = (i - s for i, s in zip(self.items, off, strict=True))
        return tuple(sorted((low, likely, high)))  # type: ignore[return-value]


def price_visits(
    visits: Sequence[Visit], quantities: Quantities, rates: Rates | None
) -> tuple[VisitPrice, ...]:
    """The price of each visit.

    Parameters
    ----------
    visits : sequence of Visit
    quantities : Quantities
    rates : Rates, optional
        Without them no price is told.
    """
    rows = {str(r["id"]): r for r in rows_of(quantities.repairs)}
    known = {r.treatment for r in rates.rates} if rates else set()
    found = []
    for visit in visits:
        if rates is None:
            found.append(VisitPrice(visit=visit, items=None, saved=None))
            continue
        sums = [0.0, 0.0, 0.0]
        for name, treatment in zip(visit.repairs, visit.treatments, strict=True):
            row: Mapping[str, float] = rows.get(name, {})
            for rate in rates.rates:
                if rate.treatment == treatment:
                    amount = float(row.get(rate.measure, 0.0))
                    for k, price in enumerate((rate.low, rate.likely, rate.high)):
                        sums[k] += amount * price if amount > 0 else 0.0
        found.append(
            VisitPrice(
                visit=visit,
                items=(sums[0], sums[1], sums[2]),
                saved=_worth(visit.saved, rates.hour),
                by_hour=_worth(visit.hours, rates.hour),
                bare=tuple(dict.fromkeys(t for t in visit.treatments if t not in known)),
            )
        )
    return tuple(found)


def _worth(hours: Hours, hour: Money | None) -> Money | None:
    if hour is None:
        return None
    return (hours.low_h * hour[0], hours.likely_h * hour[1], hours.high_h * hour[2])


def visit_pages(
    priced: Sequence[VisitPrice], *, project: str, paper: str, currency: str = ""
) -> Iterator[Page]:
    """Pages of the bill that list the visits, with their sum."""
    width, height = paper_named(paper)
    room, right = width - 2 * _MARGIN, width - _MARGIN
    page, y = _head(width, height, project, currency)
    for one in priced:
        order = ", then ".join(
            f"{r} {t}" for r, t in zip(one.visit.repairs, one.visit.treatments, strict=True)
        )
        if one.bare:
            order += f" (no rate: {', '.join(one.bare)}, so no price)"
        if one.small:
            order += " (priced by the hour: its items come to less than setting up)"
        probe = Page(width_mm=width, height_mm=height)
        tall = max(-probe.paragraph(0, 0, order, width_mm=0.4 * room, size_pt=8.2), 7.5)
        if y - tall < _MARGIN + 14:
            yield page
            page, y = _head(width, height, project, currency)
        page.text(
            _MARGIN, y, one.visit.wall_stone, size_pt=8.5, weight="bold", within_mm=0.15 * room
        )
        page.paragraph(_MARGIN + 0.16 * room, y, order, width_mm=0.4 * room, size_pt=8.2)
        page.text(_MARGIN + 0.68 * room, y, _hours(one.visit.hours), size_pt=8.2, anchor="right")
        page.text(_MARGIN + 0.8 * room, y, _hours(one.visit.saved), size_pt=8.2, anchor="right")
        if one.price is not None:
            low, likely, high = one.price
            page.text(right, y, f"{likely:,.2f}", size_pt=8.5, weight="bold", anchor="right")
            page.text(right, y - 3.6, f"{low:,.0f} to {high:,.0f}", size_pt=6.5, anchor="right")
        else:
            page.line(right - 28, y - 0.4, right, y - 0.4, width_mm=0.13, dash_mm=(0.4, 1.0))
        y -= tall + 1.8
        page.line(_MARGIN, y + 2.4, right, y + 2.4, width_mm=0.1, ink="#aaaaaa")
    if y < _MARGIN + 40:
        yield page
        page, y = _head(width, height, project, currency)
    saved = _sums([off for p in priced if (off := p.taken_off) is not None])
    y -= 3
    page.text(
        _MARGIN,
        y,
        f"{len(priced)} visit{'s' if len(priced) != 1 else ''}",
        size_pt=10,
        weight="bold",
    )
    if saved is not None:
        told = f"Setting up once saves {saved[1]:,.2f}   ({saved[0]:,.0f} to {saved[2]:,.0f}): to be taken off the sum of the items"
        page.text(right, y, told, size_pt=9, weight="bold", anchor="right", within_mm=room - 30)
    y -= 7
    for note in _NOTES:
        y = page.paragraph(_MARGIN, y, note, width_mm=room, size_pt=7.5) - 0.8
    yield page


def _head(width: float, height: float, project: str, currency: str) -> tuple[Page, float]:
    page = Page(width_mm=width, height_mm=height, title="Bill: visits")
    top, room, right = height - _MARGIN, width - 2 * _MARGIN, width - _MARGIN
    page.box(_MARGIN, top - 12, room, 12, ink=None, fill="#111111")
    page.text(_MARGIN + 4, top - 8.6, "ONE VISIT A STONE", size_pt=15, weight="bold", ink="#ffffff")
    page.text(right - 3, top - 8.2, project, size_pt=9, ink="#ffffff", anchor="right", within_mm=90)
    y = top - 19
    money = f", {currency}" if currency else ""
    for x, head, anchor in (
        (_MARGIN, "Stone", "left"),
        (_MARGIN + 0.16 * room, "Repairs in order of work", "left"),
        (_MARGIN + 0.68 * room, "Hours", "right"),
        (_MARGIN + 0.8 * room, "Saved, h", "right"),
        (right, f"Price{money}", "right"),
    ):
        page.text(x, y, head, size_pt=7.5, anchor=anchor)  # type: ignore[arg-type]
    page.line(_MARGIN, y - 1.5, right, y - 1.5, width_mm=0.4)
    return page, y - 6


def _hours(hours: Hours) -> str:
    return f"{hours.low_h:.1f} – {hours.high_h:.1f}"


def _sums(found: Sequence[Money]) -> Money | None:
    if not found:
        return None
    low, likely, high = (sum(f[k] for f in found) for k in range(3))
    return (low, likely, high)
