"""The register of issued papers: every paper by number with its revisions, and every transmittal with who got it.

Each transmittal brings papers at a revision; all else is read from those.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

from facademap.errors import InputError
from facademap.report.revision import IssueMark, Revision

__all__ = ["Document", "Register", "Transmittal", "is_sheet_number"]

_SHEET = re.compile(r"([A-Z]{2}-\d{3,})(?:\s*(?:REV\.?)?\s*([A-Z]{1,3}))?\Z")


def is_sheet_number(text: str) -> bool:
    """Whether a text is the number of an issued paper, with or without its revision.

    Examples
    --------
    >>> is_sheet_number("dr-001 rev b"), is_sheet_number("3F2A-91C7 R-001")
    (True, False)
    """
    return _SHEET.match(" ".join(text.split()).upper()) is not None


@dataclass(frozen=True, slots=True, kw_only=True)
class Document:
    """One paper at one revision, as it was issued.

    Parameters
    ----------
    number, title, paper : str
        ``paper`` is the name that ``facademap papers --only`` knows.
    file : str
        Its file in the folder of papers.
    revision : Revision
    made_from : str
        Digest of everything that it was made from.
    content : str
        Digest of what it shows, without number and date.
    files : mapping of str to str
        Digests of the issued files, by the names that they were issued under; the first is the paper itself.
    rows : mapping of str to str
        Digest of each outline that a drawing shows, by id.
    transmittal : str
        The one that brought this revision first.
    pages : int
    """

    number: str
    title: str
    paper: str
    file: str
    revision: Revision
    made_from: str
    content: str
    files: Mapping[str, str]
    transmittal: str
    rows: Mapping[str, str] = field(default_factory=dict)
    pages: int = 0

    @property
    def name(self) -> str:
        """Number and revision."""
        return f"{self.number} rev {self.revision.letter}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Transmittal:
    """What was handed out at once, and to whom.

    Parameters
    ----------
    id : str
        ``TR-001`` and so on.
    date, status, reason : str
    to : tuple of str
        Who got it.
    by : str
        Who sent it.
    documents : tuple of str
        Number and revision of each paper in it.
    fresh : tuple of Document
        Those that were issued at this revision for the first time.
    """

    id: str
    date: str
    status: str
    reason: str
    to: tuple[str, ...]
    by: str
    documents: tuple[str, ...]
    fresh: tuple[Document, ...]


@dataclass(frozen=True)
class Register:
    """All transmittals, oldest first."""

    transmittals: tuple[Transmittal, ...]

    @cached_property
    def documents(self) -> Mapping[str, tuple[Document, ...]]:
        """Every revision of every paper, by its number, oldest first."""
        found: dict[str, list[Document]] = {}
        for one in self.transmittals:
            for document in one.fresh:
                found.setdefault(document.number, []).append(document)
        return {number: tuple(found[number]) for number in sorted(found)}

    @property
    def current(self) -> tuple[Document, ...]:
        """The last revision of every paper."""
        return tuple(revisions[-1] for revisions in self.documents.values())

    @property
    def superseded(self) -> tuple[Document, ...]:
        """Every revision that a later one has replaced."""
        return tuple(d for revisions in self.documents.values() for d in revisions[:-1])

    @property
    def next_id(self) -> str:
        """Number of the next transmittal."""
        last = max((int(t.id.removeprefix("TR-")) for t in self.transmittals), default=0)
        return f"TR-{last + 1:03d}"

    def of_file(self, paper: str, file: str) -> tuple[Document, ...]:
        """All revisions of the paper that lies in this file."""
        return next(
            (r for r in self.documents.values() if (r[-1].paper, r[-1].file) == (paper, file)), ()
        )

    def next_number(self, code: str, taken: Sequence[str]) -> str:
        """The next free number of a kind of paper."""
        used = [int(n.split("-")[1]) for n in (*self.documents, *taken) if n.startswith(f"{code}-")]
        return f"{code}-{max(used, default=0) + 1:03d}"

    def mark_of(self, document: Document) -> IssueMark:
        """What stands on a revision of a paper."""
        revisions = self.documents[document.number]
        upto = revisions[: revisions.index(document) + 1]
        return IssueMark(
            number=document.number,
            title=document.title,
            revisions=tuple(d.revision for d in upto),
        )

    def who_got(self, document: Document) -> tuple[str, ...]:
        """Everybody to whom a revision was handed out."""
        return tuple(
            dict.fromkeys(
                name for t in self.transmittals if document.name in t.documents for name in t.to
            )
        )

    def find(self, text: str) -> Document:
        """A paper by what stands on it: ``DR-001 rev B``, ``DR-001B``, or the number alone for its last revision.

        Raises
        ------
        InputError
            No such paper, or it was never issued at that revision.
        """
        asked = _SHEET.match(" ".join(text.split()).upper())
        revisions = self.documents.get(asked[1], ()) if asked else ()
        if asked is None or not revisions:
            raise InputError(
                f"no paper {text[:40]!r} was issued",
                "Read number and revision in the lower margin, as in DR-001 rev A.",
            )
        if asked[2] is None:
            return revisions[-1]
        for document in revisions:
            if document.revision.letter == asked[2]:
                return document
        letters = ", ".join(d.revision.letter for d in revisions)
        raise InputError(
            f"{asked[1]} was never issued at revision {asked[2]}",
            f"It was issued at {letters}: ask who handed the sheet out.",
        )

    def with_digest(self, sha256: str) -> Document | None:
        """The paper of which a file is a copy to the last byte."""
        for revisions in self.documents.values():
            for document in revisions:
                if sha256 in document.files.values():
                    return document
        return None
