"""The kernels, compiled or as plain Python. Both give the same numbers; compiled ones take time to load."""

from __future__ import annotations

import functools
import importlib
import types
from typing import Any

from facademap.match import kernels as plain

__all__ = ["MOST_TOGETHER", "kernels"]

#: Most blanks on one slab that the exact layout looks at.
MOST_TOGETHER = 8


@functools.lru_cache(maxsize=2)
def kernels(compiled: bool) -> Any:
    """A namespace with the functions of ``kernels.py``.

    Parameters
    ----------
    compiled : bool
        Compile with numba. Where numba may write to its cache folder (``NUMBA_CACHE_DIR``), that is
        done once a machine; where it may not, it is done once a process.
    """
    if not compiled:
        return plain
    numba = importlib.import_module("numba")
    space: dict[str, Any] = {k: v for k, v in vars(plain).items() if not isinstance(v, types.FunctionType)}
    space["__name__"] = plain.__name__

    def compile_one(function: Any, name: str, names: dict[str, Any]) -> Any:
        copy = types.FunctionType(function.__code__, names, name)
        copy.__module__ = plain.__name__
        copy.__qualname__ = name
        try:
            return numba.njit(cache=True)(copy)
        except RuntimeError:  # no folder for the cache may be written
            return numba.njit(copy)

    for function in plain.KERNELS:
        space[function.__name__] = compile_one(function, function.__name__, space)
    return types.SimpleNamespace(**space)
