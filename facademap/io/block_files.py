"""The inventory of blocks as a table (CSV or XLSX), one row a block with one face.

Columns (millimetres, since people type them): ``id, stone_type, kind, provenance, location, length_mm,
height_mm, depth_mm, usable_depth_mm, bed, finish, weathered, weight_kg, face_photo, outline_mm,
flaws_mm, acceptance, notes``, the result of each acceptance check (``sounded_check`` and so on: pass, fail,
not done, not needed; they decide the acceptance where it is left empty) and, for the place of the face in its photo, ``face_corners_px`` (pixels of
the corners of the outline's box: lower left, lower right, upper right, upper left) and, for true colour,
a grey card at ``card_x_px, card_y_px, card_half_px`` of the colour ``card_lab``.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from facademap.errors import FileError, InputError
from facademap.io.csv_tables import read_csv_rows
from facademap.salvage.stock import ACCEPTANCE_CHECKS, judge_acceptance

__all__ = ["CHECK_COLUMNS", "FORMULA_STARTS", "BlockRow", "read_blocks"]

REQUIRED = ("id", "stone_type", "outline_mm", "usable_depth_mm", "bed")
#: One column an acceptance check: pass, fail, not done or not needed.
CHECK_COLUMNS: Mapping[str, str] = {f"{name.replace(' ', '_')}_check": name for name in ACCEPTANCE_CHECKS}
OPTIONAL = ("kind", "provenance", "location", "length_mm", "height_mm", "depth_mm", "finish", "weathered", "weight_kg", "wetness",
            "face_photo", "flaws_mm", "acceptance", "notes", "face_corners_px", "card_x_px", "card_y_px", "card_half_px",
            "card_lab", *CHECK_COLUMNS)
MOST_MM = 10_000.0
#: Text that begins so is run by a spreadsheet as a formula; it is written with an apostrophe before it.
FORMULA_STARTS = ("=", "+", "@", "\t", "\r")

Ring = tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class BlockRow:
    """One block as its row says, lengths in metres.

    Parameters
    ----------
    block, face : mapping
        Values of the tables ``blocks`` and ``faces``.
    photo : str
        File name of the face photo, empty for none.
    corners_px : Ring
        Pixels of the face box's corners, empty when not given.
    card : tuple or None
        Middle and half size of a grey card in pixels, and its CIELAB D50.
    """

    block: Mapping[str, Any]
    face: Mapping[str, Any]
    photo: str
    corners_px: Ring
    card: tuple[float, float, float, tuple[float, float, float]] | None


def read_blocks(path: str | Path) -> list[BlockRow]:
    """Read an inventory.

    Raises
    ------
    FileError, InputError
        Unreadable, a column missing, a value that makes no sense: the row is named.
    """
    path = Path(path)
    if path.suffix.lower() in (".xlsx", ".xlsm"):
        rows = _spreadsheet_rows(path)
    else:
        rows = [(r.where, r.cells) for r in read_csv_rows(path, columns=REQUIRED, optional=OPTIONAL, what="inventory of blocks")]
    result: list[BlockRow] = []
    seen: dict[str, str] = {}
    for where, guarded in rows:
        cells = {k: _unguarded(v) for k, v in guarded.items()}
        name = cells.get("id", "").strip()
        if not name:
            raise InputError(f"{where}: id is empty", "Give every block a name of its own.")
        if name in seen:
            raise InputError(f"{where}: block {name} is there already ({seen[name]})", "Give every block a name of its own.")
        seen[name] = where
        result.append(_row(where, name, cells))
    return result


def _unguarded(text: str) -> str:
    """A cell without the apostrophe that keeps a spreadsheet from running it."""
    return text[1:] if text.startswith("'") and text[1:].startswith(FORMULA_STARTS) else text


def _acceptance(where: str, cells: Mapping[str, str]) -> dict[str, Any]:
    """Acceptance as typed, or as the checks say; the two may not contradict each other."""
    checks = {name: cells[column].strip().lower() for column, name in CHECK_COLUMNS.items() if cells.get(column, "").strip()}
    typed = cells.get("acceptance", "").strip()
    if not checks:
        return {"acceptance": typed or "to test"}
    try:
        judged, reasons = judge_acceptance(checks)
    except InputError as error:
        raise InputError(f"{where}: {error.problem}", error.remedy) from None
    if typed == "accepted" and judged != "accepted":
        raise InputError(f"{where}: acceptance is accepted, but {'; '.join(reasons)}", "Do the check, or change the acceptance.")
    return {"acceptance": typed or judged, "acceptance_checks": checks}


def _spreadsheet_rows(path: Path) -> list[tuple[str, dict[str, str]]]:
    import openpyxl

    if not path.is_file():
        raise FileError(f"{path}: there is no such file", "Check the path.")
    try:
        book = openpyxl.load_workbook(path, read_only=True, data_only=True)
        values = [list(r) for r in book.worksheets[0].iter_rows(values_only=True)]
        book.close()
    except Exception as error:
        raise InputError(f"{path}: cannot be read as a spreadsheet ({type(error).__name__})", "Save it again as .xlsx or .csv.") from None
    if len(values) < 2:
        raise InputError(f"{path}: has no rows", "Give a header and one row a block.")
    header = [str(v or "").strip() for v in values[0]]
    missing = [c for c in REQUIRED if c not in header]
    if missing:
        raise InputError(f"{path}: column {', '.join(missing)} is missing", f"Give the columns {', '.join(REQUIRED)}.")
    return [(f"{path.name}, row {n}", {h: "" if v is None else str(v) for h, v in zip(header, row, strict=False)})
            for n, row in enumerate(values[1:], start=2) if any(v not in (None, "") for v in row)]


def _row(where: str, name: str, cells: Mapping[str, str]) -> BlockRow:
    outline = _ring(where, "outline_mm", cells.get("outline_mm", ""))
    block: dict[str, Any] = {
        "id": name, "stone_type": cells["stone_type"].strip(), "kind": cells.get("kind", "").strip() or "unknown",
        "provenance": cells.get("provenance", "").strip() or None, "location": cells.get("location", "").strip() or None,
        **_acceptance(where, cells), "note": cells.get("notes", "").strip() or None,
        "weight_kg": _number(where, "weight_kg", cells), "weight_status": "from density",
        **{f"{n}_m": _metres(where, f"{n}_mm", cells) for n in ("length", "height", "depth")},
    }
    usable = _metres(where, "usable_depth_mm", cells)
    if usable is None or usable <= 0:
        raise InputError(f"{where}: usable_depth_mm of {name} is missing or not positive", "Measure how deep the stone is sound.")
    if block["depth_m"] is not None and usable > block["depth_m"] + 1e-9:
        raise InputError(f"{where}: usable depth {usable * 1000:.0f} mm is more than the depth {block['depth_m'] * 1000:.0f} mm",
                         "Correct one of the two.")
    face = {"id": f"{name}.1", "block": name, "outline": [list(p) for p in outline], "usable_depth_m": usable,
            "bed": cells["bed"].strip() or "unknown", "finish": cells.get("finish", "").strip() or None,
            "wetness": cells.get("wetness", "").strip().lower() or "dry", "weathered": cells.get("weathered", "").strip() or "no", "flaws": _flaws(where, cells.get("flaws_mm", ""))}
    return BlockRow(block=block, face=face, photo=cells.get("face_photo", "").strip(), card=_card(where, cells),
                    corners_px=_points(where, "face_corners_px", cells.get("face_corners_px", "")))


def _number(where: str, column: str, cells: Mapping[str, str]) -> float | None:
    text = cells.get(column, "").strip()
    if not text:
        return None
    try:
        value = float(text)
    except ValueError:
        raise InputError(f"{where}: {column} is {text!r}, not a number", "Correct the cell.") from None
    if not math.isfinite(value) or value < 0:
        raise InputError(f"{where}: {column} is {text}", "Give a finite number, 0 or more.")
    return value


def _metres(where: str, column: str, cells: Mapping[str, str]) -> float | None:
    value = _number(where, column, cells)
    if value is not None and value > MOST_MM:
        raise InputError(f"{where}: {column} is {value:g} mm", "No block is longer than 10 m; check the unit.")
    return None if value is None else value / 1000.0


def _points(where: str, column: str, text: str) -> Ring:
    if not text.strip():
        return ()
    try:
        points = tuple((float(x), float(y)) for x, y in (p.split() for p in text.split(",")))
    except ValueError:
        raise InputError(f"{where}: {column} is not a list of points", "Write x y, x y, ... with points between the digits.") from None
    if not all(math.isfinite(c) for p in points for c in p):
        raise InputError(f"{where}: {column} holds a value that is not finite", "Correct the cell.")
    return points


def _ring(where: str, column: str, text: str) -> Ring:
    points = _points(where, column, text)
    if len(points) < 3:
        raise InputError(f"{where}: {column} has {len(points)} points", "Give at least three corners as x y, x y, x y in mm.")
    if any(abs(c) > MOST_MM for p in points for c in p):
        raise InputError(f"{where}: {column} goes beyond {MOST_MM:g} mm", "Check the unit: millimetres.")
    import shapely

    polygon = shapely.Polygon(points)
    if not polygon.is_valid or polygon.area <= 0:
        raise InputError(f"{where}: {column} crosses itself ({shapely.is_valid_reason(polygon)})", "Draw the outline again.")
    return tuple((x / 1000.0, y / 1000.0) for x, y in points)


def _flaws(where: str, text: str) -> list[dict[str, Any]]:
    """``depth: ring; depth: ring``, depth in mm or ``null`` for right through."""
    flaws = []
    for part in filter(str.strip, text.split(";")):
        depth, _, ring = part.partition(":")
        word = depth.strip().lower()
        through = word in ("null", "")
        depth_m = None if through else _metres(where, "flaws_mm", {"flaws_mm": word})
        flaws.append({"kind": "flaw", "ring": [list(p) for p in _ring(where, "flaws_mm", ring)], "depth_m": depth_m, "from_m": 0.0})
    return flaws


def _card(where: str, cells: Mapping[str, str]) -> tuple[float, float, float, tuple[float, float, float]] | None:
    values = [_number(where, c, cells) for c in ("card_x_px", "card_y_px", "card_half_px")]
    lab = cells.get("card_lab", "").split()
    if any(v is None for v in values) or not lab:
        return None
    try:
        light, a, b = (float(v) for v in lab)
    except ValueError:
        raise InputError(f"{where}: card_lab is {cells['card_lab']!r}", "Give L a b of the grey card.") from None
    x, y, half = (float(v) for v in values if v is not None)
    return (x, y, half, (light, a, b))
