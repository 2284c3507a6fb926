"""How much outside data may ask of the machine: every limit is a setting, and what goes beyond is refused in plain words."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from typing import Any

from facademap.errors import InputError

__all__ = ["LIMITS", "Limits", "limits_from"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """The limits, as a project keeps them in its setting ``limits``.

    Parameters
    ----------
    corners : int
        Corners of one outline.
    corners_in_all : int
        Corners of all outlines of one file.
    contacts : int
        Places where one outline may meet itself and still be mended; drawn by hand it does so in a handful.
    overlaps : int
        Pairs of outlines that are looked at for overlaps.

    Notes
    -----
    The defaults are habits of ours, far above any survey that was seen. Mending grows with the square of the places
    (100 random corners cross a thousand times and take a second, 600 took 99 s and 1.4 GB).
    """

    corners: int = 20_000
    corners_in_all: int = 2_000_000
    contacts: int = 400
    overlaps: int = 200_000

    def __post_init__(self) -> None:
        for f in fields(self):
            value = getattr(self, f.name)
            if isinstance(value, bool) or not isinstance(value, int) or value < 1:
                raise InputError(
                    f"limit {f.name} is {value!r}", "Give a whole number of at least 1."
                )


LIMITS = Limits()


def limits_from(setting: Any) -> Limits:
    """The limits of a project: the usual ones, and what its setting ``limits`` says otherwise.

    Raises
    ------
    InputError
        A limit of another name, or one that is no whole number.
    """
    if setting is None:
        return LIMITS
    known = [f.name for f in fields(Limits)]
    if not isinstance(setting, Mapping) or not set(setting) <= set(known):
        raise InputError("the setting limits names no limit", f"Use {', '.join(known)}.")
    return replace(LIMITS, **setting)
