"""Bonds that the walls of the one-click network lack: true brick bonds, snecked work, moulded courses, frames of openings.

Every bond is a list of outlines in pixels; ``outline_net/walls.py`` draws it.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import shapely

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "outline_net"))

import itertools

import heaps
import walls
from walls import Bond, chance

#: Kinds that training never draws: they are kept for the report.
HELD_BACK = ("herringbone", "basket", "hexagons", "long and short")
TRAINED = (
    "courses",
    "courses",
    "bricks",
    "snecked work",
    "moulded",
    "coursed rubble",
    "bound",
    "setts",
    "loose",
    "loose",
    "mixed rubble",
    "mixed rubble",
)


def laid(rng: np.random.Generator, kind: str | None = None) -> Bond:
    """A bond of one kind, or of any that training draws."""
    if kind is None:
        kind = "" if chance(rng, 0.5) else str(rng.choice(TRAINED))
    return walls.laid(rng) if not kind else _MADE[kind](rng)


def _size(rng, least=36, most=150):
    return float(np.exp(rng.uniform(np.log(least), np.log(most))))


def _joint(rng, size):
    thin, usual, wide = rng.uniform(0.006, 0.03), rng.uniform(0.02, 0.08), rng.uniform(0.06, 0.2)
    return max(0.7, size * rng.choice([thin, usual, wide], p=[0.4, 0.4, 0.2]))


def _bond(kind, size, joint, outlines, *, radius=0.0):
    return Bond(
        kind=kind,
        size=size,
        joint=min(joint, 0.3 * size),
        radius=radius,
        outlines=[o for o in outlines if o.is_valid and o.area > 20],
    )


def _askew(rng, outlines, by):
    return [
        shapely.Polygon(np.array(o.exterior.coords)[:4] + rng.normal(0, by, (4, 2)))
        for o in outlines
    ]


def _courses(rng):
    """Courses of their own heights, with long stones in some; perpends stand clear of those below."""
    size, outlines, y, before = _size(rng), [], -rng.uniform(0, 40), []
    spread, ratio = rng.uniform(0, 0.5), rng.uniform(1.0, 3.0)
    while y < walls.N:
        height = size * np.exp(rng.normal(0, spread))
        x, ends = -rng.uniform(0, 2 * height), []
        long = rng.choice([1.0, 1.0, 1.0, 2.0, 4.0])
        while x < walls.N:
            width = max(0.5 * height, height * ratio * long * np.exp(rng.normal(0, 0.35)))
            if any(abs(x + width - e) < 0.12 * height for e in before):
                width += 0.3 * height
            outlines.append(shapely.box(x, y, x + width, y + height))
            x += width
            ends.append(x)
        y, before = y + height, ends
    joint = _joint(rng, size)
    tilt = rng.choice([0.0, 0.0, 0.01, 0.03]) * size
    return _bond(
        str(rng.choice(["ashlar", "rough"])),
        size,
        joint,
        _askew(rng, outlines, tilt) if tilt else outlines,
        radius=size * rng.choice([0, 0.02, 0.05]),
    )


def _bricks(rng):
    """Stretchers, headers, soldiers; English, Flemish, garden wall."""
    height = _size(rng, 18, 70)
    long, pattern = (
        height * rng.uniform(2.6, 4.2),
        rng.choice(["stretcher", "flemish", "english", "garden", "header"]),
    )
    outlines, y, row = [], -rng.uniform(0, height), 0
    while y < walls.N:
        if chance(rng, 0.05):
            tall, x = long * 0.95, -rng.uniform(0, height)
            while x < walls.N:
                outlines.append(shapely.box(x, y, x + height, y + tall))
                x += height
            y += tall
            continue
        headers = {
            "stretcher": [0],
            "flemish": [0, 1],
            "english": [row % 2],
            "garden": [int(row % 4 == 0)],
            "header": [1],
        }[str(pattern)]
        x = (
            -long * (1 + 0.5 * (row % 2))
            + (long * 0.25 if headers == [1] else 0)
            + rng.normal(0, 2)
        )
        k = row % 2
        while x < walls.N:
            width = long * (0.48 if headers[k % len(headers)] else 1.0) * (1 + rng.normal(0, 0.015))
            outlines.append(shapely.box(x, y, x + width, y + height))
            x, k = x + width, k + 1
        y, row = y + height, row + 1
    joint = height * rng.uniform(0.05, 0.25)
    return _bond(
        "brick",
        height,
        joint,
        _askew(rng, outlines, 0.012 * height),
        radius=height * rng.choice([0, 0.04, 0.1]),
    )


def _snecked(rng):
    """Risers, levellers and snecks: rectangles cut again and again, none smaller than a sneck."""
    size = _size(rng, 50, 150)
    sneck, outlines = size * rng.uniform(0.28, 0.45), []

    def cut(x0, y0, x1, y1):
        width, height = x1 - x0, y1 - y0
        if width > 2.6 * max(height, sneck) or (
            width > 2 * sneck and height < 1.6 * sneck and width > 2.2 * height
        ):
            at = x0 + width * rng.uniform(0.35, 0.65)
            cut(x0, y0, at, y1)
            cut(at, y0, x1, y1)
        elif height > size or (height > 2 * sneck and chance(rng, 0.45)):
            at = y0 + np.clip(height * rng.uniform(0.3, 0.7), sneck, height - sneck)
            cut(x0, y0, x1, at)
            cut(x0, at, x1, y1)
        else:
            outlines.append(shapely.box(x0, y0, x1, y1))

    y = -rng.uniform(0, size)
    while y < walls.N:
        height, x = size * rng.uniform(1.0, 1.6), -rng.uniform(0, 3 * size)
        while x < walls.N:
            width = size * rng.uniform(1.5, 4)
            cut(x, y, x + width, y + height)
            x += width
        y += height
    tilt = rng.choice([0.0, 0.015, 0.04]) * size
    return _bond(
        str(rng.choice(["rough", "snecked"])),
        size * 0.7,
        _joint(rng, size * 0.7),
        _askew(rng, outlines, tilt),
        radius=size * rng.choice([0, 0.02, 0.06]),
    )


def _moulded(rng):
    """Ashlar with string courses and cornices of long stones; their profiles are drawn by ``scenes.moulded``."""
    size, outlines, y = _size(rng, 50, 130), [], -rng.uniform(0, 40)
    ratio = rng.uniform(1.2, 2.6)
    while y < walls.N:
        band = chance(rng, 0.25)
        height = size * (rng.uniform(0.35, 0.9) if band else rng.uniform(0.8, 1.25))
        length = size * (rng.uniform(2.5, 9) if band else ratio)
        x = -rng.uniform(0, length)
        while x < walls.N:
            width = length * rng.uniform(0.7, 1.35)
            outlines.append(shapely.box(x, y, x + width, y + height))
            x += width
        y += height
    return _bond("ashlar", size, max(0.7, size * rng.uniform(0.006, 0.05)), outlines)


def _coursed_rubble(rng):
    """Stones roughly in courses, of many sizes, some two to a course."""
    size, outlines, y = _size(rng, 36, 120), [], -rng.uniform(0, 40)
    while y < walls.N:
        height, x = size * rng.uniform(0.45, 1.3), -rng.uniform(0, 2 * size)
        while x < walls.N:
            width = size * np.exp(rng.normal(0.25, 0.5))
            if chance(rng, 0.3) and height > 0.6 * size:
                at = y + height * rng.uniform(0.3, 0.7)
                outlines += [
                    shapely.box(x, y, x + width, at),
                    shapely.box(x, at, x + width, y + height),
                ]
            else:
                outlines.append(shapely.box(x, y, x + width, y + height))
            x += width
        y += height
    outlines = _askew(rng, outlines, size * rng.uniform(0.03, 0.08))
    return _bond(
        str(rng.choice(["rubble", "rough"])),
        size * 0.8,
        _joint(rng, size * 0.8),
        outlines,
        radius=size * rng.uniform(0.02, 0.16),
    )


def _bound(rng):
    """Large squared stones with levelling courses of thin ones between them."""
    size, outlines, y = _size(rng, 70, 170), [], -rng.uniform(0, 40)
    while y < walls.N:
        thin = chance(rng, 0.45)
        for _ in range(int(rng.integers(1, 4)) if thin else 1):
            height = size * (rng.uniform(0.12, 0.28) if thin else rng.uniform(0.7, 1.2))
            length, x = (
                (height * rng.uniform(2.5, 5) if thin else size * rng.uniform(0.9, 2.4)),
                -rng.uniform(0, size),
            )
            while x < walls.N:
                width = length * rng.uniform(0.6, 1.4)
                outlines.append(shapely.box(x, y, x + width, y + height))
                x += width
            y += height
    tilt = rng.choice([0.0, 0.01, 0.02]) * size
    joint = max(0.7, size * rng.uniform(0.006, 0.05))
    return _bond(
        str(rng.choice(["ashlar", "rough"])),
        size * 0.6,
        joint,
        _askew(rng, outlines, tilt),
        radius=size * rng.choice([0, 0.02]),
    )


def _setts(rng):
    """Setts of nearly one size in rows, or stones standing upright."""
    size, upright = _size(rng, 24, 80), chance(rng, 0.5)
    ratio, outlines, y, row = (
        (rng.uniform(0.3, 0.6) if upright else rng.uniform(0.9, 1.6)),
        [],
        -10.0,
        0,
    )
    while y < walls.N:
        height = size * rng.uniform(0.9, 1.1) * (1.8 if upright else 1)
        x = -rng.uniform(0, size)
        while x < walls.N:
            width = height * ratio * rng.uniform(0.75, 1.25)
            outlines.append(shapely.box(x, y, x + width, y + height))
            x += width
        y, row = y + height, row + 1
    return _bond(
        str(rng.choice(["rough", "tiles", "rubble"])),
        size,
        size * rng.uniform(0.02, 0.2),
        _askew(rng, outlines, 0.03 * size),
        radius=size * rng.uniform(0, 0.25),
    )


def _herringbone(rng):
    a = _size(rng, 22, 44)
    outlines = []
    reach = int(walls.N / a) + 8
    for i in range(-reach, reach):
        for j in range(-reach, reach):
            x, y = a * (i + 4 * j), a * i
            for w, h, dx, dy in ((2, 1, 0, 0), (1, 2, 2, -1)):
                box = shapely.box(x + a * dx, y + a * dy, x + a * (dx + w), y + a * (dy + h))
                if -2 * a < x < walls.N + 2 * a and -2 * a < y < walls.N + 2 * a:
                    outlines.append(box)
    return _bond("brick", a, a * rng.uniform(0.06, 0.2), outlines)


def _basket(rng):
    a, outlines = _size(rng, 40, 90), []
    for i in range(int(walls.N / a) + 2):
        for j in range(int(walls.N / a) + 2):
            x, y = a * (i - 0.5), a * (j - 0.5)
            if (i + j) % 2:
                outlines += [
                    shapely.box(x, y, x + a, y + a / 2),
                    shapely.box(x, y + a / 2, x + a, y + a),
                ]
            else:
                outlines += [
                    shapely.box(x, y, x + a / 2, y + a),
                    shapely.box(x + a / 2, y, x + a, y + a),
                ]
    return _bond("brick", a / 2, a * rng.uniform(0.03, 0.1), outlines)


def _hexagons(rng):
    r, outlines = _size(rng, 26, 60), []
    turn = np.radians(np.arange(6) * 60 + 30)
    for j in range(int(walls.N / (1.5 * r)) + 3):
        for i in range(int(walls.N / (np.sqrt(3) * r)) + 3):
            middle = np.array([np.sqrt(3) * r * (i - 0.5 + 0.5 * (j % 2)), 1.5 * r * (j - 0.5)])
            outlines.append(
                shapely.Polygon(middle + r * np.column_stack([np.cos(turn), np.sin(turn)]))
            )
    return _bond(
        "slabs", r * 1.6, r * rng.uniform(0.03, 0.18), outlines, radius=r * rng.choice([0, 0.1])
    )


def _long_and_short(rng):
    """Upright long stones and flat short ones by turns, of one width or another."""
    size, outlines, x = _size(rng, 50, 100), [], -rng.uniform(0, 60)
    while x < walls.N:
        width, y, long = size * rng.uniform(0.7, 1.6), -rng.uniform(0, 80), chance(rng, 0.5)
        while y < walls.N:
            height = size * (rng.uniform(1.4, 2.2) if long else rng.uniform(0.4, 0.7))
            outlines.append(shapely.box(x, y, x + width, y + height))
            y, long = y + height, not long
        x += width
    return _bond("rough", size, size * rng.uniform(0.01, 0.1), _askew(rng, outlines, 0.02 * size))


_MADE = {
    "courses": _courses,
    "bricks": _bricks,
    "snecked work": _snecked,
    "moulded": _moulded,
    "coursed rubble": _coursed_rubble,
    "bound": _bound,
    "setts": _setts,
    "loose": heaps.loose,
    "mixed rubble": heaps.mixed,
    "herringbone": _herringbone,
    "basket": _basket,
    "hexagons": _hexagons,
    "long and short": _long_and_short,
}


# ---- frames of openings ---------------------------------------------------------------------------------------------------


def frame(
    rng: np.random.Generator, box: tuple[float, float, float, float]
) -> tuple[Bond, shapely.Polygon]:
    """Dressed stones round an opening: jambs, sill and a lintel, a flat arch or voussoirs; and the opening's outline."""
    x0, y0, x1, y1 = box
    width = x1 - x0
    thick, outlines = width * rng.uniform(0.12, 0.3), []
    head = rng.choice(["lintel", "flat", "round", "pointed"])
    y = y1
    while y > y0 + 1:
        height = min(thick * rng.uniform(0.8, 1.8), y - y0)
        if y - y0 - height < 0.4 * thick:
            height = y - y0
        for side in (-1, 1):
            reach = thick * (1.0 if chance(rng, 0.5) else rng.uniform(1.3, 2.0))
            outlines.append(
                shapely.box(x0 - reach, y - height, x0, y)
                if side < 0
                else shapely.box(x1, y - height, x1 + reach, y)
            )
        y -= height
    opening = shapely.box(x0, y0, x1, y1)
    if chance(rng, 0.7):
        reach, parts = thick * rng.uniform(0, 0.8), int(rng.integers(1, 4))
        edges = np.linspace(x0 - reach, x1 + reach, parts + 1)
        tall = thick * rng.uniform(0.5, 1)
        outlines += [shapely.box(a, y1, b, y1 + tall) for a, b in itertools.pairwise(edges)]
    if head == "lintel":
        reach = thick * rng.uniform(0, 1.5)
        outlines.append(shapely.box(x0 - reach, y0 - thick * rng.uniform(0.8, 1.6), x1 + reach, y0))
    elif head == "flat":
        number, tall, slant = (
            int(rng.integers(2, 6)) * 2 + 1,
            thick * rng.uniform(1, 1.8),
            rng.uniform(0.1, 0.5),
        )
        low = np.linspace(x0, x1, number + 1)
        high = (x0 + x1) / 2 + (low - (x0 + x1) / 2) * (1 + slant)
        outlines += [
            shapely.Polygon(
                [(low[k], y0), (high[k], y0 - tall), (high[k + 1], y0 - tall), (low[k + 1], y0)]
            )
            for k in range(number)
        ]
    else:
        number, out = int(rng.integers(3, 9)) * 2 + 1, thick * rng.uniform(0.8, 1.5)
        turn = np.linspace(np.pi, 2 * np.pi, 8 * number + 1)
        middle, r = (x0 + x1) / 2, width / 2
        rise = 1.0 if head == "round" else rng.uniform(1.2, 1.6)

        def ring(radius, angle):
            return np.column_stack(
                [middle + radius * np.cos(angle), y0 + rise * radius * np.sin(angle)]
            )

        for k in range(number):
            part = turn[8 * k : 8 * k + 9]
            outlines.append(shapely.Polygon(np.vstack([ring(r, part), ring(r + out, part[::-1])])))
        opening = opening.union(shapely.Polygon(ring(r, turn)).buffer(0))
    joint = max(0.7, thick * rng.uniform(0.01, 0.08))
    return _bond(
        str(rng.choice(["ashlar", "ashlar", "rough", "brick"])), thick, joint, outlines
    ), opening
