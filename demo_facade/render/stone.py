"""Paints one stone face: colour, bedding, grain, tool marks and worn arrises."""

from __future__ import annotations

import cv2
import numpy as np

from .masonry import BUFF, GREY, RED
from .noise import Bank, F, smooth


def paint_face(
    rng: np.random.Generator,
    bank: Bank,
    mask: F,
    *,
    stone_type: str,
    lab: tuple[float, float, float],
    bed: str,
    finish: str,
    wear: float,
    px_mm: float,
) -> tuple[F, F]:
    """CIELAB (h, w, 3) and height in mm (h, w) of a face whose outline is ``mask`` (1 inside)."""
    h, w = mask.shape
    inside = cv2.distanceTransform((mask > 0.5).astype(np.uint8), cv2.DIST_L2, 5) * np.float32(
        px_mm
    )
    colour = np.empty((h, w, 3), np.float32)
    colour[:] = np.array(lab, np.float32)
    grain = bank.cut("grain", rng, h, w)
    mottle = bank.cut("mottle", rng, h, w)
    cloud = bank.cut("cloud", rng, h, w)
    layers = _layers(rng, bank, h, w, bed)
    (_buff if stone_type == BUFF else _red if stone_type == RED else _grey)(
        rng, bank, colour, grain, mottle, cloud, layers
    )
    height = 0.16 * grain + 0.75 * cloud * (1 + wear) + 0.35 * mottle * wear
    if stone_type != GREY:
        height += 0.28 * layers * wear
    marks = _tooling(rng, bank, h, w, finish, inside, px_mm) * (1.15 - 0.85 * wear)
    height += marks
    colour[..., 0] += 0.9 * marks
    height -= _arris(rng, bank, inside, wear, h, w)
    return colour, height.astype(np.float32)


def _layers(rng: np.random.Generator, bank: Bank, h: int, w: int, bed: str) -> F:
    dip = rng.normal(0, 0.035) + (rng.choice((-0.16, 0.16)) if rng.random() < 0.12 else 0)
    if bed == "edge":
        return bank.bedded(rng, w, h, dip=dip, wave_px=rng.uniform(0.5, 3)).T
    if bed == "parallel":  # seen on the flat of the bed: cloudy, no lines
        return 0.5 * bank.cut("rough", rng, h, w)
    return bank.bedded(rng, h, w, dip=dip, wave_px=rng.uniform(0.5, 4))


def _buff(
    rng: np.random.Generator, bank: Bank, c: F, grain: F, mottle: F, cloud: F, layers: F
) -> None:
    strength = rng.uniform(0.4, 1.5)
    c[..., 0] += 1.9 * grain + 1.2 * mottle + 0.9 * cloud + 1.7 * strength * layers
    c[..., 1] += -0.5 * strength * layers + 0.35 * mottle
    c[..., 2] += -1.1 * strength * layers + 0.8 * cloud
    if rng.random() < 0.3:  # iron-rich bands
        band = smooth(layers, 1.0, 1.8)
        k = rng.uniform(0.5, 1.3)
        c[..., 0] -= 5.0 * k * band
        c[..., 1] += 3.2 * k * band
        c[..., 2] += 6.0 * k * band
    c[..., 0] -= 9 * smooth(bank.cut("coarse", rng, *grain.shape), 2.4, 3.2)  # mica and dark grains


def _red(
    rng: np.random.Generator, bank: Bank, c: F, grain: F, mottle: F, cloud: F, layers: F
) -> None:
    strength = rng.uniform(0.5, 1.5)
    c[..., 0] += 1.7 * grain + 1.0 * mottle + 0.9 * cloud + 1.7 * strength * layers
    c[..., 1] += -0.7 * strength * layers + 0.4 * mottle
    c[..., 2] += 0.5 * strength * layers + 0.4 * cloud
    if rng.random() < 0.35:  # bleached spots
        h, w = grain.shape
        yy, xx = np.mgrid[0:h, 0:w].astype(np.float32)
        for _ in range(int(rng.integers(2, 9))):
            r = rng.uniform(3, 13)
            d = np.hypot(xx - rng.uniform(0, w), (yy - rng.uniform(0, h)) * 1.2) + 1.2 * mottle
            spot = 1 - smooth(d, r * 0.75, r * 1.1)
            c[..., 0] += 9 * spot
            c[..., 1] -= 10 * spot
            c[..., 2] -= 3 * spot


def _grey(
    rng: np.random.Generator, bank: Bank, c: F, grain: F, mottle: F, cloud: F, layers: F
) -> None:
    h, w = grain.shape
    c[..., 0] += 1.0 * grain + 1.5 * mottle + 1.4 * cloud + 0.5 * layers
    c[..., 2] += 0.5 * cloud + 0.4 * mottle
    flecks = np.zeros((h, w), np.float32)
    for _ in range(int(h * w / 2600)):  # shell fragments
        at = (int(rng.integers(w)), int(rng.integers(h)))
        axes = (int(rng.integers(2, 7)), int(rng.integers(1, 3)))
        cv2.ellipse(
            flecks,
            at,
            axes,
            float(rng.normal(0, 35)),
            0,
            360,
            float(rng.uniform(-0.5, 1)),
            -1,
            cv2.LINE_AA,
        )
    c[..., 0] += 5.5 * cv2.GaussianBlur(flecks, (0, 0), 0.7)
    if rng.random() < 0.12:  # calcite vein
        yy, xx = np.mgrid[0:h, 0:w].astype(np.float32)
        a = rng.uniform(-0.6, 0.6)
        d = np.abs((yy - h / 2) - a * (xx - w / 2) + 5 * mottle)
        c[..., 0] += 12 * (1 - smooth(d, 0.6, 2.2))


def _tooling(
    rng: np.random.Generator, bank: Bank, h: int, w: int, finish: str, inside: F, px_mm: float
) -> F:
    """Relief of the mason's tool in mm."""
    yy, xx = np.mgrid[0:h, 0:w].astype(np.float32) * np.float32(px_mm)
    jitter = bank.cut("mottle", rng, h, w)
    if finish == "droved":  # chisel strokes in vertical drafts
        draft = rng.uniform(48, 70)
        lean = rng.normal(0.15, 0.12)
        strip = np.floor((xx + 2.5 * jitter) / draft)
        phase = np.sin(strip * 12.9898) * 43.7
        stroke = (
            np.mod(yy + lean * np.mod(xx, draft) + phase + 1.6 * jitter, rng.uniform(9, 13)) / 11.0
        )
        return (
            0.75 * (np.abs(stroke - 0.45) - 0.25) - 0.5 * (np.mod(xx + 2.5 * jitter, draft) < 2.2)
        ).astype(np.float32)
    if finish == "broached":  # diagonal furrows inside a smooth margin
        a = np.deg2rad(rng.choice((50, 130)) + rng.normal(0, 4))
        t = np.mod(xx * np.sin(a) + yy * np.cos(a) + 1.8 * jitter, rng.uniform(15, 20)) / 17.0
        return (1.5 * (np.abs(t - 0.5) - 0.25) * smooth(inside, 22, 27)).astype(np.float32)
    if finish == "punched":
        pits = smooth(bank.cut("coarse", rng, h, w) + 0.4 * jitter, 0.9, 2.0)
        return (-2.0 * pits * smooth(inside, 25, 32)).astype(np.float32)
    if finish == "sawn":
        t = np.sin((yy + 0.4 * jitter) * rng.uniform(0.9, 1.3))
        return (0.07 * t).astype(np.float32)
    return np.zeros((h, w), np.float32)  # rubbed


def _arris(rng: np.random.Generator, bank: Bank, inside: F, wear: float, h: int, w: int) -> F:
    """Loss at the edges in mm: a rounded arris and small chips."""
    rough = bank.cut("rough", rng, h, w)
    radius = 3.0 + 8.0 * wear * (1 + 0.35 * rough)
    t = np.clip(1 - (inside + 0.8 * rough * wear) / np.maximum(radius, 1.5), 0, 1)
    chips = smooth(rough + 0.5 * bank.cut("coarse", rng, h, w), 2.35 - 0.5 * wear, 2.9) * (
        1 - smooth(inside, 8, 22)
    )
    return (t * t * (1.8 + 3.4 * wear) + 6.0 * chips).astype(np.float32)
