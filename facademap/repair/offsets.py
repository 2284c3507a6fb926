"""Offset of an outline by its own amount at every edge, with sharp (mitred) corners."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from shapely.geometry import Polygon

from facademap.errors import GeometryError

__all__ = ["clean_ring", "offset_edges"]

#: Corners flatter than this are no corners (sine of the turn).
_STRAIGHT = 1e-9


def clean_ring(outline: Polygon, *, tolerance_m: float = 1e-7) -> np.ndarray:
    """Corners of an outline, counter-clockwise from the lowest left one, without repeats and straight points.

    Parameters
    ----------
    outline : Polygon
        Outline in metres; holes are not looked at.
    tolerance_m : float
        Points nearer to the line of their neighbours than this are left out.

    Returns
    -------
    ndarray of shape (n, 2)
        Corners in metres, the first not repeated.
    """
    ring = np.asarray(outline.exterior.coords)[:-1, :2]
    if not outline.exterior.is_ccw:
        ring = ring[::-1]
    keep = np.ones(len(ring), dtype=bool)
    while keep.sum() > 3:
        points = ring[keep]
        before, after = np.roll(points, 1, axis=0), np.roll(points, -1, axis=0)
        a, b, c = points - before, after - points, after - before
        turn = np.abs(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0])
        span = np.hypot(c[:, 0], c[:, 1])
        height = np.where(span > 0, turn / np.maximum(span, 1e-300), np.hypot(a[:, 0], a[:, 1]))
        flat = np.flatnonzero(height < tolerance_m)
        if not len(flat):
            break
        keep[np.flatnonzero(keep)[flat[0]]] = False
    ring = ring[keep]
    start = np.lexsort((ring[:, 0], np.round(ring[:, 1], 6)))[0]
    return np.roll(ring, -start, axis=0)


def offset_edges(
    ring: np.ndarray | Sequence[Sequence[float]], distances_m: Sequence[float]
) -> Polygon:
    """The outline with every edge moved inward by its own distance.

    Parameters
    ----------
    ring : array of shape (n, 2)
        Corners counter-clockwise, metres.
    distances_m : sequence of n floats
        Distance for edge i (corner i to i + 1); negative moves the edge outward.

    Returns
    -------
    Polygon
        Same number of corners, in the same order; each is where its two moved edges meet.

    Raises
    ------
    GeometryError
        The outline is smaller than its joints, or edges in one line are moved by different amounts.

    References
    ----------
    The meeting of two moved lines (elementary geometry).
    """
    points, distances = np.asarray(ring, dtype=float), np.asarray(distances_m, dtype=float)
    if len(points) != len(distances):
        raise GeometryError(
            f"{len(distances)} joints for {len(points)} edges", "Give one joint for every edge."
        )
    along = np.roll(points, -1, axis=0) - points
    length = np.hypot(along[:, 0], along[:, 1])
    if (length <= 0).any():
        raise GeometryError("the outline repeats a corner", "Remove the repeated corner.")
    along = along / length[:, None]
    inward = np.column_stack([-along[:, 1], along[:, 0]])
    level = (inward * points).sum(axis=1) + distances
    before, level_before = np.roll(inward, 1, axis=0), np.roll(level, 1)
    determinant = before[:, 0] * inward[:, 1] - before[:, 1] * inward[:, 0]
    straight = np.abs(determinant) < _STRAIGHT
    moved = points + inward * distances[:, None]
    if (straight & (np.abs(np.roll(distances, 1) - distances) > 1e-12)).any():
        raise GeometryError(
            "two edges in one line have different joints", "Give both the same joint."
        )
    safe = np.where(straight, 1.0, determinant)
    x = (level_before * inward[:, 1] - level * before[:, 1]) / safe
    y = (before[:, 0] * level - inward[:, 0] * level_before) / safe
    corners = np.where(straight[:, None], moved, np.column_stack([x, y]))
    new_along = np.roll(corners, -1, axis=0) - corners
    result = Polygon(corners)
    if ((new_along * along).sum(axis=1) <= 0).any() or not result.is_valid or result.area <= 0:
        raise GeometryError(
            "the outline is narrower than its joints",
            "Make the cut-out larger or the joints thinner.",
        )
    return result
