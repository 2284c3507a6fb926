"""Frozen values that hold arrays: equality by content, arrays that nobody can write into, a short ``repr``."""

from __future__ import annotations

import dataclasses
import functools
import math
from collections.abc import Mapping
from typing import Any, TypeVar

import numpy as np

__all__ = ["ReadOnly", "frozen_value", "same", "short"]

_Class = TypeVar("_Class", bound=type)
#: Characters of one field in a ``repr``.
_FIELD_WIDTH = 60


def frozen_value(cls: _Class) -> _Class:
    """Make a frozen dataclass that holds arrays a value: stands above ``@dataclass``.

    A dataclass compares its fields as one tuple, which raises for arrays, and freezes only the names, not what the
    arrays hold. Under this decorator ``==`` compares contents, arrays (also those in tuples) are read-only views,
    equal values have equal hashes, and ``repr`` tells the shape of an array instead of its numbers.

    Parameters
    ----------
    cls : class
        A frozen dataclass.

    Returns
    -------
    class
        The same class.

    Notes
    -----
    A view costs no copy: whoever still holds the array that was given can write into that one.

    Examples
    --------
    >>> import numpy as np
    >>> from dataclasses import dataclass
    >>> @frozen_value
    ... @dataclass(frozen=True, kw_only=True)
    ... class Outline:
    ...     name: str
    ...     ring_m: np.ndarray
    >>> one = Outline(name="A", ring_m=np.zeros((4, 2)))
    >>> one
    Outline(name='A', ring_m=<4x2 float64>)
    >>> one == Outline(name="A", ring_m=np.zeros((4, 2)))
    True
    >>> one.ring_m[0, 0] = 1.0
    Traceback (most recent call last):
    ValueError: assignment destination is read-only
    """
    names = tuple(f.name for f in dataclasses.fields(cls))
    compared = tuple(f.name for f in dataclasses.fields(cls) if f.compare)
    start: Any = vars(cls)["__init__"]

    restore: Any = vars(cls).get("__setstate__")

    def seal(self: Any) -> None:
        for name in names:
            held = getattr(self, name)
            sealed = _sealed(held)
            if sealed is not held:
                object.__setattr__(self, name, sealed)

    @functools.wraps(start)
    def __init__(self: Any, *args: Any, **kwargs: Any) -> None:  # noqa: N807
        start(self, *args, **kwargs)
        seal(self)

    def __setstate__(self: Any, state: Any) -> None:  # noqa: N807
        restore(self, state)
        seal(self)

    def __eq__(self: Any, other: object) -> Any:  # noqa: N807
        if type(other) is not type(self):
            return NotImplemented
        return all(same(getattr(self, n), getattr(other, n)) for n in compared)

    def __hash__(self: Any) -> int:  # noqa: N807
        return hash(tuple(_hash_of(getattr(self, n)) for n in compared))

    def __repr__(self: Any) -> str:  # noqa: N807
        shown = (f"{f.name}={short(getattr(self, f.name))}" for f in _shown(self))
        return f"{type(self).__name__}({', '.join(shown)})"

    ways: dict[str, Any] = {
        "__init__": __init__,
        "__eq__": __eq__,
        "__hash__": __hash__,
        "__repr__": __repr__,
    }
    if restore:  # only a class with slots restores itself by a method
        ways["__setstate__"] = __setstate__
    for name, way in ways.items():
        setattr(cls, name, way)
    cls.__holds_arrays__ = True  # type: ignore[attr-defined]
    return cls


class ReadOnly(dict[Any, Any]):
    """A mapping that is read, copied, compared and written as JSON like any other, but not changed."""

    def _refuse(self, *_: Any, **__: Any) -> Any:
        raise TypeError("this mapping is part of a result; change a copy: dict(...)")

    __setitem__ = __delitem__ = __ior__ = _refuse
    clear = pop = popitem = setdefault = update = _refuse

    def __reduce__(self) -> tuple[type, tuple[dict[Any, Any]]]:
        return ReadOnly, (dict(self),)


def same(one: Any, other: Any) -> bool:
    """Whether two values hold the same: arrays and tables by content, NaN equal to NaN."""
    if one is other:
        return True
    if isinstance(one, np.ndarray) or isinstance(other, np.ndarray):
        return _same_array(one, other)
    if hasattr(one, "equals") and type(one) is type(other):
        return bool(one.equals(other))
    if isinstance(one, tuple | list) and type(one) is type(other):
        return len(one) == len(other) and all(map(same, one, other))
    if isinstance(one, Mapping) and isinstance(other, Mapping):
        return one.keys() == other.keys() and all(same(v, other[k]) for k, v in one.items())
    if isinstance(one, float) and isinstance(other, float) and math.isnan(one):
        return math.isnan(other)
    return bool(one == other)


def short(held: Any) -> str:
    """A value in few characters: the shape of an array, the length of what is long."""
    if isinstance(held, np.ndarray):
        return f"<{'x'.join(map(str, held.shape)) or 'one'} {held.dtype}>"
    if hasattr(held, "columns") and hasattr(held, "index"):
        return f"<{len(held)} rows>"
    if isinstance(held, tuple | list) and any(isinstance(x, np.ndarray) for x in held):
        return f"<{len(held)} arrays>"
    if isinstance(held, float):
        return f"{held:.6g}"
    text = repr(dict(held)) if isinstance(held, Mapping) else repr(held)
    if len(text) <= _FIELD_WIDTH:
        return text
    if isinstance(held, tuple | list | Mapping | set | frozenset):
        return f"<{len(held)} items>"
    return f"{text[: _FIELD_WIDTH - 3]}..."


def _shown(held: Any) -> list[Any]:
    return [f for f in dataclasses.fields(held) if f.repr]


def _sealed(held: Any) -> Any:
    if isinstance(held, np.ndarray) and held.flags.writeable:
        view = held.view()
        view.flags.writeable = False
        return view
    if type(held) is tuple and any(isinstance(x, np.ndarray) for x in held):
        return tuple(_sealed(x) for x in held)
    return held


def _same_array(one: Any, other: Any) -> bool:
    if not (isinstance(one, np.ndarray) and isinstance(other, np.ndarray)):
        return False
    if one.shape != other.shape:
        return False
    if one.dtype.kind == "O" or other.dtype.kind == "O":
        return all(map(same, one.ravel(), other.ravel()))
    floats = one.dtype.kind in "fc" and other.dtype.kind in "fc"
    return bool(np.array_equal(one, other, equal_nan=floats))


def _hash_of(held: Any) -> int:
    """A hash that equal values share; what has none (arrays, tables, mappings) counts as nothing."""
    if isinstance(held, float) and math.isnan(held):
        return 0
    try:
        return hash(held)
    except TypeError:
        return 0
