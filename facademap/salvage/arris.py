"""Where the outline took in a side of the block: the arris is a faint, straight, sustained step within it.

A side of the block is the same stone in another light. Pixel by pixel it may be hard to tell from the
face, yet averaged along the arris the step stands out of grain and clouds. Each side of the outline is
therefore searched for a line, nearly parallel to it, across which the light changes sharply, everywhere
along the side in the same sense, and stays changed up to the edge.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray

from facademap.photo.lab import lab_from_srgb

__all__ = ["cut_off_sides"]

Floats = NDArray[np.floating[Any]]

#: Least step across an arris (CIELAB units) and least share of the side along which it shows.
LEAST_STEP = 2.6
LEAST_SHARE = 0.72
#: How deep a visible side may reach, as a share of the inscribed radius of the outline.
DEEPEST = 0.5
#: How far into the face steps are compared, in the same unit, and how much larger than the largest
#: of the stone's own steps the arris must be.
SEARCHED = 1.5
LEAST_RATIO = 1.6
#: A side runs towards the point where lines square to the face meet; it covers depth / (depth + distance) of the way there.
MOST_OF_THE_WAY = 0.28
_COLUMNS = 96
_ROWS_A_RADIUS = 64
_ARM = 4


def cut_off_sides(
    rgb: NDArray[Any], ring: Floats, corners: Floats, *, vanishing_px: Floats
) -> tuple[Floats, bool]:
    """Take visible sides of the block away from an outline.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (rows, cols, 3)
    ring : ndarray, shape (n, 2)
        Outline in pixels.
    corners : ndarray, shape (m, 2)
        Its corners in order.
    vanishing_px : ndarray, shape (2,)
        Where lines square to the face meet in the picture. The sides of a block run towards it, so that
        only those sides can be seen that have it on their outer side.

    Returns
    -------
    ring : ndarray, shape (k, 2)
    changed : bool
    """
    polygon = shapely.Polygon(ring).buffer(0)
    radius = float(shapely.length(shapely.maximum_inscribed_circle(polygon, tolerance=1.0)))
    middle = np.array(polygon.centroid.coords[0])
    changed = False
    for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        if _is_hidden(a, b, middle, vanishing_px):
            continue
        line = _find_arris(rgb, a, b, middle, radius)
        if line is None:
            continue
        start, end = line
        along = (end - start) / np.hypot(*(end - start))
        inward = np.array([-along[1], along[0]])
        inward *= np.sign(inward @ (middle - start))
        if max((start - a) @ inward, (end - b) @ inward) > MOST_OF_THE_WAY * (
            (start - vanishing_px) @ inward
        ):
            continue
        far = 4 * radius + float(np.ptp(ring, axis=0).max())
        keep = shapely.Polygon(
            [
                start - far * along,
                end + far * along,
                end + far * (along + inward),
                start + far * (inward - along),
            ]
        )
        rest = polygon.intersection(keep)
        if rest.geom_type == "Polygon" and rest.area > 0.5 * polygon.area:
            polygon, changed = rest, True
    return shapely.get_coordinates(polygon.exterior)[:-1], changed


def _is_hidden(a: Floats, b: Floats, middle: Floats, vanishing_px: Floats) -> bool:
    """Whether the side of the block at the edge from a to b turns away from the camera."""

    def beyond(point: Floats) -> float:
        return float((b - a)[0] * (point - a)[1] - (b - a)[1] * (point - a)[0])

    return beyond(middle) * beyond(vanishing_px) >= 0


def _find_arris(
    rgb: NDArray[Any], a: Floats, b: Floats, middle: Floats, radius: float
) -> tuple[Floats, Floats] | None:
    """The arris beside one side of the outline, as two points, or nothing."""
    length = float(np.hypot(*(b - a)))
    spacing = max(0.75, radius / _ROWS_A_RADIUS)
    if length < 24 * spacing:
        return None
    along = (b - a) / length
    inward = np.array([-along[1], along[0]])
    inward *= np.sign(inward @ (middle - a))
    depth, deepest = int(SEARCHED * radius / spacing), int(DEEPEST * radius / spacing)
    share = np.linspace(0.12, 0.88, _COLUMNS)
    places = (
        a
        + share[:, None, None] * length * along
        + (np.arange(depth) * spacing)[None, :, None] * inward
    )
    strip = _strip(rgb, places, spacing)
    summed = np.concatenate([np.zeros((_COLUMNS, 1, 3)), np.cumsum(strip, axis=1)], axis=1)
    best: tuple[float, float, float] | None = None
    lines = np.arange(_ARM, deepest)
    for first in lines:
        for last in lines[np.abs(lines - first) <= 0.35 * np.maximum(lines, first) + 1]:
            at = np.round(first + (last - first) * share).astype(int)
            at = np.clip(at, _ARM, depth - _ARM)
            step = _step(summed, at)
            if best is None or step > best[0]:
                best = (float(step), float(first), float(last))
    if best is None or best[0] < LEAST_STEP:
        return None
    size, begin, end = best
    if size < LEAST_RATIO * _usual_step(summed, from_row=int(np.ceil(max(begin, end))) + 2 * _ARM):
        return None
    if not _is_sustained(
        summed, np.clip(np.round(begin + (end - begin) * share).astype(int), _ARM, depth - _ARM)
    ):
        return None
    return _sharpened(
        rgb, a + begin * spacing * inward, b + end * spacing * inward, inward, reach=3.0 * spacing
    )


def _sharpened(
    rgb: NDArray[Any], start: Floats, end: Floats, inward: Floats, *, reach: float
) -> tuple[Floats, Floats]:
    """The line moved to where the step is sharpest, within so many pixels at either end."""
    spacing = max(0.5, reach / 14)
    steps = int(np.ceil(reach / spacing))
    half = steps + 2 * _ARM
    share = np.linspace(0.12, 0.88, _COLUMNS)
    places = (
        start
        + share[:, None, None] * (end - start)
        + (np.arange(-half, half + 1) * spacing)[None, :, None] * inward
    )
    summed = np.concatenate(
        [np.zeros((_COLUMNS, 1, 3)), np.cumsum(_strip(rgb, places, spacing), axis=1)], axis=1
    )
    best, found = -1.0, (0.0, 0.0)
    for first in range(-steps, steps + 1):
        for last in range(-steps, steps + 1):
            at = np.round(half + first + (last - first) * share).astype(int)
            jump = (_means(summed, at - _ARM, at) - _means(summed, at + 1, at + 1 + _ARM)).mean(
                axis=0
            )
            size = float((jump**2).sum())
            if size > best:
                best, found = size, (float(first), float(last))
    return start + found[0] * spacing * inward, end + found[1] * spacing * inward


def _strip(rgb: NDArray[Any], places: Floats, spacing: float) -> Floats:
    x0, y0 = np.maximum(np.floor(places.reshape(-1, 2).min(axis=0)).astype(int) - 4, 0)
    x1, y1 = np.ceil(places.reshape(-1, 2).max(axis=0)).astype(int) + 5
    part = rgb[y0:y1, x0:x1]
    if spacing > 1.5:
        part = cv2.blur(part, (round(spacing), round(spacing)))
    at = (places - (x0, y0)).astype(np.float32)
    colours = cv2.remap(
        part, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    lab = lab_from_srgb(colours)
    lab[..., 1:] *= 1.3
    return np.asarray(lab)


def _means(summed: Floats, start: NDArray[np.int_], end: NDArray[np.int_]) -> Floats:
    columns = np.arange(len(summed))
    return np.asarray(
        (summed[columns, end] - summed[columns, start]) / np.maximum(end - start, 1)[:, None]
    )


def _step(summed: Floats, at: NDArray[np.int_]) -> float:
    """Size of the step across a line; nothing where it does not show along nearly the whole line."""
    jump = _means(summed, at - _ARM + 1, at) - _means(summed, at, at + _ARM - 1)
    mean = jump.mean(axis=0)
    size = float(np.sqrt((mean**2).sum()))
    if size < LEAST_STEP:
        return 0.0
    pieces = jump.reshape(12, -1, 3).mean(axis=1) @ (mean / size)
    return size if np.mean(pieces > 0.35 * size) >= LEAST_SHARE else 0.0


def _usual_step(summed: Floats, *, from_row: int) -> float:
    """The largest mean step across lines within the stone itself: its beds, clouds and tooling."""
    rows = np.arange(from_row, summed.shape[1] - _ARM - 1)
    if not len(rows):
        return 0.0
    sizes = []
    share = np.linspace(-0.5, 0.5, len(summed))
    for slope in (-6, -3, 0, 3, 6):
        for row in rows[np.abs(slope) // 2 :]:
            at = np.clip(
                np.round(row + slope * share).astype(int), _ARM, summed.shape[1] - _ARM - 1
            )
            jump = (_means(summed, at - _ARM + 1, at) - _means(summed, at, at + _ARM - 1)).mean(
                axis=0
            )
            sizes.append(float(np.sqrt((jump**2).sum())))
    return max(sizes)


def _is_sustained(summed: Floats, at: NDArray[np.int_]) -> bool:
    """Whether the light stays changed from the line up to the edge, compared with as much stone inside."""
    start = np.minimum(np.full_like(at, 2), at - 1)
    outer = _means(summed, start, at)
    end = np.minimum(2 * at, summed.shape[1] - 1)
    change = (outer - _means(summed, at, end)).mean(axis=0)
    near = (_means(summed, at - _ARM + 1, at) - _means(summed, at, at + _ARM - 1)).mean(axis=0)
    size = float(np.sqrt((near**2).sum()))
    return float(change @ near) / max(size, 1e-9) > 0.5 * size
