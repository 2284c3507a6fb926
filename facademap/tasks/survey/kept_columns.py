"""An office's own names of columns, given once and kept in the project."""

from __future__ import annotations

from dataclasses import replace

from facademap.io.csv_tables import TableWords
from facademap.store.edit import Edit
from facademap.store.project import Project

__all__ = ["keep_columns", "with_kept_columns"]

_SETTING = "column_names"


def with_kept_columns(project: Project, kind: str, words: TableWords | None) -> TableWords:
    """What the user says of a table, with the column names that the project keeps for tables of this kind."""
    words = words or TableWords()
    kept = (project.setting(_SETTING, {}) or {}).get(kind, {})
    return replace(words, columns={**kept, **words.columns})


def keep_columns(project: Project, edit: Edit, kind: str, words: TableWords) -> None:
    """Keep the column names of this kind of table, as part of the edit that used them."""
    if not words.columns:
        return
    kept = project.setting(_SETTING, {}) or {}
    if kept.get(kind) != dict(words.columns):
        edit.set(_SETTING, {**kept, kind: dict(words.columns)})
