"""The inventory of blocks read from CSV, XLSX or ODS; every fault named with its sheet, row and column.

See :mod:`facademap.io.block_columns` for the columns. The results of the acceptance checks decide the acceptance where it is
left empty. The weight is taken as measured where someone typed it and did not say otherwise.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import shapely

from facademap.errors import InputError
from facademap.io.block_columns import (
    BLOCK_SHEET,
    CHECK_COLUMNS,
    FACE_SHEET,
    FORMULA_STARTS,
    REQUIRED,
    REQUIRED_OF_FACE,
    contract_column,
    faces_beside,
    sheet_columns,
)
from facademap.io.block_shapes import SHAPE_ENDINGS, block_lines_from_geojson
from facademap.io.csv_tables import TableWords, read_table
from facademap.io.picked_pixels import PIXELS_COLUMN
from facademap.io.table_grids import read_grids
from facademap.photo.orientation import UPRIGHT, Turn
from facademap.salvage.stock import judge_acceptance
from facademap.tables.names import as_id, id_fault

__all__ = ["NOT_MEASURED", "BlockRow", "FaceRow", "read_blocks"]

MOST_MM = 10_000.0
#: Remark on a face of which nothing but the size of its block is known.
NOT_MEASURED = "taken from length x height x depth; not measured: outline, flaws, sound depth"
Ring = tuple[tuple[float, float], ...]
Line = tuple[str, dict[str, str]]
#: What stands before the ring of a flaw: its kind, how deep it reaches and where it begins.
_FLAW = re.compile(
    r"^(?P<kind>\D*?)\s*(?P<depth>null|[\d.]+(?:e[+-]?\d+)?)?(?:\s+from\s+(?P<start>\S+))?$",
    re.IGNORECASE,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class FaceRow:
    """One face as its row says, lengths in metres.

    Parameters
    ----------
    where : str
        File, sheet and row.
    face : mapping
        Values of the table ``faces``; columns that the file leaves out are not there.
    photo : str
        File name of the face photo, empty for none.
    corners_px : Ring
        Pixels of the face box's corners, empty when not given.
    card : tuple or None
        Middle and half size of a grey card in pixels, and its CIELAB D50.
    stored_pixels : bool or None
        Whether the row says that its pixels are those of the stored picture, or of the upright one.
    """

    where: str
    face: Mapping[str, Any]
    photo: str
    corners_px: Ring
    card: tuple[float, float, float, tuple[float, float, float]] | None
    stored_pixels: bool | None = None

    def upright(self, turn: Turn, *, stored: bool) -> FaceRow:
        """The same with its pixels in the upright picture; ``stored`` holds where the row does not say."""
        if turn.orientation == UPRIGHT or not (
            stored if self.stored_pixels is None else self.stored_pixels
        ):
            return self
        card = self.card
        if card is not None:
            x_px, y_px = turn.upright_pixels(card[:2]).tolist()
            card = (x_px, y_px, card[2], card[3])
        corners = tuple((x, y) for x, y in map(turn.upright_pixels, self.corners_px))
        return replace(self, corners_px=corners, card=card, stored_pixels=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class BlockRow:
    """One block with its faces.

    Parameters
    ----------
    block : mapping
        Values of the table ``blocks``; columns that the file leaves out are not there.
    faces : tuple of FaceRow
    """

    block: Mapping[str, Any]
    faces: tuple[FaceRow, ...]


def read_blocks(
    path: str | Path,
    *,
    faces: str | Path | None = None,
    words: TableWords | None = None,
    notes: list[str] | None = None,
) -> list[BlockRow]:
    """Read an inventory.

    A block of length, height and depth alone gets one face of that size, to be measured before it is sawn.

    Parameters
    ----------
    path : path
        GeoJSON of ``outline-block``, CSV, or XLSX (ODS) whose first sheet has the blocks and whose sheet ``faces``, if any, has further faces.
    faces : path, optional
        CSV of further faces; the file beside the blocks whose name ends in ``_faces.csv`` without it.
    words : TableWords, optional
        What the user says of the table.
    notes : list of str, optional
        Gets what had to be understood.

    Raises
    ------
    FileError, InputError
        Unreadable, a column missing, a value that makes no sense: sheet, row and column are named.
    """
    path = Path(path)
    notes = [] if notes is None else notes
    lines, further = _lines(path, faces, words or TableWords(), notes)
    _write_names_plainly([*lines, *further], notes)
    result: dict[str, BlockRow] = {}
    places: dict[str, str] = {}
    for where, cells in lines:
        name = cells.get("id", "").strip()
        if not name:
            raise InputError(f"{where}: id is empty", "Give every block a name of its own.")
        if name in places:
            raise InputError(
                f"{where}: block {name} is there already ({places[name]})",
                "Give every block a name of its own.",
            )
        places[name] = where
        block = _block(where, name, cells)
        if _is_bare(cells):
            cells = _whole_face(cells)
        first = (
            ()
            if _is_bare(cells)
            else (_face(where, name, cells, number=1, block_depth_m=block.get("depth_m")),)
        )
        result[name] = BlockRow(block=block, faces=first)
    for where, cells in further:
        name = cells.get("block", "").strip()
        if name not in result:
            raise InputError(
                f"{where}: block {name or 'is empty'}{' is not among the blocks' if name else ''}",
                "Name a block of the first sheet.",
            )
        row = result[name]
        face = _face(
            where, name, cells, number=len(row.faces) + 1, block_depth_m=row.block.get("depth_m")
        )
        result[name] = replace(row, faces=(*row.faces, face))
    _check_names(result)
    return list(result.values())


def _write_names_plainly(lines: list[Line], notes: list[str]) -> None:
    """Names with letters that ours do not have, such as umlauts, in those that they have; in place."""
    changed: dict[str, str] = {}
    for _, cells in lines:
        for column in ("id", "block", "face", "parent"):
            name = cells.get(column, "").strip()
            if name and id_fault(name) is not None:
                cells[column] = changed[name] = as_id(name)
    if changed:
        shown = ", ".join(f"{a} is {b}" for a, b in list(changed.items())[:3])
        more = f" and {len(changed) - 3} more" if len(changed) > 3 else ""
        notes.append(f"names written plainly: {shown}{more}")


def _check_names(rows: Mapping[str, BlockRow]) -> None:
    seen: dict[str, str] = {}
    for row in rows.values():
        for face in row.faces:
            name = str(face.face["id"])
            if name in seen:
                raise InputError(
                    f"{face.where}: face {name} is there already ({seen[name]})",
                    "Give every face a name of its own.",
                )
            seen[name] = face.where


def _is_bare(cells: Mapping[str, str]) -> bool:
    return not any(
        cells.get(c, "").strip()
        for c in ("outline_mm", "usable_depth_mm", "face_photo", "flaws_mm")
    )


def _unguarded(text: str) -> str:
    """A cell without the apostrophe that keeps a spreadsheet from running it."""
    return text[1:] if text.startswith("'") and text[1:].startswith(FORMULA_STARTS) else text


def _whole_face(cells: Mapping[str, str]) -> dict[str, str]:
    """Cells of a block with one face as large as the block, where its three sizes are given."""
    sizes = [cells.get(f"{n}_mm", "").strip() for n in ("length", "height", "depth")]
    if not all(sizes) or cells.get("face", "").strip():
        return dict(cells)
    length, height, depth = sizes
    return {
        **cells,
        "outline_mm": f"0 0, {length} 0, {length} {height}, 0 {height}",
        "usable_depth_mm": depth,
        "bed": cells.get("bed", "").strip() or "unknown",
        "face_notes": cells.get("face_notes", "").strip() or NOT_MEASURED,
    }


def _lines(
    path: Path, faces: str | Path | None, words: TableWords, notes: list[str]
) -> tuple[list[Line], list[Line]]:
    """Rows of the blocks and of further faces."""
    if path.suffix.lower() in SHAPE_ENDINGS:
        return block_lines_from_geojson(path), []
    if path.suffix.lower() not in (".xlsx", ".xlsm", ".ods"):
        lines = _read(path, BLOCK_SHEET, REQUIRED, words, notes)
        beside = faces_beside(path) if faces is None else Path(faces)
        if faces is None and not beside.is_file():
            return lines, []
        return lines, _read(beside, FACE_SHEET, REQUIRED_OF_FACE, words, notes)
    if faces is not None:
        raise InputError(
            "a file of faces is given beside a spreadsheet",
            f"Put the faces on its sheet {FACE_SHEET}.",
        )
    sheets = [g.sheet for g in read_grids(path, what="inventory") if g.rows]
    first = words.sheet or (BLOCK_SHEET if BLOCK_SHEET in sheets else None)
    lines = _read(path, BLOCK_SHEET, REQUIRED, replace(words, sheet=first), notes)
    if FACE_SHEET not in sheets or first == FACE_SHEET:
        return lines, []
    there = replace(words, sheet=FACE_SHEET)
    return lines, _read(path, FACE_SHEET, REQUIRED_OF_FACE, there, notes)


def _read(
    path: Path, sheet: str, required: tuple[str, ...], words: TableWords, notes: list[str]
) -> list[Line]:
    table = read_table(
        path,
        columns=required,
        optional=sheet_columns(sheet),
        what=f"inventory of {sheet}",
        empty_ok=sheet == FACE_SHEET,
        words=words,
    )
    notes += table.notes
    if table.unused:
        notes.append(f"{path.name}: columns not used: {', '.join(table.unused)}")
    return [(r.where, {k: _unguarded(v) for k, v in r.cells.items()}) for r in table.rows]


def _block(where: str, name: str, cells: Mapping[str, str]) -> dict[str, Any]:
    block: dict[str, Any] = {
        "id": name,
        "stone_type": cells["stone_type"].strip(),
        **_acceptance(where, cells),
    }
    if not block["stone_type"]:
        raise InputError(f"{where}: stone_type is empty", "Give the local name of the stone.")
    block |= {
        n: cells[n].strip() or None
        for n in ("provenance", "location", "after_repair", "parent")
        if n in cells
    }
    block |= {n: _choice(where, n, cells) for n in ("kind", "state", "weight_status") if n in cells}
    block |= {
        f"{n}_m": _metres(where, f"{n}_mm", cells)
        for n in ("length", "height", "depth")
        if f"{n}_mm" in cells
    }
    if "notes" in cells:
        block["note"] = cells["notes"].strip() or None
    if "weight_kg" in cells:
        block["weight_kg"] = _number(where, "weight_kg", cells)
        if block["weight_kg"] is not None and not cells.get("weight_status", "").strip():
            block["weight_status"] = "measured"
    return block


def _face(
    where: str, block: str, cells: Mapping[str, str], *, number: int, block_depth_m: float | None
) -> FaceRow:
    usable = _metres(where, "usable_depth_mm", cells)
    outline = _ring(where, "outline_mm", cells.get("outline_mm", ""))
    if usable is None or usable <= 0:
        raise InputError(
            f"{where}: usable_depth_mm of {block} is missing or not positive",
            "Measure how deep the stone is sound.",
        )
    if block_depth_m is not None and usable > block_depth_m + 1e-9:
        raise InputError(
            f"{where}: usable_depth_mm {usable * 1000:.0f} is more than the depth {block_depth_m * 1000:.0f} mm of the block",
            "Correct one of the two.",
        )
    face: dict[str, Any] = {
        "id": cells.get("face", "").strip() or f"{block}.{number}",
        "block": block,
        "outline": [list(p) for p in outline],
        "usable_depth_m": usable,
        "bed": _choice(where, "bed", cells),
        "flaws": _flaws(where, cells.get("flaws_mm", "")),
    }
    if "finish" in cells:
        face["finish"] = cells["finish"].strip() or None
    if "face_notes" in cells:
        face["note"] = cells["face_notes"].strip() or None
    face |= {n: _choice(where, n, cells) for n in ("wetness", "weathered") if n in cells}
    return FaceRow(
        where=where,
        face=face,
        photo=cells.get("face_photo", "").strip(),
        card=_card(where, cells),
        corners_px=_points(where, "face_corners_px", cells.get("face_corners_px", "")),
        stored_pixels=_stored_pixels(where, cells),
    )


def _stored_pixels(where: str, cells: Mapping[str, str]) -> bool | None:
    word = cells.get(PIXELS_COLUMN, "").strip().lower()
    if word not in ("", "upright", "stored"):
        raise InputError(
            f"{where}: pixels is {word!r}", "Give upright or stored, or leave it empty."
        )
    return word == "stored" if word else None


def _choice(where: str, column: str, cells: Mapping[str, str]) -> Any:
    """A value as the contract of its column reads it."""
    known = contract_column(column)
    assert known is not None
    text = cells.get(column, "").strip()
    try:
        return known.read(text.lower() if known.choices else text)
    except ValueError as error:
        raise InputError(f"{where}: {column} is {text!r}, {error}", "Correct the cell.") from None


def _acceptance(where: str, cells: Mapping[str, str]) -> dict[str, Any]:
    """Acceptance as typed, or as the checks say; the two may not contradict each other."""
    checks = {
        name: cells[column].strip().lower()
        for column, name in CHECK_COLUMNS.items()
        if cells.get(column, "").strip()
    }
    typed = _choice(where, "acceptance", cells) if cells.get("acceptance", "").strip() else ""
    if not checks:
        return {"acceptance": typed or "to test"}
    try:
        judged, reasons = judge_acceptance(checks)
    except InputError as error:
        raise InputError(f"{where}: {error.problem}", error.remedy) from None
    if typed == "accepted" and judged != "accepted":
        raise InputError(
            f"{where}: acceptance is accepted, but {'; '.join(reasons)}",
            "Do the check, or change the acceptance.",
        )
    return {"acceptance": typed or judged, "acceptance_checks": checks}


def _number(where: str, column: str, cells: Mapping[str, str]) -> float | None:
    text = cells.get(column, "").strip()
    if not text:
        return None
    try:
        value = float(text)
    except ValueError:
        raise InputError(
            f"{where}: {column} is {text!r}, not a number", "Correct the cell."
        ) from None
    if not math.isfinite(value) or value < 0:
        raise InputError(f"{where}: {column} is {text}", "Give a finite number, 0 or more.")
    return value


def _metres(where: str, column: str, cells: Mapping[str, str]) -> float | None:
    value = _number(where, column, cells)
    if value is not None and value > MOST_MM:
        raise InputError(
            f"{where}: {column} is {value:g} mm", "No block is longer than 10 m; check the unit."
        )
    return None if value is None else value / 1000.0


def _points(where: str, column: str, text: str) -> Ring:
    if not text.strip():
        return ()
    try:
        points = tuple((float(x), float(y)) for x, y in (p.split() for p in text.split(",")))
    except ValueError:
        raise InputError(
            f"{where}: {column} is not a list of points",
            "Write x y, x y, ... with points between the digits.",
        ) from None
    if not all(math.isfinite(c) for p in points for c in p):
        raise InputError(f"{where}: {column} holds a value that is not finite", "Correct the cell.")
    return points


def _ring(where: str, column: str, text: str) -> Ring:
    points = _points(where, column, text)
    if len(points) < 3:
        raise InputError(
            f"{where}: {column} has {len(points)} points",
            "Give at least three corners as x y, x y, x y in mm.",
        )
    if any(abs(c) > MOST_MM for p in points for c in p):
        raise InputError(
            f"{where}: {column} goes beyond {MOST_MM:g} mm", "Check the unit: millimetres."
        )
    polygon = shapely.Polygon(points)
    if not polygon.is_valid or polygon.area <= 0:
        raise InputError(
            f"{where}: {column} crosses itself ({shapely.is_valid_reason(polygon)})",
            "Draw the outline again.",
        )
    return tuple((x / 1000.0, y / 1000.0) for x, y in points)


def _flaws(where: str, text: str) -> list[dict[str, Any]]:
    """``kind depth from start: ring; ...``, depth in mm or ``null`` for right through."""
    flaws = []
    for part in filter(str.strip, text.split(";")):
        head, _, ring = part.rpartition(":")
        said = _FLAW.match(head.strip())
        if said is None:
            raise InputError(
                f"{where}: flaws_mm has {head.strip()!r} before a ring",
                "Write kind depth from start, such as crack 40 from 0.",
            )
        depth = (said["depth"] or "null").lower()
        flaws.append(
            {
                "kind": said["kind"].strip() or "flaw",
                "ring": [list(p) for p in _ring(where, "flaws_mm", ring)],
                "depth_m": None
                if depth == "null"
                else _metres(where, "flaws_mm", {"flaws_mm": depth}),
                "from_m": _metres(where, "flaws_mm", {"flaws_mm": said["start"] or "0"}),
            }
        )
    return flaws


def _card(
    where: str, cells: Mapping[str, str]
) -> tuple[float, float, float, tuple[float, float, float]] | None:
    values = [_number(where, c, cells) for c in ("card_x_px", "card_y_px", "card_half_px")]
    lab = cells.get("card_lab", "").split()
    if any(v is None for v in values) or not lab:
        return None
    try:
        light, a, b = (float(v) for v in lab)
    except ValueError:
        raise InputError(
            f"{where}: card_lab is {cells['card_lab']!r}", "Give L a b of the grey card."
        ) from None
    x, y, half = (float(v) for v in values if v is not None)
    return (x, y, half, (light, a, b))
