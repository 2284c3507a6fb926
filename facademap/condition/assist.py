"""Assisted outlines: a stone or a defect from one click.

Every result is a suggestion that a person confirms or draws anew.

References
----------
.. [1] S. Beucher, C. Lantuejoul, "Use of watersheds in contour detection", 1979: flooding of a map of edges.
.. [2] A. Frangi et al., "Multiscale vessel enhancement filtering", MICCAI 1998: lines by the second derivatives.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from skimage.segmentation import watershed

from facademap.condition.assist_round import round_borders
from facademap.condition.assist_squares import Square, agreed, on_stone, square_at, straight_edges
from facademap.errors import GeometryError, InputError

__all__ = ["Candidate", "barrier_map", "outline_at"]

Floats = NDArray[Any]
Mask = NDArray[np.bool_]

#: Side of the reduced picture in which regions are looked for.
WORKING_SIDE_PX = 260
#: Half side of the view in which a region is looked for first, pixels of the picture.
FIRST_REACH_PX = 330
#: A region that is smaller than this in the reduced picture is looked for again in a closer view.
SMALL_REGION_PX = 40
#: Half sides of the views in which squared stones are looked for, and the side they are reduced to.
SQUARE_REACHES_PX = (110, 200, 370, 680)
SQUARE_SIDE_PX = 260
#: How much the score of a squared stone counts against that of a region of any shape, and against a round one with
#: a clear border: one that fills less than this share of its rectangle (an ellipse fills 0.785) and most of its hull.
SQUARE_WEIGHT, SQUARE_WEIGHT_BESIDE_ROUND = 30.0, 5.0
ROUND_FILLS, ROUND_SOLID, CLEAR_SCORE = 0.87, 0.9, 4.0
#: Regions whose areas differ by less than this share are taken as one.
SAME_AREA = 0.05
#: Regions whose borders are moved to the crest of the edge and compared again.
REFINED = 4
_LEVELS = 9
_LINE_SCALES_PX = (1.4, 2.2, 3.4)
_CUTS_PX = (0, 3)


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """A region round the click and how well its border is supported by the picture."""

    mask: Mask
    score: float


def barrier_map(rgb: NDArray[Any]) -> Floats:
    """How much each pixel looks like an edge or a line, in units of the picture's own texture.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (rows, columns, 3)

    Returns
    -------
    ndarray of float32, shape (rows, columns)
        1 is the median of the picture.
    """
    lab = cv2.cvtColor(np.ascontiguousarray(rgb), cv2.COLOR_RGB2LAB).astype(np.float32)
    lab[..., 0] *= 100.0 / 255.0
    smooth = cv2.bilateralFilter(lab, 7, 12, 3)
    smooth = cv2.GaussianBlur(smooth, (0, 0), 1.3)
    edge: Any = np.zeros(rgb.shape[:2], np.float32)
    for band, weight in enumerate((1.0, 0.8, 0.8)):
        dx, dy = cv2.Scharr(smooth[..., band], cv2.CV_32F, 1, 0), cv2.Scharr(smooth[..., band], cv2.CV_32F, 0, 1)
        edge += weight * (dx * dx + dy * dy)
    edge = np.asarray(np.sqrt(edge) / 32.0, np.float32)
    barrier = edge / _floor(edge)
    for dark in (1.0, -1.0):
        line = _line_strength(smooth[..., 0], dark)
        barrier = np.maximum(barrier, line / _floor(line))
    return barrier


def _floor(values: Floats) -> float:
    return max(float(np.median(values)), 1e-3, 0.15 * float(np.mean(values)))


def _line_strength(lightness: Floats, dark: float) -> Floats:
    """Strength of dark (1) or bright (-1) lines over several widths."""
    best = np.zeros(lightness.shape, np.float32)
    for scale in _LINE_SCALES_PX:
        blurred = cv2.GaussianBlur(lightness, (0, 0), scale)
        xx, yy, xy = (cv2.Sobel(blurred, cv2.CV_32F, *order, ksize=3) for order in ((2, 0), (0, 2), (1, 1)))
        xx, yy, xy = xx / 4, yy / 4, xy / 4
        root = np.sqrt(((xx - yy) / 2) ** 2 + xy**2)
        first, second = dark * (xx + yy) / 2 + root, dark * (xx + yy) / 2 - root
        best = np.maximum(best, scale**2 * np.maximum(first - np.abs(second), 0))
    return best


def outline_at(rgb: NDArray[Any], x_px: float, y_px: float) -> Floats:
    """Outline of the stone or the defect under a click.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (rows, columns, 3)
        The view.
    x_px, y_px : float
        Place in it.

    Returns
    -------
    ndarray, shape (n, 2)
        Ring (x, y), not closed.

    Raises
    ------
    InputError
        The click lies outside the picture.
    GeometryError
        Nothing stands out there.
    """
    rows, columns = rgb.shape[:2]
    if not (0 <= x_px < columns and 0 <= y_px < rows):
        raise InputError(f"the place ({x_px:g}, {y_px:g}) lies outside the picture of {columns} x {rows} px", "Click inside the picture.")
    found, square = _patch(rgb, x_px, y_px), _squared(rgb, x_px, y_px)
    if found is None and square is None:
        raise GeometryError(f"nothing stands out at ({x_px:g}, {y_px:g})", "Click nearer to the middle, or draw the outline by hand.")
    if square is not None and (found is None or square.score * _square_weight(*found) >= found[1]):
        return square.corners_px
    assert found is not None
    return found[0]


def _square_weight(ring: Floats, score: float) -> float:
    """Squared stones lead, unless the other region is round and has a clear, even border."""
    (_, sides, _), area = cv2.minAreaRect(ring.astype(np.float32)), cv2.contourArea(ring.astype(np.float32))
    hull = cv2.contourArea(cv2.convexHull(ring.astype(np.float32)))
    is_round = area < ROUND_FILLS * sides[0] * sides[1] and area > ROUND_SOLID * hull
    return SQUARE_WEIGHT_BESIDE_ROUND if is_round and score >= CLEAR_SCORE else SQUARE_WEIGHT


def _patch(rgb: NDArray[Any], x_px: float, y_px: float) -> tuple[Floats, float] | None:
    """Ring and score of the best region of any shape, seen from far and then from near where it is small."""
    rows, columns = rgb.shape[:2]
    reach, best = float(FIRST_REACH_PX), None
    for _ in range(2):
        left, top = max(0, int(x_px - reach)), max(0, int(y_px - reach))
        part = rgb[top : int(y_px + reach) + 1, left : int(x_px + reach) + 1]
        scale = min(1.0, WORKING_SIDE_PX / max(part.shape[:2]))
        small = part if scale == 1.0 else cv2.resize(part, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
        seed = (min(int((y_px - top) * scale), small.shape[0] - 1), min(int((x_px - left) * scale), small.shape[1] - 1))
        found = _best_region(small, seed)
        if found is None:
            reach *= 3
            if reach > 2 * max(rows, columns):
                break
            continue
        ring = (_ring(found.mask) + 0.5) / scale - 0.5 + np.array([left, top], dtype=float)
        if best is None or found.score > best[1]:
            best = (ring, found.score)
        box = np.ptp(ring, axis=0)
        if scale == 1.0 or box.min() * scale >= SMALL_REGION_PX:
            break
        reach = max(2.2 * float(box.max()), 60.0)
    return best


def _squared(rgb: NDArray[Any], x_px: float, y_px: float) -> Square | None:
    """The best squared stone over several views round the click, the one that views agree on first."""
    rows, columns = rgb.shape[:2]
    squares: list[Square] = []
    for reach in SQUARE_REACHES_PX:
        left, top = max(0, int(x_px - reach)), max(0, int(y_px - reach))
        part = rgb[top : int(y_px + reach), left : int(x_px + reach)]
        scale = min(1.0, SQUARE_SIDE_PX / max(part.shape[:2]))
        small = part if scale == 1.0 else cv2.resize(part, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
        if min(small.shape[:2]) < 24:
            continue
        lab = cv2.cvtColor(small.astype(np.float32) / 255.0, cv2.COLOR_RGB2LAB)
        square = square_at(straight_edges(lab), (int((y_px - top) * scale), int((x_px - left) * scale)))
        if square is not None:
            corners = (square.corners_px + 0.5) / scale - 0.5 + np.array([left, top], dtype=float)
            squares.append(Square(corners_px=corners, score=square.score))
        if part.shape[:2] == (rows, columns):
            break
    return _at_arris(rgb, agreed(squares)) if squares else None


def _at_arris(rgb: NDArray[Any], square: Square) -> Square:
    """A square with its sides at the arrises, found in a near view of it."""
    low, high = square.corners_px.min(axis=0) - 12, square.corners_px.max(axis=0) + 12
    left, top = (int(v) for v in np.maximum(low, 0))
    part = rgb[top : int(high[1]) + 1, left : int(high[0]) + 1]
    scale = min(1.0, 2 * SQUARE_SIDE_PX / max(part.shape[:2]))
    small = part if scale == 1.0 else cv2.resize(part, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    lab = cv2.cvtColor(small.astype(np.float32) / 255.0, cv2.COLOR_RGB2LAB)
    corners = (square.corners_px - [left, top] + 0.5) * scale - 0.5
    shortest = float(np.linalg.norm(np.roll(corners, -1, axis=0) - corners, axis=1).min())
    corners = on_stone(lab, corners, most_px=float(np.clip(0.06 * shortest, 2.0, 8.0)))
    return Square(corners_px=(corners + 0.5) / scale - 0.5 + np.array([left, top]), score=square.score)


def _best_region(rgb: NDArray[Any], seed: tuple[int, int]) -> Candidate | None:
    barrier = barrier_map(rgb)
    clicked, seed = seed, _quiet_seed(barrier, seed)
    near = cv2.dilate(barrier, np.ones((5, 5), np.uint8))
    lab = _lab(rgb)
    candidates: list[Candidate] = []
    areas: list[int] = []
    for passable, cuts in _floods(barrier, lab, seed):
        for cut in cuts:
            mask = _region(passable, seed, cut)
            if mask is None:
                continue
            area = int(mask.sum())
            if area < 60 or not mask[clicked] or any(abs(area - old) < SAME_AREA * old for old in areas):
                continue
            areas.append(area)
            candidates.append(Candidate(mask=mask, score=_score(mask, barrier, near, lab)))
    for border in round_borders(lab, seed):
        part = np.zeros(barrier.shape, np.uint8)
        cv2.fillPoly(part, [np.round(border).astype(np.int32)], 1)
        if part.sum() >= 60 and part[clicked]:
            candidates.append(Candidate(mask=part.astype(bool), score=_score(part.astype(bool), barrier, near, lab)))
    candidates.sort(key=lambda candidate: -candidate.score)
    best: Candidate | None = None
    for candidate in candidates[:REFINED]:
        mask = _on_crest(candidate.mask, barrier)
        moved = Candidate(mask=mask, score=_score(mask, barrier, near, lab) if mask.sum() >= 60 and mask[clicked] else 0.0)
        for one in (candidate, moved):
            if best is None or one.score > best.score:
                best = one
    return best


def _on_crest(mask: Mask, barrier: Floats) -> Mask:
    """The border moved to the crest of the edge round it: a flood stops at the foot."""
    part = mask.astype(np.uint8)
    reach = int(np.clip(0.06 * np.sqrt(part.sum()), 2, 7))
    inner = cv2.erode(part, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach - 1, 2 * reach - 1)), borderValue=0)
    outer = cv2.dilate(part, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 3, 2 * reach + 3)))
    if not inner.any():
        return mask
    left, top, width, height = cv2.boundingRect(outer)
    part_of = np.s_[max(0, top - 1) : top + height + 1, max(0, left - 1) : left + width + 1]
    markers = inner[part_of].astype(np.int32) + 2 * (outer[part_of] == 0)
    if not (markers == 2).any():
        return mask
    found = np.zeros_like(part)
    found[part_of] = watershed(cv2.GaussianBlur(barrier[part_of], (0, 0), 0.8), markers) == 1
    return _without_holes(found).astype(bool)


def _lab(rgb: NDArray[Any]) -> Floats:
    """CIELAB of a smoothed view, in usual units; only differences are used."""
    lab = cv2.cvtColor(cv2.GaussianBlur(np.ascontiguousarray(rgb), (0, 0), 1.0), cv2.COLOR_RGB2LAB).astype(np.float32)
    return lab * np.array([100.0 / 255.0, 1.0, 1.0], np.float32)


def _floods(barrier: Floats, lab: Floats, seed: tuple[int, int]) -> Iterator[tuple[Mask, tuple[int, ...]]]:
    """Maps of pixels that a flood from the click may enter: over low edges, and over like colours."""
    levels = np.unique(np.quantile(barrier, np.linspace(0.35, 0.985, _LEVELS)))
    for level in levels[levels > barrier[seed]]:
        yield barrier <= level, _CUTS_PX
    for reach in (2, 5):
        calm = cv2.medianBlur(np.clip(lab, 0, 255).astype(np.uint8), 2 * reach + 1).astype(np.float32)
        row, column = seed
        around = calm[max(0, row - reach) : row + reach + 1, max(0, column - reach) : column + reach + 1].reshape(-1, 3)
        away = np.linalg.norm((calm - np.median(around, axis=0)) * np.array([0.7, 1.0, 1.0], np.float32), axis=2)
        for tolerance in (5.0, 9.0, 14.0, 20.0, 30.0):
            like = (away <= tolerance).astype(np.uint8)
            disk = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach - 1, 2 * reach - 1))
            yield cv2.morphologyEx(like, cv2.MORPH_CLOSE, disk).astype(bool), (0, 3)


def _quiet_seed(barrier: Floats, seed: tuple[int, int]) -> tuple[int, int]:
    """The quietest pixel within a few pixels of the click, so that a click on a grain still works."""
    reach = 5
    top, left = max(0, seed[0] - reach), max(0, seed[1] - reach)
    part = cv2.GaussianBlur(barrier, (0, 0), 1.5)[top : seed[0] + reach + 1, left : seed[1] + reach + 1]
    row, column = np.unravel_index(int(np.argmin(part)), part.shape)
    return top + int(row), left + int(column)


def _region(passable: Mask, seed: tuple[int, int], cut_px: int) -> Mask | None:
    """Connected to the seed, narrow necks cut, holes filled."""
    inside: Any = passable.astype(np.uint8)
    if cut_px:
        disk = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * cut_px + 1, 2 * cut_px + 1))
        inside = _filled_specks(inside)
        inside = cv2.erode(inside, disk, borderValue=0)
        if not inside[seed]:
            distance = cv2.distanceTransform(1 - inside, cv2.DIST_L2, 3)
            if distance[seed] > 3 * cut_px:
                return None
            rows, columns = np.nonzero(inside)
            if not len(rows):
                return None
            nearest = int(np.argmin((rows - seed[0]) ** 2 + (columns - seed[1]) ** 2))
            seed = (int(rows[nearest]), int(columns[nearest]))
    elif not inside[seed]:
        return None
    _, labels = cv2.connectedComponents(inside, connectivity=4)
    part = (labels == labels[seed]).astype(np.uint8)
    if cut_px:
        part = cv2.dilate(part, disk)
    return _without_holes(part).astype(bool)


def _filled_specks(inside: NDArray[np.uint8], *, largest_px: int = 60) -> NDArray[np.uint8]:
    """Small obstacles such as grains are no border."""
    number, labels, stats, _ = cv2.connectedComponentsWithStats(1 - inside, connectivity=8)
    small = np.flatnonzero(stats[:, cv2.CC_STAT_AREA] <= largest_px)
    small = small[small != 0]
    return np.where(np.isin(labels, small), 1, inside).astype(np.uint8) if number > 1 and len(small) else inside


def _without_holes(part: NDArray[np.uint8]) -> NDArray[np.uint8]:
    contours, _ = cv2.findContours(part, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    filled = np.zeros_like(part)
    cv2.drawContours(filled, contours, -1, 1, cv2.FILLED)
    return filled


def _score(mask: Mask, barrier: Floats, near: Floats, lab: Floats) -> float:
    """How well the picture supports a border.

    Two things count: edges along it, its weakest part first; and that the step across it is the same all
    round, which an edge inside a stone or a coin never is.
    """
    part = mask.astype(np.uint8)
    contours, _ = cv2.findContours(part, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    contour = max(contours, key=len)[:, 0]
    rows, columns = mask.shape
    at_frame = (contour[:, 0] <= 1) | (contour[:, 1] <= 1) | (contour[:, 0] >= columns - 2) | (contour[:, 1] >= rows - 2)
    if at_frame.mean() > 0.6:
        return 0.0
    border = np.where(at_frame, 1.0, np.minimum(near[contour[:, 1], contour[:, 0]], 12.0))
    support = 0.55 * float(np.quantile(border, 0.2)) + 0.45 * float(border.mean())
    inner = cv2.erode(part, np.ones((7, 7), np.uint8)).astype(bool)
    inside = float(np.quantile(barrier[inner], 0.75)) if inner.sum() > 30 else 3.0
    area, hull = float(part.sum()), float(cv2.contourArea(cv2.convexHull(contour)))
    solid = min(1.0, area / max(hull, 1.0))
    size = min(1.0, (area / 900.0) ** 0.25)
    step = _step(part, contour[~at_frame], lab)
    return support / (1.0 + 0.25 * inside) * step * solid**2 * size * (0.6 if at_frame.mean() > 0.2 else 1.0)


def _step(part: NDArray[np.uint8], contour: NDArray[Any], lab: Floats) -> float:
    """How even the step of colour across a border is: its mean over its scatter, at most 3."""
    if len(contour) < 12:
        return 0.0
    left, top, width, height = cv2.boundingRect(part)
    left, top = max(0, left - 8), max(0, top - 8)
    part_of = np.s_[top : top + height + 16, left : left + width + 16]
    part, lab, contour = part[part_of], lab[part_of], contour - [left, top]
    distance = cv2.distanceTransform(part, cv2.DIST_L2, 3) - cv2.distanceTransform(1 - part, cv2.DIST_L2, 3)
    smooth = cv2.GaussianBlur(distance, (0, 0), 2.0)
    gx, gy = cv2.Sobel(smooth, cv2.CV_32F, 1, 0), cv2.Sobel(smooth, cv2.CV_32F, 0, 1)
    x, y = contour[:, 0], contour[:, 1]
    normal = np.stack([gx[y, x], gy[y, x]], axis=1)
    normal /= np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-6)

    def at(reach: float) -> Floats:
        places = (contour + reach * normal).astype(np.float32)
        return cv2.remap(lab, places[None, :, 0], places[None, :, 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)[0]

    difference = (at(3.0) + at(5.0)) / 2 - (at(-2.0) + at(-3.5)) / 2
    scatter = float(np.sqrt(np.var(difference, axis=0).sum()))
    return min(3.0, float(np.linalg.norm(difference.mean(axis=0))) / (scatter + 1.5))


def _ring(mask: Mask) -> Floats:
    """Outline of a mask with its stairs smoothed away and as few corners as half a pixel allows."""
    soft = cv2.GaussianBlur(np.pad(mask, 3).astype(np.float32), (0, 0), 1.2)
    contours, _ = cv2.findContours((soft > 0.5).astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    contour = max(contours, key=cv2.contourArea)
    return cv2.approxPolyDP(contour, 0.8, True)[:, 0].astype(float) - 3.0
