"""A worker: takes jobs from the queue of a database and does them, each in a process of its own."""

from __future__ import annotations

import os
import socket
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, Protocol

from facademap.errors import FacademapError
from facademap.store.team_address import Address
from facademap.store.team_jobs import JobQueue, Queued
from facademap.web.answers import as_plain
from facademap.web.jobs import Jobs

__all__ = ["QUEUEABLE", "work"]

#: Jobs that need nothing but their project and a few words.
QUEUEABLE = ("plan", "match", "rectify", "papers", "stones", "damage", "relief")
_LOOK_EVERY_S = 0.25
_WAIT_S = 5.0
#: How soon a database that is away is tried again.
AGAIN_S = 2.0


class _Running(Protocol):
    """What is known of a job that runs here."""

    id: str
    state: str
    fraction: float
    result: Any
    error: dict[str, Any] | None


class Runner(Protocol):
    """Starts and stops the work itself."""

    def start(self, kind: str, options: dict[str, Any], *, who: str) -> _Running:
        """Begin."""

    def stop(self, id: str) -> _Running:
        """Give up; nothing half done is stored."""


def work(
    address: Address,
    folder_of: Callable[[str], Path],
    *,
    until_empty: bool = False,
    say: Callable[[str], None] = lambda text: None,
    ended: threading.Event | None = None,
    runner: Callable[[Path], Runner] = Jobs,
) -> int:
    """Do jobs until told to end; returns how many were done, failed ones too.

    Parameters
    ----------
    address : Address
        Of a database; with a project, its jobs alone.
    folder_of : callable
        The folder that stands for a project.
    until_empty : bool
        Whether to end when nothing waits. A database that is away is then an error, else it is waited for.
    say : callable
        Told what is begun and how it ended.
    ended : Event, optional
        Set to make it end; what runs is put back into the queue.
    runner : callable
        Makes what does the work in a folder.

    Raises
    ------
    ProjectError
        The database cannot be reached, with ``until_empty``.
    """
    end = ended or threading.Event()
    name = f"{socket.gethostname()}:{os.getpid()}"
    done = 0
    while not end.is_set():
        try:
            with JobQueue(address) as queue:
                while not end.is_set():
                    job = queue.take(name, project=address.project)
                    if job is not None:
                        say(f"job {job.id}: {job.kind} of {job.project} for {job.who}")
                        say(f"job {job.id}: {_do(queue, job, folder_of, runner, end)}")
                        done += 1
                    elif until_empty:
                        return done
                    else:
                        queue.wait(_WAIT_S)
        except FacademapError as error:
            if until_empty:
                raise
            say(str(error))
            end.wait(AGAIN_S)
    return done


def _do(
    queue: JobQueue,
    job: Queued,
    folder_of: Callable[[str], Path],
    runner: Callable[[Path], Runner],
    end: threading.Event,
) -> str:
    try:
        jobs = runner(folder_of(job.project))
        running = jobs.start(job.kind, dict(job.options), who=job.who)
    except FacademapError as error:
        queue.finish(job, state="failed", problem=error.problem, remedy=error.remedy)
        return f"failed: {error}"
    try:
        while running.state == "running":
            time.sleep(_LOOK_EVERY_S)
            if end.is_set():
                jobs.stop(running.id)
                queue.finish(job, state="queued")
                return "put back, since this worker ends"
            if not queue.tell(job.id, running.fraction):
                jobs.stop(running.id)
                queue.finish(job, state="cancelled")
                return "cancelled"
    except BaseException:
        # without its connection this worker does not hold the job any more, and another one begins it
        jobs.stop(running.id)
        raise
    if running.state == "done":
        queue.finish(job, state="done", result=as_plain(running.result))
        return "done"
    error_told = running.error or {}
    problem = str(error_told.get("problem", "it ended without a word"))
    queue.finish(job, state="failed", problem=problem, remedy=str(error_told.get("remedy", "")))
    return f"failed: {problem}"
