"""What one running server holds: the project, its single writer, readers, jobs, and news for waiting pages."""

from __future__ import annotations

import asyncio
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from facademap.errors import ProjectError
from facademap.store.changes import newest_change
from facademap.store.draft import LARGE
from facademap.store.project import Project
from facademap.store.team import limit_now, limited_to

if TYPE_CHECKING:
    from facademap.store.team_news import Listener

__all__ = ["Desk"]

#: How often the file is looked at for edits by other programs, such as a command at the terminal.
LOOK_EVERY_S = 1.0
#: The same for a database, where other servers have desks of their own that are drawn on.
LOOK_EVERY_SHARED_S = 0.3
#: The same while the database tells of edits by itself: against a word that was lost.
LOOK_EVERY_TOLD_S = 10.0
#: Waiting pages look together at this beat, so that one answer serves them all.
BEAT_S = 0.2
#: Readers of a thread for people who are limited to some elevations, each for one choice of them.
MOST_LIMITS = 4


class Desk:
    """Shared by all requests. One connection writes, each thread reads by one of its own."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._writer = Project.open(folder)
        self._writing = threading.Lock()
        self._readers = threading.local()
        self._all_readers: list[Project] = []
        self._seq = newest_change(self._writer)
        self._looked_at = time.monotonic()
        self._stopping = self._told = False
        self._listener: Listener | None = None
        if self._writer.in_database:  # only then psycopg is needed
            from facademap.store.team_news import listener_of

            self._listener = listener_of(self._writer, self._hear)

    def _hear(self) -> None:
        self._told = True

    @property
    def hears(self) -> bool:
        """Whether the database tells this server of the edits of others."""
        return self._listener is not None and self._listener.hears

    def _is_to_look(self) -> bool:
        if self._told:
            return True
        if self.hears:
            every = LOOK_EVERY_TOLD_S
        else:
            every = LOOK_EVERY_SHARED_S if self.in_database else LOOK_EVERY_S
        return time.monotonic() - self._looked_at > every

    @contextmanager
    def writing(self, *, rows: int = 1) -> Iterator[Project]:
        """The project for one edit; others wait their turn, but not for one of so many rows that it is made apart."""
        if rows > LARGE or limit_now() is not None:
            # a connection of its own: beside the others, or limited by the database
            with Project.open(self.folder) as project:
                yield project
                self._seq = max(self._seq, newest_change(project))
            return
        with self._writing:
            yield self._writer
            self._seq = newest_change(self._writer)

    def reading(self) -> Project:
        """The project for reading, never blocked by a writer."""
        of_thread = self._readers.__dict__.setdefault("by_limit", {})
        limit = limit_now()
        found: Project | None = of_thread.get(limit)
        if found is None:
            while len(of_thread) > MOST_LIMITS:
                self._forget_reader(of_thread, next(k for k in of_thread if k is not None))
            found = of_thread[limit] = Project.open(self.folder, read_only=True)
            self._all_readers.append(found)
        return found

    def _forget_reader(self, of_thread: dict[Any, Project], limit: Any) -> None:
        gone = of_thread.pop(limit)
        self._all_readers.remove(gone)
        gone.close()

    @property
    def in_database(self) -> bool:
        """Whether the rows lie in a database."""
        return self._writer.in_database

    @property
    def known(self) -> int:
        """Number of the newest change that is known, without looking."""
        return self._seq

    def seq(self) -> int:
        """Number of the newest change, as far as known."""
        if self._is_to_look():
            # before the look: a word that comes during it asks for another
            self._told = False
            try:
                with limited_to(None):  # the number of the newest change is that of all
                    self._seq = max(self._seq, newest_change(self.reading()))
            except ProjectError:
                # a database that is away for a while is no news; who reads or edits hears of it
                if not self._writer.in_database:
                    raise
            self._looked_at = time.monotonic()
        return self._seq

    async def wait_for_change(self, after: int, *, seconds: float) -> int:
        """Wait until something changed after ``after``, or the time is up."""
        end = time.monotonic() + seconds
        while (seq := self.seq()) <= after and time.monotonic() < end and not self._stopping:
            await asyncio.sleep(BEAT_S - time.monotonic() % BEAT_S)
        return seq

    def stop_waiting(self) -> None:
        """Let waiting pages go, so that the server can end at once."""
        self._stopping = True

    def setting(self, name: str, default: Any = None) -> Any:
        """One project setting."""
        return self.reading().setting(name, default)

    def close(self) -> None:
        """Close every connection."""
        if self._listener is not None:
            self._listener.close()
        with self._writing:
            for reader in self._all_readers:
                reader.close()
            self._writer.close()
