"""No change at the desk may leave a plan that cannot be sawn or set, or a stone that is drawn twice."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import pandas as pd

from facademap.errors import InputError, InUseError, StageError
from facademap.match.saw_tables import Refused, sawing_of
from facademap.repair.replay import replay_rows
from facademap.repair.settled import RESERVED_STATES
from facademap.store.changes import outlines_near, rows_where
from facademap.store.edit import Edit
from facademap.store.gate import Consequences
from facademap.store.project import Project
from facademap.tables import TABLES, is_missing
from facademap.tasks.match.yard_rules import rules_of_yard
from facademap.tasks.plan.plan import settings_of_project
from facademap.tasks.survey.doubts import identical_pairs

__all__ = ["give_back_unsawable", "refuse_twice", "refuse_unset", "unsawable", "unset"]

Place = tuple[str, str]
_OF_SAWING = frozenset({"faces", "pieces", "placements"})


def refuse_twice(project: Project, touched: Iterable[Place]) -> None:
    """Refuse a wall stone or an opening with the outline of another.

    Raises
    ------
    InputError
        It is drawn already.
    """
    for table, id in touched:
        row = _row(project, table, id) if table in ("wall_stones", "openings") else None
        if row is None or row["geometry"] is None or row["geometry"].is_empty:
            continue
        own = row["geometry"]
        near = [
            (other, shape)
            for other, shape in outlines_near(
                project, table, surface=str(row["surface"]), box=own.bounds
            )
            if other != id
        ]
        for _, k in identical_pairs([own], [shape for _, shape in near], one=False):
            raise InputError(
                f"{TABLES[table].title.lower()}: {id} has the outline of {near[k][0]}; areas and repairs would count double",
                f"Change {near[k][0]} instead, or draw another outline.",
            )


def unset(project: Project, repairs: Iterable[str]) -> set[tuple[str, str]]:
    """Faults of insets that cannot be set as they are planned: repair, and what is wrong with which part."""
    found: set[tuple[str, str]] = set()
    names = [r for r in dict.fromkeys(repairs) if _row(project, "repairs", r) is not None]
    settings = settings_of_project(project) if names else None
    for name in names:
        row = project.row("repairs", name)
        stone = None
        if not is_missing(row["wall_stone"]):
            stone = _row(project, "wall_stones", str(row["wall_stone"]))
        for piece in rows_where(project, "pieces", "repair", name):
            assert settings is not None
            _, replayed = replay_rows(row, piece, settings=settings, stone=stone)
            found |= {(name, f"{f.about}: {f.problem}") for f in replayed.faults}
    return found


def refuse_unset(project: Project, repairs: Iterable[str], *, before: set[tuple[str, str]]) -> None:
    """Refuse an edit that makes of an inset which could be set one that cannot.

    Raises
    ------
    InputError
        Its piece cannot be pushed on, pinned or set.
    """
    ill = {name for name, _ in before}
    for name, fault in sorted(unset(project, repairs)):
        if name not in ill:
            raise InputError(
                f"{name} could not be set so: {fault}",
                "Give it another depth, outline or rods.",
            )


def unsawable(project: Project, touched: Iterable[Place]) -> dict[str, Refused]:
    """Blocks that cannot be sawn as planned, among those that rows of faces, pieces and placements are about."""
    refused: dict[str, Refused] = {}
    params = None
    for block in _blocks_of(project, touched):
        places = rows_where(project, "placements", "block", block)
        row = _row(project, "blocks", block)
        if not places or row is None or row["state"] in ("sawn", "used"):
            continue
        params = params or rules_of_yard(project)
        frames = {
            "placements": pd.DataFrame(places),
            "faces": pd.DataFrame(rows_where(project, "faces", "block", block)),
            "pieces": pd.DataFrame([project.row("pieces", str(p["piece"])) for p in places]),
        }
        for found in sawing_of(frames, params)[1]:
            refused[block] = found
    return refused


def _blocks_of(project: Project, touched: Iterable[Place]) -> Sequence[str]:
    blocks: dict[str, None] = {}
    for table, id in touched:
        row = _row(project, table, id) if table in _OF_SAWING else None
        if row is None:
            continue
        if table == "pieces":
            places = rows_where(project, "placements", "piece", id)
            blocks |= dict.fromkeys(str(p["block"]) for p in places)
        else:
            blocks[str(row["block"])] = None
    return tuple(blocks)


def give_back_unsawable(
    project: Project,
    edit: Edit,
    touched: Sequence[Place],
    *,
    before: Mapping[str, Any],
    confirmed: str | bool,
) -> list[Place]:
    """Places on blocks that cannot be sawn as planned any more, given back once that was confirmed.

    Raises
    ------
    InputError
        A place was moved so that its block cannot be sawn.
    StageError
        A place on the block was approved.
    InUseError
        Places would be given back, and that was not confirmed.
    """
    moved = [p for p in touched if p[0] == "placements"]
    by_place = _blocks_of(project, moved)
    gone: list[tuple[Place, Place]] = []
    for block, found in unsawable(project, touched).items():
        if block in before:
            continue
        if block in by_place:
            raise InputError(f"block {block} could not be sawn so: {found.problem}", found.remedy)
        for place in rows_where(project, "placements", "block", block):
            if place["state"] in RESERVED_STATES:
                raise StageError(
                    f"the piece of {place['repair']} is {place['state']} on block {block}, which could not be sawn so: "
                    f"{found.problem}",
                    "Open that place again first.",
                )
            gone.append((("placements", str(place["id"])), ("blocks", block)))
    told = Consequences(deletes=(), taken_out=tuple(gone))
    if gone and confirmed is not True and confirmed != told.seal:
        blocks = ", ".join(dict.fromkeys(block for _, (_, block) in gone))
        raise InUseError(
            f"{blocks} cannot be sawn as planned then: {'; '.join(told.sentences())}",
            "Confirm what follows and match again, or leave it.",
            consequences=told.as_json(),
        )
    for (table, id), _ in gone:
        edit.delete(table, id)
    return [place for place, _ in gone]


def _row(project: Project, table: str, id: str) -> dict[str, Any] | None:
    try:
        return project.row(table, id)
    except InputError:
        return None
