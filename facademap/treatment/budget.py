"""Which conditions to answer first with the money there is: the most urgency under limits, proved, and why not the others.

A condition counts as answered when all repairs that were decided for it are done. The choice is a mixed-integer program: take repairs,
answer conditions, put up scaffolds, so that the sum of weights is greatest; among equals the cheapest is taken.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import coo_matrix, csr_matrix, vstack

from facademap.errors import InputError, SolveError

__all__ = ["MOST_WHY", "URGENCY_WEIGHTS", "Choice", "Need", "Priced", "WhyNot", "choose_repairs"]

#: What a condition of urgency class 0 to 3 (EN 16096) counts; our own values.
URGENCY_WEIGHTS: tuple[float, ...] = (0.0, 1.0, 3.0, 9.0)
#: Conditions that are left for which it is worked out what answering them would cost the others.
MOST_WHY = 25
_TIME_S = 20.0
_WHY_TIME_S = 3.0
#: Feasibility as the solver promises it.
_CLOSE = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True)
class Priced:
    """A repair that could be done.

    Parameters
    ----------
    id, place : str
        Its name, and the elevation whose scaffold it needs.
    cost : float
        Price, 0 or more.
    stone_m3 : float
        Original stone that it takes out.
    """

    id: str
    place: str
    cost: float
    stone_m3: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Need:
    """A condition that wants an answer.

    Parameters
    ----------
    id : str
    weight : float
        What answering it counts, above 0.
    repairs : tuple of str
        All that have to be done for it.
    """

    id: str
    weight: float
    repairs: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class WhyNot:
    """Why a condition is not answered.

    Parameters
    ----------
    id, why : str
    costs : float
        Its repairs and scaffolds by themselves.
    less : float or None
        By how much less would be answered if it had to be; ``None`` where that was not worked out.
    instead : tuple of str
        Conditions that would be given up for it.
    """

    id: str
    why: str
    costs: float
    less: float | None = None
    instead: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Choice:
    """What is done with the money.

    Parameters
    ----------
    repairs, answered, places : tuple of str
        Repairs done, conditions answered, elevations with a scaffold.
    weight, bound : float
        What is answered, and what no choice can exceed.
    cost, stone_m3 : float
        What it costs with scaffolds, and the stone that is taken out.
    left : tuple of WhyNot
    """

    repairs: tuple[str, ...]
    answered: tuple[str, ...]
    places: tuple[str, ...]
    weight: float
    bound: float
    cost: float
    stone_m3: float
    left: tuple[WhyNot, ...]

    @property
    def is_proved(self) -> bool:
        """Whether nothing better is possible."""
        return self.bound - self.weight <= _CLOSE * max(1.0, self.weight)


class _Program:
    """The program with its columns in the order repairs, conditions, places."""

    def __init__(
        self,
        repairs: Sequence[Priced],
        needs: Sequence[Need],
        places: Mapping[str, float],
        limits: Mapping[str, float],
    ) -> None:
        self.repairs, self.needs = list(repairs), list(needs)
        self.places = sorted({r.place for r in repairs})
        self.n = len(self.repairs) + len(self.needs) + len(self.places)
        at = {r.id: n for n, r in enumerate(self.repairs)}
        self._first_need, first_place = len(at), len(at) + len(self.needs)
        of_place = {p: first_place + n for n, p in enumerate(self.places)}
        self.cost = np.zeros(self.n)
        self.cost[: len(at)] = [r.cost for r in self.repairs]
        self.cost[first_place:] = [places.get(p, 0.0) for p in self.places]
        self.stone = np.zeros(self.n)
        self.stone[: len(at)] = [r.stone_m3 for r in self.repairs]
        self.weight = np.zeros(self.n)
        self.weight[self._first_need : first_place] = [n.weight for n in self.needs]
        # a condition needs each of its repairs, a repair its scaffold: the one is never more than the other
        pairs = [
            (self._first_need + n, at[r]) for n, need in enumerate(self.needs) for r in need.repairs
        ]
        pairs += [(at[r.id], of_place[r.place]) for r in self.repairs]
        rows = np.repeat(np.arange(len(pairs)), 2)
        ones = np.tile([1.0, -1.0], len(pairs))
        chain = coo_matrix(
            (ones, (rows, np.array(pairs, int).ravel())), shape=(len(pairs), self.n)
        ).tocsr()
        kinds = {"cost": self.cost, "stone_m3": self.stone}
        limited = [(kinds[name], limit) for name, limit in limits.items()]
        self.matrix = vstack([chain, *(csr_matrix(row) for row, _ in limited)]).tocsr()
        self.upper = np.concatenate([np.zeros(len(pairs)), [limit for _, limit in limited]])

    def solve(
        self, *, time_s: float, forced: int | None = None, least: float | None = None
    ) -> tuple[np.ndarray, float] | None:
        """The best choice as zeros and ones, and the bound of its weight; with ``least`` the cheapest of that weight."""
        low = np.zeros(self.n)
        if forced is not None:
            low[self._first_need + forced] = 1.0
        rules = [LinearConstraint(self.matrix, -np.inf, self.upper)]
        if least is not None:
            rules.append(LinearConstraint(csr_matrix(self.weight), least, np.inf))
        found = milp(
            -self.weight if least is None else self.cost,
            integrality=np.ones(self.n),
            bounds=Bounds(low, 1.0),
            constraints=rules,
            options={"time_limit": time_s, "mip_rel_gap": 0.0},
        )
        if found.x is None:
            return None
        taken = np.round(found.x)
        self._need_sound(taken)
        bound = found.mip_dual_bound
        return taken, math.inf if bound is None else -float(bound)

    def _need_sound(self, taken: np.ndarray) -> None:
        """Whole numbers are looked at again: what the solver holds to be close enough may not be within the budget."""
        over = self.matrix @ taken - self.upper
        if (over > _CLOSE * np.maximum(1.0, np.abs(self.upper))).any():
            raise SolveError(
                "the choice breaks a limit and is not shown",
                "Change the budget a little; report this if it stays.",
            )

    def needs_of(self, taken: np.ndarray) -> list[int]:
        """Numbers of the conditions that are answered."""
        return [n for n in range(len(self.needs)) if taken[self._first_need + n] > 0.5]

    def alone(self, n: int) -> float:
        """What answering one condition costs by itself."""
        names = set(self.needs[n].repairs)
        mine = [r for r in self.repairs if r.id in names]
        places = {r.place for r in mine}
        start = self.n - len(self.places)
        return sum(r.cost for r in mine) + sum(
            float(self.cost[start + k]) for k, p in enumerate(self.places) if p in places
        )


def choose_repairs(
    repairs: Sequence[Priced],
    needs: Sequence[Need],
    *,
    budget: float,
    most_stone_m3: float | None = None,
    scaffolds: Mapping[str, float] | None = None,
) -> Choice:
    """Choose what to do for a budget.

    Parameters
    ----------
    repairs : sequence of Priced
        That could be done.
    needs : sequence of Need
        Conditions with weights above 0; each names only repairs that are given.
    budget : float
        Of the same currency as the prices.
    most_stone_m3 : float, optional
        No more original stone is taken out.
    scaffolds : mapping of place to cost, optional
        What it costs to get at an elevation at all.

    Returns
    -------
    Choice

    Raises
    ------
    InputError
        A budget that is no amount.
    SolveError
        No choice was found in the time, or one that breaks a limit.
    """
    for value, what in ((budget, "budget"), (most_stone_m3 or 0.0, "limit of stone")):
        if not (math.isfinite(value) and value >= 0):
            raise InputError(f"{what}: {value} is no amount", "Give a number of 0 or more.")
    if not needs:
        return Choice(repairs=(), answered=(), places=(), weight=0.0, bound=0.0, cost=0.0, stone_m3=0.0, left=())  # fmt: skip
    limits = {"cost": budget} | ({} if most_stone_m3 is None else {"stone_m3": most_stone_m3})
    program = _Program(repairs, needs, scaffolds or {}, limits)
    found = program.solve(time_s=_TIME_S)
    if found is None:
        raise SolveError("no choice was found in the time there is", "Choose for fewer buildings.")
    taken, bound = found
    weight = float(program.weight @ taken)
    cheapest = program.solve(time_s=_TIME_S, least=weight * (1 - 1e-9))
    if cheapest is not None and float(program.weight @ cheapest[0]) >= weight * (1 - 1e-9):
        taken = cheapest[0]
    answered = program.needs_of(taken)
    chosen = [r.id for n, r in enumerate(program.repairs) if taken[n] > 0.5]
    start = program.n - len(program.places)
    return Choice(
        repairs=tuple(chosen),
        answered=tuple(program.needs[n].id for n in answered),
        places=tuple(p for k, p in enumerate(program.places) if taken[start + k] > 0.5),
        weight=float(program.weight @ taken),
        bound=bound,
        cost=float(program.cost @ taken),
        stone_m3=float(program.stone @ taken),
        left=tuple(_why_not(program, set(answered), weight, budget)),
    )


def _why_not(
    program: _Program, answered: set[int], weight: float, budget: float
) -> Sequence[WhyNot]:
    left = [n for n in range(len(program.needs)) if n not in answered]
    left.sort(key=lambda n: (-program.needs[n].weight, program.alone(n)))
    told = []
    for place, n in enumerate(left):
        need, alone = program.needs[n], program.alone(n)
        if alone > budget:
            told.append(
                WhyNot(id=need.id, why="costs more by itself than the whole budget", costs=alone)
            )
            continue
        if place >= MOST_WHY:
            told.append(WhyNot(id=need.id, why="not looked into: others count more", costs=alone))
            continue
        found = program.solve(time_s=_WHY_TIME_S, forced=n)
        if found is None:
            told.append(
                WhyNot(id=need.id, why="breaks a limit even by itself, or was not worked out in time", costs=alone)
            )  # fmt: skip
            continue
        other = program.needs_of(found[0])
        less = max(0.0, weight - float(program.weight @ found[0]))
        instead = tuple(program.needs[k].id for k in sorted(answered - set(other)))
        why = (
            "answering it would leave less answered"
            if less > _CLOSE
            else "answering it instead counts the same and costs no less"
        )
        told.append(WhyNot(id=need.id, why=why, costs=alone, less=less, instead=instead))
    return told
