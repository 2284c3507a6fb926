"""``facademap jobs``: long work that waits in a database for workers on any machine."""

from __future__ import annotations

import contextlib
import json
import signal
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import click

from facademap.cli.show import Show, command_options

__all__ = ["command"]

_WHERE = click.argument("where")


@click.group("jobs")
def command() -> None:
    """Long work of projects in a database: asked for here, done by workers. WHERE is a project or a database."""


def _address(where: str) -> Any:
    from facademap.store.team_address import is_address, read_address, read_team_file

    return read_address(where) if is_address(where) else read_team_file(Path(where))[0]


def _told(job: Any) -> dict[str, Any]:
    return {n: getattr(job, n) for n in type(job).__dataclass_fields__}


def _line(job: Any) -> str:
    state = f"{job.state} ({job.fraction:.0%})" if job.state == "running" else job.state
    limits = f" ({job.options['limits']})" if job.options.get("limits") else ""
    begun = f", begun {job.attempts} times" if job.attempts > 1 else ""
    why = f": {job.problem}; fix: {job.remedy}" if job.problem else ""
    return f"{job.id}: {job.kind} of {job.project} for {job.who}{limits}, {state}{begun}{why}"


@command.command("add")
@_WHERE
@click.argument("kind")
@click.option("--set", "options", multiple=True, metavar="NAME=JSON", help="An option of the job, as time_limit_s=60.")  # fmt: skip
@click.option("--memory-mb", type=click.IntRange(min=100), help="It is stopped when it takes more memory.")  # fmt: skip
@click.option("--cores", type=click.IntRange(min=1), help="Processor cores that it may use.")
@click.option("--job-s", type=click.IntRange(min=1), help="It is stopped when it takes longer.")
@click.option("--who", default="office", show_default=True, help="Who asks.")
@command_options
def add(
    where: str,
    kind: str,
    options: tuple[str, ...],
    memory_mb: int | None,
    cores: int | None,
    job_s: int | None,
    who: str,
    show: Show,
) -> None:
    """Ask for a job of a project: plan, match, rectify, papers, stones, damage or relief.

    Its limits can only be lower than those of the worker that does it.
    """
    from facademap.errors import InputError
    from facademap.store.team_jobs import JobQueue
    from facademap.store.team_schema import projects_in
    from facademap.web.worker import QUEUEABLE

    address = _address(where)
    if kind not in QUEUEABLE:
        raise InputError(f"there is no job {kind[:40]!r}", f"Use one of {', '.join(QUEUEABLE)}.")
    if not address.project or address.project not in projects_in(address):
        raise InputError(
            f"{address.project or 'nothing'}: no project of this database that you may see",
            "Name one after #, as in postgresql://host/database#sail_loft.",
        )
    given: dict[str, Any] = {}
    for option in options:
        name, _, value = option.partition("=")
        try:
            given[name] = json.loads(value)
        except ValueError:
            given[name] = value
    own = {"memory_mb": memory_mb, "job_cores": cores, "job_s": job_s}
    if limits := " ".join(f"{name}={value}" for name, value in own.items() if value is not None):
        given["limits"] = limits
    with JobQueue(address) as queue:
        job = queue.named(queue.add(address.project, kind, given, who=who))
    show.result(_told(job), text=f"job {job.id} waits for a worker")


@command.command("list")
@_WHERE
@click.option("--last", type=click.IntRange(1, 1000), default=20, show_default=True)
@command_options
def list_jobs(where: str, last: int, show: Show) -> None:
    """The newest jobs, their states, and why one failed."""
    from facademap.store.team_jobs import JobQueue

    with JobQueue(_address(where)) as queue:
        jobs = queue.all(last=last)
    show.result({"jobs": [_told(j) for j in jobs]}, text=[_line(j) for j in jobs] or "no jobs")


@command.command("cancel")
@_WHERE
@click.argument("number", type=int)
@command_options
def cancel(where: str, number: int, show: Show) -> None:
    """Give up a job that waits or runs; nothing half done is stored."""
    from facademap.store.team_jobs import JobQueue

    with JobQueue(_address(where)) as queue:
        job = queue.cancel(number)
    said = "is being given up" if job.state == "running" else "is cancelled"
    show.result(_told(job), text=f"job {number} {said}")


@command.command("resume")
@_WHERE
@click.argument("number", type=int)
@command_options
def resume(where: str, number: int, show: Show) -> None:
    """Have a job that failed or was cancelled done after all."""
    from facademap.store.team_jobs import JobQueue

    with JobQueue(_address(where)) as queue:
        job = queue.resume(number)
    show.result(_told(job), text=f"job {number} waits again")


@command.command("rights")
@_WHERE
@click.argument("role")
@click.option("--may", type=click.Choice(["nothing", "edit"]), required=True)
@command_options
def rights(where: str, role: str, may: str, show: Show) -> None:
    """Let ROLE ask for jobs and work at them, or not."""
    from facademap.store.team_jobs import JobQueue

    with JobQueue(_address(where)) as queue:
        queue.set_rights(role, may=may == "edit")
    show.result({"role": role, "may": may}, text=f"{role}: may {may} jobs")


@command.command("work")
@_WHERE
@click.option("--until-empty", is_flag=True, help="End when nothing waits.")
@command_options
def work_at(where: str, until_empty: bool, show: Show) -> None:
    """Be a worker until Ctrl-C. Each job runs in a process of its own, within --limit memory_mb, job_cores and job_s."""
    import dataclasses

    from facademap.store.team_address import is_address
    from facademap.tasks.project.team import join_project
    from facademap.web.worker import work

    address = _address(where)

    def folder_of(project: str) -> Path:
        if not is_address(where):
            return Path(where)
        return join_project(str(dataclasses.replace(address, project=project)))

    ended = threading.Event()
    with _ended_by_signals(ended):
        done = work(address, folder_of, until_empty=until_empty, say=show.say, ended=ended)
    show.result({"jobs": done}, text=f"{done} jobs")


@contextlib.contextmanager
def _ended_by_signals(ended: threading.Event) -> Iterator[None]:
    """Ctrl-C and an orderly end let the worker put its job back, instead of breaking off."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    signs = (signal.SIGINT, signal.SIGTERM)
    before = [signal.signal(sign, lambda *_: ended.set()) for sign in signs]
    try:
        yield
    finally:
        for sign, handler in zip(signs, before, strict=True):
            signal.signal(sign, handler)
