"""The grain of a stone as numbers that exposure and white balance do not touch.

A picture of a stone is its reflectance times the light, channel by channel (von Kries). In the
logarithm of linear RGB a change of exposure or white balance is one shift per channel, so that
everything measured after taking away the channel medians is free of it. Four groups of numbers are
taken, all of them blind to the direction in which the stone lies:

``grain``
    The logarithm of the covariance matrix (log-Euclidean) of lightness, two colour opponents and
    their band-pass layers at five scales: strength, scale and colour of the grain, and how they go
    together.
``relief``
    Rotation-invariant uniform local binary patterns at three or four scales, once with a dead band
    of 3 % (firm edges) and once without (fine texture).
``distribution``
    Quantiles of lightness and of the two opponents about their medians.
``tone``
    The medians themselves. They follow the light, so they count little where no chart calibrates
    the picture.

References
----------
.. [1] O. Tuzel, F. Porikli, P. Meer, "Region covariance", ECCV 2006.
.. [2] V. Arsigny et al., "Log-Euclidean metrics", Magn. Reson. Med. 56 (2006) 411-421.
.. [3] T. Ojala, M. Pietikäinen, T. Mäenpää, "Multiresolution gray-scale and rotation invariant
   texture classification with local binary patterns", IEEE TPAMI 24 (2002) 971-987.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from facademap.errors import InputError
from facademap.photo.lab import linear_rgb_from_srgb
from facademap.values import frozen_value

__all__ = [
    "PATTERN_PARTS",
    "PATTERN_SIZE",
    "PATTERN_WEIGHTS",
    "Pattern",
    "describe_pattern",
    "pattern_vectors",
]

Floats = NDArray[np.floating[Any]]
Mask = NDArray[np.bool_]

#: Blur of the layers whose differences are the five bands, in pixels.
_BLUR_PX = (0.7, 1.2, 2.1, 3.6, 6.2, 10.8)
_QUANTILES = np.linspace(0.03, 0.97, 17)
#: Blur and radius of the local binary patterns, in pixels.
_PATTERN_SCALES = ((0.0, 1.0), (1.0, 2.0), (2.0, 4.0), (4.0, 8.0))
_DEAD_BAND = 0.03
#: Added to linear RGB, so that the logarithm of a black pixel stays near that of a dark one.
_DARK = 0.004
_LEAST_PX = 256

#: Number of values of each part, in the order in which they lie in a vector.
PATTERN_PARTS: Mapping[str, int] = {
    "grain": 276,
    "relief_firm": 40,
    "relief_fine": 40,
    "distribution": 51,
    "tone": 3,
}
PATTERN_SIZE = sum(PATTERN_PARTS.values())
#: Weight of each part in the difference of two patterns, chosen on one half of the textures named in
#: ``benchmarks/appearance.py`` and reported on the other half.
PATTERN_WEIGHTS: Mapping[str, float] = {
    "grain": 1.0,
    "relief_firm": 0.5,
    "relief_fine": 0.5,
    "distribution": 0.2,
    "tone": 0.1,
}
#: Median difference per value between pictures of different stones, on the same half.
_TYPICAL: Mapping[str, float] = {
    "grain": 0.278,
    "relief_firm": 0.0664,
    "relief_fine": 0.0413,
    "distribution": 0.148,
    "tone": 0.571,
}


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class Pattern:
    """Grain, relief, distribution and tone of one picture, and where its grain points.

    Parameters
    ----------
    values : ndarray of float32, shape (410,)
        The parts of `PATTERN_PARTS` one after the other.
    direction_deg : float
        Direction along which the picture is most uniform (bedding, tooling), 0 = along x,
        counter-clockwise, 0 to 180.
    anisotropy : float
        0 = no direction, 1 = every edge runs the same way.
    scale_px : float
        Typical size of the grain in pixels of the picture as described.
    n : int
        Number of pixels used.
    """

    values: NDArray[np.float32]
    direction_deg: float
    anisotropy: float
    scale_px: float
    n: int

    def __post_init__(self) -> None:
        if self.values.shape != (PATTERN_SIZE,) or not np.all(np.isfinite(self.values)):
            raise InputError(
                f"a pattern has {PATTERN_SIZE} finite values, not {self.values.shape}",
                "Describe the picture again with this version.",
            )

    def part(self, name: str) -> NDArray[np.float32]:
        """The values of one part of `PATTERN_PARTS`.

        Raises
        ------
        KeyError
            There is no such part.
        """
        start = 0
        for part, size in PATTERN_PARTS.items():
            if part == name:
                return self.values[start : start + size]
            start += size
        raise KeyError(name)


def describe_pattern(rgb: NDArray[Any], mask: Mask | None = None) -> Pattern:
    """Describe the pattern of a stone in a picture.

    Parameters
    ----------
    rgb : ndarray of uint8 or float, shape (rows, cols, 3)
        sRGB picture. Pictures to be compared should show the stone at one scale.
    mask : ndarray of bool, shape (rows, cols), optional
        True where the stone is; the whole picture when left out.

    Returns
    -------
    Pattern

    Raises
    ------
    InputError
        Where fewer than 256 pixels of stone are left.

    Notes
    -----
    Costs about 0.2 s for a megapixel. Blind to exposure and white balance as long as few pixels are clipped;
    not blind to focus, to wetness or to raking light.
    """
    used = np.ones(rgb.shape[:2], bool) if mask is None else np.asarray(mask, bool)
    if np.count_nonzero(used) < _LEAST_PX:
        raise InputError(
            f"only {np.count_nonzero(used)} pixels of stone in the picture, {_LEAST_PX} are needed",
            "Take a larger piece of the picture or mend its mask.",
        )
    logs = np.log(linear_rgb_from_srgb(rgb) + _DARK).astype(np.float32)
    inside = logs[used]
    medians = np.median(inside, axis=0)
    logs -= medians
    if not used.all():
        logs = _fill_outside(logs, used)
    channels = (
        logs.mean(axis=2),
        logs[..., 0] - logs[..., 1],
        logs[..., 2] - (logs[..., 0] + logs[..., 1]) / 2,
    )
    bands = [_bands(channel) for channel in channels]
    sure = _sure(used)
    tone = np.array(
        [medians.mean(), medians[0] - medians[1], medians[2] - (medians[0] + medians[1]) / 2]
    )
    distribution = np.concatenate([np.quantile(c[used], _QUANTILES) for c in channels])
    values = np.concatenate(
        [
            _log_covariance(channels, bands, sure),
            _relief(channels[0], used, dead_band=_DEAD_BAND),
            _relief(channels[0], used, dead_band=0.0),
            distribution,
            tone,
        ]
    )
    direction_deg, anisotropy = _direction(channels[0], sure)
    return Pattern(
        values=values.astype(np.float32),
        direction_deg=direction_deg,
        anisotropy=anisotropy,
        scale_px=_grain_size_px(bands[0], sure),
        n=int(np.count_nonzero(used)),
    )


def pattern_vectors(
    patterns: list[Pattern], *, weights: Mapping[str, float] | None = None
) -> NDArray[np.float32]:
    """Vectors whose city-block distance is the difference of the patterns.

    Parameters
    ----------
    patterns : list of Pattern
    weights : mapping of str to float, optional
        Weight of each part of `PATTERN_PARTS`, of which 1 makes the typical difference between two
        different stones 1 in that part; the defaults are `PATTERN_WEIGHTS`.

    Returns
    -------
    ndarray of float32, shape (len(patterns), 410)

    Raises
    ------
    InputError
        There is no such part of a pattern.
    """
    chosen = {**PATTERN_WEIGHTS, **(weights or {})}
    unknown = set(chosen) - set(PATTERN_PARTS)
    if unknown:
        raise InputError(
            f"unknown part of a pattern: {', '.join(sorted(unknown))}",
            f"Use one of {', '.join(PATTERN_PARTS)}.",
        )
    factors = np.concatenate(
        [
            np.full(size, chosen[part] / (size * _TYPICAL[part]))
            for part, size in PATTERN_PARTS.items()
        ]
    ).astype(np.float32)
    if not patterns:
        return np.zeros((0, PATTERN_SIZE), np.float32)
    return np.stack([p.values for p in patterns]) * factors


def _fill_outside(logs: Floats, used: Mask) -> Floats:
    """Put the surrounding mean of the stone where there is none, so that no false edge appears."""
    weight = used.astype(np.float32)
    blurred = cv2.GaussianBlur(logs * weight[..., None], (0, 0), 8)
    share = cv2.GaussianBlur(weight, (0, 0), 8)[..., None]
    filled = np.where(share > 0.01, blurred / np.maximum(share, 0.01), 0.0)
    return np.where(used[..., None], logs, filled).astype(np.float32)


def _sure(used: Mask) -> Mask:
    """Pixels a little inside the mask, where the bands see stone only; the mask itself if too few."""
    if used.all():
        return used
    inner = (
        cv2.erode(used.astype(np.uint8), np.ones((5, 5), np.uint8), borderType=cv2.BORDER_REPLICATE)
        > 0
    )
    return inner if np.count_nonzero(inner) >= _LEAST_PX else used


def _bands(channel: Floats) -> list[Floats]:
    layers = [cv2.GaussianBlur(channel, (0, 0), s, borderType=cv2.BORDER_REFLECT) for s in _BLUR_PX]
    return [np.asarray(fine - coarse) for fine, coarse in itertools.pairwise(layers)]


def _log_covariance(channels: tuple[Floats, ...], bands: list[list[Floats]], sure: Mask) -> Floats:
    layers = [*channels, *(np.abs(b) for b in bands[0]), *bands[0], *bands[1], *bands[2]]
    rows = np.stack([layer[sure] for layer in layers])
    rows = rows - rows.mean(axis=1, keepdims=True)
    covariance = (rows @ rows.T).astype(float) / rows.shape[1] + 1e-5 * np.eye(len(rows))
    values, axes = np.linalg.eigh(covariance)
    logarithm = (axes * np.log(np.maximum(values, 1e-9))) @ axes.T
    upper = np.triu_indices(len(rows))
    return np.asarray(logarithm[upper] * np.where(upper[0] == upper[1], 1.0, np.sqrt(2.0)))


def _relief(lightness: Floats, used: Mask, *, dead_band: float) -> Floats:
    """Square roots of the shares of the ten rotation-invariant uniform patterns at every scale."""
    shares = []
    rows, cols = lightness.shape
    for blur_px, radius_px in _PATTERN_SCALES:
        layer: Any = cv2.GaussianBlur(lightness, (0, 0), blur_px) if blur_px else lightness
        edge = int(np.ceil(radius_px))
        if min(rows, cols) < 4 * edge or not used[edge:-edge, edge:-edge].any():
            shares.append(np.full(10, 0.1))
            continue
        least = layer + dead_band
        bits = np.stack([_shifted(layer, radius_px, k) >= least for k in range(8)]).astype(np.uint8)
        turns = np.abs(np.diff(bits.astype(np.int8), axis=0, append=bits[:1].astype(np.int8))).sum(
            axis=0
        )
        codes = np.where(turns <= 2, bits.sum(axis=0, dtype=np.int64), 9)[edge:-edge, edge:-edge]
        counts = np.bincount(codes[used[edge:-edge, edge:-edge]], minlength=10)
        shares.append(counts / counts.sum())
    return np.asarray(np.sqrt(np.concatenate(shares)))


def _shifted(layer: Floats, radius_px: float, step: int) -> Floats:
    """The layer moved by one of eight directions on a circle, with linear interpolation."""
    angle = np.pi / 4 * step
    move = np.array([[1.0, 0.0, radius_px * np.cos(angle)], [0.0, 1.0, radius_px * np.sin(angle)]])
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    size = (layer.shape[1], layer.shape[0])
    return np.asarray(cv2.warpAffine(layer, move, size, flags=flags, borderMode=cv2.BORDER_REFLECT))


def _direction(lightness: Floats, sure: Mask) -> tuple[float, float]:
    """Direction of the grain by the structure tensor of the slightly blurred lightness."""
    smooth = cv2.GaussianBlur(lightness, (0, 0), 1.6)
    gx = cv2.Sobel(smooth, cv2.CV_32F, 1, 0)[sure].astype(float)
    gy = cv2.Sobel(smooth, cv2.CV_32F, 0, 1)[sure].astype(float)
    xx, yy, xy = float(gx @ gx), float(gy @ gy), float(gx @ gy)
    if xx + yy <= 0.0:
        return 0.0, 0.0
    steepest = 0.5 * np.arctan2(2 * xy, xx - yy)  # rows run down, hence the sign below
    along = (90.0 - np.degrees(steepest)) % 180.0
    return float(along), float(np.hypot(xx - yy, 2 * xy) / (xx + yy))


def _grain_size_px(bands: list[Floats], sure: Mask) -> float:
    """Mean blur of the bands, weighted with their energy, times 2.5 (one bump of such a band)."""
    energy = np.array([float(np.mean(band[sure] ** 2)) for band in bands])
    sizes = np.sqrt(np.array(_BLUR_PX[:-1]) * np.array(_BLUR_PX[1:])) * 2.5
    return float(np.exp(np.sum(energy * np.log(sizes)) / energy.sum())) if energy.sum() > 0 else 0.0
