"""Straight cuts that part the blanks on a slab, in the order they are sawn, and what is left over."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

__all__ = ["Box", "SawCut", "SawSequence", "sequence_cuts"]

Box = tuple[float, float, float, float]
_EPS = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True)
class SawCut:
    """One straight cut, end to end of the part that is being cut.

    Parameters
    ----------
    number : int
        Order, from 1.
    axis : {'x', 'y'}
        ``x``: an upright cut at a distance from the left; ``y``: a level cut at a distance from below.
    at_m : float
        Edge of the kerf next to the finished part; the kerf lies on the side ``side``.
    side : {-1, 1}
        Side of the kerf: -1 towards smaller, 1 towards larger coordinates.
    start_m, stop_m : float
        Ends along the other axis.
    """

    number: int
    axis: Literal["x", "y"]
    at_m: float
    side: int
    start_m: float
    stop_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SawSequence:
    """Cuts of one slab, remainders as boxes, and the blanks that straight cuts cannot part."""

    cuts: tuple[SawCut, ...]
    remainders: tuple[Box, ...]
    unparted: tuple[str, ...] = ()


@dataclass
class _Run:
    kerf_m: float
    least_m: float
    cuts: list[SawCut] = field(default_factory=list)
    remainders: list[Box] = field(default_factory=list)
    unparted: list[str] = field(default_factory=list)


def sequence_cuts(
    blanks: Sequence[tuple[str, Box]], area: Box, *, kerf_m: float, least_remainder_m: float = 0.08
) -> SawSequence:
    """Cuts for a slab.

    Parameters
    ----------
    blanks : sequence of (name, (x0, y0, x1, y1))
        Boxes of the blanks in metres of the face.
    area : (x0, y0, x1, y1)
        Box of the sound face.
    kerf_m : float
        Width that the blade takes away.
    least_remainder_m : float
        Smaller leftovers are waste and not listed.

    Notes
    -----
    The part is halved where a straight line keeps clear of every blank, the widest gap first; then each
    blank is freed of what surrounds it, the larger leftover first, so that remainders stay whole.
    """
    run = _Run(kerf_m=kerf_m, least_m=least_remainder_m)
    _part(list(blanks), area, run)
    kept = sorted(run.remainders, key=lambda b: (-(b[2] - b[0]) * (b[3] - b[1]), b))
    return SawSequence(cuts=tuple(run.cuts), remainders=tuple(kept), unparted=tuple(run.unparted))


def _cut(run: _Run, axis: Literal["x", "y"], at: float, side: int, area: Box) -> None:
    start, stop = (area[1], area[3]) if axis == "x" else (area[0], area[2])
    run.cuts.append(
        SawCut(number=len(run.cuts) + 1, axis=axis, at_m=at, side=side, start_m=start, stop_m=stop)
    )


def _keep(run: _Run, box: Box) -> None:
    if min(box[2] - box[0], box[3] - box[1]) >= run.least_m - _EPS:
        run.remainders.append(box)


def _part(blanks: list[tuple[str, Box]], area: Box, run: _Run) -> None:
    if not blanks:
        _keep(run, area)
        return
    if len(blanks) == 1:
        _free(blanks[0][1], area, run)
        return
    best: tuple[float, int, float, list[tuple[str, Box]], list[tuple[str, Box]]] | None = None
    for axis in (0, 1):
        order = sorted(blanks, key=lambda b: (b[1][axis], b[1][axis + 2]))
        reach = order[0][1][axis + 2]
        for k in range(1, len(order)):
            gap = order[k][1][axis] - reach
            if gap >= run.kerf_m - 1e-5 and (best is None or gap > best[0] + _EPS):
                best = (gap, axis, reach, order[:k], order[k:])
            reach = max(reach, order[k][1][axis + 2])
    if best is None:
        run.unparted.extend(name for name, _ in blanks)
        return
    _, axis, reach, first, second = best
    _cut(run, "x" if axis == 0 else "y", reach, 1, area)
    low, high = list(area), list(area)
    low[axis + 2] = reach
    high[axis] = reach + run.kerf_m
    _part(first, (low[0], low[1], low[2], low[3]), run)
    _part(second, (high[0], high[1], high[2], high[3]), run)


def _free(box: Box, area: Box, run: _Run) -> None:
    """Cut away what lies round one blank, the larger leftover first."""
    while True:
        sides = [
            (box[0] - area[0], 0),
            (box[1] - area[1], 1),
            (area[2] - box[2], 2),
            (area[3] - box[3], 3),
        ]
        spare = [
            ((area[3] - area[1] if k % 2 == 0 else area[2] - area[0]) * width, k)
            for width, k in sides
            if width > 1e-4
        ]
        if not spare:
            return
        _, k = max(spare)
        axis: Literal["x", "y"] = "x" if k % 2 == 0 else "y"
        _cut(run, axis, box[k], -1 if k < 2 else 1, area)
        left, rest = list(area), list(area)
        left[(k + 2) % 4] = box[k] + (-run.kerf_m if k < 2 else run.kerf_m)
        rest[k] = box[k]
        _keep(run, (left[0], left[1], left[2], left[3]))
        area = (rest[0], rest[1], rest[2], rest[3])
