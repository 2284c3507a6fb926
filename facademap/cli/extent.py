"""The part of a wall as people type it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from facademap.errors import InputError

if TYPE_CHECKING:
    from facademap.wall.grid import Extent

__all__ = ["extent_from_text"]


def extent_from_text(text: str) -> Extent:
    """``u0,v0,u1,v1`` in metres.

    Raises
    ------
    InputError
        Not four numbers, or nothing between them.
    """
    from facademap.wall.grid import Extent

    try:
        u0, v0, u1, v1 = (float(part) for part in text.split(","))
    except ValueError:
        raise InputError(
            f"extent {text!r} is not four numbers", "Give --extent u0,v0,u1,v1 in metres."
        ) from None
    return Extent(u0_m=u0, v0_m=v0, u1_m=u1, v1_m=v1)
