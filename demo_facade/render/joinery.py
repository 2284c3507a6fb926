"""Textures of sash windows, loading doors and the colour chart, with the light that falls on them."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from .colour import CHART_LAB, linear_from_lab, texture
from .light import SKY_SHARE, SUN, shade
from .masonry import Opening
from .noise import F, fractal, smooth, stream

PX_MM = 1.6


def leaf(o: Opening, seed: int, n: int) -> NDArray[np.uint16]:
    """What closes the opening: a sash window or boarded doors."""
    rng = stream(seed, 60, n)
    h, w = int((o.v1 - o.v0) * 1000 / PX_MM), int((o.u1 - o.u0) * 1000 / PX_MM)
    lab, height, glass = (_window if o.kind == "window" else _door)(rng, h, w)
    light = shade(height, PX_MM, shadow=_reveal_shadow(h, w, o.reveal_m))
    light *= _corner_dark(h, w)
    lin = linear_from_lab(lab) * light[..., None]
    if glass is not None:
        lin = lin * (1 - glass[..., None]) + glass[..., None] * _reflection(rng, h, w)
    return texture(lin)


def _reveal_shadow(h: int, w: int, depth_m: float) -> F:
    """Sun on a plane set back by ``depth_m``: a strip at the left and at the head lies in shade."""
    x = np.arange(w, dtype=np.float32)[None] * PX_MM
    y = np.arange(h, dtype=np.float32)[:, None] * PX_MM
    side = depth_m * 1000 * -SUN[0] / SUN[2]
    head = depth_m * 1000 * SUN[1] / SUN[2]
    return (smooth(x, side - 7, side + 7) * smooth(y, head - 7, head + 7)).astype(np.float32)


def _corner_dark(h: int, w: int) -> F:
    x = np.arange(w, dtype=np.float32)[None] * PX_MM
    y = np.arange(h, dtype=np.float32)[:, None] * PX_MM
    near = np.minimum(np.minimum(x, w * PX_MM - x), np.minimum(y, h * PX_MM - y))
    return (0.62 + 0.38 * smooth(near, -30, 160)) * (1 - 0.12 * SKY_SHARE)


def _weathered(
    rng: np.random.Generator, h: int, w: int, lab: tuple[float, float, float], *, wear: float
) -> tuple[F, F]:
    """Painted boards that have begun to lose their paint."""
    out = np.empty((h, w, 3), np.float32)
    out[:] = lab
    streak = fractal(rng, h, w, (5, 240), octaves=4)
    patch = fractal(rng, h, w, (26, 150), octaves=4)
    out[..., 0] += 1.6 * streak + 2.2 * patch
    low = np.linspace(-0.6, 0.75, h, dtype=np.float32)[:, None]
    bare = smooth(patch + 0.5 * streak + low, 1.75 - wear, 2.2 - wear)
    out += (0.85 * bare)[..., None] * (np.array([56, 3.5, 11], np.float32) - out)
    return out, (0.35 * streak - 0.8 * bare).astype(np.float32)


def _window(rng: np.random.Generator, h: int, w: int) -> tuple[F, F, F]:
    lab, relief = _weathered(rng, h, w, (78, -1.5, 7.5), wear=0.25)
    glass = np.zeros((h, w), np.float32)
    height = relief.copy()
    frame, bar = int(62 / PX_MM), int(24 / PX_MM)
    meet = h // 2
    for top, bottom, back in ((frame, meet - bar, 0), (meet + bar, h - int(1.35 * frame), -14)):
        height[top - bar : bottom + bar, frame - bar : w - frame + bar] += back
        cols, rows = 3, 2
        pw, ph = (w - 2 * frame - (cols - 1) * bar) / cols, (bottom - top - (rows - 1) * bar) / rows
        for i in range(rows):
            for j in range(cols):
                x, y = int(frame + j * (pw + bar)), int(top + i * (ph + bar))
                glass[y : y + int(ph), x : x + int(pw)] = 1
    height -= 16 * glass
    return lab, height, cv2.GaussianBlur(glass, (0, 0), 0.6)


def _reflection(rng: np.random.Generator, h: int, w: int) -> F:
    """Old glass: each pane throws back its own bit of sky and the far bank; a dim room behind."""
    yy = np.linspace(0, 1, h, dtype=np.float32)[:, None] + np.zeros((1, w), np.float32)
    panes_y, panes_x = 4, 3
    offset = cv2.resize(
        rng.normal(0, 0.11, (panes_y, panes_x)).astype(np.float32),
        (w, h),
        interpolation=cv2.INTER_NEAREST,
    )
    wave = 0.035 * fractal(rng, h, w, (70, 90), octaves=3)
    level = yy + offset + wave
    sky = np.array([0.20, 0.245, 0.285], np.float32)
    bank = np.array([0.030, 0.036, 0.034], np.float32)
    k = (1 - smooth(level, 0.42, 0.6))[..., None]
    dirt = (0.5 + 0.5 * smooth(fractal(rng, h, w, 60, octaves=4), -1, 1.5))[..., None]
    return (bank + k * (sky - bank)) * (0.62 + 0.3 * offset[..., None]) + 0.011 * dirt


def _door(rng: np.random.Generator, h: int, w: int) -> tuple[F, F, None]:
    lab, relief = _weathered(rng, h, w, (41, -12.5, -4.5), wear=0.5)
    height = relief.copy()
    board = 138 / PX_MM
    x = np.arange(w, dtype=np.float32)[None] + np.zeros((h, 1), np.float32)
    tone = rng.normal(0, 1.6, int(w / board) + 2).astype(np.float32)
    lab[..., 0] += tone[(x / board).astype(int)]
    gap = np.minimum(np.mod(x, board), board - np.mod(x, board)) * PX_MM
    height -= 7 * (1 - smooth(gap, 1.0, 4.5))
    lab[..., 0] -= 12 * (1 - smooth(gap, 0.5, 3))
    mid = np.abs(x - w / 2) * PX_MM
    height -= 20 * (1 - smooth(mid, 2, 5))
    for frac in (0.13, 0.5, 0.86):  # ledge straps with bolts
        y0, y1 = int(h * frac - 30 / PX_MM), int(h * frac + 30 / PX_MM)
        for a, b in ((0.0, 0.44), (0.56, 1.0)):
            xs = slice(int(w * a), int(w * b))
            rust = fractal(rng, y1 - y0, xs.stop - xs.start, 22, octaves=3)
            lab[y0:y1, xs] = np.array([31, 7, 10], np.float32) + rust[..., None] * np.array(
                [2.5, 2.0, 3.0], np.float32
            )
            height[y0:y1, xs] = 7
            for bolt in np.linspace(xs.start + 24, xs.stop - 24, 5):
                cv2.circle(height, (int(bolt), (y0 + y1) // 2), int(11 / PX_MM), 13.0, -1)
            stain = lab[y1 : y1 + 90, xs]
            fade = np.linspace(1, 0, stain.shape[0], dtype=np.float32)[:, None]
            stain += (
                0.55 * fade * smooth(fractal(rng, *stain.shape[:2], (9, 70), octaves=3), 0.2, 1.6)
            )[..., None] * np.array([2, 13, 17], np.float32)
    foot = smooth(np.arange(h, dtype=np.float32)[:, None], h - 260 / PX_MM, h)
    lab += (0.5 * foot * (0.7 + 0.3 * smooth(fractal(rng, h, w, 60), -1, 1)))[..., None] * (
        np.array([45, 1, 9], np.float32) - lab
    )
    cv2.circle(height, (int(w * 0.47), int(h * 0.58)), int(38 / PX_MM), 22.0, 6, cv2.LINE_AA)
    return lab, cv2.GaussianBlur(height, (0, 0), 0.7), None


CHART_PATCH, CHART_GAP, CHART_MARGIN = 0.80, 0.20, 0.42  # in pitches of 1


def chart_centres() -> NDArray[np.float64]:
    """Centres of the 24 patches as (s, t) shares of the board, row by row from the upper left."""
    across, down = 6 + 2 * CHART_MARGIN - CHART_GAP, 4 + 2 * CHART_MARGIN - CHART_GAP
    return np.array([
        ((CHART_MARGIN + j + CHART_PATCH / 2) / across, 1 - (CHART_MARGIN + i + CHART_PATCH / 2) / down)
        for i in range(4) for j in range(6)
    ])  # fmt: skip


def chart() -> NDArray[np.uint16]:
    """The 24-patch chart on a black board."""
    k = 120
    across, down = 6 + 2 * CHART_MARGIN - CHART_GAP, 4 + 2 * CHART_MARGIN - CHART_GAP
    h, w = round(down * k), round(across * k)
    lab = np.empty((h, w, 3), np.float32)
    lab[:] = (18, 0, 0)
    for (s, t), value in zip(chart_centres(), CHART_LAB, strict=True):
        x, y, half = s * w, (1 - t) * h, CHART_PATCH * k / 2
        lab[round(y - half) : round(y + half), round(x - half) : round(x + half)] = value
    return texture(linear_from_lab(lab))
