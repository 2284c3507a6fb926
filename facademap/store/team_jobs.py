"""Jobs that wait in a database for workers on any machine.

A worker takes a job by its row, passing over rows that others are taking (``FOR UPDATE SKIP LOCKED``), and holds two locks of its
connection while it works: on the job and on the project. The database lets them go the moment the worker is gone, whatever became of it,
and the job is there for the next. So nothing is lost, and a job may be begun more than once.
"""

from __future__ import annotations

import datetime as dt
import json
import zlib
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from facademap.errors import InputError
from facademap.store.team import connect_team, in_team_words
from facademap.store.team_address import Address

__all__ = ["MOST_ATTEMPTS", "JobQueue", "Queued"]

QUEUE = "facademap_jobs"
#: A job whose worker was gone so many times is not tried again by itself.
MOST_ATTEMPTS = 3
#: Our part of the numbers by which PostgreSQL names locks that programs agree on: jobs, projects, making the table.
_JOB, _PROJECT, _MAKING = 0x464D4A31, 0x464D4A32, 0x464D4A33
_TEXT = 'TEXT COLLATE "C"'
_TABLE = f"""CREATE TABLE {QUEUE}.jobs (
  id INTEGER GENERATED ALWAYS AS IDENTITY PRIMARY KEY, project {_TEXT} NOT NULL, kind {_TEXT} NOT NULL, options JSON NOT NULL,
  who TEXT NOT NULL, state TEXT NOT NULL DEFAULT 'queued' CHECK (state IN ('queued', 'running', 'done', 'failed', 'cancelled')),
  cancel_wanted BOOLEAN NOT NULL DEFAULT false, fraction DOUBLE PRECISION NOT NULL DEFAULT 0, attempts INTEGER NOT NULL DEFAULT 0,
  worker TEXT, result JSON, problem TEXT, remedy TEXT, asked_at TEXT NOT NULL, started_at TEXT, ended_at TEXT)"""
_HELD = (
    "EXISTS (SELECT 1 FROM pg_locks l WHERE l.locktype = 'advisory' AND l.granted AND l.objsubid = 2 "
    f"AND l.classid = {_JOB} AND l.objid = j.id "
    "AND l.database = (SELECT oid FROM pg_database WHERE datname = current_database()))"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Queued:
    """A job as the database has it.

    Parameters
    ----------
    id : int
    project, kind, who : str
        Name of the project in the database; what is done; who asked.
    options : mapping
    state : str
        ``queued``, ``running``, ``done``, ``failed`` or ``cancelled``.
    fraction : float
    attempts : int
        How often it was begun.
    worker, result, problem, remedy, asked_at, started_at, ended_at : optional
    """

    id: int
    project: str
    kind: str
    who: str
    options: Mapping[str, Any]
    state: str
    fraction: float
    attempts: int
    worker: str | None
    result: Any
    problem: str | None
    remedy: str | None
    asked_at: str
    started_at: str | None
    ended_at: str | None


_COLUMNS = ", ".join(f"j.{n}" for n in Queued.__dataclass_fields__)


def _queued(row: Any) -> Queued:
    told = dict(zip(Queued.__dataclass_fields__, row, strict=True))
    for name in ("options", "result"):
        told[name] = None if told[name] is None else json.loads(told[name])
    return Queued(**told)


def _now() -> str:
    return dt.datetime.now(dt.UTC).isoformat(timespec="seconds")


def _key(project: str) -> int:
    return zlib.crc32(project.encode()) - 2**31


class JobQueue:
    """The jobs of a database, by a connection of its own.

    Parameters
    ----------
    address : Address
        Of the database; a project in it does not matter.
    """

    def __init__(self, address: Address) -> None:
        self.address = address
        self._raw = connect_team(address)

    def close(self) -> None:
        """End the connection, and with it every hold on a job."""
        self._raw.close()

    def __enter__(self) -> JobQueue:
        return self

    def __exit__(self, *about: object) -> None:
        self.close()

    def _ask(self, sql: str, *values: Any) -> list[Any]:
        with in_team_words(self.address):
            asked = self._raw.execute(sql, values)
            return list(asked.fetchall()) if asked.description else []

    def is_there(self) -> bool:
        """Whether anybody asked for a job in this database yet."""
        return self._ask("SELECT to_regclass(%s)", f"{QUEUE}.jobs")[0][0] is not None

    def add(self, project: str, kind: str, options: Mapping[str, Any], *, who: str) -> int:
        """Ask for a job; returns its number. The first one makes the table."""
        if not self.is_there():
            with in_team_words(self.address), self._raw.transaction():
                self._raw.execute("SELECT pg_advisory_xact_lock(%s)", (_MAKING,))
                if not self.is_there():
                    self._raw.execute(f"CREATE SCHEMA IF NOT EXISTS {QUEUE}")
                    self._raw.execute(_TABLE)
        made = self._ask(
            f"INSERT INTO {QUEUE}.jobs (project, kind, options, who, asked_at) VALUES (%s, %s, %s, %s, %s) RETURNING id",
            project, kind, json.dumps(dict(options)), who, _now(),
        )  # fmt: skip
        self._ask("SELECT pg_notify(%s, '')", QUEUE)
        return int(made[0][0])

    def all(self, *, last: int = 50) -> list[Queued]:
        """The newest jobs, newest first."""
        if not self.is_there():
            return []
        rows = self._ask(f"SELECT {_COLUMNS} FROM {QUEUE}.jobs j ORDER BY id DESC LIMIT %s", last)
        return [_queued(row) for row in rows]

    def named(self, id: int) -> Queued:
        """One job.

        Raises
        ------
        InputError
            There is none of that number.
        """
        rows = (
            self._ask(f"SELECT {_COLUMNS} FROM {QUEUE}.jobs j WHERE id = %s", id)
            if self.is_there()
            else []
        )
        if not rows:
            raise InputError(f"there is no job {id}", "See them with facademap jobs list.")
        return _queued(rows[0])

    def take(self, worker: str, *, project: str = "") -> Queued | None:
        """Take the oldest job that nobody works at and whose project nobody works at; ``None`` where there is none.

        Parameters
        ----------
        worker : str
            Who takes it, for people.
        project : str
            Only jobs of this project; of all when empty.
        """
        if not self.is_there():
            return None
        self._sweep()
        busy: list[str] = []
        while True:
            with in_team_words(self.address), self._raw.transaction():
                found = self._raw.execute(
                    f"SELECT j.id, j.project FROM {QUEUE}.jobs j WHERE NOT j.cancel_wanted AND NOT j.project = ANY(%s) "
                    f"AND (%s = '' OR j.project = %s) AND (j.state = 'queued' OR (j.state = 'running' AND NOT {_HELD})) "
                    "ORDER BY j.id FOR UPDATE SKIP LOCKED LIMIT 1",
                    (busy, project, project),
                ).fetchone()
                if found is None:
                    return None
                id, of_project = found
                if not self._hold(_PROJECT, _key(of_project)):
                    busy.append(of_project)
                    continue
                if not self._hold(_JOB, id):
                    self._let_go(_PROJECT, _key(of_project))
                    busy.append(of_project)
                    continue
                self._raw.execute(
                    f"UPDATE {QUEUE}.jobs SET state = 'running', attempts = attempts + 1, worker = %s, started_at = %s, "
                    "fraction = 0, problem = NULL, remedy = NULL, result = NULL, ended_at = NULL WHERE id = %s",
                    (worker, _now(), id),
                )
            return self.named(id)

    def _hold(self, space: int, key: int) -> bool:
        return bool(self._ask("SELECT pg_try_advisory_lock(%s, %s)", space, key)[0][0])

    def _let_go(self, space: int, key: int) -> None:
        self._ask("SELECT pg_advisory_unlock(%s, %s)", space, key)

    def _sweep(self) -> None:
        """Jobs whose worker is gone: those that were to be cancelled are, and those that broke off too often have failed."""
        gone = f"state = 'running' AND NOT {_HELD}"
        self._ask(
            f"UPDATE {QUEUE}.jobs j SET state = 'cancelled', ended_at = %s WHERE cancel_wanted AND {gone}",
            _now(),
        )
        self._ask(
            f"UPDATE {QUEUE}.jobs j SET state = 'failed', ended_at = %s, problem = %s, remedy = %s WHERE attempts >= %s AND {gone}",
            _now(), f"its worker was gone {MOST_ATTEMPTS} times while it ran",
            "Look whether the machine has enough memory, then resume it.", MOST_ATTEMPTS,
        )  # fmt: skip

    def tell(self, id: int, fraction: float) -> bool:
        """Say how far a job is that this connection holds; ``False`` where it is to be given up."""
        rows = self._ask(
            f"UPDATE {QUEUE}.jobs SET fraction = %s WHERE id = %s RETURNING cancel_wanted", fraction, id
        )  # fmt: skip
        return bool(rows) and not rows[0][0]

    def finish(
        self, job: Queued, *, state: str, result: Any = None, problem: str = "", remedy: str = ""
    ) -> None:
        """Say how a job ended, and let go of it and its project."""
        self._ask(
            f"UPDATE {QUEUE}.jobs SET state = %s, ended_at = %s, result = %s, problem = %s, remedy = %s, "
            "fraction = CASE WHEN %s = 'done' THEN 1 ELSE fraction END, cancel_wanted = false WHERE id = %s",
            state, _now(), None if result is None else json.dumps(result), problem or None, remedy or None, state, job.id,
        )  # fmt: skip
        self._let_go(_JOB, job.id)
        self._let_go(_PROJECT, _key(job.project))

    def cancel(self, id: int) -> Queued:
        """Have a job given up: at once where it waits, soon where it runs.

        Raises
        ------
        InputError
            There is no such job, or it has ended.
        """
        self.named(id)
        changed = self._ask(
            f"UPDATE {QUEUE}.jobs SET cancel_wanted = (state = 'running'), state = CASE state WHEN 'queued' THEN 'cancelled' ELSE state END "
            "WHERE id = %s AND state IN ('queued', 'running') RETURNING id",
            id,
        )
        if not changed:
            raise InputError(f"job {id} has ended ({self.named(id).state})", "Nothing to cancel.")
        self._sweep()
        return self.named(id)

    def resume(self, id: int) -> Queued:
        """Have a job that failed or was cancelled done after all, from its beginning.

        Raises
        ------
        InputError
            There is no such job, or it did not end so.
        """
        self.named(id)
        changed = self._ask(
            f"UPDATE {QUEUE}.jobs SET state = 'queued', attempts = 0, cancel_wanted = false, ended_at = NULL, problem = NULL, "
            "remedy = NULL WHERE id = %s AND state IN ('failed', 'cancelled') RETURNING id",
            id,
        )
        if not changed:
            state = self.named(id).state
            raise InputError(f"job {id} is {state}", "Only one that failed or was cancelled resumes.")  # fmt: skip
        self._ask("SELECT pg_notify(%s, '')", QUEUE)
        return self.named(id)

    def set_rights(self, role: str, *, may: bool) -> None:
        """Let a role of the database ask for jobs and work at them, or not.

        Raises
        ------
        InputError
            There is no such role, or nobody asked for a job yet.
        """
        found = self._ask("SELECT quote_ident(rolname) FROM pg_roles WHERE rolname = %s", role)
        if not found:
            raise InputError(f"there is no role {role!r}", "Make it with createuser first.")
        if not self.is_there():
            raise InputError("nobody asked for a job in this database yet", "Ask for one first.")
        name = found[0][0]
        if may:
            self._ask(f"GRANT USAGE ON SCHEMA {QUEUE} TO {name}")
            self._ask(f"GRANT SELECT, INSERT, UPDATE ON {QUEUE}.jobs TO {name}")
        else:
            self._ask(f"REVOKE ALL ON {QUEUE}.jobs FROM {name}")
            self._ask(f"REVOKE ALL ON SCHEMA {QUEUE} FROM {name}")

    def wait(self, seconds: float) -> None:
        """Wait until somebody asks for a job, or the time is up."""
        self._ask(f"LISTEN {QUEUE}")
        with in_team_words(self.address):
            for _ in self._raw.notifies(timeout=seconds, stop_after=1):
                return
