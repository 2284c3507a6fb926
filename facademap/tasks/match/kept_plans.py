"""Plans as things: named, kept, chosen again, taken back as wholes."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Any

from facademap.errors import FacademapError, InputError, StageError
from facademap.io.match_files import solution_from_json, solution_to_json
from facademap.match import Placement, Problem, Solution
from facademap.match.from_tables import TableProblem, placement_rows
from facademap.match.outlines import blank_of
from facademap.match.problem import Repair
from facademap.match.solution import Slabs, Unmatched
from facademap.match.verification import recount_objective, verify
from facademap.repair.settled import RESERVED_STATES, same_place
from facademap.store.changes import contents_of, steps_of
from facademap.store.draft import LARGE, store_drafted
from facademap.store.edit import Edit, row_as_json
from facademap.store.gate import gated_edit, judge_edit, store_large
from facademap.store.project import Project
from facademap.tables import TABLES, is_missing
from facademap.tasks.match.match import load_problem, put_places

__all__ = [
    "choose_plan",
    "drop_plan",
    "keep_now",
    "keep_plan",
    "name_plan",
    "plans_of",
    "undo_plan",
]

_LONGEST_NAME = 80
#: Rules of the verification that say how good a plan was in its day, not whether it can be sawn today.
_OF_ITS_DAY = frozenset({"objective", "bound", "gap", "reason", "source"})
_SHOWN = (
    "id", "name", "kept", "note", "made_at", "status", "objective", "bound", "gap", "matched", "unmatched",
    "mean_de00", "seconds", "current",
)  # fmt: skip


def plans_of(project: Project) -> list[dict[str, Any]]:
    """All plans, the newest first, with whether each can be chosen and whether its step can be taken back."""
    stored = project.read("plans").to_dict("records")
    problems: dict[bool, TableProblem] = {}

    def problem(donors: bool) -> TableProblem:
        if donors not in problems:
            problems[donors] = load_problem(project, looks={}, donors=donors)
        return problems[donors]

    step = _last_step(project)
    result = []
    for row in stored:
        why = None if row["current"] else _why_not(project, row, problem)
        log = project.history("plans", row["id"])
        shown = {n: None if is_missing(row[n]) else row[n] for n in _SHOWN}
        result.append(
            {
                **shown,
                "kept": bool(shown["kept"]),
                "current": bool(row["current"]),
                "who": str(log["who"].iloc[-1]) if len(log) else None,
                "can_be_chosen": why is None and not row["current"],
                "why_not": why,
                "undo": {"txn": step[0]}
                if step and row["current"] and step[1] == row["id"]
                else None,
            }
        )
    return result[::-1]


def _why_not(
    project: Project, row: Mapping[str, Any], problem: Callable[[bool], TableProblem]
) -> str | None:
    try:
        _fitting(project, row, problem)
    except FacademapError as error:
        return error.problem
    return None


def _fitting(
    project: Project, row: Mapping[str, Any], problem: Callable[[bool], TableProblem]
) -> tuple[TableProblem, Solution]:
    """A stored plan as it stands in the project of today.

    Raises
    ------
    InputError
        It uses what is gone, or leaves out what came since.
    StageError
        What was approved or sawn since stands in its way.
    """
    id = row["id"]
    if is_missing(row["solution"]) or not row["solution"]:
        raise InputError(f"plan {id} was stored without its places", "Match again.")
    plan = solution_from_json(row["solution"])
    blocks = project.read("blocks")
    future = set(blocks["id"][blocks["state"] == "future"])
    table_problem = problem(any(p.block_id in future for p in plan.placements))
    today = table_problem.problem
    for place in _promised(project):
        own = plan.placement(place["repair"])
        if place["repair"] in table_problem.piece_of and (
            own is None or not same_place(place, _as_row(own, place["piece"]))
        ):
            raise StageError(
                f"{place['repair']} is {place['state']} on block {place['block']}; plan {id} "
                + (f"has it on {own.block_id}" if own else "has no place for it"),
                "Open that place again first, or match again.",
            )
    open_ = {r.id for r in today.repairs}
    closed = {r["id"] for r in project.read("repairs").to_dict("records")} - open_
    plan = replace(
        plan,
        placements=tuple(p for p in plan.placements if p.repair_id not in closed),
        unmatched=tuple(u for u in plan.unmatched if u.repair_id not in closed),
    )
    known = {p.repair_id for p in plan.placements} | {u.repair_id for u in plan.unmatched}
    faces = {f.id for b in today.blocks for f in b.faces}
    gone = sorted((known - open_) | ({p.face_id for p in plan.placements} - faces))
    if gone:
        raise InputError(
            f"plan {id} uses {', '.join(gone[:4])}, which is no longer open to matching",
            "Match again.",
        )
    if new := sorted(open_ - known):
        raise InputError(
            f"plan {id} knows nothing of {', '.join(new[:4])}, planned since",
            "Match again from it.",
        )
    faults = [f for f in verify(today, plan) if f.rule not in _OF_ITS_DAY]
    if faults:
        raise InputError(f"plan {id} no longer holds: {faults[0]}", "Match again.")
    return table_problem, plan


def _as_row(place: Placement, piece: str) -> dict[str, Any]:
    return {
        "repair": place.repair_id, "piece": piece, "block": place.block_id, "face": place.face_id,
        "slab": place.slab, "rotation_deg": place.rot_deg, "x_m": place.x_mm / 1000, "y_m": place.y_mm / 1000,
    }  # fmt: skip


def _promised(project: Project) -> list[dict[str, Any]]:
    return [
        p for p in project.read("placements").to_dict("records") if p["state"] in RESERVED_STATES
    ]


def choose_plan(project: Project, plan: str, *, who: str) -> dict[str, Any]:
    """Put a stored plan in force again, in one step that can be taken back.

    Returns
    -------
    dict
        ``plan``, ``changed`` (repairs whose place is another), ``txn``.
    """
    row = project.row("plans", plan)
    if row["current"]:
        raise InputError(f"plan {plan} is in force already", "Choose another.")
    table_problem, solution = _fitting(
        project, row, lambda donors: load_problem(project, donors=donors)
    )
    before = project.read("placements")
    states = {p["repair"]: p["state"] for p in _promised(project)}
    rows = placement_rows(table_problem, solution, plan_id=plan, states=states)
    had = {p["repair"]: p for p in before.to_dict("records")}
    now = {r["repair"]: r for r in rows}
    changed = sorted(
        r
        for r in had.keys() | now.keys()
        if r in table_problem.piece_of
        and not (r in had and r in now and same_place(had[r], now[r]))
    )

    def store(edit: Edit) -> str:
        _in_force(edit, project, plan)
        put_places(edit, before, table_problem, solution, rows)
        return edit.txn

    txn = store_large(project, store, who=who, what=f"choose plan {plan}")
    return {"plan": plan, "changed": changed, "txn": txn}


def _in_force(edit: Edit, project: Project, plan: str | None) -> None:
    for old in project.read("plans", where={"current": True})["id"]:
        if old != plan:
            edit.update("plans", old, {"current": False})
    if plan is not None:
        edit.update("plans", plan, {"current": True})


def name_plan(project: Project, plan: str, name: str, *, who: str) -> dict[str, Any]:
    """Give a plan a name that no other has; empty takes it away."""
    given = " ".join(name.split())
    if len(given) > _LONGEST_NAME:
        raise InputError(f"a name of {len(given)} letters", f"Use at most {_LONGEST_NAME}.")
    for row in project.read("plans").to_dict("records"):
        if given and row["id"] != plan and given in (row["name"], row["id"]):
            raise InputError(f"plan {row['id']} is called {given!r}", "Give another name.")
    return _set(project, plan, {"name": given or None}, who=who, what=f"name plan {plan}")


def keep_plan(project: Project, plan: str, *, kept: bool = True, who: str) -> dict[str, Any]:
    """Keep a plan beside the one in force, so that it is not dropped; or no longer."""
    return _set(
        project, plan, {"kept": kept}, who=who, what=f"{'keep' if kept else 'let go'} plan {plan}"
    )


def _set(
    project: Project, plan: str, values: Mapping[str, Any], *, who: str, what: str
) -> dict[str, Any]:
    project.row("plans", plan)
    with gated_edit(project, who=who, what=what) as edit:
        edit.update("plans", plan, values)
    row = project.row("plans", plan)
    return {n: None if is_missing(row[n]) else row[n] for n in _SHOWN}


def keep_now(project: Project, name: str, *, who: str) -> dict[str, Any]:
    """Keep what is placed now, by matching and by hand, as a plan of its own.

    Raises
    ------
    InputError
        Nothing is placed, a place breaks a rule, or the name is taken.
    """
    table_problem = load_problem(project, donors=None)
    today = table_problem.problem
    placed = [
        p
        for p in project.read("placements").to_dict("records")
        if p["repair"] in table_problem.piece_of
    ]
    if not placed:
        raise InputError("nothing is placed", "Match first.")
    plans = project.read("plans", where={"current": True}).to_dict("records")
    base = next(
        (solution_from_json(p["solution"]) for p in plans if not is_missing(p["solution"])), None
    )
    if base is None:
        raise InputError("there is no plan in force", "Match first, then change places by hand.")
    solution = _of_places(today, placed, base)
    faults = [f for f in verify(today, solution) if f.rule not in _OF_ITS_DAY]
    if faults:
        raise InputError(
            f"what is placed now cannot be sawn so: {faults[0]}", "Mend that place first."
        )
    with gated_edit(project, who=who, what=f"keep plan {name[:40]}") as edit:
        id = edit.new_id("M")
        known = [p["de00"] for p in placed if not is_missing(p["de00"])]
        row = {
            "id": id,
            "made_at": dt.datetime.now(dt.UTC).isoformat(timespec="seconds"),
            "status": "feasible",
            "objective": solution.objective,
            "bound": solution.bound,
            "gap": None,
            "matched": len(solution.placements),
            "unmatched": len(solution.unmatched),
            "mean_de00": sum(known) / len(known) if known else None,
            "current": False,
            "kept": True,
            "solution": solution_to_json(solution),
            "premises": None,
        }
        edit.insert("plans", [row])
    return name_plan(project, id, name, who=who)


def _of_places(today: Problem, placed: Sequence[Mapping[str, Any]], base: Solution) -> Solution:
    """A solution from what is placed, with the reasons that the plan in force gave for what has no place."""
    places = tuple(
        Placement(
            repair_id=p["repair"],
            block_id=p["block"],
            face_id=p["face"],
            slab=int(p["slab"]),
            x_mm=round(float(p["x_m"]) * 1000, 4),
            y_mm=round(float(p["y_m"]) * 1000, 4),
            rot_deg=int(p["rotation_deg"]),
        )
        for p in placed
    )
    slabs = {
        p["block"]: Slabs(
            face_id=p["face"],
            thickness_mm=tuple(round(t * 1000, 6) for t in p["slab_thicknesses"]),
        )
        for p in placed
        if not is_missing(p["slab_thicknesses"]) and len(p["slab_thicknesses"]) > 1
    }
    have, reasons = {p.repair_id for p in places}, {u.repair_id: u for u in base.unmatched}
    unmatched = tuple(
        reasons.get(r.id)
        or Unmatched(repair_id=r.id, reason="locked_out", source_mm=_size(today, r))
        for r in today.repairs
        if r.id not in have
    )
    bare = replace(base, placements=places, unmatched=unmatched, slabs=slabs, quality=None)
    objective = recount_objective(today, bare)
    bound = min(base.bound, objective)
    gap = (objective - bound) / max(objective, 1e-9)
    return replace(bare, status="feasible", objective=objective, bound=bound, gap=gap)


def _size(today: Problem, repair: Repair) -> tuple[float, float, float]:
    blank = blank_of(repair, today.params)
    return blank.width_mm, blank.height_mm, repair.depth_mm + today.params.depth_allow_mm


def drop_plan(project: Project, plan: str, *, who: str) -> dict[str, Any]:
    """Take a plan off the list; the history keeps it."""
    row = project.row("plans", plan)
    if row["kept"]:
        raise StageError(f"plan {plan} is kept", "Let it go first.")
    with gated_edit(project, who=who, what=f"drop plan {plan}") as edit:
        for place in project.read("placements", where={"plan": plan})["id"]:
            edit.update("placements", place, {"plan": None})
        edit.delete("plans", plan)
    return {"dropped": plan, "txn": edit.txn}


def _last_step(project: Project) -> tuple[str, str] | None:
    """The newest step that put a plan in force and was not taken back: transaction and plan."""
    stack: dict[str, str] = {}
    for txn, undoes, plan in steps_of(project, "plans", "current"):
        if undoes is None:
            stack[txn] = plan
        else:
            stack.pop(undoes, None)
    first = _taken_back(project)
    left = [(t, p) for t, p in stack.items() if t not in first]
    return left[-1] if left else None


def _taken_back(project: Project) -> set[str]:
    log = project.history("plans")
    return {str(u) for u in log["undoes"].dropna()}


def undo_plan(project: Project, *, who: str) -> dict[str, Any]:
    """Take the last matching or choice of a plan back as a whole; the plan itself stays in the list.

    Raises
    ------
    StageError
        Places of it were approved or sawn since.
    InputError
        There is no such step, or its places were changed by hand since.
    """
    step = _last_step(project)
    if step is None:
        raise InputError("there is no matching to take back", "See the list of plans.")
    txn, was = step
    net: dict[tuple[str, str], list[Any]] = {}
    for change, before, after in contents_of(project, txn):
        net.setdefault((change.table, change.id), [before, None])[1] = after

    def take_back(apart: bool) -> str:
        with project.edit(who=who, what=f"take back plan {was}", undoes=txn, apart=apart) as edit:
            for (table, id), (before, after) in net.items():
                if table == "plans":
                    edit.update("plans", id, {"current": bool(before and before["current"])})
                elif table == "pieces":
                    _restore_reason(edit, project, id, before, after)
                else:
                    _refuse_changed(project, table, id, after)
                    edit.apply(table, id, before)
            judge_edit(project, edit.txn)
            return edit.txn

    done = store_drafted(take_back, large=len(net) > LARGE)
    now = project.read("plans", where={"current": True})["id"]
    return {"plan": str(now.iloc[-1]) if len(now) else None, "was": was, "txn": done}


def _refuse_changed(project: Project, table: str, id: str, after: Mapping[str, Any] | None) -> None:
    try:
        now = project.row(table, id)
    except InputError:
        now = None
    if now is None and after is None:
        return
    plain = None if now is None else row_as_json(TABLES[table], now)
    if plain == after:
        return
    row: Mapping[str, Any] = after or plain or {}
    if (
        plain is not None
        and plain["state"] in RESERVED_STATES
        and (after or {}).get("state") != plain["state"]
    ):
        raise StageError(
            f"{row['repair']} was {plain['state']} on block {plain['block']} since",
            "Open that place again first, or choose another plan.",
        )
    raise InputError(
        f"the place of {row['repair']} was changed since",
        "Take that back first, or choose another plan.",
    )


def _restore_reason(
    edit: Edit,
    project: Project,
    id: str,
    before: Mapping[str, Any],
    after: Mapping[str, Any] | None,
) -> None:
    """Why a piece has no stone goes back with the plan, where nobody changed the piece since."""
    try:
        now = row_as_json(TABLES["pieces"], project.row("pieces", id))
    except InputError:
        return
    names = ("unmatched_reason", "source_size")
    if after is not None and all(now[n] == after[n] for n in names):
        edit.update("pieces", id, {n: before[n] for n in names})
