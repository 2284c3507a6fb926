"""Blanks on one slab when the saw may turn: no straight cut has to part them, only a kerf of stone."""

from __future__ import annotations

import math
from typing import TypeAlias

import numpy as np
import numpy.typing as npt

from facademap.match.freespace import FreeSpace
from facademap.match.kernels.values import Face, Outline
from facademap.match.problem import TOLERANCE_MM

__all__ = ["lay_freely"]

Floats: TypeAlias = npt.NDArray[np.float64]
Box: TypeAlias = tuple[float, ...]
_STEP_MM = 0.02
_NEAR_MM = 1e-6
#: Room left between blanks beyond the kerf, so that rounding brings no two of them too close.
_AIR_MM = 1e-6


class _Search:
    """Depth-first search over orders and over positions pushed left and down."""

    def __init__(
        self,
        space: FreeSpace,
        rows: list[Floats],
        kerf_mm: float,
        *,
        round_corners: bool,
        most: int,
    ) -> None:
        self.space, self.rows, self.kerf, self.round, self.left = (
            space,
            rows,
            kerf_mm,
            round_corners,
            most,
        )
        #: Boxes of the parts of every blank and choice, in full size, with the blank at the origin.
        self.own: list[list[list[Box]]] = [
            [[tuple(b) for b in space.parts[int(c[4]) : int(c[5]), 9:13].tolist()] for c in choices]
            for choices in rows
        ]
        self.placed: list[tuple[int, int, float, float, list[Box]]] = []
        self.seen: set[tuple[tuple[int, int, float, float], ...]] = set()

    def parts(self, item: int, row: int, x: float, y: float) -> list[Box]:
        """Boxes of the parts of a blank at a place."""
        return [(x0 + x, y0 + y, x1 + x, y1 + y) for x0, y0, x1, y1 in self.own[item][row]]

    def apart(self, item: int, row: int, x: float, y: float, *, slack_mm: float = 0.0) -> bool:
        """Whether a blank at a place is a kerf from those placed."""
        least = self.kerf - slack_mm
        mine = self.parts(item, row, x, y)
        for *_, others in self.placed:
            for ox0, oy0, ox1, oy1 in others:
                for x0, y0, x1, y1 in mine:
                    dx, dy = max(ox0 - x1, x0 - ox1), max(oy0 - y1, y0 - oy1)
                    if dx >= least or dy >= least:
                        continue
                    if not self.round or dx <= 0.0 or dy <= 0.0 or math.hypot(dx, dy) < least:
                        return False
        return True

    def free(self, item: int, row: int, x: float, y: float) -> bool:
        """Whether a blank may lie at a place beside those placed."""
        if not self.apart(item, row, x, y):
            return False
        choice = self.rows[item][row]
        self.left -= 1
        space = self.space
        return bool(
            space.kernels.clear_at(
                Outline(space.parts, space.planes, int(choice[4]), int(choice[5])),
                Face(space.segments[int(choice[6]) : int(choice[7])], int(choice[8])),
                x,
                y,
            )
        )

    def places(self, item: int, row: int) -> list[tuple[float, float]]:
        """Positions of a blank that can move neither left nor down."""
        choice = self.rows[item][row]
        edges = self.space.edges[int(choice[0]) : int(choice[1])]
        if choice[9] == 0.0:  # a locked place, perhaps rounded
            return [
                (x, y)
                for x, y in edges[:, :2].tolist()
                if self.apart(item, row, x, y, slack_mm=TOLERANCE_MM / 2.0)
            ]
        own = self.own[item][row]
        xs = {round(float(v), 7) for v in edges[:, (0, 2)].ravel()}
        ys = {round(float(v), 7) for v in edges[:, (1, 3)].ravel()}
        for *_, other in self.placed:
            xs |= {round(o[2] + self.kerf + _AIR_MM - m[0], 7) for o in other for m in own}
            ys |= {round(o[3] + self.kerf + _AIR_MM - m[1], 7) for o in other for m in own}
        points = {(x, y) for x in xs for y in ys}
        for ax, ay, bx, by in edges:
            if abs(ax - bx) < _NEAR_MM or abs(ay - by) < _NEAR_MM:
                continue
            points |= {
                (x, round(float(ay + (x - ax) / (bx - ax) * (by - ay)), 7))
                for x in xs
                if min(ax, bx) <= x <= max(ax, bx)
            }
            points |= {
                (round(float(ax + (y - ay) / (by - ay) * (bx - ax)), 7), y)
                for y in ys
                if min(ay, by) <= y <= max(ay, by)
            }
        return [
            (x, y)
            for x, y in sorted(points)
            if self.free(item, row, x, y)
            and not self.free(item, row, x - _STEP_MM, y)
            and not self.free(item, row, x, y - _STEP_MM)
        ]

    def run(self, left: frozenset[int]) -> bool:
        """Place the rest; True when all lie."""
        if not left:
            return True
        state = tuple(sorted((i, r, x, y) for i, r, x, y, _ in self.placed))
        if state in self.seen or self.left <= 0:
            return False
        self.seen.add(state)
        for item in sorted(left):
            for row in range(len(self.rows[item])):
                for x, y in self.places(item, row):
                    self.placed.append((item, row, x, y, self.parts(item, row, x, y)))
                    if self.run(left - {item}):
                        return True
                    self.placed.pop()
        return False


def lay_freely(
    space: FreeSpace, rows: list[Floats], *, kerf_mm: float, most_checks: int
) -> tuple[bool | None, list[tuple[float, float, int]]]:
    """Lay blanks at least a kerf apart.

    Parameters
    ----------
    rows : list of ndarray
        Choices of every blank.
    kerf_mm : float
        Least distance (Euclidean).
    most_checks : int
        Effort.

    Returns
    -------
    answer, places
        True with x, y and choice of each; False when it is proved impossible (even with kerf / sqrt(2)
        along one axis, which every Euclidean kerf leaves); None when undecided.

    Notes
    -----
    Parts with slanted edges are kept apart by their boxes: what is found is sound, but that nothing is
    found then proves nothing.
    """
    everything = frozenset(range(len(rows)))
    search = _Search(space, rows, kerf_mm, round_corners=True, most=most_checks)
    if search.run(everything):
        found = {i: (x, y, r) for i, r, x, y, _ in search.placed}
        return True, [found[i] for i in range(len(rows))]
    if search.left <= 0 or not all(
        _made_of_boxes(space, row) for choices in rows for row in choices
    ):
        return None, []
    search = _Search(space, rows, kerf_mm / math.sqrt(2.0), round_corners=False, most=most_checks)
    if search.run(everything) or search.left <= 0:
        return None, []
    return False, []


def _made_of_boxes(space: FreeSpace, choice: Floats) -> bool:
    """Whether all parts of a blank are rectangles that stand upright."""
    parts = space.parts[int(choice[4]) : int(choice[5])]
    normals = space.planes[int(parts[0, 6]) : int(parts[-1, 7]), :2]
    return bool((np.abs(normals).min(axis=1) < _NEAR_MM).all())
