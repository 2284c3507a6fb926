"""A command within its limits: those of the environment and of ``--limit``, its time and its memory."""

from __future__ import annotations

import contextlib
import os
import sys
import threading
import time
from collections.abc import Callable, Iterator, Sequence

import click

from facademap.errors import FacademapError
from facademap.limits import (
    VARIABLE,
    Limits,
    as_words,
    limits_now,
    raise_limit,
    read_limits,
    set_limits,
)
from facademap.tasks.memory import memory_mb

__all__ = ["held"]

_LOOK_EVERY_S = 0.25
#: These wait for people; their long work has limits of its own.
_ENDLESS = frozenset({"serve", "work"})


@contextlib.contextmanager
def held(words: Sequence[str], *, on_excess: Callable[[FacademapError], None]) -> Iterator[None]:
    """Other limits while a command runs, and an end to one that takes more time or memory than it may.

    Parameters
    ----------
    words : sequence of str
        As given with ``--limit``.
    on_excess : callable
        Told why the command is stopped; the process ends after it.

    Notes
    -----
    It ends as if it were killed: whatever it had not stored whole is not stored, and its scratch is cleared by the
    next command.
    """
    before, inherited = limits_now(), os.environ.get(VARIABLE)
    limits = read_limits([inherited or "", *words])
    set_limits(limits)
    # what is started by this command keeps within the same
    os.environ[VARIABLE] = as_words(limits)
    context = click.get_current_context(silent=True)
    ended = threading.Event()
    if context is None or context.info_name not in _ENDLESS:
        threading.Thread(target=_watch, args=(limits, ended, on_excess), daemon=True).start()
    try:
        yield
    finally:
        ended.set()
        set_limits(before)
        if inherited is None:
            os.environ.pop(VARIABLE, None)
        else:
            os.environ[VARIABLE] = inherited


def _watch(
    limits: Limits, ended: threading.Event, on_excess: Callable[[FacademapError], None]
) -> None:
    began = time.monotonic()
    while not ended.wait(_LOOK_EVERY_S):
        if time.monotonic() - began > limits.job_s:
            excess = FacademapError(
                f"stopped after {limits.job_s} s, the limit job_s; nothing half-written was kept",
                f"Give it less, {raise_limit('job_s')}.",
            )
        elif memory_mb(os.getpid()) > limits.memory_mb:
            excess = FacademapError(
                f"stopped at more than {limits.memory_mb} MB of memory, the limit memory_mb; "
                "nothing half-written was kept",
                f"Give it less at once, {raise_limit('memory_mb')}.",
            )
        else:
            continue
        on_excess(excess)
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(2)
