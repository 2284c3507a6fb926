"""Delete rows of a project, after saying what goes along."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from facademap.errors import InputError, InUseError, StageError
from facademap.store.draft import LARGE, store_drafted
from facademap.store.edit import table_named
from facademap.store.gate import consequences_of, gated_edit, take_out
from facademap.store.project import Project

__all__ = ["remove_rows"]


def remove_rows(
    folder: str | Path,
    table: str,
    ids: Sequence[str],
    *,
    confirmed: bool = False,
    try_only: bool = False,
    who: str = "facademap remove",
) -> dict[str, Any]:
    """Delete rows and what goes with them, in one edit that can be undone.

    Parameters
    ----------
    table : str
        Table of the rows.
    ids : sequence of str
        Which.
    confirmed : bool
        Accept everything that follows.
    try_only : bool
        Only tell what would follow.

    Returns
    -------
    dict
        The consequences (:meth:`facademap.store.gate.Consequences.as_json`) and ``txn``, the name of the edit.

    Raises
    ------
    StageError
        Something settled stands in the way.
    InUseError
        Something depends on a row, and that was not confirmed.
    """
    table_named(table)
    if table == "settings":
        raise InputError("settings are not removed by hand", "Use the command that sets them.")
    with Project.open(folder, read_only=try_only) as project:
        found = consequences_of(project, [(table, id) for id in ids])
        told = {**found.as_json(), "txn": None}
        if try_only:
            return told
        if found.refused:
            _, problem, remedy = found.refused[0]
            raise StageError(problem, remedy)
        if not found.free and not confirmed:
            raise InUseError(
                f"{', '.join(ids[:3])} cannot go alone: {'; '.join(found.sentences()[:4])}",
                "Add --confirmed to let that follow.",
                consequences=told,
            )

        def store(apart: bool) -> str:
            what = f"remove {', '.join(ids)[:60]}"
            with gated_edit(project, who=who, what=what, apart=apart) as edit:
                take_out(edit, project, found)
            return edit.txn

        return {**told, "txn": store_drafted(store, large=len(ids) > LARGE)}
