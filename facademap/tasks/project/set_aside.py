"""Set damaged rows aside, so that the rest can be worked with; they are kept, and can be put back."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from facademap.errors import InputError
from facademap.store.damage import Damage
from facademap.store.edit import table_named
from facademap.store.gate import judge_return, names_of
from facademap.store.project import Project
from facademap.tables import TABLES

__all__ = ["ALL", "put_back_in", "put_rows_back", "set_aside_in", "set_rows_aside"]

#: Word for every damaged row, and for every part of the file that is missing.
ALL = "all"


def set_rows_aside(
    folder: str | Path, which: Sequence[str], *, who: str = "facademap check"
) -> dict[str, Any]:
    """Set damaged rows aside in one edit; what is not damaged is refused.

    Parameters
    ----------
    which : sequence of str
        ``TABLE:ROW`` as the check names them, or ``all``. With ``all`` missing tables and columns are made again, empty.

    Returns
    -------
    dict
        ``rows`` (table, row, fields, and ``named_by``: table, row and column of what still names it), ``made`` (tables and
        columns made again) and ``key``, which puts the rows back.

    Raises
    ------
    InputError
        There is no such row, or it is not damaged: sound rows are deleted, not set aside.
    """
    with Project.open(folder) as project:
        return set_aside_in(project, which, who=who)


def set_aside_in(project: Project, which: Sequence[str], *, who: str) -> dict[str, Any]:
    """:func:`set_rows_aside` in a project that is open for writing."""
    made = project.make_missing_parts() if ALL in which else []
    wanted = _damaged_rows(project, which)
    if not wanted:
        return {"rows": [], "made": made, "key": None}
    with project.edit(who=who, what=f"set {len(wanted)} damaged row(s) aside") as edit:
        for cells in wanted:
            edit.set_aside(cells[0].table, cells[0].fid, row=cells[0].row)
    rows = [
        {
            "table": cells[0].table,
            "row": cells[0].row,
            "fields": [c.field for c in cells],
            "named_by": [
                {"table": table, "row": id, "column": column}
                for (table, id), column in names_of(project, (cells[0].table, cells[0].row))
            ],
        }
        for cells in wanted
    ]
    return {"rows": rows, "made": made, "key": edit.txn}


def put_rows_back(folder: str | Path, key: str, *, who: str = "facademap check") -> list[str]:
    """Put back what one edit set aside, damage and all; returns the names of the rows.

    Raises
    ------
    InputError
        Nothing was set aside by this edit, or it was put back already.
    """
    with Project.open(folder) as project:
        return put_back_in(project, key, who=who)


def put_back_in(project: Project, key: str, *, who: str) -> list[str]:
    """:func:`put_rows_back` in a project that is open for writing."""
    names = project.set_aside_by(key)
    if not names:
        raise InputError(
            f"no rows are set aside by {key[:40]!r}",
            "Use the key that facademap check --set-aside told.",
        )
    with project.edit(who=who, what="put back what was set aside", undoes=key) as edit:
        project.turn_back(edit, key)
        judge_return(project, edit.txn)
    return names


def _damaged_rows(project: Project, which: Sequence[str]) -> list[list[Damage]]:
    """The damaged cells of each row that is to go."""
    found: dict[tuple[str, int], list[Damage]] = {}
    named = [_named(word) for word in which if word != ALL]
    tables = TABLES if ALL in which else {table for table, _ in named}
    for name in tables:
        for cell in project.damage(name):
            found.setdefault((name, cell.fid), []).append(cell)
    rows = list(found.values())
    if ALL in which:
        return rows
    chosen = [cells for cells in rows if (cells[0].table, cells[0].row) in named]
    known = {(cells[0].table, cells[0].row) for cells in chosen}
    for table, row in named:
        if (table, row) not in known:
            raise InputError(
                f"table {table}: row {row!r:.80} is not damaged, or not there",
                "Name a row as facademap check names it; what is sound is deleted, not set aside.",
            )
    return chosen


def _named(word: str) -> tuple[str, str]:
    table, mark, row = word.partition(":")
    if not mark or not row:
        raise InputError(f"{word[:80]!r} names no row", "Write TABLE:ROW, or all.")
    return table_named(table).name, row
