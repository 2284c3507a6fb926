"""Names of the edges of an outline, the same on every paper: top, right, bottom, left, then as drawn."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import shapely

from facademap.errors import InputError

__all__ = ["SIDES", "by_name", "edge_names", "from_named", "named_order", "ring_of"]

#: The order in which edges are named, read out and typed.
SIDES = ("top", "right", "bottom", "left")
#: Edges of one side whose places differ by less than this lie in one line: the longer one is named first.
_LEVEL_M = 1e-6


def ring_of(outline: Any) -> np.ndarray:
    """Corners of an outline as drawn, the first not repeated; shape (n, 2), metres."""
    return np.asarray(shapely.get_coordinates(outline.exterior), dtype=float)[:-1]


def edge_names(ring: np.ndarray | Sequence[Sequence[float]]) -> tuple[str, ...]:
    """Name of every edge (corner i to i + 1) of an outline seen from outside.

    Parameters
    ----------
    ring : array of shape (n, 2)
        Corners in metres, either way round.

    Returns
    -------
    tuple of str
        Each edge is named after the side that it looks to. Where several look to one side, the outermost bears the
        plain name and the others are numbered as drawn: ``top``, ``top 2``. The names do not depend on the corner at
        which the outline starts, but for the numbers beyond two.

    Examples
    --------
    >>> edge_names([(0, 0), (3, 0), (3, 2), (0, 2)])
    ('bottom', 'right', 'top', 'left')
    """
    points = np.asarray(ring, dtype=float)
    after = np.roll(points, -1, axis=0)
    area2 = float((points[:, 0] * after[:, 1] - after[:, 0] * points[:, 1]).sum())
    along = after - points
    out = np.column_stack([along[:, 1], -along[:, 0]]) * (1.0 if area2 >= 0 else -1.0)
    middle, length = (points + after) / 2, np.hypot(along[:, 0], along[:, 1])
    sideways = np.abs(out[:, 0]) >= np.abs(out[:, 1])
    names = [""] * len(points)
    for side in SIDES:
        axis, sign = (
            (0 if side in ("right", "left") else 1),
            (1 if side in ("top", "right") else -1),
        )
        mine = [
            i for i in range(len(points)) if sideways[i] == (axis == 0) and sign * out[i, axis] > 0
        ]
        if not mine:
            continue
        farthest = max(sign * middle[i, axis] for i in mine)
        level = [i for i in mine if sign * middle[i, axis] > farthest - _LEVEL_M]
        first = max(level, key=lambda i: (round(float(length[i]), 9), -i))
        names[first] = side
        for number, i in enumerate([i for i in mine if i != first], start=2):
            names[i] = f"{side} {number}"
    return tuple(n or f"edge {i + 1}" for i, n in enumerate(names))


def named_order(names: Sequence[str]) -> tuple[int, ...]:
    """Places of the edges in the order of speaking: top, right, bottom, left, then the others as drawn."""
    first = [names.index(s) for s in SIDES if s in names]
    return (*first, *(i for i in range(len(names)) if i not in first))


def by_name(ring: np.ndarray, values: Sequence[Any]) -> dict[str, Any]:
    """Values of the edges under their names, in the order of speaking."""
    names = edge_names(ring)
    return {names[i]: values[i] for i in named_order(names)}


def from_named(
    values: Mapping[str, Any] | Sequence[Any], *, ring: np.ndarray, kinds: Sequence[str], what: str
) -> dict[str, Any]:
    """Values typed for the edges, under their names.

    Parameters
    ----------
    values : mapping or sequence
        By name, or in the order of speaking; exposed edges have no joint and are left out, or given as 0.
    ring : array of shape (n, 2)
        Corners of the cut-out.
    kinds : sequence of str
        Kind of each edge.
    what : str
        Named in errors.

    Raises
    ------
    InputError
        A value too many or too few, or a name that the outline does not have.
    """
    names = edge_names(ring)
    order = [names[i] for i in named_order(names)]
    filled = [n for n in order if kinds[names.index(n)] != "exposed"]
    if isinstance(values, Mapping):
        given = {str(k): v for k, v in values.items() if str(k) in filled or _is_given(v)}
        wrong, missing = [k for k in given if k not in order], [n for n in filled if n not in given]
        if wrong or missing:
            raise InputError(
                f"{what}: {'no edge is named ' + ', '.join(wrong) if wrong else 'no value for ' + ', '.join(missing)}",
                f"Give one value for each edge with a joint: {', '.join(filled)}.",
            )
        return {n: given[n] for n in filled}
    if len(values) not in (len(order), len(filled)):
        raise InputError(
            f"{what}: {len(values)} values for {len(filled)} edges with a joint",
            f"Give them in this order: {', '.join(filled)}.",
        )
    return {
        n: v
        for n, v in zip(order if len(values) == len(order) else filled, values, strict=True)
        if n in filled
    }


def _is_given(value: Any) -> bool:
    return value not in (None, 0, 0.0, "")
