"""The wall stones of a course, from a stroke along it.

The picture is straightened along the stroke, round an arch too, so that the course runs level in a strip. The two bed joints that hold
the stroke are followed along the strip, the course between them is brought to an even height, and it is split where
upright joints are seen from bed to bed.

Every result is a suggestion that a person confirms or draws anew.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from facademap.condition.assist_squares import on_stone, straight_edges
from facademap.condition.course_run import fit_circle
from facademap.errors import GeometryError, InputError

__all__ = ["find_course"]

Floats = NDArray[Any]

#: Rows of the straightened course between its bed joints, and the height of one stone in the strip it is cut from.
_EVEN_ROWS, _STRIP_STONE_PX = 48, 64
#: How far bed joints are looked for from the stroke, and how far past its ends, in heights of a stone.
_REACH, _PAST_END = 1.25, 3.5
#: Strength, in units of the grain, at which half a joint is taken as seen.
_HALF_SEEN = 5.0
#: Share of the height over which an upright joint must be seen, and the shortest stone in heights.
_LEAST_SEEN, _SHORTEST = 0.6, 0.3
#: A stroke that departs from a straight line by this share of a height goes round an arch.
_BENT = 0.35
#: A stone belongs to the course when the stroke runs through this share of its length or more.
_UNDER_STROKE = 0.25


def find_course(
    rgb: NDArray[Any],
    stroke_px: Sequence[tuple[float, float]],
    *,
    outline: Callable[[NDArray[Any], float, float], Floats],
) -> list[Floats]:
    """Outlines of the stones of one course.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (rows, columns, 3)
    stroke_px : sequence of (x, y)
        Two places or more along the course, inside its stones; one place gives the stone there.
    outline : callable
        ``outline(rgb, x_px, y_px)`` finds one stone; tells how high the course is.

    Returns
    -------
    list of ndarray, shape (n, 2)
        Rings (x, y), not closed, along the stroke.

    Raises
    ------
    InputError
        No place, one outside the picture, or a stroke that turns back.
    GeometryError
        No bed joints are seen along the stroke.
    """
    places = np.array(stroke_px, dtype=float).reshape(-1, 2)
    rows, columns = rgb.shape[:2]
    if not len(places):
        raise InputError("a course without a stroke", "Draw along the course.")
    if (places < 0).any() or (places[:, 0] >= columns).any() or (places[:, 1] >= rows).any():
        raise InputError(
            f"the stroke leaves the picture of {columns} x {rows} px", "Draw inside the picture."
        )
    if len(places) == 1 or float(np.linalg.norm(places[-1] - places[0])) < 4:
        return [outline(rgb, float(places[0, 0]), float(places[0, 1]))]
    axis = (places[-1] - places[0]) / np.linalg.norm(places[-1] - places[0])
    order = places @ axis
    if (np.diff(order) < -0.1 * np.ptp(order)).any():
        raise InputError(
            "a stroke that turns back", "Draw along the course from one end to the other."
        )
    height = _height(rgb, places, outline, lambda share: axis)
    line = _line_of(places, axis, height)
    if line.way is not None:
        # stones at the sides of an arch are as high as they are toward its centre
        height = _height(rgb, places, outline, line.way)
    strip, to_picture, ends = _straightened(rgb, line, height)
    top, bottom = _beds(strip, ends)
    even = _between(strip, top, bottom)
    cuts = _perpends(even, ends)
    found = []
    for left, right in cuts:
        if min(right, ends[1]) - max(left, ends[0]) < _UNDER_STROKE * (right - left):
            continue
        found.append(to_picture(_stone(strip, top, bottom, left, right)))
    if not found:
        raise GeometryError(
            "no stones are seen along the stroke",
            "Draw nearer to the middle of the course, or outline stone by stone.",
        )
    return found


def _height(
    rgb: NDArray[Any],
    places: Floats,
    outline: Callable[..., Floats],
    way: Callable[[float], Floats],
) -> float:
    """Height of the course: the middle one of a few stones along the stroke, across its way there."""
    at = np.cumsum([0.0, *np.linalg.norm(np.diff(places, axis=0), axis=1)])
    heights = []
    for share in (0.2, 0.5, 0.8):
        x, y = (float(np.interp(share * at[-1], at, places[:, k])) for k in range(2))
        try:
            ring = outline(rgb, x, y)
        except GeometryError:
            continue
        ahead = way(share)
        heights.append(float(np.ptp(ring @ np.array([-ahead[1], ahead[0]]))))
    if not heights:
        raise GeometryError(
            "no stones are seen along the stroke",
            "Draw nearer to the middle of the course, or outline stone by stone.",
        )
    return float(np.median(heights))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Line:
    """The run of a course in the picture: its length, the way from along and across it to the picture, and, round an arch,
    its direction at a share of the length."""

    length_px: float
    to_picture: Callable[[Floats, Floats], Floats]
    way: Callable[[float], Floats] | None = None


def _line_of(places: Floats, axis: Floats, height: float) -> _Line:
    """Straight, or round an arch where the stroke is bent by more than hands waver."""
    across = np.array([-axis[1], axis[0]])
    along = places @ axis
    # a stroke drawn by hand wavers within the course: only its general run is followed
    bend = np.polyfit(along - along[0], places @ across, 1) if len(places) > 1 else np.zeros(2)
    off = places @ across - np.polyval(bend, along - along[0])
    if len(places) >= 4 and np.ptp(off) > _BENT * height:
        round_ = _round_line(places, axis, height)
        if round_ is not None:
            return round_

    def straight(s: Floats, t: Floats) -> Floats:
        return np.asarray(
            (along[0] + s)[:, None] * axis + (np.polyval(bend, s) + t)[:, None] * across
        )

    return _Line(length_px=float(np.ptp(along)), to_picture=straight)


def _round_line(places: Floats, axis: Floats, height: float) -> _Line | None:
    found = fit_circle(places)
    if found is None or found[1] < 1.2 * height:
        return None
    centre, radius = found
    beside = places - centre
    if float(np.std(np.hypot(*beside.T))) > 0.25 * height:
        return None
    across = np.array([-axis[1], axis[0]])
    inward = 1.0 if float((centre - places.mean(axis=0)) @ across) > 0 else -1.0
    start = beside[0] / np.linalg.norm(beside[0])
    side = np.array([-start[1], start[0]])
    side = side if float(side @ (places[1] - places[0])) > 0 else -side
    angles = np.unwrap(np.arctan2(beside @ side, beside @ start))

    def bent(s: Floats, t: Floats) -> Floats:
        angle, out = (s / radius)[:, None], (radius - inward * t)[:, None]
        return np.asarray(centre + out * (np.cos(angle) * start + np.sin(angle) * side))

    def way(share: float) -> Floats:
        angle = share * angles[-1]
        return np.asarray(np.cos(angle) * side - np.sin(angle) * start)

    return _Line(length_px=float(angles[-1] * radius), to_picture=bent, way=way)


def _straightened(
    rgb: NDArray[Any], line: _Line, height: float
) -> tuple[Floats, Callable[[Floats], Floats], tuple[float, float]]:
    """CIELAB strip along the stroke, the way back to the picture, and where the stroke begins and ends in it."""
    step = height / _STRIP_STONE_PX
    before = after = _PAST_END * height
    number = int((line.length_px + before + after) / step)
    half = int(_REACH * _STRIP_STONE_PX)

    def to_picture(strip_px: Floats) -> Floats:
        return line.to_picture(strip_px[:, 0] * step - before, (strip_px[:, 1] - half) * step)

    grid = (
        np.stack(np.meshgrid(np.arange(number), np.arange(2 * half + 1)), axis=-1)
        .reshape(-1, 2)
        .astype(float)
    )
    back = to_picture(grid).reshape(2 * half + 1, number, 2)
    low, high = (
        np.floor(back.reshape(-1, 2).min(axis=0)).astype(int),
        np.ceil(back.reshape(-1, 2).max(axis=0)).astype(int),
    )
    left, top = np.clip(low, 0, [rgb.shape[1] - 2, rgb.shape[0] - 2])
    part = rgb[top : max(int(high[1]) + 1, top + 1), left : max(int(high[0]) + 1, left + 1)]
    back = back - [left, top]
    if step > 1.5:
        part = cv2.resize(part, None, fx=1 / step, fy=1 / step, interpolation=cv2.INTER_AREA)
        back = (back + 0.5) / step - 0.5
    lab = cv2.cvtColor(part.astype(np.float32) / 255.0, cv2.COLOR_RGB2LAB)
    strip = cv2.remap(
        lab,
        back[..., 0].astype(np.float32),
        back[..., 1].astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    return strip, to_picture, (before / step, (before + line.length_px) / step)


def _seen(strength: Floats) -> Floats:
    return np.asarray(strength**2 / (strength**2 + _HALF_SEEN**2))


def _beds(strip: Floats, ends: tuple[float, float]) -> tuple[Floats, Floats]:
    """Rows of the bed joint above and below at each column."""
    level = _seen(straight_edges(cv2.GaussianBlur(strip, (0, 0), 0.8))[0])
    level = cv2.blur(level, (_STRIP_STONE_PX // 2, 1))
    middle, number = len(level) // 2, level.shape[1]
    near = int(0.2 * _STRIP_STONE_PX)
    expected = 0.5 * _STRIP_STONE_PX
    inside = slice(int(ends[0]), max(int(ends[1]), int(ends[0]) + 1))
    above, below = level[: middle - near][::-1], level[middle + near :]
    # both beds are looked for together at the height told by single stones, then each is followed by itself
    profile_above, profile_below = above[:, inside].mean(axis=1), below[:, inside].mean(axis=1)
    a, b = np.meshgrid(np.arange(len(profile_above)), np.arange(len(profile_below)), indexing="ij")
    tall = (a + b + 2 * near) / (2 * expected)
    score = profile_above[a] + profile_below[b] - 1.2 * np.abs(np.log(tall))
    i, j = np.unravel_index(int(np.argmax(score)), score.shape)
    if max(profile_above[i], profile_below[j]) < 0.15:
        raise GeometryError(
            "no bed joints are seen along the stroke",
            "Outline stone by stone, or draw the course by hand.",
        )
    rows = [
        _followed(level, start) for start in (middle - near - 1 - int(i), middle + near + int(j))
    ]
    if number < 2 or float((rows[1] - rows[0]).min()) < 4:
        raise GeometryError(
            "the bed joints along the stroke meet", "Draw along one course, inside its stones."
        )
    return rows[0], rows[1]


def _followed(level: Floats, row: int, *, reach: int = 7) -> Floats:
    """A bed joint followed along the strip near a row, with little change from column to column."""
    low = max(0, row - reach)
    band = level[low : row + reach + 1]
    rest = 0.02 * np.abs(np.arange(len(band)) - (row - low))
    total, came = band[:, 0] - rest, np.zeros(band.shape, np.intp)
    for k in range(1, band.shape[1]):
        padded = np.concatenate([[-1e9], total, [-1e9]])
        options = np.stack([padded[:-2] - 0.35, padded[1:-1], padded[2:] - 0.35])
        pick = options.argmax(axis=0)
        came[:, k] = np.arange(len(band)) + pick - 1
        total = options.max(axis=0) + band[:, k] - rest
    path = np.zeros(band.shape[1])
    at = int(total.argmax())
    for k in range(band.shape[1] - 1, -1, -1):
        path[k] = at
        at = int(came[at, k]) if k else at
    smooth: Any = cv2.blur(
        path[None].astype(np.float32),
        (_STRIP_STONE_PX // 2 + 1, 1),
        borderType=cv2.BORDER_REPLICATE,
    )[0]
    return np.asarray(smooth + low, float)


def _between(strip: Floats, top: Floats, bottom: Floats) -> Floats:
    """The course at an even height."""
    share = (np.arange(_EVEN_ROWS) + 0.5) / _EVEN_ROWS
    rows = top[None] + share[:, None] * (bottom - top)[None]
    columns = np.broadcast_to(np.arange(strip.shape[1], dtype=np.float32), rows.shape)
    return np.asarray(cv2.remap(strip, columns, rows.astype(np.float32), cv2.INTER_LINEAR))


def _perpends(even: Floats, ends: tuple[float, float]) -> list[tuple[float, float]]:
    """Columns between which stones lie."""
    upright = straight_edges(cv2.GaussianBlur(even, (0, 0), 0.8))[1]
    lean = cv2.dilate(upright, np.ones((1, 3), np.uint8))
    inner = _seen(lean)[4:-4]
    # seen over most of the height, its weakest third first: a flaw in a stone is not
    ordered = np.sort(inner, axis=0)
    profile = 0.3 * inner.mean(axis=0) + 0.7 * ordered[: len(ordered) // 2].mean(axis=0)
    profile = cv2.GaussianBlur(profile[None].astype(np.float32), (5, 1), 0)[0]
    peaks = np.flatnonzero((profile[1:-1] >= profile[:-2]) & (profile[1:-1] > profile[2:])) + 1
    peaks = peaks[
        profile[peaks]
        > _LEAST_SEEN
        * float(np.clip(np.quantile(profile[peaks], 0.97) if len(peaks) else 1.0, 0.3, 1.0))
    ]
    kept: list[int] = []
    for peak in peaks[np.argsort(-profile[peaks])]:
        if all(abs(int(peak) - other) >= _SHORTEST * _STRIP_STONE_PX for other in kept):
            kept.append(int(peak))
    kept.sort()
    return [(float(a), float(b)) for a, b in itertools.pairwise(kept)]


def _stone(strip: Floats, top: Floats, bottom: Floats, left: float, right: float) -> Floats:
    """Corners of one stone in the strip, moved from the middle of its joints to its arrises."""
    a, b = int(np.clip(left, 0, len(top) - 1)), int(np.clip(right, 0, len(top) - 1))
    corners = np.array([[left, top[a]], [right, top[b]], [right, bottom[b]], [left, bottom[a]]])
    low, high = corners.min(axis=0) - 8, corners.max(axis=0) + 8
    x0, y0 = (int(v) for v in np.maximum(low, 0))
    part = strip[y0 : int(high[1]) + 1, x0 : int(high[0]) + 1]
    corner = np.array([x0, y0], dtype=float)
    return np.asarray(on_stone(part, corners - corner, most_px=0.09 * _STRIP_STONE_PX) + corner)
