"""Progress and cost to date, by lift and by month, and what the stone as cut added to the design.

A repair counts as done on the day it was accepted; what is begun counts nothing, since nothing proves how much of it is done.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd

from facademap.report.costs import Rates
from facademap.report.measures import Measures
from facademap.report.page import Page
from facademap.report.paper import paper_named
from facademap.report.quantities import Quantities
from facademap.report.rows import rows_of
from facademap.tables import UNDECIDED, is_missing

__all__ = ["Counted", "Progress", "Step", "measure_progress", "progress_pages"]

_MARGIN = 14.0
_BEGUN_AFTER = frozenset({"proposed", "approved", "on hold", "undecided", ""})
_NOTES = (
    "Done = accepted in the work record, on the day of its last acceptance; a repair that was sent back after that is not done. What is begun counts "
    "nothing in the cost.",
    "Cost to date = quantity times the likely rate of the office's file; items without a rate are not in it.",
    "Stone as cut against design: face of the cut-out by its measured widths and heights, less the face that was designed; a variation is "
    "agreed by people, not by this page.",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One line: a lift or a month.

    Parameters
    ----------
    name : str
    repairs, begun, done : int
        Of a month only ``done`` is told.
    cost : float
        Cost to date of what is done, of a month of that month.
    planned : float
        Cost of everything.
    """

    name: str
    repairs: int = 0
    begun: int = 0
    done: int = 0
    cost: float = 0.0
    planned: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Counted:
    """One repair as it is counted.

    Parameters
    ----------
    id, lift, stage : str
    begun : bool
    month : str
        Of its last acceptance; empty where it is not accepted.
    cost : float
        Likely cost of the whole of it.
    """

    id: str
    lift: str
    stage: str
    begun: bool
    month: str
    cost: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Progress:
    """Progress of a project.

    Parameters
    ----------
    lifts, months : tuple of Step
        Months in their order, those without an acceptance between two left out.
    priced : bool
        Whether there are rates.
    currency : str
    as_cut : tuple of (repair, designed_m2, cut_m2)
        Cut-outs that have been measured.
    rows : tuple of Counted
        The repairs that all of this is counted from.
    """

    lifts: tuple[Step, ...]
    months: tuple[Step, ...]
    priced: bool
    currency: str = ""
    as_cut: tuple[tuple[str, float, float], ...] = ()
    rows: tuple[Counted, ...] = ()

    @property
    def repairs(self) -> int:
        """Repairs in all."""
        return sum(s.repairs for s in self.lifts)

    @property
    def done(self) -> int:
        """Repairs that were accepted."""
        return sum(s.done for s in self.lifts)


def measure_progress(
    quantities: Quantities, frames: Mapping[str, pd.DataFrame], rates: Rates | None
) -> Progress:
    """Progress from the stages of the repairs and the days of the work record.

    Parameters
    ----------
    quantities : Quantities
    frames : mapping
        ``repairs`` and ``work_log``.
    rates : Rates, optional

    Returns
    -------
    Progress
    """
    rows = [r for r in rows_of(quantities.repairs) if r["treatment"] not in ("leave", UNDECIDED)]
    costs = {r["id"]: _cost(r, rates) for r in rows}
    when = _accepted_at(frames["work_log"])
    done = {r["id"] for r in rows if r["stage"] == "accepted"}
    counted = tuple(
        Counted(
            id=r["id"],
            lift=str(r["lift"]),
            stage=str(r["stage"]),
            begun=r["stage"] not in _BEGUN_AFTER,
            month=when.get(r["id"], "no date") if r["id"] in done else "",
            cost=costs[r["id"]],
        )
        for r in rows
    )
    return Progress(
        lifts=tuple(_by_lift(counted)),
        months=tuple(_by_month(counted)),
        rows=counted,
        priced=rates is not None,
        currency=rates.currency if rates else "",
        as_cut=tuple(_as_cut(frames["repairs"])),
    )


def _by_lift(counted: Sequence[Counted]) -> Iterator[Step]:
    for lift in sorted({c.lift for c in counted}, key=lambda w: (len(w), w)):
        own = [c for c in counted if c.lift == lift]
        yield Step(
            name=lift,
            repairs=len(own),
            begun=sum(c.begun for c in own),
            done=sum(bool(c.month) for c in own),
            cost=sum(c.cost for c in own if c.month),
            planned=sum(c.cost for c in own),
        )


def _by_month(counted: Sequence[Counted]) -> Iterator[Step]:
    for month in sorted({c.month for c in counted if c.month}):
        own = [c for c in counted if c.month == month]
        yield Step(name=month, done=len(own), cost=sum(c.cost for c in own))


def _cost(row: Mapping[str, Any], rates: Rates | None) -> float:
    """Likely cost of one repair."""
    return sum(
        float(row[r.measure]) * r.likely
        for r in (rates.rates if rates else ())
        if r.treatment == row["treatment"]
    )


def _accepted_at(log: pd.DataFrame) -> dict[str, str]:
    """Month of the last acceptance of each repair."""
    entries = log[log["stage"] == "accepted"] if len(log) else log
    return {str(r["repair"]): str(r["at"])[:7] for r in rows_of(entries.sort_values("at"))}


def _as_cut(repairs: pd.DataFrame) -> Iterator[tuple[str, float, float]]:
    for row in rows_of(repairs):
        measured, shape = row["measured"], row["geometry"]
        if is_missing(measured) or shape is None or shape.is_empty:
            continue
        widths, heights = measured.get("widths_m") or (), measured.get("heights_m") or ()
        # sides of a rectangle say its face; of any other outline they do not
        if widths and heights and len(shape.exterior.coords) == 5:
            cut = sum(widths) / len(widths) * (sum(heights) / len(heights))
            yield str(row["id"]), float(shape.area), float(cut)


def progress_pages(
    progress: Progress, *, project: str, paper: str, say: Measures
) -> Iterator[Page]:
    """Pages of progress: a table by lift, one by month, and both as plots.

    Parameters
    ----------
    progress : Progress
    project, paper : str
    say : Measures
    """
    width, height = paper_named(paper)
    page = Page(width_mm=width, height_mm=height, title="Progress and cost to date")
    room, top = width - 2 * _MARGIN, height - _MARGIN
    page.box(_MARGIN, top - 12, room, 12, ink=None, fill="#111111")
    page.text(
        _MARGIN + 4,
        top - 8.6,
        "PROGRESS AND COST TO DATE",
        size_pt=15,
        weight="bold",
        ink="#ffffff",
    )
    page.text(
        width - _MARGIN - 3, top - 8.2, project, size_pt=9, ink="#ffffff", anchor="right", within_mm=room - 95
    )  # fmt: skip
    y = top - 20
    share = progress.done / progress.repairs if progress.repairs else 0.0
    page.text(
        _MARGIN,
        y,
        f"{progress.done} of {progress.repairs} repairs accepted ({share:.0%})",
        size_pt=11,
        weight="bold",
    )
    y = _lifts(page, progress, y - 9, room)
    y = _months(page, progress, y - 9, room)
    y = _variation(page, progress, y - 9, room, say)
    for note in _NOTES:
        y = page.paragraph(_MARGIN, y - 1, note, width_mm=room, size_pt=7.5)
    yield page


def _money(progress: Progress, value: float) -> str:
    return f"{value:,.0f}" if progress.priced else "no rates"


def _row(page: Page, y: float, room: float, cells: Sequence[str], *, bold: bool = False) -> None:
    for cell, at in zip(cells, (0.0, 0.21, 0.29, 0.37, 0.54, 0.71), strict=False):
        page.text(
            _MARGIN + at * room,
            y,
            cell,
            size_pt=8.5,
            weight="bold" if bold else "regular",
            anchor="left" if at == 0 else "right",
            within_mm=0.2 * room,
        )


def _bar(page: Page, y: float, room: float, share: float, begun: float = 0.0) -> None:
    """A bar of what is done, and paler of what is begun."""
    x, wide = _MARGIN + 0.74 * room, 0.26 * room
    page.box(x, y - 0.4, wide, 2.8, width_mm=0.15, ink="#666666")
    for part, fill in ((begun, "#b9cfd0"), (share, "#0b6b73")):
        if part > 0:
            page.box(x, y - 0.4, wide * min(1.0, part), 2.8, ink=None, fill=fill)


def _lifts(page: Page, progress: Progress, y: float, room: float) -> float:
    money = f", {progress.currency}" if progress.priced else ""
    heads = ("Lift", "Repairs", "Begun", "Done", f"Cost to date{money}", f"of{money}")
    _row(page, y, room, heads, bold=True)
    page.line(_MARGIN, y - 1.6, _MARGIN + room, y - 1.6, width_mm=0.4)
    shown = progress.lifts[:24]
    for step in shown:
        y -= 5
        cells = (
            step.name,
            step.repairs,
            step.begun,
            step.done,
            _money(progress, step.cost),
            _money(progress, step.planned),
        )
        _row(page, y, room, [str(c) for c in cells])
        _bar(page, y, room, step.done / step.repairs, step.begun / step.repairs)
    if len(progress.lifts) > len(shown):
        y -= 5
        page.text(
            _MARGIN, y, f"and {len(progress.lifts) - len(shown)} more lifts, in the sum", size_pt=8
        )
    y -= 6
    page.line(_MARGIN, y + 4, _MARGIN + room, y + 4, width_mm=0.3)
    total = (
        "All", progress.repairs, sum(s.begun for s in progress.lifts), progress.done,
        _money(progress, sum(s.cost for s in progress.lifts)), _money(progress, sum(s.planned for s in progress.lifts)),
    )  # fmt: skip
    _row(page, y, room, [str(c) for c in total], bold=True)
    return y


def _months(page: Page, progress: Progress, y: float, room: float) -> float:
    money = f", {progress.currency}" if progress.priced else ""
    _row(page, y, room, ("Month", "", "", "Done", f"Cost{money}", f"in all{money}"), bold=True)
    page.line(_MARGIN, y - 1.6, _MARGIN + room, y - 1.6, width_mm=0.4)
    if not progress.months:
        page.text(_MARGIN, y - 6, "Nothing was accepted yet.", size_pt=8.5)
        return y - 6
    done, cost = 0, 0.0
    for step in progress.months[-18:]:
        before = [s for s in progress.months if s.name <= step.name]
        done, cost = sum(s.done for s in before), sum(s.cost for s in before)
        y -= 5
        _row(
            page, y, room, (step.name, "", "", str(step.done), _money(progress, step.cost), _money(progress, cost)),
        )  # fmt: skip
        _bar(page, y, room, done / max(1, progress.repairs))
    return y


def _variation(page: Page, progress: Progress, y: float, room: float, say: Measures) -> float:
    if not progress.as_cut:
        page.text(
            _MARGIN,
            y,
            "Stone as cut against design: no cut-out has been measured yet.",
            size_pt=8.5,
        )
        return y - 5
    designed = sum(d for _, d, _ in progress.as_cut)
    cut = sum(c for _, _, c in progress.as_cut)
    sign = "+" if cut >= designed else "-"
    page.text(
        _MARGIN,
        y,
        f"Stone as cut against design, {len(progress.as_cut)} cut-outs: {say.area(cut)} against {say.area(designed)} "
        f"({sign}{say.area(abs(cut - designed))})",
        size_pt=9.5,
        weight="bold",
        within_mm=room,
    )
    largest = sorted(progress.as_cut, key=lambda r: -abs(r[2] - r[1]))[:8]
    for repair, before, after in largest:
        y -= 4.6
        page.text(
            _MARGIN + 4,
            y,
            f"{repair}: designed {say.area(before)}, cut {say.area(after)} ({'+' if after >= before else '-'}{say.area(abs(after - before))})",
            size_pt=8,
        )
    return y - 4
