"""Long work in a process of its own: progress, cancel, and a server that keeps answering meanwhile."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import threading
import time
import uuid
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from facademap.errors import InputError
from facademap.limits import Limits, limits_now, lower_of, read_limits
from facademap.tasks.memory import memory_of_all_mb

__all__ = ["KINDS", "Job", "Jobs"]

#: What may be asked for, with the words people see.
KINDS = {
    "plan": "plan the repairs",
    "match": "match blocks and repairs",
    "rectify": "rectify the photos",
    "papers": "make the papers",
    "tape": "place points by tape",
    "outlines": "read outlines",
    "control": "read a list of points",
    "stones": "propose the stones of the wall",
    "damage": "propose damage on the wall",
    "relief": "measure the relief of the wall",
}
MOST_AT_ONCE = 2
_KEPT = 40
_LOOK_EVERY_S = 0.25
#: A job that was asked to end may take so long to do so.
_PATIENCE_S = 5.0


@dataclass(slots=True, kw_only=True)
class Job:
    """One run."""

    id: str
    kind: str
    process: subprocess.Popen[str]
    started: float
    state: str = "running"
    fraction: float = 0.0
    result: Any = None
    error: dict[str, Any] | None = None
    ended: float | None = None
    excess: tuple[str, str] | None = None
    limits: Limits = field(default_factory=limits_now)
    lock: threading.Lock = field(default_factory=threading.Lock)

    def as_json(self) -> dict[str, Any]:
        """What a page shows."""
        return {
            "id": self.id,
            "kind": self.kind,
            "title": KINDS[self.kind],
            "state": self.state,
            "fraction": self.fraction,
            "result": self.result,
            "error": self.error,
            "seconds": (self.ended or time.monotonic()) - self.started,
        }


class Jobs:
    """All jobs of a server."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._jobs: dict[str, Job] = {}
        self._lock = threading.Lock()

    def start(self, kind: str, options: dict[str, Any], *, who: str) -> Job:
        """Begin; the same kind runs once at a time. ``limits`` among the options, as ``job_cores=1``, lower those of this process.

        Raises
        ------
        InputError
            Unknown kind or limit, or it is running already.
        """
        if kind not in KINDS:
            raise InputError(f"there is no job {kind[:40]!r}", f"Use one of {', '.join(KINDS)}.")
        words = options.get("limits", "")
        if not isinstance(words, str):
            raise InputError("limits are no text", "Send them as memory_mb=2000 job_cores=1.")
        limits = lower_of(limits_now(), read_limits([words]))
        options = {n: v for n, v in options.items() if n != "limits"}
        with self._lock:
            running = [j for j in self._jobs.values() if j.state == "running"]
            if any(j.kind == kind for j in running) or len(running) >= MOST_AT_ONCE:
                raise InputError(
                    f"{KINDS[kind]}: a job is running already", "Wait for it, or stop it."
                )
            order = json.dumps(
                {
                    "kind": kind,
                    "folder": str(self._folder),
                    "who": who,
                    "options": options,
                    "limits": f"memory_mb={limits.memory_mb} job_cores={limits.job_cores} job_s={limits.job_s}",
                }
            )
            process = subprocess.Popen(
                [sys.executable, "-m", "facademap.web.job_process"],
                stdin=subprocess.PIPE,
                text=True,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                env={**os.environ, "PYTHONUNBUFFERED": "1", **_threads(limits.job_cores)},
            )
            assert process.stdin is not None
            # the pipe stays open: when this server is gone it breaks, and the job ends too instead of writing alone
            process.stdin.write(order + "\n")
            process.stdin.flush()
            job = Job(
                id=uuid.uuid4().hex,
                kind=kind,
                process=process,
                started=time.monotonic(),
                limits=limits,
            )
            self._jobs[job.id] = job
            for old in list(self._jobs)[:-_KEPT]:
                if self._jobs[old].state != "running":
                    del self._jobs[old]
        for work in (self._follow, self._watch):
            threading.Thread(target=work, args=(job,), daemon=True).start()
        return job

    def named(self, id: str) -> Job:
        """The job of that id."""
        if id not in self._jobs:
            raise InputError(
                "there is no such job", "It may have ended before the server started again."
            )
        return self._jobs[id]

    def all(self) -> list[Job]:
        """Newest first."""
        return list(reversed(self._jobs.values()))

    def stop(self, id: str) -> Job:
        """Cancel; what was not stored is not stored, and the project stays as it was."""
        job = self.named(id)
        with job.lock:
            if job.state == "running":
                job.state, job.ended = "stopped", time.monotonic()
                job.process.terminate()
                threading.Thread(target=self._kill_if_stuck, args=(job,), daemon=True).start()
        return job

    @staticmethod
    def _kill_if_stuck(job: Job) -> None:
        try:
            job.process.wait(_PATIENCE_S)
        except subprocess.TimeoutExpired:
            job.process.kill()

    def close(self) -> None:
        """Stop everything."""
        for job in self.all():
            self.stop(job.id)

    def _watch(self, job: Job) -> None:
        """End a job that takes more time or memory than it may, as when it is stuck."""
        limits = job.limits
        while job.process.poll() is None:
            time.sleep(_LOOK_EVERY_S)
            if time.monotonic() - job.started > limits.job_s:
                job.excess = f"stopped after {limits.job_s} s, the limit job_s", "job_s"
            elif memory_of_all_mb(job.process.pid) > limits.memory_mb:
                job.excess = (
                    f"stopped at more than {limits.memory_mb} MB of memory, the limit memory_mb",
                    "memory_mb",
                )
            else:
                continue
            job.process.kill()
            return

    def _follow(self, job: Job) -> None:
        assert job.process.stdout is not None
        for line in job.process.stdout:
            try:
                message = json.loads(line)
            except ValueError:
                continue
            if "fraction" in message:
                job.fraction = max(job.fraction, min(1.0, float(message["fraction"])))
            job.result, job.error = (
                message.get("result", job.result),
                message.get("error", job.error),
            )
        job.process.wait()
        if job.process.stdin is not None:
            job.process.stdin.close()
        with job.lock:
            if job.state != "running":
                return
            job.ended = time.monotonic()
            if job.result is not None and job.process.returncode == 0:
                job.state, job.fraction = "done", 1.0
            else:
                job.state = "failed"
                job.error = job.error or _unexplained(job)


def _threads(cores: int) -> dict[str, str]:
    """What libraries with threads of their own are told, where a work may not use every core."""
    if cores >= (os.cpu_count() or 1):
        return {}
    names = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "NUMBA_NUM_THREADS", "GDAL_NUM_THREADS")
    return dict.fromkeys(names, str(cores))


def _unexplained(job: Job) -> dict[str, Any]:
    """A job that ended without a word, mostly killed by the system for want of memory."""
    if job.excess is not None:
        what, limit = job.excess
        return {
            "problem": f"{KINDS[job.kind]}: {what}; nothing of it was stored",
            "remedy": f"Give it less, or start the server with --limit {limit}=NUMBER to allow more.",
        }
    code = job.process.returncode
    how = f"signal {-code}" if code and code < 0 else f"exit code {code}"
    return {
        "problem": f"{KINDS[job.kind]}: the work was broken off ({how}); nothing of it was stored",
        "remedy": "Close other programs if memory is short, and start it again; the project is as it was.",
    }
