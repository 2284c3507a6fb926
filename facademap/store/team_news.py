"""Hear of edits that other servers make, as the database tells them."""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Callable
from typing import Any

from facademap.errors import FacademapError
from facademap.store.dialect_postgis import NEWS
from facademap.store.project import Project
from facademap.store.team import TeamConnection, connect_team, in_team_words
from facademap.store.team_address import Address

__all__ = ["Listener", "listener_of"]

#: How soon a connection that was lost is tried again.
AGAIN_S = 1.0
#: How often the thread looks whether it is to end.
_LOOK_S = 1.0


class Listener:
    """Listens on a connection and a thread of its own, from now until :meth:`close`.

    Parameters
    ----------
    address : Address
        With the name of the project.
    on_news : callable
        Called in that thread when the project was changed, and whenever it begins to listen, since what came before
        was not heard.
    """

    def __init__(self, address: Address, on_news: Callable[[], None]) -> None:
        self._address, self._on_news = address, on_news
        self._end = threading.Event()
        #: Whether it hears at this moment.
        self.hears = False
        self._thread = threading.Thread(target=self._run, name="facademap news", daemon=True)
        self._thread.start()

    def close(self) -> None:
        """Stop listening."""
        self._end.set()
        self._thread.join(timeout=2 * _LOOK_S)

    def _run(self) -> None:
        while not self._end.is_set():
            # a database that is away is no news; whoever reads or edits hears of it
            with (
                contextlib.suppress(FacademapError),
                in_team_words(self._address),
                contextlib.closing(connect_team(self._address)) as raw,
            ):
                self._listen(raw)
            self.hears = False
            self._end.wait(AGAIN_S)

    def _listen(self, raw: Any) -> None:
        raw.execute(f"LISTEN {NEWS}")
        self.hears = True
        self._on_news()
        while not self._end.is_set():
            for told in raw.notifies(timeout=_LOOK_S):
                if told.payload == self._address.project:
                    self._on_news()


def listener_of(project: Project, on_news: Callable[[], None]) -> Listener | None:
    """A listener for a project that lies in a database; none for one in a file, which tells nobody."""
    connection: Any = project._connection
    return Listener(connection.address, on_news) if isinstance(connection, TeamConnection) else None
