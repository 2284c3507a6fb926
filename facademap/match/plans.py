"""From layouts on blocks to a solution that can be shown: places, slabs, reasons, figures."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

from facademap.match.candidates import Candidates, usable_dm3
from facademap.match.freespace import FreeSpace
from facademap.match.layouts import Layout
from facademap.match.problem import Problem
from facademap.match.solution import Placement, Quality, Reason, Slabs, Unmatched

__all__ = ["layout_cost", "placements_of", "quality_of", "slabs_of", "unmatched_of"]

_SNAP_MM = 0.1
_SNAP_WITHIN_MM = 0.0032


def layout_cost(layout: Layout, candidates: Candidates) -> float:
    """Looks of the pieces and opening of the block."""
    key = (layout.block, layout.face)
    looks = math.fsum(
        candidates.pairs[i][key][0 if slab == 0 else 1] for i, slab, *_ in layout.places
    )
    return looks + candidates.opening[key]


def _tidy(value: float) -> float:
    """Take the solver's ease out of a coordinate: to a tenth of a millimetre where that is all it is."""
    near = round(value / _SNAP_MM) * _SNAP_MM
    return round(near, 1) + 0.0 if abs(near - value) <= _SNAP_WITHIN_MM else round(value, 4)


def placements_of(problem: Problem, layouts: Iterable[Layout]) -> tuple[Placement, ...]:
    """Placements in the order of the repairs."""
    found: dict[int, Placement] = {}
    for layout in layouts:
        block = problem.blocks[layout.block]
        for i, slab, x, y, turn in layout.places:
            lock = problem.repairs[i].lock
            fixed = lock is not None and lock.x_mm is not None and lock.y_mm is not None
            found[i] = Placement(
                repair_id=problem.repairs[i].id,
                block_id=block.id,
                face_id=block.faces[layout.face].id,
                slab=slab,
                x_mm=lock.x_mm if fixed else _tidy(x),  # type: ignore[union-attr, arg-type]
                y_mm=lock.y_mm if fixed else _tidy(y),  # type: ignore[union-attr, arg-type]
                rot_deg=turn,
            )
    return tuple(found[i] for i in sorted(found))


def slabs_of(problem: Problem, space: FreeSpace, layouts: Iterable[Layout]) -> dict[str, Slabs]:
    """Slabs of the blocks that are not simply worked at their whole depth."""
    result: dict[str, Slabs] = {}
    for layout in layouts:
        block = problem.blocks[layout.block]
        face = block.faces[layout.face]
        thickness = layout.thickness_mm
        if len(thickness) == 1 and space.reaching(
            layout.block, layout.face, 0.0, thickness[0]
        ) == space.reaching(layout.block, layout.face, 0.0, face.depth_mm):
            continue
        result[block.id] = Slabs(
            face_id=face.id, thickness_mm=tuple(round(t, 6) for t in thickness)
        )
    return result


def unmatched_of(
    problem: Problem, space: FreeSpace, reasons: Sequence[Reason | None], placed: set[int]
) -> tuple[Unmatched, ...]:
    """Repairs without a piece: the filter that left no pair, or else capacity."""
    result = []
    for i, repair in enumerate(problem.repairs):
        if i in placed:
            continue
        blank = space.blanks[i]
        size = (
            _up(blank.width_mm),
            _up(blank.height_mm),
            _up(repair.depth_mm + problem.params.depth_allow_mm),
        )
        result.append(
            Unmatched(repair_id=repair.id, reason=reasons[i] or "capacity", source_mm=size)
        )
    return tuple(result)


def _up(value_mm: float) -> float:
    """Rounded up to a tenth of a millimetre, but not for a breath."""
    return round(math.ceil(value_mm * 10.0 - 1e-6) / 10.0, 1)


def quality_of(
    problem: Problem,
    candidates: Candidates,
    layouts: Sequence[Layout],
    *,
    objective: float,
    bound: float,
    least_unmatched: float,
    bound_fixed_count: float,
    undecided: int,
    work: int,
) -> Quality:
    """The figures beside a plan.

    Parameters
    ----------
    objective, bound : float
        Of the whole plan.
    least_unmatched : float
        Proved lower bound on the priority that any plan leaves unmatched.
    bound_fixed_count : float
        Lower bound on plans that leave the same priority unmatched as this one.
    """
    placed = {i for layout in layouts for i, *_ in layout.places}
    unmatched = math.fsum(r.priority for i, r in enumerate(problem.repairs) if i not in placed)
    unavoidable = math.fsum(
        r.priority
        for r, reason in zip(problem.repairs, candidates.reasons, strict=True)
        if reason is not None
    )
    penalty = problem.params.unmatched_penalty
    opening = math.fsum(candidates.opening[x.block, x.face] for x in layouts)
    visual = math.fsum(layout_cost(x, candidates) for x in layouts) - opening
    base = unavoidable * penalty
    return Quality(
        unmatched_priority=unmatched,
        unavoidable_priority=unavoidable,
        visual=visual,
        opening=opening,
        opened_dm3=math.fsum(usable_dm3(problem.blocks[x.block].faces[x.face]) for x in layouts),
        placed=len(placed),
        placed_proved=least_unmatched >= unmatched - 1e-6,
        unmatched_priority_bound=least_unmatched,
        bound_fixed_count=min(objective, max(bound, bound_fixed_count)),
        gap_fixed_count=max(0.0, objective - max(bound, bound_fixed_count)) / max(objective, 1e-9),
        gap_avoidable=max(0.0, objective - bound) / max(objective - base, 1e-9),
        undecided_sets=undecided,
        work=work,
    )
