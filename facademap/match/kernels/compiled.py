"""The kernels, compiled or as plain Python. Both give the same numbers; compiled ones take time to load."""

from __future__ import annotations

import functools
import hashlib
import importlib
import types
from typing import Any

from facademap.match.kernels import box, group, place, rebuild, saw, values

__all__ = ["digest_of_kernels", "kernels"]

_MODULES = (place, box, saw, group, rebuild)
#: The functions to compile, in order: those that call come after those that are called.
_KERNELS: tuple[Any, ...] = (
    place.point_on_face,
    place.clear_at,
    place.hulls_of,
    place.free_edges,
    place.lowest,
    place.first_place,
    place.one,
    box.keep_size,
    box.narrowest,
    box.flattest,
    box.beside,
    box.above,
    box.box_sets,
    saw.layout,
    saw.fill,
    saw.fill_some,
    saw.parts_from,
    saw.pairs_apart,
    saw.side_by_side,
    group.of_every_set,
    group.can_cut,
    group.reach_of,
    group.put,
    group.may_join,
    group.least_fault,
    group.learn,
    group.best_group,
    rebuild.cut_up,
    rebuild.insert,
    rebuild.choose_faces,
    rebuild.lift,
    rebuild.by_liking,
    rebuild.other_face_filled,
    rebuild.keep,
    rebuild.rebuild,
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
    digest.update(repr(sorted(_constants().items())).encode())
    for name in values.__all__:
        digest.update(f"{name} {getattr(values, name)._fields}".encode())
    for function in _KERNELS:
        digest.update(function.__code__.co_code + repr(function.__code__.co_names).encode())
        digest.update(
            repr(
                [c for c in function.__code__.co_consts if not isinstance(c, types.CodeType)]
            ).encode()
        )
    return digest.hexdigest()[:10]


def _constants() -> dict[str, float]:
    """Numbers that the kernels use by name; they are part of the compiled code."""
    return {
        name: value
        for module in _MODULES
        for name, value in vars(module).items()
        if name.isupper() and isinstance(value, int | float)
    }


@functools.lru_cache(maxsize=2)
def kernels(compiled: bool) -> Any:
    """A namespace with the functions of this room.

    Parameters
    ----------
    compiled : bool
        Compile with numba. Where numba may write to its cache folder (``NUMBA_CACHE_DIR``), that is
        done once a machine; where it may not, it is done once a process.

    Notes
    -----
    The names under which the code is kept hold a digest of all kernels: one that calls another is made
    anew when the other changes, which numba alone would not notice across files.

    Where a kernel hands on a constant it writes ``int(ANY)``: the compiler takes a bare constant for a type
    of its own and would compile what is called once more for each.
    """
    if not compiled:
        return types.SimpleNamespace(**{f.__name__: f for f in _KERNELS})
    numba = importlib.import_module("numba")
    stamp = digest_of_kernels()
    space: dict[str, Any] = {}
    for module in _MODULES:
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
