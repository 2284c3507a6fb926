"""Sheets of the workbook of quantities that tell of dealings: progress and cost to date, variations, the contract."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from xlsxwriter.utility import xl_col_to_name

from facademap.report.bill_progress import Counted, Progress, Step
from facademap.report.costs import Rates, cost_rows
from facademap.report.quantities import unit_said
from facademap.report.variations import Contract, Line, Variation, sum_agreed
from facademap.report.workbook import HEAD_ROW, Book, plain_text, range_of

__all__ = ["Dealings", "dealings_sheets"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Dealings:
    """What was done, agreed and paid for.

    Parameters
    ----------
    progress : Progress
    variations : tuple of Variation
    contract : Contract, optional
    lines : tuple of Line
        The contract beside what became of it.
    """

    progress: Progress
    variations: tuple[Variation, ...] = ()
    contract: Contract | None = None
    lines: tuple[Line, ...] = ()


def dealings_sheets(work: Book, dealings: Dealings, rates: Rates | None) -> None:
    """Write the sheets for which there is something to tell.

    Parameters
    ----------
    work : Book
    dealings : Dealings
    rates : Rates, optional
        Where there are some the sheet Costs stands in the workbook already.
    """
    if dealings.progress.repairs:
        _progress_sheets(work, dealings.progress, rates)
    if dealings.variations:
        _variation_sheet(work, dealings.variations, rates)
    if dealings.contract is not None:
        _contract_sheet(work, dealings.contract, dealings.lines, len(dealings.variations))


def _heads(work: Book, sheet: Any, row: int, heads: Sequence[str]) -> None:
    for c, text in enumerate(heads):
        sheet.write_string(row, c, text, work.head)


def _progress_sheets(work: Book, progress: Progress, rates: Rates | None) -> None:
    sheet = work.sheet(
        "Progress",
        "Progress and cost to date",
        "Done = accepted in the work record. What is begun counts nothing in the cost. Formulas over the sheet Counted.",
    )
    rows = _counted_sheet(work, progress.rows, rates)
    money = f" ({plain_text(progress.currency)})" if progress.priced else " (no rates)"
    heads = (
        "Lift", "Repairs", "Begun", "Done", f"Cost to date{money}", f"Cost of all{money}", "Share done",
    )  # fmt: skip
    _heads(work, sheet, HEAD_ROW, heads)
    first = HEAD_ROW + 1
    for r, step in enumerate(progress.lifts, start=first):
        sheet.write_string(r, 0, plain_text(step.name), work.label)
        own = f"EXACT({rows['lift']},$A{r + 1})"
        figures = (
            (f"=SUMPRODUCT({own}*1)", step.repairs, 0),
            (f"=SUMPRODUCT({own}*{rows['begun']})", step.begun, 0),
            (f"=SUMPRODUCT({own}*{rows['done']})", step.done, 0),
            (f"=SUMPRODUCT({own}*{rows['done']}*{rows['cost']})", step.cost, 2),
            (f"=SUMPRODUCT({own}*{rows['cost']})", step.planned, 2),
            (f"=IF(B{r + 1}>0,D{r + 1}/B{r + 1},0)", step.done / step.repairs, 3),
        )
        for c, (formula, value, decimals) in enumerate(figures, start=1):
            sheet.write_formula(r, c, formula, work.number(decimals), value)
    last = first + len(progress.lifts) - 1
    sheet.write_string(last + 1, 0, "All", work.strong)
    sums = (
        progress.repairs,
        sum(s.begun for s in progress.lifts),
        progress.done,
        sum(s.cost for s in progress.lifts),
        sum(s.planned for s in progress.lifts),
    )
    for c, value in enumerate(sums, start=1):
        letter = xl_col_to_name(c)
        formula = f"=SUM({letter}{first + 1}:{letter}{last + 1})"
        sheet.write_formula(last + 1, c, formula, work.number(2 if c > 3 else 0, total=True), value)
    share = progress.done / progress.repairs
    sheet.write_formula(
        last + 1, 6, f"=IF(B{last + 2}>0,D{last + 2}/B{last + 2},0)", work.number(3, total=True), share
    )  # fmt: skip
    _plot(work, sheet, "bar", "Share done, by lift", (first, last, 6), at="I4")
    _months(work, sheet, progress.months, rows, last + 4, money)
    sheet.set_column(0, 0, 24)
    sheet.set_column(1, 6, 14)


def _months(
    work: Book, sheet: Any, months: Sequence[Step], rows: dict[str, str], at: int, money: str
) -> None:
    """Done and cost of each month, and in all."""
    _heads(work, sheet, at, ("Month", "Done", f"Cost{money}", f"Cost in all{money}"))
    total = 0.0
    for r, step in enumerate(months, start=at + 1):
        own = f"EXACT({rows['month']},$A{r + 1})"
        total += step.cost
        sheet.write_string(r, 0, plain_text(step.name), work.label)
        sheet.write_formula(r, 1, f"=SUMPRODUCT({own}*1)", work.number(0), step.done)
        formula = f"=SUMPRODUCT({own}*{rows['cost']})"
        sheet.write_formula(r, 2, formula, work.number(2), step.cost)
        sheet.write_formula(r, 3, f"=SUM(C${at + 2}:C{r + 1})", work.number(2), total)
    if not months:
        sheet.write_string(at + 1, 0, "Nothing was accepted yet.", work.note)
        return
    last = at + len(months)
    _plot(work, sheet, "column", "Repairs accepted, by month", (at + 1, last, 1), at="I20")
    _plot(work, sheet, "line", f"Cost in all{money}", (at + 1, last, 3), at="I36")


def _plot(
    work: Book, sheet: Any, kind: str, title: str, cells: tuple[int, int, int], *, at: str
) -> None:
    first, last, column = cells
    chart = work.book.add_chart({"type": kind})
    chart.add_series(
        {
            "categories": ["Progress", first, 0, last, 0],
            "values": ["Progress", first, column, last, column],
            "fill": {"color": "#0b6b73"},
            "line": {"color": "#0b6b73"},
        }
    )
    chart.set_title({"name": plain_text(title), "name_font": {"size": 11}})
    chart.set_legend({"none": True})
    if kind == "bar":
        chart.set_x_axis({"min": 0, "max": 1, "num_format": "0%"})
        chart.set_y_axis({"reverse": True})
    chart.set_size({"width": 480, "height": 280})
    sheet.insert_chart(at, chart)


def _counted_sheet(work: Book, rows: Sequence[Counted], rates: Rates | None) -> dict[str, str]:
    """Every repair as it is counted; returns the references of its columns."""
    sheet = work.sheet(
        "Counted",
        "Repairs as they are counted in the progress",
        "Cost = quantities of the sheet Repairs times the likely rates of the sheet Costs.",
    )
    _heads(work, sheet, HEAD_ROW, ("Repair", "Lift", "Stage", "Begun", "Done", "Accepted in", "Cost, likely"))  # fmt: skip
    first = HEAD_ROW + 1
    place = {str(i): n for n, i in enumerate(work.quantities.repairs["id"])}
    treatments = list(work.quantities.repairs["treatment"])
    for r, row in enumerate(rows, start=first):
        for c, text in enumerate((row.id, row.lift, row.stage)):
            sheet.write_string(r, c, plain_text(text), work.label)
        sheet.write_number(r, 3, int(row.begun), work.number(0))
        sheet.write_number(r, 4, int(bool(row.month)), work.number(0))
        sheet.write_string(r, 5, plain_text(row.month), work.label)
        at = place[row.id]
        parts = [
            f"{_cell_of(work, rate.measure, at)}*Costs!$E${HEAD_ROW + 2 + n}"
            for n, rate in enumerate(rates.rates if rates else ())
            if rate.treatment == treatments[at]
        ]
        sheet.write_formula(r, 6, "=" + ("+".join(parts) or "0"), work.number(2), row.cost)
    last = first + len(rows) - 1
    sheet.set_column(0, 6, 16)
    sheet.freeze_panes(first, 1)
    sheet.repeat_rows(HEAD_ROW)
    columns = {"lift": "B", "begun": "D", "done": "E", "month": "F", "cost": "G"}
    return {n: f"Counted!${c}${first + 1}:${c}${last + 1}" for n, c in columns.items()}


def _cell_of(work: Book, measure: str, row: int) -> str:
    """Reference of one figure on the sheet of repairs."""
    start = range_of(work, "repairs", measure).split(":")[0]
    column, first = start.rsplit("$", 1)
    return f"{column}${int(first) + row}"


def _variation_sheet(work: Book, variations: Sequence[Variation], rates: Rates | None) -> None:
    money = plain_text(variations[0].currency)
    sheet = work.sheet(
        "Variations",
        "Variations",
        "Apart from the items. Only what is agreed, by name and day, is in the sum.",
    )
    heads = (
        "No.", "About", "What", "Reason", "Raised", "Result", "Decided by", "Decided on", "Treatment", "Measured by",
        "Quantity", "Unit", f"Rate {money}".strip(), f"Amount {money}".strip(), "In the sum", "Remark",
    )  # fmt: skip
    _heads(work, sheet, HEAD_ROW, heads)
    first = HEAD_ROW + 1
    for r, v in enumerate(variations, start=first):
        words = (v.id, v.about, v.what, v.reason, v.raised_on, v.result, v.by, v.on, v.treatment)
        for c, text in enumerate(words):
            sheet.write_string(r, c, plain_text(text), work.wrapped)
        _variation_figures(work, sheet, r, v)
        remark = "; ".join(t for t in (v.unpriced, v.note) if t)
        sheet.write_string(r, 15, plain_text(remark), work.wrapped)
    last, (total, bare) = first + len(variations) - 1, sum_agreed(variations)
    missing = f", NOT COMPLETE: {bare} without an amount" if bare else ""
    sheet.write_string(last + 1, 0, f"Sum of agreed variations{missing}", work.strong)
    sheet.write_formula(
        last + 1, 14, f"=SUM(O{first + 1}:O{last + 1})", work.number(2, total=True), total
    )
    if rates is not None:
        end = HEAD_ROW + 2 + len(rates.rates)
        items = float(cost_rows(work.quantities, rates)["cost_likely"].sum())
        for n, (text, formula, value) in enumerate(
            (
                ("Sum of the items, likely", f"=Costs!H{end}", items),
                ("Sum with agreed variations", f"=O{last + 3}+O{last + 2}", items + total),
            ),
            start=last + 2,
        ):
            sheet.write_string(n, 0, text, work.strong)
            sheet.write_formula(n, 14, formula, work.number(2, total=True), value)
    sheet.set_column(0, 1, 10)
    sheet.set_column(2, 3, 34)
    sheet.set_column(4, 14, 13)
    sheet.set_column(15, 15, 34)
    sheet.freeze_panes(first, 1)
    sheet.repeat_rows(HEAD_ROW)


def _variation_figures(work: Book, sheet: Any, r: int, v: Variation) -> None:
    """Quantity, rate, amount, and what of it is in the sum."""
    for c in range(9, 15):
        sheet.write_blank(r, c, None, work.label)
    if v.measure is not None and v.quantity is not None:
        unit, many = unit_said(v.measure, inches=work.say.inches)
        sheet.write_string(r, 9, v.measure.title, work.wrapped)
        sheet.write_number(r, 10, v.quantity * many, work.number(v.measure.decimals))
        sheet.write_string(r, 11, unit, work.label)
        if v.rate is not None and v.amount is not None:  # else it is in another currency
            sheet.write_number(r, 12, v.rate / many, work.number(2))
    if v.amount is not None:
        if v.quantity is not None and v.rate is not None and not v.fixed:
            sheet.write_formula(r, 13, f"=K{r + 1}*M{r + 1}", work.number(2), v.amount)
        else:
            sheet.write_number(r, 13, v.amount, work.number(2))
    counted = v.amount if v.agreed and v.amount is not None else 0.0
    sheet.write_formula(r, 14, f'=IF(EXACT(F{r + 1},"agreed"),N{r + 1},0)', work.number(2), counted)


def _contract_sheet(work: Book, contract: Contract, lines: Sequence[Line], variations: int) -> None:
    sheet = work.sheet(
        "Contract",
        plain_text(f"Contract of {contract.on}, agreed by {contract.by}"),
        "Beyond agreed = designed or cut now, less the contract, less what was agreed since.",
    )
    heads = ("Treatment", "Measure", "Unit", "Contract", "Agreed since", "Designed or cut now", "Beyond agreed")  # fmt: skip
    _heads(work, sheet, HEAD_ROW, heads)
    treatment = range_of(work, "repairs", "treatment")
    first = HEAD_ROW + 1
    for r, line in enumerate(lines, start=first):
        unit, many = unit_said(line.measure, inches=work.say.inches)
        look = work.number(line.measure.decimals)
        for c, text in enumerate((line.treatment, line.measure.title, unit)):
            sheet.write_string(r, c, plain_text(text), work.label)
        sheet.write_number(r, 3, line.contract * many, look)
        if variations:
            of = {c: f"Variations!${c}${first + 1}:${c}${first + variations}" for c in "FIJK"}
            agreed = (
                f"=SUMPRODUCT(EXACT({of['I']},$A{r + 1})*EXACT({of['J']},$B{r + 1})"
                f'*EXACT({of["F"]},"agreed")*{of["K"]})'
            )
            sheet.write_formula(r, 4, agreed, look, line.agreed * many)
        else:
            sheet.write_number(r, 4, line.agreed * many, look)
        now = f"=SUMPRODUCT(EXACT({treatment},$A{r + 1})*{range_of(work, 'repairs', line.measure.name)})"
        sheet.write_formula(r, 5, now, look, line.now * many)
        sheet.write_formula(r, 6, f"=F{r + 1}-D{r + 1}-E{r + 1}", look, line.beyond_agreed * many)
    sheet.set_column(0, 1, 30)
    sheet.set_column(2, 6, 16)
