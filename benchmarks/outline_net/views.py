"""Views of rendered walls as a camera would show them, each with a click and what was clicked."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from scipy.ndimage import find_objects

#: Side of a view, pixels, and how many times finer its truth is drawn.
SIDE, FINER = 128, 2
#: Smallest things clicked, pixels of the wall.
_LEAST_STONE, _LEAST_DEFECT = 250, 120


@dataclass(frozen=True, slots=True, kw_only=True)
class Wall:
    """A rendered wall and the places where its stones and defects lie."""

    picture: np.ndarray
    stones: np.ndarray
    defects: np.ndarray
    stone_boxes: list
    defect_boxes: list

    @classmethod
    def of(cls, picture, stones, defects) -> Wall:
        """A wall with its boxes."""
        return cls(
            picture=picture,
            stones=stones,
            defects=defects,
            stone_boxes=find_objects(stones),
            defect_boxes=find_objects(defects),
        )


def sample(rng, wall: Wall):
    """Bands of a view, and the masks of the thing clicked and of the joints; None where chance found none."""
    for _ in range(30):
        found = _clicked(rng, wall)
        if found is not None:
            break
    else:
        return None
    numbers, number, box, click = found
    to_view = _camera(rng, box, click, wall.picture.shape[0])
    side = SIDE * FINER
    how = cv2.INTER_LINEAR if rng.random() < 0.6 else cv2.INTER_CUBIC
    seen = cv2.warpPerspective(
        wall.picture, to_view, (side, side), flags=how, borderMode=cv2.BORDER_REFLECT
    )
    seen = cv2.resize(seen, (SIDE, SIDE), interpolation=cv2.INTER_AREA)
    # beyond the wall the picture is mirrored, which makes no second thing of the one clicked
    thing = cv2.warpPerspective(
        numbers, to_view, (side, side), flags=cv2.INTER_NEAREST, borderMode=cv2.BORDER_CONSTANT
    )
    joint = cv2.warpPerspective(
        wall.stones, to_view, (side, side), flags=cv2.INTER_NEAREST, borderMode=cv2.BORDER_REFLECT
    )
    truth = np.dstack([thing == number, joint == 0]).astype(np.float32)
    truth = cv2.resize(truth, (SIDE, SIDE), interpolation=cv2.INTER_AREA)
    at = (
        cv2.perspectiveTransform(np.array([[click]], np.float32), to_view)[0, 0] + 0.5
    ) / FINER - 0.5
    return bands(degraded(rng, seen), at[0], at[1]), truth


def _clicked(rng, wall: Wall):
    """The array of numbers and the number of a thing, its box and a click in it, (x, y)."""
    if rng.random() < 0.28 and wall.defect_boxes:
        numbers, boxes, least = wall.defects, wall.defect_boxes, _LEAST_DEFECT
        number = int(rng.integers(len(boxes))) + 1
    else:
        numbers, boxes, least = wall.stones, wall.stone_boxes, _LEAST_STONE
        y, x = rng.integers(0, len(numbers), 2)
        number = int(numbers[y, x])
        if number <= 0:
            return None
    box = boxes[number - 1]
    if box is None:
        return None
    part = numbers[box] == number
    if part.sum() < least:
        return None
    last = len(numbers) - 2
    if (
        box[0].start < 2 or box[1].start < 2 or box[0].stop > last or box[1].stop > last
    ) and rng.random() < 0.9:
        return None
    deep = cv2.distanceTransform(np.pad(part, 1).astype(np.uint8), cv2.DIST_L2, 3)[1:-1, 1:-1]
    limit = min(2.0, 0.3 * deep.max()) + (
        rng.uniform(0, 0.6) * deep.max() if rng.random() < 0.7 else 0.0
    )
    rows, columns = np.nonzero(deep >= limit)
    k = rng.integers(len(rows))
    click = (columns[k] + box[1].start, rows[k] + box[0].start)
    on_defect = int(wall.defects[click[1], click[0]])
    if on_defect and numbers is wall.stones:
        again = wall.defect_boxes[on_defect - 1]
        if (wall.defects[again] == on_defect).sum() >= _LEAST_DEFECT:
            return wall.defects, on_defect, again, click
    return numbers, number, box, click


def _camera(rng, box, click, whole: int):
    """From the wall to a view: somewhere about the thing, turned, stretched and a little oblique."""
    rows, columns = box
    extent = max(rows.stop - rows.start, columns.stop - columns.start)
    low, high = ((0.2, 0.9), (0.1, 0.2), (0.9, 2.2))[rng.choice(3, p=[0.76, 0.1, 0.14])]
    across = float(
        np.clip(extent / np.exp(rng.uniform(np.log(low), np.log(high))), 40, whole * 1.05)
    )
    middle = np.array(click, float)
    if rng.random() < 0.5:
        middle = np.array(
            [(columns.start + columns.stop - 1) / 2, (rows.start + rows.stop - 1) / 2]
        )
    middle += rng.normal(0, 0.04, 2) * across
    middle = np.array(click) - np.clip(np.array(click) - middle, -0.42 * across, 0.42 * across)
    turn = np.radians(rng.normal(0, 4) if rng.random() < 0.8 else rng.uniform(-45, 45))
    corners = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]], float) * across / 2
    if rng.random() < 0.5:
        corners *= rng.uniform(0.8, 1.25, 2)
    corners += rng.normal(0, 0.05 if rng.random() < 0.6 else 0.0, (4, 2)) * across
    corners = (
        corners @ np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]]) + middle
    )
    frame = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], float) * SIDE * FINER
    if rng.random() < 0.5:
        frame = frame[[1, 0, 3, 2]]
    if rng.random() < 0.2:
        frame = frame[:, ::-1]
    return cv2.getPerspectiveTransform(corners.astype(np.float32), (frame - 0.5).astype(np.float32))


def degraded(rng, seen):
    """Blur, noise, tone, loss of colour and compression."""
    if rng.random() < 0.5:
        seen = cv2.GaussianBlur(seen, (0, 0), rng.uniform(0.3, 1.3))
    if rng.random() < 0.2:
        factor = rng.uniform(0.4, 0.9)
        small = cv2.resize(seen, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA)
        seen = cv2.resize(small, (SIDE, SIDE), interpolation=cv2.INTER_CUBIC)
    seen = seen.astype(np.float32)
    if rng.random() < 0.5:
        seen = 255 * (np.clip(seen, 0, 255) / 255) ** rng.uniform(0.5, 1.8)
    seen = seen * rng.uniform(0.6, 1.25) + rng.normal(0, 8)
    if rng.random() < 0.5:
        seen = seen * rng.normal(1, 0.06, 3)
    if rng.random() < 0.25:
        seen = np.repeat(seen.mean(2, keepdims=True), 3, 2)
    if rng.random() < 0.6:
        seen = seen + rng.normal(0, rng.uniform(1, 9), seen.shape[:2]).astype(np.float32)[..., None]
    if rng.random() < 0.04:
        seen = 255 - seen
    if rng.random() < 0.2:  # sharpened by a camera
        seen = seen + rng.uniform(0.5, 1.5) * (seen - cv2.GaussianBlur(seen, (0, 0), 1.2))
    seen = np.clip(seen, 0, 255).astype(np.uint8)
    if rng.random() < 0.4:
        seen = cv2.imdecode(cv2.imencode(".jpg", seen, [1, int(rng.integers(25, 90))])[1], 1)
    return seen


_Y, _X = np.mgrid[0:SIDE, 0:SIDE].astype(np.float32)


def bands(seen, x, y):
    """Colours about their mean, and the click narrow and wide; as the package makes them when it asks the network."""
    tone = seen.astype(np.float32)
    tone = tone - tone.mean((0, 1))
    tone /= max(float(tone.std()), 4.0)
    away = (_X - x) ** 2 + (_Y - y) ** 2
    return np.dstack([tone, np.exp(-away / (2 * 2.5**2)), np.exp(-away / (2 * 14.0**2))]).astype(
        np.float32
    )
