"""Whoever guesses a secret waits, longer each time, and is written down."""

from __future__ import annotations

import ipaddress
import logging
import time
from collections.abc import Callable
from dataclasses import dataclass
from logging.handlers import RotatingFileHandler
from pathlib import Path

__all__ = ["Attempts", "open_log"]

#: The first slips of the finger cost nothing.
FREE = 3
FIRST_WAIT_S, LONGEST_WAIT_S = 1.0, 60.0
#: Failures are forgotten after a quiet time.
FORGET_S = 900.0
#: Over all addresses together, so that many of them gain little: failures that are free, and the wait after each more.
FREE_OVER_ALL, WAIT_OVER_ALL_S = 50, 1.0
MOST_ADDRESSES = 10_000
LOG_BYTES, LOG_FILES = 1_000_000, 2


@dataclass(slots=True)
class _Failures:
    count: int = 0
    last: float = 0.0
    until: float = 0.0


class Attempts:
    """Failed sign-ins by address, and over all.

    Parameters
    ----------
    log : logging.Logger
        Told of every sign-in, failed or not.
    clock : callable
        Seconds of a clock that only goes forward.
    """

    def __init__(self, log: logging.Logger, *, clock: Callable[[], float] = time.monotonic) -> None:
        self.log, self._clock = log, clock
        self._by_address: dict[str, _Failures] = {}
        self._all = _Failures()

    def wait_s(self, address: str) -> float:
        """Seconds until somebody of this address may try again; 0 for now."""
        now = self._clock()
        found = self._by_address.get(_net(address), _Failures())
        return max(0.0, found.until - now, self._all.until - now)

    def failed(self, address: str) -> float:
        """Count one; returns the seconds to wait."""
        now, net = self._clock(), _net(address)
        found = self._by_address.get(net)
        if found is None or now - found.last > FORGET_S:
            if len(self._by_address) >= MOST_ADDRESSES:
                self._by_address = {
                    a: f for a, f in self._by_address.items() if now - f.last <= FORGET_S
                }
            if len(self._by_address) >= MOST_ADDRESSES:
                del self._by_address[min(self._by_address, key=lambda a: self._by_address[a].last)]
            found = self._by_address[net] = _Failures()
        found.count, found.last = found.count + 1, now
        if found.count > FREE:
            steps = min(found.count - FREE - 1, 30)
            found.until = now + min(LONGEST_WAIT_S, FIRST_WAIT_S * 2**steps)
        if now - self._all.last > FORGET_S:
            self._all = _Failures()
        self._all.count, self._all.last = self._all.count + 1, now
        if self._all.count > FREE_OVER_ALL:
            self._all.until = now + WAIT_OVER_ALL_S
        wait = self.wait_s(address)
        self.log.warning(
            "sign-in failed from %s, %d in a row, next try in %.0f s", address, found.count, wait
        )
        return wait

    def succeeded(self, address: str, *, name: str, kind: str) -> None:
        """Signed in: the failures of this address are forgotten."""
        self._by_address.pop(_net(address), None)
        self.log.info("signed in from %s as %s (%s)", address, _plain(name), kind)

    def told(self, what: str, *, name: str) -> None:
        """Something else about sessions."""
        self.log.info("%s by %s", what, _plain(name) or "somebody")


class _File(RotatingFileHandler):
    """A log that cannot be written stops nobody from working."""

    def handleError(self, record: logging.LogRecord) -> None:  # noqa: N802
        """A full or read-only disk: said nowhere, since the terminal has the line already."""


def open_log(folder: Path | None) -> logging.Logger:
    """Failed sign-ins go to the terminal and, with all others, to ``sign-ins.log`` in the folder."""
    log = logging.Logger("facademap.sign-ins", logging.INFO)
    if folder is None:
        log.addHandler(logging.NullHandler())
        return log
    shown = logging.StreamHandler()
    shown.setLevel(logging.WARNING)
    kept = _File(
        folder / "sign-ins.log",
        maxBytes=LOG_BYTES,
        backupCount=LOG_FILES,
        encoding="utf-8",
        delay=True,
    )
    for handler in (shown, kept):
        handler.setFormatter(logging.Formatter("%(asctime)s %(message)s"))
        log.addHandler(handler)
    return log


def _net(address: str) -> str:
    """One house of IPv6 holds as many addresses as it likes; its network counts."""
    try:
        number = ipaddress.ip_address(address)
    except ValueError:
        return address[:80]
    if number.version == 6:
        if number.ipv4_mapped is not None:
            return str(number.ipv4_mapped)
        return str(ipaddress.ip_network((int(number), 64), strict=False))
    return str(number)


def _plain(name: str) -> str:
    """A name as one line of a log."""
    return "".join(c if c.isprintable() else "?" for c in name)[:80]
