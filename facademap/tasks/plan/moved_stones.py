"""Which repairs were planned on wall stones as they were before an edit, told at the moment of the edit."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import shapely

from facademap.repair.pieces import is_inset
from facademap.repair.replay import Replay, replay_rows
from facademap.repair.settings import Settings
from facademap.repair.settled import is_settled
from facademap.store.changes import contents_of, outlines_near, rows_where
from facademap.store.edit import row_from_json
from facademap.store.project import Project
from facademap.tables import TABLES, is_missing
from facademap.tasks.plan.plan import settings_of_project

__all__ = ["told_of_moved_stones"]

Row = Mapping[str, Any]
#: Corners nearer than this to where they were have not moved: nobody sets out finer (common practice).
_STILL_M = 0.0005
_MOST = 8


def told_of_moved_stones(project: Project, txn: str) -> list[dict[str, str]]:
    """Repairs that were planned on stones which an edit moved, reshaped, made deeper or shallower, or took out.

    Parameters
    ----------
    txn : str
        Name of the edit.

    Returns
    -------
    list of dict
        ``repair``, ``stone``, ``problem`` and ``remedy``, at most eight; of more repairs the last one tells how many.
    """
    moved = _moved(project, txn)
    if not moved:
        return []
    settings = settings_of_project(project)
    found: dict[str, dict[str, str]] = {}
    for id, (before, after) in moved.items():
        shapes = [s["geometry"] for s in (before, after) if s is not None]
        reach = shapely.union_all(shapes).buffer(settings.joint_search_m)
        near = outlines_near(project, "repairs", surface=str(before["surface"]), box=reach.bounds)
        for name, outline in near:
            row = project.row("repairs", name)
            if is_inset(row["treatment"]) and outline.intersects(reach):
                found.setdefault(name, _told(project, row, id, before, after, settings))
    told = list(found.values())
    if len(told) > _MOST:
        last = told[_MOST - 1]
        more = f"{last['problem']} (and {len(told) - _MOST} more repairs)"
        told = [*told[: _MOST - 1], {**last, "problem": more}]
    return told


def _moved(project: Project, txn: str) -> dict[str, tuple[dict[str, Any], dict[str, Any] | None]]:
    """Wall stones that are not as they were: the row before and after."""
    net: dict[str, list[Row | None]] = {}
    for change, before, after in contents_of(project, txn):
        if change.table == "wall_stones":
            net.setdefault(change.id, [before, None])[1] = after
    found = {}
    for id, (first, last) in net.items():
        if first is None:
            continue
        old = row_from_json(TABLES["wall_stones"], first)
        new = None if last is None else row_from_json(TABLES["wall_stones"], last)
        if old["geometry"] is not None and (new is None or _differs(old, new)):
            found[id] = (old, new)
    return found


def _differs(old: Row, new: Row) -> bool:
    one, other = old["geometry"], new["geometry"]
    return (
        other is None
        or old["surface"] != new["surface"]
        or bool(shapely.hausdorff_distance(one, other) > _STILL_M)
        or (None if is_missing(old["depth_m"]) else old["depth_m"])
        != (None if is_missing(new["depth_m"]) else new["depth_m"])
    )


def _told(
    project: Project, repair: Row, id: str, before: Row, after: Row | None, settings: Settings
) -> dict[str, str]:
    name = str(repair["id"])
    own = str(repair["wall_stone"]) == id
    was = "as it was drawn before" if after is not None else "which is gone"
    problem = f"{name} was planned {'on' if own else 'beside'} {id} {was}"
    if (
        own
        and after is not None
        and (fault := _new_fault(project, repair, before, after, settings))
    ):
        problem += f"; it could not be set so: {fault}"
    if is_settled(repair):
        remedy = f"{name} is {repair['stage']}: undo this, or take it back to proposed with a reason and plan it again."
    else:
        remedy = "Plan it again, or undo this."
    return {"repair": name, "stone": id, "problem": problem, "remedy": remedy}


def _new_fault(
    project: Project, repair: Row, before: Row, after: Row, settings: Settings
) -> str | None:
    """What hinders the setting of an inset in the stone as it is now, and did not before."""

    def replayed(piece: Row, stone: Row) -> Replay:
        return replay_rows(repair, piece, settings=settings, stone=stone)[1]

    for piece in rows_where(project, "pieces", "repair", str(repair["id"])):
        known = {(f.about, f.problem) for f in replayed(piece, before).faults}
        for fault in replayed(piece, after).faults:
            if (fault.about, fault.problem) not in known:
                return f"{fault.about}: {fault.problem}"
    return None
