"""Frames as plain rows and back, quickly: a plan of one repair must answer at once."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import geopandas as gpd
import pandas as pd

from facademap.tables import Table

__all__ = ["frame_of", "rows_of"]


def rows_of(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Every row as a mapping of column name to value; the geometry, whatever its column's name, under ``geometry``."""
    shape = frame.geometry.name if isinstance(frame, gpd.GeoDataFrame) else None
    names = ["geometry" if c == shape else str(c) for c in frame.columns]
    columns = [list(frame[c].array) for c in frame.columns]
    return [dict(zip(names, values, strict=True)) for values in zip(*columns, strict=True)]


def frame_of(table: Table, rows: Sequence[dict[str, Any]], *, crs: Any) -> Any:
    """Rows as a frame that keeps the table's contract, geometry under ``geometry`` in the given reference system."""
    if not rows:
        return table.empty()
    checked: Any = table.check(
        pd.DataFrame(
            {
                name: pd.Series([r.get(name) for r in rows], dtype=object)
                for name in dict.fromkeys(k for r in rows for k in r)
            }
        )
    )
    return checked if crs is None else checked.set_crs(crs)
