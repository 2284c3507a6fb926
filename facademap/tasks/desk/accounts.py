"""Accounts of people at a desk whose project lies in a database: invited, with a secret of their own, changed, removed."""

from __future__ import annotations

import csv
import dataclasses
import io
import threading
from collections.abc import Mapping, Sequence
from functools import lru_cache
from pathlib import Path
from typing import Any

from facademap.errors import InputError, ProjectError
from facademap.io.block_columns import no_formula
from facademap.io.whole_files import write_whole
from facademap.store.project import Project
from facademap.store.team_people import (
    LONGEST_INVITATION_DAYS,
    ROLES,
    SHORTEST_INVITATION_DAYS,
    May,
    PeopleBook,
    book_of,
)
from facademap.tables.names import as_id
from facademap.tasks.desk.secret import check_secret

__all__ = [
    "accept",
    "change_in",
    "change_person",
    "invite_person",
    "invite_to",
    "is_secret_of",
    "list_people",
    "need_library",
    "remove_from",
    "remove_person",
    "rights_of_server",
    "trail_as_csv",
    "trail_of",
    "trail_text",
]

LONGEST_NAME = 80
#: Each takes 64 MB; more at once wait their turn.
_HASHING = threading.BoundedSemaphore(2)


@lru_cache(maxsize=1)
def _hasher() -> Any:
    """Argon2id with the parameters that the library takes from RFC 9106 (second recommendation: 64 MiB, 3 passes, 4 lanes)."""
    try:
        from argon2 import PasswordHasher
    except ImportError:
        raise ProjectError(
            "accounts need argon2-cffi, which is not installed",
            "Install it with pip install 'facademap[team]'.",
        ) from None
    return PasswordHasher()


def need_library() -> None:
    """Refuse what would come to nothing where the library of digests is missing.

    Raises
    ------
    ProjectError
        It is missing.
    """
    _hasher()


@lru_cache(maxsize=1)
def _of_nobody() -> str:
    """A digest that is tried where there is no such person, so that it takes as long."""
    return str(_hasher().hash("nobody has this secret"))


def is_secret_of(book: PeopleBook, name: str, secret: str) -> str | None:
    """The person's name as it is written, where this is their secret; ``None`` where it is not, or nobody is called so."""
    need_library()
    from argon2.exceptions import InvalidHashError, VerificationError

    found = book.secret_of(name)
    kept = found[1] if found else _of_nobody()
    with _HASHING:
        try:
            _hasher().verify(kept, secret)
        except (VerificationError, InvalidHashError):
            return None
        if found is None:
            return None
        if _hasher().check_needs_rehash(kept):
            book.keep_secret(found[0], _hasher().hash(secret))
    return found[0]


def accept(book: PeopleBook, word: str, secret: str) -> str:
    """Use an invitation up with the secret that its person chose; returns the name.

    Raises
    ------
    InputError, RightsError
        The secret is weak; the invitation opens nothing any more.
    """
    name = book.invited(word)
    if name is not None:
        check_secret(secret, words=(name, *name.split()))
    with _HASHING:
        kept = _hasher().hash(secret)
    return book.accept(word, kept)


def _named(name: str) -> str:
    plain = " ".join(name.split())
    if not plain or len(plain) > LONGEST_NAME or not plain.isprintable():
        raise InputError(
            f"a name that cannot be used: {as_id(name)[:40]!r}",
            f"Use 1 to {LONGEST_NAME} letters and signs that can be printed.",
        )
    return plain


def _checked(project: Project, role: str | None, elevations: Sequence[str] | None) -> None:
    if role is not None and role not in ROLES:
        raise InputError(f"there is no role {role!r}", f"Use one of {', '.join(ROLES)}.")
    there = set(project.read("elevations", columns=("id",))["id"])
    if unknown := sorted(set(elevations or ()) - there):
        raise InputError(
            f"there is no elevation {unknown[0]!r}",
            f"The project has {', '.join(sorted(there)) or 'none'}.",
        )


def invite_person(
    folder: str | Path,
    name: str,
    *,
    role: str,
    elevations: Sequence[str] = (),
    days: float = 7,
    by: str = "",
    new_secret: bool = False,
) -> dict[str, Any]:
    """Make somebody one of a project's people.

    Parameters
    ----------
    folder : path
        Project in a database.
    name, role : str
    elevations : sequence of str
        Those to which the person is limited; none for the whole project.
    days : float
        For how long the invitation may be accepted.
    by : str
        Who invites.
    new_secret : bool
        Whether somebody who has a secret of this database already is to choose another.

    Returns
    -------
    dict
        ``name``, ``role``, ``elevations``, ``word`` (told this once; empty where the person keeps their secret) and
        ``until``.

    Raises
    ------
    InputError
        A name, role, elevation or time that cannot be used.
    """
    with Project.open(folder) as project, book_of(project) as book:
        return invite_to(
            project,
            book,
            name,
            role=role,
            elevations=elevations,
            days=days,
            by=by,
            new_secret=new_secret,
        )


def invite_to(
    project: Project,
    book: PeopleBook,
    name: str,
    *,
    role: str,
    elevations: Sequence[str] = (),
    days: float = 7,
    by: str = "",
    new_secret: bool = False,
    strangers_only: bool = False,
) -> dict[str, Any]:
    """As :func:`invite_person`, with the project and its people open.

    ``strangers_only`` makes a word for nobody who is in another project too: who holds it would come in there by that name.
    """
    name = _named(name)
    if not SHORTEST_INVITATION_DAYS <= days <= LONGEST_INVITATION_DAYS:
        raise InputError(
            f"an invitation for {days:g} days",
            f"Use {SHORTEST_INVITATION_DAYS} to {LONGEST_INVITATION_DAYS} days.",
        )
    _checked(project, role, elevations)
    word = book.invite(
        name,
        role=role,
        elevations=elevations,
        days=days,
        by=by,
        new_secret=new_secret,
        strangers_only=strangers_only,
    )
    there = book.member(name)
    book.note(by or "command line", "invite", f"{there.name}: {_told_role(there)}")
    return {
        "name": there.name,
        "role": there.role,
        "elevations": list(there.elevations or ()),
        "word": word,
        "until": there.invited_until,
    }


def _told_role(member: Any) -> str:
    role: str = member.role
    return role + (f" ({', '.join(member.elevations)})" if member.elevations else "")


def list_people(folder: str | Path) -> list[dict[str, Any]]:
    """People of a project with role, elevations, whether they have a secret, and when they were last seen."""
    with Project.open(folder, read_only=True) as project, book_of(project) as book:
        return [dataclasses.asdict(m) for m in book.members()]


def change_person(
    folder: str | Path,
    name: str,
    *,
    role: str | None = None,
    elevations: Sequence[str] | None = None,
    by: str = "",
) -> dict[str, Any]:
    """Give somebody another role, or other elevations (an empty list: the whole project); open sessions obey at once."""
    with Project.open(folder) as project, book_of(project) as book:
        return change_in(project, book, name, role=role, elevations=elevations, by=by)


def change_in(
    project: Project,
    book: PeopleBook,
    name: str,
    *,
    role: str | None,
    elevations: Sequence[str] | None,
    by: str,
) -> dict[str, Any]:
    """As :func:`change_person`, with the project and its people open."""
    _checked(project, role, elevations)
    there = book.change(name, role=role or "", elevations=elevations)
    book.note(by or "command line", "change role", f"{there.name}: {_told_role(there)}")
    return dataclasses.asdict(there)


def remove_person(folder: str | Path, name: str, *, by: str = "") -> dict[str, Any]:
    """Take somebody out of a project; their sessions end at once. What they did stays in the history under their name."""
    with Project.open(folder) as project, book_of(project) as book:
        return remove_from(book, name, by=by)


def remove_from(book: PeopleBook, name: str, *, by: str) -> dict[str, Any]:
    """As :func:`remove_person`, with the people open."""
    gone = book.remove(name)
    book.note(by or "command line", "remove", gone.name)
    return dataclasses.asdict(gone)


def rights_of_server(folder: str | Path, role: str, may: May) -> None:
    """Let a role of the database serve a desk with accounts (``serve``), lead its people too (``manage``), or neither."""
    with Project.open(folder, read_only=True) as project, book_of(project) as book:
        book.set_rights(role, may)


def trail_of(folder: str | Path, **filters: Any) -> list[dict[str, Any]]:
    """Who saw and changed what at the desks of a project, newest first; filters as of :meth:`PeopleBook.trail`."""
    with Project.open(folder, read_only=True) as project, book_of(project) as book:
        return book.trail(**filters)


def trail_as_csv(entries: Sequence[Mapping[str, Any]], out: Path) -> None:
    """The trail as a table that a spreadsheet opens."""
    write_whole(out, trail_text(entries))


def trail_text(entries: Sequence[Mapping[str, Any]]) -> str:
    """The text of that table; what a spreadsheet would run as a formula is marked as text."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\r\n")
    names = ("seq", "at", "name", "act", "about", "outcome", "session", "address")
    writer.writerow(names)
    writer.writerows([no_formula(entry[n]) for n in names] for entry in entries)
    return text.getvalue()
