"""Small problems solved by looking at every set of repairs on every block."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeAlias

from facademap.match.candidates import Candidates
from facademap.match.layouts import Layout, Layouts, Piece

__all__ = ["MOST_REPAIRS", "ExactPlan", "solve_exactly"]

#: Above this, sets are too many to look at each.
MOST_REPAIRS = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class ExactPlan:
    """The best layouts, their cost, and a lower bound (equal unless a set stayed undecided)."""

    layouts: tuple[Layout, ...]
    cost: float
    bound: float
    least_unmatched: float


def _sets_of_face(
    layouts: Layouts,
    candidates: Candidates,
    block: int,
    face: int,
    users: list[int],
    stop: Callable[[], bool],
) -> tuple[dict[int, tuple[float, tuple[Piece, ...]]], dict[int, float]]:
    """Every set of repairs that a face can hold: cheapest pieces by bit mask; and the same with the undecided."""
    key = (block, face)
    pieces: list[Piece] = []
    for i in users:
        first, deeper = candidates.pairs[i][key]
        pieces.append((i, False))
        if first < deeper:
            pieces.append((i, True))
    held: dict[int, tuple[float, tuple[Piece, ...]]] = {}
    bound: dict[int, float] = {}
    open_sets: set[tuple[Piece, ...]] = {()}
    for size in range(1, len(users) + 1):
        grown: set[tuple[Piece, ...]] = set()
        for group in sorted(
            {
                tuple(sorted((*s, p)))
                for s in open_sets
                for p in pieces
                if all(p[0] != q[0] for q in s)
            }
        ):
            if any(group[:n] + group[n + 1 :] not in open_sets for n in range(size)):
                continue
            # where time is up nothing more is known to be possible, and nothing more to be impossible
            verdict = "unknown" if size > 1 and stop() else layouts.find(block, face, group)[0]
            if verdict == "no":
                continue
            grown.add(group)
            mask = sum(1 << i for i, _ in group)
            cost = math.fsum(candidates.pairs[i][key][0 if must else 1] for i, must in group)
            bound[mask] = min(bound.get(mask, math.inf), cost)
            if verdict == "yes" and cost < held.get(mask, (math.inf, ()))[0]:
                held[mask] = (cost, group)
        open_sets = grown
    return held, bound


#: Cost, what opening cost of it, and the pieces of one face, or of all chosen so far.
_Option: TypeAlias = tuple[float, float, tuple[int, int, tuple[Piece, ...]]]
_Chosen: TypeAlias = tuple[float, float, tuple[tuple[int, int, tuple[Piece, ...]], ...]]


def _with_block(best: dict[int, _Chosen], options: dict[int, _Option]) -> dict[int, _Chosen]:
    """The cheapest way to serve every set of repairs when one more block may be used."""
    new = dict(best)
    for have, (cost, opened, chosen) in best.items():
        for mask, (more, opening, pick) in options.items():
            if have & mask:
                continue
            value = (cost + more, opened + opening)
            known = new.get(have | mask)
            if known is None or (round(value[0], 9), value[1]) < (round(known[0], 9), known[1]):
                new[have | mask] = (*value, (*chosen, pick))
    return new


def _lows_with_block(lows: dict[int, float], options: dict[int, float]) -> dict[int, float]:
    """What serving every set costs at least when one more block may be used."""
    new = dict(lows)
    for have, cost in lows.items():
        for mask, more in options.items():
            if have & mask == 0:
                new[have | mask] = min(new.get(have | mask, math.inf), cost + more)
    return new


def solve_exactly(
    layouts: Layouts,
    candidates: Candidates,
    *,
    penalties: list[float],
    forced: list[int],
    stop: Callable[[], bool] = lambda: False,
) -> ExactPlan | None:
    """Best plan by dynamic programming over the blocks.

    Parameters
    ----------
    layouts, candidates
        Oracle and candidate pairs.
    penalties : list of float
        Cost of leaving each repair unmatched.
    forced : list of int
        Repairs that must be placed (their locks say so).
    stop : callable
        Tells whether time is up; sets of several repairs that were not looked at by then stay undecided.

    Returns
    -------
    ExactPlan or None
        None when the forced repairs cannot all be placed.
    """
    users = candidates.users()
    everything = math.fsum(penalties)
    must = sum(1 << i for i in forced)
    best: dict[int, _Chosen] = {0: (0.0, 0.0, ())}
    lows: dict[int, float] = {0: 0.0}
    for _, group in itertools.groupby(sorted(users), key=lambda key: key[0]):
        options: dict[int, _Option] = {}
        bound_options: dict[int, float] = {}
        for key in group:
            held, possible = _sets_of_face(layouts, candidates, *key, users[key], stop)
            opening = candidates.opening[key]
            for mask, (cost, pieces) in held.items():
                option = (cost + opening, opening, (*key, pieces))
                if mask not in options or option[:2] < options[mask][:2]:
                    options[mask] = option
            for mask, cost in possible.items():
                bound_options[mask] = min(bound_options.get(mask, math.inf), cost + opening)
        best = _with_block(best, options)
        lows = _lows_with_block(lows, bound_options)

    def left(mask: int) -> float:
        return math.fsum(p for i, p in enumerate(penalties) if not mask >> i & 1)

    complete = [(round(c + left(m), 9), o, m) for m, (c, o, _) in best.items() if m & must == must]
    if not complete:
        return None
    _, _, mask = min(complete)
    found = tuple(layouts.find(b, f, pieces)[1] for b, f, pieces in best[mask][2])
    bound = min((c + left(m) for m, c in lows.items() if m & must == must), default=everything)
    cost = best[mask][0] + left(mask)
    priorities = [layouts.problem.repairs[i].priority for i in range(len(penalties))]
    least = min(
        math.fsum(p for i, p in enumerate(priorities) if not m >> i & 1)
        for m in lows
        if m & must == must
    )
    return ExactPlan(
        layouts=tuple(x for x in found if x is not None),
        cost=cost,
        bound=min(bound, cost),
        least_unmatched=least,
    )
