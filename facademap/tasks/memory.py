"""How much memory a process holds."""

from __future__ import annotations

import os
from pathlib import Path

__all__ = ["memory_mb", "memory_of_all_mb"]


def memory_mb(pid: int) -> float:
    """Memory of its own that a process holds now, MB; 0 where the system does not tell or there is no such process.

    Notes
    -----
    Files that it looks into without copying them do not count: the system takes those pages back when it needs them.
    """
    try:
        resident, shared = Path(f"/proc/{pid}/statm").read_text(encoding="ascii").split()[1:3]
    except (OSError, ValueError):
        return 0.0
    return (int(resident) - int(shared)) * os.sysconf("SC_PAGE_SIZE") / 1e6


def memory_of_all_mb(pid: int) -> float:
    """The same of a process and all that it started, and they; what cannot be told counts nothing."""
    total, waiting, seen = 0.0, [pid], {pid}
    while waiting:
        one = waiting.pop()
        total += memory_mb(one)
        for told in Path(f"/proc/{one}/task").glob("*/children"):
            try:
                children = [int(c) for c in told.read_text(encoding="ascii").split()]
            except (OSError, ValueError):
                continue
            waiting += [c for c in children if c not in seen]
            seen.update(children)
    return total
