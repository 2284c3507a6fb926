"""Which stones of the shared yard a project should ask for: its own matching, with that stone among its blocks."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from facademap.errors import InputError
from facademap.match.from_tables import TableProblem
from facademap.match.problem import Lock, Problem
from facademap.match.solution import Solution
from facademap.match.solver import Progress, solve
from facademap.match.verification import verify
from facademap.store.edit import row_from_json
from facademap.store.project import Project
from facademap.store.shared_yard import Member, Stone, member_of, stones_in, team_connection
from facademap.tables import TABLES
from facademap.tasks.match.match import load_problem
from facademap.tasks.match.solve import keep_compiled_code, make_ready
from facademap.tasks.yard.shared import forbids, road_km

__all__ = ["haul_kg", "need_cost_of_handling", "problem_with", "suggest_stones", "told_of"]


def suggest_stones(
    folder: str | Path,
    *,
    time_limit_s: float = 20.0,
    seed: int = 0,
    progress: Callable[[float], None] = lambda fraction: None,
) -> dict[str, Any]:
    """Match the pieces of a project to its own blocks and to what the shared yard has free; nothing is stored or promised.

    Hauling counts as handling: a tonne over a kilometre as so many kilogrammes as the project's settings of the yard say. Where the rule
    is ``first``, stone of another building is only for repairs that get none otherwise.

    Returns
    -------
    dict
        ``use``: repair, stone, building, km, weight_kg, tonne_km; ``own``: repairs served by the project's own blocks; ``unmatched``:
        repair and reason; ``looked_at``: stones that were free to it; ``not_known_km``: those whose way is not known and cost nothing;
        ``gap``: of the last solution.

    Raises
    ------
    InputError
        Nothing to match; hauling has a cost and handling none.
    """
    keep_compiled_code()
    with Project.open(folder, read_only=True) as project:
        member = member_of(project)
        free = [s for s in stones_in(team_connection(project)) if s.project is None]
        usable = {s.name_in(member.project): s for s in free if not forbids(s, member)}
        table_problem = _hauled(problem_with(project, member, usable), member, usable)
    problem = table_problem.problem
    make_ready(problem)
    foreign = {n for n, s in usable.items() if s.building != member.building}
    limits: dict[str, Any] = {"time_limit_s": time_limit_s, "seed": seed}
    solution, problem = _solve(problem, foreign, member, limits, progress)
    use = [
        told_of(p.repair_id, usable[p.block_id], member)
        for p in solution.placements
        if p.block_id in usable
    ]
    return {
        "use": sorted(use, key=lambda u: str(u["repair"])),
        "own": sum(p.block_id not in usable for p in solution.placements),
        "unmatched": [{"repair": u.repair_id, "reason": u.reason} for u in solution.unmatched],
        "looked_at": len(usable),
        "not_known_km": sum(road_km(s, member) is None for s in usable.values()),
        "gap": solution.gap,
    }


def problem_with(project: Project, member: Member, usable: Mapping[str, Stone]) -> TableProblem:
    """The matching of a project with stones of the yard, by their names in it, among its blocks."""
    rows = [s.rows_for(member.project) for s in usable.values()]
    more = {
        "blocks": [row_from_json(TABLES["blocks"], b) for b, _ in rows],
        "faces": [row_from_json(TABLES["faces"], f) for _, faces in rows for f in faces],
    }
    return load_problem(project, donors=False, more=more)


def need_cost_of_handling(found: TableProblem, member: Member, usable: Mapping[str, Stone]) -> None:
    """Refuse a cost of hauling where handling has none.

    Raises
    ------
    InputError
        It is so.
    """
    if found.problem.params.handle_per_kg == 0 and any(haul_kg(s, member) for s in usable.values()):
        raise InputError(
            "hauling is to be counted as handling, which costs nothing (handle_per_kg is 0)",
            "Set handle_per_kg among the project's matching values, or join the yard with --haul 0.",
        )


def _hauled(found: TableProblem, member: Member, usable: Mapping[str, Stone]) -> TableProblem:
    """The same with the way of each stone added to its weight."""
    need_cost_of_handling(found, member, usable)
    haul = {n: haul_kg(s, member) for n, s in usable.items()}
    blocks = tuple(
        replace(b, weight_kg=b.weight_kg + haul.get(b.id, 0.0)) for b in found.problem.blocks
    )
    return replace(found, problem=replace(found.problem, blocks=blocks))


def haul_kg(stone: Stone, member: Member) -> float:
    """What hauling a stone counts as, kilogrammes to handle."""
    km, kg = road_km(stone, member), stone.block.get("weight_kg")
    return 0.0 if km is None or kg is None else km * kg / 1000.0 * member.haul_kg_per_tkm


def _solve(
    problem: Problem,
    foreign: set[str],
    member: Member,
    limits: Mapping[str, Any],
    progress: Callable[[float], None],
) -> tuple[Solution, Problem]:
    """The matching under the rule of the project; its problem comes back as it was solved."""
    steps = 2 if foreign and member.rule == "first" else 1

    def tell(done: int) -> Callable[[Progress], None]:
        return lambda step: progress((done + step.fraction) / steps)

    if steps == 1:
        return _verified(problem, solve(problem, **limits, progress=tell(0)))
    kept = [b for b in problem.blocks if b.id not in foreign]
    locked_out = [
        r for r in problem.repairs if r.lock is not None and r.lock.block_id in foreign
    ]  # fmt: skip
    placed: dict[str, Any] = {}
    if kept and len(locked_out) < len(problem.repairs):
        near = replace(
            problem,
            blocks=tuple(kept),
            repairs=tuple(
                replace(r, forbid=tuple(b for b in r.forbid if b not in foreign))
                for r in problem.repairs
                if r not in locked_out
            ),
            looks={r: {b: c for b, c in v.items() if b not in foreign} for r, v in problem.looks.items()},
        )  # fmt: skip
        first, _ = _verified(near, solve(near, **limits, progress=tell(0)))
        placed = {p.repair_id: p for p in first.placements}
        if not first.unmatched and not locked_out:
            return first, near
    # who got stone of this building keeps to it; the blocks may change among them
    rest = replace(
        problem,
        repairs=tuple(
            replace(r, forbid=tuple(dict.fromkeys((*r.forbid, *sorted(foreign)))))
            if r.id in placed and r.lock is None
            else r
            for r in problem.repairs
        ),
    )
    second, rest = _verified(rest, solve(rest, **limits, progress=tell(1)))
    lost = placed.keys() - {p.repair_id for p in second.placements}
    if not lost:
        return second, rest
    # short of time the second look lost some: then their places of the first stand
    fixed = replace(
        rest,
        repairs=tuple(
            replace(r, lock=_lock_of(placed[r.id])) if r.id in placed and r.lock is None else r
            for r in rest.repairs
        ),
    )
    return _verified(fixed, solve(fixed, **limits, progress=tell(1)))


def _lock_of(place: Any) -> Lock:
    return Lock(block_id=place.block_id)


def _verified(problem: Problem, solution: Solution) -> tuple[Solution, Problem]:
    faults: Sequence[Any] = verify(problem, solution)
    if faults:
        raise InputError(
            f"the plan breaks a rule: {faults[0]}", "Solve again; report this if it stays."
        )
    return solution, problem


def told_of(repair: str, stone: Stone, member: Member) -> dict[str, Any]:
    """A repair and the stone of the yard that it would take."""
    km, kg = road_km(stone, member), stone.block.get("weight_kg")
    return {
        "repair": repair,
        "stone": stone.stone,
        "building": stone.building,
        "km": km,
        "weight_kg": kg,
        "tonne_km": None if km is None or kg is None else km * kg / 1000.0,
    }
