"""A first plan: the largest pieces first, each on the best-looking block that still takes it."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from facademap.match.candidates import Candidates
from facademap.match.layouts import Layout, Layouts, Piece

__all__ = ["cheapest_pieces", "greedy_plan"]


def cheapest_pieces(
    layouts: Layouts, candidates: Candidates, block: int, face: int, repairs: Iterable[int]
) -> tuple[tuple[Piece, ...], Layout | None]:
    """Lay out repairs on a face; pieces that gain by it come from the front slab as far as that works."""
    key = (block, face)
    group = sorted(repairs)
    pieces = tuple((i, False) for i in group)
    verdict, layout = layouts.find(block, face, pieces)
    if verdict != "yes":
        return pieces, None
    for i in group:
        first, deeper = candidates.pairs[i][key]
        if first < deeper:
            trial = tuple((j, must or j == i) for j, must in pieces)
            better = layouts.find(block, face, trial)
            if better[0] == "yes":
                pieces, layout = trial, better[1]
    return pieces, layout


def greedy_plan(
    layouts: Layouts,
    candidates: Candidates,
    *,
    penalties: list[float],
    fixed: dict[int, tuple[int, ...]],
    stop: Callable[[], bool],
) -> dict[tuple[int, int], tuple[int, ...]]:
    """Size first, then looks.

    Parameters
    ----------
    fixed : dict
        Locked repairs of each block.
    stop : callable
        Tells whether time is up.

    Returns
    -------
    dict
        Repairs on each (block, face).
    """
    problem = layouts.problem
    plan: dict[tuple[int, int], tuple[int, ...]] = {}
    face_of: dict[int, int] = {}
    for block, group in fixed.items():
        shared = set.intersection(*(set(candidates.pairs[i]) for i in group))
        for key in sorted(shared):
            if layouts.find(*key, tuple((i, False) for i in sorted(group)))[0] == "yes":
                plan[key] = tuple(sorted(group))
                face_of[block] = key[1]
                break
    done = {i for group in plan.values() for i in group}
    blanks = layouts.space.blanks
    order = sorted(
        (i for i in range(len(problem.repairs)) if i not in done),
        key=lambda i: (-problem.repairs[i].priority, -blanks[i].area_mm2, i),
    )
    room: dict[tuple[int, int], float] = {}
    for i in order:
        if stop():
            break
        options = sorted((first, key) for key, (first, _) in candidates.pairs[i].items())
        for cost, key in options:
            if face_of.get(key[0], key[1]) != key[1]:
                continue
            have = plan.get(key, ())
            if not have and cost + candidates.opening[key] >= penalties[i]:
                continue
            left = room.setdefault(key, _volume(layouts, key))
            volume = blanks[i].area_mm2 * (
                problem.repairs[i].depth_mm if problem.params.max_slabs > 1 else 1.0
            )
            if volume > left:
                continue
            group = tuple(sorted((*have, i)))
            if layouts.find(*key, tuple((j, False) for j in group))[0] == "yes":
                plan[key] = group
                face_of[key[0]] = key[1]
                room[key] = left - volume
                break
    return plan


def _volume(layouts: Layouts, key: tuple[int, int]) -> float:
    face = layouts.problem.blocks[key[0]].faces[key[1]]
    x0, y0, x1, y1 = layouts.space.box(*key)
    return (x1 - x0) * (y1 - y0) * (face.depth_mm if layouts.problem.params.max_slabs > 1 else 1.0)
