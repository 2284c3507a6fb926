"""Rendered masonry with the number of the stone and of the defect at each pixel, for training.

Everything is drawn from chance: the bond, the shapes of the stones, their colours and textures, joints light and dark, wide,
thin, raised and fading, relief from sawn to rock-faced with the light and the shadow on it, spalls, stains, missing stone,
patches, growth, cracks and lichen. No photograph is used.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import shapely
from scipy.ndimage import find_objects
from scipy.spatial import Voronoi

#: Side of a wall, pixels.
N = 640

#: Colours of building stones and bricks, red, green, blue.
_STONES = np.array(
    [
        [176, 160, 130],
        [150, 140, 120],
        [120, 118, 115],
        [160, 120, 95],
        [150, 80, 60],
        [200, 190, 170],
        [90, 80, 70],
        [110, 105, 100],
        [190, 160, 110],
        [70, 70, 75],
        [214, 204, 184],
        [128, 120, 96],
    ],
    float,
)
_KINDS = (
    "ashlar",
    "ashlar",
    "ashlar",
    "rough",
    "rough",
    "rough",
    "brick",
    "brick",
    "snecked",
    "slabs",
    "rubble",
    "rubble",
    "voronoi",
    "cobble",
    "tiles",
    "gravel",
    "discs",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Bond:
    """Kind of masonry, size of a stone, width of the joints, radius of the corners, outlines; heaped stones lie on one another."""

    kind: str
    size: float
    joint: float
    radius: float
    outlines: list
    heaped: bool = False


def band(rng, cell, *, drawn_out=1.0, turn_deg=0.0, how=cv2.INTER_CUBIC):
    """Smooth noise of one size, drawn out and turned; linear interpolation gives facets."""
    rows, columns = (max(2, int(N / max(c, 1)) + 3) for c in (cell, cell * drawn_out))
    if not turn_deg:
        rows, columns = max(2, int(rows / 1.5) + 1), max(2, int(columns / 1.5) + 1)
        return cv2.resize(
            rng.standard_normal((rows, columns), np.float32), (N, N), interpolation=how
        )
    big = cv2.resize(
        rng.standard_normal((rows, columns), np.float32),
        (int(N * 1.5), int(N * 1.5)),
        interpolation=how,
    )
    middle = N * 0.75
    big = cv2.warpAffine(
        big,
        cv2.getRotationMatrix2D((middle, middle), turn_deg, 1),
        big.shape[::-1],
        borderMode=cv2.BORDER_REFLECT,
    )
    start = int(N * 0.25)
    return big[start : start + N, start : start + N]


def noise(rng, cell, octaves=4, gain=0.55, **how):
    """Noise of several sizes with a spread of one."""
    total = sum(
        np.float32(gain**k) * band(rng, cell / 2**k, **how)
        for k in range(octaves)
        if k == 0 or cell / 2**k >= 1
    )
    return np.asarray(total / total.std(), np.float32)


def chance(rng, share):
    """True in this share of calls."""
    return rng.random() < share


def colour(rng):
    """Colour of a building stone."""
    return np.clip(rng.choice(_STONES) + rng.normal(0, 6, 3) + rng.normal(0, 16), 25, 235)


# ---- bonds ----------------------------------------------------------------------------------------------------------------


def laid(rng):
    """A bond."""
    kind = str(rng.choice(_KINDS))
    size = (
        rng.uniform(28, 90)
        if kind in ("gravel", "cobble", "discs")
        else np.exp(rng.uniform(np.log(40), np.log(170)))
    )
    joint = max(
        0.6,
        size
        * rng.choice(
            [rng.uniform(0.005, 0.03), rng.uniform(0.02, 0.08), rng.uniform(0.06, 0.22)],
            p=[0.35, 0.4, 0.25],
        ),
    )
    if kind in ("ashlar", "rough", "brick", "tiles", "snecked", "slabs"):
        return _coursed(rng, kind, size, joint)
    if kind in ("rubble", "voronoi"):
        return _cellular(rng, kind, size, joint)
    return _heaped(rng, kind, size)


def _coursed(rng, kind, size, joint):
    ratio = {
        "brick": rng.uniform(2.5, 4),
        "tiles": rng.choice([1.0, 2.0]),
        "slabs": rng.uniform(2.5, 6),
    }.get(kind, rng.uniform(1.1, 3.2))
    if kind in ("brick", "slabs"):
        size = max(size * 0.55, 22)
        joint = min(joint, size * 0.25)
    uneven = {"brick": 0.04, "tiles": 0.0, "slabs": 0.5}.get(kind, rng.uniform(0, 0.35))
    lengths = {"brick": 0.04, "tiles": 0.0, "slabs": 0.6}.get(kind, 0.45)
    headers = kind == "brick" and chance(rng, 0.4)
    outlines, y, row = [], -rng.uniform(0, size), 0
    while y < N:
        height = size * (1 + rng.uniform(-uneven, uneven))
        x, number = -rng.uniform(0, size * ratio), 0
        if kind == "tiles":
            x = -size * ratio * (0.3 if ratio == 1 else 0.5 * (row % 2) + 0.2)
        while x < N:
            width = (
                height
                * ratio
                * (1 + rng.uniform(-lengths, lengths))
                * (0.48 if headers and (number + row) % 2 else 1.0)
            )
            if kind == "snecked" and chance(rng, 0.35) and width > 0.8 * height:
                cut = rng.uniform(0.35, 0.65) * height
                outlines += [
                    shapely.box(x, y, x + width, y + cut),
                    shapely.box(x, y + cut, x + width, y + height),
                ]
            else:
                outlines.append(shapely.box(x, y, x + width, y + height))
            x, number = x + width, number + 1
        y, row = y + height, row + 1
    askew = size * {"slabs": 0.09, "rough": rng.choice([0.0, 0.02, 0.06])}.get(
        kind, rng.choice([0, 0, 0.015, 0.04])
    )
    if askew:
        outlines = [
            shapely.Polygon(np.array(o.exterior.coords)[:4] + rng.normal(0, askew, (4, 2)))
            for o in outlines
        ]
    radius = size * (
        rng.uniform(0.05, 0.3) if kind == "slabs" else rng.choice([0, 0.02, 0.06, 0.15])
    )
    return Bond(
        kind=kind,
        size=size,
        joint=joint,
        radius=radius,
        outlines=[o for o in outlines if o.is_valid],
    )


def _cellular(rng, kind, size, joint):
    flat = rng.uniform(1.2, 2.6) if kind == "rubble" else rng.uniform(0.9, 1.3)
    points = rng.uniform(-0.3 * N, 1.3 * N, (int((N * 1.6) ** 2 / (size * size * flat)), 2)) / [
        flat,
        1,
    ]
    for _ in range(rng.integers(1, 4)):
        cells = Voronoi(points)
        for k, region in enumerate(cells.point_region):
            corners = cells.regions[region]
            if (
                corners
                and -1 not in corners
                and np.all(np.abs(middle := cells.vertices[corners].mean(0)) < 3 * N)
            ):
                points[k] = middle
    cells = Voronoi(points)
    shapes = [
        cells.vertices[r] * [flat, 1]
        for r in (cells.regions[k] for k in cells.point_region)
        if r and -1 not in r
    ]
    outlines = [shapely.Polygon(s) for s in shapes if s.min() > -N and s.max() < 2 * N]
    return Bond(
        kind=kind, size=size, joint=joint, radius=size * rng.uniform(0.05, 0.3), outlines=outlines
    )


def _heaped(rng, kind, size):
    flat = 1.0 if kind == "discs" else rng.uniform(1, 1.6)
    number = int(
        {"gravel": 2.6, "cobble": 1.1, "discs": 0.45}[kind] * (N * 1.2) ** 2 / (size * size * flat)
    )
    middles = rng.uniform(-0.1 * N, 1.1 * N, (number, 2))
    if kind != "gravel":
        apart, kept = size * (1.02 if kind == "discs" else 0.8), []
        for place in middles:
            if all(np.hypot(*((place - other) / [flat, 1])) > apart for other in kept):
                kept.append(place)
        middles = np.array(kept)
    outlines = []
    for place in middles:
        turn = (
            np.sort(rng.uniform(0, 2 * np.pi, rng.integers(5, 9)))
            if kind == "gravel"
            else np.linspace(0, 2 * np.pi, 24)[:-1]
        )
        waves = (
            0.0
            if kind == "discs"
            else 0.12 * np.sin(2 * turn + rng.uniform(0, 6))
            + 0.08 * np.sin(3 * turn + rng.uniform(0, 6))
        )
        reach = 0.5 * size * rng.uniform(0.75, 1.15) * (1 + waves)
        ring = np.column_stack([np.cos(turn) * reach * flat, np.sin(turn) * reach])
        a = np.radians(rng.normal(0, 20) if kind == "cobble" else rng.uniform(0, 180))
        outlines.append(
            shapely.Polygon(
                ring @ np.array([[np.cos(a), np.sin(a)], [-np.sin(a), np.cos(a)]]) + place
            )
        )
    return Bond(kind=kind, size=size, joint=0.5, radius=size * 0.05, outlines=outlines, heaped=True)


def numbered(rng, bond):
    """Number of the stone at each pixel, 0 in joints."""
    number = np.zeros((N, N), np.int32)
    for k, outline in enumerate(bond.outlines):
        shape = outline
        if bond.heaped:
            cv2.fillPoly(number, [_ring(outline)], 0, shift=3)
            inner = outline.buffer(-0.8)
            shape = inner if inner.geom_type == "Polygon" and not inner.is_empty else outline
        else:
            shape = outline.buffer(
                -bond.joint / 2 * rng.uniform(0.7, 1.3) - bond.radius, join_style="mitre"
            ).buffer(bond.radius)
            shape = max(getattr(shape, "geoms", [shape]), key=lambda g: g.area, default=shape)
        if not shape.is_empty:
            cv2.fillPoly(number, [_ring(shape)], k + 1, shift=3)
    if bond.kind in ("rubble", "slabs") and chance(rng, 0.3):
        _pinned(rng, bond, number)
    away = rng.choice([0, 0.4, 1.0, 2.0, bond.size * 0.04], p=[0.2, 0.25, 0.25, 0.2, 0.1])
    if away:
        y, x = np.mgrid[0:N, 0:N].astype(np.float32)
        cell = rng.uniform(6, 30)
        number = cv2.remap(
            number.astype(np.float32),
            x + (away * noise(rng, cell, 3)).astype(np.float32),
            y + (away * noise(rng, cell, 3)).astype(np.float32),
            cv2.INTER_NEAREST,
            borderMode=cv2.BORDER_REPLICATE,
        )
    return number.astype(np.int32)


def _ring(shape):
    return np.round(np.array(shape.exterior.coords) * 8).astype(np.int32)


def _pinned(rng, bond, number):
    """Small stones pinned into the joints."""
    rows, columns = np.nonzero(cv2.erode((number == 0).astype(np.uint8), np.ones((3, 3), np.uint8)))
    highest = int(number.max())
    for k in range(min(len(rows), int(rng.integers(10, 60)))):
        at = rng.integers(len(rows))
        size = rng.uniform(0.05, 0.16, 2) * bond.size
        stone = np.zeros((N, N), np.uint8)
        cv2.ellipse(
            stone,
            (int(columns[at]), int(rows[at])),
            (max(2, int(size[0] * 1.6)), max(2, int(size[1]))),
            rng.uniform(-20, 20),
            0,
            360,
            1,
            -1,
        )
        number[(stone > 0) & (number == 0)] = highest + 1 + k


# ---- relief and light -----------------------------------------------------------------------------------------------------


def relief(rng, bond, number, inside):
    """Height of the stones' faces over their arrises, pixels, and whether it is rough."""
    size, stones = bond.size, int(number.max()) + 1
    rough = bond.kind == "rough" or (
        not bond.heaped and bond.kind not in ("brick", "tiles") and chance(rng, 0.25)
    )
    rounding = max(1.0, size * rng.choice([0.01, 0.03, 0.08, 0.2]))
    arris = (
        np.sqrt(np.clip(1 - (1 - np.minimum(inside / rounding, 1)) ** 2, 0, 1))
        * rounding
        * rng.uniform(0.3, 1.3)
    )
    height = arris * (rng.uniform(1, 2) if bond.heaped else 1.0)
    if bond.heaped:
        height += rng.uniform(-0.3, 1, stones)[number] * size * 0.1
    grain = rng.choice([0.1, 0.3, 0.8, 1.6]) * noise(
        rng, rng.uniform(4, max(5.0, size * 0.4)), 5, 0.6, drawn_out=rng.choice([1, 1, 2.5])
    )
    height = height + grain * rng.uniform(0.5, 1.3, stones)[number]
    if rough:
        margin = size * rng.choice([0.0, 0.0, rng.uniform(0.03, 0.12)])
        rise = np.clip((inside - margin) / (size * rng.uniform(0.03, 0.3)), 0, 1)
        cell, deep = size * rng.uniform(0.15, 0.7), size * rng.uniform(0.03, 0.14)
        turn = rng.uniform(-40, 40)
        faces = noise(
            rng,
            cell,
            3,
            0.5,
            drawn_out=rng.choice([1, 1.5, 2.5]),
            turn_deg=turn,
            how=cv2.INTER_LINEAR,
        )
        if chance(rng, 0.4):
            faces = np.abs(faces) * rng.choice([-1.0, 1.0])
        y, x = np.mgrid[0:N, 0:N].astype(np.float32)
        lean = rng.normal(0, 0.12, (stones, 2))
        tilted = lean[number, 0] * x + lean[number, 1] * y
        tilted -= _per_stone(tilted, number, stones)
        height = height + rise * (
            deep * rng.uniform(0.4, 1.4, stones)[number] * (faces + 0.6)
            + np.clip(tilted, -deep, deep)
        )
        fine = noise(rng, max(3.0, cell * 0.3), 4, 0.65, how=cv2.INTER_LINEAR)
        height = height + rise * deep * rng.uniform(0.05, 0.35) * fine
    elif chance(rng, 0.25):
        y, x = np.mgrid[0:N, 0:N]
        turn = np.radians(rng.uniform(0, 180) + rng.normal(0, rng.choice([3, 30]), stones))[number]
        strokes = np.sin(
            (x * np.cos(turn) + y * np.sin(turn)) * 2 * np.pi / rng.uniform(4, 10)
            + rng.uniform(0, 6, stones)[number]
        )
        height = height + rng.uniform(0.1, 0.8) * strokes
    return height.astype(np.float32), rough


def _per_stone(values, number, stones):
    total = np.bincount(number.ravel(), values.ravel(), minlength=stones)
    return (total / np.maximum(np.bincount(number.ravel(), minlength=stones), 1))[number]


def light(rng, height, *, low):
    """Brightness of a relief under the sun and the sky, about 1 on a plain."""
    to_sun = (
        rng.uniform(0, 2 * np.pi) if chance(rng, 0.25) else rng.uniform(np.pi * 1.1, np.pi * 1.9)
    )
    above = np.radians(rng.uniform(18, 55) if low else rng.uniform(25, 80))
    hard = rng.choice([0.0, 0.35, 0.7, 1.0], p=[0.15, 0.3, 0.35, 0.2])
    smooth = cv2.GaussianBlur(height, (0, 0), 0.7)
    down, right = np.gradient(smooth)
    facing = np.sin(above) - np.cos(above) * (right * np.cos(to_sun) + down * np.sin(to_sun))
    facing = np.clip(facing / np.sqrt(1 + right**2 + down**2), 0.0, None) / np.sin(above)
    shaded = np.zeros((N, N), np.float32)
    if hard:
        for step in (1, 2, 3, 5, 7, 10, 14, 19):
            move = np.float32([[1, 0, -step * np.cos(to_sun)], [0, 1, -step * np.sin(to_sun)]])
            before = cv2.warpAffine(smooth, move, (N, N), borderMode=cv2.BORDER_REPLICATE)
            shaded = np.maximum(shaded, np.clip(before - smooth - step * np.tan(above), 0, 1.0))
    near = max(3, int(rng.uniform(4, 16)) * 2 + 1)
    hollow = np.clip(
        (cv2.blur(smooth, (near, near)) - smooth) * rng.uniform(0.02, 0.12), -0.12, 0.6
    )
    sun = np.clip(facing, 0, 2.2) * (1 - 0.95 * shaded)
    bright = (hard * sun + (1 - hard) * (0.75 + 0.25 * np.clip(facing, 0, 2))) * (
        1 - hollow
    ) * rng.uniform(0.9, 1.1) + 0.12 * hard
    return bright.astype(np.float32), to_sun


# ---- colours --------------------------------------------------------------------------------------------------------------


def stones_coloured(rng, number, size):
    """Stones in their colours with texture, and the colour of each."""
    stones = int(number.max()) + 1
    base, spread = colour(rng), rng.choice([3, 7, 14, 25])
    colours = np.where(
        (rng.random(stones) < rng.uniform(0.1, 0.5))[:, None] & chance(rng, 0.2), colour(rng), base
    )
    colours = (
        colours + rng.normal(0, spread, stones)[:, None] + rng.normal(0, spread * 0.12, (stones, 3))
    )
    picture = colours[number].astype(np.float32)
    first = noise(
        rng,
        rng.uniform(3, 30),
        5,
        rng.uniform(0.5, 0.8),
        drawn_out=rng.choice([1, 1, 2.5, 5]),
        turn_deg=rng.choice([0, 0, 0, rng.uniform(-20, 20)]),
    )
    second = noise(rng, rng.uniform(2, 12), 4, 0.7, drawn_out=rng.choice([1, 1, 4]))
    share = rng.random(stones).astype(np.float32)[number]
    picture += (
        (rng.choice([2, 5, 9, 15, 22]) * rng.uniform(0.4, 1.4, stones)).astype(np.float32)[number]
        * (share * first + (1 - share) * second)
    )[..., None]
    picture += (rng.uniform(0, 8) * noise(rng, rng.uniform(30, 150), 3))[..., None] * np.array(
        [1, 0.95, 0.85], np.float32
    )
    if chance(rng, 0.5):  # tone that drifts within a stone and ends at the joint
        drift = (
            noise(rng, size * rng.uniform(0.3, 1), 2)
            * rng.uniform(2, 14)
            * rng.uniform(0, 1, stones).astype(np.float32)[number]
        )
        picture += drift[..., None] * rng.normal(1, 0.25, 3).astype(np.float32)
    if chance(rng, 0.45):  # pits and speckles
        pits = (noise(rng, rng.uniform(1.5, 5), 2) > rng.uniform(1.6, 2.6)).astype(np.float32)
        picture += (
            rng.choice([-1, 1], p=[0.7, 0.3])
            * rng.uniform(15, 60)
            * cv2.GaussianBlur(pits, (0, 0), 0.6)[..., None]
        )
    return picture, base, colours


def mortar_coloured(rng, bond, base, outside):
    """Joints in their colour, with a ribbon in some."""
    kind = rng.choice(["light", "dark", "same", "any"], p=[0.35, 0.25, 0.25, 0.15])
    pale = np.array([200, 192, 178], np.float32) + rng.normal(0, 14)
    tone = {
        "light": base * 0.35 + pale * 0.65,
        "dark": base * rng.uniform(0.2, 0.7),
        "same": base + rng.normal(0, 8, 3),
        "any": colour(rng),
    }[kind].astype(np.float32)
    if bond.heaped and chance(rng, 0.6):
        tone = (base * rng.uniform(0.15, 0.6)).astype(np.float32)
    mortar = tone + (rng.uniform(2, 12) * noise(rng, rng.uniform(3, 10), 4))[..., None]
    mortar = mortar + (rng.uniform(0, 14) * noise(rng, rng.uniform(40, 120), 2))[..., None]
    ribbon = np.zeros((N, N), np.float32)
    if not bond.heaped and bond.joint > 4 and chance(rng, 0.35):
        inset = bond.joint * rng.uniform(0.1, 0.33)
        ribbon = np.clip(outside - inset + 0.5, 0, 1)
        strip = (pale if chance(rng, 0.75) else tone * rng.uniform(0.5, 0.8)) + (
            rng.uniform(1, 6) * noise(rng, 5, 3)
        )[..., None]
        mortar = mortar + (ribbon * rng.uniform(0.5, 1.0))[..., None] * (strip - mortar)
    return mortar, ribbon


def joined(rng, bond, picture, mortar, number, inside):
    """Stones and mortar in one picture: soft arrises, smeared mortar, joints that fade."""
    stone = (number > 0).astype(np.float32)
    soft = rng.choice([0.0, 0.0, 0.7, 1.5, 3.0]) if bond.joint > 2 else rng.choice([0.0, 0.0, 0.7])
    cover = cv2.GaussianBlur(stone, (0, 0), soft) if soft else stone
    if soft > 1 and chance(rng, 0.6):  # worn unevenly
        worn = np.clip(0.5 + 0.6 * noise(rng, bond.size * 0.5, 2), 0, 1)
        cover = cover * worn + stone * (1 - worn)
    picture = picture * cover[..., None] + mortar * (1 - cover[..., None])
    if chance(rng, 0.35):
        smear = (noise(rng, bond.size * rng.uniform(0.2, 0.8), 3) > rng.uniform(0.6, 1.6)) & (
            inside < max(2, bond.joint * 0.7)
        )
        smear = cv2.GaussianBlur(smear.astype(np.float32), (0, 0), 0.8)[..., None]
        picture = picture * (1 - smear) + mortar * smear
    if chance(rng, 0.35) and not bond.heaped:
        fade = np.clip(
            noise(rng, bond.size * rng.uniform(0.3, 1.2), 2) * 0.5 + rng.uniform(-0.3, 0.4), 0, 0.95
        ) * (number == 0)
        picture = picture * (1 - fade[..., None]) + cv2.blur(picture, (15, 15)) * fade[..., None]
    return picture


# ---- what happened to the wall --------------------------------------------------------------------------------------------


def defects(rng, picture, number, colours, to_sun):
    """Spalls, stains, missing stone, repairs and growth on some stones; the picture and the number of the defect at each pixel."""
    found, count = np.zeros((N, N), np.uint8), 0
    boxes = find_objects(number)
    stones = [
        k + 1
        for k, box in enumerate(boxes)
        if box is not None and (box[0].stop - box[0].start) * (box[1].stop - box[1].start) > 300
    ]
    y, x = np.mgrid[0:N, 0:N].astype(np.float32)
    for stone in rng.permutation(stones)[: rng.integers(3, 25)]:
        box = boxes[stone - 1]
        here = number[box] == stone
        rows, columns = np.nonzero(here)
        if len(rows) < 300 or count >= 250:
            continue
        at = rng.integers(len(rows))
        reach = np.sqrt(len(rows)) * rng.uniform(0.12, 0.45)
        cy, cx = rows[at] + box[0].start, columns[at] + box[1].start
        kind = rng.choice(["spall", "spall", "stain", "missing", "patch", "growth"])
        part = np.s_[
            max(0, int(cy - 4 * reach)) : int(cy + 4 * reach) + 1,
            max(0, int(cx - 4 * reach)) : int(cx + 4 * reach) + 1,
        ]
        away = np.hypot((x[part] - cx) / rng.uniform(0.6, 1.7), y[part] - cy) / reach
        ragged = 0.6 if kind == "growth" else rng.uniform(0.1, 0.35)
        blob = away + ragged * noise(rng, max(3, reach * rng.uniform(0.4, 1.0)), 3)[part] < 1
        if kind == "patch":
            blob = (abs(x[part] - cx) < reach * rng.uniform(0.7, 1.4)) & (
                abs(y[part] - cy) < reach * rng.uniform(0.5, 1.2)
            )
        if kind not in ("stain", "growth") or chance(rng, 0.6):
            blob &= number[part] == stone
        _, labels = cv2.connectedComponents(blob.astype(np.uint8))
        if labels.max() > 1:
            blob = labels == 1 + int(np.argmax(np.bincount(labels.ravel())[1:]))
        if blob.sum() < 120:
            continue
        cover = cv2.GaussianBlur(blob.astype(np.float32), (0, 0), rng.choice([0.6, 1.2]))
        view, tone = picture[part], colours[stone]
        if kind == "stain":
            cover = cv2.GaussianBlur(cover, (0, 0), rng.choice([0.7, 2, 3]))
            new = (
                view * rng.uniform(0.35, 0.8, 1) * rng.uniform(0.9, 1.1, 3)
                if chance(rng, 0.7)
                else view * 0.5 + 0.5 * np.array([215, 212, 205])
            )
        elif kind == "growth":
            green = np.array(
                rng.choice(
                    [[96, 100, 48], [70, 74, 60], [150, 130, 60], [190, 188, 176], [60, 58, 52]]
                )
            ) + rng.normal(0, 10, 3)
            cover *= rng.uniform(0.5, 1.0)
            new = green + (rng.uniform(6, 20) * noise(rng, rng.uniform(2, 8), 3)[part])[..., None]
        elif kind == "spall":
            rough = noise(rng, rng.uniform(3, 14), 4, 0.7)[part]
            deep = -blob.astype(np.float32) * rng.uniform(1, 7) + rng.uniform(0.3, 1.2) * rough
            down, right = np.gradient(cv2.GaussianBlur(deep, (0, 0), 1.2))
            shade = np.clip(1 - 0.5 * (right * np.cos(to_sun) + down * np.sin(to_sun)), 0.3, 1.7)[
                ..., None
            ]
            new = (
                view * 0.2
                + 0.8 * (tone * rng.uniform(0.75, 1.3) + rng.normal(0, 8, 3))
                + (rng.uniform(2, 14) * rough)[..., None]
            ) * shade
            rim = (cv2.dilate(blob.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0) & ~blob
            view = np.where(rim[..., None], view * shade, view)
        elif kind == "missing":
            new = view * rng.uniform(0.08, 0.35) + rng.uniform(0, 15)
        else:
            new = (
                colour(rng)
                + (rng.uniform(2, 10) * noise(rng, rng.uniform(2, 8), 3)[part])[..., None]
            )
        picture[part] = view * (1 - cover[..., None]) + new * cover[..., None]
        count += 1
        found[part][blob] = count
    return picture, found


def overlaid(rng, picture):
    """Streaks, moss, bloom, lichen, cracks and shadows over the whole wall; none of them is an outline."""
    if chance(rng, 0.3):
        streaks = np.maximum(noise(rng, rng.uniform(10, 40), 3, drawn_out=0.2), 0) * rng.uniform(
            0.05, 0.3
        )
        picture = picture * np.clip(1 - streaks, 0.2, 1)[..., None]
    for share, tone, most in (
        (0.25, np.array([110, 105, 50]) + rng.normal(0, 15, 3), 1.3),
        (0.2, np.array([225, 222, 215]), 1.5),
        (0.2, np.array([45, 44, 42]), 1.6),
    ):
        if chance(rng, share):
            cover = np.clip(noise(rng, rng.uniform(8, 80), 5, 0.7) - rng.uniform(0.4, most), 0, 1)[
                ..., None
            ] * rng.uniform(0.3, 0.9)
            picture = picture * (1 - cover) + cover * (tone + (12 * noise(rng, 3, 2))[..., None])
    if chance(rng, 0.2):
        lichen = np.zeros((N, N), np.uint8)
        for _ in range(rng.integers(10, 120)):
            cv2.circle(
                lichen,
                tuple(int(v) for v in rng.uniform(0, N, 2)),
                int(rng.uniform(2, 14)),
                int(rng.integers(90, 255)),
                -1,
                cv2.LINE_AA,
            )
        y, x = np.mgrid[0:N, 0:N].astype(np.float32)
        lichen = (
            cv2.remap(
                lichen,
                x + 3 * noise(rng, 6, 3).astype(np.float32),
                y + 3 * noise(rng, 6, 3).astype(np.float32),
                cv2.INTER_LINEAR,
            )
            / 255.0
        )
        tone = np.array(
            rng.choice([[205, 205, 196], [205, 170, 70], [150, 155, 140], [60, 60, 58]])
        ) + rng.normal(0, 8, 3)
        picture = picture + 0.8 * lichen[..., None] * (
            tone + (10 * noise(rng, 3, 2))[..., None] - picture
        )
    if chance(rng, 0.3):
        for _ in range(rng.integers(1, 5)):
            picture = picture * (1 - rng.uniform(0.3, 0.8) * _crack(rng) / 255.0)[..., None]
    if chance(rng, 0.25):
        corners = cv2.convexHull(rng.uniform(-0.3 * N, 1.3 * N, (4, 2)).astype(np.int32))
        shadow = np.zeros((N, N), np.uint8)
        cv2.fillConvexPoly(shadow, corners, 255)
        picture = (
            picture
            * (
                1
                - rng.uniform(0.2, 0.6)
                * cv2.GaussianBlur(shadow, (0, 0), rng.uniform(0.8, 8))
                / 255.0
            )[..., None]
        )
    if chance(rng, 0.12):  # the shadow of leaves
        leaves = np.clip(
            rng.uniform(1, 4) * noise(rng, rng.uniform(30, 90), 3, 0.5) + rng.uniform(-0.5, 0.5),
            0,
            1,
        )
        picture = picture * (1 - rng.uniform(0.2, 0.55) * leaves)[..., None]
    if chance(rng, 0.4):  # uneven light
        picture = (
            picture * (1 + rng.uniform(0.05, 0.3) * np.clip(band(rng, N * 0.7), -2, 2))[..., None]
        )
    return picture


def _crack(rng):
    place, turn, path = rng.uniform(0, N, 2), rng.uniform(0, 6.28), []
    for _ in range(rng.integers(20, 120)):
        path.append(place.copy())
        turn += rng.normal(0, 0.35)
        place += 5 * np.array([np.cos(turn), np.sin(turn)])
    drawn = np.zeros((N, N), np.uint8)
    cv2.polylines(
        drawn,
        [np.round(np.array(path) * 8).astype(np.int32)],
        False,
        255,
        int(rng.integers(1, 3)),
        cv2.LINE_AA,
        3,
    )
    return drawn


def wall(rng, bond=None):
    """One wall: picture, stones, defects and the size of a stone.

    Numbers are 0 in joints and outside defects. The bond is drawn from chance unless it is given.
    """
    bond = laid(rng) if bond is None else bond
    number = numbered(rng, bond)
    stone = number > 0
    border = np.zeros((N, N), bool)
    border[:, 1:] |= number[:, 1:] != number[:, :-1]
    border[1:] |= number[1:] != number[:-1]
    inside = cv2.distanceTransform((stone & ~border).astype(np.uint8), cv2.DIST_L2, 3)
    outside = cv2.distanceTransform((~stone).astype(np.uint8), cv2.DIST_L2, 3)
    picture, base, colours = stones_coloured(rng, number, bond.size)
    mortar, ribbon = mortar_coloured(rng, bond, base, outside)
    picture = joined(rng, bond, picture, mortar, number, inside)
    height, rough = relief(rng, bond, number, inside)
    recess = rng.choice([-0.5, 0.0, 1.0, 3.0, bond.size * rng.uniform(0.01, 0.08)])
    ground = (
        -recess
        + ribbon * rng.choice([0.0, 1.5, 3.0])
        + rng.choice([0.2, 0.6, 1.0]) * noise(rng, 4, 3)
    )
    brightness, to_sun = light(rng, np.where(stone, height, ground).astype(np.float32), low=rough)
    picture = picture.astype(np.float32) * (brightness / brightness.mean())[..., None]
    picture = picture * min(1.0, rng.uniform(190, 290) / float(np.quantile(picture, 0.985)))
    if chance(rng, 0.25) and not bond.heaped:  # dark rim of a recess
        picture = picture * (1 - rng.uniform(0.1, 0.5) * np.exp(-outside / 1.2) * ~stone)[..., None]
    found = np.zeros((N, N), np.uint8)
    if chance(rng, 0.6) and not bond.heaped:
        picture, found = defects(rng, picture, number, colours, to_sun)
    picture = overlaid(rng, picture.astype(np.float32))
    return np.clip(picture, 0, 255).astype(np.uint8), number.astype(np.int16), found, bond.size
