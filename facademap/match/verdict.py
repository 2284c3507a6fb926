"""Which of two plans is better, in plain words: pieces first, then looks, then stone; fewer pieces are never better."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from facademap.match.from_tables import appearance_cost
from facademap.match.problem import Problem
from facademap.match.solution import Placement, Solution
from facademap.match.whatif import PlanComparison

__all__ = ["Verdict", "judge_plans"]

#: Looks closer than this in their mean, and stone closer than this, are called the same (common practice).
SAME_LOOKS, SAME_DM3 = 0.05, 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """The outcome of a comparison.

    Parameters
    ----------
    better : int or None
        0 or 1 for the plan that is better, where one plainly is.
    text : str
        In words.
    first_only, second_only : tuple of str
        Repairs that only one of them serves.
    both : int
        Repairs that both serve.
    looks_shared : (float, float)
        Mean cost of looks over those, so that a plan does not look better by serving less.
    lines : tuple of (name, values, better)
        Each figure with the plan that is better in it; none where that plan serves less.
    """

    better: int | None
    text: str
    first_only: tuple[str, ...]
    second_only: tuple[str, ...]
    both: int
    looks_shared: tuple[float, float]
    lines: tuple[tuple[str, tuple[float, float], int | None], ...]


def judge_plans(
    problem: Problem,
    plans: Sequence[Solution],
    found: PlanComparison,
    *,
    names: tuple[str, str],
) -> Verdict:
    """Judge two plans of one problem."""
    served = [{p.repair_id: p for p in s.placements} for s in plans]
    only = tuple(tuple(sorted(served[i].keys() - served[1 - i].keys())) for i in (0, 1))
    both = sorted(served[0].keys() & served[1].keys())
    looks = tuple(
        sum(_looks(problem, side[r]) for r in both) / len(both) if both else 0.0 for side in served
    )
    fuller = _fuller(found)
    figures = (
        ("placed", (float(found.placed[0]), float(found.placed[1])), _more(found.placed)),
        ("looks_shared", (looks[0], looks[1]), _less(looks, SAME_LOOKS)),
        ("opened_dm3", found.opened_dm3, _less(found.opened_dm3, SAME_DM3)),
        ("opened_blocks", found.opened_blocks, _less(found.opened_blocks, 0)),
    )
    lines = tuple(
        (n, (float(v[0]), float(v[1])), None if fuller not in (None, b) else b)
        for n, v, b in figures
    )
    better, text = _words(found, looks, fuller, only, names)
    return Verdict(
        better=better,
        text=text,
        first_only=only[0],
        second_only=only[1],
        both=len(both),
        looks_shared=(looks[0], looks[1]),
        lines=lines,
    )


def _looks(problem: Problem, place: Placement) -> float:
    block = problem.block(place.block_id)
    return appearance_cost(
        problem, problem.repair(place.repair_id), block, block.face(place.face_id)
    )[1]


def _more(values: Sequence[float]) -> int | None:
    return None if values[0] == values[1] else int(values[1] > values[0])


def _less(values: Sequence[float], same: float) -> int | None:
    return None if abs(values[0] - values[1]) <= same else int(values[1] < values[0])


def _fuller(found: PlanComparison) -> int | None:
    """The plan that serves more; by priority where the numbers of pieces are equal."""
    by_number = _more(found.placed)
    return by_number if by_number is not None else _less(found.unmatched_priority, 1e-9)


def _words(
    found: PlanComparison,
    looks: Sequence[float],
    fuller: int | None,
    only: Sequence[Sequence[str]],
    names: tuple[str, str],
) -> tuple[int | None, str]:
    in_looks, in_stone = _less(looks, SAME_LOOKS), _less(found.opened_dm3, SAME_DM3)
    weight = _less(found.unmatched_priority, 1e-9)
    if fuller is None:
        wins = {w for w in (in_looks, in_stone) if w is not None}
        if not wins:
            return None, "Both serve as much, look alike and open as much stone."
        if len(wins) == 1:
            better = wins.pop()
            return (
                better,
                f"{names[better]} is better: {_and(_gains(better, in_looks, in_stone))}, and it serves as much.",
            )
        good = 0 if in_looks == 0 else 1
        return (
            None,
            f"Neither is plainly better: {names[good]} looks closer, {names[1 - good]} opens less stone.",
        )
    extra = len(only[fuller])
    told = f"{names[fuller]} serves {found.placed[fuller] - found.placed[1 - fuller]} more"
    if found.placed[0] == found.placed[1]:
        told = f"{names[fuller]} serves repairs of more weight"
    listed = ", ".join(only[fuller][:4]) + (" and others" if extra > 4 else "")
    if weight is not None and weight != fuller:
        return (
            None,
            f"Neither is plainly better: {told} ({listed}), {names[1 - fuller]} those of more weight.",
        )
    costs = [
        w
        for w, b in (
            ("looks less close where both serve", in_looks),
            ("opens more stone", in_stone),
        )
        if b == 1 - fuller
    ]
    return fuller, f"{names[fuller]} is better: {told}{f' ({listed})' if listed else ''}" + (
        f", though it {_and(costs)}." if costs else "."
    )


def _gains(better: int, in_looks: int | None, in_stone: int | None) -> list[str]:
    pairs = (("it looks closer", in_looks), ("it opens less stone", in_stone))
    return [words for words, b in pairs if b == better]


def _and(words: Sequence[str]) -> str:
    return " and ".join(words)
