"""Rendered walls with damage and its exact truth: what each pixel shows of seven kinds, which region it belongs to, the relief.

Damage changes colour and relief together and the light falls on both, so that a loss has its shadow and a patch its plain face.
Shadows, streaks, cracks, openings, cards and poles are painted over and are no damage.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "outline_net"))
sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "wall_net"))

import bonds
import scenes
import walls
from walls import band, chance, noise

SIDE_PX = 832
#: What a pixel shows; 0 is none of them, ``UNJUDGED`` is too small to be told.
KINDS = (
    "patch",
    "missing part",
    "black crust",
    "growth",
    "efflorescence",
    "moist area",
    "open joint",
)
UNJUDGED = 255
_SMALLEST_PX = 160
#: The relief is kept in half millimetres round 128.
HALF_MM = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Damaged:
    """Picture, kind and number of the region at each pixel, relief as bytes (128 is nought, two to a millimetre)."""

    rgb: np.ndarray
    kind: np.ndarray
    region: np.ndarray
    relief: np.ndarray


class _Wall:
    """A wall before the light falls on it."""

    def __init__(self, rng: np.random.Generator, bond) -> None:
        self.bond = bond
        self.number = walls.numbered(rng, bond).astype(np.int32)
        self.stone = self.number > 0
        step = np.zeros(self.number.shape, bool)
        step[:, 1:] |= self.number[:, 1:] != self.number[:, :-1]
        step[1:] |= self.number[1:] != self.number[:-1]
        inside = cv2.distanceTransform((self.stone & ~step).astype(np.uint8), cv2.DIST_L2, 3)
        self.outside = cv2.distanceTransform((~self.stone).astype(np.uint8), cv2.DIST_L2, 3)
        self.rgb, self.base, self.colours = walls.stones_coloured(rng, self.number, bond.size)
        mortar, ribbon = walls.mortar_coloured(rng, bond, self.base, self.outside)
        self.rgb = walls.joined(rng, bond, self.rgb, mortar, self.number, inside).astype(np.float32)
        height, self.rough = walls.relief(rng, bond, self.number, inside)
        recess = rng.choice([-0.5, 0.0, 1.0, 2.0, bond.size * rng.uniform(0.01, 0.05)])
        ground = -recess + ribbon * rng.choice([0.0, 1.5, 3.0]) + 0.5 * noise(rng, 4, 3)
        self.height = np.where(self.stone, height, ground).astype(np.float32)
        self.kind = np.zeros(self.number.shape, np.uint8)
        cells = (3, 8, 22, 60, 160)
        self._grain = [noise(rng, cell, 4, 0.6) for cell in cells]

    def grain(self, rng, cell: float) -> np.ndarray:
        """Noise near a size, moved by chance."""
        k = int(np.argmin(np.abs(np.log(np.array([3, 8, 22, 60, 160]) / cell))))
        return np.roll(self._grain[k], tuple(rng.integers(0, SIDE_PX, 2)), (0, 1))

    def paint(self, name: str, cover: np.ndarray, rgb: np.ndarray, *, shown: float = 0.45) -> None:
        """Lay a colour over the wall; where the cover is thick enough the pixel shows this kind."""
        rows, columns = np.flatnonzero(cover.any(axis=1)), np.flatnonzero(cover.any(axis=0))
        if not len(rows):
            return
        part = np.s_[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]
        thick = cover[part][..., None]
        new = np.broadcast_to(rgb, self.rgb.shape)[part]
        self.rgb[part] = self.rgb[part] * (1 - thick) + new * thick
        self.kind[cover > shown] = KINDS.index(name) + 1


def _blob(rng, wall: _Wall, middle, reach: float, ragged: float, stretch: float) -> np.ndarray:
    """One in the middle, nought at a ragged border, below outside; shape of the whole picture."""
    far = 1.6 * reach * stretch * (1 + 2 * ragged) + 8
    left, top = (int(max(0, m - far)) for m in middle)
    right, bottom = (int(min(SIDE_PX, m + far + 1)) for m in middle)
    field = np.full((SIDE_PX, SIDE_PX), -1.0, np.float32)
    y, x = np.mgrid[top:bottom, left:right].astype(np.float32)
    turn = rng.uniform(0, np.pi)
    dx, dy = x - middle[0], y - middle[1]
    u = (np.cos(turn) * dx + np.sin(turn) * dy) / stretch
    v = -np.sin(turn) * dx + np.cos(turn) * dy
    rough = wall.grain(rng, reach * rng.uniform(0.3, 0.9))[top:bottom, left:right]
    field[top:bottom, left:right] = 1 - np.hypot(u, v) / reach - ragged * rough
    return field


def _somewhere(rng, wall: _Wall):
    """A place on a stone, its number."""
    for _ in range(20):
        x, y = rng.integers(0, SIDE_PX, 2)
        if wall.number[y, x] > 0:
            return (float(x), float(y)), int(wall.number[y, x])
    return (float(x), float(y)), int(wall.number[y, x])


def _reach(rng, wall: _Wall, least=0.12, most=0.9) -> float:
    size = max(wall.bond.size, 30)
    return float(np.clip(size * np.exp(rng.uniform(np.log(least), np.log(most))), 11, 190))


def _loss(rng, wall: _Wall) -> None:
    """Broken off or spalled: deeper, rough, clean or as dirty as the rest."""
    middle, number = _somewhere(rng, wall)
    mine = wall.number == number
    if chance(rng, 0.6) and mine.sum() > 200:  # at an arris or a corner
        rows, columns = np.nonzero(mine)
        corner = np.argmax(
            columns * rng.choice([-1, 1]) + rows * rng.choice([-1, 1]) + rng.normal(0, 9, len(rows))
        )
        middle = (float(columns[corner]), float(rows[corner]))
    reach = _reach(rng, wall, 0.2, 1.0)
    field = _blob(rng, wall, middle, reach, rng.uniform(0.05, 0.3), rng.uniform(1, 2))
    where = field > 0
    if chance(rng, 0.75):
        where &= mine
    if where.sum() < _SMALLEST_PX:
        return
    inner = cv2.distanceTransform(where.astype(np.uint8), cv2.DIST_L2, 3)
    deep = reach * rng.uniform(0.15, 0.5)
    rough = wall.grain(rng, max(3, reach * rng.uniform(0.1, 0.4)))
    bowl = deep * np.minimum(inner / max(1.5, reach * rng.uniform(0.05, 0.6)), 1)
    wall.height -= bowl + where * rough * deep * rng.uniform(0.08, 0.35)
    tone = wall.colours[number] * rng.choice([rng.uniform(0.6, 0.85), rng.uniform(1.12, 1.4)])
    tone = tone + rng.normal(0, 8, 3)
    old = wall.rgb.copy() * rng.uniform(0.8, 1.1)
    fresh = tone + (rng.uniform(2, 14) * rough)[..., None]
    mix = rng.choice([0.5, 0.9, 1.0, 1.0])
    cover = cv2.GaussianBlur(where.astype(np.float32), (0, 0), rng.choice([0.6, 1.0]))
    wall.paint("missing part", cover, mix * fresh + (1 - mix) * old, shown=0.5)


def _patch(rng, wall: _Wall) -> None:
    """An earlier repair: mortar or cement over stone and joint, or a piece let in with a joint round it."""
    middle, number = _somewhere(rng, wall)
    reach = _reach(rng, wall, 0.2, 1.1)
    y, x = np.mgrid[0:SIDE_PX, 0:SIDE_PX].astype(np.float32)
    let_in = chance(rng, 0.45)
    if let_in or chance(rng, 0.35):
        turn = rng.normal(0, 0.03) if chance(rng, 0.8) else rng.uniform(0, 1.5)
        dx, dy = x - middle[0], y - middle[1]
        u, v = np.cos(turn) * dx + np.sin(turn) * dy, np.cos(turn) * dy - np.sin(turn) * dx
        field = np.minimum(
            reach * rng.uniform(0.5, 1.3) - abs(u), reach * rng.uniform(0.4, 1) - abs(v)
        )
        if not let_in:
            field = field + reach * 0.06 * wall.grain(rng, reach * 0.4)
    else:
        field = reach * _blob(rng, wall, middle, reach, rng.uniform(0.05, 0.2), rng.uniform(1, 2.5))
    where = field > 0
    if let_in or chance(rng, 0.3):
        where &= (wall.number == number) if chance(rng, 0.7) else True
    if where.sum() < _SMALLEST_PX:
        return
    if chance(rng, 0.4):
        tone = np.full(3, rng.uniform(95, 190)) + rng.normal(0, 5, 3)  # cement
    elif chance(rng, 0.6):
        tone = wall.colours[number] * rng.uniform(0.7, 1.3) + rng.normal(0, 14, 3)
    else:
        tone = walls.colour(rng)
    away = abs(tone - wall.colours[number]).max()
    if away < 22:
        tone = tone + rng.choice([-1, 1]) * 30
    new = tone + (rng.uniform(1, 7) * wall.grain(rng, rng.choice([3, 8, 22])))[..., None]
    level = float(np.median(wall.height[where])) + rng.uniform(-1.5, 2.5)
    plain = level + rng.uniform(0.1, 0.6) * wall.grain(rng, rng.choice([3, 8, 60]))
    wall.height = np.where(where, plain, wall.height).astype(np.float32)
    cover = cv2.GaussianBlur(where.astype(np.float32), (0, 0), rng.choice([0.5, 0.8, 1.5]))
    wall.paint("patch", cover, new, shown=0.5)
    if let_in:
        rim = where & (field < rng.uniform(1, 3.2))
        joint = cv2.GaussianBlur(rim.astype(np.float32), (0, 0), 0.5)[..., None]
        wall.rgb = wall.rgb * (1 - joint) + joint * wall.base * rng.choice([0.4, 0.7, 1.3])
        wall.height[rim] -= rng.uniform(0, 2)


def _soft(rng, wall: _Wall, least: float, most: float, ragged: float) -> tuple[np.ndarray, int]:
    """Cover of something that lies on the wall, from a film to a solid coat, hard or soft at its border."""
    middle, number = _somewhere(rng, wall)
    reach = _reach(rng, wall, least, most)
    stretch = float(np.exp(rng.uniform(0, np.log(3))))
    field = _blob(rng, wall, middle, reach, ragged * rng.uniform(0.5, 1.5), stretch)
    field = field + rng.uniform(0, 0.25) * wall.grain(rng, rng.choice([3, 8, 22]))
    cover = np.clip(0.5 + field * np.exp(rng.uniform(np.log(3), np.log(25))), 0, 1)
    if chance(rng, 0.35):
        cover = cover * (wall.number == number)
    return cover.astype(np.float32), number


def _crust(rng, wall: _Wall) -> None:
    """Black crust: dark, a little raised, dull and uneven, thick in the shelter of things."""
    cover, _ = _soft(rng, wall, 0.25, 1.6, 0.3)
    dark = rng.uniform(18, 62) + rng.normal(0, 3, 3)
    rough = wall.grain(rng, rng.choice([3, 8]))
    wall.height += cover * (rng.uniform(0.3, 1.6) + rng.uniform(0.1, 0.7) * rough)
    tone = dark + (rng.uniform(3, 11) * rough)[..., None]
    wall.paint("black crust", cover * rng.uniform(0.75, 1.0), tone)


def _growth(rng, wall: _Wall) -> None:
    """Moss in cushions, lichen in discs, algae as a film, leaves."""
    sort = rng.choice(["moss", "lichen", "alga", "plant"], p=[0.35, 0.25, 0.2, 0.2])
    cover, _ = _soft(rng, wall, 0.2, 1.5, 0.45)
    fine = wall.grain(rng, rng.choice([3, 8]))
    if sort == "lichen":
        seeds = np.zeros_like(cover, np.uint8)
        rows, columns = np.nonzero(cover > 0.5)
        for k in rng.integers(0, max(len(rows), 1), int(rng.integers(3, 40))):
            if len(rows):
                cv2.circle(seeds, (int(columns[k]), int(rows[k])), int(rng.uniform(3, 15)), 1, -1)
        cover = cv2.GaussianBlur(seeds.astype(np.float32), (0, 0), 0.8)
        tone = np.array(
            rng.choice([[205, 205, 190], [205, 165, 60], [150, 160, 135], [120, 130, 90]])
        )
        cover = np.clip(cover * (1 + 0.25 * fine), 0, 1) * rng.uniform(0.75, 0.95)
    elif sort == "moss":
        tone = np.array(rng.choice([[96, 104, 48], [70, 84, 40], [120, 118, 52], [62, 70, 44]]))
        cover = cover * rng.uniform(0.8, 1.0)
        wall.height += cover * rng.uniform(1, 5) * (0.6 + 0.4 * fine)
    elif sort == "alga":
        tone = np.array(rng.choice([[96, 118, 74], [84, 104, 60], [120, 96, 60]]))
        cover = cover * rng.uniform(0.5, 0.8)
    else:
        tone = np.array(rng.choice([[92, 118, 50], [60, 90, 40], [130, 70, 45], [110, 130, 70]]))
        leaves = np.zeros_like(cover, np.uint8)
        shade = np.ones_like(cover)
        rows, columns = np.nonzero(cover > 0.5)
        size = rng.uniform(2.5, 9)
        for k in rng.integers(0, max(len(rows), 1), int(min(900, len(rows) / size**2 * 1.8))):
            at = (int(columns[k]), int(rows[k]))
            axes = (int(size * rng.uniform(0.8, 1.4)) + 1, int(size * rng.uniform(0.4, 0.8)) + 1)
            turn = rng.uniform(0, 180)
            cv2.ellipse(leaves, at, axes, turn, 0, 360, 1, -1)
            cv2.ellipse(shade, at, axes, turn, 0, 360, float(rng.uniform(0.45, 1.3)), -1)
        whole = cv2.morphologyEx(leaves, cv2.MORPH_CLOSE, np.ones((int(size) | 1,) * 2, np.uint8))
        wall.height += whole * size * rng.uniform(0.5, 1.5)
        wall.paint("growth", leaves.astype(np.float32), tone * shade[..., None])
        wall.kind[whole > 0] = KINDS.index("growth") + 1
        return
    rgb = tone + rng.normal(0, 8, 3) + (rng.uniform(5, 18) * fine)[..., None]
    wall.paint("growth", cover, rgb, shown=0.35)


def _bloom(rng, wall: _Wall) -> None:
    """Salts: white, powdery, thin at the border, often in a band or round a joint."""
    cover, _ = _soft(rng, wall, 0.25, 1.6, 0.4)
    fine = wall.grain(rng, rng.choice([3, 8, 22]))
    cover = cover * np.clip(rng.uniform(0.55, 0.9) + rng.uniform(0.05, 0.25) * fine, 0, 1)
    tone = rng.uniform(215, 248) * np.array([1, rng.uniform(0.97, 1), rng.uniform(0.93, 1)])
    wall.paint("efflorescence", cover.astype(np.float32), tone + (4 * fine)[..., None], shown=0.4)


def _moisture(rng, wall: _Wall) -> None:
    """Damp: darker and a little stronger in colour, with or without a rim of salts; stone and joint alike."""
    cover, _ = _soft(rng, wall, 0.6, 3.0, 0.3)
    if chance(rng, 0.3):  # rising from the foot or down from above
        y = np.linspace(0, 1, SIDE_PX, dtype=np.float32)[:, None]
        level = rng.uniform(0.15, 0.6) + 0.06 * wall.grain(rng, 60)[SIDE_PX // 2][None]
        field = (y - (1 - level)) if chance(rng, 0.6) else (level - y)
        field = field + 0.03 * wall.grain(rng, 22)
        cover = np.clip(0.5 + field * rng.uniform(6, 60), 0, 1).astype(np.float32)
    shade = rng.uniform(0.5, 0.76)
    grey = wall.rgb.mean(2, keepdims=True)
    wet = (wall.rgb + rng.uniform(0, 0.5) * (wall.rgb - grey)) * shade
    if chance(rng, 0.3):
        rim = np.clip(1 - abs(cover - 0.3) / 0.25, 0, 1) * rng.uniform(0.2, 0.6)
        wall.rgb = wall.rgb * (1 - rim[..., None]) + 228 * rim[..., None]
    wall.paint("moist area", cover, wet, shown=0.5)


def _open_joint(rng, wall: _Wall) -> None:
    """Pointing gone from a run of joint: dark and deep."""
    middle, _ = _somewhere(rng, wall)
    reach = _reach(rng, wall, 0.8, 3.0)
    near = _blob(rng, wall, middle, reach, 0.15, rng.uniform(1.0, 2.5)) > 0
    gap = (~wall.stone) & near & (wall.height > -1e3)
    if gap.sum() < _SMALLEST_PX:
        return
    if wall.bond.joint < 2.5:
        gap = cv2.dilate(gap.astype(np.uint8), np.ones((2, 2), np.uint8)) > 0
    cover = cv2.GaussianBlur(gap.astype(np.float32), (0, 0), 0.6)
    deep = max(3.0, wall.bond.size * rng.uniform(0.05, 0.25))
    wall.height -= gap * deep * (1 + 0.2 * wall.grain(rng, 8))
    dark = wall.base * rng.uniform(0.08, 0.4) + rng.uniform(0, 12)
    wall.paint(
        "open joint", cover * rng.uniform(0.85, 1), dark + (3 * wall.grain(rng, 3))[..., None]
    )


_PAINTED = {
    "moist area": _moisture,
    "patch": _patch,
    "missing part": _loss,
    "open joint": _open_joint,
    "black crust": _crust,
    "efflorescence": _bloom,
    "growth": _growth,
}


def damaged(rng: np.random.Generator, kind: str | None = None) -> Damaged:
    """A wall with damage of several kinds, of one kind, or, in about one of six, with none. ``kind`` of the bond."""
    walls.N = SIDE_PX
    if kind is None and chance(rng, 0.06):
        return _without(scenes._no_masonry(rng, None).rgb, rng)
    bond = bonds.laid(rng, kind)
    while kind is None and bond.heaped and chance(rng, 0.85):
        bond = bonds.laid(rng)
    wall = _Wall(rng, bond)
    if not chance(rng, 0.12):
        _weathered(rng, wall)
    brightness, _ = walls.light(rng, wall.height, low=wall.rough)
    rgb = wall.rgb * (brightness / brightness.mean())[..., None]
    rgb = rgb * min(1.0, rng.uniform(190, 290) / float(np.quantile(rgb, 0.985)))
    canvas = scenes._Canvas(
        _harmless(rng, rgb.astype(np.float32)),
        wall.number,
        np.full(wall.kind.shape, 9, np.uint8),
        0 * wall.number,
    )
    height = wall.height
    for share, paint in (
        (0.3, scenes._opening),
        (0.1, scenes._border),
        (0.1, scenes._pole),
        (0.15, scenes._card),
        (0.25, scenes._cracks),
    ):
        if chance(rng, share):
            paint(rng, canvas)
            canvas.rgb = canvas.rgb.astype(np.float32, copy=False)
    over = canvas.kind != 9
    kinds = np.where(over, 0, wall.kind).astype(np.uint8)
    region, kinds = _regions(kinds, canvas.rgb)
    height = np.where(over, float(np.median(height)) - rng.uniform(0, 30) * over, height)
    return Damaged(
        rgb=np.clip(canvas.rgb, 0, 255).astype(np.uint8),
        kind=kinds,
        region=region,
        relief=_scanned(rng, height),
    )


def _weathered(rng, wall: _Wall) -> None:
    """Some kinds of damage, each some times, in an order that nature allows: dirt and growth last."""
    for name, paint in _PAINTED.items():
        plain = name in ("patch", "missing part")
        if chance(rng, 0.7 if plain else 0.42):
            most = 2 if name == "moist area" else 10 if plain else 5
            for _ in range(int(rng.integers(1, most + 1))):
                paint(rng, wall)


def _harmless(rng, rgb: np.ndarray) -> np.ndarray:
    """Shadows, streaks, uneven light, faint stains: none of them is damage."""
    if chance(rng, 0.25):
        corners = cv2.convexHull(rng.uniform(-0.3, 1.3, (4, 2)).astype(np.float32) * SIDE_PX)
        shadow = np.zeros(rgb.shape[:2], np.uint8)
        cv2.fillConvexPoly(shadow, corners.astype(np.int32), 255)
        soft = cv2.GaussianBlur(shadow, (0, 0), rng.uniform(0.8, 8)) / 255.0
        rgb = rgb * (1 - rng.uniform(0.2, 0.6) * soft)[..., None]
    if chance(rng, 0.12):
        leaves = np.clip(rng.uniform(1, 4) * noise(rng, rng.uniform(30, 90), 3, 0.5), 0, 1)
        rgb = rgb * (1 - rng.uniform(0.2, 0.5) * leaves)[..., None]
    if chance(rng, 0.25):
        streaks = np.maximum(noise(rng, rng.uniform(10, 40), 3, drawn_out=0.2), 0)
        rgb = rgb * np.clip(1 - rng.uniform(0.04, 0.16) * streaks, 0.5, 1)[..., None]
    if chance(rng, 0.35):
        rgb = rgb * (1 + rng.uniform(0.05, 0.25) * np.clip(band(rng, 580), -2, 2))[..., None]
    return rgb.astype(np.float32)


def _regions(kinds: np.ndarray, rgb: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Numbers of the connected regions of each kind; specks, and what the picture does not show, are not judged."""
    region, top = np.zeros(kinds.shape, np.int32), 0
    none, kinds = kinds == 0, kinds.copy()
    smooth = cv2.GaussianBlur(rgb, (0, 0), 2.5)
    fine = cv2.GaussianBlur(abs(rgb - smooth).mean(2), (0, 0), 2.5)
    for k in range(1, len(KINDS) + 1):
        mine = (kinds == k).astype(np.uint8)
        if not mine.any():
            continue
        count, parts, stats, _ = cv2.connectedComponentsWithStats(mine, connectivity=8)
        out = np.zeros(count, bool)
        for label in range(1, count):
            out[label] = stats[label][4] < _SMALLEST_PX or not _is_shown(
                parts, label, stats[label], none, smooth, fine
            )
        kinds[out[parts]] = UNJUDGED
        parts = np.where(out[parts], 0, parts)
        region = np.where(parts > 0, parts + top, region)
        top += count
    return region, kinds


def _is_shown(parts, label, box, none, smooth, fine) -> bool:
    """Whether a region differs from what lies round it, in colour over its spread or in texture."""
    left, top, wide, tall, _ = box
    part = np.s_[max(0, top - 14) : top + tall + 14, max(0, left - 14) : left + wide + 14]
    mine = parts[part] == label
    rim = (cv2.dilate(mine.astype(np.uint8), np.ones((25, 25), np.uint8)) > 0) & ~mine & none[part]
    if rim.sum() < 30:
        return True
    inner, outer = smooth[part][mine], smooth[part][rim]
    away = abs(inner.mean(0) - outer.mean(0)).max()
    spread = np.sqrt(0.5 * (inner.var(0).max() + outer.var(0).max()))
    grain = fine[part][mine].mean() / max(float(fine[part][rim].mean()), 0.5)
    return bool(away > 1.1 * spread + 7 or grain > 2.0 or grain < 0.4)


def _scanned(rng, height: np.ndarray) -> np.ndarray:
    """The relief as a scan gives it: millimetres, a wave of the whole wall, noise, a coarser grid."""
    scale = np.exp(rng.uniform(np.log(1.2), np.log(6.0)))
    mm = height * scale
    mm = mm - float(np.median(mm)) + rng.uniform(0, 12) * band(rng, 500)
    if chance(rng, 0.7):
        coarse = rng.uniform(0.25, 0.8)
        small = cv2.resize(
            mm.astype(np.float32), None, fx=coarse, fy=coarse, interpolation=cv2.INTER_AREA
        )
        small = small + rng.uniform(0.1, 1.2) * rng.standard_normal(small.shape).astype(np.float32)
        mm = cv2.resize(small, (SIDE_PX, SIDE_PX), interpolation=cv2.INTER_LINEAR)
    return np.clip(np.round(mm * HALF_MM) + 128, 1, 255).astype(np.uint8)


def _without(rgb: np.ndarray, rng) -> Damaged:
    none = np.zeros(rgb.shape[:2], np.int32)
    return Damaged(
        rgb=rgb, kind=none.astype(np.uint8), region=none, relief=_scanned(rng, 3 * noise(rng, 60))
    )
