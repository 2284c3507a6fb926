"""Quantities as a workbook whose sums are formulas, and as a plain table."""

from __future__ import annotations

import csv
import io
from typing import Any

import pandas as pd
from xlsxwriter.utility import xl_col_to_name, xl_rowcol_to_cell

from facademap.report.costs import Rates, cost_rows
from facademap.report.measures import METRIC, Measures
from facademap.report.quantities import DIMENSIONS, MEASURES, Quantities
from facademap.report.workbook import BASES, HEAD_ROW, LABELS, Book, plain_text, range_of
from facademap.report.workbook_progress import Dealings, dealings_sheets

__all__ = ["guarded_text", "write_quantities_csv", "write_quantities_xlsx"]


#: Widths of columns of words, in characters: as wide as the longest, within these.
_NARROWEST, _WIDEST = 8, 40
#: Width of the column of measuring rules in digits, letters that go on a line of it, and its height in points.
_RULE_WIDTH, _RULE_LETTERS, _LINE_PT = 110, 122, 15.0


def write_quantities_xlsx(
    quantities: Quantities,
    *,
    project: str,
    rates: Rates | None = None,
    say: Measures = METRIC,
    dealings: Dealings | None = None,
) -> bytes:
    """A workbook: rows of repairs and conditions, one sheet a breakdown, costs, and the measuring rules.

    Every sum is a formula over the rows, stored with its value; totals of all breakdowns are set against
    the totals of the rows on the first sheet.

    Parameters
    ----------
    quantities : Quantities
        Measured rows.
    project : str
        Name shown.
    rates : Rates, optional
        Prices; without them there is no sheet of costs.
    say : Measures
        Whether feet, pounds and gallons stand in the workbook.
    dealings : Dealings, optional
        Progress, variations and contract, each on sheets of their own.
    """
    work = Book(quantities, project, say)
    summary = work.sheet(
        "Summary",
        f"Quantities: {work.project}",
        "Sums are formulas over the rows of the sheets Repairs and Conditions.",
    )
    rules = work.sheet(
        "Rules",
        "Measuring rules",
        "They hold for every figure of this workbook and of the plain table.",
    )
    totals: dict[str, dict[str, str]] = {}
    for basis in BASES:
        totals[basis] = _rows_sheet(work, basis)
    cells = {dimension: _breakdown_sheet(work, dimension, totals) for dimension in DIMENSIONS}
    if rates is not None:
        _cost_sheet(work, rates)
    if dealings is not None:
        dealings_sheets(work, dealings, rates)
    _summary_sheet(work, summary, totals, cells)
    _rules_sheet(work, rules, rates)
    work.book.close()
    return work.buffer.getvalue()


def _rows_sheet(work: Book, basis: str) -> dict[str, str]:
    """The rows of a basis; returns the absolute reference of each measure's total."""
    frame = work.quantities.repairs if basis == "repairs" else work.quantities.conditions
    sheet = work.sheet(BASES[basis], BASES[basis], f"One row for each of the {len(frame)} {basis}.")
    labels = list(LABELS)
    for c, name in enumerate(labels):
        sheet.write_string(HEAD_ROW, c, LABELS[name], work.head)
    for c, m in enumerate(MEASURES, start=len(labels)):
        sheet.write_string(HEAD_ROW, c, work.title_of(m), work.head)
    first, last = HEAD_ROW + 1, HEAD_ROW + max(1, len(frame))
    for c, name in enumerate(labels):
        for r, value in enumerate(frame[name], start=first):
            sheet.write_string(r, c, plain_text(value), work.wrapped)
    column = {m.name: len(labels) + i for i, m in enumerate(MEASURES)}
    for m in MEASURES:
        c, look = column[m.name], work.number(m.decimals)
        for r, value in enumerate(frame[m.name], start=first):
            if m.name == "stone_waste_m3" and basis == "repairs":
                used, net = (
                    xl_rowcol_to_cell(r, column[n]) for n in ("block_volume_m3", "volume_net_m3")
                )
                sheet.write_formula(
                    r, c, f"=IF({used}>0,MAX(0,{used}-{net}),0)", look, work.said(m.name, value)
                )
            else:
                sheet.write_number(r, c, work.said(m.name, value), look)
    total_row = last + 1
    sheet.write_string(total_row, 0, "Total", work.strong)
    for c in range(1, len(labels)):
        sheet.write_blank(total_row, c, None, work.strong)
    references = {}
    for m in MEASURES:
        letter = xl_col_to_name(column[m.name])
        sheet.write_formula(
            total_row,
            column[m.name],
            f"=SUM({letter}{first + 1}:{letter}{last + 1})",
            work.number(m.decimals, total=True),
            work.said(m.name, frame[m.name].sum()),
        )
        references[m.name] = f"{BASES[basis]}!${letter}${total_row + 1}"
    # 32 columns on the width of one sheet cannot be read: two of A3 or tabloid, each with the names and the head
    sheet.set_paper(3 if work.say.inches else 8)
    sheet.fit_to_pages(2, 0)
    sheet.repeat_rows(HEAD_ROW)
    sheet.repeat_columns(0, 0)
    sheet.freeze_panes(first, 1)
    sheet.autofilter(HEAD_ROW, 0, last, len(labels) + len(MEASURES) - 1)
    for c, name in enumerate(labels):
        words = [*LABELS[name].split(), *map(plain_text, frame[name])]
        longest = max(map(len, words))
        sheet.set_column(c, c, min(_WIDEST, max(_NARROWEST, longest + 2)))
    sheet.set_column(len(labels), len(labels) + len(MEASURES) - 1, 12)
    sheet.set_row(HEAD_ROW, 62)
    return references


def _breakdown_sheet(
    work: Book, dimension: str, totals: dict[str, dict[str, str]]
) -> dict[str, dict[str, str]]:
    """One breakdown of repairs and conditions; returns the references of its totals."""
    title = DIMENSIONS[dimension]
    sheet = work.sheet(
        f"By {title.lower()}",
        f"By {title.lower()}",
        "EXACT comparison, so that no text can act as a pattern. The last line of each block is the difference to all rows.",
    )
    references: dict[str, dict[str, str]] = {}
    row = HEAD_ROW
    for basis, basis_title in BASES.items():
        table = work.quantities.breakdown(basis, dimension)
        sheet.write_string(row, 0, f"{basis_title} by {title.lower()}", work.head)
        for c, m in enumerate(MEASURES, start=1):
            sheet.write_string(row, c, work.title_of(m), work.head)
        sheet.set_row(row, 48)
        first = row + 1
        keys = range_of(work, basis, dimension)
        for r, (key, values) in enumerate(table.iterrows(), start=first):
            sheet.write_string(r, 0, plain_text(key), work.label)
            cell = xl_rowcol_to_cell(r, 0, col_abs=True)
            for c, m in enumerate(MEASURES, start=1):
                formula = f"=SUMPRODUCT(EXACT({keys},{cell})*{range_of(work, basis, m.name)})"
                sheet.write_formula(
                    r, c, formula, work.number(m.decimals), work.said(m.name, values[m.name])
                )
        last = first + max(1, len(table)) - 1
        sheet.write_string(last + 1, 0, "Total", work.strong)
        sheet.write_string(last + 2, 0, "Difference to all rows", work.note)
        references[basis] = {}
        for c, m in enumerate(MEASURES, start=1):
            letter = xl_col_to_name(c)
            sheet.write_formula(
                last + 1,
                c,
                f"=SUM({letter}{first + 1}:{letter}{last + 1})",
                work.number(m.decimals, total=True),
                work.said(m.name, table[m.name].sum()),
            )
            sheet.write_formula(
                last + 2,
                c,
                f"=ROUND({letter}{last + 2}-{totals[basis][m.name]},6)",
                work.number(m.decimals),
                0.0,
            )
            references[basis][m.name] = f"'By {title.lower()}'!${letter}${last + 2}"
        row = last + 5
    sheet.freeze_panes(0, 1)
    sheet.set_column(0, 0, 30)
    sheet.set_column(1, len(MEASURES), 12)
    return references


def _summary_sheet(
    work: Book,
    sheet: Any,
    totals: dict[str, dict[str, str]],
    cells: dict[str, dict[str, dict[str, str]]],
) -> None:
    for c, text in enumerate(
        ("Figure", "Unit", "Repairs", "Conditions", "Adds up from every side")
    ):
        sheet.write_string(HEAD_ROW, c, text, work.head)
    for r, m in enumerate(MEASURES, start=HEAD_ROW + 1):
        sheet.write_string(r, 0, m.title, work.label)
        sheet.write_string(r, 1, work.unit(m), work.label)
        for c, basis in enumerate(BASES, start=2):
            sheet.write_formula(
                r,
                c,
                "=" + totals[basis][m.name],
                work.number(m.decimals),
                work.said(m.name, work.quantities.total(basis)[m.name]),
            )
        tests = ",".join(
            f"ABS({cells[d][b][m.name]}-{totals[b][m.name]})<0.000001"
            for d in DIMENSIONS
            for b in BASES
        )
        sheet.write_formula(r, 4, f'=IF(AND({tests}),"yes","NO")', work.label, "yes")
    sheet.set_row(HEAD_ROW, 32)
    sheet.set_column(0, 0, 34)
    sheet.set_column(1, 1, 8)
    sheet.set_column(2, 4, 18)


def _rules_sheet(work: Book, sheet: Any, rates: Rates | None) -> None:
    row = HEAD_ROW
    sections = [
        ("Rules", list(work.quantities.rules)),
        ("Not known, counted as nothing", list(work.quantities.gaps) or ["Nothing is missing."]),
    ]
    if rates is not None:
        missing = rates.without_rate(work.quantities)
        sections.append(("Treatments without a rate, not in the costs", list(missing) or ["None."]))
    for title, lines in sections:
        sheet.write_string(row, 0, title, work.head)
        for line in lines:
            row += 1
            words = plain_text(work.say.sentence(line))
            sheet.write_string(row, 0, words, work.wrapped)
            # not every program makes a row as high as its words need
            sheet.set_row(row, _LINE_PT * -(-len(words) // _RULE_LETTERS))
        row += 2
    sheet.set_column(0, 0, _RULE_WIDTH)


def _cost_sheet(work: Book, rates: Rates) -> None:
    sheet = work.sheet(
        "Costs",
        f"Costs in {plain_text(rates.currency)}",
        "Quantity times rate, low, likely and high. Waste is priced only where a rate asks for it.",
    )
    heads = [
        "Treatment",
        "Measured by",
        "Quantity",
        "Rate low",
        "Rate likely",
        "Rate high",
        "Cost low",
        "Cost likely",
        "Cost high",
        "Remark",
    ]
    for c, text in enumerate(heads):
        sheet.write_string(HEAD_ROW, c, text, work.head)
    first = HEAD_ROW + 1
    rows = cost_rows(work.quantities, rates)
    decimals = {m.name: m.decimals for m in MEASURES}
    titles = {m.name: work.title_of(m) for m in MEASURES}
    keys = range_of(work, "repairs", "treatment")
    for r, row in enumerate(rows.to_dict("records"), start=first):
        sheet.write_string(r, 0, plain_text(row["treatment"]), work.label)
        sheet.write_string(r, 1, titles[row["measure"]], work.label)
        formula = (
            f"=SUMPRODUCT(EXACT({keys},$A{r + 1})*{range_of(work, 'repairs', row['measure'])})"
        )
        sheet.write_formula(
            r,
            2,
            formula,
            work.number(decimals[row["measure"]]),
            work.said(row["measure"], row["quantity"]),
        )
        for c, name in enumerate(("low", "likely", "high")):
            sheet.write_number(
                r, 3 + c, row[f"rate_{name}"] / work.said(row["measure"], 1.0), work.number(2)
            )
            sheet.write_formula(
                r,
                6 + c,
                f"=$C{r + 1}*{xl_col_to_name(3 + c)}{r + 1}",
                work.number(2),
                row[f"cost_{name}"],
            )
        sheet.write_string(r, 9, plain_text(row["note"]), work.label)
    end = first + len(rows)
    sheet.write_string(end, 0, "Total", work.strong)
    for c, name in enumerate(("low", "likely", "high")):
        letter = xl_col_to_name(6 + c)
        sheet.write_formula(
            end,
            6 + c,
            f"=SUM({letter}{first + 1}:{letter}{end})",
            work.number(2, total=True),
            float(rows[f"cost_{name}"].sum()),
        )
    sheet.set_column(0, 1, 30)
    sheet.set_column(2, 8, 13)
    sheet.set_column(9, 9, 40)


def guarded_text(value: Any) -> str:
    """Text that no spreadsheet takes for a formula: an apostrophe goes before ``= + - @``."""
    text = plain_text(value)
    return "'" + text if text[:1] in ("=", "+", "-", "@") else text


def write_quantities_csv(quantities: Quantities) -> bytes:
    """The breakdowns, then every row, as one plain table in UTF-8.

    ``basis`` says what was counted (repairs or conditions), ``by`` the breakdown (``all``, a dimension, or
    ``id`` for single rows), ``key`` its value. Text that a spreadsheet would take for a formula begins with
    an apostrophe.
    """
    buffer = io.StringIO(newline="")
    writer = csv.writer(buffer, lineterminator="\r\n")
    names = [m.name for m in MEASURES]
    writer.writerow(["basis", "by", "key", *names, "rule"])
    rule = " ".join(quantities.rules[:2])

    def figures(values: pd.Series) -> list[str]:
        return [f"{float(values[n]):.6f}".rstrip("0").rstrip(".") for n in names]

    for basis in BASES:
        frame = quantities.repairs if basis == "repairs" else quantities.conditions
        writer.writerow([basis, "all", "total", *figures(quantities.total(basis)), rule])
        for dimension in DIMENSIONS:
            for key, values in quantities.breakdown(basis, dimension).iterrows():
                writer.writerow([basis, dimension, guarded_text(key), *figures(values), rule])
        for _, values in frame.iterrows():
            writer.writerow([basis, "id", guarded_text(values["id"]), *figures(values), rule])
    return buffer.getvalue().encode("utf-8")
