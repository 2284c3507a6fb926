"""A crack or a joint followed between clicks along the picture.

Thin lines are looked for by long narrow filters in many directions, so that a hair crack stands out from grain. The
cheapest path between the clicks is then found; lines much stronger than the one that was clicked, and straight joints
that it was not clicked on, are no short cuts. Last, the path is straightened into a strip and moved on to the middle
of the line there.

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

#: Directions of the filters, their half length and the spread across of the narrow ones, pixels.
_DIRECTIONS, _HALF_PX, _ACROSS_PX, _ALONG_PX = 12, 8, 1.1, 4.0
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
_HALF_COST, _WEAKEST, _STRONGEST = 0.55, 1.2, 6.0
#: Cost of a line this many times as strong as the one clicked, and of a straight joint from this share of it.
_OVER, _OVER_FROM, _JOINT, _JOINT_FROM = 0.3, 1.7, 0.35, 0.25
_STRIP_PX = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class _Lines:
    """Strength of dark and of bright lines, and of straight level or upright ones, in units of the grain."""

    dark: Floats
    bright: Floats
    joint: Floats


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
            raise InputError(f"the place ({x:g}, {y:g}) lies outside the picture of {columns} x {rows} px", "Click inside the picture.")
    clicks = np.array(points_px, dtype=float)
    margin = 50 + 0.3 * float(np.ptp(clicks, axis=0).max())
    left, top = np.maximum(clicks.min(axis=0) - margin, 0).astype(int)
    right, bottom = (clicks.max(axis=0) + margin).astype(int) + 1
    part = _lightness(rgb[top:bottom, left:right])
    scale = min(1.0, float(np.sqrt(_MOST_PX / part.size)))
    small = part if scale == 1.0 else cv2.resize(part, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    path = _path(_lines(small), (clicks - [left, top] + 0.5) * scale - 0.5, snap_px=max(2.0, SNAP_PX * scale))
    path = (path + 0.5) / scale - 0.5
    return _centred(part, path) + np.array([left, top], dtype=float)


def _lightness(rgb: NDArray[Any]) -> Floats:
    """CIELAB L, 0 to 100."""
    lab = cv2.cvtColor(np.ascontiguousarray(rgb), cv2.COLOR_RGB2LAB)
    return np.asarray(lab[..., 0].astype(np.float32) * (100.0 / 255.0))


@cache
def _filters() -> tuple[Floats, ...]:
    """Second derivative across, long along, for each direction: positive on a dark line, no answer to a plain or a ramp."""
    y, x = np.mgrid[-_HALF_PX : _HALF_PX + 1, -_HALF_PX : _HALF_PX + 1].astype(np.float64)
    found = []
    for angle in np.arange(_DIRECTIONS) * np.pi / _DIRECTIONS:
        along, across = x * np.cos(angle) + y * np.sin(angle), -x * np.sin(angle) + y * np.cos(angle)
        shape = np.exp(-0.5 * (along / _ALONG_PX) ** 2) * ((across / _ACROSS_PX) ** 2 - 1) * np.exp(-0.5 * (across / _ACROSS_PX) ** 2)
        shape -= shape.mean()
        found.append((shape / np.abs(shape).sum() * 2).astype(np.float32))
    return tuple(found)


def _lines(lightness: Floats) -> _Lines:
    dark, bright, grain = (np.zeros_like(lightness) for _ in range(3))
    for scale in (1, 2):
        view = lightness if scale == 1 else cv2.resize(lightness, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
        if min(view.shape) < 3 * _HALF_PX:
            continue
        most, least, total = (np.zeros_like(view) for _ in range(3))
        for shape in _filters()[:: 1 if scale == 1 else 2]:
            answer = cv2.filter2D(view, cv2.CV_32F, shape, borderType=cv2.BORDER_REFLECT)
            most, least = np.maximum(most, answer), np.minimum(least, answer)
            total += np.abs(answer)
        total /= _DIRECTIONS if scale == 1 else _DIRECTIONS // 2
        if scale == 2:
            most, least, total = (cv2.resize(v, lightness.shape[::-1], interpolation=cv2.INTER_LINEAR) for v in (most, least, total))
        dark, bright, grain = np.maximum(dark, most), np.maximum(bright, -least), np.maximum(grain, total)
    noise = np.sqrt(cv2.blur(np.minimum(grain, 4 * float(np.median(grain)) + 0.5) ** 2, (61, 61)) + 0.15**2)
    return _Lines(dark=dark / noise, bright=bright / noise, joint=_joints(lightness) / noise)


def _joints(lightness: Floats) -> Floats:
    """Lines that run straight, level or upright, over a length that no crack does."""
    found = np.zeros_like(lightness)
    across = np.array([-1, -1, 0.7, 2.6, 0.7, -1, -1], np.float32) / 4
    for turned in (False, True):
        view = np.ascontiguousarray(lightness.T) if turned else lightness
        run = cv2.blur(view, (_JOINT_RUN_PX, 1))
        ridge = np.abs(cv2.filter2D(run, cv2.CV_32F, across[:, None]))
        step = np.abs(cv2.filter2D(run, cv2.CV_32F, np.array([[-1], [-1], [0], [1], [1]], np.float32) / 2))
        either = cv2.dilate(np.maximum(ridge, step), np.ones((3, 1), np.uint8))
        found = np.maximum(found, either.T if turned else either)
    return np.asarray(found)


def _path(lines: _Lines, clicks: Floats, *, snap_px: float) -> Floats:
    """Cheapest path through places near the clicks, (x, y)."""
    dark, bright = (_at(strength, clicks, snap_px) for strength in (lines.dark, lines.bright))
    is_dark = dark.mean() >= _DARK_FIRST * bright.mean()
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
    return (path + 0.5) * pool - 0.5


def _at(strength: Floats, clicks: Floats, reach: float) -> Floats:
    """The strongest value near each click, less the farther it lies."""
    found = []
    for place in clicks:
        rows, columns, away = _disc(strength.shape, place, reach)
        found.append(float((strength[rows, columns] * np.exp(-0.5 * (away / (0.6 * reach)) ** 2)).max()))
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


@dataclass(frozen=True, slots=True, kw_only=True)
class _Spread:
    """Costs from one place over a window."""

    costs: Floats
    search: Any
    top: int
    left: int

    def trace(self, end: tuple[int, int]) -> list[tuple[int, int]]:
        """Path to a place of the whole map."""
        return [(r + self.top, c + self.left) for r, c in self.search.traceback((end[0] - self.top, end[1] - self.left))]


def _window(cost: Floats, start: Sequence[float], place: Floats, reach: float) -> _Spread:
    rows, columns = cost.shape
    row, column = min(max(round(start[0]), 0), rows - 1), min(max(round(start[1]), 0), columns - 1)
    span = max(abs(row - place[1]), abs(column - place[0]))
    margin = int(12 + 0.3 * span + 2 * reach)
    top, left = max(0, int(min(row, place[1])) - margin), max(0, int(min(column, place[0])) - margin)
    search = MCP_Geometric(cost[top : int(max(row, place[1])) + margin + 1, left : int(max(column, place[0])) + margin + 1])
    costs, _ = search.find_costs([(row - top, column - left)])
    return _Spread(costs=costs, search=search, top=top, left=left)


def _disc(shape: tuple[int, ...], place: Floats, reach: float) -> tuple[NDArray[np.intp], NDArray[np.intp], Floats]:
    """Rows, columns and distances of the pixels near a place."""
    around = int(np.ceil(reach))
    column, row = round(float(place[0])), round(float(place[1]))
    rr, cc = np.mgrid[max(0, row - around) : min(shape[0], row + around + 1), max(0, column - around) : min(shape[1], column + around + 1)]
    away = np.hypot(rr - place[1], cc - place[0])
    near = away <= max(reach, away.min())
    return rr[near], cc[near], away[near]


def _snapped(cost: Floats, place: Floats, reach: float) -> tuple[int, int]:
    """The cheapest pixel near the first or last click, nearer ones first."""
    rows, columns, away = _disc(cost.shape, place, reach)
    best = int(np.argmin(cost[rows, columns] + 0.5 * away / reach))
    return int(rows[best]), int(columns[best])


def _best_between(cost: Floats, place: Floats, before: _Spread, after: _Spread, reach: float) -> tuple[int, int]:
    rows, columns, away = _disc(cost.shape, place, reach)
    total = before.costs[rows - before.top, columns - before.left] + after.costs[rows - after.top, columns - after.left] + 0.15 * away
    best = int(np.argmin(total))
    return int(rows[best]), int(columns[best])


def _centred(lightness: Floats, path: Floats) -> Floats:
    """The path moved to the middle of the line: straightened into a strip, and the best row of it taken."""
    steps = np.linalg.norm(np.diff(path, axis=0), axis=1)
    way = np.concatenate([[0.0], np.cumsum(steps)])
    if way[-1] < 6:
        return path
    at = np.arange(0.0, way[-1], 1.0)
    smooth = np.stack([np.interp(at, way, cv2.GaussianBlur(path[:, k : k + 1], (1, 0), 0, sigmaY=1.5)[:, 0]) if len(path) > 8
                       else np.interp(at, way, path[:, k]) for k in range(2)], axis=1)
    broad = np.stack([cv2.GaussianBlur(smooth[:, k : k + 1], (1, 0), 0, sigmaY=4.0)[:, 0] for k in range(2)], axis=1)
    along = np.gradient(broad, axis=0)
    along /= np.maximum(np.linalg.norm(along, axis=1, keepdims=True), 1e-6)
    normal = np.stack([-along[:, 1], along[:, 0]], axis=1)
    offset = np.arange(-_STRIP_PX, _STRIP_PX + 0.1, 0.5)
    places = (smooth[:, None] + offset[None, :, None] * normal[:, None]).astype(np.float32)
    strip = cv2.remap(lightness, places[..., 0], places[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    across = np.array([[-1, -1, -1, 0, 1, 2, 1, 0, -1, -1, -1]], np.float32)
    across -= across.mean()
    answer = cv2.GaussianBlur(cv2.filter2D(strip, cv2.CV_32F, -across / 4), (1, 0), 0, sigmaY=2.0)
    middle = answer[:, 3:-3]
    answer = answer if middle.max(axis=1).mean() >= (-middle).max(axis=1).mean() else -answer
    gain = np.clip(answer / max(float(np.quantile(answer, 0.95)), 0.5), 0, 1.5) - 0.05 * np.abs(offset)
    moved = smooth + offset[_steady_row(gain)][:, None] * normal
    return np.asarray(cv2.approxPolyDP(moved.astype(np.float32)[:, None], 0.5, False)[:, 0].astype(float))


def _steady_row(gain: Floats, *, bend: float = 0.25) -> NDArray[np.intp]:
    """Row of a strip at each step, with the most gain and little change."""
    steps, number = gain.shape
    total, came = gain[0].copy(), np.zeros((steps, number), np.intp)
    for k in range(1, steps):
        padded = np.concatenate([[-1e9], total, [-1e9]])
        options = np.stack([padded[:-2] - bend, padded[1:-1], padded[2:] - bend])
        best = options.argmax(axis=0)
        came[k] = np.arange(number) + best - 1
        total = options.max(axis=0) + gain[k]
    row = np.zeros(steps, np.intp)
    row[-1] = int(total.argmax())
    for k in range(steps - 1, 0, -1):
        row[k - 1] = came[k, row[k]]
    return row
