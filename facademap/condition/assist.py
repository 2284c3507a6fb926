"""Assisted outlines: a stone or a defect from one click.

Four ways look at the same place: a small network that is told the click; the network that outlines whole walls, which sees
the stone among its neighbours; a search for four straight sides that the picture supports; and a patch that differs in
colour or texture from what surrounds it. The small network leads where its answer is clear; where it is not, the stone
among its neighbours; where none is seen, the straight sides if they are well seen; and a distinct patch where it is a small
part of what the others outline: a stain on a stone is what was clicked, not the stone. Every result is a suggestion that
a person confirms or draws anew.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray

from facademap.condition.assist_net import likely_outline
from facademap.condition.assist_patch import patch_at
from facademap.condition.assist_squares import Square, agreed, on_stone, square_at, straight_edges
from facademap.condition.assist_wall import stone_among_neighbours
from facademap.errors import GeometryError, InputError

__all__ = ["outline_at"]

Floats = NDArray[Any]

#: Below this clearness of the small network's answer a stone seen among its neighbours leads, from this likelihood on.
UNCLEAR, SEEN = 0.64, 0.2
#: Straight sides that overlap it by this much are those of the same stone.
SAME = 0.7
#: Half sides of the views in which squared stones are looked for, and the side they are reduced to.
SQUARE_REACHES_PX = (110, 200, 370, 680)
SQUARE_SIDE_PX = 260
#: Below this clearness of the network's answer, straight sides seen this well lead.
CLEAR, WELL_SEEN = 0.7, 0.15
#: A square this many times as large as what the network outlines is another thing.
OTHER_THING = 4.0
#: A patch as distinct as this leads when it covers less than this share of what the others outline.
DISTINCT, SMALL_PART = 0.64, 0.4


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
        raise InputError(
            f"the place ({x_px:g}, {y_px:g}) lies outside the picture of {columns} x {rows} px",
            "Click inside the picture.",
        )
    found = _stone_at(rgb, x_px, y_px)
    patch = patch_at(rgb, x_px, y_px)
    if (
        patch is not None
        and patch.distinct > DISTINCT
        and (found is None or _area(patch.ring_px) < SMALL_PART * _area(found))
    ):
        found = patch.ring_px
    if found is None:
        raise GeometryError(
            f"nothing stands out at ({x_px:g}, {y_px:g})",
            "Click nearer to the middle, or draw the outline by hand.",
        )
    return np.clip(found, 0.0, [columns - 1.0, rows - 1.0])


def _stone_at(rgb: NDArray[Any], x_px: float, y_px: float) -> Floats | None:
    """What the small network outlines, or where it is unsure the stone among its neighbours, or four straight sides."""
    likely = likely_outline(rgb, x_px, y_px)
    if likely is not None and likely.clear >= CLEAR:
        return likely.ring_px
    square = _squared(rgb, x_px, y_px)
    if (
        square is not None
        and likely is not None
        and not (
            square.score > WELL_SEEN
            and _area(square.corners_px) < OTHER_THING * _area(likely.ring_px)
        )
    ):
        square = None
    if likely is None or likely.clear < UNCLEAR:
        breadth = None if likely is None else _breadth(likely.ring_px)
        seen = stone_among_neighbours(rgb, x_px, y_px, breadth_px=breadth)
        if seen is not None and seen[1] > SEEN:
            # both see the same stone: its sides are straight
            same = square is not None and _shared(square.corners_px, seen[0]) > SAME
            return square.corners_px if square is not None and same else seen[0]
    if square is not None:
        return square.corners_px
    return None if likely is None else likely.ring_px


def _shared(one_px: Floats, other_px: Floats) -> float:
    """Overlap of two rings."""
    one, other = (shapely.make_valid(shapely.Polygon(r)) for r in (one_px, other_px))
    return float(one.intersection(other).area / max(one.union(other).area, 1e-9))


def _breadth(ring_px: Floats) -> float:
    """Breadth of a ring, as of the rectangle of its area and its length round."""
    area, half_round = _area(ring_px), 0.5 * cv2.arcLength(ring_px.astype(np.float32), True)
    root = max(0.0, half_round**2 / 4 - area) ** 0.5
    return max(4.0, float(half_round / 2 - root))


def _area(ring_px: Floats) -> float:
    return abs(float(cv2.contourArea(ring_px.astype(np.float32))))


def _squared(rgb: NDArray[Any], x_px: float, y_px: float) -> Square | None:
    """The best squared stone over several views round the click, the one that views agree on first."""
    rows, columns = rgb.shape[:2]
    squares: list[Square] = []
    for reach in SQUARE_REACHES_PX:
        left, top = max(0, int(x_px - reach)), max(0, int(y_px - reach))
        part = rgb[top : int(y_px + reach), left : int(x_px + reach)]
        scale = min(1.0, SQUARE_SIDE_PX / max(part.shape[:2]))
        small = (
            part
            if scale == 1.0
            else cv2.resize(part, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
        )
        if min(small.shape[:2]) < 24:
            continue
        lab = cv2.cvtColor(small.astype(np.float32) / 255.0, cv2.COLOR_RGB2LAB)
        square = square_at(
            straight_edges(lab), (int((y_px - top) * scale), int((x_px - left) * scale))
        )
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
    small = (
        part
        if scale == 1.0
        else cv2.resize(part, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    )
    lab = cv2.cvtColor(small.astype(np.float32) / 255.0, cv2.COLOR_RGB2LAB)
    corners = (square.corners_px - [left, top] + 0.5) * scale - 0.5
    shortest = float(np.linalg.norm(np.roll(corners, -1, axis=0) - corners, axis=1).min())
    corners = on_stone(lab, corners, most_px=float(np.clip(0.06 * shortest, 2.0, 8.0)))
    return Square(
        corners_px=(corners + 0.5) / scale - 0.5 + np.array([left, top]), score=square.score
    )
