"""The workbook of quantities: its formats, its units, and where its rows stand."""

from __future__ import annotations

import datetime as dt
import io
from typing import Any

import xlsxwriter
from xlsxwriter.utility import xl_col_to_name

from facademap.report.measures import Measures
from facademap.report.quantities import MEASURES, Measure, Quantities, unit_said

__all__ = ["BASES", "HEAD_ROW", "LABELS", "Book", "plain_text", "range_of"]

LABELS = {
    "id": "Id",
    "elevation": "Elevation",
    "surface": "Surface",
    "lift": "Lift",
    "bay": "Bay",
    "wall_stone": "Wall stone",
    "stone_type": "Stone type",
    "treatment": "Treatment",
    "term": "Term",
    "family": "Family",
    "condition_class": "Condition class",
    "urgency_class": "Urgency class",
    "recommendation_class": "Recommendation class",
    "stage": "Stage",
}
BASES = {"repairs": "Repairs", "conditions": "Conditions"}
HEAD_ROW = 3
#: A cell holds no more.
_MOST_CHARACTERS = 32_000


def plain_text(value: Any) -> str:
    """Text without control characters, fit for a cell."""
    line = " ".join(str(value).split())
    return "".join(c for c in line if c.isprintable())[:_MOST_CHARACTERS]


class Book:
    """The workbook, its formats and where its rows stand."""

    def __init__(self, quantities: Quantities, project: str, say: Measures) -> None:
        self.buffer = io.BytesIO()
        self.book = xlsxwriter.Workbook(
            self.buffer,
            {
                "in_memory": True,
                "strings_to_formulas": False,
                "strings_to_urls": False,
                "strings_to_numbers": False,
            },
        )
        self.book.set_properties(
            {
                "title": plain_text(f"Quantities, {project}"),
                "created": dt.datetime(2000, 1, 1),
                "author": "",
                "comments": "Made by facademap",
            }
        )
        self.book.set_calc_mode("auto")
        self.quantities = quantities
        self.say = say
        self._units = {m.name: unit_said(m, inches=say.inches) for m in MEASURES}
        self.project = plain_text(project)
        add = self.book.add_format
        self.title = add({"bold": True, "font_size": 16})
        self.note = add({"italic": True, "font_color": "#555555"})
        self.head = add(
            {
                "bold": True,
                "bg_color": "#22313f",
                "font_color": "#ffffff",
                "text_wrap": True,
                "valign": "top",
                "border": 1,
            }
        )
        self.label = add({"valign": "top"})
        self.wrapped = add({"text_wrap": True, "valign": "top"})
        self.strong = add({"bold": True, "top": 2})
        self._numbers: dict[tuple[int, bool], Any] = {}

    def number(self, decimals: int, *, total: bool = False) -> Any:
        """Format of a figure."""
        key = (decimals, total)
        if key not in self._numbers:
            look: dict[str, Any] = {
                "num_format": "#,##0" + ("." + "0" * decimals if decimals else "")
            }
            self._numbers[key] = self.book.add_format(
                look | ({"bold": True, "top": 2} if total else {})
            )
        return self._numbers[key]

    def title_of(self, measure: Measure) -> str:
        """Heading of a column of figures, with the unit in which they stand."""
        return f"{measure.title} ({self._units[measure.name][0]})"

    def unit(self, measure: Measure) -> str:
        """Unit in which the figures of a measure stand."""
        return self._units[measure.name][0]

    def said(self, name: str, value: float) -> float:
        """A stored figure in the unit of the workbook."""
        return float(value) * self._units[name][1]

    def sheet(self, name: str, title: str, note: str) -> Any:
        """A new sheet with its heading."""
        sheet = self.book.add_worksheet(name)
        sheet.write_string(0, 0, title, self.title)
        sheet.write_string(1, 0, note, self.note)
        sheet.set_landscape()
        sheet.set_paper(1 if self.say.inches else 9)
        sheet.fit_to_pages(1, 0)
        sheet.set_footer("&L" + self.project.replace("&", "&&")[:120] + "&RPage &P of &N")
        return sheet


def range_of(work: Book, basis: str, name: str) -> str:
    """Absolute reference of a column of the sheet of rows."""
    frame = work.quantities.repairs if basis == "repairs" else work.quantities.conditions
    names = [*LABELS, *(m.name for m in MEASURES)]
    letter = xl_col_to_name(names.index(name))
    return f"{BASES[basis]}!${letter}${HEAD_ROW + 2}:${letter}${HEAD_ROW + 1 + max(1, len(frame))}"
