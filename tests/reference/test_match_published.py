"""The matching reaches published optima of cutting, packing and assignment, and those of other solvers on random ones."""

from __future__ import annotations

import math
import random
import sys
from dataclasses import replace
from functools import cache
from itertools import combinations
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[2] / "benchmarks"))

from match_published import ASSIGNMENTS, BINS, PLAIN, PLATES, Assignment, Bins, Plate, block

from facademap.match import Problem, Repair, Solution, solve, verify

_PLATES = {case.name: case for case in PLATES}
_BINS = {case.name: case for case in BINS}


def _plan(case: Plate | Bins | Assignment, work: int) -> Solution:
    problem = case.problem()
    plan = solve(problem, work_limit=work, compiled=True)
    assert verify(problem, plan) == []
    return plan


@pytest.mark.parametrize("name", ["cgcut1", "gcut1, one copy"])
def test_guillotine_cutting_reaches_the_published_optimum(name: str) -> None:
    case = _PLATES[name]
    plan = _plan(case, 200_000)
    assert case.value(plan.objective) == pytest.approx(case.optimum)
    assert case.value(plan.bound) >= case.optimum - 1e-6


def test_on_harder_guillotine_cutting_plan_and_bound_enclose_the_published_optimum() -> None:
    case = _PLATES["cgcut2"]
    plan = _plan(case, 2_000_000)
    assert 0.98 * case.optimum <= case.value(plan.objective) <= case.optimum + 1e-6
    assert case.optimum - 1e-6 <= case.value(plan.bound) <= 1.3 * case.optimum


@pytest.mark.parametrize(("name", "work"), [("Graham", 8_000_000), ("N1C1W1_A", 2_000_000)])
def test_bin_packing_reaches_the_published_optimum(name: str, work: int) -> None:
    case = _BINS[name]
    plan = _plan(case, work)
    assert plan.unmatched == ()
    assert plan.objective == pytest.approx(case.optimum)
    assert math.ceil(plan.bound - 1e-6) == case.optimum


@pytest.mark.parametrize("case", ASSIGNMENTS, ids=lambda case: case.name)
def test_generalised_assignment_is_proved_at_the_published_optimum(case: Assignment) -> None:
    plan = _plan(case, 5_000_000)
    assert plan.status == "optimal"
    assert case.value(plan.objective) == pytest.approx(case.optimum)


def _best_assignment(case: Assignment) -> float:
    """Least cost by a constraint program (OR-Tools)."""
    from ortools.sat.python import cp_model

    model = cp_model.CpModel()
    agents, jobs = range(len(case.capacities)), range(len(case.costs[0]))
    chosen = {(a, j): model.new_bool_var("") for a in agents for j in jobs}
    for j in jobs:
        model.add_exactly_one(chosen[a, j] for a in agents)
    for a in agents:
        model.add(sum(case.sizes[a][j] * chosen[a, j] for j in jobs) <= case.capacities[a])
    model.minimize(sum(case.costs[a][j] * chosen[a, j] for a in agents for j in jobs))
    solver = cp_model.CpSolver()
    solver.parameters.num_workers = 1
    assert solver.solve(model) == cp_model.OPTIMAL
    return solver.objective_value


@pytest.mark.parametrize("seed", range(4))
def test_random_generalised_assignment_agrees_with_a_constraint_program(seed: int) -> None:
    rng = random.Random(seed)
    agents, jobs = 4, 12
    sizes = tuple(tuple(rng.randint(5, 25) for _ in range(jobs)) for _ in range(agents))
    case = Assignment(
        name=f"random {seed}",
        source="",
        sizes=sizes,
        optimum=math.nan,
        costs=tuple(tuple(rng.randint(10, 50) for _ in range(jobs)) for _ in range(agents)),
        capacities=tuple(round(0.9 * sum(row) / agents) for row in sizes),
    )
    plan = _plan(case, 5_000_000)
    assert plan.status == "optimal"
    assert plan.objective == pytest.approx(_best_assignment(case))


def _best_guillotine(pieces: tuple[tuple[int, int, int], ...], wide: int, high: int) -> int:
    """Greatest value by building up every set of pieces from its parts (Wang 1983, Operations Research 31, from memory)."""

    @cache
    def builds(group: frozenset[int]) -> tuple[tuple[int, int], ...]:
        """The smallest rectangles that can be sawn into the group."""
        if len(group) == 1:
            (n,) = group
            return ((pieces[n][0], pieces[n][1]),)
        first, *others = sorted(group)
        found = set()
        for size in range(len(others)):
            for some in combinations(others, size):
                one = frozenset((first, *some))
                for aw, ah in builds(one):
                    for bw, bh in builds(group - one):
                        found |= {(aw + bw, max(ah, bh)), (max(aw, bw), ah + bh)}
        return tuple(
            a
            for a in found
            if a[0] <= wide
            and a[1] <= high
            and not any(b != a and b[0] <= a[0] and b[1] <= a[1] for b in found)
        )

    everything = range(len(pieces))
    fitting = (
        group
        for size in everything
        for group in combinations(everything, size + 1)
        if any(w <= wide and h <= high for w, h in builds(frozenset(group)))
    )
    return max(sum(pieces[n][2] for n in group) for group in fitting)


@pytest.mark.parametrize("seed", range(6))
def test_random_guillotine_cutting_agrees_with_building_up_every_set(seed: int) -> None:
    rng = random.Random(seed)
    pieces = tuple((rng.randint(3, 14), rng.randint(3, 12), rng.randint(1, 60)) for _ in range(8))
    case = Plate(
        name=f"random {seed}",
        source="",
        size=(22, 18),
        pieces=tuple((w, h, 1, v) for w, h, v in pieces),
        optimum=_best_guillotine(pieces, 22, 18),
    )
    plan = _plan(case, 5_000_000)
    assert plan.status == "optimal"
    assert case.value(plan.objective) == pytest.approx(case.optimum)


@pytest.mark.parametrize("seed", range(4))
def test_random_bin_packing_agrees_with_a_constraint_program(seed: int) -> None:
    from ortools.sat.python import cp_model

    rng = random.Random(seed)
    sizes = tuple(rng.randint(15, 70) for _ in range(14))
    model = cp_model.CpModel()
    lies = [[model.new_bool_var("") for _ in sizes] for _ in sizes]
    used = [model.new_bool_var("") for _ in sizes]
    for n in range(len(sizes)):
        model.add_exactly_one(row[n] for row in lies)
    for row, opened in zip(lies, used, strict=True):
        model.add(sum(size * here for size, here in zip(sizes, row, strict=True)) <= 100 * opened)
    model.minimize(sum(used))
    solver = cp_model.CpSolver()
    solver.parameters.num_workers = 1
    assert solver.solve(model) == cp_model.OPTIMAL
    case = Bins(
        name=f"random {seed}", source="", capacity=100, sizes=sizes, optimum=solver.objective_value
    )
    plan = _plan(case, 5_000_000)
    assert plan.unmatched == ()
    assert plan.objective == pytest.approx(case.optimum)
    assert math.ceil(plan.bound - 1e-6) == case.optimum


@pytest.mark.parametrize("seed", range(8))
def test_random_free_cutting_agrees_with_a_constraint_program(seed: int) -> None:
    from ortools.sat.python import cp_model

    rng = random.Random(seed)
    wide, high = 18, 15
    pieces = tuple(
        (rng.randint(3, 14), rng.randint(3, 12), 1, rng.randint(1, 60)) for _ in range(6)
    )
    model = cp_model.CpModel()
    values, across, up = [], [], []
    for w, h, _, value in pieces:
        here = model.new_bool_var("")
        values.append(value * here)
        across.append(
            model.new_optional_fixed_size_interval_var(
                model.new_int_var(0, wide - w, ""), w, here, ""
            )
        )
        up.append(
            model.new_optional_fixed_size_interval_var(
                model.new_int_var(0, high - h, ""), h, here, ""
            )
        )
    model.add_no_overlap_2d(across, up)
    model.maximize(sum(values))
    solver = cp_model.CpSolver()
    solver.parameters.num_workers = 1
    assert solver.solve(model) == cp_model.OPTIMAL
    case = Plate(
        name=f"random {seed}",
        source="",
        size=(wide, high),
        pieces=pieces,
        optimum=solver.objective_value,
    )
    problem = case.problem()
    problem = replace(problem, params=replace(problem.params, cut_mode="free"))
    plan = solve(problem)
    assert verify(problem, plan) == []
    assert plan.status == "optimal"
    assert case.value(plan.objective) == pytest.approx(case.optimum)


@pytest.mark.parametrize("compiled", [False, True])
@pytest.mark.parametrize("kerf_mm", [0.0, 2.0])
def test_slanted_pieces_that_would_interlock_are_not_called_impossible(
    kerf_mm: float, compiled: bool
) -> None:
    ring = ((0.0, 0.0), (100.0, 0.0), (0.0, 100.0))
    repairs = tuple(
        Repair(
            id=f"r{n}",
            outline_mm=ring,
            depth_mm=50.0,
            joints_mm=(0.0,),
            bed="horizontal",
            stone="s",
        )
        for n in range(2)
    )
    problem = Problem(
        repairs=repairs,
        blocks=(block("b", 10.5, 10.5),),
        params=replace(PLAIN, cut_mode="free", kerf_mm=kerf_mm),
    )
    plan = solve(problem, compiled=compiled, work_limit=1_000_000)
    assert verify(problem, plan) == []
    assert plan.bound == pytest.approx(0.0)  # both can be cut, long sides facing each other


@pytest.mark.parametrize(
    ("over_mm", "found"), [(0.0, False), (0.005, False), (0.05, True), (40.0, True)]
)
def test_overlap_in_free_cutting_is_checked_with_the_one_tolerance(
    over_mm: float, found: bool
) -> None:
    case = Plate(name="pair", source="", size=(20, 10), pieces=((9, 10, 2, 1),), optimum=2)
    problem = case.problem()
    problem = replace(problem, params=replace(problem.params, cut_mode="free"))
    plan = solve(problem)
    first, second = sorted(plan.placements, key=lambda p: p.x_mm)
    assert second.x_mm - first.x_mm >= 90.0
    moved = replace(plan, placements=(first, replace(second, x_mm=first.x_mm + 90.0 - over_mm)))
    assert ("kerf" in {v.rule for v in verify(problem, moved)}) is found
