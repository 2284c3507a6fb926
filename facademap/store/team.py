"""The connection to a project in PostgreSQL: one writer a project at a time, errors in plain words.

It takes the same statements as sqlite3's connection, and says the same of itself, so that the rest of the store does not tell
the two apart.
"""

from __future__ import annotations

import contextlib
import logging
import re
import zlib
from collections.abc import Iterator
from contextvars import ContextVar
from functools import lru_cache
from pathlib import Path
from typing import Any

from facademap.errors import FacademapError, FileError, InputError, ProjectError, RightsError
from facademap.store.dialect_postgis import POSTGIS
from facademap.store.team_address import Address
from facademap.store.team_row_rules import narrow

__all__ = ["TeamConnection", "connect_team", "limit_now", "limited_to", "team_error"]

# psycopg logs that a pipeline broke off with its connection; the error that is raised says it in our words
logging.getLogger("psycopg").addHandler(logging.NullHandler())

#: How long a writer waits for another one before it says that the project is in use.
LOCK_WAIT_S = 5.0
_AWAY = ("08", "57P")
_WRITES = ("INSERT ", "UPDATE ", "DELETE ")
_TRANSACTION_WORDS = ("COMMIT", "ROLLBACK")


#: Elevations to which the work at hand is limited, for every connection that is made in it; ``None`` for no limit.
_ELEVATIONS: ContextVar[tuple[str, ...] | None] = ContextVar("elevations", default=None)


@contextlib.contextmanager
def limited_to(elevations: tuple[str, ...] | None) -> Iterator[None]:
    """Let every connection to a project that is made within see and change these elevations alone."""
    before = _ELEVATIONS.set(elevations)
    try:
        yield
    finally:
        _ELEVATIONS.reset(before)


def limit_now() -> tuple[str, ...] | None:
    """Elevations to which the work at hand is limited; ``None`` for no limit."""
    return _ELEVATIONS.get()


@lru_cache(maxsize=2000)
def _theirs(sql: str) -> str:
    """A statement with marks as psycopg wants them; no text in our statements holds a question mark."""
    return sql.replace("%", "%%").replace("?", "%s")


class TeamConnection:
    """A connection that sees one project.

    Parameters
    ----------
    address : Address
        With the name of the project.
    read_only : bool
        Whether nothing may be written through it.
    """

    dialect = POSTGIS

    def __init__(self, address: Address, *, read_only: bool = False) -> None:
        self.address = address
        self._read_only = read_only
        self._editing = False
        self._news = ""
        #: Writes of the edit that is open that were not sent yet.
        self._behind: list[tuple[str, tuple[Any, ...]]] = []
        self._elevations = _ELEVATIONS.get()
        self._raw = self._connected()

    def _connected(self) -> Any:
        raw = connect_team(self.address)
        with in_team_words(self.address):
            try:
                schema = self.address.project
                raw.execute(
                    "SELECT set_config('search_path', quote_ident(%s) || "
                    "coalesce((SELECT ', ' || quote_ident(nspname) FROM pg_extension e JOIN pg_namespace n ON n.oid = e.extnamespace "
                    "WHERE extname = 'postgis'), ''), false), set_config('lock_timeout', %s, false)",
                    (schema, f"{LOCK_WAIT_S:g}s"),
                )
                if self._elevations is not None:
                    narrow(raw, self._elevations)
                if self._read_only:
                    raw.execute("SET default_transaction_read_only = on")
            except BaseException:
                raw.close()
                raise
        return raw

    @property
    def in_transaction(self) -> bool:
        """Whether a transaction is open."""
        return self._editing

    def begin(self) -> None:
        """Begin an edit; others of the same project wait, on whatever server they are.

        Revisions are compared, rules judged and changes numbered within it, so that two edits cannot pass each other.
        """
        with in_team_words(self.address):
            self._alive()
            self._editing = True
            try:
                self._raw.execute(f"BEGIN; {self.lock_of_writers()}")
            except BaseException:
                self._end()
                raise

    def lock_of_writers(self) -> str:
        """The statement by which a transaction becomes the one that writes in this project."""
        key = zlib.crc32(self.address.project.encode())
        return f"SELECT pg_advisory_xact_lock({_LOCK_SPACE}, {key - 2**31})"

    def execute(self, sql: str, values: Any = (), /) -> Any:
        """As of sqlite3's connection."""
        with in_team_words(self.address, committing=sql == "COMMIT"):
            if sql in _TRANSACTION_WORDS:
                return self._finish(sql)
            self._alive()
            if self._editing and sql.startswith(_WRITES) and " RETURNING " not in sql:
                # nobody looks at its answer: it goes with the next question, or with the storing, and others wait the less
                self._behind.append((_theirs(sql) if values else sql, tuple(values)))
                return None
            self._send()
            if sql.startswith("BEGIN"):
                self._editing = True
            if not values:  # then psycopg takes every sign as it stands
                return self._raw.execute(sql, binary=True)
            return self._raw.execute(_theirs(sql), tuple(values), binary=True)

    def executemany(self, sql: str, rows: Any, /) -> Any:
        """As of sqlite3's connection."""
        rows = list(rows)
        with in_team_words(self.address):
            self._alive()
            if self._editing and len(rows) == 1 and sql.startswith(_WRITES):
                self._behind.append((_theirs(sql), tuple(rows[0])))
                return None
            self._send()
            cursor = self._raw.cursor()
            cursor.executemany(_theirs(sql), rows)
            return cursor

    def tell(self, channel: str) -> None:
        """Tell whoever listens, when the edit that is open is stored, which project changed; it goes with the storing itself."""
        self._news = f"SELECT pg_notify('{channel}', current_schema()::text)"

    @contextlib.contextmanager
    def copied_in(self, sql: str) -> Iterator[Any]:
        """Rows in by the quick way (COPY)."""
        with in_team_words(self.address):
            self._send()
            with self._raw.cursor() as cursor, cursor.copy(sql) as rows:
                yield rows

    def _send(self, *more: str) -> None:
        """Send the writes that were not sent yet and some statements after them, and wait for all answers at once."""
        behind, self._behind = self._behind, []
        if not behind and len(more) < 2:
            for sql in more:
                self._raw.execute(sql)
            return
        with self._raw.pipeline():
            for sql, values in behind:
                self._raw.execute(sql, values or None)
            for sql in more:
                self._raw.execute(sql)

    def close(self) -> None:
        """End it; what was not stored is not stored."""
        self._raw.close()

    def _alive(self) -> None:
        """A connection that was lost is made anew, but never in the midst of an edit."""
        if not self._raw.closed:
            return
        if self._editing:
            raise _lost(self.address)
        self._raw = self._connected()

    def _finish(self, word: str) -> None:
        if word == "ROLLBACK":
            self._end()
            return
        try:
            if self._raw.closed:
                raise _lost(self.address)
            # a transaction in which something failed answers COMMIT by taking all back, and says so only here
            if self._raw.info.transaction_status.name == "INERROR":
                self._raw.execute("ROLLBACK")
                raise ProjectError(
                    "the edit could not be stored, because a part of it failed", "Do it again."
                )
            self._send(*([self._news] if self._news else []), word)
        except BaseException:
            if not self._raw.closed and self._raw.info.transaction_status.name == "INERROR":
                self._raw.execute("ROLLBACK")
            raise
        finally:
            self._forget()

    def _forget(self) -> None:
        self._editing, self._news, self._behind = False, "", []

    def _end(self) -> None:
        self._forget()
        if not self._raw.closed:
            with contextlib.suppress(Exception):
                self._raw.execute("ROLLBACK")


#: Our part of the numbers by which PostgreSQL names locks that programs agree on.
_LOCK_SPACE = 0x464D


def connect_team(address: Address) -> Any:
    """A plain psycopg connection to the database of an address, every statement on its own.

    Raises
    ------
    ProjectError
        psycopg is not installed, or the database cannot be reached.
    """
    try:
        import psycopg
        from psycopg.types.string import TextBinaryLoader, TextLoader
    except ImportError:
        raise ProjectError(
            "projects in a database need psycopg, which is not installed",
            "Install it with pip install 'facademap[team]'.",
        ) from None
    _need_certificates(address)
    with in_team_words(address):
        raw = psycopg.connect(autocommit=True, application_name="facademap", **address.words())  # type: ignore[arg-type]
    # the text of JSON is what was written; reading it is for whoever asks
    raw.adapters.register_loader("json", TextLoader)
    raw.adapters.register_loader("json", TextBinaryLoader)
    return raw


def _need_certificates(address: Address) -> None:
    """A file of certificates that is named and not there would let anybody pass for the server in some modes."""
    for option in ("sslrootcert", "sslcert", "sslkey", "sslcrl"):
        named = address.options.get(option, "")
        if named and named != "system" and not Path(named).is_file():
            raise FileError(
                f"{option} of the address: there is no file {named}",
                "Give the path of the file, or leave it out.",
            )


@contextlib.contextmanager
def in_team_words(address: Address, *, committing: bool = False) -> Iterator[None]:
    """Turn what PostgreSQL says into what a person can act on."""
    try:
        yield
    except FacademapError:
        raise
    except UnicodeEncodeError as error:
        raise InputError(
            "a text holds characters that are none, which the database does not take",
            "Type the text anew.",
        ) from error
    except Exception as error:
        import psycopg

        if not isinstance(error, psycopg.Error):
            raise
        raise team_error(error, address, committing=committing) from error


def _lost(address: Address) -> ProjectError:
    return ProjectError(
        f"{_place(address)}: the connection was lost in the midst of an edit; nothing of it was stored",
        "Do it again when the database is there.",
    )


def _place(address: Address) -> str:
    return f"database {address.database}" + (f" on {address.host}" if address.host else "")


def team_error(error: Any, address: Address, *, committing: bool = False) -> FacademapError:
    """What an error of psycopg means, with nothing secret in it."""
    import psycopg
    from psycopg import errors

    place, state = _place(address), error.sqlstate or ""
    said = str(error).splitlines()[0] if str(error) else type(error).__name__
    known: list[tuple[Any, type[FacademapError], str, str]] = [
        (errors.LockNotAvailable, ProjectError, "is in use by another writer", "Try again when the other edit has finished."),
        (errors.InsufficientPrivilege, RightsError, f"your role may not do this ({said})", "Ask the administrator of the database for the right."),
        (errors.ReadOnlySqlTransaction, ProjectError, "may only be read (read-only)", "Open it for writing, or ask for the server that takes edits."),
        ((errors.InvalidPassword, errors.InvalidAuthorizationSpecification), ProjectError, "does not let you in with this name and password", "Check user, PGPASSWORD and ~/.pgpass."),
        (errors.InvalidCatalogName, ProjectError, "there is no such database", "Check the address, or make it with createdb."),
        (errors.UniqueViolation, InputError, "holds a row of that id, which your rights do not show you, or which came a moment ago", "Give it another id."),
        (errors.DiskFull, ProjectError, "could not be saved: its disk is full", "Free some space there; the project is as it was."),
        (errors.TooManyConnections, ProjectError, "takes no more connections", "Close other programs, or raise max_connections there."),
        ((errors.UndefinedTable, errors.UndefinedColumn, errors.InvalidSchemaName), ProjectError, f"lacks a part of the project, or does not show it to your role any more ({said})", "See facademap rights; if the right is there, run facademap check on it, or restore it from a backup."),
        ((errors.RaiseException,), ProjectError, said.removeprefix("ERROR: "), error.diag.message_hint or "Make a new entry instead."),
        ((errors.DeadlockDetected, errors.SerializationFailure), ProjectError, "two edits stood in each other's way; nothing was stored", "Do it again."),
    ]  # fmt: skip
    for kinds, made, problem, remedy in known:
        if isinstance(error, kinds):
            return made(f"{place}: {problem}", remedy)
    if isinstance(error, psycopg.DataError):
        return InputError(
            f"a value is none that the database takes ({said})",
            "Correct the value; nothing was stored.",
        )
    if isinstance(error, psycopg.OperationalError) or state.startswith(_AWAY):
        if committing:
            return ProjectError(
                f"{place}: the connection was lost while the edit was being stored; it may be stored or not",
                "Look at the history before doing it again.",
            )
        # libpq tells why a connection was refused as text alone; the server speaks the language of its machine
        said = said.rpartition("failed: ")[2].removeprefix("FATAL: ").strip()
        refused = re.match(r'(role|database) "(.*)" does not exist', said)
        if refused:
            return ProjectError(
                f"{place}: there is no {refused[1]} {refused[2]!r} there",
                "Check user and database in the address; roles are made with createuser, databases with createdb.",
            )
        if "pg_hba.conf" in said:
            return ProjectError(
                f"{place}: does not let this user in from this machine ({said[-160:]})",
                "Let its administrator add a line to pg_hba.conf, with scram-sha-256 and hostssl.",
            )
        if "password" in said or "authentication" in said:
            return ProjectError(
                f"{place}: does not let you in with this name and password",
                "Check user, PGPASSWORD and ~/.pgpass.",
            )
        if "certificate" in said or "SSL" in said:
            return ProjectError(
                f"{place}: the encrypted connection was refused ({said[-160:]})",
                "Check sslmode and sslrootcert in the address, and the server's certificate.",
            )
        return ProjectError(
            f"{place}: cannot be reached ({said[-160:]})",
            "Check that it runs and that the address is right; nothing was stored.",
        )
    return ProjectError(f"{place}: {said}", "Run facademap check on the project.")
