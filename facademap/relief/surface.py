"""From the costs of layers to a surface: offset between layers, how sure, and where nothing is known.

References
----------
.. [1] H. Hirschmueller, D. Scharstein, "Evaluation of stereo matching costs", IEEE PAMI 31 (2009) 1582-1599
   (parabola through the best layer and its neighbours).
.. [2] W. Foerstner, "On the geometric precision of digital correlation", ISPRS Archives XXIV-3 (1982) 176-189
   (precision of a shift from correlation and from the curvature of its peak).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["SurfaceRules", "surface_of_costs"]

Floats32 = NDArray[np.float32]


@dataclass(frozen=True, slots=True, kw_only=True)
class SurfaceRules:
    """Settings of what counts as known.

    Parameters
    ----------
    least_agreement : float
        Correlation on the surface found below which a cell is unknown. Rendered walls: stone in noisy photos lies
        above 0.5 in 999 of 1,000 cells, leaves that look otherwise in every photo below it in 99 of 100.
    most_speckle_cells : int
        Islands of so many cells or fewer, that leap from all their neighbours, are unknown.
    leap_m : float
        What counts as a leap there.
    correlation_factor : float
        Factor on the standard deviation that the shape of the correlation peak gives, found on rendered walls:
        neighbouring windows share their pixels.
    edge_factor : float
        Share of a cell by which the place of an arris is in doubt, times the slope there.
    """

    least_agreement: float = 0.5
    most_speckle_cells: int = 40
    leap_m: float = 0.006
    correlation_factor: float = 0.35
    edge_factor: float = 0.32


def surface_of_costs(
    cost: Floats32,
    score: Floats32,
    layers_m: NDArray[np.floating[Any]],
    cell_m: float,
    rules: SurfaceRules,
) -> tuple[Floats32, Floats32]:
    """Offset and its standard deviation at every cell.

    Parameters
    ----------
    cost, score : ndarray of float32, shape (rows, columns, layers)
        Costs taken along paths, and plain agreement.
    layers_m : ndarray, shape (layers,)
    cell_m : float
    rules : SurfaceRules

    Returns
    -------
    out_m, sigma_m : ndarray of float32, shape (rows, columns)
        NaN where the best layer is the first or the last one, and on small islands that leap.
    """
    step = float(layers_m[1] - layers_m[0])
    best = cost.argmin(axis=2)
    inner = np.clip(best, 1, len(layers_m) - 2)[..., None]
    low, mid, high = (np.take_along_axis(cost, inner + d, 2)[..., 0] for d in (-1, 0, 1))
    bend = np.maximum(low - 2 * mid + high, 1e-6)
    shift = np.clip((low - high) / (2 * bend), -0.5, 0.5)
    out_m = (layers_m[inner[..., 0]] + shift * step).astype(np.float32)
    found = np.take_along_axis(score, inner, 2)[..., 0]
    unknown = (best == 0) | (best == len(layers_m) - 1)
    filled = cv2.medianBlur(out_m, 3)
    out_m = np.where(np.abs(out_m - filled) > 0.5 * step, filled, out_m)
    sigma_m = _sigma(out_m, score, inner, found, step, cell_m, rules)
    unknown |= _speckle(out_m, unknown, rules)
    out_m[unknown] = np.nan
    sigma_m[unknown] = np.nan
    return out_m, sigma_m


def _sigma(
    out_m: Floats32,
    score: Floats32,
    inner: NDArray[np.intp],
    found: Floats32,
    step: float,
    cell_m: float,
    rules: SurfaceRules,
) -> Floats32:
    low, mid, high = (np.take_along_axis(score, inner + d, 2)[..., 0] for d in (-1, 0, 1))
    bend = np.maximum((2 * mid - low - high) / step**2, 0.02 / step**2)
    match = rules.correlation_factor * np.sqrt(np.clip(1 - found, 0.002, 1.0) / bend)
    # paths and windows carry an arris two cells on
    highest = cv2.dilate(out_m, np.ones((5, 5), np.uint8))
    lowest = cv2.erode(out_m, np.ones((5, 5), np.uint8))
    edge = rules.edge_factor * (highest - lowest) / 2
    return np.asarray(np.hypot(match, edge), dtype=np.float32)


def _speckle(out_m: Floats32, unknown: NDArray[np.bool_], rules: SurfaceRules) -> NDArray[np.bool_]:
    """Small islands that leap from what lies round them."""
    value = np.where(unknown, -999.0, out_m * 1000).astype(np.int32)
    band = np.clip(value + 2000, 0, 32000).astype(np.int16)
    kept = band.copy()
    cv2.filterSpeckles(kept, -1, rules.most_speckle_cells, max(1, round(rules.leap_m * 1000)))
    return np.asarray((kept == -1) & ~unknown)
