"""The book of a training: what happened, in order, by labels instead of names; each entry seals the one before.

Every entry carries the digest of itself with that of the entry before it, so that nothing can be changed, taken out or put in
without breaking the chain from there on. People stand in it by labels (P01, A01); their names are kept apart and can be removed.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from facademap.errors import InputError
from facademap.training.sealed import digest_of

__all__ = ["KINDS", "Book", "Entry", "read_book"]

#: What an entry may be.
KINDS = (
    "person", "session", "exercise", "test", "sitting", "work", "appeal", "decision", "certificate", "withdrawal",
)  # fmt: skip
_BEGIN = "0" * 64


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One thing that happened.

    Parameters
    ----------
    number : int
        From 1.
    kind : str
        One of :data:`KINDS`.
    at : str
        When it was entered, ISO 8601 UTC.
    body : mapping
        What it says.
    digest : str
        SHA-256 over number, kind, time, body and the digest of the entry before.
    """

    number: int
    kind: str
    at: str
    body: Mapping[str, Any]
    digest: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Book:
    """Entries in order, the chain unbroken."""

    entries: tuple[Entry, ...] = ()

    def with_entry(self, kind: str, body: Mapping[str, Any], *, at: str) -> Book:
        """The book with one more entry.

        Raises
        ------
        InputError
            A kind of entry that a training does not have.
        """
        if kind not in KINDS:
            raise InputError(f"{kind!r} is no entry of a training", f"Use {', '.join(KINDS)}.")
        number = len(self.entries) + 1
        digest = _digest(number, kind, at, body, self.head)
        entry = Entry(number=number, kind=kind, at=at, body=dict(body), digest=digest)
        return Book(entries=(*self.entries, entry))

    @property
    def head(self) -> str:
        """Digest of the last entry."""
        return self.entries[-1].digest if self.entries else _BEGIN

    def of(self, kind: str) -> Iterator[Entry]:
        """Entries of a kind, in order."""
        return (e for e in self.entries if e.kind == kind)

    def text(self) -> str:
        """One line of JSON an entry."""
        return "".join(
            json.dumps(
                {"n": e.number, "kind": e.kind, "at": e.at, "body": e.body, "digest": e.digest},
                sort_keys=True,
                ensure_ascii=False,
            )
            + "\n"
            for e in self.entries
        )


def read_book(text: str, *, where: str) -> Book:
    """A book from its lines.

    Raises
    ------
    InputError
        An entry was changed, taken out or put in; with its number.
    """
    entries: list[Entry] = []
    before = _BEGIN
    for number, line in enumerate(text.splitlines(), start=1):
        try:
            kept = json.loads(line)
            entry = Entry(
                number=int(kept["n"]),
                kind=str(kept["kind"]),
                at=str(kept["at"]),
                body=dict(kept["body"]),
                digest=str(kept["digest"]),
            )
        except (ValueError, KeyError, TypeError):
            raise _broken(where, number) from None
        if entry.number != number or entry.digest != _digest(
            number, entry.kind, entry.at, entry.body, before
        ):
            raise _broken(where, number)
        entries.append(entry)
        before = entry.digest
    return Book(entries=tuple(entries))


def _broken(where: str, number: int) -> InputError:
    return InputError(
        f"{where}: entry {number} was changed, taken out or put in after it was sealed",
        "Put back the file as it was, from a copy; nothing is judged or certified by a changed one.",
    )


def _digest(number: int, kind: str, at: str, body: Mapping[str, Any], before: str) -> str:
    return digest_of([number, kind, at, dict(body), before])
