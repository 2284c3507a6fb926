"""All sizes of an outline that a mason sets out and measures by: sides, diagonals, and where every corner lies."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from shapely import contains_xy
from shapely.geometry import Polygon

from facademap.repair.edges import edge_names, named_order, ring_of

__all__ = ["Corner", "Side", "Sizes", "inside_of", "sizes_of", "skew_of"]

#: An outline whose corners lie this near to those of its box is a rectangle to a mason's square.
SQUARE_M = 5e-5


@dataclass(frozen=True, slots=True, kw_only=True)
class Corner:
    """A corner by its letter: how far right of the left end and up from the lowest point of the outline."""

    letter: str
    right_m: float
    up_m: float
    at: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Side:
    """A side by the name of its edge, between two corners."""

    name: str
    between: str
    length_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Sizes:
    """Sizes of one outline.

    Parameters
    ----------
    corners : tuple of Corner
        A is the corner nearest to the upper left, then clockwise as seen from outside.
    sides : tuple of Side
        In the order of speaking.
    diagonals : tuple of (str, float)
        Both of four corners; from A to every corner that is not beside it where there are more.
    width_m, height_m : float
        Of the box round it.
    rectangle : bool
        Whether width and height say everything.
    """

    corners: tuple[Corner, ...]
    sides: tuple[Side, ...]
    diagonals: tuple[tuple[str, float], ...]
    width_m: float
    height_m: float
    rectangle: bool


def sizes_of(outline: Polygon) -> Sizes:
    """The sizes of an outline.

    Examples
    --------
    >>> from shapely.geometry import box
    >>> s = sizes_of(box(0, 0, 0.4, 0.3))
    >>> [(c.letter, c.right_m, c.up_m) for c in s.corners][:2], s.diagonals[0], s.rectangle
    ([('A', 0.0, 0.3), ('B', 0.4, 0.3)], ('A–C', 0.5), True)
    """
    ring = ring_of(outline)
    names = edge_names(ring)
    after = np.roll(ring, -1, axis=0)
    ccw = float((ring[:, 0] * after[:, 1] - after[:, 0] * ring[:, 1]).sum()) >= 0
    u0, v0, u1, v1 = outline.bounds
    count = len(ring)
    first = int(np.argmin(np.hypot(ring[:, 0] - u0, ring[:, 1] - v1)))
    order = [(first + (-k if ccw else k)) % count for k in range(count)]
    letters = {i: chr(65 + k) if k < 26 else f"A{k - 25}" for k, i in enumerate(order)}
    corners = tuple(
        Corner(
            letter=letters[i],
            right_m=float(ring[i, 0] - u0),
            up_m=float(ring[i, 1] - v0),
            at=i,
        )
        for i in order
    )
    sides = tuple(
        Side(
            name=names[i],
            between="–".join(sorted((letters[i], letters[(i + 1) % count]))),
            length_m=float(math.dist(ring[i], after[i])),
        )
        for i in named_order(names)
    )
    pairs = [(0, 2), (1, 3)] if count == 4 else [(0, k) for k in range(2, count - 1)]
    diagonals = tuple(
        (
            f"{corners[a].letter}–{corners[b].letter}",
            float(math.dist(ring[order[a]], ring[order[b]])),
        )
        for a, b in pairs
    )
    box_corners = np.array([[u0, v1], [u1, v1], [u1, v0], [u0, v0]])
    rectangle = count == 4 and bool(np.abs(ring[order] - box_corners).max() <= SQUARE_M)
    return Sizes(
        corners=corners,
        sides=sides,
        diagonals=diagonals,
        width_m=u1 - u0,
        height_m=v1 - v0,
        rectangle=rectangle,
    )


def skew_of(diagonals_m: Sequence[float], outline: Polygon | None) -> float:
    """How far diagonals as taped are from those of the outline drawn.

    Two diagonals are compared with one another, less the difference that the drawing has, so that a rectangle a little
    too large is still square; those of an outline with more corners are compared one by one.
    """
    drawn = [d for _, d in sizes_of(outline).diagonals] if outline is not None else []
    if len(drawn) != len(diagonals_m):
        return max(diagonals_m) - min(diagonals_m)
    if len(drawn) == 2:
        return abs((diagonals_m[0] - diagonals_m[1]) - (drawn[0] - drawn[1]))
    return max(abs(a - b) for a, b in zip(diagonals_m, drawn, strict=True))


def inside_of(outline: Polygon, corner: Corner) -> tuple[int, int]:
    """Which way the stone lies at a corner, -1 or 1 to the right and up: where its letter is written."""
    u0, v0, u1, v1 = outline.bounds
    u, v = ring_of(outline)[corner.at]
    reach = 0.02 * min(u1 - u0, v1 - v0)
    right, up = (1 if u < (u0 + u1) / 2 else -1), (1 if v < (v0 + v1) / 2 else -1)
    ways = [(a * right, b * up) for a, b in ((1, 1), (-1, 1), (1, -1), (-1, -1))]
    return next(
        (w for w in ways if contains_xy(outline, u + w[0] * reach, v + w[1] * reach)), ways[0]
    )
