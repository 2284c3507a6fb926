"""The patches of a colour chart as a table, and their colours as a table."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np

from facademap.errors import TableError
from facademap.io.csv_tables import CsvRow, read_csv_rows
from facademap.io.picked_pixels import PIXELS_COLUMN, in_stored_pixels, upright_place
from facademap.io.whole_files import write_whole
from facademap.photo.chart import ChartTable
from facademap.photo.orientation import Turn

__all__ = ["PatchRow", "read_chart_table", "read_patches", "write_lab"]


@dataclass(frozen=True, slots=True, kw_only=True)
class PatchRow:
    """One row of a patch table: place and size in the picture, role, reference CIELAB D50."""

    name: str
    x_px: float
    y_px: float
    half_px: float
    role: Literal["fit", "check"]
    lab: tuple[float, float, float] | None


def read_rows(path: Path, *, columns: Sequence[str]) -> list[tuple[int, dict[str, str]]]:
    """Rows of a CSV table with their line numbers; every cell stripped."""
    return [
        (row.line, _stripped(row)) for row in read_csv_rows(path, columns=columns, what="table")
    ]


def _stripped(row: CsvRow) -> dict[str, str]:
    return {c: t.strip() for c, t in row.cells.items()}


def number(
    row: dict[str, str],
    column: str,
    *,
    line: int,
    faults: list[str],
    low: float = -1e7,
    high: float = 1e7,
) -> float:
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


def read_patches(
    path: Path, *, turn: Turn | None = None, stored_pixels: bool = False
) -> list[PatchRow]:
    """Read ``name,x_px,y_px,half_px,role,L,a,b``; a check patch may leave its reference empty.

    Parameters
    ----------
    path : Path
        ``pixels`` (upright or stored) may be added; the patches come in upright pixels.
    turn : Turn, optional
        How the stored picture is turned to stand upright.
    stored_pixels : bool
        The rows that do not say otherwise were picked in the stored picture.

    Raises
    ------
    TableError
        Rows are faulty; all are listed.
    """
    rows = read_csv_rows(
        path,
        columns=("name", "x_px", "y_px", "half_px", "role", "L", "a", "b"),
        optional=(PIXELS_COLUMN,),
        what="table",
    )
    faults: list[str] = []
    patches: list[PatchRow] = []
    seen: set[str] = set()
    for csv_row in rows:
        line, row = csv_row.line, _stripped(csv_row)
        name, role = row.get("name", ""), row.get("role", "").lower()
        if not name:
            faults.append(f"row {line}, name: is empty")
        elif name in seen:
            faults.append(f"row {line}, name: {name} is there twice")
        seen.add(name)
        if role not in ("fit", "check"):
            faults.append(f"row {line}, role: {row.get('role', '')!r} is neither fit nor check")
        x, y = (number(row, c, line=line, faults=faults) for c in ("x_px", "y_px"))
        if turn is not None and in_stored_pixels(csv_row, otherwise=stored_pixels):
            x, y = upright_place((x, y), turn, stored=True)
        half = number(row, "half_px", line=line, faults=faults, low=0.0, high=1e5)
        reference = None
        if role != "check" or any(row.get(c) for c in "Lab"):
            lightness = number(row, "L", line=line, faults=faults, low=0.0, high=110.0)
            a, b = (number(row, c, line=line, faults=faults, low=-200.0, high=200.0) for c in "ab")
            reference = (lightness, a, b)
        patches.append(
            PatchRow(
                name=name,
                x_px=x,
                y_px=y,
                half_px=half,
                role="check" if role == "check" else "fit",
                lab=reference,
            )
        )
    raise_faults(
        path, faults, "Correct these rows; roles are fit and check, references are CIELAB D50."
    )
    return patches


def write_lab(path: Path, rows: Iterable[tuple[str, Sequence[Any]]]) -> None:
    """Write ``name,L,a,b`` with four decimals."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(["name", "L", "a", "b"])
    for name, lab in rows:
        writer.writerow([name, *(f"{float(v):.4f}" for v in lab)])
    write_whole(path, text.getvalue())


def read_chart_table(path: Path) -> ChartTable:
    """Read a chart's reference colours: ``name,row,column,L,a,b`` (counted from 1, CIELAB D50).

    Raises
    ------
    TableError
        Rows are faulty, or the patches do not fill a rectangle.
    """
    faults: list[str] = []
    found: dict[tuple[int, int], tuple[str, tuple[float, float, float]]] = {}
    for line, row in read_rows(path, columns=("name", "row", "column", "L", "a", "b")):
        at = tuple(
            number(row, c, line=line, faults=faults, low=1, high=200) for c in ("row", "column")
        )
        lab = (
            number(row, "L", line=line, faults=faults, low=0.0, high=110.0),
            *(number(row, c, line=line, faults=faults, low=-200.0, high=200.0) for c in "ab"),
        )
        if all(math.isfinite(v) for v in at):
            found[(int(at[0]), int(at[1]))] = (row["name"], (lab[0], lab[1], lab[2]))
    raise_faults(path, faults, "Correct these rows; references are CIELAB D50.")
    rows, columns = max(r for r, _ in found), max(c for _, c in found)
    order = [(r, c) for r in range(1, rows + 1) for c in range(1, columns + 1)]
    missing = [f"row {r}, column {c}" for r, c in order if (r, c) not in found]
    raise_faults(
        path, [f"no patch at {m}" for m in missing], "Give every patch of the chart one row."
    )
    return ChartTable(
        title=path.stem,
        names=tuple(found[o][0] for o in order),
        lab=np.array([found[o][1] for o in order]),
        rows=rows,
        columns=columns,
    )
