"""Seeded noise fields: the raw material of stone, mortar, dirt and sky."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

F = NDArray[np.float32]


def stream(seed: int, *topic: int) -> np.random.Generator:
    """An independent generator for one topic, so that a change in one topic leaves the others alone."""
    return np.random.default_rng([seed, *topic])


def normal(rng: np.random.Generator, h: int, w: int) -> F:
    """White noise, mean 0, standard deviation 1."""
    return rng.standard_normal((h, w), dtype=np.float32)


def cells(rng: np.random.Generator, h: int, w: int, scale_px: float | tuple[float, float]) -> F:
    """Smooth noise with features of about ``scale_px`` (x, y), standard deviation 1."""
    sx, sy = scale_px if isinstance(scale_px, tuple) else (scale_px, scale_px)
    gh, gw = int(np.ceil(h / sy)) + 3, int(np.ceil(w / sx)) + 3
    big = cv2.resize(normal(rng, gh, gw), None, fx=sx, fy=sy, interpolation=cv2.INTER_CUBIC)
    oy, ox = int(sy), int(sx)
    out = big[oy : oy + h, ox : ox + w]
    return (
        (out / max(float(out.std()), 1e-6)).astype(np.float32)
        if min(gh, gw) > 6
        else out.astype(np.float32)
    )


def fractal(
    rng: np.random.Generator,
    h: int,
    w: int,
    scale_px: float | tuple[float, float],
    *,
    octaves: int = 4,
    gain: float = 0.55,
) -> F:
    """Sum of octaves of :func:`cells`, each half the size and ``gain`` times the strength of the last."""
    sx, sy = scale_px if isinstance(scale_px, tuple) else (scale_px, scale_px)
    out = np.zeros((h, w), np.float32)
    weight, total = 1.0, 0.0
    for _ in range(octaves):
        out += weight * cells(rng, h, w, (max(sx, 1.2), max(sy, 1.2)))
        total += weight**2
        weight, sx, sy = weight * gain, sx / 2, sy / 2
    return out / np.float32(np.sqrt(total))


def smooth(x: F | NDArray, low: float, high: float) -> F:
    """Smooth step from 0 at ``low`` to 1 at ``high``."""
    t = np.clip((np.asarray(x, np.float32) - np.float32(low)) / np.float32(high - low), 0, 1)
    return t * t * (3 - 2 * t)


class Bank:
    """Large fields made once; patches are cut out of them at random places."""

    def __init__(self, seed: int, *, side: int = 2304) -> None:
        rng = stream(seed, 901)
        self.side = side
        grain = normal(rng, side, side)
        self.fields: dict[str, F] = {
            "grain": grain * 0.62 + cv2.GaussianBlur(grain[::-1], (0, 0), 0.9) * 2.1,
            "coarse": cells(rng, side, side, 4.0),
            "mottle": fractal(rng, side, side, 42.0, octaves=4),
            "cloud": fractal(rng, side, side, 260.0, octaves=4),
            "laminae": fractal(rng, side, side, (420.0, 14.0), octaves=4, gain=0.8),
            "rough": fractal(rng, side, side, 26.0, octaves=5, gain=0.62),
        }
        self.fields["grain"] /= self.fields["grain"].std()

    def cut(self, name: str, rng: np.random.Generator, h: int, w: int) -> F:
        """A patch of the field, (h, w), mirrored at random."""
        field = self.fields[name]
        if h > self.side or w > self.side:
            reps = (int(np.ceil(h / self.side)) * 2, int(np.ceil(w / self.side)) * 2)
            field = np.tile(
                np.block([[field, field[:, ::-1]], [field[::-1], field[::-1, ::-1]]]), reps
            )
        y = int(rng.integers(0, field.shape[0] - h + 1))
        x = int(rng.integers(0, field.shape[1] - w + 1))
        out = field[y : y + h, x : x + w]
        return out[:, ::-1] if rng.random() < 0.5 else out

    def bedded(self, rng: np.random.Generator, h: int, w: int, *, dip: float, wave_px: float) -> F:
        """Laminae dipping ``dip`` (rise over run) with a gentle wave, (h, w)."""
        field = self.fields["laminae"]
        yy, xx = np.mgrid[0:h, 0:w].astype(np.float32)
        oy = rng.uniform(0, self.side)
        ox = rng.uniform(0, self.side)
        wave = wave_px * (
            np.sin(xx / rng.uniform(90, 200) + rng.uniform(0, 6))
            + 0.6 * np.sin(xx / 47 + rng.uniform(0, 6))
        )
        last = np.float32(self.side - 1)
        my = last - np.abs(
            np.mod(yy + dip * xx + wave + oy, 2 * last) - last
        )  # to and fro: no seam
        mx = last - np.abs(np.mod(xx + ox, 2 * last) - last)
        return cv2.remap(
            field,
            mx.astype(np.float32),
            my.astype(np.float32),
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REFLECT,
        )
