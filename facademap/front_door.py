"""What a room offers: names that are loaded from where they live when they are first asked for."""

from __future__ import annotations

import importlib
from collections.abc import Callable, Mapping
from typing import Any

__all__ = ["door"]


def door(room: str, homes: Mapping[str, str]) -> Callable[[str], Any]:
    """A room's ``__getattr__``, so that a name of the front door costs nothing until it is used.

    Parameters
    ----------
    room : str
        ``__name__`` of the room.
    homes : mapping of name to module
        In which module of the room each name lives.

    Returns
    -------
    callable
    """

    def offered(name: str) -> Any:
        if name not in homes:
            raise AttributeError(f"module {room!r} has no attribute {name!r}")
        return getattr(importlib.import_module(f"{room}.{homes[name]}"), name)

    return offered
