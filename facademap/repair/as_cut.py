"""The outline of a cut-out from its sides and diagonals as taped, for outlines that width and height do not settle."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from shapely.geometry import Polygon

from facademap.repair.edges import ring_of
from facademap.repair.sizes import sizes_of

__all__ = ["outline_as_taped"]

#: Weight of the drawing where the tape says nothing: it only places the outline and fills what was not taped.
_DRAWN = 1e-4
_ROUNDS = 12


def outline_as_taped(
    outline: Polygon, *, sides_m: Mapping[str, float], diagonals_m: Sequence[float]
) -> tuple[Polygon, float]:
    """The outline whose sides and diagonals come nearest to those taped.

    Parameters
    ----------
    outline : Polygon
        As drawn.
    sides_m : mapping
        Lengths by the names of the edges.
    diagonals_m : sequence of float
        In the order of the ticket; fewer or none where they were not taped.

    Returns
    -------
    outline : Polygon
        Corner for corner as drawn; where it lies follows the drawing.
    error_m : float
        Greatest difference between a length taped and that of this outline: what the tape contradicts itself by.
    """
    start = ring_of(outline)
    sizes = sizes_of(outline)
    at = {c.letter: c.at for c in sizes.corners}
    pairs, wanted = [], []
    for side in sizes.sides:
        if side.name in sides_m:
            pairs.append([at[letter] for letter in side.between.split("–")])
            wanted.append(float(sides_m[side.name]))
    for (name, _), length in zip(sizes.diagonals, diagonals_m, strict=False):
        pairs.append([at[letter] for letter in name.split("–")])
        wanted.append(float(length))
    if not pairs:
        return outline, 0.0
    index, taped = np.array(pairs), np.array(wanted)
    corners = start.copy()
    count = len(start)
    for _ in range(_ROUNDS):
        step = corners[index[:, 1]] - corners[index[:, 0]]
        length = np.maximum(np.hypot(step[:, 0], step[:, 1]), 1e-9)
        jacobian = np.zeros((len(taped), count, 2))
        rows = np.arange(len(taped))
        jacobian[rows, index[:, 1]] += step / length[:, None]
        jacobian[rows, index[:, 0]] -= step / length[:, None]
        system = np.vstack([jacobian.reshape(len(taped), -1), _DRAWN * np.eye(2 * count)])
        right = np.concatenate([taped - length, _DRAWN * (start - corners).ravel()])
        corners = corners + np.linalg.lstsq(system, right, rcond=None)[0].reshape(-1, 2)
    step = corners[index[:, 1]] - corners[index[:, 0]]
    return Polygon(corners), float(np.abs(np.hypot(step[:, 0], step[:, 1]) - taped).max())
