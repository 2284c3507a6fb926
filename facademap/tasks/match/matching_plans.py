"""Two stored plans of the matching side by side."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from facademap.errors import InputError
from facademap.io.match_files import solution_from_json
from facademap.match import Placement, Problem, Solution, compare_plans
from facademap.match.verdict import judge_plans
from facademap.store.project import Project
from facademap.tables import is_missing
from facademap.tasks.match.match import load_problem

__all__ = ["compare_in_project", "compare_stored_plans", "list_plans"]

#: Places closer than this are the same place: nobody saws finer (common practice).
SAME_PLACE_MM = 0.5


def list_plans(folder: str | Path) -> list[dict[str, Any]]:
    """All plans of a project, the newest first, without their places."""
    with Project.open(folder, read_only=True) as project:
        plans = project.read("plans").to_dict("records")
    shown = (
        "id",
        "name",
        "kept",
        "made_at",
        "status",
        "objective",
        "bound",
        "gap",
        "matched",
        "unmatched",
        "mean_de00",
        "seconds",
        "current",
    )
    rows = [{n: None if is_missing(p[n]) else p[n] for n in shown} for p in plans]
    return [{**r, "current": bool(r["current"])} for r in reversed(rows)]


def compare_in_project(folder: str | Path, first: str, second: str | None = None) -> dict[str, Any]:
    """:func:`compare_stored_plans` for a project folder; the current plan stands second when none is named."""
    with Project.open(folder, read_only=True) as project:
        if second is None:
            now = [str(p) for p in project.read("plans", where={"current": True})["id"]]
            if not now:
                raise InputError("there is no current plan", "Name two plans, or match first.")
            second = now[-1]
        return compare_stored_plans(project, first, second)


def compare_stored_plans(project: Project, first: str, second: str) -> dict[str, Any]:
    """Placed, looks, stone opened, and which repairs changed.

    Parameters
    ----------
    first, second : str
        Ids of plans.

    Returns
    -------
    dict
        ``plans`` (ids), ``placed``, ``visual``, ``opened_dm3``, ``opened_blocks``, ``objective`` (pairs), ``changes``
        (repair, what, and the place in each plan), ``same`` (number of repairs that stay as they are), ``verdict`` (which is
        better, in words), ``served``, ``looks_shared`` and ``lines`` (each figure with the plan better in it).

    Raises
    ------
    InputError
        A plan without a stored solution, or one made from repairs or blocks that are no longer there.

    Notes
    -----
    Both plans are judged by the colours, sizes and rules of today, so that the figures can be compared.
    """
    if first == second:
        raise InputError("a plan compared with itself", "Choose two plans.")
    problem = load_problem(project).problem
    plans = [_stored(project, name, problem) for name in (first, second)]
    found = compare_plans(problem, *plans)
    names = _names(project, (first, second))
    verdict = judge_plans(problem, plans, found, names=names)
    reasons = [{u.repair_id: u.reason for u in p.unmatched} for p in plans]
    changes = []
    for change in found.changes:
        what = _what(change.first, change.second)
        if what:
            sides = [
                {**_place(place), "reason": reason.get(change.repair_id)}
                for place, reason in zip((change.first, change.second), reasons, strict=True)
            ]
            changes.append(
                {"repair": change.repair_id, "what": what, "first": sides[0], "second": sides[1]}
            )
    return {
        "plans": [first, second],
        "placed": found.placed,
        "visual": found.visual,
        "opened_dm3": found.opened_dm3,
        "opened_blocks": found.opened_blocks,
        "objective": found.objective,
        "changes": changes,
        "same": len(problem.repairs) - len(changes),
        "names": list(names),
        "verdict": {
            "better": None if verdict.better is None else (first, second)[verdict.better],
            "text": verdict.text,
        },
        "served": {
            "first_only": list(verdict.first_only),
            "second_only": list(verdict.second_only),
            "both": verdict.both,
        },
        "looks_shared": list(verdict.looks_shared),
        "lines": [
            {"key": key, "values": list(values), "better": better}
            for key, values, better in verdict.lines
        ],
    }


def _names(project: Project, plans: tuple[str, str]) -> tuple[str, str]:
    """What people call two plans: the name given, else the number."""
    given = [project.row("plans", p)["name"] for p in plans]
    first, second = (
        p if is_missing(name) else f"{name} ({p})" for p, name in zip(plans, given, strict=True)
    )
    return first, second


def _stored(project: Project, name: str, problem: Problem) -> Solution:
    row = project.row("plans", name)
    if is_missing(row["solution"]) or not row["solution"]:
        raise InputError(
            f"plan {name} was stored without its places",
            "Solve again; every new plan is kept whole.",
        )
    plan = solution_from_json(row["solution"])
    faces = {f.id for b in problem.blocks for f in b.faces}
    repairs = {r.id for r in problem.repairs}
    gone = sorted({p.face_id for p in plan.placements} - faces) + sorted(
        ({p.repair_id for p in plan.placements} | {u.repair_id for u in plan.unmatched}) - repairs
    )
    if gone:
        raise InputError(
            f"plan {name} uses {', '.join(gone[:4])}{' and others' if len(gone) > 4 else ''}, no longer open to matching",
            "Compare plans that were made after the last change of blocks and repairs.",
        )
    return plan


def _what(first: Placement | None, second: Placement | None) -> str:
    """What changed, in a word; empty when nothing a mason could tell."""
    if first is None or second is None:
        return "" if first is second else "placed" if first is None else "left out"
    if first.block_id != second.block_id:
        return "another block"
    if (first.face_id, first.slab, first.rot_deg) != (second.face_id, second.slab, second.rot_deg):
        return "another place"
    return (
        "another place"
        if max(abs(first.x_mm - second.x_mm), abs(first.y_mm - second.y_mm)) > SAME_PLACE_MM
        else ""
    )


def _place(place: Placement | None) -> dict[str, Any]:
    if place is None:
        return {"block": None}
    return {
        "block": place.block_id,
        "face": place.face_id,
        "slab": place.slab,
        "turn_deg": place.rot_deg,
        "x_m": place.x_mm / 1000.0,
        "y_m": place.y_mm / 1000.0,
    }
