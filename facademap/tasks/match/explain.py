"""Why a repair has the stone that it has, and what another block would cost the whole plan."""

from __future__ import annotations

from collections import Counter
from dataclasses import asdict
from pathlib import Path
from typing import Any

from facademap.errors import InputError
from facademap.match.explanation import cost_to_insist, explain
from facademap.match.from_tables import TableProblem
from facademap.match.solution import Solution
from facademap.match.verification import verify
from facademap.match.whatif import compare_plans
from facademap.salvage.seen_face import seen_face
from facademap.store.project import Project
from facademap.tasks.desk.match import parts_of_looks
from facademap.tasks.match.match import current_plan, load_problem
from facademap.tasks.match.solve import keep_compiled_code, make_ready
from facademap.tasks.yard.block_looks import looks_in_parts

__all__ = ["explain_repair", "insist", "reasons_in_words"]


def explain_repair(folder: str | Path, repair: str, *, block: str | None = None) -> dict[str, Any]:
    """The blocks that could serve a repair, best first, what rules out the others, and what a block would cost.

    Parameters
    ----------
    repair : str
        Id of a repair with a piece to match.
    block : str, optional
        A block to insist on.

    Returns
    -------
    dict
        ``repair``, ``block`` (now, or ``None``), ``reason`` (why it has none), ``ranked`` (as in
        :class:`facademap.match.RankedBlock`, with ``seen``: what has to be said of the face that would show), ``ruled_out`` (blocks by reason), ``left_out``, and ``insist`` (:func:`insist`).

    Raises
    ------
    InputError
        No plan, one that no longer fits the project, or a repair without a piece to match.
    """
    with Project.open(folder, read_only=True) as project:
        table_problem, plan = _planned(project, repair)
        told = explain(table_problem.problem, plan, repair_ids=(repair,))[0]
        ruled_out: dict[str, list[str]] = {}
        for one in told.ruled_out:
            ruled_out.setdefault(one.reason, []).append(one.block_id)
        problem, measured = table_problem.problem, looks_in_parts(project, repair)
        wanted, blocks = problem.repair(repair), {b.id: b for b in problem.blocks}
        faces = {f["id"]: f for f in project.read("faces").to_dict("records")}
        place = plan.placement(repair)
        ranked = [
            {
                **asdict(r),
                "priority": wanted.priority,
                "seen": seen_face(
                    {"slab": place.slab} if place and place.face_id == r.face_id else None,
                    faces[r.face_id],
                ).short,
                "parts": parts_of_looks(
                    problem,
                    wanted,
                    blocks[r.block_id],
                    blocks[r.block_id].face(r.face_id),
                    measured.get(r.block_id),
                ),
            }
            for r in told.ranked
        ]
        result = {
            "repair": repair,
            "block": told.block_id,
            "reason": told.reason,
            "ranked": ranked,
            "ruled_out": ruled_out,
            "left_out": {
                k: v for k, v in table_problem.left_out.items() if k not in table_problem.piece_of
            },
        }
        return {
            **result,
            "insist": None if block is None else _insist(table_problem, plan, repair, block),
        }


def insist(project: Project, repair: str, block: str) -> dict[str, Any]:
    """What the whole plan becomes when a repair must come from a block; nothing is stored.

    Returns
    -------
    dict
        ``repair``, ``block``, ``more`` (of the objective), ``more_looks``, ``more_opened_dm3``, ``placed`` (now, then), and
        ``changes`` of the repairs that come from another block then (``repair``, ``first``, ``second``: blocks or ``None``).

    Raises
    ------
    InputError
        No plan, one that no longer fits the project, or a block on which the piece may not lie.
    """
    return _insist(*_planned(project, repair), repair, block)


def _planned(project: Project, repair: str) -> tuple[TableProblem, Solution]:
    keep_compiled_code()
    table_problem, (plan, _) = load_problem(project), current_plan(project)
    if repair not in table_problem.piece_of:
        reason = table_problem.left_out.get(repair)
        raise InputError(
            f"repair {repair} has no piece to match" + (f": {reason}" if reason else ""),
            "Plan it as an inset or a whole stone, or correct its piece.",
        )
    if any(
        v.rule not in ("objective", "bound", "gap") for v in verify(table_problem.problem, plan)
    ):
        raise InputError(
            "the plan no longer fits repairs and blocks",
            "Match what changed first (facademap match --again).",
        )
    return table_problem, plan


def _insist(table_problem: TableProblem, plan: Solution, repair: str, block: str) -> dict[str, Any]:
    problem = table_problem.problem
    if block not in {b.id for b in problem.blocks}:
        raise InputError(
            f"block {block} may not be used: {table_problem.left_out.get(block, 'it is not there')}",
            "Choose another block.",
        )
    make_ready(problem)
    _, other = cost_to_insist(problem, plan, repair_id=repair, block_id=block)
    both = compare_plans(problem, plan, other)
    blocks = [
        (c.repair_id, c.first and c.first.block_id, c.second and c.second.block_id)
        for c in both.changes
    ]
    return {
        "repair": repair,
        "block": block,
        "more": both.objective[1] - both.objective[0],
        "more_looks": both.visual[1] - both.visual[0],
        "more_opened_dm3": both.opened_dm3[1] - both.opened_dm3[0],
        "placed": list(both.placed),
        "changes": [{"repair": i, "first": a, "second": b} for i, a, b in blocks if a != b],
    }


def reasons_in_words(ruled_out: dict[str, list[str]]) -> list[str]:
    """How many blocks each filter rules out."""
    words = {
        "stone_type": "another stone",
        "bed": "the bed lies the wrong way",
        "depth": "too thin",
        "weathered": "no weathered face",
        "colour": "another colour",
        "size": "too small",
        "locked_out": "locked or forbidden",
    }
    counts = Counter({name: len(blocks) for name, blocks in ruled_out.items()})
    return [f"{count}: {words[name]}" for name, count in counts.most_common()]
