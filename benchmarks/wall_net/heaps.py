"""Stones of many sizes beside one another: loose stones from above, and rubble whose small stones fill what large ones leave.

What both share is the law of sizes: many small stones for each large one, as broken stone is. A wall of stones of one size
teaches a network to look for one size.
"""

from __future__ import annotations

import cv2
import numpy as np
import shapely
import walls
from walls import Bond, chance

#: Cells of the net that mixed rubble is grown on, pixels.
_CELL_PX = 3


def _sizes(
    rng: np.random.Generator, *, largest: float, smallest: float, cover: float
) -> np.ndarray:
    """Breadths from large to small that cover an area; the number over a breadth falls with a power of it."""
    power = rng.uniform(0.5, 2.2)
    share = rng.uniform(0, 1, 3000)
    low, high = smallest**-power, largest**-power
    breadths = (high + share * (low - high)) ** (-1 / power)
    enough = int(np.searchsorted(np.cumsum(breadths**2), 1.27 * cover)) + 1
    return np.sort(breadths[:enough])[::-1]


def _shape(rng: np.random.Generator, breadth: float, flat: float, *, angular: bool) -> np.ndarray:
    """Ring round nought of a stone: a worn cobble, or broken with flat sides."""
    if angular:
        turn = np.sort(rng.uniform(0, 2 * np.pi, int(rng.integers(5, 10))))
        reach = rng.uniform(0.8, 1.1, len(turn))
    else:
        turn = np.linspace(0, 2 * np.pi, 25)[:-1]
        reach = 1 + rng.uniform(0, 0.14) * np.sin(2 * turn + rng.uniform(0, 6))
        reach += rng.uniform(0, 0.09) * np.sin(3 * turn + rng.uniform(0, 6))
        if chance(rng, 0.3):  # squarer
            reach /= np.maximum(abs(np.cos(turn)), abs(np.sin(turn))) ** rng.uniform(0, 0.7)
    long = np.sqrt(flat)
    return (
        0.5 * breadth * reach[:, None] * np.column_stack([long * np.cos(turn), np.sin(turn) / long])
    )


def loose(rng: np.random.Generator) -> Bond:
    """Stones lying loose, large among small, some on others; ground between them or none."""
    n = walls.N
    largest = np.exp(rng.uniform(np.log(60), np.log(230)))
    smallest = max(11.0, largest / rng.uniform(2, 12))
    angular, lying = chance(rng, 0.5), chance(rng, 0.3)
    dense = rng.uniform(0.5, 1.6)
    flat = rng.uniform(1.0, 1.7)
    grid, outlines = np.zeros((n // 4 + 1, n // 4 + 1), np.uint8), []
    for breadth in _sizes(rng, largest=largest, smallest=smallest, cover=dense * n * n * 1.2):
        for _ in range(12):
            x, y = rng.uniform(-0.05 * n, 1.05 * n, 2)
            column, row = (int(np.clip(v / 4, 0, n // 4)) for v in (x, y))
            # a stone lies on others at times, seldom on one that hides most of it
            if not grid[row, column] or chance(rng, 0.06):
                break
        else:
            continue
        turn = rng.normal(0, 0.3) if lying else rng.uniform(0, np.pi)
        ring = _shape(rng, breadth, flat * rng.uniform(0.8, 1.3), angular=angular)
        c, s = np.cos(turn), np.sin(turn)
        ring = ring @ np.array([[c, s], [-s, c]]) + [x, y]
        outline = shapely.Polygon(ring)
        if not outline.is_valid:
            continue
        cv2.fillPoly(
            grid, [np.round(ring / 4 * 0.85 + np.array([x, y]) / 4 * 0.15).astype(np.int32)], 1
        )
        outlines.append(outline)
    if chance(rng, 0.6):  # the small lie on the large as often as under them
        order = rng.permutation(len(outlines))
        outlines = [outlines[k] for k in order]
    usual = float(np.sqrt(np.median([o.area for o in outlines])))
    return Bond(
        kind="cobble", size=usual, joint=0.5, radius=usual * 0.05, outlines=outlines, heaped=True
    )


def mixed(rng: np.random.Generator) -> Bond:
    """Rubble that fits together: each place belongs to the stone that is nearest by its own size; the small fill the gaps."""
    n = walls.N
    largest = np.exp(rng.uniform(np.log(70), np.log(210)))
    smallest = max(14.0, largest / rng.uniform(2, 7))
    flat = rng.uniform(1.0, 2.2)
    cells = n // _CELL_PX + 1
    nearest = np.full((cells, cells), np.inf, np.float32)
    owner = np.full((cells, cells), -1, np.int32)
    taken = np.zeros((cells, cells), bool)
    square = rng.uniform(2, 5)  # 2: ellipses meet, more: boxes meet
    number = 0
    for breadth in _sizes(rng, largest=largest, smallest=smallest, cover=1.8 * n * n):
        x, y = rng.uniform(-0.05 * n, 1.05 * n, 2) / _CELL_PX
        column, row = (int(np.clip(v, 0, cells - 1)) for v in (x, y))
        if taken[row, column]:
            continue
        own = flat * np.exp(rng.normal(0, 0.25))
        half = 0.5 * breadth / _CELL_PX * np.array([np.sqrt(own), 1 / np.sqrt(own)])
        reach = 3.0 * half.max()
        part = np.s_[
            int(np.clip(y - reach, 0, cells)) : int(np.clip(y + reach + 1, 0, cells)),
            int(np.clip(x - reach, 0, cells)) : int(np.clip(x + reach + 1, 0, cells)),
        ]
        rows, columns = np.mgrid[part].astype(np.float32)
        if not rows.size:
            continue
        turn = rng.normal(0, 0.12)
        across = (columns - x) * np.cos(turn) + (rows - y) * np.sin(turn)
        along = (rows - y) * np.cos(turn) - (columns - x) * np.sin(turn)
        away = ((abs(across) / half[0]) ** square + (abs(along) / half[1]) ** square) ** (
            1 / square
        )
        closer = away < nearest[part]
        nearest[part] = np.where(closer, away, nearest[part])
        owner[part] = np.where(closer, number, owner[part])
        taken[part] |= away < 0.95
        number += 1
    outlines = []
    for k in range(number):
        mask = (owner == k).astype(np.uint8)
        left, top, wide, tall = cv2.boundingRect(mask)
        if wide * tall < 6:
            continue
        found, _ = cv2.findContours(
            np.pad(mask[top : top + tall, left : left + wide], 1),
            cv2.RETR_EXTERNAL,
            cv2.CHAIN_APPROX_NONE,
        )
        ring = max(found, key=cv2.contourArea)
        ring = cv2.approxPolyDP(ring, rng.uniform(0.8, 1.5), True)[:, 0] + [left - 1, top - 1]
        if len(ring) >= 4:
            outlines.append(
                shapely.Polygon((ring + 0.5) * _CELL_PX).buffer(0.5 * _CELL_PX, join_style="mitre")
            )
    outlines = [o for o in outlines if o.geom_type == "Polygon" and o.area > 60]
    usual = float(np.sqrt(np.median([o.area for o in outlines])))
    return Bond(
        kind="rubble",
        size=usual,
        joint=max(0.8, usual * rng.choice([rng.uniform(0.02, 0.08), rng.uniform(0.06, 0.2)])),
        radius=usual * rng.uniform(0.02, 0.15),
        outlines=outlines,
    )
