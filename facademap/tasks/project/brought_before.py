"""What a project took already of a field copy whose folder was copied again, told by the project's own history."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from facademap.store.field_steps import Row, Step
from facademap.store.part import Place, paths_in
from facademap.store.project import Project
from facademap.tables import TABLES

__all__ = ["leave_out_brought", "words_of_field"]


def words_of_field(step: Step) -> str:
    """What the history of the project says of an edit that came from the field."""
    return f"{step.what} (in the field, {step.at[:16]})"


def leave_out_brought(
    project: Project, steps: dict[Place, list[Step]], renamed: Sequence[Mapping[str, Any]]
) -> dict[str, dict[str, str]]:
    """Take out of ``steps`` what another folder of the same field copy brought back before.

    Two folders that were one have their first edits in common, by the same people with the same words in the same minute. The
    history of the project holds these under the names that it gave, so a row is neither brought twice nor taken for another.

    Parameters
    ----------
    project : Project
    steps : dict of place to list of Step
        What was done in the field, oldest first; changed.
    renamed : sequence of mapping
        By table, the names that rows of those other folders were given.

    Returns
    -------
    dict of str to dict
        By table, what rows whose own names were taken are called in the project.
    """
    names: dict[str, dict[str, str]] = {}
    for place, done in list(steps.items()):
        table, id = place
        called = [id, *(n[table][id] for n in renamed if id in n.get(table, {}))]
        count, name = max(
            ((_in_common(project, table, n, done), n) for n in dict.fromkeys(called)),
            key=lambda found: found[0],
        )
        if not count:
            continue
        if name != id:
            names.setdefault(table, {})[id] = name
        steps[place] = done[count:]
        if not steps[place]:
            del steps[place]
    return names


def _in_common(project: Project, table: str, name: str, steps: Sequence[Step]) -> int:
    """How many steps, from the first on, the history of a row of the project holds in this order."""
    entries: list[Any] = project.history(table, name).to_dict("records")
    count = 0
    for entry in reversed(entries):
        if count < len(steps) and _is_same(steps[count], entry):
            count += 1
    return count


def _is_same(step: Step, entry: Mapping[str, Any]) -> bool:
    if (entry["who"], entry["what"]) != (step.who, words_of_field(step)):
        return False
    kinds = [(r is None) for r in (step.before, step.after, entry["before"], entry["after"])]
    return kinds[:2] == kinds[2:] and _told(step.table, step.after, step.before) == _told(
        step.table, entry["after"], entry["before"]
    )


def _told(table: str, after: Row | None, before: Row | None) -> Row:
    """The values that a step changed, but for names and paths, which are others in the project."""
    if after is None:
        return {}
    paths, old = set(paths_in(after)), before or {}
    named = {"id", "about", *(c.name for c in TABLES[table].columns if c.refers)}
    return {
        n: value
        for n, value in after.items()
        if n not in named
        and value != old.get(n)
        and not (isinstance(value, str) and value in paths)
    }
