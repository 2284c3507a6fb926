"""CIELAB (D50, 2 degree) to linear sRGB and to 8 bit, in single precision for large pictures."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .noise import F

_WHITE = np.array([0.96422, 1.0, 0.82521], np.float32)  # D50, ICC.1
_RGB_TO_XYZ = np.array(
    [
        [0.4124564, 0.3575761, 0.1804375],
        [0.2126729, 0.7151522, 0.0721750],
        [0.0193339, 0.1191920, 0.9503041],
    ]
)
_BRADFORD = np.array(
    [
        [1.0478112, 0.0228866, -0.0501270],
        [0.0295424, 0.9904844, -0.0170491],
        [-0.0092345, 0.0150436, 0.7521316],
    ]
)
_XYZ_TO_RGB = np.linalg.inv(_BRADFORD @ _RGB_TO_XYZ).astype(np.float32)

#: ColorChecker Classic, charts made from November 2014 on: CIELAB D50, 2 degree, row by row
#: (values as distributed with the colour-science library).
CHART_LAB = np.array([
    (37.54, 14.37, 14.92), (64.66, 19.27, 17.50), (49.32, -3.82, -22.54), (43.46, -12.74, 22.72), (54.94, 9.61, -24.79), (70.48, -32.26, -0.37),
    (62.73, 35.83, 56.50), (39.43, 10.75, -45.17), (50.57, 48.64, 16.67), (30.10, 22.54, -20.87), (71.77, -24.13, 58.19), (71.51, 18.24, 67.37),
    (28.37, 15.42, -49.80), (54.38, -39.72, 32.27), (42.43, 51.05, 28.62), (81.80, 2.67, 80.41), (50.63, 51.28, -14.12), (49.57, -29.71, -28.32),
    (95.19, -1.03, 2.93), (81.29, -0.57, 0.44), (66.89, -0.75, -0.06), (50.76, -0.13, 0.14), (35.63, -0.46, -0.48), (20.64, 0.07, -0.46),
], np.float32)  # fmt: skip


def linear_from_lab(lab: F | NDArray) -> F:
    """Linear sRGB reflectance, not clipped below zero or above one, (..., 3)."""
    lab = np.asarray(lab, np.float32)
    fy = (lab[..., 0] + 16) / 116
    f = np.stack([fy + lab[..., 1] / 500, fy, fy - lab[..., 2] / 200], axis=-1)
    xyz = np.where(f > 6 / 29, f**3, (116 * f - 16) * np.float32(27 / 24389)) * _WHITE
    return xyz @ _XYZ_TO_RGB.T


def encode(linear: F) -> F:
    """Floating sRGB 0 to 255."""
    x = np.clip(linear, 0, 1)
    return np.float32(255) * np.where(
        x <= 0.0031308, 12.92 * x, 1.055 * x ** np.float32(1 / 2.4) - 0.055
    )


#: Textures are linear light in 16 bit; this value is a reflectance of 1 in full light.
FULL = 32000


def texture(linear: F) -> NDArray[np.uint16]:
    """Linear light to the 16-bit texture scale."""
    return np.clip(linear * FULL + 0.5, 0, 65535).astype(np.uint16)
