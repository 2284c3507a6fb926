"""Quay paving, neighbours, roofs and sky round the sail loft."""

from __future__ import annotations

from collections.abc import Iterator

import cv2
import numpy as np
from numpy.typing import NDArray

from .colour import linear_from_lab, texture
from .light import shade
from .masonry import HEIGHT_M, WIDTH_M
from .noise import F, fractal, smooth, stream

Vec = tuple[float, float, float]
Item = tuple[str, Vec, Vec, Vec, NDArray[np.uint16], tuple[float, float, float, float]]


def pieces(seed: int) -> Iterator[Item]:
    """(name, origin, e1, e2, texture, light at the corners) of everything but the building."""
    flat = (1.0, 1.0, 1.0, 1.0)
    yield "sky", (-110.0, -15.0, -60.0), (220.0, 0, 0), (0, 110.0, 0), _sky(seed), flat
    yield (
        "quay",
        (-8.0, 0.0, 9.0),
        (28.0, 0, 0),
        (0, 0, -10.0),
        _setts(seed),
        (1.0, 1.0, 0.93, 0.93),
    )
    brick = _bricks(seed, 4.2, 5.3)
    yield "left neighbour", (-4.2, 0.0, -0.35), (4.2, 0, 0), (0, 5.3, 0), brick, (1, 0.9, 1, 0.86)
    yield (
        "left coping",
        (-4.2, 5.3, -0.31),
        (4.2, 0, 0),
        (0, 0.12, 0),
        _plain(seed, 1, (62, 0.5, 6)),
        flat,
    )
    slates = _slates(seed, 8.5, 4.2)
    yield "left roof", (-4.2, 5.4, -0.5), (4.2, 0, 0), (0, 2.6, -2.9), slates, flat
    boards = _tarred(seed, 6.5, 4.3)
    yield (
        "right neighbour",
        (WIDTH_M, 0.0, -0.8),
        (6.5, 0, 0),
        (0, 4.3, 0),
        boards,
        (0.42, 1, 0.42, 1),
    )
    yield (
        "right roof",
        (WIDTH_M - 0.1, 4.25, -0.55),
        (6.6, 0, 0),
        (0, 1.7, -3.2),
        _slates(seed + 1, 8.5, 5.0),
        (0.6, 1, 1, 1),
    )
    yield (
        "roof edge",
        (0.0, HEIGHT_M - 0.05, -0.4),
        (WIDTH_M, 0, 0),
        (0, 0.04, 0),
        _plain(seed, 2, (55, 0, 3)),
        flat,
    )


def _lit(lab: F, height: F, px_mm: float) -> NDArray[np.uint16]:
    return texture(linear_from_lab(lab) * shade(height, px_mm)[..., None])


def _plain(seed: int, n: int, lab: tuple[float, float, float]) -> NDArray[np.uint16]:
    rng = stream(seed, 70, n)
    out = np.empty((60, 1600, 3), np.float32)
    out[:] = lab
    out[..., 0] += 4 * fractal(rng, 60, 1600, 40)
    return texture(linear_from_lab(out))


def _sky(seed: int) -> NDArray[np.uint16]:
    rng = stream(seed, 71)
    h, w = 1100, 2200
    up = np.linspace(1, 0, h, dtype=np.float32)[:, None, None]
    blue = np.array([0.30, 0.44, 0.68], np.float32)
    haze = np.array([0.66, 0.73, 0.80], np.float32)
    base = haze + smooth(up, 0.05, 0.95) * (blue - haze)
    cloud = fractal(rng, h, w, (420, 130), octaves=6, gain=0.6)
    k = 0.85 * smooth(cloud, -0.5, 1.5)[..., None]
    white = (
        np.array([0.86, 0.875, 0.89], np.float32)
        - 0.10 * smooth(fractal(rng, h, w, (300, 90), octaves=4), 0, 2)[..., None]
    )
    return texture(base + k * (white - base))


def _setts(seed: int) -> NDArray[np.uint16]:
    """Worn granite setts in courses along the wall, with a flagged margin at its foot."""
    rng = stream(seed, 72)
    px = 5.0
    h, w = int(10000 / px), int(28000 / px)
    lab = np.empty((h, w, 3), np.float32)
    lab[:] = (43, 1.5, 8)
    height = np.full((h, w), -9.0, np.float32)
    height += 1.2 * fractal(rng, h, w, 9, octaves=2)
    y = 0.0
    while y < h:
        flag = (
            h - 360 / px > y > h - 1500 / px
        )  # stone flags near the wall (w 0.0 to 0.5 at the top rows)
        row = (460 if flag else rng.uniform(115, 150)) / px
        x = -rng.uniform(0, 40)
        while x < w:
            length = (rng.uniform(600, 1100) if flag else rng.uniform(170, 290)) / px
            gap = 1.6
            a, b, c, d = int(x + gap), int(x + length - gap), int(y + gap), int(y + row - gap)
            if b > 2 and a < w and d > c:
                a, b, d = max(a, 0), min(b, w), min(d, h)
                tone = rng.normal(0, 3.8, 3) * [1, 0.18, 0.35]
                lab[c:d, a:b] = np.array([57, 0.6, 4.5]) + tone
                dome = np.minimum(1, np.minimum(*np.meshgrid(_round(b - a), _round(d - c))))
                height[c:d, a:b] = -6 + 8 * dome + rng.normal(0, 1.2)
            x += length
        y += row
    lab[..., 0] += 2.0 * fractal(rng, h, w, 4, octaves=2) + 3.0 * fractal(rng, h, w, 260, octaves=4)
    wet = smooth(fractal(rng, h, w, (420, 160), octaves=4), 0.7, 1.5)
    lab[..., 0] -= 9 * wet
    moss = smooth(fractal(rng, h, w, 120, octaves=4), 0.2, 1.3) * (height < -5)
    lab += (0.7 * moss)[..., None] * (np.array([37, -7, 17], np.float32) - lab)
    return _lit(lab, height * 0.6, px)


def _round(n: int) -> F:
    t = (np.arange(n, dtype=np.float32) + 0.5) / n
    return np.sqrt(np.clip(1 - np.abs(2 * t - 1) ** 6, 0, 1)).astype(np.float32)


def _bricks(seed: int, width_m: float, height_m: float) -> NDArray[np.uint16]:
    rng = stream(seed, 73)
    px = 2.5
    h, w = int(height_m * 1000 / px), int(width_m * 1000 / px)
    lab = np.empty((h, w, 3), np.float32)
    lab[:] = (68, 1.5, 9)
    height = np.full((h, w), -3.5, np.float32)
    for i, y in enumerate(np.arange(0, h, 75 / px)):
        for x in np.arange(-225 / px + (i % 2) * 112 / px, w, 225 / px):
            a, b, c, d = max(0, int(x)), min(w, int(x + 215 / px)), int(y), min(h, int(y + 65 / px))
            if b > a and d > c:
                lab[c:d, a:b] = np.array([43, 17, 17]) + rng.normal(0, 1, 3) * [4.5, 2.2, 2.4]
                height[c:d, a:b] = rng.normal(0, 0.6)
    lab[..., 0] += 1.6 * fractal(rng, h, w, 4, octaves=2) + 3.0 * fractal(rng, h, w, 320, octaves=4)
    white = smooth(
        fractal(rng, h, w, (150, 240), octaves=5), 0.5, 1.7
    )  # the rest of an old limewash
    lab += (0.6 * white)[..., None] * (np.array([82, 0.5, 6], np.float32) - lab)
    return _lit(lab, height + 0.3 * fractal(rng, h, w, 6), px)


def _slates(seed: int, width_m: float, height_m: float) -> NDArray[np.uint16]:
    rng = stream(seed, 74)
    px = 6.0
    h, w = int(height_m * 1000 / px), int(width_m * 1000 / px)
    lab = np.empty((h, w, 3), np.float32)
    height = np.zeros((h, w), np.float32)
    for i, y in enumerate(np.arange(0, h, 200 / px)):
        d = min(h, int(y + 200 / px))
        for x in np.arange(-300 / px + (i % 2) * 150 / px, w, 300 / px):
            a, b = max(0, int(x)), min(w, int(x + 300 / px))
            if b > a:
                lab[int(y) : d, a:b] = np.array([43, -0.8, -2.5]) + rng.normal(0, 1, 3) * [
                    3.2,
                    0.5,
                    1.0,
                ]
                height[int(y) : d, a:b] = np.linspace(0, 7, d - int(y))[:, None]
                height[int(y) : d, a : a + 1] -= 5
    moss = smooth(fractal(rng, h, w, 60, octaves=5), 0.9, 1.9)
    lab += (0.7 * moss)[..., None] * (np.array([50, -6, 24], np.float32) - lab)
    return _lit(lab, cv2.GaussianBlur(height, (0, 0), 0.6), px)


def _tarred(seed: int, width_m: float, height_m: float) -> NDArray[np.uint16]:
    rng = stream(seed, 75)
    px = 3.0
    h, w = int(height_m * 1000 / px), int(width_m * 1000 / px)
    lab = np.empty((h, w, 3), np.float32)
    lab[:] = (25, 1.2, 3.5)
    y = np.arange(h, dtype=np.float32)[:, None] + np.zeros((1, w), np.float32)
    board = 190 / px
    tone = rng.normal(0, 2.2, int(h / board) + 2).astype(np.float32)
    lab[..., 0] += tone[(y / board).astype(int)] + 1.8 * fractal(rng, h, w, (200, 5), octaves=4)
    grey = smooth(fractal(rng, h, w, (260, 60), octaves=5), 0.5, 1.9)
    lab += (0.5 * grey)[..., None] * (np.array([50, 1, 5], np.float32) - lab)
    return _lit(lab, 14 * np.mod(y, board) / board, px)
