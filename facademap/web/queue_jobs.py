"""Long work that the desk asks for, done by workers on other machines: the desk's buttons put it into the queue of the database."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

from facademap.errors import InputError
from facademap.limits import read_limits
from facademap.store.team_address import Address
from facademap.store.team_jobs import JobQueue, Queued
from facademap.web.jobs import KINDS, Jobs
from facademap.web.worker import QUEUEABLE

__all__ = ["DeskJobs", "QueuedJobs"]

_OURS = "queue-"
#: States of the queue as a page knows them; who waits for a worker is told as running from nothing.
_STATES = {"queued": "running", "cancelled": "stopped"}


class Told(Protocol):
    """A job as a page is told of it."""

    @property
    def state(self) -> str:
        """How it stands."""

    def as_json(self) -> dict[str, Any]:
        """What a page shows."""


class DeskJobs(Protocol):
    """What starts the long work of a desk, wherever it is done."""

    def start(self, kind: str, options: dict[str, Any], *, who: str) -> Told:
        """Begin."""

    def named(self, id: str) -> Told:
        """The job of that id."""

    def all(self) -> list[Any]:
        """Newest first."""

    def stop(self, id: str) -> Told:
        """Give up; nothing half done is stored."""

    def close(self) -> None:
        """The desk ends."""


@dataclass(frozen=True, slots=True)
class _InQueue:
    """A job of the queue."""

    job: Queued

    @property
    def state(self) -> str:
        """How it stands."""
        return _STATES.get(self.job.state, self.job.state)

    def as_json(self) -> dict[str, Any]:
        """What a page shows."""
        job = self.job
        error = {"problem": job.problem, "remedy": job.remedy or ""} if job.problem else None
        return {
            "id": f"{_OURS}{job.id}",
            "kind": job.kind,
            "title": KINDS[job.kind] + (" (waits for a worker)" if job.state == "queued" else ""),
            "state": self.state,
            "fraction": job.fraction,
            "result": job.result,
            "error": error,
            "seconds": _seconds(job),
        }


def _seconds(job: Queued) -> float:
    begin, end = (
        None if told is None else dt.datetime.fromisoformat(told)
        for told in (job.started_at or job.asked_at, job.ended_at)
    )
    return ((end or dt.datetime.now(dt.UTC)) - (begin or dt.datetime.now(dt.UTC))).total_seconds()


class QueuedJobs:
    """Jobs of one project: those that workers can do in the queue, the others here.

    Parameters
    ----------
    folder : Path
        Stands for the project here.
    address : Address
        Of the project in the database.
    """

    def __init__(self, folder: Path, address: Address) -> None:
        self._here = Jobs(folder)
        self._address = address

    def start(self, kind: str, options: dict[str, Any], *, who: str) -> Told:
        """Ask for a job; of each kind one waits or runs at a time.

        Raises
        ------
        InputError
            Unknown kind or limit, or one of it is there already.
        """
        if kind not in QUEUEABLE:
            return self._here.start(kind, options, who=who)
        if isinstance(words := options.get("limits"), str):
            read_limits([words])
        with JobQueue(self._address) as queue:
            if any(j.kind == kind and j.state in ("queued", "running") for j in self._mine(queue)):
                raise InputError(
                    f"{KINDS[kind]}: a job waits or runs already", "Wait for it, or stop it."
                )
            return _InQueue(queue.named(queue.add(self._address.project, kind, options, who=who)))

    def _mine(self, queue: JobQueue) -> list[Queued]:
        return [j for j in queue.all(last=200) if j.project == self._address.project]

    def named(self, id: str) -> Told:
        """The job of that id.

        Raises
        ------
        InputError
            There is none in this project.
        """
        if not id.startswith(_OURS):
            return self._here.named(id)
        number = id.removeprefix(_OURS)
        with JobQueue(self._address) as queue:
            job = queue.named(int(number)) if number.isdecimal() and len(number) < 10 else None
        if job is None or job.project != self._address.project:
            raise InputError("there is no such job", "Look at the jobs of this project.")
        return _InQueue(job)

    def all(self) -> list[Any]:
        """Newest first, whoever asked for them."""
        with JobQueue(self._address) as queue:
            return [*self._here.all(), *(_InQueue(j) for j in self._mine(queue))]

    def stop(self, id: str) -> Told:
        """Give up; nothing half done is stored."""
        told = self.named(id)
        if not isinstance(told, _InQueue):
            return self._here.stop(id)
        if told.state != "running":
            return told
        with JobQueue(self._address) as queue:
            return _InQueue(queue.cancel(told.job.id))

    def close(self) -> None:
        """Stop what runs here; what is in the queue goes on."""
        self._here.close()
