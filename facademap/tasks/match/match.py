"""Match the pieces of a project to its blocks and store the plan in one transaction."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from facademap.errors import InputError, SolveError
from facademap.io.match_files import solution_from_json, solution_to_json
from facademap.match.donors import order_of_work, solve_with_donors
from facademap.match.from_tables import (
    LOCKED_STATES,
    TableProblem,
    placement_rows,
    problem_from_tables,
    unmatched_changes,
)
from facademap.match.replay import replay
from facademap.match.sawing import saw_plan
from facademap.match.solution import Solution
from facademap.match.solver import Progress, solve
from facademap.match.verification import verify
from facademap.match.whatif import Premises, compare_plans, premises_of, solve_again
from facademap.repair.donors import WallStone, faults_of_wall_stone, in_order, wall_stone_of
from facademap.store.edit import Edit, row_as_json
from facademap.store.gate import store_large
from facademap.store.project import Project
from facademap.tables import PLACEMENTS, TABLES, is_missing
from facademap.tasks.match.solve import keep_compiled_code, make_ready
from facademap.tasks.match.yard_rules import rules_of_yard
from facademap.tasks.yard.block_looks import project_looks

__all__ = ["current_plan", "load_problem", "match_project", "put_places", "store_plan"]


def load_problem(
    project: Project,
    *,
    looks: Mapping[str, Mapping[str, float]] | None = None,
    donors: bool | None = None,
    more: Mapping[str, Sequence[Mapping[str, Any]]] | None = None,
) -> TableProblem:
    """The matching problem of a project, with the project's own rules of the yard.

    Without ``looks`` the appearances measured on faces and around cut-outs are compared in full; pairs of which
    one has none keep their colour difference. ``donors`` says whether stone that is still in the wall may be used;
    by default it is where the current plan uses some. ``more`` are rows of blocks and faces that the project could have beside its own.
    """
    params = rules_of_yard(project)
    tables = [project.read(n) for n in ("repairs", "pieces", "blocks", "faces", "placements")]
    for place, name in ((2, "blocks"), (3, "faces")):
        if more and more[name]:
            own = tables[place].to_dict("records")
            tables[place] = TABLES[name].check(pd.DataFrame([*own, *more[name]]))
    open_repairs = (
        tables[0][~tables[0]["stage"].isin(["accepted", "on hold"])]
        if len(tables[0])
        else tables[0]
    )
    pieces = tables[1][tables[1]["repair"].isin(open_repairs["id"])]
    if looks is None:
        looks = project_looks(project, pieces=pieces, faces=tables[3])
    if donors is None:
        plans = [
            p
            for p in project.read("plans", where={"current": True})["solution"]
            if not is_missing(p)
        ]
        placed = {p.block_id for p in solution_from_json(plans[-1]).placements} if plans else set()
        donors = any(
            b["id"] in placed and b["state"] == "future" and not is_missing(b["after_repair"])
            for b in tables[2].to_dict("records")
        )
    return problem_from_tables(
        tables[0], pieces, *tables[2:], params=params, looks=looks, donors=donors
    )


def match_project(
    folder: str | Path,
    *,
    time_limit_s: float | None = 20.0,
    work_limit: int | None = None,
    seed: int = 0,
    again: bool = False,
    donors: bool = False,
    who: str = "conservator",
    progress: Callable[[float], None] = lambda fraction: None,
    cancelled: Callable[[], bool] | None = None,
) -> dict[str, Any]:
    """Assign blocks to pieces; locks, and places that were approved, reserved or sawn, are kept.

    Parameters
    ----------
    again : bool
        Begin from the current plan and change only what the changes since then touch, in seconds.
    donors : bool
        Also use stone that comes out of the wall with another repair, where that can go first.

    Returns
    -------
    dict
        ``plan``, ``matched``, ``unmatched`` (repair, reason), ``mean_de00``, ``objective``, ``bound``,
        ``gap`` (``None`` where it is not known), ``status``, ``left_out``, and with ``again`` ``kept`` and ``changed``
        (repairs that stay as they were, and those that do not). ``donors`` (blocks in the wall that are used, with the
        repair that each comes out with), ``unused`` (other such blocks, and why), ``waits`` (repair to the repair that
        goes before it), ``order`` (of work, where something waits), ``let_go`` (repair, block, with, why: stone of the
        wall that is used no more), ``wall_faults`` (repair, problem, remedy: stone of the wall that does not come).

    Raises
    ------
    InputError
        Nothing to match, locks that contradict each other, ``again`` without a plan, or ``donors`` where no stone of
        the wall was entered.
    """

    def tell(step: Progress) -> None:
        if cancelled is not None and cancelled():
            raise SolveError("the matching was stopped", "Start it again; the last plan was kept.")
        progress(step.fraction)

    keep_compiled_code()
    with Project.open(folder) as project:
        blocks, before = project.read("blocks"), _wall_stone(project)
        if (
            donors
            and not ((blocks["state"] == "future") & ~blocks["after_repair"].map(is_missing)).any()
        ):
            raise InputError(
                "no stone that comes out of the wall is entered",
                "Enter what whole stones yield with facademap yard remainders.",
            )
        table_problem = load_problem(project, donors=donors or (None if again else False))
        inside = {b: r for b, r in table_problem.donors.items() if r in table_problem.piece_of}
        make_ready(table_problem.problem)
        limits: dict[str, Any] = {
            "time_limit_s": time_limit_s,
            "work_limit": work_limit,
            "seed": seed,
            "progress": tell,
        }
        if again:
            result, solution = _again(project, table_problem, inside, blocks, limits, who=who)
        else:
            problem = table_problem.problem
            solution = (
                solve_with_donors(problem, inside, **limits)[0]
                if inside
                else solve(problem, **limits)
            )
            result = store_plan(project, table_problem, solution, who=who)
        return {**result, **_from_wall(project, table_problem, solution, before)}


def _again(
    project: Project,
    table_problem: TableProblem,
    donors: Mapping[str, str],
    blocks: pd.DataFrame,
    limits: dict[str, Any],
    *,
    who: str,
) -> tuple[dict[str, Any], Solution]:
    """Go on from the current plan; nothing else than in that plan waits for stone of the wall, so that no circle comes up."""
    problem = table_problem.problem
    earlier, premises = current_plan(project)
    had = {(p.repair_id, p.block_id) for p in earlier.placements}
    wanted = {(r.id, r.lock.block_id) for r in problem.repairs if r.lock is not None}
    narrowed = replace(
        problem,
        repairs=tuple(
            replace(r, forbid=(*r.forbid, *(b for b in donors if (r.id, b) not in had | wanted)))
            for r in problem.repairs
        ),
    )
    # the bound of a plan with an order of work may not hold once some of its stone is out of the wall
    came_out = set(blocks["id"][~blocks["after_repair"].map(is_missing)])
    if any(b.id in came_out for b in problem.blocks):
        premises = None
    solution = solve_again(narrowed, earlier, premises=premises, **limits)
    try:
        order_of_work(solution, donors)
    except InputError:
        solution = solve_with_donors(problem, donors, start=solution, **limits)[0]
    only_restricted = premises is not None and premises.only_restricted_in(premises_of(problem))
    result = store_plan(project, table_problem, solution, who=who, proved=only_restricted)
    changed = [c.repair_id for c in compare_plans(problem, earlier, solution).changes]
    return {**result, "kept": len(problem.repairs) - len(changed), "changed": changed}, solution


def _wall_stone(project: Project) -> tuple[WallStone, ...]:
    return wall_stone_of(*(project.read(n) for n in ("placements", "blocks", "repairs")))


def _from_wall(
    project: Project, table_problem: TableProblem, solution: Solution, before: Sequence[WallStone]
) -> dict[str, Any]:
    """What the stored plan takes out of the wall, in which order, and what an earlier one took that this one does not."""
    uses = _wall_stone(project)
    waits = {u.repair: u.donor for u in uses if not u.out}
    order = in_order([*(p.repair_id for p in solution.placements), *waits], waits) if waits else ()
    now = {(u.repair, u.block) for u in uses}
    placements, repairs, blocks = (project.read(n) for n in ("placements", "repairs", "blocks"))
    future = blocks[(blocks["state"] == "future") & ~blocks["after_repair"].map(is_missing)]
    used = {u.block: u.donor for u in uses}
    without = {u.repair_id for u in solution.unmatched}
    unused = {
        b: table_problem.left_out.get(b)
        or (
            f"repair {r}, with which it comes out, has no piece"
            if r in without
            else "the plan is better without"
        )
        for b, r in zip(future["id"], future["after_repair"], strict=True)
        if b not in used
    }
    return {
        "donors": used,
        "unused": unused,
        "waits": waits,
        "order": list(order),
        "let_go": [
            {
                "repair": u.repair,
                "block": u.block,
                "with": u.donor,
                "why": unused.get(u.block, "the plan is better without"),
            }
            for u in before
            if (u.repair, u.block) not in now
        ],
        "wall_faults": [list(f) for f in faults_of_wall_stone(uses, placements, repairs)],
    }


def _need_sawable(table_problem: TableProblem, solution: Solution) -> None:
    """Follow the saw plan of every opened block; a plan that does not end with exactly its pieces is not stored."""
    for block in sorted({p.block_id for p in solution.placements}):
        plan = saw_plan(table_problem.problem, solution, block, names=table_problem.piece_of)
        faults = replay(plan)
        if faults:
            raise SolveError(
                f"the plan cannot be sawn and was not stored: {faults[0]}",
                "Solve again; report this if it stays.",
            )


def current_plan(project: Project) -> tuple[Solution, Premises | None]:
    """The plan in force and what it was made from."""
    plans = [
        p
        for p in project.read("plans", where={"current": True}).to_dict("records")
        if not is_missing(p["solution"])
    ]
    if not plans:
        raise InputError("there is no plan yet from which to go on", "Match from the start first.")
    premises = plans[-1]["premises"]
    return solution_from_json(plans[-1]["solution"]), None if is_missing(premises) else Premises(
        **premises
    )


def put_places(
    edit: Edit,
    before: pd.DataFrame,
    table_problem: TableProblem,
    solution: Solution,
    rows: Sequence[Mapping[str, Any]],
) -> None:
    """Put the places of a plan in force; promised places of repairs that the plan does not know stay."""
    kept = {r["id"] for r in rows}
    for old in before.to_dict("records"):
        promised = old["state"] in LOCKED_STATES and old["repair"] not in table_problem.piece_of
        if not promised and old["id"] not in kept:
            edit.delete("placements", old["id"])
    for row in rows:
        edit.apply("placements", row["id"], row_as_json(PLACEMENTS, PLACEMENTS.check_row(row)))
    for piece, change in unmatched_changes(table_problem, solution).items():
        edit.update("pieces", piece, change)


def store_plan(
    project: Project,
    table_problem: TableProblem,
    solution: Solution,
    *,
    who: str,
    proved: bool = True,
) -> dict[str, Any]:
    """Put a verified plan into the project in one transaction; ``proved`` tells whether its bound is worth telling."""
    faults = verify(table_problem.problem, solution)
    if faults:
        raise SolveError(
            f"the plan breaks a rule and was not stored: {faults[0]}",
            "Solve again; report this if it stays.",
        )
    _need_sawable(table_problem, solution)
    gap = max(0.0, solution.gap) if proved or solution.status == "optimal" else None

    def store(edit: Edit) -> tuple[str, int, float]:
        plan_id = edit.new_id("M")
        before = project.read("placements")
        states = {
            r["repair"]: r["state"]
            for r in before.to_dict("records")
            if r["state"] in LOCKED_STATES
        }
        rows = placement_rows(table_problem, solution, plan_id=plan_id, states=states)
        known = [r["de00"] for r in rows if np.isfinite(r["de00"])]
        mean_de00 = float(np.mean(known)) if known else float("nan")
        for old in project.read("plans", where={"current": True})["id"]:
            edit.update("plans", old, {"current": False})
        edit.insert(
            "plans",
            [
                {
                    "id": plan_id,
                    "made_at": dt.datetime.now(dt.UTC).isoformat(timespec="seconds"),
                    "status": solution.status,
                    "objective": solution.objective,
                    "bound": solution.bound,
                    "gap": gap,
                    "matched": len(rows),
                    "unmatched": len(solution.unmatched),
                    "mean_de00": mean_de00,
                    "seed": solution.seed,
                    "seconds": solution.seconds,
                    "current": True,
                    "solution": solution_to_json(solution),
                    # what has no bound worth telling cannot bound a later plan either
                    "premises": None if gap is None else asdict(premises_of(table_problem.problem)),
                }
            ],
        )
        put_places(edit, before, table_problem, solution, rows)
        return plan_id, len(rows), mean_de00

    plan_id, matched, mean_de00 = store_large(project, store, who=who, what="matching")
    return {
        "plan": plan_id,
        "matched": matched,
        "mean_de00": mean_de00,
        "objective": solution.objective,
        "unmatched": [
            {"repair": u.repair_id, "reason": u.reason, "source_mm": list(u.source_mm)}
            for u in solution.unmatched
        ],
        "bound": solution.bound,
        "gap": gap,
        "status": solution.status,
        "seconds": solution.seconds,
        "left_out": dict(table_problem.left_out),
    }
