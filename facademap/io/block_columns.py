"""Columns of the inventory of blocks as people see them, from the contract of the tables.

One sheet (or file) ``blocks`` has a row a block with its first face; further faces have a row each on the sheet ``faces``
(or in a second file whose name ends in ``_faces.csv``). Lengths are in millimetres, since people type them.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from facademap.salvage.stock import ACCEPTANCE_CHECKS
from facademap.tables.contract import Column
from facademap.tables.salvage import BLOCKS, FACES

__all__ = [
    "BLOCK_SHEET",
    "CHECK_COLUMNS",
    "FACE_SHEET",
    "FORMULA_STARTS",
    "OF_BLOCK",
    "OF_FACE",
    "REQUIRED",
    "REQUIRED_OF_FACE",
    "column_help",
    "contract_column",
    "faces_beside",
    "no_formula",
    "sheet_columns",
]

BLOCK_SHEET, FACE_SHEET = "blocks", "faces"
#: One column an acceptance check: pass, fail, not done or not needed.
CHECK_COLUMNS: Mapping[str, str] = {
    f"{name.replace(' ', '_')}_check": name for name in ACCEPTANCE_CHECKS
}
#: Text that begins so is run by a spreadsheet as a formula; it is written with an apostrophe before it.
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")

OF_BLOCK = (
    "id",
    "stone_type",
    "kind",
    "provenance",
    "location",
    "length_mm",
    "height_mm",
    "depth_mm",
    "weight_kg",
    "weight_status",
    "state",
    "acceptance",
    *CHECK_COLUMNS,
    "after_repair",
    "parent",
    "notes",
)
OF_FACE = (
    "face",
    "outline_mm",
    "usable_depth_mm",
    "bed",
    "finish",
    "weathered",
    "wetness",
    "flaws_mm",
    "face_photo",
    "face_corners_px",
    "pixels",
    "card_x_px",
    "card_y_px",
    "card_half_px",
    "card_lab",
    "face_notes",
)
#: Columns that a sheet must have; a block with length, height and depth alone gets one face of that size.
REQUIRED = ("id", "stone_type")
REQUIRED_OF_FACE = ("block", "outline_mm", "usable_depth_mm", "bed")

_OWN = {
    "block": "Block of the first sheet or of the project that has this face.",
    "face": "Name of the face; block.1, block.2 and so on where left empty.",
    "outline_mm": "Corners of the sound face as x y, x y, ... in mm; x along the bed.",
    "flaws_mm": "kind depth from start: x y, x y, x y; ... in mm; depth null = right through; kind and start may be left out.",
    "face_photo": "File name of the photo of the face; each block has its own.",
    "notes": "Remarks on the block.",
    "face_notes": "Remarks on the face.",
    "face_corners_px": "Pixels of the outline's box: lower left, lower right, upper right, upper left.",
    "pixels": "How pixels of the face photo were picked: upright (as every program shows it; also where left empty) or stored (before the turn by EXIF).",
    "card_x_px": "Grey card: middle, pixels.",
    "card_y_px": "Grey card: middle, pixels.",
    "card_half_px": "Grey card: half its size, pixels.",
    "card_lab": "Grey card: L a b (CIELAB D50).",
    **{
        column: f"{ACCEPTANCE_CHECKS[name].capitalize()}. One of: pass, fail, not done, not needed."
        for column, name in CHECK_COLUMNS.items()
    },
}


def contract_column(column: str) -> Column | None:
    """The column of the tables that a column of the inventory fills, where it is a plain value."""
    if column in ("outline_mm", "flaws_mm", "block", "face"):
        return None
    name = column.removesuffix("_mm") + "_m" if column.endswith("_mm") else column
    table = BLOCKS if column in OF_BLOCK else FACES
    return table.column(name) if name in table.names else None


def sheet_columns(sheet: str) -> tuple[str, ...]:
    """All columns of a sheet, in order."""
    return (*OF_BLOCK, *OF_FACE) if sheet == BLOCK_SHEET else ("block", *OF_FACE)


def column_help(sheet: str = BLOCK_SHEET) -> dict[str, str]:
    """What each column of a sheet means, from the contract of the tables."""
    required = REQUIRED if sheet == BLOCK_SHEET else REQUIRED_OF_FACE
    words = {}
    for column in sheet_columns(sheet):
        known = contract_column(column)
        text = _OWN.get(column) or (known.meaning if known else "")
        if known is not None and known.choices:
            text += " One of: " + ", ".join(known.choices) + "."
        words[column] = text + (" Required." if column in required else "")
    return words


def faces_beside(path: Path) -> Path:
    """The file of further faces beside a CSV of blocks."""
    return path.with_name(f"{path.stem}_faces.csv")


def no_formula(value: Any) -> Any:
    """Text that a spreadsheet would run as a formula gets a mark before it; all else stays as it is.

    Parameters
    ----------
    value : any
        What is to stand in a cell.

    Examples
    --------
    >>> no_formula("=1+1"), no_formula("B-01"), no_formula(-0.2)
    ("'=1+1", 'B-01', -0.2)
    """
    return "'" + value if isinstance(value, str) and value.startswith(FORMULA_STARTS) else value
