"""Damage from what the network sees: regions of one kind with their outlines, and runs of open joint as lines."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray
from skimage.morphology import skeletonize

from facademap.condition.damage_net import KINDS, DamageSeen
from facademap.values import frozen_value

__all__ = ["DOUBTFUL", "Damage", "damage_at", "damage_mask", "damages_of"]

#: The kind that is told as a line.
_LINE = "open joint"
#: A pixel shows a kind when its share is above this, of 255; regions smaller than this are noise.
_SHOWN, _SMALLEST_PX = 128, 90
_SHORTEST_LINE_PX = 18
#: Holes smaller than this are filled; outlines are simplified by this many pixels.
_HOLE_PX, _SIMPLE_PX = 60, 0.8
#: Mean share of the kind against how often kind and outline were right, on rendered walls held back.
_SHARES = (0.5, 0.55, 0.625, 0.675, 0.725, 0.825, 0.875, 0.925, 0.975, 1.0)
_RIGHT = (0.3, 0.37, 0.43, 0.60, 0.70, 0.71, 0.83, 0.93, 0.98, 0.99)
#: Share of all kinds together below which a region that was clicked shows none of them.
_SOME = 0.1
#: Below this confidence a proposal is not worth a person's time.
DOUBTFUL = 0.5


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class Damage:
    """A proposed damage.

    Parameters
    ----------
    term : str
        Guess, a term of the glossary.
    shape_px : shapely geometry
        Polygon, or line where the term is one, in pixels (x, y).
    confidence : float
        Share of proposals like this one whose kind and outline were right, on rendered walls.
    width_px : float
        Middle width of a line; not a number of an area.
    """

    term: str
    shape_px: Any
    confidence: float
    width_px: float = float("nan")


def damages_of(seen: DamageSeen) -> list[Damage]:
    """All damage seen, the surest first; regions of different kinds do not overlap."""
    best = seen.kinds.argmax(axis=0)
    shown = seen.kinds.max(axis=0) > _SHOWN
    found = []
    for k, term in enumerate(KINDS):
        mask = ((best == k) & shown).astype(np.uint8)
        if not mask.any():
            continue
        count, labels, stats, _ = cv2.connectedComponentsWithStats(mask, connectivity=8)
        for label in range(1, count):
            left, top, wide, tall, area = (int(v) for v in stats[label])
            if area < _SMALLEST_PX:
                continue
            part = np.s_[top : top + tall, left : left + wide]
            mine = labels[part] == label
            confidence = _confidence(float(seen.kinds[k][part][mine].mean()) / 255)
            if confidence < DOUBTFUL:
                continue
            found += _shaped(term, mine, (left, top), confidence)
    return sorted(found, key=lambda d: -d.confidence)


def damage_at(seen: DamageSeen, inside: Sequence[Sequence[float]]) -> Damage | None:
    """The region that clicks point at, with the likeliest term; None where nothing with a border is seen there."""
    mine = damage_mask(seen, inside)
    if mine.sum() < _SMALLEST_PX // 2:
        return None
    each = seen.kinds[:, mine].mean(axis=1) / 255
    ends = [mine[0].any() and mine[-1].any(), mine[:, 0].any() and mine[:, -1].any()]
    if all(ends) or each.sum() < _SOME:
        return None  # it fills the whole view, or looks like nothing that is known
    k = int(np.argmax(each))
    sure = float(seen.region[mine].mean()) / 255
    confidence = _confidence(sure * float(each[k] / max(each.sum(), 0.2)))
    shapes = _shaped(KINDS[k], mine, (0, 0), confidence)
    return max(shapes, key=lambda d: d.shape_px.length, default=None)


def damage_mask(seen: DamageSeen, inside: Sequence[Sequence[float]]) -> NDArray[np.bool_]:
    """Pixels of the region that clicks point at: the parts that hold one of them."""
    mask = (seen.region > _SHOWN).astype(np.uint8)
    _, labels = cv2.connectedComponents(mask, connectivity=8)
    rows, columns = mask.shape
    mine = np.zeros(mask.shape, bool)
    for x, y in inside:
        row, column = (int(np.clip(round(v), 0, n - 1)) for v, n in ((y, rows), (x, columns)))
        label = labels[row, column]
        if label:
            mine |= labels == label
    return mine


def _confidence(share: float) -> float:
    return round(float(np.interp(share, _SHARES, _RIGHT)), 2)


def _shaped(
    term: str, mine: NDArray[np.bool_], place: tuple[int, int], confidence: float
) -> list[Damage]:
    """A region as a polygon with its holes, or as the lines along its middle."""
    if term == _LINE:
        return [
            Damage(term=term, shape_px=line, confidence=confidence, width_px=width)
            for line, width in _lines(mine, place)
        ]
    shape = _polygon(mine, place)
    return [] if shape is None else [Damage(term=term, shape_px=shape, confidence=confidence)]


def _polygon(mine: NDArray[np.bool_], place: tuple[int, int]) -> Any:
    padded = np.pad(mine.astype(np.uint8), 1)
    contours, tree = cv2.findContours(padded, cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
    outer = max(
        (i for i in range(len(contours)) if tree[0][i][3] < 0),
        key=lambda i: cv2.contourArea(contours[i]),
    )
    rings = [contours[outer]] + [
        c
        for i, c in enumerate(contours)
        if tree[0][i][3] == outer and cv2.contourArea(c) > _HOLE_PX
    ]
    smooth = [_smoothed(r[:, 0].astype(float) - 1 + place) for r in rings]
    smooth = [r for r in smooth if len(r) >= 4]
    if not smooth:
        return None
    shape = shapely.make_valid(shapely.Polygon(smooth[0], smooth[1:]).buffer(0.35))
    parts = [p for p in shapely.get_parts(shape) if p.geom_type == "Polygon" and not p.is_empty]
    return max(parts, key=lambda p: p.area).simplify(_SIMPLE_PX) if parts else None


def _smoothed(ring: Any) -> Any:
    """A traced ring without its steps; it runs through the middles of its pixels."""
    if len(ring) < 8:
        return ring
    return (np.roll(ring, 1, axis=0) + 2 * ring + np.roll(ring, -1, axis=0)) / 4


def _lines(mine: NDArray[np.bool_], place: tuple[int, int]) -> list[tuple[Any, float]]:
    """Middle lines between the places where runs meet, with their width."""
    thinned: Callable[..., NDArray[np.bool_]] = skeletonize  # it says nothing of its types
    padded = np.pad(mine, 1)
    deep = cv2.distanceTransform(padded.astype(np.uint8), cv2.DIST_L2, 3)
    thin = thinned(padded).astype(np.uint8)
    beside = cv2.filter2D(thin, -1, np.ones((3, 3)), borderType=cv2.BORDER_CONSTANT)
    runs = thin & (beside <= 3)
    count, labels = cv2.connectedComponents(runs, connectivity=8)
    lines = []
    for label in range(1, count):
        rows, columns = np.nonzero(labels == label)
        if len(rows) < _SHORTEST_LINE_PX:
            continue
        path = _in_order(np.column_stack([columns, rows]))
        line = shapely.LineString(path - 1.0 + place).simplify(_SIMPLE_PX)
        lines.append((line, 2 * float(np.median(deep[rows, columns]))))
    return lines


def _in_order(places: NDArray[Any]) -> NDArray[Any]:
    """Pixels of a run that does not branch, from one end to the other."""
    left = {(int(x), int(y)) for x, y in places}
    beside = [(dx, dy) for dx in (-1, 0, 1) for dy in (-1, 0, 1) if dx or dy]
    beside.sort(key=lambda d: abs(d[0]) + abs(d[1]))
    ends = [p for p in left if sum((p[0] + a, p[1] + b) in left for a, b in beside) <= 1]
    here = min(ends) if ends else min(left)
    path = [here]
    left.discard(here)
    while left:
        step = next(
            ((here[0] + a, here[1] + b) for a, b in beside if (here[0] + a, here[1] + b) in left),
            None,
        )
        if step is None:
            break
        left.discard(step)
        path.append(step)
        here = step
    return np.array(path, float)
