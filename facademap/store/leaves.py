"""Rows of a table leaf by leaf: those of some walls, or of parts of them, counted, added up and handed out in their order."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from facademap.store.database import in_plain_words
from facademap.store.dialect import Box, dialect_of
from facademap.store.edit import table_named
from facademap.store.project import Project

__all__ = ["bounds_of_walls", "counted_rows", "leaf_of_rows"]

#: Conditions in one pair of brackets; a longer chain is deeper than SQLite reads.
_CHAIN = 40


def leaf_of_rows(
    project: Project,
    table_name: str,
    *,
    walls: Mapping[str, Box | None] | None,
    equal: Mapping[str, Any],
    days: tuple[str, str, str] | None,
    first: int,
    most: int,
) -> tuple[int, list[dict[str, Any]]]:
    """Some rows of a table, in the order they were added.

    Parameters
    ----------
    project : Project
    table_name : str
        A table whose rows lie on surfaces.
    walls : mapping of surface to box, or None
        Rows of these surfaces alone, and where there is a box (u and v, metres) only those whose outline meets it; all rows
        without.
    equal : mapping
        Columns and the value that they must have.
    days : (column, first day, last day), optional
        Rows of these days; a row without a day is among them.
    first, most : int
        How many rows are passed over, and how many come at most.

    Returns
    -------
    matched : int
        Rows that fit.
    rows : list of dict
        As :meth:`Project.row` gives them.
    """
    table = table_named(table_name)
    dialect = dialect_of(project._connection)
    clauses: list[str] = []
    values: list[Any] = []
    if walls is not None:
        if not walls:
            return 0, []
        parts = []
        for surface, box in walls.items():
            inside, bounds = ("1 = 1", []) if box is None else dialect.within(table, box)
            parts.append(f'("surface" = ? AND {inside})')
            values += [surface, *bounds]
        clauses.append(_any_of(parts))
    for name, value in equal.items():
        clauses.append(f'"{table.column(name).name}" = ?')
        values.append(value)
    if days is not None:
        column = table.column(days[0]).name
        clauses.append(f'("{column}" IS NULL OR ("{column}" >= ? AND "{column}" <= ?))')
        values += days[1:]
    where = f" WHERE {' AND '.join(clauses)}" if clauses else ""
    with in_plain_words(project.path):
        (matched,) = project._connection.execute(
            f'SELECT count(*) FROM "{table.name}"{where}', values
        ).fetchone()
        ids = project._connection.execute(
            f'SELECT "id" FROM "{table.name}"{where} ORDER BY "fid" LIMIT {int(most)} OFFSET {int(first)}',
            values,
        ).fetchall()
    rows = project.rows(table_name, [id for (id,) in ids])
    return int(matched), [rows[id] for (id,) in ids if id in rows]


def _any_of(parts: Sequence[str]) -> str:
    while len(parts) > 1:
        parts = [f"({' OR '.join(parts[n : n + _CHAIN])})" for n in range(0, len(parts), _CHAIN)]
    return parts[0]


def bounds_of_walls(project: Project, table_name: str) -> dict[str, tuple[int, Box | None]]:
    """How many rows of a table lie on each surface, and the box round their outlines (u and v, metres)."""
    table = table_named(table_name)
    with in_plain_words(project.path):
        rows = project._connection.execute(
            dialect_of(project._connection).bounds_of_walls(table)
        ).fetchall()
    return {
        str(surface): (
            int(count),
            None
            if box[0] is None
            else (float(box[0]), float(box[1]), float(box[2]), float(box[3])),
        )
        for surface, count, *box in rows
    }


def counted_rows(
    project: Project, table_name: str, by: Sequence[str], *, total: str = ""
) -> list[tuple[Any, ...]]:
    """How many rows of a table have the same values, counted where they lie.

    Parameters
    ----------
    project : Project
    table_name : str
    by : sequence of str
        Columns whose values are told apart.
    total : str
        A column of numbers to add up.

    Returns
    -------
    list of tuple
        The values, the number of rows, and with ``total`` its sum and how many rows say nothing of it.
    """
    table = table_named(table_name)
    names = ", ".join(f'"{table.column(name).name}"' for name in by)
    summed = f', sum("{table.column(total).name}"), count(*) - count("{total}")' if total else ""
    with in_plain_words(project.path):
        return [
            tuple(row)
            for row in project._connection.execute(
                f'SELECT {names}, count(*){summed} FROM "{table.name}" GROUP BY {names}'
            ).fetchall()
        ]
