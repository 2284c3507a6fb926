"""Several campaigns and the stone that they share as one matching problem, and the plan taken apart again.

A stone that is shared is a block with a face for each campaign that may have it. A block is worked on one face, so that the stone goes
to one campaign, whole; each face carries what the way to that building and the stone's provenance count there.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from facademap.errors import InputError
from facademap.match.candidates import find_candidates
from facademap.match.freespace import FreeSpace
from facademap.match.layouts import Layouts
from facademap.match.plans import unmatched_of
from facademap.match.problem import Block, Face, Problem, Repair
from facademap.match.solution import Slabs, Solution
from facademap.match.verification import recount_objective

__all__ = ["Campaign", "SharedStone", "join_problems", "part_of_plan"]


@dataclass(frozen=True, slots=True, kw_only=True)
class SharedStone:
    """A stone as one campaign may have it.

    Parameters
    ----------
    stone : str
        Its name, the same for all campaigns.
    haul_kg, provenance : float
        As of a face.
    """

    stone: str
    haul_kg: float = 0.0
    provenance: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Campaign:
    """One campaign: its problem with the shared stones among its blocks, and which of them are shared.

    Parameters
    ----------
    name : str
        Without a colon.
    problem : Problem
    shared : mapping of block id to SharedStone
        The other blocks are its own.
    """

    name: str
    problem: Problem
    shared: Mapping[str, SharedStone]

    def repair_named(self, repair_id: str) -> str:
        """What a repair is called among those of all campaigns; a face likewise."""
        return f"{self.name}:{repair_id}"

    def block_named(self, block_id: str) -> str:
        """What a block is called among those of all campaigns."""
        stone = self.shared.get(block_id)
        return f"{self.name}:{block_id}" if stone is None else stone.stone


def join_problems(campaigns: Sequence[Campaign]) -> Problem:
    """All campaigns as one problem.

    Raises
    ------
    InputError
        Their rules of the yard differ, so that one plan cannot hold for all.
    """
    first = campaigns[0]
    for other in campaigns[1:]:
        if other.problem.params != first.problem.params:
            raise InputError(
                f"{first.name} and {other.name} have different rules for sawing and matching",
                "Give both the same setting matching, or match them apart.",
            )
    blocks: dict[str, Block] = {}
    repairs: list[Repair] = []
    looks: dict[str, dict[str, float]] = {}
    for one in campaigns:
        for block in one.problem.blocks:
            name = one.block_named(block.id)
            faces = tuple(_face(one, block.id, face) for face in block.faces)
            there = blocks.get(name)
            if there is None:
                blocks[name] = replace(block, id=name, faces=faces)
            else:
                blocks[name] = replace(there, faces=(*there.faces, *faces))
        repairs += [_repair(one, repair) for repair in one.problem.repairs]
        for repair_id, costs in one.problem.looks.items():
            looks[one.repair_named(repair_id)] = {one.block_named(b): c for b, c in costs.items()}
    return Problem(
        repairs=tuple(repairs),
        blocks=tuple(blocks.values()),
        params=first.problem.params,
        looks=looks,
    )


def _face(one: Campaign, block_id: str, face: Face) -> Face:
    stone = one.shared.get(block_id, SharedStone(stone=""))
    return replace(
        face,
        id=one.repair_named(face.id),
        campaign=one.name,
        haul_kg=stone.haul_kg,
        provenance=stone.provenance,
    )


def _repair(one: Campaign, repair: Repair) -> Repair:
    lock = repair.lock
    if lock is not None and lock.block_id is not None:
        face = None if lock.face_id is None else one.repair_named(lock.face_id)
        lock = replace(lock, block_id=one.block_named(lock.block_id), face_id=face)
    return replace(
        repair,
        id=one.repair_named(repair.id),
        campaign=one.name,
        lock=lock,
        forbid=tuple(one.block_named(b) for b in repair.forbid),
    )


def part_of_plan(one: Campaign, joint: Solution, *, compiled: bool) -> Solution | None:
    """What a plan for all says of one campaign: its problem with the stone that it gets, and its plan for that.

    Parameters
    ----------
    one : Campaign
        One of those that were joined.
    joint : Solution
        Of the joined problem.
    compiled : bool
        Whether to use compiled code to tell why a repair has no piece.

    Returns
    -------
    Solution or None
        For its own blocks and the shared stone that it gets; none where it has neither. Ways and provenance count nothing any more. By as much as the plan for all may miss the best, this one may; where stone of other
        buildings counted more, by as much more as the pieces that do not come from it could have counted.
    """
    own = f"{one.name}:"
    places = tuple(
        replace(
            p,
            repair_id=p.repair_id.removeprefix(own),
            block_id=_own_block(one, p.block_id),
            face_id=p.face_id.removeprefix(own),
        )
        for p in joint.placements
        if p.repair_id.startswith(own)
    )
    used = {p.block_id for p in places}
    problem = _with_stone_of(one, used)
    if problem is None:
        return None
    slabs = {
        _own_block(one, name): Slabs(
            face_id=s.face_id.removeprefix(own), thickness_mm=s.thickness_mm
        )
        for name, s in joint.slabs.items()
        if s.face_id.startswith(own)
    }
    space = FreeSpace(problem, compiled=compiled)
    layouts = Layouts(space)
    reasons = find_candidates(problem, space, fits_alone=layouts.fits_alone).reasons
    placed = {p.repair_id for p in places}
    part = Solution(
        status="feasible",
        objective=0.0,
        bound=0.0,
        gap=0.0,
        seconds=joint.seconds,
        seed=joint.seed,
        ended_by=joint.ended_by,
        placements=places,
        unmatched=unmatched_of(
            problem, space, reasons, {n for n, r in enumerate(problem.repairs) if r.id in placed}
        ),
        slabs=slabs,
    )
    objective = recount_objective(problem, part)
    missed = max(0.0, joint.objective - joint.bound) + _provenance_unused(one, part, used)
    bound = max(0.0, objective - missed)
    gap = (objective - bound) / max(objective, 1e-9)
    return replace(
        part,
        objective=objective,
        bound=bound,
        gap=gap,
        status="optimal" if gap <= 1e-6 else "feasible",
    )


def _own_block(one: Campaign, name: str) -> str:
    there = next((b for b, s in one.shared.items() if s.stone == name), None)
    return name.removeprefix(f"{one.name}:") if there is None else there


def _with_stone_of(one: Campaign, used: set[str]) -> Problem | None:
    """The problem without the shared stone that the campaign does not get; none where no block is left."""
    gone = one.shared.keys() - used
    if all(b.id in gone for b in one.problem.blocks):
        return None
    return replace(
        one.problem,
        blocks=tuple(b for b in one.problem.blocks if b.id not in gone),
        repairs=tuple(
            replace(r, forbid=tuple(b for b in r.forbid if b not in gone))
            for r in one.problem.repairs
        ),
        looks={
            r: {b: c for b, c in costs.items() if b not in gone}
            for r, costs in one.problem.looks.items()
        },
    )


def _provenance_unused(one: Campaign, part: Solution, used: set[str]) -> float:
    """How much more provenance could have counted on the stone that the campaign gets."""
    dearest = max((one.shared[b].provenance for b in used & one.shared.keys()), default=0.0)
    taken = {p.repair_id: p.block_id for p in part.placements}
    counts = [
        r.priority
        * (dearest - (one.shared[taken[r.id]].provenance if taken.get(r.id) in one.shared else 0.0))
        for r in one.problem.repairs
    ]
    return math.fsum(max(0.0, c) for c in counts)
