"""Cutting problems from the literature, written as walls and blocks."""

from __future__ import annotations

import pytest

from facademap.match import Block, Face, Params, Problem, Repair, solve, verify

#: Instance cgcut1 of the OR-Library: Christofides & Whitlock (1977), An algorithm for two-dimensional
#: cutting problems, Operations Research 25. Plate 15 by 10; length, width, number wanted, value of the
#: pieces from memory. The optimum with straight cuts, 244, as read in published tables of results.
CGCUT1 = ((8, 4, 2, 66), (3, 7, 1, 35), (8, 2, 3, 24), (3, 4, 5, 17), (3, 3, 2, 11), (3, 2, 2, 8), (2, 1, 1, 2))
CGCUT1_OPTIMUM = 244


def _plate(pieces: tuple[tuple[int, int, int, int], ...], wide: int, high: int) -> Problem:
    def ring(w: int, h: int) -> tuple[tuple[float, float], ...]:
        return ((0.0, 0.0), (10.0 * w, 0.0), (10.0 * w, 10.0 * h), (0.0, 10.0 * h))

    repairs = tuple(
        Repair(id=f"{n}.{k}", outline_mm=ring(w, h), depth_mm=50.0, joints_mm=(0.0,), bed="horizontal", stone="s",
               priority=float(value))
        for n, (w, h, wanted, value) in enumerate(pieces) for k in range(wanted)
    )
    face = Face(id="f", outline_mm=ring(wide, high), depth_mm=50.0, bed="x")
    params = Params(kerf_mm=0.0, trim_mm=0.0, depth_kerf_mm=0.0, depth_allow_mm=0.0, min_slab_mm=10.0, max_slabs=1,
                    open_per_dm3=0.0, handle_per_kg=0.0)
    block = Block(id="plate", stone="s", lab=(70.0, 0.0, 10.0), faces=(face,), weight_kg=0.0)
    return Problem(repairs=repairs, blocks=(block,), params=params)


def test_constrained_guillotine_cutting_reaches_the_published_optimum() -> None:
    problem = _plate(CGCUT1, 15, 10)
    plan = solve(problem, work_limit=200_000, compiled=True)
    assert verify(problem, plan) == []
    everything = sum(wanted * value for *_, wanted, value in CGCUT1)
    penalty = problem.params.unmatched_penalty
    assert everything - plan.objective / penalty == pytest.approx(CGCUT1_OPTIMUM)
    assert everything - plan.bound / penalty >= CGCUT1_OPTIMUM
