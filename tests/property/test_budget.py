"""The choice under a budget against a published instance and against trying everything."""

from __future__ import annotations

import itertools
import random

import pytest

from facademap.errors import InputError
from facademap.treatment.budget import Need, Priced, choose_repairs


def test_a_published_knapsack_is_solved() -> None:
    """Instance P01 of the data set KNAPSACK_01 (J. Burkardt, Florida State University): capacity 165, optimum 309; from memory."""
    costs = (23, 31, 29, 44, 53, 38, 63, 85, 89, 82)
    weights = (92, 57, 49, 68, 60, 43, 67, 84, 87, 72)
    repairs = [Priced(id=f"R{n}", place="e", cost=c) for n, c in enumerate(costs)]
    needs = [Need(id=f"C{n}", weight=w, repairs=(f"R{n}",)) for n, w in enumerate(weights)]
    found = choose_repairs(repairs, needs, budget=165)
    assert (found.weight, found.cost) == (309, 165)
    assert found.answered == ("C0", "C1", "C2", "C3", "C5")
    assert found.is_proved
    assert len(found.left) == 5
    assert all(w.less is not None and w.less > 0 and w.instead for w in found.left)


def best_by_trying(repairs: list[Priced], needs: list[Need], budget: float, stone: float, scaffolds: dict[str, float]) -> tuple[float, float]:  # fmt: skip
    best = (0.0, 0.0)
    for taken in itertools.product((False, True), repeat=len(repairs)):
        chosen = [r for r, t in zip(repairs, taken, strict=True) if t]
        names = {r.id for r in chosen}
        cost = sum(r.cost for r in chosen) + sum(scaffolds[p] for p in {r.place for r in chosen})
        if cost > budget or sum(r.stone_m3 for r in chosen) > stone:
            continue
        weight = sum(n.weight for n in needs if set(n.repairs) <= names)
        best = max(best, (weight, -cost))
    return best[0], -best[1]


@pytest.mark.parametrize("seed", range(12))
def test_no_other_choice_answers_more_or_costs_less(seed: int) -> None:
    rng = random.Random(seed)
    repairs = [
        Priced(id=f"R{n}", place=rng.choice("ab"), cost=rng.randint(1, 30), stone_m3=rng.randint(0, 4))
        for n in range(8)
    ]  # fmt: skip
    needs = [
        Need(id=f"C{n}", weight=rng.choice((1, 3, 9)), repairs=tuple(f"R{k}" for k in rng.sample(range(8), rng.randint(1, 3))))
        for n in range(7)
    ]  # fmt: skip
    scaffolds = {"a": float(rng.randint(0, 20)), "b": float(rng.randint(0, 20))}
    budget, stone = rng.randint(10, 100), rng.randint(2, 14)
    found = choose_repairs(repairs, needs, budget=budget, most_stone_m3=stone, scaffolds=scaffolds)
    assert (found.weight, found.cost) == pytest.approx(
        best_by_trying(repairs, needs, budget, stone, scaffolds)
    )
    assert found.is_proved
    assert {w.id for w in found.left} | set(found.answered) == {n.id for n in needs}
    weights = {n.id: n.weight for n in needs}
    for why in found.left:
        if why.less is not None:
            given_up = sum(weights[i] for i in why.instead)
            assert given_up >= why.less, "what is given up covers what is lost"


def test_a_budget_that_is_none_is_refused() -> None:
    for budget in (-1.0, float("nan"), float("inf")):
        with pytest.raises(InputError, match="is no amount"):
            choose_repairs([], [], budget=budget)
