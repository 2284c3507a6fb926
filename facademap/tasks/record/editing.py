"""Edits of the work record: each goes through the gate, and under the name that its sender gave it."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from facademap.errors import ConflictError
from facademap.store.changes import edit_once
from facademap.store.edit import Edit
from facademap.store.gate import gated_edit, judge_edit
from facademap.store.project import Project

__all__ = ["record_edit"]


@contextmanager
def record_edit(project: Project, key: str | None, *, who: str, what: str) -> Iterator[Edit]:
    """One transaction, under the name its sender gave it where there is one.

    Parameters
    ----------
    project : Project
        Open for writing.
    key : str or None
        Name of the transaction; sent a second time, it is refused.
    who, what : str
        Kept in the history.

    Raises
    ------
    ConflictError
        A transaction of this name was stored already.
    """
    if key is None:
        with gated_edit(project, who=who, what=what) as edit:
            yield edit
        return
    with edit_once(project, key, who=who, what=what) as once:
        if once is None:
            raise ConflictError(f"{what} was stored already", "Load the record again.")
        yield once
        judge_edit(project, key)
