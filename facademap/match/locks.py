"""Locks that cannot hold together are found before anything is solved, and the repairs are named."""

from __future__ import annotations

from facademap.errors import InputError
from facademap.match.candidates import Candidates
from facademap.match.layouts import Layouts
from facademap.match.problem import Problem

__all__ = ["check_locks", "forced_repairs"]

_REMEDY = "Lift one of the locks, or move one of the places."


def forced_repairs(problem: Problem) -> list[int]:
    """Repairs that a lock puts on a block."""
    return [
        i
        for i, r in enumerate(problem.repairs)
        if r.lock is not None and r.lock.block_id is not None
    ]


def check_locks(problem: Problem, candidates: Candidates, layouts: Layouts) -> None:
    """Raise where the locks of a block contradict each other or the rules.

    Raises
    ------
    InputError
        Naming the smallest group of repairs that cannot share the block.
    """
    by_block: dict[str, list[int]] = {}
    for i in forced_repairs(problem):
        lock = problem.repairs[i].lock
        assert lock is not None
        assert lock.block_id is not None
        by_block.setdefault(lock.block_id, []).append(i)
    for block_id, group in by_block.items():
        if _can_share(candidates, layouts, group):
            continue
        for n, a in enumerate(group):
            for b in group[n + 1 :]:
                if not _can_share(candidates, layouts, [a, b]):
                    raise _contradiction(problem, block_id, [a, b])
        least = list(group)
        for i in group:
            fewer = [j for j in least if j != i]
            if not _can_share(candidates, layouts, fewer):
                least = fewer
        raise _contradiction(problem, block_id, least)


def _contradiction(problem: Problem, block_id: str, group: list[int]) -> InputError:
    names = ", ".join(problem.repairs[i].id for i in group)
    if len(group) == 1:
        return InputError(
            f"repair {names} is locked to block {block_id}, where no clear place is large enough for it",
            "Lift the lock, or correct the block or the repair.",
        )
    return InputError(
        f"repairs {names} are locked to block {block_id}, where they cannot all lie", _REMEDY
    )


def _can_share(candidates: Candidates, layouts: Layouts, group: list[int]) -> bool:
    if not group:
        return True
    shared = set.intersection(*(set(candidates.pairs[i]) for i in group))
    return any(
        layouts.find(*key, tuple((i, False) for i in sorted(group)))[0] != "no"
        for key in sorted(shared)
    )
