"""Connections that stall are closed: whoever sends nothing, or takes nothing, holds no place."""

from __future__ import annotations

import asyncio
from typing import ClassVar

from uvicorn.protocols.http.h11_impl import H11Protocol

__all__ = ["MOST_CONNECTIONS", "Watched"]


def _most_connections() -> int:
    """Half of the files that this process may open, since the others are needed for the project."""
    try:
        import resource
    except ImportError:  # not on this system
        return 500
    soft = resource.getrlimit(resource.RLIMIT_NOFILE)[0]
    return 1_000 if soft == resource.RLIM_INFINITY else max(50, min(1_000, soft // 2))


MOST_CONNECTIONS = _most_connections()


class Watched(H11Protocol):
    """The server's way of speaking HTTP, with an eye on the clock.

    A connection is broken off when the head of a request is not whole after ``head_s``, when nothing of a body came
    for ``quiet_s`` or it comes slower than ``least_bytes_per_s`` over ``slow_after_s``, and when the other side takes
    nothing of an answer for ``quiet_s``. Work of ours that takes long is not stalling. Where there are more connections
    than ``most``, those go first that have said nothing for longest, so that many that stall keep nobody out.
    """

    head_s: ClassVar[float] = 15.0
    quiet_s: ClassVar[float] = 30.0
    slow_after_s: ClassVar[float] = 60.0
    least_bytes_per_s: ClassVar[float] = 500.0
    look_every_s: ClassVar[float] = 2.0
    most: ClassVar[int] = MOST_CONNECTIONS

    _look: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Begin to watch."""
        super().connection_made(transport)
        now = self.loop.time()
        self._since = self._heard = self._taken = now
        self._came = self._waiting = 0
        self._answered = False
        self._look = self.loop.call_later(self.look_every_s, self._watch)
        if len(self.connections) > self.most:
            self._make_room()

    def data_received(self, data: bytes) -> None:
        """Something came."""
        self._heard, self._came = self.loop.time(), self._came + len(data)
        super().data_received(data)

    def on_response_complete(self) -> None:
        """The next request has its time from here."""
        self._since, self._came = self.loop.time(), 0
        super().on_response_complete()

    def connection_lost(self, exc: Exception | None) -> None:
        """Nothing more to watch."""
        if self._look is not None:
            self._look.cancel()
        super().connection_lost(exc)

    def _make_room(self) -> None:
        # those that were told to go leave a little later
        there = [c for c in self.connections if not c.transport.is_closing()]
        if len(there) <= self.most:
            return
        waiting = [c for c in there if isinstance(c, Watched) and c is not self and c.is_waiting]
        if waiting:
            min(waiting, key=lambda c: c._heard).transport.abort()
        else:
            self.transport.abort()  # everybody is being answered

    @property
    def is_waiting(self) -> bool:
        """Whether the other side has to say something before anything can be done for it."""
        cycle = self.cycle
        return cycle is None or cycle.response_complete or cycle.more_body

    def _watch(self) -> None:
        if self._has_stalled(self.loop.time()):
            self.transport.abort()
            return
        self._look = self.loop.call_later(self.look_every_s, self._watch)

    def _has_stalled(self, now: float) -> bool:
        waiting = self.transport.get_write_buffer_size()
        if waiting == 0 or waiting < self._waiting:
            self._taken = now
        self._waiting = waiting
        if now - self._taken > self.quiet_s:
            return True
        cycle = self.cycle
        if cycle is None or cycle.response_complete:
            return now - self._since > self.head_s
        if not cycle.more_body:
            return False
        slow = now - self._since > self.slow_after_s and self._came < self.least_bytes_per_s * (
            now - self._since
        )
        return slow or now - self._heard > self.quiet_s
