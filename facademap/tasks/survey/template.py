"""Filled-in examples of every table that people bring, and the page that lists their columns."""

from __future__ import annotations

import csv
import io
from pathlib import Path

from facademap.errors import InputError
from facademap.io.table_kinds import TABLE_KINDS, TableKind
from facademap.io.whole_files import check_writable, write_whole

__all__ = ["formats_page", "write_template"]


def write_template(kind: str, out: Path) -> TableKind:
    """Write an example of a table as CSV or XLSX; a workbook has a second sheet with the meaning of every column.

    Raises
    ------
    FileError, InputError
        No such table, or no such format.
    """
    found = TABLE_KINDS.get(kind)
    if found is None:
        raise InputError(f"there is no table {kind!r}", f"Use one of {', '.join(TABLE_KINDS)}.")
    check_writable(out)
    ending = out.suffix.lower()
    if ending == ".csv":
        write_whole(out, _csv(found))
    elif ending == ".xlsx":
        write_whole(out, _workbook(found))
    else:
        raise InputError(f"{out.name}: a template ends in .csv or .xlsx", "Choose one of the two.")
    return found


def _csv(kind: TableKind) -> str:
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow([c.name for c in kind.columns])
    writer.writerows(kind.rows)
    return text.getvalue()


def _workbook(kind: TableKind) -> bytes:
    import xlsxwriter

    buffer = io.BytesIO()
    with xlsxwriter.Workbook(
        buffer, {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False}
    ) as book:
        bold = book.add_format({"bold": True})
        needed = book.add_format({"bold": True, "bottom": 2})
        wrap = book.add_format({"text_wrap": True, "valign": "top"})
        sheet = book.add_worksheet(kind.name)
        for k, column in enumerate(kind.columns):
            sheet.write(0, k, column.name, needed if column.required else bold)
            for number, row in enumerate(kind.rows, start=1):
                if row[k] != "":
                    sheet.write(number, k, row[k])
        sheet.freeze_panes(1, 1)
        sheet.set_column(0, len(kind.columns) - 1, 14)
        words = book.add_worksheet("meaning")
        words.set_column(0, 0, 20)
        words.set_column(1, 1, 10)
        words.set_column(2, 2, 90, wrap)
        words.write_row(0, 0, ("of the column", "must be", "what it says"), bold)
        for number, column in enumerate(kind.columns, start=1):
            must = "yes" if column.required else ""
            words.write_row(number, 0, (column.name, must, column.meaning))
        words.write(len(kind.columns) + 2, 2, f"{kind.meaning} Read by: {kind.read_by}.")
    return buffer.getvalue()


def formats_page() -> str:
    """Every table and column as Markdown."""
    lines = [
        "# Formats of tables",
        "",
        "Every table that people bring, made from the list in `facademap.io.table_kinds`. `facademap template KIND --out FILE` writes the "
        "example as CSV or XLSX; it goes in as it is.",
        "",
        "All of them are read from CSV (comma, semicolon, tab or bar; UTF-8, UTF-16 or Windows-1252), XLSX and ODS. The header may stand in "
        "any order and case, below a title, with another unit in its name (`length [in]`, `u_mm`); numbers may have a decimal comma, lengths "
        "may be feet and inches (`5' 3 1/2\"`), dates may have the day first. What is in doubt stops with the row and what to do. Formulas "
        "count by the value stored with them; merged cells are refused.",
        "",
    ]
    for kind in TABLE_KINDS.values():
        lines += [
            f"## `{kind.name}`",
            "",
            f"{kind.meaning} Read by `{kind.read_by}`.",
            "",
            "| column | must be there | what it says |",
            "|---|---|---|",
        ]
        lines += [
            f"| `{c.name}` | {'yes' if c.required else ''} | {c.meaning.replace('|', chr(92) + '|')} |"
            for c in kind.columns
        ]
        lines += ["", "```text", *_csv(kind).splitlines(), "```", ""]
    return "\n".join(lines)
