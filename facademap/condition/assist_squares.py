"""Squared stones round a click: four straight sides that the picture supports.

A joint shows as a thin line or as a step of colour that runs straight over the whole side of a stone; grain, tooling
and stains do not. Sides are looked for among the strongest level and upright lines near the click, all rectangles of
them are compared, and the best is fitted to the picture side by side, so that it may lean a little.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray

from facademap.values import frozen_value
from facademap.wall.mending import mend

__all__ = ["Square", "agreed", "on_stone", "square_at", "straight_edges"]

Floats = NDArray[Any]

#: Lines kept on each side of the click.
_LINES = 9
#: Strength, in units of the view's own grain, at which half a line is taken as seen.
_HALF_SEEN = 6.5
_LEAN_PX = 2
_SMALLEST_PX = 10
#: Weight of a line that crosses the rectangle from side to side against the weight of its own sides.
_CROSSED = 0.4
#: Mean of the four weaker ends of sides, of eight, that counts as well seen.
_CORNER_SEEN = 0.55
#: Colour difference over one pixel that counts as the arris at a joint.
_ARRIS_STEP = 2.0
#: Share of two squares above which views agree, what agreement is worth, and how much a farther view is trusted.
_SAME, _SHARED, _NEARER = 0.8, 0.25, 0.93


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class Square:
    """Four corners (x, y), clockwise from the upper left, and how well the sides are seen, 0 to 1."""

    corners_px: Floats
    score: float


def straight_edges(lab: Floats) -> tuple[Floats, Floats]:
    """Strength of level and of upright edges and thin lines, in units of the grain of the view.

    Parameters
    ----------
    lab : ndarray of float32, shape (rows, columns, 3)
        Smoothed colours.
    """
    return _level_edges(lab), np.ascontiguousarray(
        _level_edges(np.ascontiguousarray(lab.transpose(1, 0, 2))).T
    )


def _level_edges(lab: Floats, *, along_px: int = 15) -> Floats:
    """Derivatives down the picture, summed with their sign along the row: grain cancels out, a joint does not."""
    run = cv2.blur(lab, (along_px, 1))
    step = np.linalg.norm(
        cv2.filter2D(run, cv2.CV_32F, np.array([[-1], [-1], [0], [1], [1]], np.float32) / 2), axis=2
    )
    ridge = np.linalg.norm(
        cv2.filter2D(
            run, cv2.CV_32F, np.array([[-1], [-1], [0.7], [2.6], [0.7], [-1], [-1]], np.float32) / 4
        ),
        axis=2,
    )
    found = np.maximum(step / _grain(step), ridge / _grain(ridge))
    return np.asarray(found, np.float32)


def _grain(values: Floats) -> float:
    return max(float(np.median(values)), 0.25)


def square_at(edges: tuple[Floats, Floats], seed: tuple[int, int]) -> Square | None:
    """The squared stone round a pixel, or None.

    Parameters
    ----------
    edges : from :func:`straight_edges`
    seed : (row, column)
    """
    level, upright = edges
    above, below, level_sum = _lines(level, seed[0], seed[1])
    left, right, upright_sum = _lines(np.ascontiguousarray(upright.T), seed[1], seed[0])
    if not (len(above) and len(below) and len(left) and len(right)):
        return None
    t, b, le, r = np.meshgrid(above, below, left, right, indexing="ij")
    wide, high = np.maximum(r - le, 1), np.maximum(b - t, 1)
    sides = np.stack(
        [
            (level_sum[t, r] - level_sum[t, le]) / wide,
            (level_sum[b, r] - level_sum[b, le]) / wide,
            (upright_sum[le, b] - upright_sum[le, t]) / high,
            (upright_sum[r, b] - upright_sum[r, t]) / high,
        ]
    )
    crossed = np.maximum(
        _crossing(above, below, level_sum, left, right),
        _crossing(left, right, upright_sum, above, below).transpose(2, 3, 0, 1),
    )
    score = 0.55 * sides.min(axis=0) + 0.45 * sides.mean(axis=0) - _CROSSED * crossed
    score[(r - le < _SMALLEST_PX) | (b - t < _SMALLEST_PX)] = -1.0
    best = np.unravel_index(int(np.argmax(score)), score.shape)
    if score[best] <= 0:
        return None
    corners = _fitted(edges, int(t[best]), int(b[best]), int(le[best]), int(r[best]))
    return Square(corners_px=corners, score=float(score[best]) * _cornered(edges, corners))


def agreed(squares: Sequence[Square]) -> Square:
    """The square that scores best together with those that cover the same place; the first, nearer views lead.

    Parameters
    ----------
    squares : sequence of Square
        From near to far, all in pixels of one picture; at least one.
    """
    shapes = [mend(shapely.Polygon(square.corners_px), name="a square") for square in squares]
    totals = []
    for i, one in enumerate(squares):
        same = [
            shapes[i].intersection(other).area / max(shapes[i].union(other).area, 1e-9)
            for other in shapes
        ]
        shared = sum(other.score for k, other in enumerate(squares) if k != i and same[k] > _SAME)
        totals.append(one.score * _NEARER**i + _SHARED * shared)
    best = int(np.argmax(totals))
    return squares[best]


def on_stone(lab: Floats, corners: Floats, *, most_px: float) -> Floats:
    """Corners with each side moved inwards from the middle of its joint to the arris of the stone.

    Parameters
    ----------
    lab : ndarray of float32, shape (rows, columns, 3)
        Colours of a near view.
    corners : ndarray, shape (4, 2)
        In pixels of it, clockwise from the upper left.
    most_px : float
        Half the widest joint looked for.
    """
    share = np.linspace(0.08, 0.92, 60)
    middle = corners.mean(axis=0)
    moved = []
    reach = np.arange(-1.0, most_px + 0.01, 0.5)
    for k in range(4):
        start, end = corners[k], corners[(k + 1) % 4]
        along = (end - start) / max(float(np.linalg.norm(end - start)), 1e-9)
        inward = np.array([-along[1], along[0]])
        inward = inward if (middle - start) @ inward > 0 else -inward
        places = (start + share[:, None] * (end - start))[None] + reach[:, None, None] * inward
        colour = cv2.remap(
            lab,
            places[..., 0].astype(np.float32),
            places[..., 1].astype(np.float32),
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        ).mean(axis=1)
        step = np.linalg.norm(colour[2:] - colour[:-2], axis=1)
        strongest = int(np.argmax(step))
        go = float(reach[strongest + 1]) if step[strongest] > _ARRIS_STEP else 0.0
        moved.append((start + go * inward, along))
    return np.array([_crossing_of(moved[k - 1], moved[k]) for k in range(4)])


def _crossing_of(one: tuple[Floats, Floats], other: tuple[Floats, Floats]) -> Floats:
    """Where two lines, each a point and a direction, cross."""
    way = np.linalg.solve(np.column_stack([one[1], -other[1]]), other[0] - one[0])
    return np.asarray(one[0] + way[0] * one[1])


def _lines(
    strength: Floats, row: int, column: int
) -> tuple[NDArray[np.intp], NDArray[np.intp], Floats]:
    """Rows of the strongest lines before and after the click, and running sums of how far each row is seen."""
    wide = cv2.dilate(strength, np.ones((2 * _LEAN_PX + 1, 1), np.uint8))
    seen = wide**2 / (wide**2 + _HALF_SEEN**2)
    sums = np.concatenate([np.zeros((len(seen), 1), np.float32), np.cumsum(seen, axis=1)], axis=1)
    thin = strength**2 / (strength**2 + _HALF_SEEN**2)
    profile = np.zeros(len(strength))
    for reach in (12, 30, 70):
        part = thin[:, max(0, column - reach) : column + reach + 1].mean(axis=1)
        profile = np.maximum(profile, cv2.GaussianBlur(part[:, None], (1, 5), 0)[:, 0])
    peaks = np.flatnonzero((profile[1:-1] >= profile[:-2]) & (profile[1:-1] > profile[2:])) + 1
    peaks = peaks[(peaks > 2) & (peaks < len(profile) - 3)]

    def strongest(chosen: NDArray[np.intp]) -> NDArray[np.intp]:
        return np.sort(chosen[np.argsort(-profile[chosen])[:_LINES]])

    return strongest(peaks[peaks < row - 2]), strongest(peaks[peaks > row + 2]), sums


def _crossing(
    first: NDArray[np.intp],
    last: NDArray[np.intp],
    sums: Floats,
    start: NDArray[np.intp],
    end: NDArray[np.intp],
) -> Floats:
    """How far the strongest line between each two lines is seen over each span; shape (first, last, start, end)."""
    lines = np.concatenate([first, last])
    span = np.maximum(end[None, :] - start[:, None], 1)
    seen = (sums[lines][:, end][:, None, :] - sums[lines][:, start][:, :, None]) / span
    found = np.zeros((len(first), len(last), len(start), len(end)))
    for i, low in enumerate(first):
        for j, high in enumerate(last):
            inside = (lines > low + 4) & (lines < high - 4)
            if inside.any():
                found[i, j] = seen[inside].max(axis=0)
    return found


def _fitted(edges: tuple[Floats, Floats], top: int, bottom: int, left: int, right: int) -> Floats:
    """Corners where the four sides cross after each was moved and leaned to its best place."""
    level, upright = edges
    rows = [_leaned(level, at, left, right) for at in (top, bottom)]
    columns = [_leaned(np.ascontiguousarray(upright.T), at, top, bottom) for at in (left, right)]

    def corner(row: tuple[float, float], column: tuple[float, float]) -> tuple[float, float]:
        y = (row[0] + row[1] * column[0]) / (1 - row[1] * column[1])
        return column[0] + column[1] * y, y

    return np.array(
        [
            corner(rows[0], columns[0]),
            corner(rows[0], columns[1]),
            corner(rows[1], columns[1]),
            corner(rows[1], columns[0]),
        ]
    )


def _cornered(edges: tuple[Floats, Floats], corners: Floats) -> float:
    """How well the sides are seen up to the corners, 0 to 1: those of a coin or a stain fade towards them."""
    level, upright = edges
    ends: list[float] = []
    for k in range(4):
        share = np.concatenate([np.linspace(0.02, 0.16, 8), np.linspace(0.84, 0.98, 8)])
        places = corners[k] + share[:, None] * (corners[(k + 1) % 4] - corners[k])
        strength = upright if k % 2 else level
        across = np.array([[1.0, 0.0]]) if k % 2 else np.array([[0.0, 1.0]])
        at = np.stack([places + move * across for move in (-1.0, 0.0, 1.0)]).astype(np.float32)
        value = cv2.remap(
            strength, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
        ).max(axis=0)
        seen = value**2 / (value**2 + _HALF_SEEN**2)
        ends += [float(seen[:8].mean()), float(seen[8:].mean())]
    ends.sort()
    return min(1.0, sum(ends[:4]) / 4 / _CORNER_SEEN)


def _leaned(
    strength: Floats, at: int, start: int, end: int, *, reach_px: int = 5
) -> tuple[float, float]:
    """Line ``row = a + b * column`` through the most strength near a row; returns (a, b)."""
    column = np.linspace(start + 0.08 * (end - start), end - 0.08 * (end - start), 40)
    moves = np.arange(-reach_px, reach_px + 0.1, 0.5)
    one, two = np.meshgrid(moves, moves, indexing="ij")
    share = (column - start) / max(end - start, 1)
    rows = at + one[..., None] * (1 - share) + two[..., None] * share
    places = np.broadcast_to(column, rows.shape)
    value = cv2.remap(
        strength,
        places.reshape(len(moves), -1).astype(np.float32),
        rows.reshape(len(moves), -1).astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    ).reshape(rows.shape)
    total = (
        np.minimum(value, 12.0).mean(axis=2) - 0.02 * (abs(one) + abs(two)) - 0.03 * abs(one - two)
    )
    i, j = np.unravel_index(int(np.argmax(total)), total.shape)
    slope = (moves[j] - moves[i]) / max(end - start, 1)
    return float(at + moves[i] - slope * start), float(slope)
