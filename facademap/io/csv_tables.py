"""Small CSV files with fixed columns, read strictly: every fault named with its row."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Sequence
from pathlib import Path

from facademap.errors import FileError, InputError

__all__ = ["CsvRow", "check_writable", "read_csv_rows", "read_text_file", "write_text_atomically"]

#: A table of points has no use for more; protects against a wrong file being read for minutes.
MAX_BYTES = 64_000_000


def read_text_file(path: Path, *, what: str, max_bytes: int = MAX_BYTES) -> str:
    """The text of a UTF-8 file (with or without byte order mark).

    Raises
    ------
    FileError
        Missing, a folder, not readable.
    InputError
        Empty, too large, or not UTF-8.
    """
    try:
        if path.is_dir():
            raise FileError(f"{what} {path.name} is a folder", "Give the path of a file.")
        size = path.stat().st_size
        if size > max_bytes:
            raise InputError(
                f"{what} {path.name} is {size / 1e6:.0f} MB large",
                "Check that it is the right file.",
            )
        data = path.read_bytes()
    except FileNotFoundError:
        raise FileError(
            f"{what} {path} does not exist", "Check the spelling of the path."
        ) from None
    except PermissionError:
        raise FileError(f"{what} {path} may not be read", "Change its permissions.") from None
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
    """One row: its line number and its cells by column name."""

    def __init__(self, file: str, line: int, cells: dict[str, str]) -> None:
        self.file = file
        self.line = line
        self.cells = cells

    @property
    def where(self) -> str:
        """File and line for messages."""
        return f"{self.file}, line {self.line}"

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
            hint = " (decimal point, not comma)" if "," in value else ""
            raise InputError(
                f"{self.where}: {column} is {value!r}, not a number", f"Correct the cell{hint}."
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
) -> list[CsvRow]:
    """Rows of a CSV file with a header.

    Parameters
    ----------
    path : Path
    columns : sequence of str
        Required columns, any order.
    optional : sequence of str
        Known further columns; others are ignored.
    what : str
        Word for messages.
    empty_ok : bool
        Whether a header alone will do.

    Raises
    ------
    FileError, InputError
        Unreadable, not UTF-8, columns missing or given twice, a row too long, no rows at all.
    """
    text = read_text_file(path, what=what)
    if "\x00" in text:
        raise InputError(f"{what} {path.name} is not a text file", "Give a CSV file.")
    delimiter = ";" if text.splitlines()[0].count(";") > text.splitlines()[0].count(",") else ","
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    rows: list[CsvRow] = []
    try:
        header = [cell.strip() for cell in next(reader)]
        missing = [c for c in columns if c not in header]
        if missing:
            raise InputError(
                f"{what} {path.name}: column {', '.join(missing)} is missing",
                f"Give the columns {','.join(columns)} in the first line.",
            )
        known = [c for c in header if c in columns or c in optional]
        double = sorted({c for c in known if known.count(c) > 1})
        if double:
            raise InputError(
                f"{what} {path.name}: column {double[0]} is given twice", "Keep one of them."
            )
        for cells in reader:
            if not any(cell.strip() for cell in cells):
                continue
            if len(cells) > len(header) and any(cell.strip() for cell in cells[len(header) :]):
                raise InputError(
                    f"{path.name}, line {reader.line_num}: {len(cells)} cells, the header has {len(header)}",
                    "Correct the row (decimal point, not comma).",
                )
            rows.append(CsvRow(path.name, reader.line_num, dict(zip(header, cells, strict=False))))
    except csv.Error as error:
        raise InputError(
            f"{path.name}, line {reader.line_num}: {error}", "Save the file as plain CSV."
        ) from None
    if not rows and not empty_ok:
        raise InputError(f"{what} {path.name} has a header but no rows", "Add the rows.")
    return rows


def check_writable(path: Path | None) -> None:
    """Refuse a target in a folder that is missing or closed, before long work begins.

    Raises
    ------
    FileError
    """
    import os

    if path is None:
        return
    if path.is_dir():
        raise FileError(f"{path} is a folder", "Give the path of a file to write.")
    if not path.parent.is_dir():
        raise FileError(
            f"folder {path.parent} does not exist", "Make the folder or choose another path."
        )
    if not os.access(path.parent, os.W_OK):
        raise FileError(f"folder {path.parent} cannot be written", "Choose another folder.")


def write_text_atomically(path: Path, text: str) -> None:
    """Write beside the target, then rename: the target is either the old file or the new one, whole."""
    import os
    import tempfile

    try:
        handle, temporary = tempfile.mkstemp(prefix=f".{path.name[:40]}.", dir=path.parent)
    except FileNotFoundError:
        raise FileError(
            f"folder {path.parent} does not exist", "Make the folder or choose another path."
        ) from None
    except (PermissionError, NotADirectoryError):
        raise FileError(
            f"folder {path.parent} cannot be written", "Choose another folder."
        ) from None
    try:
        with os.fdopen(handle, "w", encoding="utf-8", newline="") as file:
            file.write(text)
        mask = os.umask(0)
        os.umask(mask)
        Path(temporary).chmod(0o666 & ~mask)
        Path(temporary).replace(path)
    except BaseException:
        Path(temporary).unlink(missing_ok=True)
        raise
