"""What a JSON value must look like: small shapes that are put together, and that say where a value departs from them."""

from __future__ import annotations

import base64
import binascii
import json
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Protocol

__all__ = [
    "DEEPEST",
    "JUST",
    "NAMES",
    "NUMBER",
    "POINT",
    "RING",
    "TEXT",
    "TEXTS",
    "WHOLE",
    "YES_NO",
    "Anything",
    "Either",
    "Floats",
    "Listed",
    "Maybe",
    "Number",
    "Record",
    "Shape",
    "Text",
    "YesNo",
    "is_writable",
    "kept_plainly",
    "matrix",
    "read_json",
]

#: Nobody nests plain values deeper, and readers of other programs give up near a hundred.
DEEPEST = 40
LONGEST_TEXT = 20_000
#: No length, weight, count or pixel of a survey is larger; what is would only overflow later.
LARGEST = 1e12


class Shape(Protocol):
    """What a value must look like."""

    def fault(self, value: Any, at: str = "") -> str | None:
        """Where and how a value departs from it; ``None`` for a good one."""


def _said(at: str, expected: str) -> str:
    return f"at {at.lstrip('.')}: expected {expected}" if at else f"expected {expected}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Number:
    """A finite number.

    Parameters
    ----------
    least, most : float
        Bounds, inclusive.
    whole : bool
        Whether it has no fraction.
    """

    least: float = -LARGEST
    most: float = LARGEST
    whole: bool = False

    def fault(self, value: Any, at: str = "") -> str | None:
        """Where and how a value departs from it; ``None`` for a good one."""
        kind = "a whole number" if self.whole else "a number"
        if not isinstance(value, (float, int)) or isinstance(value, bool):
            return _said(at, kind)
        if not self.least <= value <= self.most:
            if value != value or abs(value) > LARGEST:
                return _said(at, f"{kind} that can be")
            return _said(at, f"{kind} from {self.least:g} to {self.most:g}")
        if self.whole and value != int(value):
            return _said(at, kind)
        return None


@dataclass(frozen=True, slots=True, kw_only=True)
class Text:
    """A text, one of the choices where there are some."""

    choices: tuple[str, ...] = ()
    longest: int = LONGEST_TEXT

    def fault(self, value: Any, at: str = "") -> str | None:
        """Where and how a value departs from it; ``None`` for a good one."""
        if not isinstance(value, str):
            return _said(at, "text")
        if self.choices and value not in self.choices:
            return _said(at, "one of " + ", ".join(self.choices))
        if not is_writable(value):
            return _said(at, "text without NUL and half characters")
        return (
            _said(at, f"at most {self.longest} characters") if len(value) > self.longest else None
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class YesNo:
    """True or false."""

    def fault(self, value: Any, at: str = "") -> str | None:
        """Where and how a value departs from it; ``None`` for a good one."""
        return None if isinstance(value, bool) else _said(at, "true or false")


@dataclass(frozen=True, slots=True, kw_only=True)
class Maybe:
    """A shape, or nothing (``null``)."""

    shape: Shape

    def fault(self, value: Any, at: str = "") -> str | None:
        """Where and how a value departs from it; ``None`` for a good one."""
        return None if value is None else self.shape.fault(value, at)


@dataclass(frozen=True, slots=True, kw_only=True)
class Either:
    """One of several shapes; the fault told is that of the last."""

    shapes: tuple[Shape, ...]

    def fault(self, value: Any, at: str = "") -> str | None:
        """Where and how a value departs from it; ``None`` for a good one."""
        found: str | None = None
        for shape in self.shapes:
            found = shape.fault(value, at)
            if found is None:
                return None
        return found


@dataclass(frozen=True, slots=True, kw_only=True)
class Listed:
    """A list of one shape."""

    of: Shape
    least: int = 0
    most: int = 1_000_000

    def fault(self, value: Any, at: str = "") -> str | None:
        """Where and how a value departs from it; ``None`` for a good one."""
        if not isinstance(value, (list, tuple)):
            return _said(at, "a list")
        if not self.least <= len(value) <= self.most:
            count = f"{self.least}" if self.least == self.most else f"at least {self.least}"
            return _said(
                at, f"{count} entries" if len(value) < self.least else f"at most {self.most}"
            )
        for number, entry in enumerate(value):
            if found := self.of.fault(entry, f"{at}[{number}]"):
                return found
        return None


@dataclass(frozen=True, slots=True, kw_only=True)
class Record:
    """A mapping with names.

    Parameters
    ----------
    needs, may : mapping of str to Shape
        Entries that must be there, and that may be there.
    rest : Shape, optional
        Shape of entries with any other name; none may be there without it.
    """

    needs: Mapping[str, Shape] = field(default_factory=dict)
    may: Mapping[str, Shape] = field(default_factory=dict)
    rest: Shape | None = None

    def fault(self, value: Any, at: str = "") -> str | None:
        """Where and how a value departs from it; ``None`` for a good one."""
        if not isinstance(value, Mapping):
            return _said(at, "names with values")
        for name in self.needs:
            if name not in value:
                return _said(at, f"an entry {name}")
        for name, entry in value.items():
            shape = self.needs.get(name) or self.may.get(name) or self.rest
            if not isinstance(name, str) or shape is None or not is_writable(name):
                return _said(at, "no entry " + str(name)[:40])
            if found := shape.fault(entry, f"{at}.{name[:40]}"):
                return found
        return None


@dataclass(frozen=True, slots=True, kw_only=True)
class Floats:
    """Numbers of four bytes, little endian, as base64."""

    count: int

    def fault(self, value: Any, at: str = "") -> str | None:
        """Where and how a value departs from it; ``None`` for a good one."""
        try:
            found = base64.b64decode(value, validate=True) if isinstance(value, str) else b""
        except (binascii.Error, ValueError):
            found = b""
        good = len(found) == 4 * self.count
        # a number is none when all bits of its exponent are set
        good = good and not any(
            found[i] & 0x7F == 0x7F and found[i - 1] & 0x80 for i in range(3, len(found), 4)
        )
        return None if good else _said(at, f"{self.count} packed numbers")


@dataclass(frozen=True, slots=True, kw_only=True)
class Anything:
    """Any plain value: texts, finite numbers, true and false, lists and mappings of them, not too deep."""

    def fault(self, value: Any, at: str = "") -> str | None:
        """Where and how a value departs from it; ``None`` for a good one."""
        return None if kept_plainly(value) else _said(at, "plain values, not nested deeply")


def read_json(text: str) -> Any:
    """The value of a JSON text; ``ValueError`` when it is none, holds what is no number, or is nested without end.

    Raises
    ------
    ValueError
        The text is no JSON, holds what is no number, or is nested without end.
    """
    try:
        return json.loads(text, parse_constant=_no_number)
    except (ValueError, RecursionError):
        raise ValueError("expected JSON") from None


def _no_number(word: str) -> float:
    raise ValueError(word)


def is_writable(text: str) -> bool:
    """Whether a text can be stored and written anywhere: no NUL, and no half of a pair that stands alone."""
    if "\x00" in text:
        return False
    if text.isascii():
        return True
    try:
        text.encode()
    except UnicodeEncodeError:
        return False
    return True


def kept_plainly(value: Any, deepest: int = DEEPEST) -> bool:
    """Whether a value is made of texts, finite numbers, true, false, lists and mappings alone, and is not too deep."""
    if isinstance(value, float):
        return math.isfinite(value)
    if isinstance(value, str):
        return is_writable(value)
    if value is None or isinstance(value, bool):
        return True
    if isinstance(value, int):
        return abs(value) < 2**63  # what a database and a page can hold
    if deepest < 1:
        return False
    if isinstance(value, Mapping):
        return all(isinstance(k, str) and kept_plainly(v, deepest - 1) for k, v in value.items())
    return isinstance(value, (list, tuple)) and all(kept_plainly(v, deepest - 1) for v in value)


JUST = Anything()
NUMBER, WHOLE, TEXT, YES_NO = Number(), Number(whole=True), Text(), YesNo()
TEXTS, NAMES = Listed(of=TEXT), Listed(of=Text(longest=400))
POINT = Listed(of=NUMBER, least=2, most=2)
RING = Listed(of=POINT, least=3)


def matrix(rows: int, columns: int) -> Listed:
    """A matrix as a list of rows."""
    return Listed(of=Listed(of=NUMBER, least=columns, most=columns), least=rows, most=rows)
