"""What one person can undo and redo, read back from the project's history, so that it outlives the page."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from facademap.errors import InputError
from facademap.store.changes import transactions_of
from facademap.store.project import Project
from facademap.tasks.desk.inverse import inverse_of

__all__ = ["edits_of"]

#: Edits made at the desk carry names that begin so; jobs and commands are taken back by other means.
PREFIX = "desk-"
#: Rows of undone edits sent at once; an edit of more rows ends the page.
MOST_ROWS = 6_000


def edits_of(project: Project, who: str, *, keys: str = PREFIX, last: int = 60) -> dict[str, Any]:
    """The edits of one person that can be taken back, and those that can be done again.

    Parameters
    ----------
    who : str
        Name that the edits were made under.
    keys : str
        Beginning of the names of the edits, such as those of one browser for people without a name.
    last : int
        How many of each at most.

    Returns
    -------
    dict
        ``undo`` and ``redo``, the next one last: ``key``, ``what`` and ``inverse``, the changes that turn it back, each
        with the values it expects to find (``expect``); ``more_undo`` and ``more_redo``, whether there are older ones.
    """
    if not keys.startswith(PREFIX):
        raise InputError(f"edits whose names begin with {keys[:40]!r}", f"Ask for {PREFIX}.")
    undo: dict[str, str] = {}
    redo: dict[str, str] = {}
    for txn, what, undoes in transactions_of(project, who, prefix=keys):
        if undoes in undo:
            del undo[undoes]
            redo[txn] = what.removeprefix("undo: ")
        else:
            if undoes in redo:
                del redo[undoes]
            elif undoes is None:
                redo.clear()
            undo[txn] = what
    (first, more_undo), (second, more_redo) = (
        _page(project, stack, last) for stack in (undo, redo)
    )
    return {"undo": first, "redo": second, "more_undo": more_undo, "more_redo": more_redo}


def _page(project: Project, stack: dict[str, str], last: int) -> tuple[list[dict[str, Any]], bool]:
    items: list[dict[str, Any]] = []
    rows = 0
    for txn in reversed(stack):
        if len(items) >= last or rows > MOST_ROWS:
            return items[::-1], True
        inverse = inverse_of(project, txn)
        if any(_is_record(change) for change in inverse):
            continue
        rows += len(inverse)
        items.append({"key": txn, "what": stack[txn], "inverse": inverse})
    return items[::-1], False


def _is_record(change: Mapping[str, Any]) -> bool:
    """Whether a change belongs to a record, which is corrected by a new entry and never taken back."""
    values = change.get("values", {})
    return change["table"] in ("work_log", "reviews") or (
        change["table"] == "repairs"
        and change["op"] == "update"
        and not {"stage", "measured"}.isdisjoint(values)
    )
