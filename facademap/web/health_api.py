"""``/health`` and ``/metrics``: how a server does, for programs that watch it; nobody signs in for them.

They tell numbers and whether the project can be read. Names of people, projects, files and machines, and texts of errors are
in neither.
"""

from __future__ import annotations

import os
import threading
import time
from collections import Counter
from collections.abc import Iterable, Sequence

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response
from starlette.routing import Route

from facademap import __version__
from facademap.errors import FacademapError
from facademap.tasks.memory import memory_mb
from facademap.web.answers import Answer
from facademap.web.desk import Desk
from facademap.web.meter import BOUNDS_S, Meter
from facademap.web.queue_jobs import DeskJobs

__all__ = ["routes"]

#: So long an answer of the store holds, so that asking often is no burden.
_HOLDS_S = 1.0
#: The text form of the exposition format, edition 0.0.4.
_TEXT_FORM = "text/plain; version=0.0.4; charset=utf-8"
_STATES = ("running", "done", "failed", "stopped")

Sample = tuple[str, float]


_AWAY = "the rows of the project cannot be read"
_NEWER = "a newer facademap took the project up; this server is to be started anew with it"


class _Pulse:
    """Whether the store answers, asked by one at a time and seldom."""

    def __init__(self, desk: Desk) -> None:
        self._desk, self._asking = desk, threading.Lock()
        # a desk whose project could not be read would not have been opened
        self._at, self._problem = float("-inf"), ""

    def problem(self) -> str:
        """Why the project cannot be worked in now, or could not a moment ago; empty where it can."""
        # a database that is away is waited for by one request; the others are told what was last known
        if time.monotonic() - self._at > _HOLDS_S and self._asking.acquire(blocking=False):
            try:
                self._problem = self._ask()
                self._at = time.monotonic()
            finally:
                self._asking.release()
        return self._problem

    def _ask(self) -> str:
        for _ in range(2):  # a connection that was lost meanwhile is made anew at the second
            try:
                return _NEWER if self._desk.reading().is_newer else ""
            except FacademapError:
                continue
        return _AWAY


def routes(desk: Desk, jobs: DeskJobs, meter: Meter) -> list[Route]:
    """The two addresses."""
    pulse = _Pulse(desk)

    async def health(request: Request) -> Response:
        problem = await run_in_threadpool(pulse.problem)
        said = {
            "status": "failing" if problem else "ok",
            "store": "database" if desk.in_database else "file",
            "problem": problem,
        }
        return Answer(
            said, status_code=503 if problem else 200, headers={"cache-control": "no-store"}
        )

    async def metrics(request: Request) -> Response:
        answers = await run_in_threadpool(pulse.problem) != _AWAY
        text = "".join((*_of_server(desk, jobs, answers), *_of_requests(meter)))
        return PlainTextResponse(text, media_type=_TEXT_FORM, headers={"cache-control": "no-store"})

    return [Route("/health", health), Route("/metrics", metrics)]


def _family(name: str, kind: str, meaning: str, samples: Iterable[Sample]) -> str:
    """One measure with its samples, each by what follows its name."""
    lines = [f"# HELP {name} {meaning}", f"# TYPE {name} {kind}"]
    lines += [f"{name}{labels} {value:.10g}" for labels, value in samples]
    return "\n".join(lines) + "\n"


def _of_server(desk: Desk, jobs: DeskJobs, answers: bool) -> Sequence[str]:
    states = Counter(job.state for job in jobs.all())
    found = [
        _family("facademap_build_info", "gauge", "Edition of the program.", [(f'{{version="{__version__}"}}', 1)]),
        _family("facademap_store_up", "gauge", "Whether the rows of the project can be read.", [("", answers)]),
        _family("facademap_last_change", "gauge", "Number of the newest change that this server knows.", [("", desk.known)]),
        _family("facademap_hears", "gauge", "Whether the database tells this server of the edits of others.", [("", desk.hears)]),
        _family("facademap_jobs", "gauge", "Jobs of this server by state.", [(f'{{state="{s}"}}', states[s]) for s in _STATES]),
        _family("facademap_memory_bytes", "gauge", "Memory of the server's own.", [("", memory_mb(os.getpid()) * 1e6)]),
        _family("process_cpu_seconds_total", "counter", "Processor time of the server.", [("", time.process_time())]),
    ]  # fmt: skip
    try:
        disk = os.statvfs(desk.folder)
        free = disk.f_bavail * disk.f_frsize
    except (
        AttributeError,
        OSError,
    ):  # not told, or the folder is away: no number rather than a wrong one
        return found
    return [*found, _family("facademap_disk_free_bytes", "gauge", "Room left where pictures and papers lie.", [("", free)])]  # fmt: skip


def _of_requests(meter: Meter) -> Sequence[str]:
    name = "facademap_request_seconds"
    within = [
        *zip((f"{b:g}" for b in BOUNDS_S), meter.within, strict=False),
        ("+Inf", meter.within[-1]),
    ]
    lines = [f"# HELP {name} Time to answer, without requests that wait for news.", f"# TYPE {name} histogram"]  # fmt: skip
    lines += [f'{name}_bucket{{le="{bound}"}} {count}' for bound, count in within]
    lines += [f"{name}_sum {meter.seconds:.6f}", f"{name}_count {meter.within[-1]}"]
    answered = [
        (f'{{method="{method}",status="{status}"}}', count)
        for (method, status), count in sorted(meter.answers.items())
    ]
    return [
        _family("facademap_requests_total", "counter", "Requests answered since the start.", answered),
        _family("facademap_requests_open", "gauge", "Requests that are being answered.", [("", meter.open)]),
        _family("facademap_pages_waiting", "gauge", "Requests that wait for news.", [("", meter.held)]),
        _family("process_start_time_seconds", "gauge", "When the server started, seconds since 1970.", [("", meter.started)]),
        "\n".join(lines) + "\n",
    ]  # fmt: skip
