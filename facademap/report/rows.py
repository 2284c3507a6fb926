"""Rows of a frame as mappings."""

from __future__ import annotations

from typing import Any, cast

import pandas as pd

__all__ = ["rows_of"]


def rows_of(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Every row as a mapping of column to value, in order; the geometry as a shapely object."""
    return cast("list[dict[str, Any]]", pd.DataFrame(frame).to_dict("records"))
