"""Which block a remainder comes from."""

from __future__ import annotations

from collections.abc import Callable

__all__ = ["is_own_ancestor"]


def is_own_ancestor(block: str, parent_of: Callable[[str], str | None]) -> bool:
    """Whether a block comes, over any number of cuts, from itself.

    Parameters
    ----------
    block : str
        The block asked about.
    parent_of : callable
        Name of a block to the name of the one it was cut from, or ``None``.
    """
    seen: set[str] = set()
    parent = parent_of(block)
    while parent is not None and parent not in seen:
        if parent == block:
            return True
        seen.add(parent)
        parent = parent_of(parent)
    return False
