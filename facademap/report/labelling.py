"""Labels that do not lie on one another."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import shapely

__all__ = ["PlacedLabel", "place_labels"]


@dataclass(frozen=True, slots=True, kw_only=True)
class PlacedLabel:
    """A label and where it stands.

    Parameters
    ----------
    index : int
        Which of the labels given.
    x, y : float
        Centre.
    moved : bool
        Whether it stands aside and needs a leader to its anchor.
    """

    index: int
    x: float
    y: float
    moved: bool


class _Taken:
    """Boxes on a grid of cells, so that a test looks at a few neighbours only."""

    def __init__(self, cell: float) -> None:
        self.cell = cell
        self.cells: dict[tuple[int, int], list[tuple[float, float, float, float]]] = {}

    def _keys(self, box: tuple[float, float, float, float]) -> list[tuple[int, int]]:
        c = self.cell
        return [
            (i, j)
            for i in range(math.floor(box[0] / c), math.floor(box[2] / c) + 1)
            for j in range(math.floor(box[1] / c), math.floor(box[3] / c) + 1)
        ]

    def free(self, box: tuple[float, float, float, float]) -> bool:
        x0, y0, x1, y1 = box
        return not any(
            x0 < b[2] and b[0] < x1 and y0 < b[3] and b[1] < y1
            for key in self._keys(box)
            for b in self.cells.get(key, ())
        )

    def add(self, box: tuple[float, float, float, float]) -> None:
        for key in self._keys(box):
            self.cells.setdefault(key, []).append(box)


def place_labels(
    anchors: Sequence[tuple[float, float]],
    sizes: Sequence[tuple[float, float]],
    *,
    within: tuple[float, float, float, float],
    order: Sequence[int] | None = None,
    rings: int = 3,
    taken: Sequence[tuple[float, float, float, float]] = (),
    beside: Sequence[float] = (),
    keep_clear: shapely.STRtree | None = None,
) -> tuple[list[PlacedLabel], list[int]]:
    """Place labels one after another, each at its anchor or as near as there is room.

    Parameters
    ----------
    anchors : sequence of (x, y)
        Where the labels belong.
    sizes : sequence of (width, height)
    within : (x0, y0, x1, y1)
        Field that no label leaves.
    order : sequence of int, optional
        Most important first; as given when missing.
    rings : int
        How far a label may move, in its own heights times three.
    taken : sequence of boxes
        Places that stay free.
    beside : sequence of float, optional
        Half width of what must not be covered, label by label; 0 lets the label lie on its anchor.
    keep_clear : STRtree, optional
        Shapes on which no label lies.

    Returns
    -------
    placed : list of PlacedLabel
        No two of them overlap.
    left_out : list of int
        Labels that found no room.
    """
    occupied = _Taken(max(4.0, max((w for w, _ in sizes), default=4.0)))
    for box in taken:
        occupied.add(box)
    placed, left_out = [], []
    for i in order if order is not None else range(len(anchors)):
        (x, y), (w, h) = anchors[i], sizes[i]
        clear = beside[i] if beside else 0.0
        for k, (cx, cy) in enumerate(_candidates(x, y, w, h, rings, clear)):
            box = (cx - w / 2, cy - h / 2, cx + w / 2, cy + h / 2)
            if (
                box[0] >= within[0]
                and box[1] >= within[1]
                and box[2] <= within[2]
                and box[3] <= within[3]
                and occupied.free(box)
                and not _covers(box, keep_clear)
            ):
                occupied.add(box)
                placed.append(PlacedLabel(index=i, x=cx, y=cy, moved=k > (3 if clear else 4)))
                break
        else:
            left_out.append(i)
    return placed, left_out


def _covers(box: tuple[float, float, float, float], tree: shapely.STRtree | None) -> bool:
    return tree is not None and bool(len(tree.query(shapely.box(*box), predicate="intersects")))


def _candidates(
    x: float, y: float, w: float, h: float, rings: int, clear: float
) -> list[tuple[float, float]]:
    """At the anchor, just beside it, then on rings round it."""
    if clear:
        dx, dy = w / 2 + clear + 0.3, h / 2 + clear + 0.3
        found = [(x + dx, y), (x - dx, y), (x, y + dy), (x, y - dy)]
    else:
        found = [(x, y), (x, y + 0.6 * h), (x, y - 0.6 * h), (x + 0.4 * w, y), (x - 0.4 * w, y)]
    for ring in range(1, rings + 1):
        dx, dy = w / 2 + ring * 1.5 * h, 0.8 * h + ring * 1.2 * h
        found += [
            (x + dx, y),
            (x - dx, y),
            (x, y + dy),
            (x, y - dy),
            (x + dx, y + dy),
            (x - dx, y + dy),
            (x + dx, y - dy),
            (x - dx, y - dy),
        ]
    return found
