"""People of the projects of a database: who may do what where, their invitations, their sessions.

All of it lies in a schema of its own, so that no right in a project shows it. Of secrets, words of invitations and tokens of
sessions only digests are kept. What ends at a time ends by the clock of the database, which every server shares.
"""

from __future__ import annotations

import hashlib
import json
import secrets
import threading
import time
import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from facademap.errors import InputError, ProjectError, RightsError, one_line
from facademap.store.project import Project
from facademap.store.team import TeamConnection, connect_team, in_team_words
from facademap.store.team_address import Address

__all__ = [
    "PEOPLE",
    "ROLES",
    "Member",
    "PeopleBook",
    "TeamSession",
    "book_of",
    "same_name",
]

#: Name of the schema; no project can have it.
PEOPLE = "facademap_people"
ROLES = ("surveyor", "conservator", "mason", "reviewer", "yard", "administrator")
SHORTEST_INVITATION_DAYS, LONGEST_INVITATION_DAYS = 0.01, 60
#: Our part of the numbers by which PostgreSQL names locks that programs agree on.
_MAKING, _NAMING = 0x464D5031, 0x464D5032
_TEXT = 'TEXT COLLATE "C"'
_ROLE_LIST = ", ".join(f"'{role}'" for role in ROLES)
#: How soon a connection that could not be made is tried again, so that nobody waits for each try.
_AGAIN_S = 1.0

_TABLES = (
    f"CREATE SCHEMA {PEOPLE}",
    f"""CREATE TABLE {PEOPLE}.persons (
  name {_TEXT} PRIMARY KEY CHECK (name <> ''), secret TEXT, made_at TIMESTAMPTZ NOT NULL DEFAULT now())""",
    f"CREATE UNIQUE INDEX persons_names ON {PEOPLE}.persons (lower(name))",
    f"""CREATE TABLE {PEOPLE}.members (
  project {_TEXT} NOT NULL, name {_TEXT} NOT NULL REFERENCES {PEOPLE}.persons, role TEXT NOT NULL CHECK (role IN ({_ROLE_LIST})),
  elevations JSON, since TIMESTAMPTZ NOT NULL DEFAULT now(), PRIMARY KEY (project, name))""",
    f"""CREATE TABLE {PEOPLE}.invitations (
  digest TEXT PRIMARY KEY, name {_TEXT} NOT NULL REFERENCES {PEOPLE}.persons, project {_TEXT} NOT NULL,
  until TIMESTAMPTZ NOT NULL, made_by TEXT NOT NULL, used_at TIMESTAMPTZ)""",
    f"""CREATE TABLE {PEOPLE}.sessions (
  digest TEXT PRIMARY KEY, id TEXT NOT NULL UNIQUE, project {_TEXT} NOT NULL, name {_TEXT} NOT NULL,
  opened_at TIMESTAMPTZ NOT NULL DEFAULT now(), seen_at TIMESTAMPTZ NOT NULL DEFAULT now(), ends_at TIMESTAMPTZ NOT NULL,
  address TEXT NOT NULL, browser TEXT NOT NULL,
  FOREIGN KEY (project, name) REFERENCES {PEOPLE}.members ON DELETE CASCADE)""",
    f"""CREATE TABLE {PEOPLE}.audit (
  seq BIGINT GENERATED ALWAYS AS IDENTITY PRIMARY KEY, at TIMESTAMPTZ NOT NULL DEFAULT now(), project {_TEXT} NOT NULL,
  name TEXT NOT NULL, act TEXT NOT NULL, about TEXT NOT NULL, outcome TEXT NOT NULL, session TEXT NOT NULL, address TEXT NOT NULL,
  by_role TEXT NOT NULL DEFAULT current_user)""",
    f"CREATE INDEX audit_at ON {PEOPLE}.audit (project, at)",
    f"""CREATE FUNCTION {PEOPLE}.append_only() RETURNS trigger LANGUAGE plpgsql AS
$$BEGIN RAISE EXCEPTION 'the audit trail is append-only'; END$$""",
    f"CREATE TRIGGER append_only BEFORE UPDATE OR DELETE OR TRUNCATE ON {PEOPLE}.audit EXECUTE FUNCTION {PEOPLE}.append_only()",
)
May = Literal["nothing", "serve", "manage"]
#: What a role of the database needs for each; the trail is added to and, but for who leads the book, not even read.
_SERVE = (
    "SELECT ON {p}.persons, {p}.members, {p}.invitations, {p}.sessions",
    "UPDATE (secret) ON {p}.persons",
    "UPDATE (used_at) ON {p}.invitations",
    "INSERT, DELETE ON {p}.sessions",
    "UPDATE (seen_at) ON {p}.sessions",
    "INSERT (project, name, act, about, outcome, session, address) ON {p}.audit",
)
_MANAGE = (
    *_SERVE,
    "INSERT ON {p}.persons",
    "INSERT, UPDATE, DELETE ON {p}.members",
    "INSERT, DELETE ON {p}.invitations",
    "SELECT ON {p}.audit",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Member:
    """A person of a project.

    Parameters
    ----------
    name, role : str
    elevations : tuple of str or None
        Those to which the person is limited; ``None`` for the whole project.
    has_secret : bool
        Whether the invitation was accepted.
    invited_until : str
        Until when an open invitation may be accepted; empty where there is none.
    seen_at : str
        When a session was last used; empty where there is none.
    """

    name: str
    role: str
    elevations: tuple[str, ...] | None
    has_secret: bool
    invited_until: str = ""
    seen_at: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class TeamSession:
    """A session that lasts, as the database has it."""

    id: str
    name: str
    role: str
    elevations: tuple[str, ...] | None
    opened_at: float
    seen_at: float
    address: str
    browser: str


def _digest(what: str, word: str) -> str:
    """Of a random word of 144 bits or more; nothing to guess, so nothing to stretch."""
    return hashlib.sha256(f"facademap {what} {word}".encode()).hexdigest()


def same_name(name: str) -> str:
    """What two names have in common that count as the same person's: neither case nor the way a letter is composed tells them apart.

    Databases fold by the rules of their machine, some of them a to z alone, so this is never left to them.
    """
    return unicodedata.normalize("NFKC", unicodedata.normalize("NFKC", name).casefold())


def _as_written(name: str, names: Iterable[str]) -> str | None:
    """One of some names, as it is written there: of several that older books hold, the one that is most like it."""
    same = [there for there in names if same_name(there) == same_name(name)]
    return min(same, key=lambda n: (n != name, n.lower() != name.lower(), n), default=None)


def _limits(told: Any) -> tuple[str, ...] | None:
    return None if told is None else tuple(json.loads(told))


def book_of(project: Project) -> PeopleBook:
    """The people of a project, by a connection of their own.

    Raises
    ------
    InputError
        The project lies in a file, which keeps no accounts.
    """
    connection: Any = project._connection
    if not isinstance(connection, TeamConnection):
        raise InputError(
            f"{project.folder}: lies in a file, which keeps no accounts",
            "Serve it with the secret of the team, or copy it into a database.",
        )
    return PeopleBook(connection.address, project.project_id)


class PeopleBook:
    """People of one project of a database; safe to be used by several threads.

    Parameters
    ----------
    address : Address
    project : str
        Name of the project that no other has.
    """

    def __init__(self, address: Address, project: str) -> None:
        self._address, self._project = address, project
        self._lock = threading.Lock()
        self._raw: Any = None
        self._lost_at = -_AGAIN_S

    def close(self) -> None:
        """End the connection."""
        with self._lock:
            if self._raw is not None:
                self._raw.close()

    def __enter__(self) -> PeopleBook:
        return self

    def __exit__(self, *about: object) -> None:
        self.close()

    def _ask(self, sql: str, *values: Any) -> list[Any]:
        with self._lock, in_team_words(self._address):
            return self._asked(sql, values)

    def _asked(self, sql: str, values: Sequence[Any] = ()) -> list[Any]:
        raw = self._alive()
        asked = raw.execute(sql.replace("{p}", PEOPLE), tuple(values) or None)
        return list(asked.fetchall()) if asked.description else []

    def _alive(self) -> Any:
        if self._raw is None or self._raw.closed:
            if time.monotonic() - self._lost_at < _AGAIN_S:
                raise ProjectError(
                    f"database {self._address.database}: cannot be reached",
                    "Try again when it is back; nothing was stored.",
                )
            try:
                self._raw = connect_team(self._address)
            except BaseException:
                self._lost_at = time.monotonic()
                raise
        return self._raw

    def _together(self, *statements: tuple[str, Sequence[Any]]) -> None:
        """Several statements, all or none."""
        with self._lock, in_team_words(self._address), self._alive().transaction():
            for sql, values in statements:
                self._asked(sql, values)

    # -- the book itself ----------------------------------------------------------------------

    def is_there(self) -> bool:
        """Whether the database keeps accounts."""
        return self._ask("SELECT to_regclass('{p}.audit')")[0][0] is not None

    def _need(self) -> None:
        if not self.is_there():
            raise InputError(
                "nobody was invited to a project of this database yet",
                "Invite somebody with facademap people invite.",
            )

    def _make(self) -> None:
        if self.is_there():
            return
        with self._lock, in_team_words(self._address), self._alive().transaction():
            self._asked("SELECT pg_advisory_xact_lock(%s)", (_MAKING,))
            if self._asked("SELECT to_regclass('{p}.audit')")[0][0] is None:
                for statement in _TABLES:
                    self._asked(statement)

    def set_rights(self, role: str, may: May) -> None:
        """Let a role of the database serve a desk with accounts, lead the book of people too, or neither.

        Raises
        ------
        InputError
            There is no such role, or nobody was invited yet.
        """
        found = self._ask("SELECT quote_ident(rolname) FROM pg_roles WHERE rolname = %s", role)
        if not found:
            raise InputError(f"there is no role {role!r}", "Make it with createuser first.")
        self._need()
        name = found[0][0]
        given = {"nothing": (), "serve": _SERVE, "manage": _MANAGE}[may]
        self._together(
            (f"REVOKE ALL ON ALL TABLES IN SCHEMA {{p}} FROM {name}", ()),
            (f"REVOKE ALL ON SCHEMA {{p}} FROM {name}", ()),
            *(((f"GRANT USAGE ON SCHEMA {{p}} TO {name}", ()),) if given else ()),
            *((f"GRANT {right} TO {name}", ()) for right in given),
        )

    # -- people -------------------------------------------------------------------------------

    def members(self) -> list[Member]:
        """People of the project, by name."""
        if not self.is_there():
            return []
        rows = self._ask(
            "SELECT m.name, m.role, m.elevations, p.secret IS NOT NULL, "
            "coalesce((SELECT to_char(max(until) AT TIME ZONE 'UTC', 'YYYY-MM-DD HH24:MI') FROM {p}.invitations i "
            "WHERE i.name = m.name AND i.project = m.project AND i.used_at IS NULL AND i.until > now()), ''), "
            "coalesce((SELECT to_char(max(seen_at) AT TIME ZONE 'UTC', 'YYYY-MM-DD HH24:MI') FROM {p}.sessions s "
            "WHERE s.name = m.name AND s.project = m.project), '') "
            "FROM {p}.members m JOIN {p}.persons p USING (name) WHERE m.project = %s",
            self._project,
        )
        people = [
            Member(name=n, role=r, elevations=_limits(e), has_secret=s, invited_until=u, seen_at=at)
            for n, r, e, s, u, at in rows
        ]
        return sorted(people, key=lambda m: (same_name(m.name), m.name))

    def member(self, name: str) -> Member:
        """One person of the project, whatever the case of the letters.

        Raises
        ------
        InputError
            There is none of that name.
        """
        people = {m.name: m for m in self.members()}
        found = _as_written(name, people)
        if found is None:
            raise InputError(
                f"{name!r} is none of the people of this project", "See facademap people list."
            )
        return people[found]

    def invite(
        self,
        name: str,
        *,
        role: str,
        elevations: Sequence[str],
        days: float,
        by: str,
        new_secret: bool = False,
        strangers_only: bool = False,
    ) -> str:
        """Make somebody one of the project's people; returns the word with which they choose their secret, once.

        Empty where the person has a secret of this database already and is to keep it. With ``strangers_only`` no word is made
        for somebody who is in another project, since the word would open that one too.

        Raises
        ------
        InputError
            The person is in the project already, with another role or other elevations: an invitation changes neither.
        """
        self._make()
        people = {m.name: m for m in self.members()}
        there = people.get(_as_written(name, people) or "")
        if there is not None and (there.role, set(there.elevations or ())) != (role, set(elevations)):  # fmt: skip
            limited = f", limited to {', '.join(there.elevations)}" if there.elevations else ""
            raise InputError(
                f"{there.name} is in the project already, as {there.role}{limited}",
                "Change that with facademap people change, or invite them as they are for a new word.",
            )
        limits = json.dumps(list(dict.fromkeys(elevations))) if elevations else None
        with self._lock, in_team_words(self._address), self._alive().transaction():
            name, has_secret = self._person(name)
            self._join(name, role, limits)
            if has_secret and not new_secret:
                self._asked(
                    "DELETE FROM {p}.invitations WHERE name = %s AND project = %s AND used_at IS NULL",
                    (name, self._project),
                )
                return ""
            if strangers_only and self._asked(
                "SELECT 1 FROM {p}.members WHERE name = %s AND project <> %s", (name, self._project)
            ):
                raise InputError(
                    f"{name} is in another project of this database and has chosen no secret yet",
                    "Wait until that is done, or let whoever leads the database invite them: facademap people invite.",
                )
            # the secret is that of all projects: a word that another one gave out earlier opens this one no more
            self._asked("DELETE FROM {p}.invitations WHERE name = %s AND used_at IS NULL", (name,))
            word = secrets.token_urlsafe(18)
            self._asked(
                "INSERT INTO {p}.invitations (digest, name, project, until, made_by) "
                "VALUES (%s, %s, %s, now() + %s * interval '1 day', %s)",
                (_digest("invitation", word), name, self._project, days, by),
            )
        return word

    def _join(self, name: str, role: str, limits: str | None) -> None:
        """Make somebody a member; who is one already must be so with the same role and elevations."""
        if self._asked(
            "INSERT INTO {p}.members (project, name, role, elevations) VALUES (%s, %s, %s, %s) "
            "ON CONFLICT (project, name) DO NOTHING RETURNING name",
            (self._project, name, role, limits),
        ):
            return
        asked = (role, set(_limits(limits) or ()))
        for kept, parts in self._asked(
            "SELECT role, elevations FROM {p}.members WHERE project = %s AND name = %s",
            (self._project, name),
        ):
            if (kept, set(_limits(parts) or ())) != asked:
                raise InputError(
                    f"{name} was invited or changed by somebody else a moment ago",
                    "Look at the people again.",
                )

    def _person(self, name: str) -> tuple[str, bool]:
        """Somebody of this database as they are written there, added where they are not; and whether they have a secret."""
        # two who are added at once are told apart by this alone
        self._asked("SELECT pg_advisory_xact_lock(%s)", (_NAMING,))
        known = dict(self._asked("SELECT name, secret IS NOT NULL FROM {p}.persons"))
        found = _as_written(name, known)
        if found is not None:
            return found, known[found]
        self._asked("INSERT INTO {p}.persons (name) VALUES (%s)", (name,))
        return name, False

    def change(self, name: str, *, role: str, elevations: Sequence[str] | None) -> Member:
        """Give somebody another role or other elevations (none: the whole project); what is open obeys at once."""
        there = self.member(name)
        limits = there.elevations if elevations is None else tuple(dict.fromkeys(elevations))
        self._ask(
            "UPDATE {p}.members SET role = %s, elevations = %s WHERE project = %s AND name = %s",
            role or there.role, json.dumps(list(limits)) if limits else None, self._project, there.name,
        )  # fmt: skip
        return self.member(name)

    def remove(self, name: str) -> Member:
        """Take somebody out of the project; invitations and sessions end with it, at once and on every server."""
        there = self.member(name)
        self._together(
            ("DELETE FROM {p}.invitations WHERE name = %s AND project = %s AND used_at IS NULL", (there.name, self._project)),
            ("DELETE FROM {p}.members WHERE project = %s AND name = %s", (self._project, there.name)),
        )  # fmt: skip
        return there

    def invited(self, word: str) -> str | None:
        """Name of the person whose open invitation a word is; ``None`` for none."""
        found = self._ask(
            "SELECT i.name FROM {p}.invitations i JOIN {p}.members m USING (project, name) "
            "WHERE i.digest = %s AND i.project = %s AND i.used_at IS NULL AND i.until > now()",
            _digest("invitation", word), self._project,
        )  # fmt: skip
        return str(found[0][0]) if found else None

    def accept(self, word: str, secret: str) -> str:
        """Use an invitation up and keep the digest of the secret that its person chose; returns the name.

        Sessions that were opened with an earlier secret end.

        Raises
        ------
        RightsError
            The invitation was used or has ended meanwhile.
        """
        with self._lock, in_team_words(self._address), self._alive().transaction():
            used = self._asked(
                "UPDATE {p}.invitations SET used_at = now() WHERE digest = %s AND project = %s AND used_at IS NULL "
                "AND until > now() RETURNING name",
                (_digest("invitation", word), self._project),
            )
            if not used:
                raise RightsError("this invitation opens nothing any more", "Ask for a new one.")
            name = str(used[0][0])
            self._asked("UPDATE {p}.persons SET secret = %s WHERE name = %s", (secret, name))
            self._asked("DELETE FROM {p}.sessions WHERE name = %s", (name,))
        return name

    def secret_of(self, name: str) -> tuple[str, str] | None:
        """Name as it is written, and the digest of the secret, of one of the project's people; ``None`` for nobody."""
        kept = dict(self._ask(
            "SELECT p.name, p.secret FROM {p}.persons p JOIN {p}.members m USING (name) "
            "WHERE m.project = %s AND p.secret IS NOT NULL",
            self._project,
        ))  # fmt: skip
        found = _as_written(name, kept)
        return None if found is None else (found, str(kept[found]))

    def known_name(self, name: str) -> str:
        """A name as it is written among the project's people; empty for nobody."""
        rows = self._ask("SELECT name FROM {p}.members WHERE project = %s", self._project)
        return _as_written(name, [str(there) for (there,) in rows]) or ""

    def keep_secret(self, name: str, secret: str) -> None:
        """Keep a digest that was made anew by newer rules."""
        self._ask("UPDATE {p}.persons SET secret = %s WHERE name = %s", secret, name)

    # -- sessions -----------------------------------------------------------------------------

    def open_session(self, name: str, *, lasts_s: float, address: str, browser: str) -> str:
        """Begin a session; the token is told once and kept nowhere."""
        token = secrets.token_urlsafe(32)
        self._together(
            ("DELETE FROM {p}.sessions WHERE ends_at < now()", ()),
            (
                "INSERT INTO {p}.sessions (digest, id, project, name, ends_at, address, browser) "
                "VALUES (%s, %s, %s, %s, now() + %s * interval '1 second', %s, %s)",
                (_digest("session", token), secrets.token_hex(6), self._project, name, lasts_s, address, browser),
            ),
        )  # fmt: skip
        return token

    def session(self, token: str, *, idle_s: float) -> TeamSession | None:
        """The session of a token, with the role that its person has now; ``None`` where it ended."""
        found = self._sessions(
            "s.digest = %s AND s.seen_at > now() - %s * interval '1 second'",
            _digest("session", token), idle_s,
        )  # fmt: skip
        if not found:
            return None
        self._ask(
            "UPDATE {p}.sessions SET seen_at = now() WHERE id = %s AND seen_at < now() - interval '5 minutes'",
            found[0].id,
        )
        return found[0]

    def sessions(self) -> list[TeamSession]:
        """Those of the project that last, used last first."""
        return self._sessions("true")

    def _sessions(self, where: str, *values: Any) -> list[TeamSession]:
        rows = self._ask(
            "SELECT s.id, s.name, m.role, m.elevations, extract(epoch FROM s.opened_at)::float8, "
            "extract(epoch FROM s.seen_at)::float8, s.address, s.browser FROM {p}.sessions s JOIN {p}.members m USING (project, name) "
            f"WHERE s.project = %s AND s.ends_at > now() AND {where} ORDER BY s.seen_at DESC",
            self._project, *values,
        )  # fmt: skip
        return [
            TeamSession(
                id=i,
                name=n,
                role=r,
                elevations=_limits(e),
                opened_at=o,
                seen_at=at,
                address=a,
                browser=b,
            )
            for i, n, r, e, o, at, a, b in rows
        ]

    def end_session(self, id: str) -> bool:
        """End one session of the project; whether there was one."""
        return bool(
            self._ask(
                "DELETE FROM {p}.sessions WHERE project = %s AND id = %s RETURNING id",
                self._project,
                id,
            )
        )

    # -- the trail ----------------------------------------------------------------------------

    def note(
        self,
        name: str,
        act: str,
        about: str,
        outcome: str = "done",
        *,
        session: str = "",
        address: str = "",
    ) -> None:
        """Write down who saw or did what, a line each whatever somebody asked for; nobody changes it afterwards."""
        self._ask(
            "INSERT INTO {p}.audit (project, name, act, about, outcome, session, address) VALUES (%s, %s, %s, %s, %s, %s, %s)",
            self._project, one_line(name)[:80], act, one_line(about)[:300], outcome, session, address,
        )  # fmt: skip

    def trail(
        self,
        *,
        name: str = "",
        act: str = "",
        about: str = "",
        since: str = "",
        until: str = "",
        last: int = 1000,
    ) -> list[dict[str, Any]]:
        """Entries of the trail, newest first.

        Parameters
        ----------
        name, act : str
            Only of this person, only this act.
        about : str
            Only what holds this text.
        since, until : str
            Days or moments, as ISO text, in UTC; ``until`` is left out itself.
        last : int
        """
        self._need()
        names = [n for (n,) in self._ask("SELECT DISTINCT name FROM {p}.audit WHERE project = %s", self._project)] if name else []  # fmt: skip
        same = [n for n in names if same_name(n) == same_name(name)]
        asked = [("name = ANY(%s)", same if name else None), ("act = %s", act), ("strpos(lower(about), lower(%s)) > 0", about),
                 ("at >= %s::timestamp AT TIME ZONE 'UTC'", since), ("at < %s::timestamp AT TIME ZONE 'UTC'", until)]  # fmt: skip
        kept = [(sql, value) for sql, value in asked if value not in ("", None)]
        rows = self._ask(
            "SELECT seq, to_char(at AT TIME ZONE 'UTC', 'YYYY-MM-DD HH24:MI:SS'), name, act, about, outcome, session, address "
            f"FROM {{p}}.audit WHERE project = %s {''.join(f' AND {sql}' for sql, _ in kept)} ORDER BY seq DESC LIMIT %s",
            self._project, *(value for _, value in kept), last,
        )  # fmt: skip
        columns = ("seq", "at", "name", "act", "about", "outcome", "session", "address")
        return [dict(zip(columns, row, strict=True)) for row in rows]
