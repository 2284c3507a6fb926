"""Match several campaigns of a database at once with their own blocks and the stone of their yard, and reserve what that takes."""

from __future__ import annotations

import contextlib
import dataclasses
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from facademap.errors import ConflictError, InputError, SolveError
from facademap.match.explanation import cost_to_insist, explain
from facademap.match.from_tables import TableProblem
from facademap.match.joint import Campaign, SharedStone, join_problems, part_of_plan
from facademap.match.problem import Problem
from facademap.match.solution import Solution
from facademap.match.solver import Progress, is_small, solve
from facademap.match.verification import verify
from facademap.match.whatif import compare_plans
from facademap.store.gate import gated_edit
from facademap.store.project import Project
from facademap.store.shared_yard import (
    Member,
    Stone,
    hold_stones,
    member_of,
    names_of_members,
    reserve,
    stones_in,
    team_connection,
)
from facademap.store.shared_yard_schema import yard_is_there
from facademap.store.team_address import is_address, read_address
from facademap.store.together import stored_together
from facademap.tasks.match.match import load_problem, store_plan
from facademap.tasks.match.solve import keep_compiled_code, make_ready
from facademap.tasks.project.team import join_project
from facademap.tasks.yard.shared import forbids, need_may_have, provenance_weight, road_km
from facademap.tasks.yard.shared_match import (
    haul_kg,
    need_cost_of_handling,
    problem_with,
    told_of,
)

__all__ = ["match_together"]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Side:
    """A campaign that takes part in a plan for several."""

    project: Project
    member: Member
    usable: Mapping[str, Stone]
    found: TableProblem
    campaign: Campaign


def match_together(
    places: Sequence[str],
    *,
    time_limit_s: float = 60.0,
    seed: int = 0,
    reserve_stones: bool = False,
    why: str | None = None,
    insist: str | None = None,
    who: str = "yard",
    progress: Callable[[float], None] = lambda fraction: None,
) -> dict[str, Any]:
    """One plan for several campaigns: each with its own blocks, all with what their yard has free.

    A stone goes to one campaign, whole. Hauling counts as handling, by the distance to each building; where the rule of a campaign is
    ``first``, a piece from stone of another building counts as much more as its setting says. What a campaign has promised or sawn
    already stays.

    Parameters
    ----------
    places : sequence of str
        Folders, addresses of projects, or the address of a database for all of it that take part in its yard.
    reserve_stones : bool
        Promise the stones and store every campaign's plan, in one transaction: in all of them or in none.
    why : str, optional
        ``campaign:repair`` whose stone is explained.
    insist : str, optional
        A stone or ``campaign:block`` that it must come from: what the whole plan becomes then. Nothing of that is stored.

    Returns
    -------
    dict
        ``campaigns``: of each ``name``, ``use`` (repair, stone, building, km, weight_kg, tonne_km), ``own`` (repairs from its own
        blocks) and ``unmatched`` (repair, reason); ``without``: campaigns with nothing to match, and why; ``objective``, ``bound``,
        ``gap``, ``status``; ``tonne_km``; ``looked_at``, ``not_known_km``; ``why``; ``plans`` and ``reserved`` where they were stored.

    Raises
    ------
    InputError
        Nothing to match anywhere, or rules that differ.
    ConflictError
        A campaign or the yard changed while the plan was made; nothing was stored.
    """
    keep_compiled_code()
    with contextlib.ExitStack() as opened:
        projects = _opened(places, opened, read_only=not reserve_stones)
        sides, without = _sides(projects)
        if not sides:
            first = next(iter(without.values()), "no project takes part in the shared yard")
            raise InputError(
                f"nothing to match: {first}", "Plan repairs, and let the projects join the yard."
            )
        problem = join_problems([s.campaign for s in sides])
        make_ready(problem)

        def tell(step: Progress) -> None:
            progress(step.fraction)

        solution = solve(problem, time_limit_s=time_limit_s, seed=seed, progress=tell)
        if faults := verify(problem, solution):
            raise SolveError(
                f"the plan breaks a rule: {faults[0]}", "Solve again; report this if it stays."
            )
        told = _told(sides, solution)
        result = {
            **told,
            "without": without,
            "objective": solution.objective,
            "bound": solution.bound,
            "gap": max(0.0, solution.gap),
            "status": solution.status,
            "seconds": solution.seconds,
            "why": None if why is None else _why(problem, solution, why, insist),
        }
        if reserve_stones:
            result |= _store(sides, solution, who=who)
    return result


def _opened(
    places: Sequence[str], opened: contextlib.ExitStack, *, read_only: bool
) -> list[Project]:
    """The projects that are named, each once; of a database those that take part in its yard."""
    from facademap.store.team_schema import projects_in

    named: list[tuple[str, bool]] = []
    for place in places:
        address = read_address(place) if is_address(place) else None
        if address is None or address.project:
            named.append((place, True))
        else:
            named += [
                (str(dataclasses.replace(address, project=schema)), False)
                for schema in projects_in(address)
            ]
    projects: dict[str, Project] = {}
    for place, asked_for in dict(named).items():
        folder = join_project(place) if is_address(place) else Path(place)
        project = opened.enter_context(Project.open(folder, read_only=read_only))
        connection = team_connection(project)
        takes_part = (
            yard_is_there(connection) and project.project_id in names_of_members(connection)
        )  # fmt: skip
        if takes_part or asked_for:
            projects.setdefault(project.project_id, project)
    return list(projects.values())


def _sides(projects: Sequence[Project]) -> tuple[list[_Side], dict[str, str]]:
    """The campaigns that have something to match, and why the others have not."""
    sides: list[_Side] = []
    without: dict[str, str] = {}
    free = [s for s in stones_in(team_connection(projects[0])) if s.project is None] if projects else []  # fmt: skip
    for project in projects:
        member = member_of(project)
        name = team_connection(project).address.project
        usable = {s.name_in(member.project): s for s in free if not forbids(s, member)}
        try:
            found = problem_with(project, member, usable)
        except InputError as error:
            without[name] = error.problem
            continue
        need_cost_of_handling(found, member, usable)
        weight = provenance_weight(project)
        known = {b.id for b in found.problem.blocks}
        shared = {
            block: SharedStone(
                stone=stone.stone,
                haul_kg=haul_kg(stone, member),
                provenance=weight
                if member.rule == "first" and stone.building != member.building
                else 0.0,
            )
            for block, stone in usable.items()
            if block in known
        }
        campaign = Campaign(name=name, problem=found.problem, shared=shared)
        sides.append(
            _Side(project=project, member=member, usable=usable, found=found, campaign=campaign)
        )
    return sides, without


def _told(sides: Sequence[_Side], solution: Solution) -> dict[str, Any]:
    told: list[dict[str, Any]] = []
    for side in sides:
        own = f"{side.campaign.name}:"
        stones = {s.stone: s for s in side.usable.values()}
        mine = [p for p in solution.placements if p.repair_id.startswith(own)]
        use = [
            told_of(p.repair_id.removeprefix(own), stones[p.block_id], side.member)
            for p in mine
            if p.block_id in stones
        ]
        told.append(
            {
                "name": side.campaign.name,
                "use": sorted(use, key=lambda u: str(u["repair"])),
                "own": len(mine) - len(use),
                "unmatched": [
                    {"repair": u.repair_id.removeprefix(own), "reason": u.reason}
                    for u in solution.unmatched
                    if u.repair_id.startswith(own)
                ],
            }
        )
    hauled = {
        u["stone"]: u["tonne_km"] for t in told for u in t["use"] if u["tonne_km"] is not None
    }
    looked_at = {s.stone for side in sides for s in side.usable.values()}
    far = {
        s.stone for side in sides for s in side.usable.values() if road_km(s, side.member) is None
    }
    return {
        "campaigns": told,
        "tonne_km": sum(hauled.values()),
        "looked_at": len(looked_at),
        "not_known_km": len(far),
    }


def _why(problem: Problem, plan: Solution, repair: str, insist: str | None) -> dict[str, Any]:
    """The blocks that could serve a repair of one campaign, who has them in the plan, and what another would cost all of them."""
    if repair not in {r.id for r in problem.repairs}:
        raise InputError(
            f"no campaign has a repair {repair!r} with a piece to match",
            "Name it with its campaign, as kiln:R-1.",
        )
    told = explain(problem, plan, repair_ids=(repair,))[0]
    served: dict[str, list[str]] = {}
    for place in plan.placements:
        served.setdefault(place.block_id, []).append(place.repair_id)
    ruled_out: dict[str, list[str]] = {}
    for one in told.ruled_out:
        ruled_out.setdefault(one.reason, []).append(one.block_id)
    result: dict[str, Any] = {
        "repair": repair,
        "block": told.block_id,
        "reason": told.reason,
        "ranked": [
            {**dataclasses.asdict(r), "serves": served.get(r.block_id, [])} for r in told.ranked
        ],
        "ruled_out": ruled_out,
        "insist": None,
    }
    if insist is not None:
        if insist not in {b.id for b in problem.blocks}:
            raise InputError(
                f"no campaign and no yard has a block {insist!r} that may be used",
                "Name a stone of the yard, or a block with its campaign, as kiln:B-1.",
            )
        _, other = cost_to_insist(problem, plan, repair_id=repair, block_id=insist)
        both = compare_plans(problem, plan, other)
        changes = [
            (c.repair_id, c.first and c.first.block_id, c.second and c.second.block_id)
            for c in both.changes
        ]
        result["insist"] = {
            "block": insist,
            "more": both.objective[1] - both.objective[0],
            "placed": list(both.placed),
            "changes": [{"repair": i, "first": a, "second": b} for i, a, b in changes if a != b],
        }
    return result


def _store(sides: Sequence[_Side], solution: Solution, *, who: str) -> dict[str, Any]:
    """Promise the stones and put every campaign's plan in force, all or nothing."""
    plans: dict[str, str] = {}
    reserved: dict[str, list[str]] = {}
    takes = [(side, _taken(side, solution)) for side in sides]
    with stored_together([s.project for s in sides]):
        hold_stones(sides[0].project, [n for _, names in takes for n in names])
        for side, names in takes:
            name = side.campaign.name
            if names:
                with gated_edit(side.project, who=who, what="blocks from the shared yard") as edit:
                    found = reserve(
                        edit, side.project, names, who=who, may=lambda s, m=side.member: need_may_have(s, m)
                    )  # fmt: skip
                reserved[name] = [s.name_in(side.member.project) for s in found]
            part = part_of_plan(
                side.campaign, solution, compiled=not is_small(side.campaign.problem)
            )
            if part is None:
                continue
            now = load_problem(side.project, donors=False)
            if faults := verify(now.problem, part):
                raise ConflictError(
                    f"{name} was changed while the plan was made ({faults[0]}); nothing was stored",
                    "Match again.",
                )
            plans[name] = store_plan(side.project, now, part, who=who)["plan"]
    return {"plans": plans, "reserved": reserved}


def _taken(side: _Side, solution: Solution) -> list[str]:
    own = f"{side.campaign.name}:"
    stones = {s.stone for s in side.usable.values()}
    return sorted({p.block_id for p in solution.placements if p.repair_id.startswith(own)} & stones)
