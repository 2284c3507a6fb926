"""Sessions that the database keeps, so that several servers share them and a removal ends them everywhere."""

from __future__ import annotations

import threading
import time
from collections import OrderedDict

from facademap.store.team_people import PeopleBook, TeamSession
from facademap.web.sessions import IDLE_S, LONGEST_S, Pass, Session

__all__ = ["TeamSessions"]

#: For so long a page that only looks is let in without asking the database again; whoever changes something is asked for each time.
REMEMBERED_S = 0.5
_MOST_REMEMBERED = 1000


class TeamSessions:
    """As :class:`facademap.web.sessions.Sessions`, over the accounts of a database.

    Parameters
    ----------
    book : PeopleBook
    """

    def __init__(self, book: PeopleBook) -> None:
        self._book = book
        self._lock = threading.Lock()
        self._seen: OrderedDict[str, tuple[float, Pass]] = OrderedDict()

    def open(
        self, *, kind: str, name: str, address: str = "", browser: str = "", link: str = ""
    ) -> str:
        """Begin a session of a person whose secret was right."""
        return self._book.open_session(name, lasts_s=LONGEST_S, address=address, browser=browser)

    def find(self, token: str, *, fresh: bool = False) -> Pass | None:
        """What a token opens now; ``None`` for nothing. ``fresh`` asks the database whatever is remembered."""
        if not token or len(token) > 200:
            return None
        with self._lock:
            kept = self._seen.get(token)
        if kept is not None and not fresh and time.monotonic() - kept[0] < REMEMBERED_S:
            return kept[1]
        found = self._book.session(token, idle_s=IDLE_S)
        with self._lock:
            self._seen.pop(token, None)
            if found is None:
                return None
            granted = _pass_of(found)
            self._seen[token] = (time.monotonic(), granted)
            while len(self._seen) > _MOST_REMEMBERED:
                self._seen.popitem(last=False)
        return granted

    def forget(self) -> None:
        """Ask the database anew about everybody: what somebody may do has changed."""
        with self._lock:
            self._seen.clear()

    def end(self, id: str) -> bool:
        """End one session; whether there was one."""
        self.forget()
        return self._book.end_session(id)

    def all(self) -> list[Session]:
        """Those that last, used last first."""
        return [
            Session(
                id=s.id,
                digest="",
                kind=_kind(s),
                name=s.name,
                opened_at=s.opened_at,
                seen_at=s.seen_at,
                address=s.address,
                browser=s.browser,
            )
            for s in self._book.sessions()
        ]


def _kind(session: TeamSession) -> str:
    return "review" if session.role == "reviewer" else "write"


def _pass_of(session: TeamSession) -> Pass:
    return Pass(
        kind=_kind(session),
        name=session.name,
        session=session.id,
        role=session.role,
        elevations=session.elevations,
    )
