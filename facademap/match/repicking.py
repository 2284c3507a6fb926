"""Pick parts of a large plan again from the groups known, all else held: what a whole integer program cannot do in time."""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence

from facademap.match.master import Column, Floats, Master

__all__ = ["pick_in_parts"]

#: Blocks that are picked again at a time, groups to pick from, nodes of the search, and seconds for it.
MOST_BLOCKS = 25
MOST_GROUPS = 1500
MOST_NODES = 50
MOST_TIME_S = 2.0
#: Parts in one call.
MOST_PARTS = 20
#: Groups of a repair that tell which other blocks it might change places with.
NEAREST = 12


def pick_in_parts(
    master: Master,
    plan: Sequence[Column],
    columns: Sequence[Column],
    reduced: Sequence[float],
    *,
    penalties: Floats,
    seed: int,
    stop: Callable[[], bool],
    better: Callable[[list[Column]], list[Column]],
    wide: int = 1,
) -> None:
    """Better a plan part by part, each begun from a block chosen at random.

    Parameters
    ----------
    master : Master
        Of the whole.
    plan : sequence of Column
        The plan to begin with.
    columns, reduced : sequences
        Groups known to be possible, and their reduced costs.
    penalties : ndarray
        Cost of leaving each repair unmatched.
    seed : int
        Start of the random numbers.
    stop : callable
        Tells whether time is up.
    better : callable
        Takes a better plan, and gives it back with what was served twice dropped once.
    wide : int
        So many times as many blocks and groups, and as much time, for one part.
    """
    chance = random.Random(seed)
    of_repair: dict[int, list[int]] = {}
    for k in sorted(range(len(columns)), key=lambda k: (reduced[k], k)):
        for i in columns[k].repairs:
            of_repair.setdefault(i, []).append(k)
    at = {c.block: c for c in plan}
    order = sorted(at)
    chance.shuffle(order)
    for first in order[:MOST_PARTS]:
        if stop():
            return
        if first not in at:
            continue
        chosen = _near(first, at, columns, of_repair, wide * MOST_BLOCKS)
        held = {i for b, c in at.items() if b not in chosen for i in c.repairs}
        repairs = [i for i in master.repairs if i not in held]
        old = [at[b] for b in sorted(chosen)]
        allowed = set(repairs)
        known = {(c.block, c.face, c.pieces) for c in old}
        near = sorted(
            {
                k
                for i in repairs
                for k in of_repair.get(i, ())
                if allowed.issuperset(columns[k].repairs)
                and (columns[k].block in chosen or columns[k].block not in at)
            },
            key=lambda k: (reduced[k], k),
        )[: wide * MOST_GROUPS]
        groups = old + [
            c
            for c in (columns[k] for k in sorted(near))
            if (c.block, c.face, c.pieces) not in known
        ]
        part = Master(
            repairs=repairs,
            blocks=sorted({c.block for c in groups}),
            n_repairs=master.n_repairs,
            penalties=master.penalties,
            ceilings=master.penalties,
            priorities=master.priorities,
            forced=master.forced & allowed,
            locked_blocks=master.locked_blocks & chosen,
        )
        picked, _ = part.integer_plan(
            groups, start=old, most_nodes=MOST_NODES, time_limit_s=wide * MOST_TIME_S
        )
        if picked and _cost(picked, repairs, penalties) < _cost(old, repairs, penalties) - 1e-9:
            kept = [c for b, c in sorted(at.items()) if b not in chosen]
            at = {c.block: c for c in better(kept + picked)}


def _near(
    first: int,
    at: dict[int, Column],
    columns: Sequence[Column],
    of_repair: dict[int, list[int]],
    most: int,
) -> set[int]:
    """Blocks of the plan whose pieces could change places: those that share good groups with the first, and so on."""
    block_of = {i: b for b, c in at.items() for i in c.repairs}
    chosen, waiting = {first}, [first]
    while waiting and len(chosen) < most:
        for i in at[waiting.pop(0)].repairs:
            for k in of_repair.get(i, ())[:NEAREST]:
                for b in (columns[k].block, *(block_of.get(j, first) for j in columns[k].repairs)):
                    if b in at and b not in chosen and len(chosen) < most:
                        chosen.add(b)
                        waiting.append(b)
    return chosen


def _cost(plan: Sequence[Column], repairs: Sequence[int], penalties: Floats) -> float:
    served = {i for c in plan for i in c.repairs}
    return sum(c.cost for c in plan) + sum(float(penalties[i]) for i in repairs if i not in served)
