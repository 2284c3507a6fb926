"""The inventory of blocks written as CSV or XLSX in the columns in which it is read, and its template."""

from __future__ import annotations

import csv
import io
import os
import tempfile
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from facademap.errors import FileError, InputError
from facademap.io.block_files import CHECK_COLUMNS, FORMULA_STARTS, OPTIONAL, REQUIRED
from facademap.salvage.stock import ACCEPTANCE_CHECKS
from facademap.tables import is_missing
from facademap.tables.contract import Column
from facademap.tables.salvage import BLOCKS, FACES

__all__ = ["column_help", "write_block_table", "write_bytes"]

COLUMNS = (*REQUIRED, *OPTIONAL)
_OWN = {
    "outline_mm": "Corners of the sound face as x y, x y, ... in mm; x along the bed.",
    "flaws_mm": "depth: x y, x y, x y; ... in mm; depth null = right through.",
    "face_photo": "File name of the photo of the face; each block has its own.",
    "notes": "Remarks.",
    "face_corners_px": "Pixels of the outline's box: lower left, lower right, upper right, upper left.",
    "card_x_px": "Grey card: middle, pixels.", "card_y_px": "Grey card: middle, pixels.",
    "card_half_px": "Grey card: half its size, pixels.", "card_lab": "Grey card: L a b (CIELAB D50).",
    **{column: f"{ACCEPTANCE_CHECKS[name].capitalize()}. One of: pass, fail, not done, not needed." for column, name in CHECK_COLUMNS.items()},
}

Row = tuple[Mapping[str, Any], Mapping[str, Any], Mapping[str, Any] | None]


def _contract(column: str) -> Column | None:
    name = column.removesuffix("_mm") + "_m" if column.endswith("_mm") else column
    for table in (BLOCKS, FACES):
        if name in table.names:
            return table.column(name)
    return None


def column_help() -> dict[str, str]:
    """What each column of the inventory means, from the contract of the tables."""
    words = {}
    for column in COLUMNS:
        known = _contract(column)
        text = _OWN.get(column) or (known.meaning if known else "")
        if known is not None and known.choices:
            text += " One of: " + ", ".join(known.choices) + "."
        words[column] = text + (" Required." if column in REQUIRED else "")
    return words


def write_block_table(path: Path, rows: Sequence[Row]) -> None:
    """Write blocks with their first face and photo; no rows make a template.

    Parameters
    ----------
    path : Path
        ``.csv`` or ``.xlsx``.
    rows : sequence of (block, face, photo or None)
        Rows of the tables.
    """
    lines = [_line(block, face, photo) for block, face, photo in rows]
    suffix = path.suffix.lower()
    if suffix == ".csv":
        text = io.StringIO()
        writer = csv.writer(text, lineterminator="\n")
        writer.writerow(COLUMNS)
        writer.writerows([_safe(line[c]) for c in COLUMNS] for line in lines)
        write_bytes(path, text.getvalue().encode("utf-8"))
    elif suffix == ".xlsx":
        write_bytes(path, _workbook(lines))
    else:
        raise InputError(f"{path.name}: an inventory ends in .csv or .xlsx", "Choose one of the two.")


def _line(block: Mapping[str, Any], face: Mapping[str, Any], photo: Mapping[str, Any] | None) -> dict[str, Any]:
    values: dict[str, Any] = dict.fromkeys(COLUMNS, "")
    for column in COLUMNS:
        source = face if column in ("usable_depth_mm", "bed", "finish", "weathered", "wetness") else block
        name = column.removesuffix("_mm") + "_m" if column.endswith("_mm") else column
        value = source.get(name)
        if value is None or is_missing(value) or column in ("outline_mm", "flaws_mm"):
            continue
        if isinstance(value, float) and column.endswith("_mm"):
            value = round(value * 1000, 2)
        values[column] = ("yes" if value else "no") if column == "weathered" else value
    checks = block.get("acceptance_checks")
    if isinstance(checks, Mapping):
        values |= {column: checks.get(name, "") for column, name in CHECK_COLUMNS.items()}
    values["outline_mm"] = _ring_text(face["outline"])
    values["flaws_mm"] = "; ".join(f"{_depth_text(f.get('depth_m'))}: {_ring_text(f['ring'])}" for f in face["flaws"] or [])
    values["notes"] = "" if is_missing(block.get("note")) else block["note"]
    values["face_photo"] = Path(str(photo["path"])).name if photo else ""
    matrix = face.get("photo_matrix")
    if matrix:
        values["face_corners_px"] = _corner_text(face["outline"], matrix)
    return values


def _ring_text(ring: Sequence[Sequence[float]]) -> str:
    return ", ".join(f"{round(x * 1000, 2):g} {round(y * 1000, 2):g}" for x, y in ring)


def _depth_text(depth_m: float | None) -> str:
    return "null" if depth_m is None else f"{round(depth_m * 1000, 2):g}"


def _corner_text(outline: Sequence[Sequence[float]], matrix: Any) -> str:
    import numpy as np

    points = np.asarray(outline, dtype=float)
    (x0, y0), (x1, y1) = points.min(axis=0), points.max(axis=0)
    box = np.array([(x0, y0, 1), (x1, y0, 1), (x1, y1, 1), (x0, y1, 1)]) @ np.asarray(matrix, dtype=float).T
    return ", ".join(f"{x / w:.2f} {y / w:.2f}" for x, y, w in box)


def _safe(value: Any) -> Any:
    """Text that a spreadsheet would run as a formula gets a mark before it."""
    return "'" + value if isinstance(value, str) and value.startswith(FORMULA_STARTS) else value


def _workbook(lines: Sequence[Mapping[str, Any]]) -> bytes:
    import xlsxwriter

    buffer = io.BytesIO()
    with xlsxwriter.Workbook(buffer, {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False}) as book:
        bold, wrap = book.add_format({"bold": True}), book.add_format({"text_wrap": True, "valign": "top"})
        sheet = book.add_worksheet("blocks")
        sheet.write_row(0, 0, COLUMNS, bold)
        for number, line in enumerate(lines, start=1):
            sheet.write_row(number, 0, [line[c] for c in COLUMNS])
        for k, column in enumerate(COLUMNS):
            known = _contract(column)
            if known is not None and known.choices:
                sheet.data_validation(1, k, 2000, k, {"validate": "list", "source": list(known.choices)})
        sheet.freeze_panes(1, 1)
        sheet.set_column(0, len(COLUMNS) - 1, 16)
        words = book.add_worksheet("columns")
        words.write_row(0, 0, ("column", "meaning"), bold)
        words.set_column(0, 0, 20)
        words.set_column(1, 1, 90, wrap)
        for number, (column, text) in enumerate(column_help().items(), start=1):
            words.write_row(number, 0, (column, text))
    return buffer.getvalue()


def write_bytes(path: Path, data: bytes) -> None:
    """Write beside the target, then rename: the target is whole or not there."""
    try:
        handle, temporary = tempfile.mkstemp(prefix=f".{path.name[:40]}.", dir=path.parent)
    except FileNotFoundError:
        raise FileError(f"folder {path.parent} does not exist", "Make the folder or choose another path.") from None
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(data)
        mask = os.umask(0)
        os.umask(mask)
        Path(temporary).chmod(0o666 & ~mask)
        Path(temporary).replace(path)
    except BaseException:
        Path(temporary).unlink(missing_ok=True)
        raise
