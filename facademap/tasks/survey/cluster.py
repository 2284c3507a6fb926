"""A Dask scheduler whose workers do part of a long piece of work."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator
from typing import Any

from facademap.errors import InputError

__all__ = ["cluster_client"]


@contextlib.contextmanager
def cluster_client(address: str) -> Iterator[Any]:
    """The client of a scheduler, closed at the end.

    Parameters
    ----------
    address : str

    Raises
    ------
    InputError
        The package is not installed, or nobody answers.
    """
    try:
        from distributed import Client
    except ImportError as error:
        raise InputError(
            "the package distributed is not installed, so no cluster can be used",
            "Install facademap with its cluster extra, or leave out --cluster.",
        ) from error
    try:
        connect: Callable[..., Any] = Client  # it says nothing of its types
        client = connect(address, timeout="10s")
    except (OSError, TimeoutError, ValueError) as error:
        raise InputError(
            f"no Dask scheduler answers at {address}", "Start it, or correct --cluster."
        ) from error
    with client:
        yield client
