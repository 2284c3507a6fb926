"""Cells of a table file as they stand there: CSV in any usual encoding and separator, XLSX, ODS.

Formulas are taken by the value stored with them; a formula without one, merged cells and a mixture of encodings are
refused, since nobody can say what they mean.
"""

from __future__ import annotations

import csv
import datetime as dt
import io
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from facademap.errors import FileError, InputError
from facademap.io.archives import Unpacked, unpack
from facademap.io.markup import parse_markup
from facademap.io.whole_files import need_file
from facademap.limits import hold_within, limits_now, raise_limit

__all__ = ["Cell", "Grid", "decode_text", "read_bytes", "read_grids"]

_SPREADSHEETS = (".xlsx", ".xlsm", ".ods")
_SEPARATORS = (",", ";", "\t", "|")
Cell = str | float | int | bool | dt.datetime | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Grid:
    """One sheet: its rows with their numbers for messages.

    Parameters
    ----------
    name : str
        File, and sheet where it has several.
    row_word : str
        ``line`` of a text, ``row`` of a spreadsheet.
    rows : list of (int, list of Cell)
        Number and cells; text stays text, a spreadsheet's numbers and dates are typed.
    separator : str
        Of a text file; empty for a spreadsheet.
    sheet : str
        Name of the sheet; empty for a text file.
    notes : tuple of str
        What had to be understood to read it.
    """

    name: str
    row_word: str
    rows: list[tuple[int, list[Cell]]]
    separator: str = ""
    sheet: str = ""
    notes: tuple[str, ...] = ()


def read_bytes(path: Path, *, what: str, limit: str = "table_mb") -> bytes:
    """The content of a file that must have some; ``limit`` names the limit of its size.

    Raises
    ------
    FileError, InputError
        Missing, a folder, not readable, empty, too large.
    """
    need_file(path)
    try:
        if path.is_dir():
            raise FileError(f"{what} {path.name} is a folder", "Give the path of a file.")
        size = path.stat().st_size
        hold_within(
            limit,
            size / 1e6,
            what=f"{what} {path.name} is {size / 1e6:.0f} MB large",
            remedy="Check that it is the right file",
        )
        data = path.read_bytes()
    except FileNotFoundError:
        raise FileError(
            f"{what} {path} does not exist", "Check the spelling of the path."
        ) from None
    except PermissionError:
        raise FileError(f"{what} {path} may not be read", "Change its permissions.") from None
    if not data.strip(b" \t\r\n\0"):
        raise InputError(f"{what} {path.name} is empty", "Give a file with content.")
    return data


def decode_text(data: bytes, *, name: str) -> tuple[str, str]:
    """Text of a file and the encoding it was in: UTF-8, UTF-16 or UTF-32 with mark, UTF-16 without, Windows-1252.

    Raises
    ------
    InputError
        No text, or lines in different encodings.
    """
    for mark, encoding in (
        (b"\xff\xfe\x00\x00", "utf-32"),
        (b"\x00\x00\xfe\xff", "utf-32"),
        (b"\xff\xfe", "utf-16"),
        (b"\xfe\xff", "utf-16"),
        (b"\xef\xbb\xbf", "utf-8-sig"),
    ):
        if data.startswith(mark):
            return _decoded(data, encoding, name), encoding.removesuffix("-sig").upper()
    sample = data[:4096]
    if b"\0" in sample:
        for start, encoding in ((1, "utf-16-le"), (0, "utf-16-be")):
            half = sample[start::2]
            if half.count(0) > 0.7 * len(half) and 0 not in sample[1 - start :: 2]:
                return _decoded(data, encoding, name), "UTF-16"
        raise InputError(f"{name} is not a text file", "Give a CSV, XLSX or ODS file.")
    try:
        return data.decode("utf-8"), "UTF-8"
    except UnicodeDecodeError:
        _refuse_mixture(data, name)
    return _decoded(data, "cp1252", name), "Windows-1252"


def _decoded(data: bytes, encoding: str, name: str) -> str:
    try:
        return data.decode(encoding)
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        raise InputError(
            f"{name}, line {line}: neither UTF-8 nor {encoding.upper().replace('CP', 'Windows-')} text",
            "Save the file as UTF-8 (in a spreadsheet: CSV UTF-8).",
        ) from None


def _refuse_mixture(data: bytes, name: str) -> None:
    """A file glued together from a UTF-8 and a Windows one: one of the two would be read wrongly."""
    as_utf8 = as_other = 0
    for number, line in enumerate(data.split(b"\n"), start=1):
        if line.isascii():
            continue
        try:
            line.decode("utf-8")
            as_utf8 = as_utf8 or number
        except UnicodeDecodeError:
            as_other = as_other or number
        if as_utf8 and as_other:
            raise InputError(
                f"{name}: line {as_utf8} is UTF-8 text and line {as_other} is not",
                "Save the whole file in one encoding, best as UTF-8.",
            )


def read_grids(path: Path, *, what: str) -> list[Grid]:
    """Sheets of a table file; a text file is given once for every separator that parts it.

    Raises
    ------
    FileError, InputError
    """
    ending = path.suffix.lower()
    if ending == ".xls":
        raise InputError(
            f"{what} {path.name} is in the old XLS format", "Save it as .xlsx, .ods or .csv."
        )
    if ending in _SPREADSHEETS:
        data = read_bytes(path, what=what)
        return _read_ods(path, data) if ending == ".ods" else _read_xlsx(path, data)
    data = read_bytes(path, what=what)
    text, encoding = decode_text(data, name=f"{what} {path.name}")
    if "\x00" in text:
        raise InputError(f"{what} {path.name} is not a text file", "Give a CSV file.")
    notes = () if encoding == "UTF-8" else (f"{path.name} was read as {encoding} text",)
    head = "\n".join(text.splitlines()[:30])
    usable = [s for s in _SEPARATORS if s in head] or [","]
    return [
        Grid(name=path.name, row_word="line", rows=rows, separator=s, notes=notes)
        for s in usable
        if (rows := _csv_rows(text, s, path.name, only=len(usable) == 1)) is not None
    ]


def _csv_rows(
    text: str, separator: str, name: str, *, only: bool
) -> list[tuple[int, list[Cell]]] | None:
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
    rows: list[tuple[int, list[Cell]]] = []
    try:
        for cells in reader:
            if any(cell.strip() for cell in cells):
                if len(rows) >= limits_now().rows:
                    raise _too_long(name)
                rows.append((reader.line_num, list(cells)))
    except csv.Error as error:
        if not only and separator != ",":
            return None
        raise InputError(
            f"{name}, line {reader.line_num}: {error}", "Save the file as plain CSV."
        ) from None
    return rows


def _unpacked(path: Path, data: bytes) -> Unpacked:
    return unpack(
        data,
        name=path.name,
        kind="a spreadsheet",
        remedy="Save it again as .xlsx, .ods or .csv.",
        smaller="Save only the table, or save it as CSV",
    )


def _read_xlsx(path: Path, data: bytes) -> list[Grid]:
    import openpyxl

    archive = _unpacked(path, data)
    grids = []
    try:
        book = openpyxl.load_workbook(io.BytesIO(data), read_only=True, data_only=True)
        for sheet in book.worksheets:
            if not hasattr(sheet, "iter_rows"):
                continue
            markup = archive.read(sheet._worksheet_path)
            sheet.reset_dimensions()
            where = f"{path.name}, sheet {sheet.title}"
            rows = [
                (number, [_typed(v) for v in row])
                for number, row in _bounded(sheet.iter_rows(values_only=True), where)
            ]
            merged = re.findall(rb'<mergeCell\s+ref="([A-Z]+\d+:[A-Z]+\d+)"', markup)
            formulas = _formula_cells(markup)
            grids.append(_sheet(where, sheet.title, rows, [m.decode() for m in merged], formulas))
        book.close()
    except InputError:
        raise
    except Exception as error:
        raise InputError(
            f"{path.name}: cannot be read as a spreadsheet ({type(error).__name__})",
            "Save it again as .xlsx or .csv.",
        ) from None
    return grids


def _bounded(rows: Iterable[Any], where: str) -> Iterator[tuple[int, Any]]:
    """Rows with their numbers, as long as there are no more than a table may have."""
    most = limits_now().rows
    for number, row in enumerate(rows, start=1):
        if number > most:
            raise _too_long(where)
        yield number, row


def _too_long(where: str) -> InputError:
    return InputError(
        f"{where} has more than {limits_now().rows} rows",
        f"Delete empty formatted rows at its end, bring it in parts, {raise_limit('rows')}.",
    )


def _formula_cells(markup: bytes) -> list[tuple[str, bool]]:
    """Cells with a formula, and whether a value is stored with it."""
    if b"<f" not in markup:
        return []
    found = []
    for cell in re.finditer(rb'<c\s[^>]*?r="([A-Z]+\d+)"[^>]*?>(.*?)</c>', markup, re.DOTALL):
        if re.search(rb"<f[\s>/]", cell[2]):
            found.append((cell[1].decode(), re.search(rb"<v>[^<]", cell[2]) is not None))
    return found


def _sheet(
    where: str,
    title: str,
    rows: list[tuple[int, list[Cell]]],
    merged: list[str],
    formulas: list[tuple[str, bool]],
) -> Grid:
    filled = [(n, r) for n, r in rows if any(c not in (None, "") for c in r)]
    # a title merged across the sheet stands above the header, and is no cell of the table
    first = next((n for n, r in filled if sum(c not in (None, "") for c in r) > 1), 1)
    inside = [m for m in merged if int(re.findall(r"\d+", m)[1]) >= first]
    if inside:
        raise InputError(
            f"{where}: cells {inside[0]} are merged, so that it is not known which rows their value is for",
            "Unmerge them and give every row its own value.",
        )
    empty = [cell for cell, stored in formulas if not stored]
    if empty:
        raise InputError(
            f"{where}: cell {empty[0]} holds a formula without a stored value",
            "Open the file in a spreadsheet program and save it, or paste the values.",
        )
    notes = (
        (
            f"{where}: {len(formulas)} cells hold formulas ({formulas[0][0]}); their stored values were read",
        )
        if formulas
        else ()
    )
    return Grid(name=where, row_word="row", rows=filled, sheet=title, notes=notes)


def _typed(value: Any) -> Cell:
    if isinstance(value, dt.datetime):
        return value
    if isinstance(value, dt.date):
        return dt.datetime.combine(value, dt.time())
    if value is None or isinstance(value, (str, bool, int, float)):
        return value
    return str(value)


_OFFICE = "urn:oasis:names:tc:opendocument:xmlns:office:1.0"
_TABLE = "urn:oasis:names:tc:opendocument:xmlns:table:1.0"
_TEXT = "urn:oasis:names:tc:opendocument:xmlns:text:1.0"
#: Empty cells and rows to the end of the sheet are stored as one, repeated thousands of times.
_MOST_COLUMNS = 500


def _read_ods(path: Path, data: bytes) -> list[Grid]:
    """Sheets of an OpenDocument spreadsheet (OASIS ODF 1.3, part 3, section 9)."""
    archive, remedy = _unpacked(path, data), "Save it again as .ods or .csv."
    if "content.xml" not in archive.entries:
        raise InputError(f"{path.name}: cannot be read as a spreadsheet", remedy)
    root = parse_markup(
        archive.read("content.xml"), name=path.name, kind="a spreadsheet", remedy=remedy
    )
    return [_ods_sheet(path, table) for table in root.iter(f"{{{_TABLE}}}table")]


def _ods_sheet(path: Path, table: Any) -> Grid:
    title = table.get(f"{{{_TABLE}}}name", "")
    where = f"{path.name}, sheet {title}"
    rows: list[tuple[int, list[Cell]]] = []
    merged: list[str] = []
    formulas: list[tuple[str, bool]] = []
    number = 0
    for row in table.iter(f"{{{_TABLE}}}table-row"):
        cells: list[Cell] = []
        for cell in _ods_cells(row):
            value = _ods_value(cell)
            place = f"{_letters(len(cells))}{number + 1}"
            down = int(cell.get(f"{{{_TABLE}}}number-rows-spanned", 1))
            across = int(cell.get(f"{{{_TABLE}}}number-columns-spanned", 1))
            if down > 1 or across > 1:
                end = f"{_letters(len(cells) + across - 1)}{number + down}"
                merged.append(f"{place}:{end}")
            if cell.get(f"{{{_TABLE}}}formula"):
                formulas.append((place, value not in (None, "")))
            times = int(cell.get(f"{{{_TABLE}}}number-columns-repeated", 1))
            cells += [value] * min(times, _MOST_COLUMNS - len(cells))
        repeated = int(row.get(f"{{{_TABLE}}}number-rows-repeated", 1))
        filled = any(c not in (None, "") for c in cells)
        if filled and len(rows) + repeated > limits_now().rows:
            raise _too_long(where)
        if filled:
            rows += [(number + k + 1, cells) for k in range(repeated)]
        number += repeated
    return _sheet(where, title, rows, merged, formulas)


def _ods_cells(row: Any) -> Iterator[Any]:
    names = (f"{{{_TABLE}}}table-cell", f"{{{_TABLE}}}covered-table-cell")
    return (cell for cell in row if cell.tag in names)


def _ods_value(cell: Any) -> Cell:
    kind = cell.get(f"{{{_OFFICE}}}value-type")
    if kind in ("float", "currency", "percentage"):
        number = float(cell.get(f"{{{_OFFICE}}}value"))
        return int(number) if number.is_integer() and abs(number) < 1e15 else number
    if kind == "date":
        moment: dt.datetime = dt.datetime.fromisoformat(cell.get(f"{{{_OFFICE}}}date-value"))
        return moment
    if kind == "boolean":
        return str(cell.get(f"{{{_OFFICE}}}boolean-value")) == "true"
    return "\n".join("".join(p.itertext()) for p in cell.iter(f"{{{_TEXT}}}p"))


def _letters(column: int) -> str:
    text = ""
    column += 1
    while column:
        column, rest = divmod(column - 1, 26)
        text = chr(65 + rest) + text
    return text
