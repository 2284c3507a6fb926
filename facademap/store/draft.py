"""Large edits: drafted and judged on a copy in memory, then stored under the writer's lock in one go.

Judging a row costs some tenths of a millisecond, storing it some hundredths. Whoever draws meanwhile waits for the storing
alone.
"""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Callable, Iterable, Iterator, Mapping
from typing import Any, TypeVar

from facademap.errors import ConflictError
from facademap.tables import TABLES

__all__ = [
    "LARGE",
    "MOST_BYTES",
    "MovedOnError",
    "Recorder",
    "copied",
    "hand_back",
    "may_stand",
    "reserve",
    "store_drafted",
]

#: An edit of more rows than this is drafted first; a smaller one is done before a copy would be made.
LARGE = 40
#: A larger file is not copied into memory; its edits are judged under the lock.
MOST_BYTES = 300_000_000
TRIES = 3
_PLAN_SIDE = frozenset(
    {"repairs", "pieces", "blocks", "faces", "placements", "plans", "work_log", "reviews"}
)
#: Tables whose rows an edit of a table was judged by, beside those that it names. A table that is not here rests on all.
_RESTS_ON: Mapping[str, frozenset[str]] = {
    "conditions": frozenset({"openings", "wall_stones"}),
    "wall_stones": frozenset({"wall_stones", "conditions"}),
    "openings": frozenset({"openings", "conditions"}),
    "settings": frozenset(),
    **dict.fromkeys(_PLAN_SIDE, _PLAN_SIDE),
}
_READS = ("SELECT", "PRAGMA", "BEGIN", "COMMIT", "ROLLBACK")
Done = TypeVar("Done")


class MovedOnError(ConflictError):
    """Others changed what a draft rests on while it was made."""


class Recorder:
    """A connection that keeps every statement by which something was changed.

    Attributes
    ----------
    script : list of (sql, rows of values)
        In order; what follows each other and is alike stands together.
    """

    def __init__(self, connection: sqlite3.Connection) -> None:
        self.connection = connection
        self.script: list[tuple[str, list[Any]]] = []

    def execute(self, sql: str, values: Any = ()) -> sqlite3.Cursor:
        """As of a connection."""
        done = self.connection.execute(sql, values)
        self._keep(sql, [values])
        return done

    def executemany(self, sql: str, rows: Iterable[Any]) -> sqlite3.Cursor:
        """As of a connection."""
        rows = list(rows)
        done = self.connection.executemany(sql, rows)
        self._keep(sql, rows)
        return done

    def __getattr__(self, name: str) -> Any:
        return getattr(self.connection, name)

    def _keep(self, sql: str, rows: list[Any]) -> None:
        if sql.lstrip().upper().startswith(_READS):
            return
        if self.script and self.script[-1][0] == sql:
            self.script[-1][1].extend(rows)
        else:
            self.script.append((sql, rows))

    def play(self, live: sqlite3.Connection) -> None:
        """Do the same again on another connection."""
        for sql, rows in self.script:
            if len(rows) == 1:
                live.execute(sql, rows[0])
            elif rows:
                live.executemany(sql, rows)


def store_drafted(work: Callable[[bool], Done], *, large: bool = True) -> Done:
    """Do an edit apart, again when others were quicker, and at last under the lock.

    Parameters
    ----------
    work : callable
        Does the whole edit, told whether apart; it may be called several times.
    large : bool
        Whether the edit is worth a copy.
    """
    for _ in range(TRIES if large else 0):
        try:
            return work(True)
        except MovedOnError:
            continue
    return work(False)


def reserve(live: sqlite3.Connection, numbers: Mapping[str, int]) -> dict[str, range]:
    """Take numbers of series beforehand, so that others who draw meanwhile get later ones."""
    taken: dict[str, range] = {}
    for prefix, count in numbers.items():
        (last,) = live.execute(
            "INSERT INTO facademap_numbers VALUES (?1, ?2) ON CONFLICT (prefix) DO UPDATE SET last = last + ?2 "
            "RETURNING last",
            (prefix, count),
        ).fetchone()
        taken[prefix] = range(last - count + 1, last + 1)
    return taken


def hand_back(live: sqlite3.Connection, taken: Mapping[str, range]) -> None:
    """Give numbers back that were not used, where nobody took later ones."""
    for prefix, numbers in taken.items():
        live.execute(
            "UPDATE facademap_numbers SET last = ? WHERE prefix = ? AND last = ?",
            (numbers.start - 1, prefix, numbers.stop - 1),
        )
        live.execute("DELETE FROM facademap_numbers WHERE prefix = ? AND last = 0", (prefix,))


def may_stand(
    live: sqlite3.Connection, draft: sqlite3.Connection, *, txn: str, reserved: Iterable[str]
) -> bool:
    """Whether an edit that was judged on a copy would be judged the same on the file as it is now."""
    (seen,) = draft.execute(
        "SELECT coalesce(max(seq), 0) FROM edit_log WHERE txn <> ?", (txn,)
    ).fetchone()
    query = "SELECT table_name, row_id, op, txn FROM edit_log WHERE seq > ?"
    theirs = live.execute(query, (seen,)).fetchall()
    if any(t == txn for *_, t in theirs):
        return False
    ours = draft.execute(
        "SELECT table_name, row_id, op FROM edit_log WHERE txn = ?", (txn,)
    ).fetchall()
    rests = _rests_on({t for t, *_ in ours}, only_new=all(op == "insert" for *_, op in ours))
    rows = {(t, id) for t, id, _ in ours}
    return not any(
        (table, id) in rows or table in rests[op == "delete"] for table, id, op, _ in theirs
    ) and _same_numbers(live, draft, set(reserved))


def _rests_on(tables: set[str], *, only_new: bool) -> tuple[frozenset[str], frozenset[str]]:
    """Tables in which a change matters to an edit of some tables, and those in which a deletion does."""
    changed = {"settings"}
    for name in tables:
        changed |= _RESTS_ON.get(name, frozenset(TABLES))
    named = {c.refers for n in tables for c in TABLES[n].columns if c.refers}
    if not only_new:
        changed |= {t.name for t in TABLES.values() if any(c.refers in tables for c in t.columns)}
    return frozenset(changed), frozenset(changed | named)


def _same_numbers(live: sqlite3.Connection, draft: sqlite3.Connection, reserved: set[str]) -> bool:
    """Whether nobody took a number of a series from which the draft took one that was not reserved."""
    query = "SELECT prefix, last FROM facademap_numbers"
    now, then = dict(live.execute(query)), dict(draft.execute(f"{query}_before"))
    used = {p for p, last in draft.execute(query) if last != then.get(p)} - reserved
    return all(now.get(p) == then.get(p) for p in used)


@contextlib.contextmanager
def copied(
    live: sqlite3.Connection, copy: Callable[[sqlite3.Connection], sqlite3.Connection]
) -> Iterator[Recorder]:
    """The file as it is now, in memory, gone when the body ends."""
    draft = copy(live)
    try:
        draft.execute(
            "CREATE TEMP TABLE facademap_numbers_before AS SELECT * FROM facademap_numbers"
        )
        yield Recorder(draft)
    finally:
        draft.close()
