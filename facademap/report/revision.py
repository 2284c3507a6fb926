"""What an issued paper says of itself: its number, its status, its revisions, and who answers for it."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from facademap.errors import InputError

__all__ = ["STATUSES", "IssueMark", "Revision", "Status", "letter_after", "status_named"]

Status = Literal["for comment", "for tender", "for construction", "as built"]
STATUSES: tuple[Status, ...] = ("for comment", "for tender", "for construction", "as built")
#: Letters of revisions; I and O are left out since they are read as figures (common practice of drawing offices).
_LETTERS = "ABCDEFGHJKLMNPQRSTUVWXYZ"


@dataclass(frozen=True, slots=True, kw_only=True)
class Revision:
    """One revision of a paper.

    Parameters
    ----------
    letter : str
        A, B, C, ...
    date : str
        Day of issue, as 2026-11-30.
    status : str
        One of :data:`STATUSES`.
    reason : str
        Why it was issued.
    drawn_by, checked_by : str
        Who made it, and who checked it; empty where nobody did.
    """

    letter: str
    date: str
    status: Status
    reason: str
    drawn_by: str
    checked_by: str = ""

    def __post_init__(self) -> None:
        try:
            dt.date.fromisoformat(self.date)
        except ValueError:
            raise InputError(
                f"date {self.date[:20]!r} is no day", "Write it as 2026-11-30."
            ) from None
        status_named(self.status)


@dataclass(frozen=True, slots=True, kw_only=True)
class IssueMark:
    """What stands on an issued paper.

    Parameters
    ----------
    number : str
        Number of the paper in the register.
    title : str
    revisions : tuple of Revision
        Oldest first; the last is the one that is issued.
    """

    number: str
    title: str
    revisions: tuple[Revision, ...]

    @property
    def last(self) -> Revision:
        """The revision that is issued."""
        return self.revisions[-1]

    @property
    def name(self) -> str:
        """Number and revision, as it is asked for: ``D-001 rev B``."""
        return f"{self.number} rev {self.last.letter}"

    @property
    def words(self) -> str:
        """One line for the margin of every sheet."""
        r = self.last
        by = f"drawn {r.drawn_by}, " + (
            f"checked {r.checked_by}" if r.checked_by else "NOT CHECKED"
        )
        return (
            f"{self.name}, {r.status.upper()}, issued {r.date}, {by}. "
            f'Whether it is current: facademap issued PROJECT --sheet "{self.name}"'
        )


def letter_after(letters: Sequence[str]) -> str:
    """The letter of the next revision: A to Z without I and O, then AA, AB and so on.

    Examples
    --------
    >>> letter_after([]), letter_after(["A"]), letter_after(["H"]), letter_after(["Z"])
    ('A', 'B', 'J', 'AA')
    """
    if not letters:
        return "A"
    place = 0
    for sign in letters[-1]:
        place = place * len(_LETTERS) + _LETTERS.index(sign) + 1
    place += 1
    word = ""
    while place:
        place, rest = divmod(place - 1, len(_LETTERS))
        word = _LETTERS[rest] + word
    return word


def status_named(word: str) -> Status:
    """A status as people write it.

    Examples
    --------
    >>> status_named("Tender"), status_named("as-built")
    ('for tender', 'as built')
    """
    plain = " ".join(word.lower().replace("-", " ").split())
    for status in STATUSES:
        if plain in (status, status.removeprefix("for ")):
            return status
    raise InputError(f"there is no status {word[:40]!r}", f"Use {', '.join(STATUSES)}.")
