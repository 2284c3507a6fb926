"""XML that came from elsewhere: no entities of its own, which can stand for thousands of millions of words."""

from __future__ import annotations

from typing import Any
from xml.etree import ElementTree

from facademap.errors import InputError

__all__ = ["parse_markup"]

_ENTITY = tuple("<!ENTITY".encode(code) for code in ("ascii", "utf-16-le", "utf-16-be"))


def parse_markup(data: bytes, *, name: str, kind: str, remedy: str) -> Any:
    """The root element of a document.

    Raises
    ------
    InputError
        No XML, or a document that declares entities.
    """
    if any(word in data for word in _ENTITY):
        raise InputError(f"{name}: declares entities of its own, which {kind} never needs", remedy)
    try:
        return ElementTree.fromstring(data)
    except (ElementTree.ParseError, ValueError, LookupError):
        raise InputError(f"{name}: cannot be read as {kind}", remedy) from None
