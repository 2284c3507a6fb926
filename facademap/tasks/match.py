"""Match the pieces of a project to its blocks and store the plan in one transaction."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping
from dataclasses import asdict, fields
from pathlib import Path
from typing import Any

import numpy as np

from facademap.errors import InputError, SolveError
from facademap.io.match_files import solution_from_json, solution_to_json
from facademap.match.from_tables import (
    LOCKED_STATES,
    TableProblem,
    placement_rows,
    problem_from_tables,
    unmatched_changes,
)
from facademap.match.problem import Params
from facademap.match.solution import Solution
from facademap.match.solver import Progress, solve
from facademap.match.verification import verify
from facademap.match.whatif import Premises, compare_plans, premises_of, solve_again
from facademap.store.project import Project
from facademap.tables import is_missing
from facademap.tasks.block_looks import project_looks
from facademap.tasks.solve import keep_compiled_code

__all__ = ["current_plan", "load_problem", "match_project", "store_plan"]


def load_problem(project: Project, *, looks: Mapping[str, Mapping[str, float]] | None = None) -> TableProblem:
    """The matching problem of a project, with the project's own rules of the yard.

    Without ``looks`` the appearances measured on faces and around cut-outs are compared in full; pairs of which
    one has none keep their colour difference.
    """
    given = project.setting("matching", {}) or {}
    unknown = sorted(set(given) - {f.name for f in fields(Params)})
    if unknown:
        raise InputError(f"setting matching has no {unknown[0]}", f"Use {', '.join(f.name for f in fields(Params))}.")
    tables = [project.read(n) for n in ("repairs", "pieces", "blocks", "faces", "placements")]
    open_repairs = tables[0][~tables[0]["stage"].isin(["accepted", "on hold"])] if len(tables[0]) else tables[0]
    pieces = tables[1][tables[1]["repair"].isin(open_repairs["id"])]
    if looks is None:
        looks = project_looks(project, pieces=pieces, faces=tables[3])
    return problem_from_tables(tables[0], pieces, *tables[2:], params=Params(**given), looks=looks)


def match_project(folder: str | Path, *, time_limit_s: float | None = 20.0, work_limit: int | None = None, seed: int = 0,
                  again: bool = False, who: str = "conservator", progress: Callable[[float], None] = lambda fraction: None,
                  cancelled: Callable[[], bool] | None = None) -> dict[str, Any]:
    """Assign blocks to pieces; locks, and places that were approved, reserved or sawn, are kept.

    Parameters
    ----------
    again : bool
        Begin from the current plan and change only what the changes since then touch, in seconds.

    Returns
    -------
    dict
        ``plan``, ``matched``, ``unmatched`` (repair, reason), ``mean_de00``, ``objective``, ``bound``,
        ``gap`` (``None`` where it is not known), ``status``, ``left_out``, and with ``again`` ``kept`` and ``changed``
        (repairs that stay as they were, and those that do not).

    Raises
    ------
    InputError
        Nothing to match, locks that contradict each other, or ``again`` without a plan.
    """

    def tell(step: Progress) -> None:
        if cancelled is not None and cancelled():
            raise SolveError("the matching was stopped", "Start it again; the last plan was kept.")
        progress(step.fraction)

    keep_compiled_code()
    with Project.open(folder) as project:
        table_problem = load_problem(project)
        problem = table_problem.problem
        if not again:
            solution = solve(problem, time_limit_s=time_limit_s, work_limit=work_limit, seed=seed, progress=tell)
            return store_plan(project, table_problem, solution, who=who)
        earlier, premises = current_plan(project)
        solution = solve_again(problem, earlier, premises=premises, time_limit_s=time_limit_s, work_limit=work_limit, seed=seed,
                               progress=tell)
        only_restricted = premises is not None and premises.only_restricted_in(premises_of(problem))
        result = store_plan(project, table_problem, solution, who=who, proved=only_restricted)
        changed = [c.repair_id for c in compare_plans(problem, earlier, solution).changes]
        return {**result, "kept": len(problem.repairs) - len(changed), "changed": changed}


def current_plan(project: Project) -> tuple[Solution, Premises | None]:
    """The plan in force and what it was made from."""
    plans = [p for p in project.read("plans", where={"current": True}).to_dict("records") if not is_missing(p["solution"])]
    if not plans:
        raise InputError("there is no plan yet from which to go on", "Match from the start first.")
    premises = plans[-1]["premises"]
    return solution_from_json(plans[-1]["solution"]), None if is_missing(premises) else Premises(**premises)


def store_plan(project: Project, table_problem: TableProblem, solution: Solution, *, who: str, proved: bool = True) -> dict[str, Any]:
    """Put a verified plan into the project in one transaction; ``proved`` tells whether its bound is worth telling."""
    faults = verify(table_problem.problem, solution)
    if faults:
        raise SolveError(f"the plan breaks a rule and was not stored: {faults[0]}", "Solve again; report this if it stays.")
    gap = max(0.0, solution.gap) if proved or solution.status == "optimal" else None
    with project.edit(who=who, what="matching") as edit:
        plan_id = edit.new_id("M")
        before = project.read("placements")
        states = {r["repair"]: r["state"] for r in before.to_dict("records") if r["state"] in LOCKED_STATES}
        rows = placement_rows(table_problem, solution, plan_id=plan_id, states=states)
        known = [r["de00"] for r in rows if np.isfinite(r["de00"])]
        mean_de00 = float(np.mean(known)) if known else float("nan")
        for old in project.read("plans", where={"current": True})["id"]:
            edit.update("plans", old, {"current": False})
        edit.insert("plans", [{
            "id": plan_id, "made_at": dt.datetime.now(dt.UTC).isoformat(timespec="seconds"), "status": solution.status,
            "objective": solution.objective, "bound": solution.bound, "gap": gap,
            "matched": len(rows), "unmatched": len(solution.unmatched), "mean_de00": mean_de00, "seed": solution.seed,
            "seconds": solution.seconds, "current": True, "solution": solution_to_json(solution),
            "premises": asdict(premises_of(table_problem.problem))}])
        left = [r for r in before.to_dict("records") if r["state"] in LOCKED_STATES and r["repair"] not in table_problem.piece_of]
        edit.clear("placements")
        edit.insert("placements", [*left, *rows])
        for piece, change in unmatched_changes(table_problem, solution).items():
            edit.update("pieces", piece, change)
    return {
        "plan": plan_id, "matched": len(rows), "mean_de00": mean_de00, "objective": solution.objective,
        "unmatched": [{"repair": u.repair_id, "reason": u.reason, "source_mm": list(u.source_mm)} for u in solution.unmatched],
        "bound": solution.bound, "gap": gap, "status": solution.status, "seconds": solution.seconds,
        "left_out": dict(table_problem.left_out),
    }
