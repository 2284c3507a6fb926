"""What bringing a project of an older version up to date would change, found without changing anything of it."""

from __future__ import annotations

import contextlib
import logging
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from facademap.io.whole_files import STORE_NAME
from facademap.store.damage import missing_parts
from facademap.store.database import connect, copy_in_memory, in_plain_words
from facademap.store.schema import SCHEMA_VERSION, bring_up_to_date, version_of
from facademap.store.styles import styles_are_old
from facademap.store.team_address import TEAM_FILE

__all__ = ["Upgrade", "foresee_upgrade"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Upgrade:
    """What an upgrade of a project changes.

    Parameters
    ----------
    version : int
        Version of its tables now.
    wanted : int
        Version that this facademap writes.
    tables, columns : tuple of str
        Those that it lacks.
    edits : tuple of (str, int)
        What the history will say, with the number of rows that change.
    signs : bool
        Whether signs of a GIS, or the rules of a database for its roles, are made anew.
    """

    version: int
    wanted: int = SCHEMA_VERSION
    tables: tuple[str, ...] = ()
    columns: tuple[str, ...] = ()
    edits: tuple[tuple[str, int], ...] = ()
    signs: bool = False

    @property
    def is_needed(self) -> bool:
        """Whether anything would change."""
        return self.version < self.wanted or self.signs


def foresee_upgrade(folder: Path) -> Upgrade:
    """What would change, were the project opened for writing by this facademap.

    A project in a file is brought up to date in memory and compared; one in a database is only asked what it lacks.

    Raises
    ------
    FileError, ProjectError
        There is no project; it is newer, cannot be read, or its database cannot be reached.
    """
    path = folder / STORE_NAME
    if not path.exists() and (folder / TEAM_FILE).exists():
        return _of_team(folder)
    with contextlib.closing(connect(path, read_only=True)) as connection, in_plain_words(path):
        version = version_of(connection, folder)
        old = styles_are_old(connection)
        if version == SCHEMA_VERSION:
            return Upgrade(version=version, signs=old)
        tables, columns = _lacking(connection)
        with contextlib.closing(copy_in_memory(connection)) as copy, _unsaid():
            (last,) = copy.execute("SELECT coalesce(max(seq), 0) FROM edit_log").fetchone()
            bring_up_to_date(copy, folder, version)
            edits = copy.execute(
                "SELECT what, count(*) FROM edit_log WHERE seq > ? GROUP BY what ORDER BY min(seq)",
                (last,),
            ).fetchall()
    return Upgrade(
        version=version,
        tables=tables,
        columns=columns,
        edits=tuple((str(what), int(count)) for what, count in edits),
        signs=True,
    )


def _of_team(folder: Path) -> Upgrade:
    from facademap.store.team_row_rules import missing_rules
    from facademap.store.team_schema import looked_at

    with looked_at(folder) as (connection, version):
        tables, columns = _lacking(connection) if version < SCHEMA_VERSION else ((), ())
        return Upgrade(
            version=version, tables=tables, columns=columns, signs=missing_rules(connection)
        )


def _lacking(connection: Any) -> tuple[tuple[str, ...], tuple[str, ...]]:
    tables, columns = [], []
    for table, lacking in missing_parts(connection):
        if lacking:
            columns += [f"{table.name}.{name}" for name in lacking]
        else:
            tables.append(table.name)
    return tuple(tables), tuple(columns)


@contextlib.contextmanager
def _unsaid() -> Iterator[None]:
    """What is only tried is not told as done."""
    log = logging.getLogger("facademap")
    before, log.disabled = log.disabled, True
    try:
        yield
    finally:
        log.disabled = before
