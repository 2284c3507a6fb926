"""Pages of variations: what was agreed, what is open or refused, and the contract beside what became of it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from facademap.report.measures import Measures
from facademap.report.page import Page
from facademap.report.paper import paper_named
from facademap.report.quantities import unit_said
from facademap.report.typeface import MM_PER_PT, wrap_text
from facademap.report.variations import Contract, Line, Variation, sum_agreed

__all__ = ["variation_pages"]

_MARGIN, _SIZE = 14.0, 8.5
_STEP = _SIZE * MM_PER_PT * 1.3
_GROUPS = (
    ("agreed", "Agreed: in the sum"),
    ("open", "Open: not in the sum"),
    ("refused", "Refused: not in the sum"),
)
_NOTES = (
    "A variation counts once a person agreed to it by name and day. The quantities of the items are those designed or cut and are not changed by it.",
    "Amounts of variations are fixed ones, or quantity times the rate stated with them, else times the likely rate of the office's file.",
    "Beyond agreed: what is designed or cut now, less the contract, less the quantities agreed since; with a minus, what was agreed and is not designed. Fixed amounts are in no line.",
)


def variation_pages(
    variations: Sequence[Variation],
    lines: Sequence[Line],
    contract: Contract | None,
    *,
    project: str,
    paper: str,
    say: Measures,
) -> Iterator[Page]:
    """Pages of variations and of the contract; none where there is neither.

    Parameters
    ----------
    variations : sequence of Variation
    lines : sequence of Line
        Contract beside what became of it.
    contract : Contract, optional
    project, paper : str
    say : Measures
    """
    if not variations and contract is None:
        return
    sheet = _Sheet(*paper_named(paper), project, say)
    for result, head in _GROUPS:
        own = [v for v in variations if v.result == result]
        if own:
            yield from sheet.need(22)
            sheet.heads(head, own[0].currency)
        for v in own:
            yield from sheet.variation(v)
        if own and result == "agreed":
            more, bare = sum_agreed(variations)
            yield from sheet.need(14)
            sheet.total(more, bare)
    if contract is not None:
        yield from sheet.need(30)
        sheet.contract_heads(contract)
        for line in lines:
            yield from sheet.need(6)
            sheet.contract_line(line)
    for note in _NOTES:
        yield from sheet.need(10)
        sheet.y = sheet.page.paragraph(_MARGIN, sheet.y, note, width_mm=sheet.room, size_pt=7.5) - 1
    yield sheet.page


class _Sheet:
    """The page at hand and how far down it is written."""

    #: Where figures end, as a share of the width.
    _ENDS = (0.62, 0.7, 0.83, 1.0)

    def __init__(self, width: float, height: float, project: str, say: Measures) -> None:
        self.width, self.height, self.project, self.say = width, height, project, say
        self.room, self.count = width - 2 * _MARGIN, 0
        self.fresh()

    def fresh(self) -> None:
        """Begin a page."""
        self.count += 1
        page = Page(width_mm=self.width, height_mm=self.height, title=f"Variations {self.count}")
        top = self.height - _MARGIN
        page.box(_MARGIN, top - 12, self.room, 12, ink=None, fill="#111111")
        head = "VARIATIONS" if self.count == 1 else "VARIATIONS, continued"
        page.text(_MARGIN + 4, top - 8.6, head, size_pt=15, weight="bold", ink="#ffffff")
        page.text(
            self.width - _MARGIN - 3, top - 8.2, self.project, size_pt=9, ink="#ffffff", anchor="right", within_mm=self.room - 95
        )  # fmt: skip
        self.page, self.y = page, top - 20

    def need(self, tall_mm: float) -> Iterator[Page]:
        """The page that is full, if it is."""
        if self.y - tall_mm < _MARGIN:
            yield self.page
            self.fresh()

    def _right(self, column: int, text: str, *, y: float, bold: bool = False) -> None:
        """A figure that ends where its column does."""
        where = self._ENDS[column]
        wide = (where - (self._ENDS[column - 1] if column else 0.5)) * self.room - 1.5
        self.page.text(
            _MARGIN + where * self.room, y, text, size_pt=_SIZE, weight="bold" if bold else "regular",
            anchor="right", within_mm=wide,
        )  # fmt: skip

    def heads(self, title: str, currency: str) -> None:
        """Title of a group and the heads of its columns."""
        self.page.text(_MARGIN, self.y, title, size_pt=11, weight="bold")
        self.y -= 6
        self.page.text(_MARGIN, self.y, "No.", size_pt=7.5)
        self.page.text(_MARGIN + 0.08 * self.room, self.y, "What and why", size_pt=7.5)
        for column, head in enumerate(("Quantity", "Unit", "Rate", f"Amount {currency}".strip())):
            self._right(column, head, y=self.y)
        self.y -= 1.6
        self.page.line(_MARGIN, self.y, _MARGIN + self.room, self.y, width_mm=0.4)
        self.y -= 4.5

    def variation(self, v: Variation) -> Iterator[Page]:
        """One variation: what and why, who agreed when, and what it comes to."""
        wide = 0.44 * self.room
        told = [*wrap_text(f"{v.about}: {v.what}".removeprefix(": "), wide, _SIZE)]
        why = wrap_text(f"Reason: {v.reason}", wide, _SIZE)
        raised = f"raised {v.raised_on}" if v.raised_on else ""
        decided = f"{v.result} by {v.by} on {v.on}" if v.by else ""
        who = wrap_text(", ".join(w for w in (raised, decided, v.note) if w), wide, _SIZE)
        tall = _STEP * (len(told) + len(why) + len(who)) + 2.5
        yield from self.need(tall)
        self.page.text(_MARGIN, self.y, v.id, size_pt=_SIZE, weight="bold")
        for n, line in enumerate((*told, *why, *who)):
            self.page.text(
                _MARGIN + 0.08 * self.room, self.y - n * _STEP, line, size_pt=_SIZE,
                weight="bold" if n < len(told) else "regular",
            )  # fmt: skip
        if v.measure is not None and v.quantity is not None:
            unit, many = unit_said(v.measure, inches=self.say.inches)
            self._right(0, f"{v.quantity * many:+,.2f}", y=self.y)
            self._right(1, unit, y=self.y)
            if v.rate is not None:
                self._right(2, f"{v.rate / many:,.2f}", y=self.y)
        self._right(3, f"{v.amount:+,.2f}" if v.amount is not None else v.unpriced, y=self.y, bold=True)  # fmt: skip
        self.y -= tall
        self.page.line(_MARGIN, self.y + 2.6, _MARGIN + self.room, self.y + 2.6, width_mm=0.1, ink="#aaaaaa")  # fmt: skip

    def total(self, more: float, bare: int) -> None:
        """Sum of what was agreed."""
        self.y -= 2
        self.page.text(_MARGIN, self.y, "Sum of agreed variations", size_pt=10, weight="bold")
        self._right(3, f"{more:+,.2f}", y=self.y, bold=True)
        self.y -= 5
        if bare:
            told = f"NOT COMPLETE: {bare} agreed without an amount, not in the sum."
            self.page.text(_MARGIN, self.y, told, size_pt=9, weight="bold", ink="#a3161b")
            self.y -= 5
        self.y -= 4

    #: Where the figures of the contract end.
    _CONTRACT_ENDS = (0.42, 0.54, 0.67, 0.82, 1.0)

    def contract_heads(self, contract: Contract) -> None:
        """What the contract is, and the heads of its columns."""
        self.y -= 4
        title = f"Contract of {contract.on}, agreed by {contract.by}, beside what became of it"
        self.page.text(_MARGIN, self.y, title, size_pt=11, weight="bold", within_mm=self.room)
        self.y -= 6
        self._contract_row(
            "Treatment and measure", ("Unit", "Contract", "Agreed since", "Designed or cut", "Beyond agreed"), bold=False
        )  # fmt: skip
        self.y += 3.2
        self.page.line(_MARGIN, self.y, _MARGIN + self.room, self.y, width_mm=0.4)
        self.y -= 4.5

    def contract_line(self, line: Line) -> None:
        """One quantity."""
        unit, many = unit_said(line.measure, inches=self.say.inches)
        decimals = 0 if line.measure.decimals == 0 else 2
        left = line.beyond_agreed * many
        shown = f"{left:+,.{decimals}f}" if abs(left) >= 0.5 * 10**-decimals else "0"
        by = "" if line.measure.name == "count" else f", {line.measure.title.lower()}"
        self._contract_row(
            f"{line.treatment.capitalize()}{by}",
            (
                unit,
                f"{line.contract * many:,.{decimals}f}",
                f"{line.agreed * many:+,.{decimals}f}" if line.agreed else "0",
                f"{line.now * many:,.{decimals}f}",
                shown,
            ),
            bold=shown != "0",
        )

    def _contract_row(self, name: str, cells: Sequence[str], *, bold: bool) -> None:
        self.page.text(_MARGIN, self.y, name, size_pt=_SIZE, within_mm=0.36 * self.room)
        for end, cell in zip(self._CONTRACT_ENDS, cells, strict=True):
            last = end == self._CONTRACT_ENDS[-1]
            self.page.text(
                _MARGIN + end * self.room, self.y, cell, size_pt=_SIZE, anchor="right",
                weight="bold" if bold and last else "regular", within_mm=0.13 * self.room,
            )  # fmt: skip
        self.y -= 4.8
