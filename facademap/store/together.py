"""Edits of several projects of one database, stored in one transaction: all of them, or none."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Any

from facademap.errors import InputError, ProjectError
from facademap.store.project import Project
from facademap.store.shared_yard import team_connection
from facademap.store.team import TeamConnection, in_team_words

__all__ = ["stored_together"]


class _Together:
    """The one connection by which all of them write, and whose turn it is."""

    def __init__(self, raw: Any) -> None:
        self.raw = raw
        self.turn: object | None = None
        self.failed = False


class _Part(TeamConnection):
    """What one project sees of it; its edits end without being stored yet."""

    def __init__(self, live: TeamConnection, together: _Together) -> None:
        self._together = together
        self._paths = str(live.execute("SHOW search_path").fetchone()[0])
        super().__init__(live.address)

    def _connected(self) -> Any:
        return self._together.raw

    def begin(self) -> None:
        """Begin an edit of this project within the transaction that is open."""
        with in_team_words(self.address):
            self._alive()
            self._raw.execute(self.lock_of_writers())
            self._editing = True

    def close(self) -> None:
        """The connection is not this project's to close."""

    def _alive(self) -> None:
        if self._together.failed or self._raw.closed:
            raise _nothing_stored()
        if self._together.turn is not self:
            self._raw.execute("SELECT set_config('search_path', %s, true)", (self._paths,))
            self._together.turn = self

    def _finish(self, word: str) -> None:
        if word == "ROLLBACK":
            self._end()
            return
        self._alive()
        self._send(*([self._news] if self._news else []))
        self._forget()

    def _end(self) -> None:
        self._forget()
        self._together.failed = True


def _nothing_stored() -> ProjectError:
    return ProjectError(
        "a part of what was to be stored together failed; nothing of it was stored", "Do it again."
    )


@contextlib.contextmanager
def stored_together(projects: Sequence[Project]) -> Iterator[None]:
    """Let edits of several projects be stored when the body ends, all of them or none.

    Others who write in one of the projects wait meanwhile. What the body reads of a project holds what its edits did.

    Parameters
    ----------
    projects : sequence of Project
        Of one database, open for writing.

    Raises
    ------
    InputError
        They lie in different databases.
    ProjectError
        One of them is opened for reading only, or is in use by another writer.
    """
    live = {p: team_connection(p) for p in projects}
    if read_only := [p for p in projects if p.read_only]:
        raise ProjectError(
            f"{read_only[0].folder}: the project was opened for reading only",
            "Open it for writing.",
        )
    address = next(iter(live.values())).address
    database = replace(address, project="")
    if any(replace(c.address, project="") != database for c in live.values()):
        raise InputError(
            "the projects lie in different databases, or are reached by different addresses",
            "Name them all by one address, as postgresql://host/database#project.",
        )
    own = TeamConnection(address)
    together = _Together(own._raw)
    try:
        parts = {p: _Part(connection, together) for p, connection in live.items()}
        with in_team_words(address):
            together.raw.execute("BEGIN")
            # always in one order, so that two never wait for each other
            for part in sorted(parts.values(), key=lambda p: p.address.project):
                together.raw.execute(part.lock_of_writers())
        try:
            for project, part in parts.items():
                project._connection = part
            yield
        finally:
            for project, connection in live.items():
                project._connection = connection
        if together.failed:
            raise _nothing_stored()
        with in_team_words(address, committing=True):
            # a transaction in which something failed answers COMMIT by taking all back
            if together.raw.info.transaction_status.name == "INERROR":
                raise _nothing_stored()
            together.raw.execute("COMMIT")
    finally:
        own.close()  # what was not stored until here is not stored
