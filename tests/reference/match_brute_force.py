"""Brute force for tiny matching problems of rectangles in whole millimetres; knows nothing of the solver.

Positions are normal (pushed left and down against the face, a flaw or another blank), which loses no plan.
"""

from __future__ import annotations

import functools
import itertools
import math
from typing import Any

import numpy as np

from facademap.photo.lab import difference_ciede2000

__all__ = ["best_objective", "best_ordered_objective"]


def _blank(repair: dict[str, Any], params: dict[str, Any]) -> tuple[int, int]:
    xs, ys = [p[0] for p in repair["poly"]], [p[1] for p in repair["poly"]]
    grow = 2 * (params["trim"] - repair["joint"])
    return max(xs) + grow, max(ys) + grow


def _turns(repair: dict[str, Any], face: dict[str, Any]) -> tuple[int, ...]:
    if face["bed"] in ("parallel", "unknown") and repair["bed"] != "any":
        return ()
    if face["bed"] != "x" or repair["bed"] == "any":
        return (0, 90)
    return (0,) if repair["bed"] == "horizontal" else (90,)


def _room(
    size: tuple[int, int],
    flaws: list[tuple[int, int, int, int]],
    kerf: int,
    pieces: list[list[tuple[int, int]]],
    guillotine: bool,
) -> bool:
    """Whether blanks (each with its possible sizes) fit a rectangle beside its flaws."""

    def ends(axis: int) -> list[int]:
        starts = {0} | {f[axis + 2] for f in flaws}
        for sizes in pieces:
            starts |= {
                s + wh[axis] + kerf
                for s in starts
                for wh in sizes
                if s + wh[axis] + kerf < size[axis]
            }
        return sorted(starts)

    xs, ys = ends(0), ends(1)

    def clear(x: int, y: int, w: int, h: int) -> bool:
        return all(x + w <= f[0] or x >= f[2] or y + h <= f[1] or y >= f[3] for f in flaws)

    @functools.cache
    def single(n: int, x0: int, y0: int, x1: int, y1: int) -> bool:
        return any(
            clear(x, y, w, h)
            for w, h in pieces[n]
            for x in xs
            if x0 <= x <= x1 - w
            for y in ys
            if y0 <= y <= y1 - h
        )

    @functools.cache
    def sawn(group: tuple[int, ...], x0: int, y0: int, x1: int, y1: int) -> bool:
        if not group:
            return True
        if any(not single(n, x0, y0, x1, y1) for n in group):
            return False
        if len(group) == 1:
            return True
        for r in range(1, len(group)):
            for first in itertools.combinations(group, r):
                rest = tuple(n for n in group if n not in first)
                if any(
                    sawn(first, x0, y0, c - kerf, y1) and sawn(rest, c, y0, x1, y1)
                    for c in xs
                    if x0 < c < x1
                ):
                    return True
                if any(
                    sawn(first, x0, y0, x1, c - kerf) and sawn(rest, x0, c, x1, y1)
                    for c in ys
                    if y0 < c < y1
                ):
                    return True
        return False

    everything = tuple(range(len(pieces)))
    if guillotine or len(pieces) < 2:
        return sawn(everything, 0, 0, *size)

    def place(left: tuple[int, ...], placed: list[tuple[int, int, int, int]]) -> bool:
        if not left:
            return True
        n = left[0]
        for w, h in pieces[n]:
            for x in xs:
                for y in ys:
                    if x + w > size[0] or y + h > size[1] or not clear(x, y, w, h):
                        continue
                    if all(
                        math.hypot(max(0, a - x - w, x - c), max(0, b - y - h, y - d)) >= kerf
                        for a, b, c, d in placed
                    ) and place(left[1:], [*placed, (x, y, x + w, y + h)]):
                        return True
        return False

    return sawn(everything, 0, 0, *size) or place(everything, [])


def _holds(
    params: dict[str, Any],
    block: dict[str, Any],
    face: dict[str, Any],
    group: list[tuple[dict[str, Any], bool]],
) -> bool:
    """Whether a face can yield pieces; a piece marked True must come from slab 0."""
    kerf, dk, least = params["kerf"], params["depth_kerf"], params["min_slab"]
    size = (face["poly"][2][0], face["poly"][2][1])
    needs = (
        {r["depth"] + params["depth_allow"] for r, _ in group}
        | {r["depth"] for r, _ in group}
        | {least}
    )
    behind = [f["depth"] for f in face["flaws"] if f["depth"] is not None]
    for count in range(1, params["max_slabs"] + 1):
        spans: list[tuple[int, ...]] = [()]
        for _ in range(count):
            spans = [
                (*s, t)
                for s in spans
                for t in sorted(
                    needs | {d - dk - sum(s) - dk * len(s) for d in behind} | {face["depth"]}
                    if count == 1
                    else needs | {d - dk - sum(s) - dk * len(s) for d in behind}
                )
                if t >= least
            ]
        for span in spans:
            if sum(span) + dk * (count - 1) > face["depth"]:
                continue
            for where in itertools.product(range(count), repeat=len(group)):
                good = True
                for (repair, must), k in zip(group, where, strict=True):
                    keeps = repair["weathered"] == "required"
                    if (must or keeps) and k:
                        good = False
                    if keeps and not face["weathered"]:
                        good = False
                    if repair["depth"] + (0 if keeps else params["depth_allow"]) > span[k]:
                        good = False
                if not good:
                    continue
                for k in range(count):
                    start = sum(span[:k]) + dk * k
                    flaws = [
                        (f["poly"][0][0], f["poly"][0][1], f["poly"][2][0], f["poly"][2][1])
                        for f in face["flaws"]
                        if f["depth"] is None or f["depth"] > start
                    ]
                    pieces = []
                    for (repair, _), slab in zip(group, where, strict=True):
                        if slab == k:
                            w, h = _blank(repair, params)
                            pieces.append(
                                sorted({(w, h) if t == 0 else (h, w) for t in _turns(repair, face)})
                            )
                    if not _room(size, flaws, kerf, pieces, params["cut_mode"] == "guillotine"):
                        good = False
                        break
                if good:
                    return True
    return False


def _cost(
    params: dict[str, Any],
    repair: dict[str, Any],
    block: dict[str, Any],
    face: dict[str, Any],
    front: bool,
) -> float:
    colour = float(difference_ciede2000(np.array(repair["lab"]), np.array(block["lab"])))
    unlike = repair["finish"] is not None and not (front and face["finish"] == repair["finish"])
    return repair["priority"] * (
        colour
        + params["spread_weight"] * block["spread"]
        + params["finish_penalty"] * unlike
        + block.get("provenance", 0.0)
    )


def _area(face: dict[str, Any]) -> int:
    """Whole square millimetres of a rectangle less its flaws that go right through, counted cell by cell."""
    w, h = face["poly"][2]
    sound = np.ones((h, w), dtype=bool)
    for flaw in face["flaws"]:
        if flaw["depth"] is None:
            (x0, y0), (x1, y1) = flaw["poly"][0], flaw["poly"][2]
            sound[max(y0, 0) : max(y1, 0), max(x0, 0) : max(x1, 0)] = False
    return int(sound.sum())


def _params(problem: dict[str, Any]) -> dict[str, Any]:
    return {
        "kerf": 5,
        "trim": 3,
        "depth_kerf": 8,
        "depth_allow": 5,
        "min_slab": 40,
        "cut_mode": "guillotine",
        "max_slabs": 3,
        "unmatched_penalty": 1000,
        "spread_weight": 0.25,
        "finish_penalty": 1.5,
        "open_per_dm3": 0.05,
        "handle_per_kg": 0.01,
        **problem["params"],
    }


def _options(problem: dict[str, Any], block: dict[str, Any]) -> dict[frozenset[int], float]:
    """Every set of repairs that a block can serve, with its least cost."""
    params, repairs = _params(problem), problem["repairs"]
    options: dict[frozenset[int], float] = {}
    for face in block["faces"]:
        able = [
            i
            for i, r in enumerate(repairs)
            if (
                r["de_tol"] is None
                or float(difference_ciede2000(np.array(r["lab"]), np.array(block["lab"])))
                <= r["de_tol"]
            )
            and _turns(r, face)
            and r["stone"] == block["stone"]
        ]
        opening = (
            params["open_per_dm3"] * _area(face) * face["depth"] / 1e6
            + params["handle_per_kg"] * block["weight_kg"]
        )
        dead: list[frozenset[tuple[int, bool]]] = []
        for size in range(1, len(able) + 1):
            for group in itertools.combinations(able, size):
                for front in itertools.product((False, True), repeat=size):
                    tagged = frozenset(zip(group, front, strict=True))
                    if any(d <= tagged for d in dead):
                        continue
                    if not _holds(
                        params,
                        block,
                        face,
                        [(repairs[i], f) for i, f in zip(group, front, strict=True)],
                    ):
                        dead.append(tagged)
                        continue
                    cost = opening + sum(
                        _cost(params, repairs[i], block, face, f)
                        for i, f in zip(group, front, strict=True)
                    )
                    key = frozenset(group)
                    options[key] = min(cost, options.get(key, math.inf))
    return options


def best_objective(problem: dict[str, Any]) -> float:
    """The best objective, by looking at everything."""
    params, repairs = _params(problem), problem["repairs"]
    best = {frozenset(): 0.0}
    for block in problem["blocks"]:
        options = _options(problem, block)
        new = dict(best)
        for have, cost in best.items():
            for group, more in options.items():
                if not have & group:
                    new[have | group] = min(cost + more, new.get(have | group, math.inf))
        best = new
    return min(
        cost
        + params["unmatched_penalty"]
        * sum(r["priority"] for i, r in enumerate(repairs) if i not in have)
        for have, cost in best.items()
    )


def best_ordered_objective(problem: dict[str, Any], donors: dict[str, str]) -> float:
    """The best objective of the plans that can be worked in some order, by trying every plan.

    A stone out of the wall (block id to the repair that yields it) is there once its repair has its piece.
    """
    params, repairs = _params(problem), problem["repairs"]
    number = {r["id"]: i for i, r in enumerate(repairs)}
    plans: list[tuple[dict[int, str], float]] = [({}, 0.0)]
    for block in problem["blocks"]:
        options = _options(problem, block)
        plans += [
            ({**have, **dict.fromkeys(group, block["id"])}, cost + more)
            for have, cost in plans
            for group, more in options.items()
            if not have.keys() & group
        ]

    def can_be_worked(plan: dict[int, str]) -> bool:
        done: set[int] = set()
        while len(done) < len(plan):
            ready = {
                i
                for i, b in plan.items()
                if i not in done and (b not in donors or number[donors[b]] in done)
            }
            if not ready:
                return False
            done |= ready
        return True

    return min(
        cost
        + params["unmatched_penalty"]
        * sum(r["priority"] for i, r in enumerate(repairs) if i not in plan)
        for plan, cost in plans
        if can_be_worked(plan)
    )
