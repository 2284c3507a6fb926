"""Costly answers, made in processes that can be stopped: nobody else waits for them, and a stuck one is ended."""

from __future__ import annotations

import contextlib
import os
import selectors
import subprocess
import sys
import threading
import time
import uuid
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import anyio
import anyio.to_thread
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from facademap import errors
from facademap.errors import FacademapError, InputError, SolveError
from facademap.limits import limits_now
from facademap.tasks.memory import memory_mb
from facademap.web.answers import Answer, failure, read_body, threaded
from facademap.web.apart_process import read_frame, write_frame
from facademap.web.costly import SLOW, TASKS, TITLES, Tools

__all__ = ["Apart", "Order", "UnforeseenError", "apart", "routes"]

#: Processes for what is asked often, and for what takes many seconds.
QUICK_AT_ONCE, SLOW_AT_ONCE = 2, 1
#: A process that has nothing to do is ended, and its memory given back.
IDLE_S = 600.0
LOOK_EVERY_S = 0.2
COMMAND = (sys.executable, "-m", "facademap.web.apart_process")
Order = tuple[str, Mapping[str, Any]]


class UnforeseenError(RuntimeError):
    """A fault of ours in a process of its own."""


@dataclass(slots=True, kw_only=True)
class _Running:
    """One answer that is being made."""

    id: str
    task: str
    began: float
    worker: _Worker | None = None
    why: str = ""


@dataclass(slots=True, kw_only=True)
class _Worker:
    """A process that makes answers, one at a time."""

    process: subprocess.Popen[bytes]
    used: float = 0.0

    def end(self) -> None:
        self.process.kill()
        self.process.wait()
        for pipe in (self.process.stdin, self.process.stdout):
            if pipe is not None:
                with contextlib.suppress(OSError):
                    pipe.close()


@dataclass(slots=True)
class _Lane:
    """Processes of one kind; as many answers at once as there may be processes."""

    most: int
    idle: list[_Worker] = field(default_factory=list)
    limiter: anyio.CapacityLimiter | None = None


class Apart:
    """Makes costly answers.

    Parameters
    ----------
    tools : Tools
        Of this process; they make the answers when there are to be no others, as in tests of what is answered.
    model : Path, optional
        Segmentation model, for the processes.
    processes : bool
        Whether answers are made in processes of their own.
    """

    def __init__(self, tools: Tools, *, model: Path | None = None, processes: bool = False) -> None:
        self._tools, self._model, self._processes = tools, model, processes
        self._lanes = {False: _Lane(QUICK_AT_ONCE), True: _Lane(SLOW_AT_ONCE)}
        self._running: dict[str, _Running] = {}
        self._lock = threading.Lock()
        self._closed = False

    def make_ready(self) -> None:
        """Start a process before it is asked for: reading what it works with takes it a second or two."""
        if self._processes and not self._closed:
            lane = self._lanes[False]
            worker = self._take(lane)
            worker.used = time.monotonic()
            with self._lock:
                lane.idle.append(worker)

    async def answer(self, order: Order, *, gone: Callable[[], Any] | None = None) -> Any:
        """Make one answer; whoever waits takes no thread from others, and waits no longer than the limit ``answer_s``.

        Parameters
        ----------
        order : (task, values)
        gone : coroutine function, optional
            Whether the one who asked is gone; then the work is stopped.
        """
        task, given = order
        if not self._processes:
            return await anyio.to_thread.run_sync(lambda: TASKS[task](self._tools, **given))
        lane = self._lanes[task in SLOW]
        if lane.limiter is None:
            lane.limiter = anyio.CapacityLimiter(lane.most)
        running = _Running(id=uuid.uuid4().hex[:12], task=task, began=time.monotonic())
        self._running[running.id] = running
        told: list[Any] = []
        try:
            async with anyio.create_task_group() as group:
                if gone is not None:
                    group.start_soon(self._stop_when_gone, running, gone)
                try:
                    told.append(
                        await anyio.to_thread.run_sync(
                            self._make, lane, running, dict(given), limiter=lane.limiter
                        )
                    )
                except (FacademapError, UnforeseenError) as error:
                    told.append(error)
                group.cancel_scope.cancel()
        finally:
            self._running.pop(running.id, None)
        if isinstance(told[0], (FacademapError, UnforeseenError)):
            raise told[0]
        return told[0]

    def run(self, task: str, **given: Any) -> Any:
        """Make one answer, for callers that have a thread of their own."""
        return (
            anyio.from_thread.run(self.answer, (task, given))
            if self._processes
            else TASKS[task](self._tools, **given)
        )

    @property
    def tools(self) -> Tools:
        """Those of this process."""
        return self._tools

    def all(self) -> list[dict[str, Any]]:
        """What is being made, longest first."""
        now = time.monotonic()
        return [
            {"id": r.id, "task": r.task, "title": TITLES[r.task], "seconds": now - r.began}
            for r in sorted(self._running.values(), key=lambda r: r.began)
        ]

    def stop(self, id: str, *, why: str = "was stopped") -> None:
        """End one piece of work, together with its process.

        Raises
        ------
        InputError
            There is none of that id.
        """
        running = self._running.get(id)
        if running is None:
            raise InputError("there is no such work", "It may have ended already.")
        running.why = why
        worker = running.worker
        if worker is not None:
            worker.process.kill()

    def close(self) -> None:
        """End every process."""
        self._closed = True
        with self._lock:
            for running in self._running.values():
                if running.worker is not None:
                    running.worker.process.kill()
            for lane in self._lanes.values():
                while lane.idle:
                    lane.idle.pop().end()

    async def _stop_when_gone(self, running: _Running, gone: Callable[[], Any]) -> None:
        while not await gone():
            await anyio.sleep(0.5)
        with contextlib.suppress(InputError):
            self.stop(running.id, why="was stopped, since nobody waits for it")

    # -- in the thread that waits for one process --------------------------------------------------------------------

    def _make(self, lane: _Lane, running: _Running, given: dict[str, Any]) -> Any:
        if running.why or self._closed:
            raise SolveError(
                f"{TITLES[running.task]}: {running.why or 'was stopped'}", "Ask again."
            )
        worker = self._take(lane)
        running.worker, sound = worker, False
        try:
            assert worker.process.stdin is not None
            write_frame(worker.process.stdin, (running.task, given))
            told = self._wait(running, worker)
            sound = True
        except (EOFError, OSError, ValueError):
            code = worker.process.wait()
            raise SolveError(
                f"{TITLES[running.task]}: {running.why or f'was broken off (exit code {code})'}",
                "Ask again."
                if running.why
                else "Ask again; close other programs if memory is short.",
            ) from None
        finally:
            running.worker = None
            self._give_back(lane, worker, sound=sound)
        if "refused" in told:
            raise _error(told["refused"])
        if "fault" in told:
            raise UnforeseenError(told["fault"])
        return told["answer"]

    def _wait(self, running: _Running, worker: _Worker) -> Any:
        """The answer; a process beyond its time or memory is killed, and says why by its end."""
        assert worker.process.stdout is not None
        limits, began = limits_now(), time.monotonic()
        with selectors.DefaultSelector() as ready:
            ready.register(worker.process.stdout, selectors.EVENT_READ)
            while not ready.select(LOOK_EVERY_S):
                if time.monotonic() - began > limits.answer_s:
                    running.why = (
                        f"was stopped after {limits.answer_s} s, the limit answer_s; start the server with "
                        "--limit answer_s=NUMBER to allow more"
                    )
                elif memory_mb(worker.process.pid) > limits.memory_mb:
                    running.why = (
                        f"was stopped at more than {limits.memory_mb} MB of memory, the limit memory_mb; start the "
                        "server with --limit memory_mb=NUMBER to allow more"
                    )
                else:
                    continue
                worker.process.kill()
                raise EOFError
        return read_frame(worker.process.stdout)

    def _take(self, lane: _Lane) -> _Worker:
        with self._lock:
            now = time.monotonic()
            for kept in [w for w in lane.idle if now - w.used > IDLE_S]:
                lane.idle.remove(kept)
                kept.end()
            while lane.idle:
                # the one used last is warm, and the others may end
                worker = lane.idle.pop()
                if worker.process.poll() is None:
                    return worker
                worker.end()
        process = subprocess.Popen(
            COMMAND,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            env=dict(os.environ),
        )
        assert process.stdin is not None
        write_frame(process.stdin, {"folder": str(self._tools.folder), "model": self._model})
        return _Worker(process=process)

    def _give_back(self, lane: _Lane, worker: _Worker, *, sound: bool) -> None:
        if not sound or self._closed or worker.process.poll() is not None:
            worker.end()
            return
        worker.used = time.monotonic()
        with self._lock:
            lane.idle.append(worker)


def _error(told: Mapping[str, Any]) -> FacademapError:
    """An error of a process as it was raised there."""
    kind = getattr(errors, told["type"], InputError)
    made: FacademapError = kind(told["problem"], told["remedy"])
    for name, value in told["more"].items():
        setattr(made, name, value)
    return made


def apart(
    pool: Apart,
    ask: Callable[[Request, Any], Order],
    show: Callable[[Any], Response] | None = None,
) -> Callable[[Request], Awaitable[Response]]:
    """An endpoint whose answer is costly.

    Parameters
    ----------
    pool : Apart
    ask : callable
        Task and values from ``(request, body)``; quick.
    show : callable, optional
        Response from the answer; JSON when left out.
    """

    async def endpoint(request: Request) -> Response:
        try:
            body = await read_body(request) if request.method not in ("GET", "HEAD") else None
            told = await pool.answer(ask(request, body), gone=request.is_disconnected)
        except FacademapError as error:
            return failure(error)
        return show(told) if show is not None else Answer(told)

    return endpoint


def routes(pool: Apart) -> list[Route]:
    """Addresses that tell what is being made, and stop it."""

    def every(request: Request, body: Any) -> Any:
        return {"running": pool.all()}

    def stop(request: Request, body: Any) -> Any:
        pool.stop(request.path_params["id"])
        return {"stopped": request.path_params["id"]}

    return [
        Route("/api/running", threaded(every)),
        Route("/api/running/{id}/stop", threaded(stop), methods=["POST"]),
    ]
