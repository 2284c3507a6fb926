"""The matching beside one constraint program for the whole problem (OR-Tools CP-SAT), same problems, same processor seconds, one run.

``python benchmarks/match_cpsat.py [SEEDS [SECONDS [REPAIRS BLOCKS]]]`` with one thread each.

The constraint program chooses blocks, faces, slabs, turns and places together. Two things make its task easier: it is given
the pairs of repair and face that pass our filters, and it need not saw its plan: pieces must lie a kerf apart in x or in y, but
no end-to-end cuts have to part them, so that a plan of it may be one that no saw can cut. Its objective is then compared all
the same. One thing makes it harder: places are whole millimetres, and slanted edges of faces and flaws are stairs of
``STEP_MM``. Building its model is not counted.
"""

from __future__ import annotations

import itertools
import math
import sys
import threading
import time
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import shapely
from match_instances import random_yard
from ortools.sat.python import cp_model

from facademap.io.match_files import problem_from_json
from facademap.match import (
    Face,
    Placement,
    Problem,
    Slabs,
    Solution,
    Unmatched,
    recount_objective,
    solve,
    verify,
)
from facademap.match.candidates import Candidates, find_candidates, need_mm
from facademap.match.freespace import FreeSpace, turns_allowed
from facademap.match.layouts import Layouts
from facademap.match.outlines import turned
from facademap.match.start import cheapest_pieces, greedy_plan

__all__ = ["Rival", "solve_as_one_program"]

STEP_MM = 5
#: Costs are whole numbers in the program.
SCALE = 1000


@dataclass(frozen=True, slots=True, kw_only=True)
class Rival:
    """What the constraint program reached; no objective when it found no plan."""

    objective: float
    bound: float
    proved: bool
    can_be_sawn: bool


def _obstacles(face: Face) -> list[tuple[float, int, int, int, int]]:
    """What is no sound stone in the box of a face: depth reached and x, y, width, height in whole millimetres, side by side."""
    outline = shapely.Polygon(face.outline_mm)
    _, _, wide, high = outline.bounds
    deep = np.zeros((math.ceil(high / STEP_MM), math.ceil(wide)))
    around = shapely.box(*outline.bounds)
    for area, depth in (
        (around.difference(outline), math.inf),
        *(
            (shapely.Polygon(f.outline_mm).intersection(around), f.depth_mm or math.inf)
            for f in face.flaws
        ),
    ):
        for row in range(len(deep)):
            for part in shapely.get_parts(
                area.intersection(shapely.box(0, row * STEP_MM, wide, (row + 1) * STEP_MM))
            ):
                if part.area > 0.0:
                    here = deep[row, math.floor(part.bounds[0]) : math.ceil(part.bounds[2])]
                    np.maximum(here, depth, out=here)
    boxes = []
    for row, depths in enumerate(deep):
        ends = [0, *(np.flatnonzero(depths[1:] != depths[:-1]) + 1), len(depths)]
        boxes += [
            (float(depths[x0]), int(x0), row * STEP_MM, int(x1 - x0), STEP_MM)
            for x0, x1 in itertools.pairwise(ends)
            if depths[x0] > 0.0
        ]
    return boxes


def _rectangles(outline: tuple[tuple[float, float], ...]) -> list[tuple[int, int, int, int]]:
    """Boxes side by side that make up a rectilinear blank."""
    polygon = shapely.Polygon(outline)
    ys = sorted({round(y) for _, y in outline})
    boxes = []
    for low, high in itertools.pairwise(ys):
        x0, _, x1, _ = polygon.intersection(
            shapely.box(*polygon.bounds[:1], low, polygon.bounds[2], high)
        ).bounds
        boxes.append((round(x0), low, round(x1 - x0), high - low))
    return boxes


@dataclass(slots=True)
class _Slab:
    """What lies on one slab: intervals of the blanks with their kerf, and of blanks and obstacles."""

    kerf_x: list[Any] = field(default_factory=list)
    kerf_y: list[Any] = field(default_factory=list)
    stone_x: list[Any] = field(default_factory=list)
    stone_y: list[Any] = field(default_factory=list)
    room: list[Any] = field(default_factory=list)


def solve_as_one_program(problem: Problem, *, limit_s: float) -> Rival:
    """Solve with CP-SAT, one worker."""
    model = cp_model.CpModel()
    params = problem.params
    space = FreeSpace(problem, compiled=True)
    layouts = Layouts(space)
    candidates = find_candidates(problem, space, fits_alone=layouts.fits_alone)
    kerf, depth_kerf = round(params.kerf_mm), round(params.depth_kerf_mm)
    cost: list[Any] = []
    chosen: list[list[Any]] = [[] for _ in problem.repairs]
    places: list[tuple[Any, int, int, int, int, int, Any, Any]] = []
    opened: dict[tuple[int, int], Any] = {}
    thickness: dict[tuple[int, int], list[Any]] = {}
    for (b, f), users in candidates.users().items():
        face = problem.blocks[b].faces[f]
        width, height = (round(v) for v in shapely.Polygon(face.outline_mm).bounds[2:])
        work = opened[b, f] = model.new_bool_var("")
        cost.append(round(SCALE * candidates.opening[b, f]) * work)
        most = min(
            params.max_slabs, int((face.depth_mm + depth_kerf) // (params.min_slab_mm + depth_kerf))
        )
        used = [model.new_bool_var("") for _ in range(most)]
        thick = [model.new_int_var(0, int(face.depth_mm), "") for _ in range(most)]
        thickness[b, f] = thick
        for k in range(most):
            model.add_implication(used[k], used[k - 1] if k else work)
            model.add(thick[k] >= round(params.min_slab_mm)).only_enforce_if(used[k])
            model.add(thick[k] == 0).only_enforce_if(~used[k])
        model.add(sum(thick) + depth_kerf * (sum(used) - 1) <= int(face.depth_mm)).only_enforce_if(
            work
        )
        slabs = [_Slab() for _ in range(most)]
        unsound = _obstacles(face)
        for k, slab in enumerate(slabs):
            reached = {}
            for depth in sorted({d for d, *_ in unsound}):
                reached[depth] = model.new_bool_var("")
                if k == 0 or depth == math.inf:
                    model.add(reached[depth] == 1)
                else:
                    model.add(sum(thick[:k]) + k * depth_kerf >= math.ceil(depth)).only_enforce_if(
                        ~reached[depth]
                    )
            for depth, x, y, w, h in unsound:
                slab.stone_x.append(
                    model.new_optional_fixed_size_interval_var(x, w, reached[depth], "")
                )
                slab.stone_y.append(
                    model.new_optional_fixed_size_interval_var(y, h, reached[depth], "")
                )
        for i in users:
            repair, blank = problem.repairs[i], space.blanks[i]
            shapes: dict[
                frozenset[tuple[float, float]],
                tuple[int, list[tuple[int, int, int, int]], int, int],
            ] = {}
            for turn in turns_allowed(repair, face):
                outline = turned(
                    blank.outline_mm, turn, width_mm=blank.width_mm, height_mm=blank.height_mm
                )
                w, h = (round(blank.width_mm), round(blank.height_mm))[
                    :: 1 if turn % 180 == 0 else -1
                ]
                if w <= width and h <= height:
                    shapes.setdefault(frozenset(outline), (turn, _rectangles(outline), w, h))
            x, y = model.new_int_var(0, width, ""), model.new_int_var(0, height, "")
            for k in range(1 if repair.weathered == "required" else most):
                for turn, boxes, w, h in shapes.values():
                    here = model.new_bool_var("")
                    chosen[i].append(here)
                    cost.append(round(SCALE * candidates.pairs[i][b, f][0 if k == 0 else 1]) * here)
                    model.add_implication(here, used[k])
                    model.add(
                        thick[k] >= math.ceil(need_mm(repair, face, params, slab=k))
                    ).only_enforce_if(here)
                    model.add(x <= width - w).only_enforce_if(here)
                    model.add(y <= height - h).only_enforce_if(here)
                    slabs[k].room.append((w + kerf) * (h + kerf) * here)
                    places.append((here, i, b, f, k, turn, x, y))
                    slabs[k].kerf_x.append(
                        model.new_optional_fixed_size_interval_var(x, w + kerf, here, "")
                    )
                    slabs[k].kerf_y.append(
                        model.new_optional_fixed_size_interval_var(y, h + kerf, here, "")
                    )
                    for bx, by, bw, bh in boxes:
                        slabs[k].stone_x.append(
                            model.new_optional_fixed_size_interval_var(x + bx, bw, here, "")
                        )
                        slabs[k].stone_y.append(
                            model.new_optional_fixed_size_interval_var(y + by, bh, here, "")
                        )
        for slab in slabs:
            model.add(sum(slab.room) <= (width + kerf) * (height + kerf))
            model.add_no_overlap_2d(slab.kerf_x, slab.kerf_y)
            model.add_no_overlap_2d(slab.stone_x, slab.stone_y)
    for b in range(len(problem.blocks)):
        model.add_at_most_one(work for (block, _), work in opened.items() if block == b)
    for i, repair in enumerate(problem.repairs):
        left = model.new_bool_var("")
        model.add_exactly_one([*chosen[i], left])
        cost.append(round(SCALE * params.unmatched_penalty * repair.priority) * left)
    model.minimize(sum(cost))
    _hint(model, problem, layouts, candidates, places)
    solver = cp_model.CpSolver()
    solver.parameters.num_workers = 1
    # with its usual long preparation it finds no plan at all in ten seconds
    solver.parameters.symmetry_level = 0
    solver.parameters.cp_model_probing_level = 0
    solver.parameters.max_presolve_iterations = 1
    done = threading.Event()
    watch = threading.Thread(target=_stop_after, args=(solver, time.process_time() + limit_s, done))
    watch.start()
    status = solver.solve(model)
    done.set()
    watch.join()
    if status in (cp_model.INFEASIBLE, cp_model.MODEL_INVALID):
        raise SystemExit(
            "the constraint program has no plan, though to leave everything unmatched is one"
        )
    if status == cp_model.UNKNOWN:
        return Rival(
            objective=math.inf,
            bound=solver.best_objective_bound / SCALE,
            proved=False,
            can_be_sawn=False,
        )
    lies = [p for p in places if solver.value(p[0])]
    placements = tuple(
        Placement(
            repair_id=problem.repairs[i].id,
            block_id=problem.blocks[b].id,
            face_id=problem.blocks[b].faces[f].id,
            slab=k,
            x_mm=float(solver.value(x)),
            y_mm=float(solver.value(y)),
            rot_deg=turn,
        )
        for _, i, b, f, k, turn, x, y in lies
    )
    sawn = {
        problem.blocks[b].id: Slabs(
            face_id=problem.blocks[b].faces[f].id,
            thickness_mm=tuple(float(solver.value(t)) for t in thickness[b, f] if solver.value(t)),
        )
        for b, f in {(p[2], p[3]) for p in lies}
    }
    out = {p[1] for p in lies}
    unmatched = tuple(
        Unmatched(
            repair_id=r.id, reason=candidates.reasons[i] or "capacity", source_mm=(1e4, 1e4, 1e4)
        )
        for i, r in enumerate(problem.repairs)
        if i not in out
    )
    plan = Solution(
        status="feasible",
        objective=0.0,
        bound=0.0,
        gap=0.0,
        seconds=0.0,
        seed=0,
        ended_by="time",
        placements=placements,
        unmatched=unmatched,
        slabs=sawn,
    )
    objective = recount_objective(problem, plan)
    faults = {v.rule for v in verify(problem, plan)} - {"objective", "gap", "bound"}
    if faults - {"sawing"}:
        raise SystemExit(f"the constraint program breaks {faults}")
    return Rival(
        objective=objective,
        bound=solver.best_objective_bound / SCALE,
        proved=status == cp_model.OPTIMAL,
        can_be_sawn="sawing" not in faults,
    )


def _stop_after(solver: cp_model.CpSolver, until_s: float, done: threading.Event) -> None:
    """End the search when this process has used its seconds of processor; a busy machine then favours nobody."""
    while not done.wait(0.05):
        if time.process_time() >= until_s:
            solver.stop_search()


def _hint(
    model: cp_model.CpModel,
    problem: Problem,
    layouts: Layouts,
    candidates: Candidates,
    places: list[Any],
) -> None:
    """Let the program begin where our own search does: with the greedy plan."""
    penalties = [problem.params.unmatched_penalty * r.priority for r in problem.repairs]
    plan = greedy_plan(layouts, candidates, penalties=penalties, fixed={}, stop=lambda: False)
    lies = {}
    for (b, f), group in plan.items():
        layout = cheapest_pieces(layouts, candidates, b, f, group)[1]
        if layout is not None:
            lies |= {(i, b, f, k): (x, y) for i, k, x, y, _ in layout.places}
    hinted = set()
    for here, i, b, f, k, _, x, y in places:
        model.add_hint(here, (i, b, f, k) in lies and (i, k) not in hinted)
        if (i, b, f, k) in lies and (i, k) not in hinted:
            hinted.add((i, k))
            model.add_hint(x, round(lies[i, b, f, k][0]))
            model.add_hint(y, round(lies[i, b, f, k][1]))


@dataclass(slots=True)
class _Tally:
    """How often which was better."""

    better: int = 0
    equal: int = 0
    worse: int = 0
    lost: int = 0
    bound: int = 0
    proved: int = 0
    proved_by_program: int = 0

    def count(self, plan: Solution, rival: Rival) -> None:
        near = 1e-6 * max(1.0, plan.objective)
        self.better += plan.objective < rival.objective - near
        self.equal += abs(plan.objective - rival.objective) <= near
        self.worse += plan.objective > rival.objective + near
        self.lost += plan.objective > rival.objective + near and rival.can_be_sawn
        self.bound += plan.bound >= rival.bound - near
        self.proved += plan.status == "optimal"
        self.proved_by_program += rival.proved

    def __str__(self) -> str:
        return (
            f"our plan better {self.better}, equal {self.equal}, worse {self.worse} (of these can be sawn {self.lost}); our "
            f"bound as high or higher {self.bound}; proved best ours {self.proved}, program {self.proved_by_program}"
        )


def main() -> None:
    """Print one line a problem and the sums."""
    numbers = [float(v) for v in sys.argv[1:]]
    seeds, limit_s = int(numbers[0]) if numbers else 10, numbers[1] if len(numbers) > 1 else 10.0
    n, m = (int(numbers[2]), int(numbers[3])) if len(numbers) > 3 else (50, 40)
    solve(
        problem_from_json(random_yard(12, 8, seed=0)), compiled=True
    )  # the compiled code is loaded before the clock runs
    print(
        "seed  stock  plan      bound     proved  s      program   bound     proved  can be sawn",
        flush=True,
    )
    tallies = {stock: _Tally() for stock in ("loose", "tight")}
    for seed, (stock, tally) in itertools.product(range(seeds), tallies.items()):
        problem = problem_from_json(random_yard(n, m, seed=seed, tight=stock == "tight"))
        began = time.process_time()
        plan = solve(problem, time_limit_s=limit_s, threads=1, clock=time.process_time)
        seconds = time.process_time() - began
        rival = solve_as_one_program(problem, limit_s=limit_s)
        tally.count(plan, rival)
        print(
            f"{seed:<5d} {stock}  {plan.objective:<9.2f} {plan.bound:<9.2f} {'yes' if plan.status == 'optimal' else 'no':<7s} "
            f"{seconds:<6.1f} {rival.objective:<9.2f} {rival.bound:<9.2f} {'yes' if rival.proved else 'no':<7s} "
            f"{'yes' if rival.can_be_sawn else 'no'}",
            flush=True,
        )
    for stock, tally in tallies.items():
        print(f"{n}x{m} {stock}, {limit_s:g} s: {tally}")


if __name__ == "__main__":
    main()
