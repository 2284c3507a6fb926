"""What changed since a moment, and edits that are made once however often they are sent."""

from __future__ import annotations

import contextlib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import shapely

from facademap.store.cells import UNREADABLE, outline_from_blob
from facademap.store.database import in_plain_words
from facademap.store.dialect import dialect_of
from facademap.store.edit import Edit, read_entry, table_named
from facademap.store.project import Project
from facademap.store.team_row_rules import need_whole_edit

__all__ = [
    "Change",
    "changed_elsewhere",
    "changes_after",
    "changes_of",
    "contents_of",
    "edit_once",
    "newest_change",
    "outlines_near",
    "rows_naming",
    "rows_where",
    "steps_of",
    "transactions_of",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One line of the history without its contents."""

    seq: int
    txn: str
    at: str
    who: str
    what: str
    undoes: str | None
    table: str
    id: str
    op: str
    rev: int


_COLUMNS = "seq, txn, at, who, what, undoes, table_name, row_id, op, rev"


def _changes(project: Project, clause: str, values: tuple[object, ...]) -> list[Change]:
    with in_plain_words(project.path):
        rows = project._connection.execute(
            f"SELECT {_COLUMNS} FROM edit_log WHERE {clause}", values
        ).fetchall()
    return [_change(r) for r in rows]


def _change(r: tuple[Any, ...]) -> Change:
    return Change(
        seq=r[0],
        txn=r[1],
        at=r[2],
        who=r[3],
        what=r[4],
        undoes=r[5],
        table=r[6],
        id=r[7],
        op=r[8],
        rev=r[9],
    )


def newest_change(project: Project) -> int:
    """Number of the last change, 0 for a project that was never touched."""
    with in_plain_words(project.path):
        return int(
            project._connection.execute("SELECT coalesce(max(seq), 0) FROM edit_log").fetchone()[0]
        )


def changed_elsewhere(project: Project, after: int, *, than: Iterable[str]) -> bool:
    """Whether anything was changed later than ``after`` in tables other than those named."""
    names = list(than)
    with in_plain_words(project.path):
        found = project._connection.execute(
            f"SELECT 1 FROM edit_log WHERE seq > ? AND table_name NOT IN ({','.join('?' * len(names))}) LIMIT 1",
            (after, *names),
        ).fetchone()
    return found is not None


def changes_after(project: Project, seq: int, *, most: int = 5000) -> list[Change]:
    """Changes later than ``seq``, oldest first, at most ``most`` of them."""
    return _changes(project, "seq > ? ORDER BY seq LIMIT ?", (seq, most))


def changes_of(project: Project, txn: str) -> list[Change]:
    """Changes of one transaction in the order they were made; empty when there is none of that name."""
    return _changes(project, "txn = ? ORDER BY seq", (txn,))


def transactions_of(
    project: Project, who: str, *, prefix: str, most: int = 50_000
) -> list[tuple[str, str, str | None]]:
    """Transactions of one person whose names begin alike, oldest first: name, what was done, the one it takes back."""
    with in_plain_words(project.path):
        rows = project._connection.execute(
            "SELECT txn, what, undoes FROM (SELECT txn, min(what) AS what, min(undoes) AS undoes, min(seq) AS first "
            "FROM edit_log WHERE txn >= ? AND txn < ? AND who = ? GROUP BY txn ORDER BY first DESC LIMIT ?) AS newest "
            "ORDER BY first",
            (prefix, prefix + chr(0x10FFFF), who, most),
        ).fetchall()
    return [(r[0], r[1], r[2]) for r in rows]


def contents_of(
    project: Project, txn: str
) -> list[tuple[Change, dict[str, Any] | None, dict[str, Any] | None]]:
    """Changes of one transaction in the order they were made, each with its row before and after."""
    with in_plain_words(project.path):
        rows = project._connection.execute(
            f"SELECT {_COLUMNS}, before, after FROM edit_log WHERE txn = ? ORDER BY seq", (txn,)
        ).fetchall()
        if project.in_database:
            need_whole_edit(project._connection, txn, len(rows))
    return [
        (
            _change(r),
            read_entry(r[10], r[0]),
            read_entry(r[11], r[0]),
        )
        for r in rows
    ]


@contextlib.contextmanager
def edit_once(
    project: Project,
    key: str,
    *,
    who: str,
    what: str,
    undoes: str | None = None,
    apart: bool = False,
    numbers: Mapping[str, int] | None = None,
) -> Iterator[Edit | None]:
    """One transaction whose name is given by the sender; ``None`` when it was made already.

    A sender that did not hear the answer sends again, and nothing is done twice. ``apart`` and ``numbers`` as of
    :meth:`Project.edit`.
    """
    with project.edit(who=who, what=what, undoes=undoes, apart=apart, numbers=numbers) as edit:
        if changes_of(project, key):
            yield None
            return
        edit.txn = key
        yield edit


def rows_where(project: Project, table_name: str, column: str, value: str) -> list[dict[str, Any]]:
    """Rows with that value in a column; no frame is built, so that one edit stays quick."""
    table = table_named(table_name)
    name = table.column(column).name
    with in_plain_words(project.path):
        found = project._connection.execute(
            f'SELECT "id" FROM "{table.name}" WHERE "{name}" = ? ORDER BY "fid"', (value,)
        ).fetchall()
    return [project.row(table.name, row_id) for (row_id,) in found]


def steps_of(project: Project, table_name: str, column: str) -> list[tuple[str, str | None, str]]:
    """Transactions that turned a yes-or-no column of some row on, oldest first: name, the one it takes back, that row."""
    table = table_named(table_name)
    turned_on = dialect_of(project._connection).turned_on(table.column(column).name)
    with in_plain_words(project.path):
        rows = project._connection.execute(
            f"SELECT txn, undoes, row_id FROM edit_log WHERE table_name = ? AND {turned_on} ORDER BY seq",
            (table.name,),
        ).fetchall()
    return [(r[0], r[1], r[2]) for r in rows]


def rows_naming(
    project: Project, table_name: str, column: str, id: str, *, many: bool = False
) -> list[dict[str, Any]]:
    """Rows that name an id in a column, which may hold a list of names."""
    if not many:
        return rows_where(project, table_name, column, id)
    table = table_named(table_name)
    holds = dialect_of(project._connection).holds(table.column(column).name)
    with in_plain_words(project.path):
        found = project._connection.execute(
            f'SELECT "id" FROM "{table.name}" WHERE {holds} ORDER BY "fid"',
            (id,),
        ).fetchall()
    return [project.row(table.name, row_id) for (row_id,) in found]


def outlines_near(
    project: Project, table_name: str, *, surface: str, box: tuple[float, float, float, float]
) -> list[tuple[str, shapely.Geometry]]:
    """Ids and outlines on a surface whose bounding boxes meet a box; no frame is built, so that one edit stays quick."""
    table = table_named(table_name)
    dialect = dialect_of(project._connection)
    within, values = dialect.within(table, box)
    with in_plain_words(project.path):
        found = project._connection.execute(
            f'SELECT "id", {dialect.outline} FROM "{table.name}" WHERE "surface" = ? AND {within} ORDER BY "id"',
            (surface, *values),
        ).fetchall()
    try:
        shapes = [(row_id, outline_from_blob(table, blob)) for row_id, blob in found]
    except UNREADABLE as error:
        raise project._damaged(table, error) from None
    return [(row_id, shape) for row_id, shape in shapes if shape is not None]
