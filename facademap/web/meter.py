"""What a server counts of its own work: requests, how long they took, and how they ended."""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Awaitable, Callable, MutableMapping
from typing import Any

__all__ = ["BOUNDS_S", "METHODS", "Meter"]

Send = Callable[[MutableMapping[str, Any]], Awaitable[None]]

#: Upper ends of the classes of time by which answers are counted, seconds.
BOUNDS_S = (0.01, 0.05, 0.15, 0.5, 1.0, 5.0)
#: Methods that are told by name; whoever invents others cannot make the list grow.
METHODS = frozenset({"GET", "HEAD", "POST"})
#: Requests that are held until there is news: how long they take says nothing.
_HELD = "/api/changes"


class Meter:
    """Counts of one server since it started. Touched by the one thread that answers, and by no other."""

    def __init__(self) -> None:
        self.started = time.time()
        #: Answers by method and the first digit of their status.
        self.answers: Counter[tuple[str, str]] = Counter()
        #: Answers that took no longer than each bound, and all of them at the end.
        self.within = [0] * (len(BOUNDS_S) + 1)
        self.seconds = 0.0
        #: Requests that are being answered, those that wait for news apart.
        self.open = self.held = 0

    async def counted(
        self, scope: MutableMapping[str, Any], send: Send, answer: Callable[[Send], Awaitable[None]]
    ) -> None:
        """Answer a request, and count it, whatever comes of it.

        Parameters
        ----------
        scope : mapping
            Of the request.
        send : callable
            Takes the messages of the answer.
        answer : callable
            Answers by what it is given in place of ``send``.
        """
        status = 0

        async def heard(message: MutableMapping[str, Any]) -> None:
            nonlocal status
            status = message.get("status", status)
            await send(message)

        held = scope["path"] == _HELD
        since = time.perf_counter()
        self.held, self.open = self.held + held, self.open + (not held)
        try:
            await answer(heard)
        finally:
            self.held, self.open = self.held - held, self.open - (not held)
            method = scope["method"] if scope["method"] in METHODS else "other"
            # one that was given up before it was answered has no status
            self.answers[method, f"{status // 100}xx" if status else "none"] += 1
            if not held:
                self._took(time.perf_counter() - since)

    def _took(self, seconds: float) -> None:
        self.seconds += seconds
        self.within[-1] += 1
        for n, bound in enumerate(BOUNDS_S):
            self.within[n] += seconds <= bound
