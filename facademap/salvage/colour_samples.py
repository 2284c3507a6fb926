"""The colour of a face as numbers: mean, covariance, number of samples, spread.

References
----------
Coarse-grained stone needs many readings, so mean, covariance and number are kept, not one swatch
(Color Res. Appl. 37 (2012) 375-383, on granite slabs: 60 readings or more).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from facademap.errors import InputError
from facademap.photo.lab import difference_ciede2000, lab_from_linear_rgb, lab_from_srgb, linear_rgb_from_srgb

__all__ = ["ColourSamples", "measure_colour"]

#: Pixels measured at most; more add nothing to the mean of a stone.
MOST_SAMPLES = 20_000
FEWEST_SAMPLES = 60


@dataclass(frozen=True, slots=True, kw_only=True)
class ColourSamples:
    """Colour of a region in CIELAB (D50).

    Parameters
    ----------
    mean : tuple of 3 float
    covariance : tuple of 3 tuples of 3 float
    n : int
        Number of samples.
    spread : float
        Mean CIEDE2000 of the samples to their mean.
    """

    mean: tuple[float, float, float]
    covariance: tuple[tuple[float, float, float], ...]
    n: int
    spread: float


def measure_colour(rgb: NDArray[Any], mask: NDArray[np.bool_] | None = None) -> ColourSamples:
    """Measure the colour of a region of a picture.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (rows, columns, 3)
        sRGB.
    mask : ndarray of bool, shape (rows, columns), optional
        Region; everything without it.

    Raises
    ------
    InputError
        Fewer than 60 pixels.

    Notes
    -----
    A regular pick of at most 20 000 pixels is measured, so the same picture gives the same numbers.
    The mean is taken over light, not over CIELAB, as the eye sees a stone from afar.
    """
    pixels = rgb.reshape(-1, 3) if mask is None else rgb[np.asarray(mask, dtype=bool)]
    if len(pixels) < FEWEST_SAMPLES:
        raise InputError(f"only {len(pixels)} pixels of stone can be measured", "Draw a larger outline or use a closer photo.")
    pixels = pixels[:: max(1, -(-len(pixels) // MOST_SAMPLES))]
    lab = lab_from_srgb(pixels)
    mean = _mean_by_light(pixels)
    covariance = np.cov(lab.T)
    spread = float(np.mean(difference_ciede2000(lab, mean)))
    return ColourSamples(mean=tuple(float(v) for v in mean), n=len(pixels), spread=spread,  # type: ignore[arg-type]
                         covariance=tuple(tuple(float(v) for v in row) for row in covariance))  # type: ignore[misc]


def _mean_by_light(pixels: NDArray[Any]) -> NDArray[np.floating[Any]]:
    return lab_from_linear_rgb(linear_rgb_from_srgb(pixels).mean(axis=0))
