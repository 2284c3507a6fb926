"""The patches of a colour chart as a table, and their colours as a table."""

from __future__ import annotations

import contextlib
import csv
import io
import math
import os
import tempfile
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal, TextIO

from facademap.errors import FileError, TableError

__all__ = ["PatchRow", "read_patches", "read_rows", "write_lab", "written_whole"]

MAX_TABLE_BYTES = 50_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class PatchRow:
    """One row of a patch table: place and size in the picture, role, reference CIELAB D50."""

    name: str
    x_px: float
    y_px: float
    half_px: float
    role: Literal["fit", "check"]
    lab: tuple[float, float, float] | None


def read_rows(path: Path, *, columns: Sequence[str], optional: Sequence[str] = ()) -> list[dict[str, str]]:
    """Rows of a CSV table (UTF-8, comma or semicolon) that must have the columns.

    Raises
    ------
    FileError
        The file is missing, is too large or is not UTF-8 text.
    TableError
        A column is missing, or there are no rows.
    """
    if not path.is_file():
        raise FileError(f"{path}: no such file", "Check the spelling of the path.")
    if path.stat().st_size > MAX_TABLE_BYTES:
        raise FileError(f"{path}: larger than {MAX_TABLE_BYTES // 1_000_000} MB", "Give a table of points.")
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise FileError(f"{path}: not UTF-8 text (byte {error.start})", "Save the table as CSV in UTF-8.") from error
    if "\0" in text:
        raise FileError(f"{path}: not a text file", "Save the table as CSV in UTF-8.")
    head = text.splitlines()[0] if text.strip() else ""
    delimiter = ";" if head.count(";") > head.count(",") else ","
    try:
        table = list(csv.reader(io.StringIO(text), delimiter=delimiter))
    except csv.Error as error:
        raise FileError(f"{path}: not a CSV table ({error})", "Save the table as CSV in UTF-8.") from error
    names = [cell.strip() for cell in table[0]] if table else []
    missing = [c for c in columns if c not in names]
    if missing:
        raise TableError(f"{path}: column {', '.join(missing)} is missing",
                         f"Give a table with the columns {','.join([*columns, *optional])}.")
    filled = [[cell.strip() for cell in row] for row in table[1:] if any(cell.strip() for cell in row)]
    rows = [dict(zip(names, row, strict=False)) for row in filled]
    if not rows:
        raise TableError(f"{path}: the table has no rows", "Fill in at least one row.")
    return rows


def number(row: dict[str, str], column: str, *, line: int, faults: list[str], low: float = -1e7,
           high: float = 1e7) -> float:
    """A finite number of a row, or NaN with the fault noted."""
    text = row.get(column, "")
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value) or not low <= value <= high:
        faults.append(f"row {line}, {column}: {text!r} is not a number from {low:g} to {high:g}")
        return math.nan
    return value


def raise_faults(path: Path, faults: Sequence[str], remedy: str) -> None:
    """Raise one error that lists every fault, if there are any."""
    if faults:
        more = f" and {len(faults) - 3} more" if len(faults) > 3 else ""
        raise TableError(f"{path}: {'; '.join(faults[:3])}{more}", remedy, faults=tuple(faults))


def read_patches(path: Path) -> list[PatchRow]:
    """Read ``name,x_px,y_px,half_px,role,L,a,b``; a check patch may leave its reference empty.

    Raises
    ------
    TableError
        Rows are faulty; all are listed.
    """
    rows = read_rows(path, columns=("name", "x_px", "y_px", "half_px", "role", "L", "a", "b"))
    faults: list[str] = []
    patches: list[PatchRow] = []
    seen: set[str] = set()
    for line, row in enumerate(rows, start=2):
        name, role = row.get("name", ""), row.get("role", "").lower()
        if not name:
            faults.append(f"row {line}, name: is empty")
        elif name in seen:
            faults.append(f"row {line}, name: {name} is there twice")
        seen.add(name)
        if role not in ("fit", "check"):
            faults.append(f"row {line}, role: {row.get('role', '')!r} is neither fit nor check")
        x, y = (number(row, c, line=line, faults=faults) for c in ("x_px", "y_px"))
        half = number(row, "half_px", line=line, faults=faults, low=0.0, high=1e5)
        reference = None
        if role != "check" or any(row.get(c) for c in "Lab"):
            lightness = number(row, "L", line=line, faults=faults, low=0.0, high=110.0)
            a, b = (number(row, c, line=line, faults=faults, low=-200.0, high=200.0) for c in "ab")
            reference = (lightness, a, b)
        patches.append(PatchRow(name=name, x_px=x, y_px=y, half_px=half, role="check" if role == "check" else "fit",
                                lab=reference))
    raise_faults(path, faults, "Correct these rows; roles are fit and check, references are CIELAB D50.")
    return patches


@contextlib.contextmanager
def written_whole(path: Path) -> Iterator[TextIO]:
    """A text file that appears under its name only when it has been written whole."""
    if not path.parent.is_dir():
        raise FileError(f"{path.parent}: no such folder", "Make the folder first.")
    handle, temporary = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.", suffix=".tmp")
    try:
        with os.fdopen(handle, "w", encoding="utf-8", newline="") as stream:
            yield stream
        Path(temporary).chmod(0o666 & ~_umask())
        Path(temporary).replace(path)
    except BaseException:
        Path(temporary).unlink(missing_ok=True)
        raise


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask


def write_lab(path: Path, rows: Iterable[tuple[str, Sequence[Any]]]) -> None:
    """Write ``name,L,a,b`` with four decimals."""
    with written_whole(path) as stream:
        writer = csv.writer(stream, lineterminator="\n")
        writer.writerow(["name", "L", "a", "b"])
        for name, lab in rows:
            writer.writerow([name, *(f"{float(v):.4f}" for v in lab)])
