"""Who is signed in: random sessions of one project, kept on the server; the secret itself goes nowhere."""

from __future__ import annotations

import contextlib
import hashlib
import hmac
import json
import secrets
import threading
import time
from collections.abc import Callable, Iterable
from dataclasses import asdict, dataclass, replace
from pathlib import Path

from facademap.errors import FacademapError
from facademap.io.whole_files import write_whole

__all__ = ["IDLE_S", "LONGEST_S", "Pass", "Session", "Sessions"]

#: A session ends so long after it was used last, and so long after it was begun. A phone may be away for a long weekend.
IDLE_S, LONGEST_S = 4 * 86_400.0, 14 * 86_400.0
#: When a session was seen last is written down no more often.
WRITE_EVERY_S = 300.0
MOST_SESSIONS = 500
FILE = "sessions.json"


@dataclass(frozen=True, slots=True, kw_only=True)
class Pass:
    """What a request may do: ``write``, or ``review`` (read, and add reviews), and in detail what a role may.

    Parameters
    ----------
    kind : str
    name : str
        The person of the session; empty where nobody needs to sign in.
    session : str
        Public id of the session.
    role : str
        Of a person with an account; the secret of the team opens everything, a link of a reviewer what a reviewer may.
    elevations : tuple of str, optional
        Those to which the person is limited; ``None`` for the whole project.
    """

    kind: str
    name: str = ""
    session: str = ""
    role: str = ""
    elevations: tuple[str, ...] | None = None

    @property
    def acts_as(self) -> str:
        """The role by which acts are judged."""
        return self.role or ("administrator" if self.kind == "write" else "reviewer")


@dataclass(frozen=True, slots=True, kw_only=True)
class Session:
    """One browser that signed in. ``digest`` stands for the random token that the browser holds."""

    id: str
    digest: str
    kind: str
    name: str
    opened_at: float
    seen_at: float
    address: str
    browser: str
    link: str = ""


class Sessions:
    """All sessions of a server.

    Parameters
    ----------
    folder : Path or None
        Where they are kept, so that a restart signs nobody out; ``None`` keeps them in memory.
    secret : str
        Another secret ends every session; so does another folder, since a copy of a project is another project.
    links : callable
        Digests of the links of reviewers that are valid now; a session of a link ends with it.
    clock : callable
        Seconds since 1970.
    """

    def __init__(
        self,
        folder: Path | None,
        *,
        secret: str,
        links: Callable[[], Iterable[str]] = tuple,
        clock: Callable[[], float] = time.time,
    ) -> None:
        self._place = folder / FILE if folder is not None else None
        self._secret = f"{secret}\0{folder}"
        self._links, self._clock = links, clock
        self._lock = threading.Lock()
        self._written_at = 0.0
        self._salt = secrets.token_hex(16)
        self._by_digest: dict[str, Session] = {}
        self._take_up()
        self._check = _stretched(self._secret, self._salt)

    def open(
        self, *, kind: str, name: str, address: str = "", browser: str = "", link: str = ""
    ) -> str:
        """Begin a session; the token is told once and kept nowhere here."""
        token, now = secrets.token_urlsafe(32), self._clock()
        session = Session(
            id=secrets.token_hex(4),
            digest=_digest(token),
            kind=kind,
            name=name,
            opened_at=now,
            seen_at=now,
            address=address,
            browser=browser,
            link=link,
        )
        with self._lock:
            self._drop_ended()
            while len(self._by_digest) >= MOST_SESSIONS:
                del self._by_digest[min(self._by_digest.values(), key=lambda s: s.seen_at).digest]
            self._by_digest[session.digest] = session
            self._keep()
        return token

    def find(self, token: str) -> Pass | None:
        """What a token opens now; ``None`` for nothing."""
        if not token or len(token) > 200:
            return None
        digest, now = _digest(token), self._clock()
        with self._lock:
            session = self._by_digest.get(digest)
            if session is None:
                return None
            if self._has_ended(session, now):
                del self._by_digest[digest]
                self._keep()
                return None
            self._by_digest[digest] = replace(session, seen_at=now)
            if now - self._written_at > WRITE_EVERY_S:
                self._keep()
        if session.link and session.link not in self._links():
            self.end(session.id)
            return None
        return Pass(kind=session.kind, name=session.name, session=session.id)

    def end(self, id: str) -> bool:
        """End one session; whether there was one."""
        with self._lock:
            found = [d for d, s in self._by_digest.items() if s.id == id]
            for digest in found:
                del self._by_digest[digest]
            if found:
                self._keep()
        return bool(found)

    def all(self) -> list[Session]:
        """Those that last, used last first."""
        with self._lock:
            self._drop_ended()
            return sorted(self._by_digest.values(), key=lambda s: -s.seen_at)

    def _has_ended(self, session: Session, now: float) -> bool:
        return now - session.seen_at > IDLE_S or now - session.opened_at > LONGEST_S

    def _drop_ended(self) -> None:
        now = self._clock()
        for session in [s for s in self._by_digest.values() if self._has_ended(s, now)]:
            del self._by_digest[session.digest]

    def _take_up(self) -> None:
        """Sessions that an earlier run kept; whatever else the file holds is no session."""
        if self._place is None:
            return
        try:
            kept = json.loads(self._place.read_text(encoding="utf-8"))
            known = hmac.compare_digest(
                str(kept["check"]), _stretched(self._secret, str(kept["salt"]))
            )
            if known:
                self._salt = str(kept["salt"])
                sessions = [Session(**s) for s in kept["sessions"][:MOST_SESSIONS]]
                self._by_digest = {s.digest: s for s in sessions}
                self._drop_ended()
        except (OSError, ValueError, TypeError, KeyError):
            self._by_digest = {}

    def _keep(self) -> None:
        """Write them down; where that cannot be done they last as long as the server."""
        if self._place is None:
            return
        self._written_at = self._clock()
        body = json.dumps(
            {
                "salt": self._salt,
                "check": self._check,
                "sessions": [asdict(s) for s in self._by_digest.values()],
            }
        )
        # where it cannot be written, a restart asks people to sign in again
        with contextlib.suppress(OSError, FacademapError):
            write_whole(self._place.name, body, inside=self._place.parent, private=True)


def _digest(token: str) -> str:
    """Of a random token of 256 bits; nothing to guess, so nothing to stretch."""
    return hashlib.sha256(b"facademap session " + token.encode()).hexdigest()


def _stretched(secret: str, salt: str) -> str:
    """Of a secret that a person chose: slow to try."""
    made = hashlib.scrypt(secret.encode(), salt=salt.encode(), n=2**14, r=8, p=1)
    return made.hex()
