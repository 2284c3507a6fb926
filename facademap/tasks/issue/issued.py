"""Whether an issued sheet is current, and whether the project still says what it says."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Any

from facademap.errors import FileError, InputError
from facademap.report.issue_register import Document, Register
from facademap.store.project import Project
from facademap.tasks.issue.kept_register import read_register

__all__ = ["file_issued", "list_issued", "sheet_issued"]


def sheet_issued(folder: str | Path, sheet: str) -> dict[str, Any]:
    """One issued paper by what stands on it, with whether it is current.

    Parameters
    ----------
    folder : path
    sheet : str
        Number and revision, as in ``DR-001 rev A``.

    Returns
    -------
    dict
        name, title, state (``current`` or ``superseded``), says, and the rest of its entry.
    """
    with Project.open(folder, read_only=True) as project:
        register = read_register(project)
    document = register.find(sheet)
    found = _told(register, document)
    if sheet.strip().upper() == document.number:
        found["says"] += f"; whether yours is revision {document.revision.letter} stands on it"
    return found


def file_issued(folder: str | Path, file: Path) -> dict[str, Any]:
    """The same of a file, known by its bytes.

    Raises
    ------
    FacademapError
        It cannot be read, or is no copy of an issued paper.
    """
    try:
        with file.open("rb") as opened:
            digest = hashlib.file_digest(opened, "sha256").hexdigest()
    except OSError as error:
        raise FileError(
            f"{file}: cannot be read ({error.strerror})", "Check the path of the file."
        ) from None
    with Project.open(folder, read_only=True) as project:
        register = read_register(project)
    document = register.with_digest(digest)
    if document is None:
        raise InputError(
            f"{file.name} is no copy of a paper that was issued",
            "It may have been altered, or stamped as superseded: ask with number and revision, --sheet.",
        )
    return _told(register, document)


def list_issued(folder: str | Path) -> dict[str, Any]:
    """Current papers, superseded ones, and every transmittal."""
    with Project.open(folder, read_only=True) as project:
        register = read_register(project)
    return {
        "current": [_told(register, d) for d in register.current],
        "superseded": [_told(register, d) for d in register.superseded],
        "transmittals": [
            {
                "id": t.id,
                "date": t.date,
                "status": t.status,
                "reason": t.reason,
                "to": t.to,
                "by": t.by,
                "documents": t.documents,
            }
            for t in register.transmittals
        ],
    }


def _told(register: Register, document: Document) -> dict[str, Any]:
    last = register.documents[document.number][-1]
    revision = document.revision
    current = last == document
    says = (
        f"current, {revision.status}, issued {revision.date}"
        if current
        else f"SUPERSEDED by {last.name}, issued {last.revision.date} ({last.revision.reason})"
    )
    return {
        "name": document.name,
        "number": document.number,
        "revision": revision.letter,
        "title": document.title,
        "state": "current" if current else "superseded",
        "says": says,
        "status": revision.status,
        "date": revision.date,
        "reason": revision.reason,
        "drawn_by": revision.drawn_by,
        "checked_by": revision.checked_by,
        "made_from": document.made_from,
        "paper": document.paper,
        "files": list(document.files),
        "who_has_it": register.who_got(document),
        "replaced_by": None if current else last.name,
    }
