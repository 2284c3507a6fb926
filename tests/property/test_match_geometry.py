"""The exact answers of the kernels against shapely, on random faces with flaws."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest
import shapely

sys.path.insert(0, str(Path(__file__).parents[2] / "benchmarks"))

from match_instances import random_yard, small_problem

from facademap.io.match_files import problem_from_json
from facademap.match import solve, verify
from facademap.match.freespace import FreeSpace
from facademap.match.layouts import Layouts


def _free_positions(problem, i: int, face) -> shapely.Geometry:  # type: ignore[no-untyped-def]
    """Positions of a rectangle from Minkowski sums by shapely: nothing of the kernels is used."""
    space = FreeSpace(problem, compiled=False)
    w, h = space.blanks[i].width_mm - 0.006, space.blanks[i].height_mm - 0.006
    outline = shapely.Polygon(face.outline_mm)
    x0, y0, x1, y1 = outline.bounds
    free = (
        shapely.box(x0 - 0.01, y0 - 0.01, x1 - w + 0.01, y1 - h + 0.01)
        if x1 - w > x0 and y1 - h > y0
        else shapely.Polygon()
    )
    for ring in [face.outline_mm, *(f.outline_mm for f in face.flaws)]:
        for (ax, ay), (bx, by) in zip(ring, (*ring[1:], ring[0]), strict=True):
            swept = shapely.MultiPoint(
                [
                    (x - dx, y - dy)
                    for x, y in ((ax, ay), (bx, by))
                    for dx in (0, w)
                    for dy in (0, h)
                ]
            )
            free = free.difference(swept.convex_hull)
    parts = [g for g in getattr(free, "geoms", [free]) if not g.is_empty]
    solid = outline
    for flaw in face.flaws:
        solid = solid.difference(shapely.Polygon(flaw.outline_mm))
    good = []
    for g in parts:
        p = g.representative_point()
        if solid.buffer(0.02).covers(shapely.box(p.x, p.y, p.x + w, p.y + h)):
            good.append(g)
    return shapely.union_all(good)


@pytest.mark.parametrize("seed", range(3))
def test_fit_and_leftmost_place_agree_with_shapely(seed: int) -> None:
    problem = problem_from_json(random_yard(6, 6, seed=seed, slabs=False))
    space = FreeSpace(problem, compiled=False)
    compared = 0
    for b, block in enumerate(problem.blocks):
        face = block.faces[0]
        level = tuple(range(len(face.flaws)))
        for i, repair in enumerate(problem.repairs):
            if len(repair.outline_mm) != 4:
                continue
            rows = space.choices(i, b, 0, level)
            upright = [r for r in rows if r[10] == 0]
            if (repair.bed == "edge" and face.bed == "x") or face.bed == "parallel":
                continue
            free = _free_positions(problem, i, face)
            assert bool(upright) == (free.area > 1e-3)
            if upright:
                edges = space.edges[int(upright[0][0]) : int(upright[0][1])]
                assert min(edges[:, 0].min(), edges[:, 2].min()) == pytest.approx(
                    free.bounds[0], abs=0.02
                )
                assert max(edges[:, 1].max(), edges[:, 3].max()) == pytest.approx(
                    free.bounds[3], abs=0.02
                )
            compared += 1
    assert compared > 5


@pytest.mark.parametrize("seed", range(15))
def test_every_small_plan_passes_the_independent_check(seed: int) -> None:
    problem = problem_from_json(small_problem(1000 + seed, cut_mode="guillotine"))
    assert verify(problem, solve(problem)) == []


@pytest.mark.parametrize("seed", range(5))
def test_more_stone_is_never_worse(seed: int) -> None:
    given = small_problem(300 + seed, cut_mode="guillotine")
    whole = solve(problem_from_json(given))
    if len(given["blocks"]) > 1:
        fewer = solve(problem_from_json({**given, "blocks": given["blocks"][:-1]}))
        assert whole.objective <= fewer.objective + 1e-6


def test_what_holds_a_set_holds_every_part_of_it() -> None:
    problem = problem_from_json(random_yard(8, 3, seed=5, slabs=True))
    layouts = Layouts(FreeSpace(problem, compiled=False))
    rng = np.random.default_rng(1)
    seen = 0
    for _ in range(40):
        group = tuple((int(i), False) for i in sorted(rng.choice(8, 3, replace=False)))
        if layouts.find(0, 0, group)[0] == "yes":
            seen += 1
            for n in range(3):
                assert layouts.find(0, 0, group[:n] + group[n + 1 :])[0] == "yes"
    assert seen > 0
