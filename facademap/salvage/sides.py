"""Where an outline leaves the straight side of a block: is it stone that was chipped off, or ground that was taken in?

Blocks are squared: most of an outline lies on a few straight sides. A stretch between two points of one side
(or between the ends of two neighbouring sides) that runs outside of them has taken in ground that looks like the
stone, a shadow, or something leaning on it; one that runs inside has lost stone, or the stone is chipped there. What
lies between the stretch and the side is compared with the stone inside and with the ground outside, pixel by
pixel, and the side is followed where the comparison says so.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from facademap.photo.lab import lab_from_srgb

__all__ = ["follow_sides"]

Floats = NDArray[np.floating[Any]]

#: Points along the outline, and how near to a line (share of the square root of the area) they count as on it.
_POINTS = 480
_NEAR = 0.006
#: A side is at least this share of the outline, and an outline has at most this many.
_LEAST_SIDE = 0.07
_MOST_SIDES = 8
#: A stretch longer than this share of its side, or a corner farther than this (share of the square root of the area), is left.
_MOST_STRETCH = 0.5
_MOST_CORNER = 0.16
#: The same where something leans on a corner.
_MOST_LEANING = 0.32
#: Natural logarithm of the ratio of distances to ground and stone: beyond these, what is between is stone or ground.
_IS_STONE = 0.35
_IS_GROUND = 0.12
_WORKING_PX = 900
#: A line shows where the step across it is so large (CIELAB), so much larger than those of the stone, over so many pixels.
_LEAST_LINE_STEP = 3.0
_LINE_RATIO = 1.3
_LEAST_LINE_PX = 14.0
_SAMPLES = 2500


@dataclass(frozen=True, slots=True, eq=False)
class _Side:
    """A line (point, unit direction along the ring) and which points of the ring lie on it."""

    at: Floats
    along: Floats
    on: NDArray[np.bool_]


def follow_sides(rgb: NDArray[Any], ring: Floats) -> tuple[Floats, bool]:
    """Put straight sides in place of stretches that took in ground or left out stone.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (rows, cols, 3)
    ring : ndarray, shape (n, 2)
        Outline in pixels.

    Returns
    -------
    ring : ndarray, shape (m, 2)
    changed : bool
    """
    polygon = shapely.Polygon(ring)
    if not polygon.is_valid or polygon.is_empty:
        return ring, False
    size = float(np.sqrt(polygon.area))
    points = _even(ring)
    outward = 1.0 if shapely.Polygon(points).exterior.is_ccw else -1.0
    sides = _sides(points, near=_NEAR * size)
    if len(sides) < 2:
        return ring, False
    pieces = [*_stretches(points, sides, outward, size), *_corners(points, sides, outward, size)]
    if not pieces:
        return ring, False
    likeness = _Likeness(rgb, polygon, size)
    added = [p for p, out in pieces if not out and likeness.to_stone(p) > _IS_STONE]
    taken = [
        p
        for p, out in pieces
        if out and (likeness.to_stone(p) < _IS_GROUND or likeness.line_shows(p))
    ]
    if not added and not taken:
        return ring, False
    shape = shapely.union_all([polygon, *added]).difference(shapely.union_all(taken)).buffer(0)
    parts = [p for p in shapely.get_parts(shape) if p.geom_type == "Polygon"]
    largest = max(parts, key=lambda p: p.area)
    return shapely.get_coordinates(largest.exterior)[:-1], True


def _even(ring: Floats) -> Floats:
    closed = shapely.LinearRing(ring)
    along = np.linspace(0, closed.length, _POINTS, endpoint=False)
    return np.asarray(shapely.get_coordinates(shapely.line_interpolate_point(closed, along)))


def _sides(points: Floats, *, near: float) -> list[_Side]:
    """The straight sides of a ring, longest first: lines through many of its points that run along it."""
    free = np.ones(len(points), bool)
    step = np.roll(points, -4, axis=0) - np.roll(points, 4, axis=0)
    heading = step / np.maximum(np.hypot(*step.T), 1e-9)[:, None]
    sides: list[_Side] = []
    starts = np.arange(0, len(points), 3)
    while len(sides) < _MOST_SIDES:
        best: NDArray[np.bool_] | None = None
        for gap in (24, 48, 96, 144):
            a, b = points[starts], points[(starts + gap) % len(points)]
            along = (b - a) / np.maximum(np.hypot(*(b - a).T), 1e-9)[:, None]
            off = points[None] - a[:, None]
            away = np.abs(off[..., 0] * along[:, None, 1] - off[..., 1] * along[:, None, 0])
            on = (away < near) & (heading @ along.T > 0.9).T & free
            most = int(on.sum(axis=1).argmax())
            if best is None or on[most].sum() > best.sum():
                best = on[most]
        assert best is not None
        if best.sum() < _LEAST_SIDE * len(points):
            break
        for _ in range(3):
            at = points[best].mean(axis=0)
            along = np.linalg.svd(points[best] - at)[2][0]
            along = along * np.sign(along @ heading[best].sum(axis=0))
            off = points - at
            best = (
                (np.abs(off[:, 0] * along[1] - off[:, 1] * along[0]) < near)
                & (heading @ along > 0.9)
                & free
            )
            if best.sum() < 12:
                return sides
        sides.append(_Side(at=at, along=along, on=best))
        free &= ~best
    return sides


def _outside(points: Floats, side: _Side, outward: float) -> Floats:
    """Distance of points beyond a side, outward positive."""
    off = points - side.at
    return np.asarray(outward * (off[:, 0] * side.along[1] - off[:, 1] * side.along[0]))


def _runs(flags: NDArray[np.bool_]) -> list[NDArray[np.intp]]:
    """Index runs of True round a ring."""
    if flags.all() or not flags.any():
        return []
    start = int(np.flatnonzero(~flags)[0])
    order = (start + np.arange(len(flags))) % len(flags)
    marks = np.flatnonzero(np.diff(np.r_[0, flags[order].astype(int), 0]))
    return [order[a:b] for a, b in zip(marks[::2], marks[1::2], strict=True)]


def _foot(point: Floats, side: _Side) -> Floats:
    return np.asarray(side.at + side.along * float((point - side.at) @ side.along))


def _piece(points: Floats) -> shapely.Polygon | None:
    shape = shapely.Polygon(points).buffer(0)
    parts = [p for p in shapely.get_parts(shape) if p.geom_type == "Polygon" and p.area > 0]
    return max(parts, key=lambda p: p.area) if parts else None


def _stretches(
    points: Floats, sides: list[_Side], outward: float, size: float
) -> list[tuple[shapely.Polygon, bool]]:
    """What lies between a side and the stretches that leave it and come back, and whether it lies outside."""
    found = []
    near = _NEAR * size
    for side in sides:
        place = (points - side.at) @ side.along
        span = float(np.ptp(place[side.on]))
        for run in _runs(~side.on):
            before, after = run[0] - 1, (run[-1] + 1) % len(points)
            width = float(place[after] - place[before])
            if not 0 < width < _MOST_STRETCH * span:
                continue
            away = _outside(points[run], side, outward)
            far = float(away[np.abs(away).argmax()])
            if not 1.2 * near < abs(far) < 0.35 * size:
                continue
            piece = _piece(
                np.vstack([_foot(points[before], side), points[run], _foot(points[after], side)])
            )
            if piece is not None:
                found.append((piece, far > 0))
    return found


def _corners(
    points: Floats, sides: list[_Side], outward: float, size: float
) -> list[tuple[shapely.Polygon, bool]]:
    """The same where one side ends and the next begins: between the outline and the corner of the two lines."""
    owner = np.full(len(points), -1)
    for k, side in enumerate(sides):
        owner[side.on] = k
    found = []
    near = _NEAR * size
    for run in _runs(owner < 0):
        before, after = run[0] - 1, (run[-1] + 1) % len(points)
        first, second = owner[before], owner[after]
        if first == second or first < 0 or second < 0:
            continue
        a, b = sides[first], sides[second]
        cross = float(a.along[0] * b.along[1] - a.along[1] * b.along[0])
        if abs(cross) < 0.6:
            continue
        off = b.at - a.at
        corner = a.at + a.along * float(off[0] * b.along[1] - off[1] * b.along[0]) / cross
        ahead, back = (
            float((corner - points[before]) @ a.along),
            float((points[after] - corner) @ b.along),
        )
        beyond = np.maximum(_outside(points[run], a, outward), _outside(points[run], b, outward))
        inside = -float(beyond.min())
        out = float(beyond.max()) > max(1.2 * near, inside)
        if max(abs(ahead), abs(back)) > (_MOST_LEANING if out else _MOST_CORNER) * size:
            continue
        if not out and inside < 0.5 * near and np.hypot(*(points[run] - corner).T).min() < near:
            continue
        piece = _piece(np.vstack([points[before], points[run], points[after], corner]))
        if piece is not None and piece.area > 0.2 * near**2:
            found.append((piece, out))
    return found


def _longest_edge(corners: Floats) -> tuple[Floats, Floats] | None:
    """The longest edge of a piece: the line that closes it, since the outline itself comes in small steps."""
    following = np.roll(corners, -1, axis=0)
    lengths = np.hypot(*(following - corners).T)
    k = int(lengths.argmax())
    return (corners[k], following[k]) if lengths[k] > 0 else None


class _Likeness:
    """How much nearer to the stone than to the ground the pixels of a piece are."""

    def __init__(self, rgb: NDArray[Any], polygon: shapely.Polygon, size: float) -> None:
        rows, cols = rgb.shape[:2]
        self.scale = min(1.0, _WORKING_PX / max(rows, cols))
        small = (
            cv2.resize(
                rgb,
                (round(cols * self.scale), round(rows * self.scale)),
                interpolation=cv2.INTER_AREA,
            )
            if self.scale < 1
            else rgb
        )
        lab = lab_from_srgb(cv2.medianBlur(np.ascontiguousarray(small), 3)).astype(np.float32)
        coarse = cv2.GaussianBlur(lab, (0, 0), 2.5)
        grain = np.sqrt(cv2.GaussianBlur((lab[..., 0] - coarse[..., 0]) ** 2, (0, 0), 3.0))
        self.fine = lab
        self.features = np.dstack([0.5 * lab, coarse, 1.2 * grain])
        step = max(2.0, 0.02 * size * self.scale)
        face = self._mask(polygon)
        inside = cv2.distanceTransform(face, cv2.DIST_L2, 5)
        outside = cv2.distanceTransform(1 - face, cv2.DIST_L2, 5)
        self.stone = (inside > step) & (inside < 14 * step)
        self.about = (outside > step) & (outside < 7 * step)
        self.reach = 14 * step

    def _mask(self, polygon: shapely.Polygon) -> NDArray[np.uint8]:
        mask = np.zeros(self.features.shape[:2], np.uint8)
        ring = (shapely.get_coordinates(polygon.exterior) + 0.5) * self.scale - 0.5
        cv2.fillPoly(mask, [np.round(ring * 16).astype(np.int32)], 1, cv2.LINE_8, 4)
        return mask

    def line_shows(self, piece: shapely.Polygon) -> bool:
        """Whether the side goes on visibly between a piece outside of it and the stone: a step along the whole line."""
        corners = shapely.get_coordinates(piece.exterior)[:-1]
        chord = _longest_edge(corners)
        if chord is None:
            return False
        start, end = (np.asarray(c) * self.scale for c in chord)
        length = float(np.hypot(*(end - start)))
        if length < _LEAST_LINE_PX:
            return False
        along = (end - start) / length
        inward = np.array([-along[1], along[0]])
        middle = np.asarray(piece.centroid.coords[0]) * self.scale
        inward *= -np.sign(inward @ (middle - start)) or 1.0
        share = np.linspace(0.08, 0.92, max(24, int(length / 2)))
        depth = np.arange(-5.0, 36.0)
        places = (
            start + share[:, None, None] * (end - start) + depth[None, :, None] * inward
        ).astype(np.float32)
        strip = cv2.remap(
            self.fine,
            places[..., 0],
            places[..., 1],
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        )
        summed = np.concatenate([np.zeros((len(share), 1, 3)), np.cumsum(strip, axis=1)], axis=1)

        def jumps(at: int) -> Floats:
            return np.asarray(
                (summed[:, at + 5] - summed[:, at + 1]) / 4
                - (summed[:, at] - summed[:, at - 4]) / 4
            )

        best = max(
            (jumps(at) for at in (4, 5, 6)), key=lambda j: float(np.hypot(*j.mean(axis=0)[:2]))
        )
        mean = best.mean(axis=0)
        size = float(np.sqrt((mean**2).sum()))
        usual = max(
            float(np.sqrt((jumps(at).mean(axis=0) ** 2).sum())) for at in range(12, len(depth) - 6)
        )
        parts = np.array([part.mean(axis=0) @ mean for part in np.array_split(best, 6)])
        return size > max(_LEAST_LINE_STEP, _LINE_RATIO * usual) and bool(
            np.mean(parts > 0.3 * size**2) > 0.8
        )

    def to_stone(self, piece: shapely.Polygon) -> float:
        """Mean logarithm of distance to the ground over distance to the stone, near a piece; positive = stone."""
        inner = self._mask(piece) > 0
        y, x = np.nonzero(inner)
        if len(x) < 4:
            return 0.0
        near = np.zeros(inner.shape, bool)
        x0, x1 = max(0, int(x.min() - self.reach)), int(x.max() + self.reach) + 1
        y0, y1 = max(0, int(y.min() - self.reach)), int(y.max() + self.reach) + 1
        near[y0:y1, x0:x1] = True
        trees = []
        for side in (self.about, self.stone):
            samples = self.features[side & near & ~inner]
            if len(samples) < 40:
                return 0.0
            trees.append(cKDTree(samples[:: max(1, len(samples) // _SAMPLES)]))
        of = self.features[inner][:: max(1, len(x) // 800)]
        ground, stone = (tree.query(of, k=5)[0].mean(axis=1) for tree in trees)
        return float(np.mean(np.clip(np.log((ground + 0.3) / (stone + 0.3)), -2, 2)))
