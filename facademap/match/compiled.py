"""The kernels, compiled or as plain Python. Both give the same numbers; compiled ones take time to load."""

from __future__ import annotations

import functools
import hashlib
import importlib
import types
from typing import Any

from facademap.match import (
    kernels_box,
    kernels_group,
    kernels_place,
    kernels_rebuild,
    kernels_saw,
    kernels_values,
)

__all__ = ["digest_of_kernels", "kernels"]

#: The functions to compile, in order: those that call come after those that are called.
_KERNELS: tuple[Any, ...] = (
    kernels_place.point_on_face,
    kernels_place.clear_at,
    kernels_place.hulls_of,
    kernels_place.free_edges,
    kernels_place.lowest,
    kernels_place.first_place,
    kernels_place.one,
    kernels_box.keep_size,
    kernels_box.narrowest,
    kernels_box.flattest,
    kernels_box.beside,
    kernels_box.above,
    kernels_box.box_sets,
    kernels_saw.layout,
    kernels_saw.fill,
    kernels_saw.fill_some,
    kernels_saw.parts_from,
    kernels_saw.pairs_apart,
    kernels_saw.side_by_side,
    kernels_group.of_every_set,
    kernels_group.can_cut,
    kernels_group.reach_of,
    kernels_group.put,
    kernels_group.may_join,
    kernels_group.least_fault,
    kernels_group.learn,
    kernels_group.best_group,
    kernels_rebuild.cut_up,
    kernels_rebuild.insert,
    kernels_rebuild.choose_faces,
    kernels_rebuild.lift,
    kernels_rebuild.by_liking,
    kernels_rebuild.other_face_filled,
    kernels_rebuild.keep,
    kernels_rebuild.rebuild,
)

#: Those that are small and called in the innermost loops become part of what calls them. A tuple of arrays costs
#: a count of references for each array at every call, two to four times the time of such a function.
_PART_OF_CALLER = frozenset(
    {
        "above",
        "beside",
        "by_liking",
        "clear_at",
        "cut_up",
        "flattest",
        "insert",
        "keep_size",
        "may_join",
        "narrowest",
        "other_face_filled",
        "put",
        "reach_of",
    }
)


def digest_of_kernels() -> str:
    """Short text that changes whenever one of the kernels, or of the tuples that they take, does."""
    digest = hashlib.sha256(repr(sorted(_PART_OF_CALLER)).encode())
    for name in kernels_values.__all__:
        digest.update(f"{name} {getattr(kernels_values, name)._fields}".encode())
    for function in _KERNELS:
        digest.update(function.__code__.co_code + repr(function.__code__.co_names).encode())
        digest.update(
            repr(
                [c for c in function.__code__.co_consts if not isinstance(c, types.CodeType)]
            ).encode()
        )
    return digest.hexdigest()[:10]


@functools.lru_cache(maxsize=2)
def kernels(compiled: bool) -> Any:
    """A namespace with the functions of the ``kernels_*`` modules.

    Parameters
    ----------
    compiled : bool
        Compile with numba. Where numba may write to its cache folder (``NUMBA_CACHE_DIR``), that is
        done once a machine; where it may not, it is done once a process.

    Notes
    -----
    The names under which the code is kept hold a digest of all kernels: one that calls another is made
    anew when the other changes, which numba alone would not notice across files.
    """
    if not compiled:
        return types.SimpleNamespace(**{f.__name__: f for f in _KERNELS})
    numba = importlib.import_module("numba")
    stamp = digest_of_kernels()
    space: dict[str, Any] = {}
    for module in (kernels_place, kernels_box, kernels_saw, kernels_group, kernels_rebuild):
        space |= {k: v for k, v in vars(module).items() if not isinstance(v, types.FunctionType)}

    def compile_one(function: Any) -> Any:
        copy = types.FunctionType(function.__code__, space, function.__name__)
        copy.__module__ = function.__module__
        copy.__qualname__ = f"{function.__name__}_{stamp}"
        options = {"nogil": True, "forceinline": function.__name__ in _PART_OF_CALLER}
        try:
            return numba.njit(cache=True, **options)(copy)
        except RuntimeError:  # no folder for the cache may be written
            return numba.njit(**options)(copy)

    for function in _KERNELS:
        space[function.__name__] = compile_one(function)
    return types.SimpleNamespace(**{f.__name__: space[f.__name__] for f in _KERNELS})
