"""Rows of a table as they are told: its own columns, nothing where nothing is kept."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from facademap.store.project import Project
from facademap.tables import TABLES, is_missing

__all__ = ["plain_row", "plain_rows"]


def plain_row(table: str, row: Mapping[Any, Any]) -> dict[str, Any]:
    """One row; ``None`` for what is missing.

    Parameters
    ----------
    table : str
    row : mapping
        With every column of the table.
    """
    return {n: None if is_missing(row[n]) else row[n] for n in TABLES[table].names}


def plain_rows(project: Project, table: str) -> list[dict[str, Any]]:
    """All rows of a table, by id.

    Parameters
    ----------
    project : Project
    table : str
    """
    return [plain_row(table, r) for r in project.read(table).sort_values("id").to_dict("records")]
