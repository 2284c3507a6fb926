"""Rendered scenes with exact truth: a wall mixed with another, openings in dressed frames, plaster, growth, sky, things before it.

A scene has a picture, the number of the stone at each pixel and what each pixel is: joint, stone, something else, or not to
be judged. Cracks, stains, washes, cast shadows, poles and the profiles of mouldings are painted over and change no outline.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent))

import bonds
import walls
import weather
from bonds import chance
from walls import band, noise

SIDE_PX = 832
JOINT, STONE, OTHER, UNJUDGED = 0, 1, 2, 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Scene:
    """Picture (side, side, 3), number of the stone (0: none) and kind at each pixel, and what is left of stones mostly hidden."""

    rgb: np.ndarray
    number: np.ndarray
    kind: np.ndarray
    hidden: np.ndarray | None = None


@dataclass(slots=True)
class _Canvas:
    """What a scene is painted on; ``under`` is the number of the stone that something before the wall hides."""

    rgb: np.ndarray
    number: np.ndarray
    kind: np.ndarray
    under: np.ndarray

    def lay(
        self, where: np.ndarray, rgb: np.ndarray, soft: float = 0.7, *, hides: bool = False
    ) -> None:
        """Paint something that is no stone, and that hides stones or takes their place."""
        cover = cv2.GaussianBlur(where.astype(np.float32), (0, 0), soft)[..., None]
        self.rgb = self.rgb * (1 - cover) + rgb * cover
        self.gone(where, hides=hides)

    def gone(self, where: np.ndarray, *, hides: bool) -> None:
        """No stone is seen there any more."""
        before = np.where(self.number > 0, self.number, self.under) if hides else 0
        self.under = np.where(where, before, self.under)
        self.number[where] = 0
        self.kind[where] = OTHER


def plain(rng: np.random.Generator, bond=None, *, moulded: bool = False) -> Scene:
    """One wall."""
    walls.N = SIDE_PX
    bond = bonds.laid(rng) if bond is None else bond
    rgb, number, _, _ = walls.wall(rng, bond)
    number = number.astype(np.int32)
    if moulded:
        rgb = _profiles(rng, rgb, number)
    return Scene(rgb=rgb, number=number, kind=np.where(number > 0, STONE, JOINT).astype(np.uint8))


def scene(rng: np.random.Generator, before: Scene | None, kind: str | None = None) -> Scene:
    """A scene, mixed with the wall drawn before it in about two of three."""
    walls.N = SIDE_PX
    if kind is None and chance(rng, 0.07):
        return _no_masonry(rng, before)
    drawn = plain(rng, None if kind is None else bonds.laid(rng, kind), moulded=chance(rng, 0.15))
    canvas = _Canvas(
        drawn.rgb.astype(np.float32), drawn.number.copy(), drawn.kind.copy(), 0 * drawn.number
    )
    if before is not None and chance(rng, 0.45):
        _inset(rng, canvas, before)
    if before is not None and chance(rng, 0.08):
        _paving(rng, canvas, before)
    for share, paint in (
        (0.12, _course),
        (0.4, _opening),
        (0.1, _plaster),
        (0.15, _growth),
        (0.1, _border),
        (0.12, _wash),
        (0.15, _pole),
        (0.2, _card),
        (0.35, _cracks),
        (0.3, weather.runs),
    ):
        if chance(rng, share):
            paint(rng, canvas)
            canvas.rgb = canvas.rgb.astype(np.float32, copy=False)
    return _finished(canvas)


def _finished(canvas: _Canvas) -> Scene:
    """The scene with slivers set aside and each stone in one piece."""
    joined = np.where(canvas.number > 0, canvas.number, 0)
    step = np.zeros(joined.shape, bool)
    step[:, 1:] |= joined[:, 1:] != joined[:, :-1]
    step[1:] |= joined[1:] != joined[:-1]
    inner = ((joined > 0) & ~step).astype(np.uint8)
    _, parts = cv2.connectedComponents(inner, connectivity=4)
    # the pixels of the border itself belong to the part of the same stone beside them
    grown = cv2.dilate(parts.astype(np.float32), np.ones((3, 3), np.uint8)).astype(np.int32)
    parts = np.where((parts == 0) & (joined > 0), grown, parts)
    sizes = np.bincount(parts.ravel())
    small = np.flatnonzero(sizes < 40)
    bad = np.isin(parts, small) & (joined > 0)
    parts[bad] = 0
    parts[joined == 0] = 0
    kind = canvas.kind.copy()
    kind[bad] = UNJUDGED
    return Scene(
        rgb=np.clip(canvas.rgb, 0, 255).astype(np.uint8),
        number=parts.astype(np.int32),
        kind=kind,
        hidden=_mostly_hidden(parts, canvas),
    )


def _mostly_hidden(parts, canvas):
    """What is seen of stones of which something before the wall hides more than a third."""
    most = int(max(canvas.number.max(), canvas.under.max())) + 1
    covered = np.bincount(canvas.under.ravel(), minlength=most)
    whole = np.bincount(canvas.number.ravel(), minlength=most) + covered
    size = np.bincount(parts.ravel())
    mine = np.zeros(len(size), np.int64)
    mine[parts.ravel()] = canvas.number.ravel()
    little = (covered[mine] > 0.1 * whole[mine]) & (size < 2 / 3 * whole[mine])
    little[0] = False
    return little[parts]


# ---- parts ----------------------------------------------------------------------------------------------------------------


def _profiles(rng, rgb, number):
    """Mouldings: shade that runs along whole courses and is no joint."""
    n = SIDE_PX
    picture, y = rgb.astype(np.float32), rng.uniform(0, 150)
    while y < n:
        tall = rng.uniform(18, 90)
        rows = np.arange(int(y), min(n, int(y + tall)))
        if len(rows) > 8:
            steps = np.sort(rng.uniform(0, 1, rng.integers(1, 5)))
            t = (rows - y) / tall
            shade = np.ones(len(rows))
            for s in steps:
                shade += rng.uniform(-0.35, 0.3) * np.exp(
                    -(((t - s) / rng.uniform(0.03, 0.25)) ** 2)
                )
            if chance(rng, 0.5):
                shade *= np.linspace(rng.uniform(0.9, 1.3), rng.uniform(0.5, 1.0), len(rows))
            picture[rows] *= np.clip(shade, 0.25, 1.5)[:, None, None]
            below = slice(rows[-1] + 1, min(n, rows[-1] + 1 + int(rng.uniform(3, 30))))
            picture[below] *= rng.uniform(0.45, 0.9)
        y += tall + rng.uniform(60, 400)
    return np.clip(picture, 0, 255).astype(np.uint8)


def _region(rng):
    """A part of the picture: a box, a strip, a slanted half, an arch, a disc, a ragged patch."""
    n, mask = SIDE_PX, np.zeros((SIDE_PX, SIDE_PX), np.uint8)
    kind = rng.choice(["box", "strip", "post", "half", "disc", "ragged", "box", "strip", "post"])
    x, y = rng.uniform(0, n, 2)
    w, h = np.exp(rng.uniform(np.log(60), np.log(500), 2))
    if kind == "box":
        mask[int(max(0, y - h / 2)) : int(y + h / 2), int(max(0, x - w / 2)) : int(x + w / 2)] = 1
    elif kind == "strip":
        mask[int(y) : int(y + h * 0.5)] = 1
    elif kind == "post":
        mask[:, int(x) : int(x + w * 0.5)] = 1
    elif kind == "half":
        turn = rng.choice([0, np.pi / 2, rng.uniform(0, 2 * np.pi)])
        rows, columns = np.mgrid[0:n, 0:n]
        mask[((columns - x) * np.cos(turn) + (rows - y) * np.sin(turn)) > 0] = 1
    elif kind == "disc":
        cv2.ellipse(mask, (int(x), int(y)), (int(w / 2), int(h / 2)), 0, 0, 360, 1, -1)
    else:
        mask[noise(rng, rng.uniform(80, 250), 3) > rng.uniform(0, 1)] = 1
    return mask > 0


def _inset(rng, canvas, before):
    """A part of another wall, with a joint of mortar round it."""
    where = _region(rng)
    other = before
    if chance(rng, 0.5):
        shift = rng.integers(0, SIDE_PX, 2)
        other = Scene(
            rgb=np.roll(before.rgb, shift, (0, 1)),
            number=np.roll(before.number, shift, (0, 1)),
            kind=np.roll(before.kind, shift, (0, 1)),
        )
    top = int(canvas.number.max()) + 1
    rim = cv2.morphologyEx(where.astype(np.uint8), cv2.MORPH_GRADIENT, np.ones((3, 3), np.uint8))
    wide = rng.choice([1, 1, 3, 5, 7])
    rim = cv2.dilate(rim, np.ones((wide, wide), np.uint8)) > 0
    canvas.rgb = np.where(where[..., None], other.rgb.astype(np.float32), canvas.rgb)
    canvas.number = np.where(
        where, np.where(other.number > 0, other.number + top, 0), canvas.number
    )
    canvas.kind = np.where(where, other.kind, canvas.kind)
    tone = walls.colour(rng) * rng.uniform(0.3, 1.1)
    rough = tone + (8 * noise(rng, 4, 2))[..., None]
    cover = cv2.GaussianBlur(rim.astype(np.float32), (0, 0), 0.7)[..., None]
    canvas.rgb = canvas.rgb * (1 - cover) + rough * cover
    canvas.number[rim] = 0
    canvas.kind[rim] = JOINT


def _over(rng, canvas, bond, *, moulded=False):
    """Stones of another bond over the wall, with their joints."""
    drawn = plain(rng, bond)
    stones = drawn.number > 0
    reach = 2 * int(np.ceil(bond.joint)) + 1
    where = cv2.dilate(stones.astype(np.uint8), np.ones((reach, reach), np.uint8)) > 0
    picture = drawn.rgb
    if moulded:
        rows = np.flatnonzero(where.any(axis=1))
        picture = picture.astype(np.float32)
        t = np.linspace(0, 1, len(rows))
        shade = np.ones(len(rows))
        for s in rng.uniform(0, 1, rng.integers(1, 5)):
            shade += rng.uniform(-0.4, 0.3) * np.exp(-(((t - s) / rng.uniform(0.03, 0.25)) ** 2))
        picture[rows] *= np.clip(
            shade * np.linspace(1.1, rng.uniform(0.5, 1), len(rows)), 0.2, 1.5
        )[:, None, None]
    top = int(canvas.number.max()) + 1
    cover = cv2.GaussianBlur(where.astype(np.float32), (0, 0), 0.6)[..., None]
    canvas.rgb = canvas.rgb * (1 - cover) + picture * cover
    canvas.number = np.where(where, np.where(stones, drawn.number + top, 0), canvas.number)
    canvas.kind = np.where(where, np.where(stones, STONE, JOINT), canvas.kind).astype(np.uint8)
    return where


def _course(rng, canvas):
    """A string course or a cornice: long stones in a row, their profile, the shadow below."""
    import shapely

    y, tall, x, outlines = (
        rng.uniform(20, SIDE_PX - 60),
        rng.uniform(16, 110),
        -rng.uniform(0, 300),
        [],
    )
    while x < SIDE_PX:
        width = tall * rng.uniform(1.5, 9)
        outlines.append(shapely.box(x, y, x + width, y + tall))
        x += width
    bond = bonds.Bond(
        kind="ashlar",
        size=tall,
        joint=max(0.7, tall * rng.uniform(0.008, 0.05)),
        radius=0.0,
        outlines=outlines,
    )
    _over(rng, canvas, bond, moulded=True)
    below = int(y + tall)
    deep = int(rng.uniform(0, 40))
    canvas.rgb[below : below + deep] *= np.linspace(rng.uniform(0.3, 0.8), 1, max(deep, 1))[
        : len(canvas.rgb[below : below + deep]), None, None
    ]


def _opening(rng, canvas):
    """A window or a door, in a dressed frame or cut into the wall as it is."""
    n = SIDE_PX
    for _ in range(int(rng.integers(1, 4))):
        w = np.exp(rng.uniform(np.log(50), np.log(320)))
        h = w * rng.uniform(0.8, 2.4)
        x, y = rng.uniform(-0.3 * w, n - 0.7 * w), rng.uniform(-0.3 * h, n - 0.6 * h)
        mask = np.zeros((n, n), np.uint8)
        if chance(rng, 0.6):
            bond, shape = bonds.frame(rng, (x, y, x + w, y + h))
            if len(bond.outlines) > 2:
                _over(rng, canvas, bond)
            for piece in getattr(shape, "geoms", [shape]):
                ring = np.round(np.array(piece.exterior.coords)).astype(np.int32)
                cv2.fillPoly(mask, [ring], 1)
        else:
            mask[int(max(y, 0)) : int(max(0, y + h)), int(max(x, 0)) : int(max(0, x + w))] = 1
            if chance(rng, 0.3):
                cv2.ellipse(
                    mask,
                    (int(x + w / 2), int(y)),
                    (int(w / 2), int(w * rng.uniform(0.2, 0.5))),
                    0,
                    180,
                    360,
                    1,
                    -1,
                )
        where = mask > 0
        if where.sum() < 200:
            continue
        down, along = np.flatnonzero(where.any(axis=1)), np.flatnonzero(where.any(axis=0))
        part = np.s_[down[0] : down[-1] + 1, along[0] : along[-1] + 1]
        whole = np.zeros((n, n, 3), np.float32)
        whole[part] = _filling(rng, (x, y, x + w, y + h), part)
        canvas.lay(where, whole, 0.6)


def _filling(rng, box, part):
    """What an opening shows within a part of the picture: glass behind bars, planks, a grille, darkness, a blind."""
    x0, y0, x1, y1 = box
    w, h = x1 - x0, y1 - y0
    rows, columns = np.mgrid[part].astype(np.float32)
    n = rows.shape
    kind = rng.choice(["panes", "panes", "glass", "planks", "panels", "dark", "grille", "blind"])
    tone = rng.uniform(20, 230, 3) * rng.choice([0.3, 0.7, 1.0])
    grain = noise(rng, rng.uniform(4, 30), 3, drawn_out=rng.choice([0.15, 1.0]))[part][..., None]
    base = tone + rng.uniform(2, 14) * grain
    frame_tone = rng.uniform(30, 245, 3)
    if kind in ("glass", "blind"):
        sky = np.linspace(rng.uniform(60, 190), rng.uniform(15, 120), n[0])[
            :, None, None
        ] * rng.uniform(0.7, 1.1, 3)
        base = (
            sky + 0 * grain + rng.uniform(0, 30) * band(rng, rng.uniform(40, 200))[part][..., None]
        )
        if kind == "blind":
            base = base + 25 * np.sign(np.sin(rows / rng.uniform(1.5, 5)))[..., None]
        if chance(rng, 0.4):
            base = np.where(
                (band(rng, rng.uniform(20, 80))[part] > 0.6)[..., None], base * 0.4, base
            )
        across, up, thick = (
            int(rng.integers(1, 6)),
            int(rng.integers(1, 7)),
            w * rng.uniform(0.01, 0.05),
        )
        bars = np.zeros(n, bool)
        for k in range(across + 1):
            bars |= abs(columns - (x0 + w * k / across)) < thick
        for k in range(up + 1):
            bars |= abs(rows - (y0 + h * k / up)) < thick
        if chance(rng, 0.15):
            step = w * rng.uniform(0.08, 0.2)
            bars |= (((columns + rows) % step) < 2) | (((columns - rows) % step) < 2)
        base = np.where(bars[..., None], frame_tone + 4 * grain, base)
    elif kind == "panes":
        base = weather.panes(rng, box, part)
    elif kind == "planks":
        wide = w / rng.integers(3, 10)
        lying = chance(rng, 0.25)
        along = rows if lying else columns
        index = np.floor((along - x0) / wide).astype(int)
        base = base * (1 + rng.uniform(0, 0.2) * rng.normal(0, 1, 5000)[index % 5000])[..., None]
        base = np.where(
            (((along - x0) % wide) < rng.uniform(1, 3))[..., None],
            base * rng.uniform(0.3, 0.7),
            base,
        )
        for k in range(int(rng.integers(0, 4))):
            at = y0 + h * rng.uniform(0.05, 0.95)
            band_of = (abs(rows - at) < h * 0.015 + 1.5) & (columns < x0 + w * rng.uniform(0.3, 1))
            base = np.where(band_of[..., None], rng.uniform(20, 110, 3) * (0.9 + 0.1 * k), base)
    elif kind == "panels":
        across, up = int(rng.integers(1, 4)), int(rng.integers(1, 5))
        for i in range(across):
            for j in range(up):
                a, b = x0 + w * (i + 0.15) / across, y0 + h * (j + 0.12) / up
                a1, b1 = x0 + w * (i + 0.85) / across, y0 + h * (j + 0.88) / up
                inside = (columns > a) & (columns < a1) & (rows > b) & (rows < b1)
                deep = (columns > a + 3) & (columns < a1 - 3) & (rows > b + 3) & (rows < b1 - 3)
                base = np.where((inside & ~deep)[..., None], base * rng.uniform(0.4, 1.4), base)
    elif kind == "grille":
        step = w * rng.uniform(0.06, 0.2)
        base = np.where(
            ((columns % step) < step * 0.25)[..., None]
            | ((rows % (3 * step)) < step * 0.3)[..., None],
            frame_tone,
            base * 0.3,
        )
    else:
        base = base * rng.uniform(0.05, 0.4)
    # reveals in the stone of the wall, with joints of their own, and the shadow of the head
    stone = walls.colour(rng) * rng.uniform(0.4, 1.1)
    step, off = h * rng.uniform(0.08, 0.4), rng.uniform(0, h)
    joints = (np.abs((rows - y0 + off) % step - step / 2) < rng.uniform(0.5, 2)) & chance(rng, 0.7)
    reveal = stone * np.where(joints, rng.uniform(0.5, 0.9), 1.0)[..., None] + 5 * grain
    for side in (columns < x0 + w * rng.uniform(0, 0.14), columns > x1 - w * rng.uniform(0, 0.14)):
        if chance(rng, 0.5):
            base = np.where(side[..., None], reveal * rng.uniform(0.5, 1.1), base)
    if chance(rng, 0.3):
        head = rows < y0 + h * rng.uniform(0.01, 0.08)
        base = np.where(head[..., None], stone * rng.uniform(0.3, 0.9) + 5 * grain, base)
    if chance(rng, 0.3):
        foot = rows > y1 - h * rng.uniform(0.01, 0.06)
        base = np.where(foot[..., None], stone * rng.uniform(0.6, 1.2) + 5 * grain, base)
    deep = rng.uniform(0.05, 0.4)
    base = base * np.clip(0.45 + (rows - y0) / (h * deep + 1), 0.45, 1)[..., None]
    return np.clip(base, 0, 255)


def _plaster(rng, canvas):
    """Render or plaster that hides stones, ragged where it has fallen off."""
    if chance(rng, 0.5):
        where = _region(rng)
    else:
        where = noise(rng, rng.uniform(60, 260), 5, 0.6) > rng.uniform(0.2, 1.2)
    tone = np.array([rng.uniform(120, 235)] * 3) * [
        1,
        rng.uniform(0.9, 1.0),
        rng.uniform(0.75, 1.0),
    ]
    rough = tone + (rng.uniform(2, 12) * noise(rng, rng.uniform(3, 60), 4))[..., None]
    rough = rough * (1 + 0.1 * band(rng, 200))[..., None]
    if chance(rng, 0.4):
        for _ in range(3):
            rough = rough * (1 - rng.uniform(0.2, 0.6) * walls._crack(rng) / 255.0)[..., None]
    low = cv2.GaussianBlur(where.astype(np.float32), (0, 0), rng.uniform(1, 4))
    edge = np.gradient(low)[0] - np.gradient(low)[1]
    canvas.lay(where, rough, hides=True)
    canvas.rgb = canvas.rgb * np.clip(1 + rng.uniform(-3, 3) * edge, 0.4, 1.5)[..., None]


def _growth(rng, canvas):
    """Leaves that hide stones."""
    n = SIDE_PX
    dense = noise(rng, rng.uniform(60, 240), 4, 0.6) - rng.uniform(0.3, 1.6)
    leaves, shade = np.zeros((n, n), np.uint8), np.zeros((n, n), np.float32)
    rows, columns = np.nonzero(dense > 0)
    if len(rows) < 300:
        return
    size = rng.uniform(3, 11)
    for k in rng.integers(0, len(rows), int(min(2500, len(rows) / size**2 * 1.6))):
        middle = (int(columns[k]), int(rows[k]))
        axes = (int(size * rng.uniform(0.7, 1.3)) + 1, int(size * rng.uniform(0.4, 0.8)) + 1)
        turn, tone = rng.uniform(0, 180), float(rng.uniform(0.35, 1.3))
        cv2.ellipse(leaves, middle, axes, turn, 0, 360, 1, -1)
        cv2.ellipse(shade, middle, axes, turn, 0, 360, tone, -1)
    green = np.array(
        rng.choice([[92, 118, 50], [60, 84, 40], [120, 110, 50], [130, 60, 40]])
    ) * rng.uniform(0.6, 1.3)
    canvas.lay(leaves > 0, np.clip(green * shade[..., None], 0, 255), 0.6, hides=True)
    hidden = (
        cv2.morphologyEx(leaves, cv2.MORPH_CLOSE, np.ones((int(2 * size) | 1,) * 2, np.uint8)) > 0
    )
    canvas.kind[hidden & (leaves == 0)] = UNJUDGED


def _paving(rng, canvas, before):
    """Paving seen at a slant before the foot of the wall, and a neighbour's wall far away."""
    n, tall = SIDE_PX, int(rng.uniform(20, 160))
    squeezed = cv2.resize(
        before.rgb, (n, max(tall, int(n * rng.uniform(0.1, 0.3)))), interpolation=cv2.INTER_AREA
    )
    rgb = np.zeros((n, n, 3), np.float32)
    rgb[n - tall :] = squeezed[:tall] * rng.uniform(0.5, 1.1)
    where = np.zeros((n, n), bool)
    where[n - tall :] = True
    canvas.lay(where, rgb)


def _border(rng, canvas):
    """Where the wall ends: sky over it, ground before it, a neighbour beside it."""
    n = SIDE_PX
    rows, columns = np.mgrid[0:n, 0:n].astype(np.float32)
    kind = rng.choice(["sky", "ground", "side"])
    share = rng.uniform(0.08, 0.45) * n
    wave = rng.choice([0, 1, 8]) * band(rng, 30)[0]
    slope = rng.normal(0, 0.08) * (np.arange(n) - n / 2)
    if kind == "side":
        where = columns < share + wave[:, None]
        if chance(rng, 0.5):
            where = where[:, ::-1].copy()
    else:
        where = rows < share + (wave + slope)[None, :]
        if kind == "ground":
            where = where[::-1].copy()
    if kind == "sky" or (kind == "side" and chance(rng, 0.4)):
        tone = np.array(
            rng.choice([[120, 160, 215], [205, 208, 214], [160, 170, 190], [60, 70, 100]])
        )
        rgb = (
            tone
            + (np.linspace(-25, 35, n)[:, None] + rng.uniform(0, 22) * noise(rng, 200, 4))[
                ..., None
            ]
        )
    else:
        tone = np.array(
            rng.choice(
                [
                    [110, 108, 104],
                    [80, 100, 50],
                    [130, 115, 90],
                    [60, 60, 62],
                    [190, 185, 175],
                    [0, 0, 0],
                    [255, 255, 255],
                ]
            )
        )
        rgb = tone + (
            rng.uniform(0, 30) * noise(rng, rng.uniform(2, 20), 4, drawn_out=rng.choice([1, 4]))
        )[..., None] * (tone.sum() % 765 > 0)
    canvas.lay(where, np.clip(rgb, 0, 255))


def _wash(rng, canvas):
    """A thin wash through which the stones are still seen."""
    where = _region(rng) if chance(rng, 0.6) else noise(rng, 150, 4) > 0
    cover = cv2.GaussianBlur(where.astype(np.float32), (0, 0), rng.uniform(0.7, 6))[..., None]
    cover = cover * rng.uniform(0.2, 0.65)
    canvas.rgb = canvas.rgb * (1 - cover) + cover * rng.choice(
        [rng.uniform(30, 90), rng.uniform(190, 245)]
    )


def _pole(rng, canvas):
    """Poles, pipes, cables and their shadows before the wall."""
    n = SIDE_PX
    for _ in range(int(rng.integers(1, 5))):
        wide = int(np.exp(rng.uniform(np.log(1.5), np.log(26))))
        turn = rng.choice([0, np.pi / 2, rng.uniform(0, np.pi)]) + rng.normal(0, 0.02)
        middle, along = rng.uniform(0, n, 2), np.array([np.cos(turn), np.sin(turn)]) * 1.5 * n
        mask = np.zeros((n, n), np.uint8)
        ends = [tuple(int(v) for v in middle + s * along) for s in (-1, 1)]
        cv2.line(mask, ends[0], ends[1], 1, wide)
        away = (
            -(np.mgrid[0:n, 0:n][1] - middle[0]) * np.sin(turn)
            + (np.mgrid[0:n, 0:n][0] - middle[1]) * np.cos(turn)
        ) / max(wide, 1)
        tone = rng.uniform(20, 230, 3) * rng.choice([0.4, 1.0])
        shift = np.float32([[1, 0, rng.normal(0, 14)], [0, 1, rng.normal(0, 14)]])
        canvas.rgb = (
            canvas.rgb * (1 - rng.uniform(0, 0.5) * cv2.warpAffine(mask, shift, (n, n)))[..., None]
        )
        round_pole = np.clip(tone * (1 - 1.2 * away**2)[..., None], 0, 255)
        if wide > 7:
            canvas.lay(mask > 0, round_pole, 0.6, hides=True)
        else:  # a cable does not part the stone behind it
            cover = cv2.GaussianBlur(mask.astype(np.float32), (0, 0), 0.6)[..., None]
            canvas.rgb = canvas.rgb * (1 - cover) + round_pole * cover


def _cracks(rng, canvas):
    """Cracks, seams and streaks across single stones, from joint to joint or ending in the stone; none is an outline."""
    n, picked = SIDE_PX, []
    for _ in range(60):
        x, y = (int(v) for v in rng.integers(20, n - 20, 2))
        if canvas.number[y, x] > 0:
            picked.append((x, y))
    for x, y in picked[: int(rng.integers(3, 22))]:
        mine = (canvas.number == canvas.number[y, x]).astype(np.uint8)
        left, top, wide, tall = cv2.boundingRect(mine)
        if chance(rng, 0.25):  # salts or a run of rust down the stone
            tone = rng.choice([[232, 228, 220], [150, 90, 50], [40, 40, 38]])
            here = np.zeros((n, n), np.float32)
            cv2.rectangle(
                here, (x, top), (x + int(rng.uniform(2, 0.25 * wide + 4)), top + tall), 1, -1
            )
            here *= (
                noise(rng, rng.uniform(2, 10), 3, drawn_out=0.3) > rng.uniform(-0.5, 0.8)
            ) * mine
            cover = cv2.GaussianBlur(here, (0, 0), rng.uniform(0.5, 1.5))[..., None] * rng.uniform(
                0.3, 0.95
            )
            canvas.rgb = canvas.rgb * (1 - cover) + cover * np.array(tone, np.float32)
            continue
        upright, steps = chance(rng, 0.65), 14
        along = (
            np.linspace(-0.1, 1.1, steps)
            if chance(rng, 0.6)
            else np.sort(rng.uniform(0, 1, 2))[0] + np.linspace(0, 0.6, steps)
        )
        away = np.cumsum(rng.normal(0, 0.02, steps)) * max(wide, tall) + rng.normal(0, 0.25) * (
            along - 0.5
        ) * min(wide, tall)
        line = np.column_stack(
            [x + away, top + along * tall] if upright else [left + along * wide, y + away]
        )
        drawn = np.zeros((n, n), np.uint8)
        cv2.polylines(
            drawn,
            [np.round(line * 8).astype(np.int32)],
            False,
            255,
            int(rng.integers(1, 3)),
            cv2.LINE_AA,
            3,
        )
        cover = (
            cv2.GaussianBlur(drawn * mine, (0, 0), rng.uniform(0.4, 1.0))[..., None].astype(
                np.float32
            )
            / 255
        )
        canvas.rgb = canvas.rgb * (1 - rng.uniform(0.3, 0.9) * np.minimum(1.5 * cover, 1))


def _card(rng, canvas):
    """Targets, colour cards, signs; small ones do not part the stone they stick to."""
    n = SIDE_PX
    for _ in range(int(rng.integers(1, 9))):
        big = chance(rng, 0.25)
        w, h = rng.uniform(40, 200, 2) if big else rng.uniform(7, 24, 1).repeat(2)
        x, y = rng.uniform(0, n - w), rng.uniform(0, n - h)
        x0, y0, x1, y1 = int(x), int(y), int(x + w), int(y + h)
        part = np.empty((y1 - y0, x1 - x0, 3), np.float32)
        part[:] = rng.choice([240, 20, rng.uniform(30, 230)])
        if big:
            cells = rng.uniform(
                10, 250, (int(rng.integers(1, 5)), int(rng.integers(1, 7)), 3)
            ).astype(np.float32)
            part[3:-3, 3:-3] = cv2.resize(
                cells, (part.shape[1] - 6, part.shape[0] - 6), interpolation=cv2.INTER_NEAREST
            )
        else:
            half_y, half_x = part.shape[0] // 2, part.shape[1] // 2
            part[:half_y, :half_x] = 15
            part[half_y:, half_x:] = 15
        canvas.rgb[y0:y1, x0:x1] = part
        if big:
            where = np.zeros((n, n), bool)
            where[y0:y1, x0:x1] = True
            canvas.gone(where, hides=True)


def _no_masonry(rng, before):
    """A picture without masonry: a room, planks, leaves, tiles of light, plain noise, writing."""
    n = SIDE_PX
    kind = rng.choice(["flats", "planks", "noise", "leaves", "shapes", "writing", "curves"])
    rgb = np.empty((n, n, 3), np.float32)
    rgb[:] = rng.uniform(20, 235, 3)
    none = np.zeros((n, n), np.int32)
    canvas = _Canvas(rgb, none, np.full((n, n), OTHER, np.uint8), none.copy())
    if kind in ("flats", "shapes"):
        for _ in range(int(rng.integers(4, 40))):
            corners = rng.uniform(-200, n + 200, (4, 2))
            if kind == "flats":
                a, b = corners[0], corners[1]
                corners = np.array([a, [b[0], a[1]], b, [a[0], b[1]]])
            cv2.fillPoly(
                canvas.rgb,
                [np.round(corners).astype(np.int32)],
                [float(v) for v in rng.uniform(10, 245, 3)],
            )
        canvas.rgb *= (1 + 0.2 * band(rng, 300))[..., None]
    elif kind == "planks":
        canvas.rgb = _filling(rng, (0, 0, n, n), np.s_[0:n, 0:n]).astype(np.float32)
    elif kind == "leaves":
        for _ in range(4):
            _growth(rng, canvas)
    elif kind == "writing":
        written = canvas.rgb.astype(np.uint8)
        for _ in range(60):
            place = tuple(int(v) for v in rng.uniform(-50, n, 2))
            cv2.putText(
                written,
                "".join(rng.choice(list("aembstgNORW1248"), 12)),
                place,
                int(rng.integers(0, 8)),
                float(rng.uniform(0.4, 3)),
                [float(v) for v in rng.uniform(0, 255, 3)],
                int(rng.integers(1, 5)),
            )
        canvas.rgb = written.astype(np.float32)
    elif kind == "curves":
        for _ in range(int(rng.integers(3, 25))):
            line = np.cumsum(rng.normal(0, 40, (12, 2)), axis=0) + rng.uniform(0, n, 2)
            cv2.polylines(
                canvas.rgb,
                [line.astype(np.int32)],
                False,
                [float(v) for v in rng.uniform(0, 255, 3)],
                int(rng.integers(1, 30)),
            )
    canvas.rgb = (
        canvas.rgb + (rng.uniform(0, 25) * noise(rng, rng.uniform(2, 100), 5, 0.6))[..., None]
    )
    canvas.kind[:] = OTHER
    canvas.number[:] = 0
    return Scene(
        rgb=np.clip(canvas.rgb, 0, 255).astype(np.uint8), number=canvas.number, kind=canvas.kind
    )


def maps(drawn: Scene) -> tuple[np.ndarray, np.ndarray]:
    """Depth in the stone over the deepest in that stone, 0 to 250 (255: cut by the frame), and the deepest itself in pixels."""
    number = drawn.number
    step = np.zeros(number.shape, bool)
    step[:, 1:] |= number[:, 1:] != number[:, :-1]
    step[1:] |= number[1:] != number[:-1]
    step[:, :-1] |= number[:, 1:] != number[:, :-1]
    step[:-1] |= number[1:] != number[:-1]
    deep = cv2.distanceTransform(((number > 0) & ~step).astype(np.uint8), cv2.DIST_L2, 5)
    most = np.zeros(int(number.max()) + 1, np.float32)
    np.maximum.at(most, number.ravel(), deep.ravel())
    most[0] = 0
    reach = most[number]
    share = np.where(number > 0, np.minimum(deep / np.maximum(reach, 1e-3), 1) * 250, 0)
    cut = np.unique(np.concatenate([number[0], number[-1], number[:, 0], number[:, -1]]))
    cut = cut[cut > 0]
    share[np.isin(number, cut)] = 255
    return share.astype(np.uint8), np.minimum(np.round(reach), 255).astype(np.uint8)
