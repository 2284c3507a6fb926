"""Tables that people bring: one reader for CSV in any usual encoding, XLSX and ODS; every fault named with its row.

The header may stand in any order and case, below a title, with units in the names; numbers may have a decimal comma,
lengths feet and inches, dates the day first. Cells come out as plain text in the unit that our column names.
"""

from __future__ import annotations

import datetime as dt
import math
import re
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, field
from pathlib import Path
from types import MappingProxyType

from facademap.errors import InputError
from facademap.io.cell_words import (
    HeaderMatch,
    cell_in_unit,
    column_unit,
    day_order,
    decimal_sign,
    iso_date,
    match_column,
    plain_number,
)
from facademap.io.table_grids import Cell, Grid, read_bytes, read_grids
from facademap.units import unit_named

__all__ = [
    "CsvRow",
    "TableRead",
    "TableWords",
    "read_csv_rows",
    "read_table",
    "read_text_file",
    "spoken_words",
]

#: A title, a date and an address may stand above the header.
_HEADER_WITHIN_ROWS = 20
#: What a remedy says of options.
_OPTION = re.compile(r", or (?:state|say|name)\b[^.]*--[^.]*")
#: Columns of plain numbers whose names carry no unit.
_PLAIN_NUMBERS = frozenset({"L", "a", "b", "order"})


@dataclass(frozen=True, slots=True, kw_only=True)
class TableWords:
    """What a user says of a table beside what stands in it.

    Parameters
    ----------
    unit : str, optional
        Unit of lengths whose header names none.
    decimal : str, optional
        ``comma`` or ``point``.
    dates : str, optional
        ``day-first`` or ``month-first``.
    columns : mapping
        An office's own column names to ours.
    sheet : str, optional
        Sheet of a spreadsheet.
    """

    unit: str | None = None
    decimal: str | None = None
    dates: str | None = None
    columns: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}))
    sheet: str | None = None


_spoken: ContextVar[TableWords | None] = ContextVar("words of a call", default=None)


@contextmanager
def spoken_words(words: TableWords) -> Iterator[None]:
    """Let words hold for every table that is read within, where its reader is given none of its own.

    A call that reads one table or several through many hands says once how they are written.
    """
    before = _spoken.set(words)
    try:
        yield
    finally:
        _spoken.reset(before)


@dataclass(frozen=True, slots=True, kw_only=True)
class TableRead:
    """Rows of a table and what had to be understood to read them.

    Parameters
    ----------
    rows : list of CsvRow
    columns : tuple of str
        Our columns that the table has.
    unused : tuple of str
        Its other columns.
    notes : tuple of str
        Encoding, decimal sign, units and the like, where they are not the plain ones.
    """

    rows: list[CsvRow]
    columns: tuple[str, ...]
    unused: tuple[str, ...]
    notes: tuple[str, ...]


def read_text_file(path: Path, *, what: str, limit: str = "table_mb") -> str:
    """The text of a UTF-8 file (with or without byte order mark).

    Raises
    ------
    FileError
        Missing, a folder, not readable.
    InputError
        Empty, too large, or not UTF-8.
    """
    data = read_bytes(path, what=what, limit=limit)
    if not data.strip():
        raise InputError(f"{what} {path.name} is empty", "Give a file with content.")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        raise InputError(
            f"{what} {path.name}, line {line}: not UTF-8 text",
            "Save the file as UTF-8 (in a spreadsheet: CSV UTF-8).",
        ) from None


class CsvRow:
    """One row: its number and its cells by our column names, as plain text in our units."""

    def __init__(
        self, file: str, line: int, cells: dict[str, str], *, row_word: str = "line"
    ) -> None:
        self.file = file
        self.line = line
        self.cells = cells
        self.row_word = row_word

    @property
    def where(self) -> str:
        """File, sheet and row for messages."""
        return f"{self.file}, {self.row_word} {self.line}"

    def text(self, column: str) -> str:
        """A cell that may not be empty."""
        value = self.cells.get(column, "").strip()
        if not value:
            raise InputError(
                f"{self.where}: column {column} is empty", "Fill it in or drop the row."
            )
        return value

    def number(self, column: str, *, default: float | None = None) -> float:
        """A finite number; an empty cell takes the default when there is one."""
        value = self.cells.get(column, "").strip()
        if not value and default is not None:
            return default
        try:
            number = float(value)
        except ValueError:
            raise InputError(
                f"{self.where}: {column} is {value!r}, not a number", "Correct the cell."
            ) from None
        if not math.isfinite(number):
            raise InputError(
                f"{self.where}: {column} is {value}, not a finite number", "Correct the cell."
            )
        return number


def read_csv_rows(
    path: Path,
    *,
    columns: Sequence[str],
    optional: Sequence[str] = (),
    what: str = "table",
    empty_ok: bool = False,
    words: TableWords | None = None,
) -> list[CsvRow]:
    """Rows of a table, as `read_table` reads them, without what was noted."""
    return read_table(
        path, columns=columns, optional=optional, what=what, empty_ok=empty_ok, words=words
    ).rows


def read_table(
    path: Path,
    *,
    columns: Sequence[str],
    optional: Sequence[str] = (),
    dates: Sequence[str] = (),
    what: str = "table",
    empty_ok: bool = False,
    words: TableWords | None = None,
    keep_others: bool = False,
) -> TableRead:
    """Rows of a table with a header.

    Parameters
    ----------
    path : Path
        CSV (comma, semicolon, tab, bar; UTF-8, UTF-16, Windows-1252), XLSX or ODS.
    columns : sequence of str
        Required columns, any order.
    optional : sequence of str
        Known further columns; others are not used.
    dates : sequence of str
        Those of them that hold dates.
    what : str
        Word for messages.
    empty_ok : bool
        Whether a header alone will do.
    words : TableWords, optional
        What the user says of the table.
    keep_others : bool
        Keep the cells of unknown columns under their own names.

    Raises
    ------
    FileError, InputError
        Unreadable, columns missing or given twice, a row too long, a cell or a sign in doubt, no rows at all.
    """
    words = _spoken.get() if words is None else words
    known = (*columns, *(c for c in optional if c not in columns))
    try:
        return _read_table(path, columns, known, dates, what, empty_ok, words, keep_others)
    except InputError as error:
        # options are offered only by the commands that have them
        remedy = error.remedy if words is not None else _OPTION.sub("", error.remedy)
        raise InputError(error.problem, remedy) from None


def _read_table(
    path: Path,
    columns: Sequence[str],
    known: Sequence[str],
    dates: Sequence[str],
    what: str,
    empty_ok: bool,
    words: TableWords | None,
    keep_others: bool,
) -> TableRead:
    words = words or TableWords()
    grid, header_at, found = _find_header(path, columns, known, what, words)
    header = [_text(cell) for cell in grid.rows[header_at][1]]
    unused = [h for h, m in zip(header, found, strict=True) if m is None and h]
    body = grid.rows[header_at + 1 :]
    if not body and not empty_ok:
        raise InputError(f"{what} {grid.name} has a header but no rows", "Add the rows.")
    _refuse_long_rows(grid, body, len(header))
    notes = list(grid.notes)
    texts = _texts_by_column(grid, body, header, found, keep_others=keep_others)
    _read_numbers(texts, found, grid, words, notes)
    for column in dates:
        if column in texts:
            order = day_order(texts[column], stated=words.dates)
            texts[column] = [(where, iso_date(text, order)) for where, text in texts[column]]
    rows = [
        CsvRow(
            grid.name,
            number,
            {column: cells[k][1] for column, cells in texts.items()},
            row_word=grid.row_word,
        )
        for k, (number, _) in enumerate(body)
    ]
    return TableRead(
        rows=rows,
        columns=tuple(m.column for m in found if m is not None),
        unused=tuple(unused),
        notes=tuple(notes),
    )


def _find_header(
    path: Path, columns: Sequence[str], known: Sequence[str], what: str, words: TableWords
) -> tuple[Grid, int, list[HeaderMatch | None]]:
    """The sheet (or way of parting a text) and the row that names the columns wanted."""
    grids = read_grids(path, what=what)
    if words.sheet is not None:
        named = [g for g in grids if g.sheet == words.sheet]
        if not named:
            raise InputError(
                f"{what} {path.name} has no sheet {words.sheet!r}",
                f"Use one of {', '.join(g.sheet for g in grids) or 'the sheets of a spreadsheet'}.",
            )
        grids = named
    best: tuple[int, Grid, list[str]] | None = None
    for grid in grids:
        for at, (_, cells) in enumerate(grid.rows[:_HEADER_WITHIN_ROWS]):
            found = [match_column(_text(c), known, mapping=words.columns) for c in cells]
            have = [m.column for m in found if m is not None]
            missing = [c for c in columns if c not in have]
            if not missing:
                _refuse_double(have, f"{what} {grid.name}")
                return grid, at, found
            if best is None or len(have) > best[0]:
                best = (len(have), grid, missing)
    if best is None:
        raise InputError(f"{what} {path.name} has no rows", "Give a header and one row each.")
    raise InputError(
        f"{what} {best[1].name}: column {', '.join(best[2])} is missing",
        f"Give the columns {','.join(columns)} in the first line, or name your own with --column THEIRS=OURS.",
    )


def _refuse_double(have: list[str], where: str) -> None:
    double = sorted({c for c in have if have.count(c) > 1})
    if double:
        raise InputError(f"{where}: column {double[0]} is given twice", "Keep one of them.")


def _refuse_long_rows(grid: Grid, body: list[tuple[int, list[Cell]]], width: int) -> None:
    for number, cells in body:
        if len(cells) > width and any(_text(c) for c in cells[width:]):
            raise InputError(
                f"{grid.name}, {grid.row_word} {number}: {len(cells)} cells, the header has {width}",
                "Correct the row (in a file parted by commas, numbers with a decimal comma need quotation marks).",
            )


def _texts_by_column(
    grid: Grid,
    body: list[tuple[int, list[Cell]]],
    header: list[str],
    found: list[HeaderMatch | None],
    *,
    keep_others: bool,
) -> dict[str, list[tuple[str, str]]]:
    texts: dict[str, list[tuple[str, str]]] = {}
    for k, match in enumerate(found):
        name = match.column if match is not None else header[k] if keep_others else ""
        if name and name not in texts:
            texts[name] = [
                (
                    f"{grid.name}, {grid.row_word} {number}",
                    _text(cells[k]) if k < len(cells) else "",
                )
                for number, cells in body
            ]
    return texts


def _read_numbers(
    texts: dict[str, list[tuple[str, str]]],
    found: list[HeaderMatch | None],
    grid: Grid,
    words: TableWords,
    notes: list[str],
) -> None:
    """Bring every column of numbers to our decimal sign and unit, in place."""
    stated = {"comma": ",", "point": "."}.get(words.decimal or "")
    matches = [m for m in found if m is not None]
    numeric = [
        m for m in matches if column_unit(m.column)[1] is not None or m.column in _PLAIN_NUMBERS
    ]
    cells = ((where, text) for m in numeric for where, text in texts[m.column])
    sign = decimal_sign(cells, separator=grid.separator, stated=stated)
    if sign == ",":
        notes.append(f"{grid.name}: decimal comma")
    for match in numeric:
        own = column_unit(match.column)[1]
        if own is None:
            texts[match.column] = [(w, plain_number(t, sign)) for w, t in texts[match.column]]
            continue
        unit = match.unit if match.unit is not None else unit_named(words.unit or "")
        if unit not in (None, own):
            notes.append(f"{grid.name}: {match.column} was read from {unit}")
        texts[match.column] = [
            (where, _converted(where, text, match.column, unit, own, sign))
            for where, text in texts[match.column]
        ]


def _converted(where: str, text: str, column: str, unit: str | None, own: str, sign: str) -> str:
    try:
        return cell_in_unit(text, unit=unit, own=own, sign=sign)
    except ValueError as reason:
        remedy = (
            "Name the unit in the header, such as length_mm or length [in], or state it with --unit."
            if "without" in str(reason) and "unit" in str(reason)
            else "Correct the cell."
        )
        raise InputError(f"{where}: {column} is {text[:40]!r}, {reason}", remedy) from None


def _text(cell: Cell) -> str:
    """A cell as plain text: whole numbers without point, dates as YYYY-MM-DD."""
    if cell is None:
        return ""
    if isinstance(cell, dt.datetime):
        return cell.date().isoformat() if cell.time() == dt.time() else cell.isoformat()
    if isinstance(cell, bool):
        return "yes" if cell else "no"
    if isinstance(cell, float) and math.isfinite(cell) and cell.is_integer() and abs(cell) < 1e15:
        return str(int(cell))
    return str(cell).strip()
