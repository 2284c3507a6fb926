"""Paints conditions into colour and relief. Each painter gets a window of the wall and a soft mask."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
from shapely.geometry.base import BaseGeometry

from .noise import Bank, F, fractal, smooth


@dataclass
class Window:
    """A window on the wall: views of the big arrays, and what the painter needs."""

    lab: F
    height: F
    inside_mm: F
    outside_mm: F
    depth_mm: float
    width_mm: float
    px_mm: float
    rng: np.random.Generator
    bank: Bank
    fresh: tuple[float, float, float]

    def field(self, name: str) -> F:
        return self.bank.cut(name, self.rng, *self.height.shape)

    def noise(self, scale_mm: float, octaves: int = 3) -> F:
        return fractal(self.rng, *self.height.shape, scale_mm / self.px_mm, octaves=octaves)

    def mask(self, ragged_mm: float, soft_mm: float = 1.5) -> F:
        """1 inside, 0 outside, with an edge that wanders by ``ragged_mm``."""
        signed = self.inside_mm - self.outside_mm + ragged_mm * 0.5 * self.field("rough")
        return smooth(signed, -soft_mm, soft_mm)

    def blend(self, m: F, lab: tuple[float, float, float]) -> None:
        self.lab += m[..., None] * (np.array(lab, np.float32) - self.lab)

    def add(self, m: F, d_lab: tuple[float, float, float]) -> None:
        self.lab += m[..., None] * np.array(d_lab, np.float32)

    def dig(self, m: F, floor: F) -> None:
        """Replace the surface by ``floor`` (mm below the face) where the mask says so."""
        self.height += m * (floor - self.height)


def _fresh(w: Window, m: F, *, change: float = 0.75) -> None:
    grain = w.field("grain")[..., None] * np.array([2.4, 0.3, 0.5], np.float32)
    target = (
        np.array(w.fresh, np.float32)
        + grain
        + w.field("mottle")[..., None] * np.array([1.6, 0.5, 1.0], np.float32)
    )
    w.lab += (change * m)[..., None] * (target - w.lab)


def delamination(w: Window) -> None:
    m = w.mask(6)
    reach = max(float(w.inside_mm.max()), 1.0)
    steps = 4
    f = (
        np.clip(w.inside_mm / reach * 1.6 + 0.32 * w.noise(90) + 0.05 * w.noise(14), 0.02, 1)
        * steps
    )
    level = np.floor(f) + smooth(f - np.floor(f), 0.0, 0.13)
    floor = (
        -w.depth_mm * np.clip(level, 0.45, steps) / steps
        - 0.5 * np.abs(w.noise(30))
        - 0.25 * w.field("grain")
    )
    w.dig(m, floor)
    _fresh(w, m, change=0.6)
    w.add(m * (np.mod(np.floor(f), 2) - 0.4), (2.6, -0.3, -2.0))
    lip = (
        smooth(w.outside_mm, 0, 2)
        * (1 - smooth(w.outside_mm, 8, 26))
        * smooth(w.noise(45), 0.0, 0.9)
    )
    w.height += 2.6 * lip  # the layer still hanging on has lifted


def scaling(w: Window) -> None:
    m = w.mask(9)
    rough = w.noise(28, 4)
    left = smooth(w.noise(48), 0.95, 1.2) * smooth(w.inside_mm, 6, 20)  # scales still on
    floor = -w.depth_mm * (0.82 + 0.12 * rough) * smooth(w.inside_mm, 0, 5) * (
        1 - 0.8 * left
    ) - 0.4 * w.field("grain")
    w.dig(m, floor)
    _fresh(w, m * (1 - left), change=0.8)
    w.add(m * (1 - left), (2.0, 0.4, 1.5))


def alveolization(w: Window) -> None:
    h, wd = w.height.shape
    m = w.mask(6)
    yy, xx = np.mgrid[0:h, 0:wd].astype(np.float32)
    floor = np.full((h, wd), -2.0, np.float32)
    for _ in range(int(max(14, (m > 0.5).sum() * w.px_mm**2 / 620))):
        y, x = int(w.rng.integers(h)), int(w.rng.integers(wd))
        if w.inside_mm[y, x] < 5:
            continue
        r = w.rng.uniform(8, 24) / w.px_mm * min(1.0, 0.45 + w.inside_mm[y, x] / 50)
        d = np.hypot((xx - x), (yy - y) * w.rng.uniform(1.0, 1.5)) / r
        floor = np.minimum(
            floor, -w.depth_mm * w.rng.uniform(0.55, 1.0) * np.sqrt(np.clip(1 - d * d, 0, 1))
        )
    floor = cv2.GaussianBlur(floor, (0, 0), 1.0) - 0.5 * w.field("grain")
    w.dig(m, floor)
    _fresh(w, m, change=0.45)
    w.add(smooth(-floor / w.depth_mm, 0.35, 0.9) * m, (-5.0, 0.6, 1.0))


def disintegration(w: Window) -> None:
    m = w.mask(14, 5)
    floor = (
        -w.depth_mm * np.clip(smooth(w.inside_mm, 0, 42) + 0.1 * w.noise(50), 0, 1.1)
        - 0.9 * w.field("grain")
        - 0.8 * w.field("coarse")
    )
    w.dig(m, floor)
    _fresh(w, m, change=0.7)
    w.add(m, (2.5, 0.2, 0.5))
    w.lab[..., 0] += m * 2.2 * w.field("grain")


def missing_part(w: Window) -> None:
    m = w.mask(5, 1.2)
    reach = max(float(w.inside_mm.max()), 1.0)
    ramp = np.clip(w.inside_mm / reach, 0, 1)
    planes = 0.6 + 0.4 * np.maximum(w.noise(110, 2), w.noise(80, 2)).clip(-1, 1)
    floor = (
        -w.depth_mm * np.clip((0.35 + 0.65 * ramp) * planes, 0.18, 1.05)
        + 1.6 * w.noise(22, 4)
        - 0.4 * w.field("grain")
    )
    w.dig(m, floor)
    _fresh(w, m, change=0.85)


def impact_damage(w: Window) -> None:
    m = w.mask(7, 1.5)
    reach = max(float(w.inside_mm.max()), 1.0)
    r = np.clip(w.inside_mm / reach, 0, 1)
    floor = -w.depth_mm * smooth(r, 0, 0.95) + 1.2 * w.noise(18, 4) - 0.4 * w.field("grain")
    w.dig(m, floor)
    _fresh(w, m, change=0.9)
    w.add(m * r, (5.0, -0.8, -2.5))
    h, wd = m.shape
    rays = np.zeros((h, wd), np.float32)
    y, x = np.unravel_index(int(np.argmax(w.inside_mm)), m.shape)
    for _ in range(5):
        a = w.rng.uniform(0, 2 * np.pi)
        n = (reach + w.rng.uniform(25, 70)) / w.px_mm
        cv2.line(
            rays,
            (int(x), int(y)),
            (int(x + n * np.cos(a)), int(y + n * np.sin(a))),
            1.0,
            1,
            cv2.LINE_AA,
        )
    rays *= 1 - m
    w.height -= 1.6 * rays
    w.add(rays, (-9, 0.5, 0))


def bursting(w: Window) -> None:
    missing_part(w)
    near = (1 - smooth(w.outside_mm, 2, 70)) * smooth(w.noise(60), -0.4, 1.2)
    w.add(near, (-9, 8, 15))
    core = smooth(w.inside_mm / max(float(w.inside_mm.max()), 1), 0.55, 0.8)
    w.blend(0.85 * core * smooth(w.noise(16), -0.6, 0.6), (31, 17, 21))


def differential_erosion(w: Window) -> None:
    m = w.mask(10, 5) * smooth(w.inside_mm, 0, 30)
    beds = w.bank.bedded(w.rng, *w.height.shape, dip=w.rng.normal(0, 0.02), wave_px=3)
    beds = cv2.GaussianBlur(beds, (0, 0), 1.3)
    w.height -= m * w.depth_mm * smooth(beds, -0.7, 0.8)
    _fresh(w, m * 0.6)
    w.add(m * smooth(beds, -0.2, 0.9), (-5, 1.0, 2.0))


def fragmentation(w: Window) -> None:
    missing_part(w)
    h, wd = w.height.shape
    net = np.zeros((h, wd), np.float32)
    for _ in range(9):
        a, b = w.rng.uniform(0.15, 0.85, (2, 2)) * [wd, h]
        cv2.line(net, tuple(int(v) for v in a), tuple(int(v) for v in b), 1.0, 1, cv2.LINE_AA)
    net *= smooth(w.inside_mm, 0, 4)
    w.height -= 7 * net
    w.add(net, (-16, 0, 0))


def failed_repair(w: Window) -> None:
    m = w.mask(1, 0.8)
    floor = -1.5 + 1.0 * w.noise(60, 3) + 0.15 * w.field("grain")
    w.dig(m, floor)
    tint = w.fresh[0] - 9, w.fresh[1] * 0.5 + 3.5, w.fresh[2] * 0.55
    w.blend(m * 0.95, tint)
    w.lab[..., 0] += m * (1.0 * w.field("mottle") + 0.7 * w.field("grain"))
    rim = (1 - smooth(np.abs(w.inside_mm - w.outside_mm), 0.6, 2.4)) * smooth(
        w.noise(70), -1.0, -0.2
    )
    w.height -= 14 * rim
    w.add(rim, (-26, 0, -4))
    lost = smooth(w.noise(75), 0.9, 1.05) * smooth(w.inside_mm, 1, 8)
    w.dig(lost, -w.depth_mm * 0.7 + 2 * w.field("rough"))
    _fresh(w, lost)


def blistering(w: Window) -> None:
    m = w.mask(8, 6) * smooth(w.inside_mm, 0, 12)
    domes = smooth(w.noise(42, 2), 0.0, 1.5)
    w.height += m * domes * w.depth_mm
    burst = m * smooth(w.noise(36, 2), 1.15, 1.3)
    w.dig(burst, -w.depth_mm * 0.8 - 0.5 * np.abs(w.field("grain")))
    _fresh(w, burst, change=0.9)


def peeling(w: Window) -> None:
    m = w.mask(16, 2) * smooth(w.noise(26, 4), -0.3, 0.0)
    w.height -= 1.6 * m
    w.height += 1.2 * (smooth(w.outside_mm, 0, 1) * (1 - smooth(w.outside_mm, 1, 7)))
    _fresh(w, m, change=0.8)
    w.add(m, (5, 0, 2))


def deformation(w: Window) -> None:
    w.height += 2.0 * w.depth_mm * smooth(w.inside_mm, 0, max(float(w.inside_mm.max()), 1) * 1.1)


def erosion(w: Window) -> None:
    m = w.mask(12, 6)
    w.height -= m * w.depth_mm * smooth(w.inside_mm + 8, 0, 25) * (1 + 0.25 * w.noise(25))
    _fresh(w, m * 0.5)
    w.lab[..., 0] += m * 2 * w.field("coarse")


def pitting(w: Window) -> None:
    m = w.mask(16, 6)
    pits = smooth(w.field("coarse") + 0.5 * w.field("grain"), 1.15, 1.7) * m
    w.height -= 4.5 * pits
    w.add(pits, (-9, 0, 1))


def craquele(w: Window) -> None:
    h, wd = w.height.shape
    m = w.mask(10, 4)
    pts = w.rng.uniform(0, 1, (90, 2)) * [wd, h]
    yy, xx = np.mgrid[0:h, 0:wd].astype(np.float32)
    d = np.sort(np.stack([np.hypot(xx - x, yy - y) for x, y in pts]), axis=0)[:2]
    net = (1 - smooth(d[1] - d[0], 0.4, 2.2)) * m
    w.height -= 1.6 * net
    w.add(net, (-11, 0, -1))


def black_crust(w: Window) -> None:
    n = w.noise(34, 5)
    m = smooth(w.inside_mm - w.outside_mm + 15 * n, -6, 12)
    w.blend(0.9 * m, (25.5, 0.8, 3.0))
    bobbly = np.maximum(w.noise(9, 3), 0)
    w.height += m * (0.8 * w.depth_mm + 1.4 * bobbly)
    w.lab[..., 0] += m * 3.2 * w.noise(8, 2)


def soiling(w: Window) -> None:
    m = smooth(w.inside_mm - w.outside_mm + 22 * w.noise(80), -20, 55)
    w.add(m * (0.75 + 0.2 * w.field("mottle")), (-19, -1.8, -6))


def efflorescence(w: Window) -> None:
    n = w.noise(36, 5)
    m = smooth(w.inside_mm - w.outside_mm + 26 * n, 0, 34) * smooth(
        n + 0.6 * w.noise(9, 3), -0.5, 0.8
    )
    w.blend(0.82 * m, (90, 0.2, 3.2))
    w.height += 0.8 * m * np.abs(w.field("grain"))


def salt_crust(w: Window) -> None:
    n = w.noise(22, 4)
    m = smooth(w.inside_mm - w.outside_mm + 9 * n, -3, 6)
    w.blend(0.85 * m, (84, 0.6, 6.5))
    w.height += m * (1.6 + 0.9 * w.noise(10, 3))


def staining(w: Window) -> None:
    h, _ = w.height.shape
    down = np.linspace(1.0, 0.25, h, dtype=np.float32)[:, None]
    n = fractal(w.rng, *w.height.shape, (9, 120), octaves=3)
    m = smooth(w.inside_mm - w.outside_mm + 9 * n, -10, 16) * down
    w.add(m, (-13, 11, 19))


def moist_area(w: Window) -> None:
    n = w.noise(160, 5)
    signed = w.inside_mm - w.outside_mm + 38 * n
    m = smooth(signed, -8, 40)
    w.add(m, (-12.5, 0.6, 2.0))
    tide = smooth(signed, -14, -4) * (1 - smooth(signed, -2, 8))
    w.add(tide, (6, -0.5, -2))


def deposit(w: Window) -> None:
    n = fractal(w.rng, *w.height.shape, (11, 70), octaves=4)
    m = smooth(w.inside_mm - w.outside_mm + 20 * n, 8, 20) * smooth(
        n + 0.5 * w.noise(15), -0.2, 0.5
    )
    w.blend(0.85 * m, (86, -0.6, 5.5))
    w.height += 0.6 * m


def alga(w: Window) -> None:
    n = fractal(w.rng, *w.height.shape, (30, 130), octaves=5)
    m = smooth(w.inside_mm - w.outside_mm + 34 * n, -12, 62) * (0.72 + 0.25 * w.field("mottle"))
    m = np.clip(m, 0, 1)
    w.lab += (0.78 * m)[..., None] * (np.array([39, -11.5, 19.5], np.float32) - w.lab)


def lichen(w: Window) -> None:
    h, wd = w.height.shape
    yy, xx = np.mgrid[0:h, 0:wd].astype(np.float32)
    wob = w.noise(14, 4)
    kinds = ((79, -2.0, 7.5), (66, 17.0, 54.0), (72, -4.0, 15.0), (44, 0.5, 6.0))
    for _ in range(46):
        y, x = int(w.rng.integers(h)), int(w.rng.integers(wd))
        if w.inside_mm[y, x] < 4:
            continue
        r = min(w.rng.gamma(2.2, 6.5), w.inside_mm[y, x] + 4) / w.px_mm
        d = np.hypot(xx - x, yy - y) * (1 + 0.22 * wob) / max(r, 1.5)
        m = 1 - smooth(d, 0.8, 1.1)
        lab = kinds[int(w.rng.choice(4, p=(0.45, 0.25, 0.2, 0.1)))]
        w.blend(0.82 * m * (0.75 + 0.25 * smooth(d, 0.2, 0.9)), lab)
        w.height += 0.7 * m * (0.5 + 0.5 * smooth(d, 0.3, 0.9))


def moss(w: Window) -> None:
    n = w.noise(20, 4)
    m = smooth(w.inside_mm - w.outside_mm + 9 * n, -4, 7)
    w.blend(0.93 * m, (33, -10, 23))
    w.lab[..., 0] += m * 5.5 * w.noise(5, 2)
    w.height += m * (9 + 3.5 * w.noise(9, 3))


def plant(w: Window) -> None:
    h, wd = w.height.shape
    for i in range(90):
        a = w.rng.normal(np.pi / 2, 0.95)
        n = w.rng.uniform(0.15, 0.62) * h
        x, y = wd / 2 + w.rng.normal(0, wd * 0.06), h * 0.84
        cx, cy = int(x + n * np.cos(a)), int(y - n * np.sin(a))
        leaf = np.zeros((h, wd), np.float32)
        cv2.ellipse(
            leaf,
            (cx, cy),
            (int(w.rng.integers(5, 12)), int(w.rng.integers(2, 5))),
            float(np.degrees(-a) + w.rng.normal(0, 25)),
            0,
            360,
            1.0,
            -1,
            cv2.LINE_AA,
        )
        stem = np.zeros((h, wd), np.float32)
        cv2.line(stem, (int(x), int(y)), (cx, cy), 0.8, 1, cv2.LINE_AA)
        shade = w.rng.uniform(-9, 12)
        w.blend(stem, (38, -8, 20))
        w.blend(leaf, (41 + shade, -17 - shade * 0.2, 31))
        w.height += 16 * leaf + 0.12 * i * leaf


def crack_line(w: Window) -> None:
    """Cracks, fractures, splits: a dark groove whose width wanders."""
    half = np.maximum(w.width_mm / 2, 0.28) * (1 + 0.35 * w.field("mottle"))
    m = 1 - smooth(w.outside_mm, half - 0.4, half + 0.8)
    m *= min(1.0, 0.35 + w.width_mm)
    w.height -= (3 + 3 * min(w.width_mm, 3)) * m
    w.add(m, (-30, -0.5, -4))
    dirt = (1 - smooth(w.outside_mm, 0.5, 7)) * 0.25 * min(1.0, w.width_mm)
    w.add(dirt, (-9, 0, -1))


def open_joint(w: Window) -> None:
    m = 1 - smooth(
        w.outside_mm + 0.9 * w.field("rough"), w.width_mm / 2 - 0.6, w.width_mm / 2 + 0.9
    )
    w.height -= m * 26
    w.blend(0.85 * m, (21, 1.5, 5))


def perforation(w: Window) -> None:
    m = 1 - smooth(w.outside_mm + 0.8 * w.field("rough"), 9, 11)
    w.height -= 30 * m
    w.blend(0.9 * m, (17, 4, 6))
    w.add((1 - smooth(w.outside_mm, 10, 40)) * smooth(w.noise(30), -0.2, 1), (-8, 7, 13))


def star_crack(w: Window) -> None:
    h, wd = w.height.shape
    rays = np.zeros((h, wd), np.float32)
    for i in range(6):
        a = i * np.pi / 3 + w.rng.normal(0, 0.3)
        p = np.array([wd / 2, h / 2])
        for _ in range(int(w.rng.integers(5, 10))):
            q = p + 7 * np.array([np.cos(a), np.sin(a)])
            cv2.line(rays, tuple(int(v) for v in p), tuple(int(v) for v in q), 1.0, 1, cv2.LINE_AA)
            p, a = q, a + w.rng.normal(0, 0.3)
    hit = 1 - smooth(w.outside_mm, 6, 12)
    w.height -= 4 * rays + 4 * hit
    w.add(rays, (-22, 0, -2))
    w.add(hit, (8, 0, -2))


def short_crack(w: Window) -> None:
    line = np.zeros(w.height.shape, np.float32)
    h, wd = line.shape
    cv2.line(
        line, (int(wd * 0.5), int(h * 0.18)), (int(wd * 0.56), int(h * 0.5)), 1.0, 1, cv2.LINE_AA
    )
    cv2.line(
        line, (int(wd * 0.56), int(h * 0.5)), (int(wd * 0.47), int(h * 0.8)), 1.0, 1, cv2.LINE_AA
    )
    w.height -= 7 * line
    w.add(line, (-26, 0, -3))


def nothing(w: Window) -> None:
    """Loose and displaced stones are painted with the whole stone."""


PAINTERS: dict[str, Callable[[Window], None]] = {
    "delamination": delamination, "scaling": scaling, "alveolization": alveolization, "disintegration": disintegration,
    "missing part": missing_part, "impact damage": impact_damage, "bursting": bursting, "differential erosion": differential_erosion,
    "fragmentation": fragmentation, "failed repair": failed_repair, "blistering": blistering, "peeling": peeling,
    "deformation": deformation, "erosion": erosion, "pitting": pitting, "craquele": craquele, "black crust": black_crust,
    "soiling": soiling, "efflorescence": efflorescence, "salt crust": salt_crust, "staining": staining, "moist area": moist_area,
    "deposit": deposit, "alga": alga, "lichen": lichen, "moss": moss, "plant": plant, "crack": crack_line, "fracture": crack_line,
    "hair crack": crack_line, "splitting": crack_line, "open joint": open_joint, "perforation": perforation,
    "star crack": star_crack, "loose stone": nothing, "displacement": nothing,
}  # fmt: skip


def painter(term: str, shape: BaseGeometry) -> Callable[[Window], None]:
    """The painter of a term; a crack recorded as a point is a short one."""
    if term == "crack" and shape.geom_type == "Point":
        return short_crack
    return PAINTERS[term]
