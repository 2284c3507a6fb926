"""What runs down a wall and what a pane shows: both look like stones or part them, and neither is an outline."""

from __future__ import annotations

import cv2
import numpy as np
from walls import band, chance, noise

_RUNS = {
    "salt": [[232, 228, 220], [214, 212, 206]],
    "rust": [[178, 104, 50], [150, 90, 50]],
    "soot": [[40, 40, 38], [62, 60, 58]],
    "green": [[92, 118, 66], [70, 96, 60], [112, 120, 80]],
    "wash": [[190, 186, 176], [120, 112, 100]],
}


def runs(rng: np.random.Generator, canvas) -> None:
    """Salts, rust, soot and green that run down over one stone or several, soft or ragged."""
    side = canvas.number.shape[0]
    for _ in range(int(rng.integers(3, 24))):
        kind = str(rng.choice(list(_RUNS)))
        tone = np.array(_RUNS[kind][rng.integers(len(_RUNS[kind]))], np.float32) * rng.uniform(
            0.85, 1.15
        )
        wide, tall = (
            np.exp(rng.uniform(np.log(5), np.log(80))),
            np.exp(rng.uniform(np.log(40), np.log(360))),
        )
        x, y = rng.uniform(0, side), rng.uniform(-0.2 * tall, side)
        left, right = int(max(0, x - wide)), int(min(side, x + wide + 1))
        top, bottom = int(max(0, y)), int(min(side, y + tall + 1))
        if right - left < 3 or bottom - top < 8:
            continue
        part = np.s_[top:bottom, left:right]
        rows, columns = np.mgrid[part].astype(np.float32)
        down = (rows - y) / tall
        spread = wide * (1 - rng.uniform(0, 0.8) * down) * 0.6
        within = np.clip(1.3 - abs(columns - x) / np.maximum(spread, 1), 0, 1)
        ends = np.clip(np.minimum(down / 0.08, (1 - down) / rng.uniform(0.1, 0.6)), 0, 1)
        cover = within * ends
        rough = noise(rng, rng.uniform(3, 22), 4, 0.65, drawn_out=rng.choice([0.15, 0.3, 1.0]))[
            part
        ]
        if chance(rng, 0.6):  # ragged
            cover = np.clip(
                (cover + 0.35 * rough - rng.uniform(0.3, 0.7)) * rng.uniform(2, 9), 0, 1
            )
        else:
            cover = cover * np.clip(0.8 + 0.25 * rough, 0, 1)
        stone = canvas.number[part]
        if chance(rng, 0.4):  # kept to the stone it came from
            row, column = (stone.shape[0] // 2, stone.shape[1] // 2)
            cover = cover * (stone == stone[row, column])
        cover = cv2.GaussianBlur(cover.astype(np.float32), (0, 0), rng.uniform(0.5, 1.5))
        cover = cover[..., None] * rng.uniform(0.3, 0.95)
        cover *= (stone > 0)[..., None]
        new = tone + (rng.uniform(0, 10) * rough)[..., None]
        canvas.rgb[part] = canvas.rgb[part] * (1 - cover) + cover * new


def panes(rng: np.random.Generator, box, part) -> np.ndarray:
    """Panes behind painted bars, each with a reflection of its own: sky, cloud, trees, the dark of a room."""
    x0, y0, x1, y1 = box
    wide, tall = x1 - x0, y1 - y0
    rows, columns = np.mgrid[part].astype(np.float32)
    shape = rows.shape
    across, up = int(rng.integers(1, 6)), int(rng.integers(1, 8))
    thick = wide * rng.uniform(0.008, 0.04)
    sky = rng.choice([[96, 108, 122], [150, 165, 185], [60, 66, 74], [30, 32, 36], [190, 200, 210]])
    tone = np.array(sky, np.float32) * rng.uniform(0.7, 1.2)
    slope = np.linspace(1.15, rng.uniform(0.5, 1.0), shape[0])[:, None, None]
    base = np.broadcast_to(tone, (*shape, 3)) * slope
    dark = np.array([24, 26, 30], np.float32) * rng.uniform(0.6, 1.8)
    if chance(rng, 0.75):  # trees and houses against the sky, higher in some panes
        line = y0 + tall * rng.uniform(0.1, 0.9)
        ragged = band(rng, rng.uniform(20, 90))[part] + 0.5 * band(rng, rng.uniform(6, 20))[part]
        edge = rng.choice([0.5, 2.0, 8.0])
        cover = np.clip((rows - line + rng.uniform(5, 50) * ragged) / edge, 0, 1)[..., None]
        base = base * (1 - cover) + dark * cover
    column = np.clip(((columns - x0) / wide * across).astype(int), 0, across - 1)
    row = np.clip(((rows - y0) / tall * up).astype(int), 0, up - 1)
    own = 1 + rng.choice([0.03, 0.12, 0.4]) * rng.normal(0, 1, (up, across))
    base = base * np.clip(own, 0.2, 1.8)[row, column][..., None]
    if chance(rng, 0.3):
        cloud = np.clip(0.5 + 0.5 * noise(rng, rng.uniform(30, 120), 3)[part], 0, 1)[..., None]
        base = base * (1 - 0.5 * cloud) + 0.5 * cloud * rng.uniform(120, 230)
    within = np.minimum(
        (columns - x0) / wide * across % 1 * wide / across, (rows - y0) / tall * up % 1 * tall / up
    )
    other = np.minimum(
        wide / across - (columns - x0) / wide * across % 1 * wide / across,
        tall / up - (rows - y0) / tall * up % 1 * tall / up,
    )
    bars = np.minimum(within, other) < thick
    paint = (
        rng.uniform(20, 245, 3)
        if chance(rng, 0.4)
        else np.array([225, 222, 210]) * rng.uniform(0.5, 1.05)
    )
    worn = noise(rng, rng.uniform(3, 25), 3, drawn_out=rng.choice([0.2, 1, 4]))[part][..., None]
    paint = np.where(worn > rng.uniform(0.8, 2.5), paint * 0.5, paint + 4 * worn)
    shadow = (np.minimum(within, other) < thick * rng.uniform(1.2, 2.2))[..., None]
    base = np.where(shadow, base * rng.uniform(0.4, 1.0), base)
    return np.where(bars[..., None], paint, base)
