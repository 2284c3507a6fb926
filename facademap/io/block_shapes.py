"""Blocks outlined in their photos (GeoJSON of ``outline-block``) as rows of the inventory."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from facademap.errors import InputError
from facademap.io.block_columns import BLOCK_SHEET, sheet_columns
from facademap.io.csv_tables import read_text_file
from facademap.plain_texts import parse_json

__all__ = ["SHAPE_ENDINGS", "block_lines_from_geojson"]

SHAPE_ENDINGS = (".geojson", ".json")


def block_lines_from_geojson(path: Path) -> list[tuple[str, dict[str, str]]]:
    """Place for messages and cells of each feature, by the columns of the inventory.

    Parameters
    ----------
    path : Path
        FeatureCollection whose properties have the names of our columns; the outline in pixels is not used, since
        ``outline_mm`` is the same outline measured.

    Raises
    ------
    FileError, InputError
        Unreadable, or features without an outline in millimetres.
    """
    text = read_text_file(path, what="inventory of blocks")
    remedy = "Give the file that outline-block has written."
    try:
        features = parse_json(text, where=path.name, remedy=remedy)["features"]
        rows = [f["properties"] for f in features]
    except (KeyError, TypeError):
        raise InputError(
            f"{path.name}: is no GeoJSON of outlines",
            remedy,
        ) from None
    if not rows:
        raise InputError(f"{path.name}: has no outlines", "Outline the blocks first.")
    lines = []
    for number, row in enumerate(rows, start=1):
        where = f"{path.name}, feature {number}"
        if not isinstance(row, dict) or not row.get("outline_mm"):
            raise InputError(
                f"{where}: has no outline in millimetres",
                "Outline the face with facademap outline-block, which measures it.",
            )
        cells = {c: _text(row[c]) for c in sheet_columns(BLOCK_SHEET) if row.get(c) is not None}
        if not cells.get("usable_depth_mm"):
            raise InputError(
                f"{where}: how deep {cells.get('id', 'the block')} is sound cannot be seen on a photo",
                "Give outline-block --depth-mm, or the property usable_depth_mm.",
            )
        lines.append((where, {"stone_type": "", **cells}))
    return lines


def _text(value: Any) -> str:
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    return str(value)
