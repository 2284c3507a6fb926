"""A crack or a joint followed between clicks along the picture.

Thin lines are looked for by long narrow means in many directions, compared with those on both sides: a line is darker than
either, a step, as at an arris, than one only, so that a hair crack stands out from grain and from arrises. Broad ones are
looked for, where the clicks are on one, in a coarser view. The cheapest path between the clicks is then found; lines
much stronger than the one that was clicked, and straight joints that it was not clicked on, are no short cuts. Last, a
second cheapest path close to the first follows the crest of the line, kinks and all.

References
----------
.. [1] W. Freeman, E. Adelson, "The design and use of steerable filters", IEEE Trans. Pattern Analysis and Machine
   Intelligence 13(9), 1991.
.. [2] E. Mortensen, W. Barrett, "Intelligent scissors for image composition", SIGGRAPH 1995: lines as cheapest paths.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from skimage.graph import MCP_Geometric

from facademap.errors import InputError

__all__ = ["follow_line"]

Floats = NDArray[Any]

#: Directions of the means, their half length and their spread across and along, pixels.
_DIRECTIONS, _HALF_PX, _ACROSS_PX, _ALONG_PX = 12, 8, 0.7, 3.2
#: How far to the sides a line is compared, pixels, and the share of the weaker side in its strength: that of a hair
#: crack is lost in the grain.
_BESIDE_PX, _WEAKER_SIDE, _WEAKER_SIDE_FINE = 2.3, 0.7, 0.3
#: Pixels of the window in which a line is looked for, and of the map on which the path is searched.
_MOST_PX, _SEARCHED_PX = 1_000_000, 250_000
#: A click may lie this far beside the line, pixels of the picture.
SNAP_PX = 6
#: Length over which a joint runs straight, pixels of the window.
_JOINT_RUN_PX = 45
_LEAST_COST = 0.08
#: Cracks are dark, most of them: share of the strength of bright lines at the clicks that is enough for a dark one.
_DARK_FIRST = 0.5
#: Share of the strength at the clicks at which a line costs half, and the limits of that strength.
_HALF_COST, _WEAKEST, _STRONGEST = 0.45, 1.2, 6.0
#: Cost of a line this many times as strong as the one clicked, and of a straight joint from this share of it.
_OVER, _OVER_FROM, _JOINT, _JOINT_FROM = 0.3, 1.7, 0.6, 0.25
#: Broad lines: how many times as broad as fine ones, the length of their means, and their share of the strength of
#: finer ones at the clicks from which on they are looked for.
_BROAD, _BROAD_ALONG_PX, _BROAD_FROM = 4, 2.5, 1.0
#: Breadth of the corridor about the first path, reach of a crest, and the least cost on it; pixels of a fine line.
_CORRIDOR_PX, _CREST_PX, _CREST_LEAST = 7.0, 4, 0.06


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Lines:
    """Strength of dark and of bright lines, and of straight level or upright ones, in units of the grain.

    ``broad``: whether the line that was clicked is a broad one.
    """

    dark: Floats
    bright: Floats
    joint: Floats
    broad: bool


def follow_line(rgb: NDArray[Any], points_px: Sequence[tuple[float, float]]) -> Floats:
    """The crack or joint that leads through clicks in their order.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (rows, columns, 3)
    points_px : sequence of (x, y)
        Two places or more along the line; each may lie a few pixels beside it.

    Returns
    -------
    ndarray, shape (n, 2)
        Path (x, y) that starts and ends at the line nearest to the first and last click.

    Raises
    ------
    InputError
        Fewer than two places, or one outside the picture.
    """
    if len(points_px) < 2:
        raise InputError("a line needs two places", "Click at least at its start and its end.")
    rows, columns = rgb.shape[:2]
    for x, y in points_px:
        if not (0 <= x < columns and 0 <= y < rows):
            raise InputError(
                f"the place ({x:g}, {y:g}) lies outside the picture of {columns} x {rows} px",
                "Click inside the picture.",
            )
    clicks = np.array(points_px, dtype=float)
    margin = 50 + 0.3 * float(np.ptp(clicks, axis=0).max())
    left, top = np.maximum(clicks.min(axis=0) - margin, 0).astype(int)
    right, bottom = (clicks.max(axis=0) + margin).astype(int) + 1
    part = _lightness(rgb[top:bottom, left:right])
    scale = min(1.0, float(np.sqrt(_MOST_PX / part.size)))
    small = (
        part
        if scale == 1.0
        else cv2.resize(part, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    )
    places, snap_px = (clicks - [left, top] + 0.5) * scale - 0.5, max(2.0, SNAP_PX * scale)
    lines = _lines(small, places, snap_px=snap_px)
    path, is_dark = _path(lines, places, snap_px=snap_px)
    path = _crested(lines.dark if is_dark else lines.bright, path, broad=2 if lines.broad else 1)
    return np.asarray((path + 0.5) / scale - 0.5 + np.array([left, top], dtype=float))


def _lightness(rgb: NDArray[Any]) -> Floats:
    """CIELAB L, 0 to 100."""
    lab = cv2.cvtColor(np.ascontiguousarray(rgb), cv2.COLOR_RGB2LAB)
    return np.asarray(lab[..., 0].astype(np.float32) * (100.0 / 255.0))


@cache
def _means(along_px: float) -> tuple[tuple[Floats, Floats], ...]:
    """Means along a line and narrow across it, for each direction, and the step that leads beside the line, (x, y)."""
    y, x = np.mgrid[-_HALF_PX : _HALF_PX + 1, -_HALF_PX : _HALF_PX + 1].astype(np.float64)
    found = []
    for angle in np.arange(_DIRECTIONS) * np.pi / _DIRECTIONS:
        along, across = (
            x * np.cos(angle) + y * np.sin(angle),
            -x * np.sin(angle) + y * np.cos(angle),
        )
        shape = np.exp(-0.5 * (along / along_px) ** 2 - 0.5 * (across / _ACROSS_PX) ** 2)
        found.append(
            (
                (shape / shape.sum()).astype(np.float32),
                _BESIDE_PX * np.array([-np.sin(angle), np.cos(angle)]),
            )
        )
    return tuple(found)


def _lines(lightness: Floats, clicks: Floats, *, snap_px: float) -> _Lines:
    dark, bright, grain = (np.zeros_like(lightness) for _ in range(3))
    finer, broad = 0.0, False
    for scale in (1, 2, _BROAD):
        if min(lightness.shape) < 3 * _HALF_PX * scale:
            continue
        most, least, total = _answers(lightness, scale)
        here = float(
            np.median(
                np.maximum(_at(most, clicks, snap_px), _DARK_FIRST * _at(least, clicks, snap_px))
            )
        )
        if scale == _BROAD and here < _BROAD_FROM * finer:
            continue
        finer, broad = max(finer, here), scale == _BROAD
        dark, bright, grain = (
            np.maximum(dark, most),
            np.maximum(bright, least),
            np.maximum(grain, total),
        )
    noise = np.sqrt(
        cv2.blur(np.minimum(grain, 4 * float(np.median(grain)) + 0.5) ** 2, (61, 61)) + 0.15**2
    )
    return _Lines(
        dark=dark / noise, bright=bright / noise, joint=_joints(lightness) / noise, broad=broad
    )


def _answers(lightness: Floats, scale: int) -> tuple[Floats, Floats, Floats]:
    """Strength of dark and of bright lines of one breadth, and the mean answer of all directions."""
    view = (
        lightness
        if scale == 1
        else cv2.resize(lightness, None, fx=1 / scale, fy=1 / scale, interpolation=cv2.INTER_AREA)
    )
    means = _means(_BROAD_ALONG_PX if scale == _BROAD else _ALONG_PX)[:: 1 if scale == 1 else 2]
    weaker = _WEAKER_SIDE_FINE if scale == 1 else _WEAKER_SIDE
    dark, bright, total = (np.zeros_like(view) for _ in range(3))
    for shape, step in means:
        middle = cv2.filter2D(view, cv2.CV_32F, shape, borderType=cv2.BORDER_REFLECT)
        one, other = _moved(middle, step) - middle, _moved(middle, -step) - middle
        both = (1 - weaker) * 0.5 * (one + other)
        dark, bright = (
            np.maximum(dark, both + weaker * np.minimum(one, other)),
            np.maximum(bright, -both - weaker * np.maximum(one, other)),
        )
        total += 0.5 * np.abs(one + other)
    found = dark, bright, total / len(means)
    if scale == 1:
        return found
    size = lightness.shape[1], lightness.shape[0]
    dark, bright, total = (
        np.asarray(cv2.resize(v, size, interpolation=cv2.INTER_LINEAR)) for v in found
    )
    return dark, bright, total


def _moved(values: Floats, step: Floats) -> Floats:
    """What lies a step from each pixel."""
    to_pixel = np.array([[1.0, 0.0, step[0]], [0.0, 1.0, step[1]]])
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    return np.asarray(
        cv2.warpAffine(
            values, to_pixel, values.shape[::-1], flags=flags, borderMode=cv2.BORDER_REPLICATE
        )
    )


def _joints(lightness: Floats) -> Floats:
    """Lines that run straight, level or upright, over a length that no crack does."""
    found = np.zeros_like(lightness)
    across = np.array([-1, -1, 0.7, 2.6, 0.7, -1, -1], np.float32) / 4
    for turned in (False, True):
        view = np.ascontiguousarray(lightness.T) if turned else lightness
        run = cv2.blur(view, (_JOINT_RUN_PX, 1))
        ridge = np.abs(cv2.filter2D(run, cv2.CV_32F, across[:, None]))
        step = np.abs(
            cv2.filter2D(run, cv2.CV_32F, np.array([[-1], [-1], [0], [1], [1]], np.float32) / 2)
        )
        either = cv2.dilate(np.maximum(ridge, step), np.ones((3, 1), np.uint8))
        found = np.maximum(found, either.T if turned else either)
    return np.asarray(found)


def _path(lines: _Lines, clicks: Floats, *, snap_px: float) -> tuple[Floats, bool]:
    """Cheapest path through places near the clicks, (x, y), and whether the line is a dark one."""
    dark, bright = (_at(strength, clicks, snap_px) for strength in (lines.dark, lines.bright))
    is_dark = bool(dark.mean() >= _DARK_FIRST * bright.mean())
    strength, seen = (lines.dark, dark) if is_dark else (lines.bright, bright)
    reference = float(np.clip(np.median(seen), _WEAKEST, _STRONGEST))
    on_joint = float(np.median(_at(lines.joint, clicks, 1.0))) > 0.5 * reference
    cost: Any = _LEAST_COST + 1.0 / (1.0 + (strength / (_HALF_COST * reference)) ** 3)
    cost += _OVER * np.clip(np.log(np.maximum(strength, 1e-3) / (_OVER_FROM * reference)), 0, 2)
    if not on_joint:
        cost += _JOINT * np.clip(lines.joint / reference - _JOINT_FROM, 0, 1)
    pool = int(np.ceil(np.sqrt(cost.size / _SEARCHED_PX)))
    if pool > 1:
        least: Any = cv2.erode(cost.astype(np.float32), np.ones((pool, pool), np.uint8))
        cost = cv2.resize(least, None, fx=1 / pool, fy=1 / pool, interpolation=cv2.INTER_NEAREST)
    places = (clicks + 0.5) / pool - 0.5
    path = _through(cost.astype(np.float64), places, reach=max(1.5, snap_px / pool))
    return (path + 0.5) * pool - 0.5, is_dark


def _at(strength: Floats, clicks: Floats, reach: float) -> Floats:
    """The strongest value near each click, less the farther it lies."""
    found = []
    for place in clicks:
        rows, columns, away = _disc(strength.shape, place, reach)
        found.append(
            float((strength[rows, columns] * np.exp(-0.5 * (away / (0.6 * reach)) ** 2)).max())
        )
    return np.array(found)


def _through(cost: Floats, places: Floats, *, reach: float) -> Floats:
    """The path, (x, y): at each click in the middle through the pixel nearby that suits both sides."""
    ends = [_snapped(cost, places[0], reach), _snapped(cost, places[-1], reach)]
    anchors = [ends[0]]
    for k in range(1, len(places) - 1):
        before = _window(cost, anchors[-1], places[k], reach)
        after = _window(cost, places[k + 1][::-1], places[k], reach)
        anchors.append(_best_between(cost, places[k], before, after, reach))
    anchors.append(ends[1])
    path: list[tuple[int, int]] = []
    for start, end in itertools.pairwise(anchors):
        found = _window(cost, start, np.array(end[::-1], dtype=float), reach)
        path += found.trace(end)[1 if path else 0 :]
    return np.array([(c, r) for r, c in path], dtype=float)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Spread:
    """Costs from one place over a window."""

    costs: Floats
    search: Any
    top: int
    left: int

    def trace(self, end: tuple[int, int]) -> list[tuple[int, int]]:
        """Path to a place of the whole map."""
        return [
            (r + self.top, c + self.left)
            for r, c in self.search.traceback((end[0] - self.top, end[1] - self.left))
        ]


def _window(cost: Floats, start: Sequence[float], place: Floats, reach: float) -> _Spread:
    rows, columns = cost.shape
    row, column = min(max(round(start[0]), 0), rows - 1), min(max(round(start[1]), 0), columns - 1)
    span = max(abs(row - place[1]), abs(column - place[0]))
    margin = int(12 + 0.3 * span + 2 * reach)
    top, left = (
        max(0, int(min(row, place[1])) - margin),
        max(0, int(min(column, place[0])) - margin),
    )
    search = MCP_Geometric(
        cost[
            top : int(max(row, place[1])) + margin + 1,
            left : int(max(column, place[0])) + margin + 1,
        ]
    )
    costs, _ = search.find_costs([(row - top, column - left)])
    return _Spread(costs=costs, search=search, top=top, left=left)


def _disc(
    shape: tuple[int, ...], place: Floats, reach: float
) -> tuple[NDArray[np.intp], NDArray[np.intp], Floats]:
    """Rows, columns and distances of the pixels near a place."""
    around = int(np.ceil(reach))
    column, row = round(float(place[0])), round(float(place[1]))
    rr, cc = np.mgrid[
        max(0, row - around) : min(shape[0], row + around + 1),
        max(0, column - around) : min(shape[1], column + around + 1),
    ]
    away = np.hypot(rr - place[1], cc - place[0])
    near = away <= max(reach, away.min())
    return rr[near], cc[near], away[near]


def _snapped(cost: Floats, place: Floats, reach: float) -> tuple[int, int]:
    """The cheapest pixel near the first or last click, nearer ones first."""
    rows, columns, away = _disc(cost.shape, place, reach)
    best = int(np.argmin(cost[rows, columns] + 0.5 * away / reach))
    return int(rows[best]), int(columns[best])


def _best_between(
    cost: Floats, place: Floats, before: _Spread, after: _Spread, reach: float
) -> tuple[int, int]:
    rows, columns, away = _disc(cost.shape, place, reach)
    total = (
        before.costs[rows - before.top, columns - before.left]
        + after.costs[rows - after.top, columns - after.left]
        + 0.15 * away
    )
    best = int(np.argmin(total))
    return int(rows[best]), int(columns[best])


def _crested(strength: Floats, path: Floats, *, broad: int) -> Floats:
    """The path along the crest of the line: the cheapest one near the path, by how far from the local crest it runs."""
    reach = _CREST_PX * broad
    around = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1, 2 * reach + 1))
    crest = np.maximum(cv2.dilate(strength, around), 0.5)
    near = np.zeros(strength.shape, np.uint8)
    cv2.polylines(
        near, [np.round(path).astype(np.int32)], False, 1, 2 * int(_CORRIDOR_PX * broad) + 1
    )
    cost = np.where(
        near > 0, _CREST_LEAST + 1.0 - np.clip(strength / crest, 0.0, 1.0), np.inf
    ).astype(float)
    ends = []
    for place in (path[0], path[-1]):
        rows, columns, away = _disc(strength.shape, place, 3.0 * broad)
        best = int(np.argmin(cost[rows, columns] + 0.2 * away / (3.0 * broad)))
        ends.append((int(rows[best]), int(columns[best])))
    search = MCP_Geometric(cost)
    search.find_costs([ends[0]], [ends[1]])
    return _smoothed(np.array([(c, r) for r, c in search.traceback(ends[1])], dtype=float))


def _smoothed(path: Floats) -> Floats:
    """Steps of the grid smoothed over five pixels, which leaves kinks; the ends stay."""
    if len(path) < 8:
        return path
    longer = np.concatenate([2 * path[0] - path[2:0:-1], path, 2 * path[-1] - path[-2:-4:-1]])
    kernel = np.array([1, 4, 6, 4, 1]) / 16
    smooth = np.stack([np.convolve(longer[:, k], kernel, mode="valid") for k in range(2)], axis=1)
    return np.asarray(
        cv2.approxPolyDP(smooth.astype(np.float32)[:, None], 0.4, False)[:, 0].astype(float)
    )
