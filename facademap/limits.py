"""How much outside data may ask of the machine: every limit is a setting, and what goes beyond is refused in plain words.

The limits belong to whoever runs the program and never to a project, which may come from elsewhere with limits that suit it.
"""

from __future__ import annotations

import contextlib
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, fields, replace
from typing import Any

from facademap.errors import InputError

__all__ = [
    "LIMITS",
    "VARIABLE",
    "Limits",
    "as_words",
    "hold_within",
    "is_nested_deeper",
    "limits_now",
    "lower_of",
    "meaning_of",
    "other_limits",
    "raise_limit",
    "read_limits",
    "set_limits",
]

#: In the environment: other limits for every command, such as ``rows=500000 memory_mb=12000``.
VARIABLE = "FACADEMAP_LIMITS"
MOST = 10**12


def _limit(usual: int, meaning: str) -> Any:
    return field(default=usual, metadata={"meaning": meaning})


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """The limits; each field says what it bounds.

    Notes
    -----
    The defaults are habits of ours, far above any survey that was seen. Mending grows with the square of the places
    where an outline meets itself (100 random corners cross a thousand times and take a second, 600 took 99 s and 1.4 GB).
    """

    corners: int = _limit(20_000, "corners of one outline")
    corners_in_all: int = _limit(2_000_000, "corners of all outlines of one file")
    contacts: int = _limit(
        400,
        "places where one outline may meet itself and still be mended; drawn by hand it does so in a handful",
    )
    overlaps: int = _limit(200_000, "pairs of outlines that are looked at for overlaps")
    features: int = _limit(1_000_000, "outlines, lines and points of one file")
    rows: int = _limit(200_000, "rows of one table")
    control_points: int = _limit(1_500, "control and check points of one fit")
    nested: int = _limit(60, "levels of lists and objects within each other")
    table_mb: int = _limit(64, "size of a table or text file, MB")
    file_mb: int = _limit(500, "size of a file of outlines or of a matching problem, MB")
    unpacked_mb: int = _limit(250, "what a spreadsheet or KMZ may unpack to, MB")
    megapixels: int = _limit(400, "pixels of one picture, millions")
    upload_megapixels: int = _limit(200, "pixels of one picture sent from a page, millions")
    request_mb: int = _limit(8, "what a page may send at once, MB")
    upload_mb: int = _limit(80, "a picture sent from a page, MB")
    answer_s: int = _limit(
        120, "time of one piece of work that a page waits for, s; then it is stopped"
    )
    job_s: int = _limit(7_200, "time of one command or long work, s; then it is stopped")
    memory_mb: int = _limit(6_000, "memory of one command or long work, MB; then it is stopped")
    job_cores: int = _limit(
        1_024, "processor cores that one long work of a desk or a worker may use"
    )

    def __post_init__(self) -> None:
        for f in fields(self):
            value = getattr(self, f.name)
            if isinstance(value, bool) or not isinstance(value, int) or not 1 <= value <= MOST:
                raise InputError(
                    f"limit {f.name} is {value!r}", "Give a whole number of at least 1."
                )


LIMITS = Limits()
_now = LIMITS


def limits_now() -> Limits:
    """The limits of this process."""
    return _now


def set_limits(limits: Limits) -> None:
    """Other limits from here on, for the whole process; the edges of the program call it once, at the start."""
    global _now
    _now = limits


@contextlib.contextmanager
def other_limits(**given: int) -> Iterator[Limits]:
    """Other limits while the block runs."""
    before = _now
    set_limits(replace(before, **given))
    try:
        yield _now
    finally:
        set_limits(before)


def read_limits(words: Iterable[str], *, usual: Limits | None = None) -> Limits:
    """Limits from words such as ``rows=500000``, several of them parted by spaces or commas.

    Raises
    ------
    InputError
        A limit of another name, or one that is no whole number.
    """
    given: dict[str, int] = {}
    names = [f.name for f in fields(Limits)]
    for word in (w for text in words for w in re.split(r"[\s,]+", text) if w):
        name, _, number = word.partition("=")
        if name not in names:
            raise InputError(f"there is no limit {name[:40]!r}", f"Use {', '.join(names)}.")
        if not re.match(r"[0-9]{1,12}\Z", number):
            raise InputError(
                f"limit {name} is {number[:40]!r}",
                f"Give a whole number, such as {name}={getattr(LIMITS, name)}.",
            )
        given[name] = int(number)
    return replace(usual or limits_now(), **given)


def lower_of(one: Limits, other: Limits) -> Limits:
    """The lower of each limit of two."""
    return Limits(
        **{f.name: min(getattr(one, f.name), getattr(other, f.name)) for f in fields(Limits)}
    )


def as_words(limits: Limits) -> str:
    """What :func:`read_limits` reads, of those that are not the usual ones."""
    return " ".join(
        f"{f.name}={getattr(limits, f.name)}"
        for f in fields(Limits)
        if getattr(limits, f.name) != getattr(LIMITS, f.name)
    )


def meaning_of(name: str) -> str:
    """What a limit bounds."""
    return str(next(f.metadata["meaning"] for f in fields(Limits) if f.name == name))


def raise_limit(name: str) -> str:
    """How a limit is raised, in words."""
    return f"or allow more with --limit {name}=NUMBER"


def hold_within(name: str, count: float, *, what: str, remedy: str, unit: str = "") -> None:
    """Refuse what goes beyond a limit.

    Parameters
    ----------
    name : str
    count : float
        In the unit of the limit.
    what : str
        What is refused, such as ``wall.csv: 5000 points``.
    remedy : str
        What else can be done, without a full stop.
    unit : str
        What stands after the number of the limit.

    Raises
    ------
    InputError
    """
    most = getattr(limits_now(), name)
    if count > most:
        raise InputError(f"{what}, more than {most}{unit}", f"{remedy}, {raise_limit(name)}.")


def is_nested_deeper(value: Any, most: int) -> bool:
    """Whether lists and objects lie within each other more than ``most`` deep; looked at level by level, never by recursion."""
    level = [value] if isinstance(value, (dict, list)) else []
    for _ in range(most):
        inner = (
            v for holder in level for v in (holder.values() if isinstance(holder, dict) else holder)
        )
        level = [v for v in inner if isinstance(v, (dict, list))]
        if not level:
            return False
    return True
