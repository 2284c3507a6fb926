"""The inventory of blocks written as CSV or XLSX in the columns in which it is read, and its template."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from facademap.errors import InputError
from facademap.io.block_columns import (
    BLOCK_SHEET,
    CHECK_COLUMNS,
    FACE_SHEET,
    OF_BLOCK,
    OF_FACE,
    column_help,
    contract_column,
    faces_beside,
    no_formula,
    sheet_columns,
)
from facademap.io.whole_files import write_whole
from facademap.photo.homography import apply_homography
from facademap.tables import is_missing

__all__ = ["write_block_table"]

#: Digits of a millimetre (and of a pixel) that are written: enough to come back as it was.
_DIGITS = 6
_MOST_ROWS = 2000

Row = Mapping[str, Any]
#: A block with its faces, each with the row of its photo or nothing.
Entry = tuple[Row, Sequence[tuple[Row, Row | None]]]


def write_block_table(path: Path, entries: Sequence[Entry]) -> list[Path]:
    """Write blocks with all their faces; no entries make a template.

    Parameters
    ----------
    path : Path
        ``.xlsx`` with the sheets ``blocks`` and ``faces``, or ``.csv``, beside which the further faces stand in a
        file whose name ends in ``_faces.csv``.
    entries : sequence of (block, faces)
        Rows of the tables; each face with the row of its photo or None.

    Returns
    -------
    list of Path
        The files written.
    """
    blocks = [
        {**_block_cells(block), **(_face_cells(*faces[0]) if faces else {})}
        for block, faces in entries
    ]
    further = [
        {"block": block["id"], **_face_cells(*face)}
        for block, faces in entries
        for face in faces[1:]
    ]
    suffix = path.suffix.lower()
    if suffix == ".csv":
        write_whole(path, _csv(BLOCK_SHEET, blocks))
        write_whole(faces_beside(path), _csv(FACE_SHEET, further))
        return [path, faces_beside(path)]
    if suffix == ".xlsx":
        write_whole(path, _workbook({BLOCK_SHEET: blocks, FACE_SHEET: further}))
        return [path]
    raise InputError(f"{path.name}: an inventory ends in .csv or .xlsx", "Choose one of the two.")


def _csv(sheet: str, lines: Sequence[Mapping[str, Any]]) -> bytes:
    text, columns = io.StringIO(), sheet_columns(sheet)
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(columns)
    writer.writerows([no_formula(line.get(c, "")) for c in columns] for line in lines)
    return text.getvalue().encode("utf-8")


def _block_cells(block: Row) -> dict[str, Any]:
    checks = block.get("acceptance_checks")
    known = checks if isinstance(checks, Mapping) else {}
    return {
        **_plain_cells(block, OF_BLOCK),
        "notes": _text(block.get("note")),
        **{column: known.get(name, "") for column, name in CHECK_COLUMNS.items()},
    }


def _face_cells(face: Row, photo: Row | None) -> dict[str, Any]:
    cells = _plain_cells(face, OF_FACE) | {
        "face": _text(face.get("id")),
        "face_notes": _text(face.get("note")),
        "outline_mm": _ring_text(face["outline"]),
        "flaws_mm": "; ".join(
            f"{_flaw_text(f)}: {_ring_text(f['ring'])}" for f in face["flaws"] or []
        ),
        "face_photo": Path(str(photo["path"])).name if photo else "",
    }
    matrix = face.get("photo_matrix")
    if matrix:
        cells["face_corners_px"] = _corner_text(face["outline"], matrix)
    return cells


def _plain_cells(row: Row, columns: Sequence[str]) -> dict[str, Any]:
    cells: dict[str, Any] = {}
    for column in columns:
        known = contract_column(column)
        value = None if known is None else row.get(known.name)
        if known is None or value is None or is_missing(value):
            continue
        cells[column] = (
            ("yes" if value else "no")
            if known.kind == "bool"
            else round(value * 1000, _DIGITS)
            if column.endswith("_mm")
            else value
        )
    return cells


def _text(value: Any) -> str:
    return "" if value is None or is_missing(value) else str(value)


def _number(value: float) -> str:
    return np.format_float_positional(round(float(value), _DIGITS), trim="-")


def _ring_text(ring: Sequence[Sequence[float]]) -> str:
    return ", ".join(f"{_number(x * 1000)} {_number(y * 1000)}" for x, y in ring)


def _flaw_text(flaw: Row) -> str:
    """Kind, depth and start of a flaw; characters that part flaws are left out of its kind."""
    kind = "".join(c for c in str(flaw.get("kind") or "flaw") if c not in ";:0123456789")
    depth, start = flaw.get("depth_m"), flaw.get("from_m") or 0.0
    text = f"{kind} {'null' if depth is None else _number(depth * 1000)}"
    return text + (f" from {_number(start * 1000)}" if start else "")


def _corner_text(outline: Sequence[Sequence[float]], matrix: Any) -> str:
    points = np.asarray(outline, dtype=float)
    (x0, y0), (x1, y1) = points.min(axis=0), points.max(axis=0)
    box = apply_homography(
        np.asarray(matrix, dtype=float), np.array([(x0, y0), (x1, y0), (x1, y1), (x0, y1)])
    )
    return ", ".join(f"{_number(x)} {_number(y)}" for x, y in box)


def _workbook(sheets: Mapping[str, Sequence[Mapping[str, Any]]]) -> bytes:
    import xlsxwriter

    buffer = io.BytesIO()
    with xlsxwriter.Workbook(
        buffer, {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False}
    ) as book:
        bold, wrap = (
            book.add_format({"bold": True}),
            book.add_format({"text_wrap": True, "valign": "top"}),
        )
        for name, lines in sheets.items():
            columns, sheet = sheet_columns(name), book.add_worksheet(name)
            sheet.write_row(0, 0, columns, bold)
            for number, line in enumerate(lines, start=1):
                sheet.write_row(number, 0, [line.get(c, "") for c in columns])
            for k, column in enumerate(columns):
                known = contract_column(column)
                if known is not None and known.choices:
                    sheet.data_validation(
                        1, k, _MOST_ROWS, k, {"validate": "list", "source": list(known.choices)}
                    )
            sheet.freeze_panes(1, 1)
            sheet.set_column(0, len(columns) - 1, 16)
        words = book.add_worksheet("columns")
        words.write_row(0, 0, ("sheet", "column", "meaning"), bold)
        words.set_column(0, 1, 20)
        words.set_column(2, 2, 90, wrap)
        meanings = [
            (name, column, text) for name in sheets for column, text in column_help(name).items()
        ]
        for number, row in enumerate(meanings, start=1):
            words.write_row(number, 0, row)
    return buffer.getvalue()
