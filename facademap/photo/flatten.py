"""Uneven light over a wall flattened: only what changes over many stones is taken out.

The light is a smooth surface (a polynomial of low order over the elevation) fitted to the logarithm of
the brightness, robustly, so that a dark stone, an opening or a stain does not bend it. All colours are
multiplied by one factor, so hues stay, and neighbouring stones keep their ratio.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["WallLight", "fit_wall_light"]

Floats = NDArray[np.floating[Any]]
Bytes = NDArray[np.uint8]

#: Highest order of the surface (common practice): one or two changes from light to dark over the wall.
MOST_ORDER = 4
#: A stone's length must go so many times into the shortest change of the surface.
STONES_A_CHANGE = 6.0
#: Usual size of the light's terms, logarithm of stored values (common practice).
LIKELY_LIGHT = 0.15


@dataclass(frozen=True, slots=True, kw_only=True)
class WallLight:
    """Brightness over an elevation.

    Attributes
    ----------
    order : int
        Of the polynomial.
    terms : tuple of float
        Its coefficients (logarithm of the stored values), mean zero over the wall.
    """

    order: int = 0
    terms: tuple[float, ...] = ()

    def factor(self, x_share: Floats, y_share: Floats) -> Floats:
        """What to multiply by, at places -1 to 1 over the elevation."""
        if not self.terms:
            return np.ones(np.broadcast_shapes(np.shape(x_share), np.shape(y_share)))
        log = _terms(np.asarray(x_share, dtype=float), np.asarray(y_share, dtype=float), self.order)
        return np.asarray(np.exp(-np.clip(log @ np.asarray(self.terms), -1.0, 1.0)))


def _terms(x: Floats, y: Floats, order: int) -> Floats:
    """Legendre products without the constant, shape (..., terms)."""
    x, y = np.broadcast_arrays(x, y)
    px = np.polynomial.legendre.legvander(x, order)
    py = np.polynomial.legendre.legvander(y, order)
    return np.stack(
        [px[..., i] * py[..., j] for i in range(order + 1) for j in range(order + 1 - i) if i + j],
        axis=-1,
    )


def fit_wall_light(
    rgb: Bytes, seen: NDArray[np.bool_], *, cell_m: float, stone_m: float = 0.6
) -> WallLight:
    """Fit the light over a (coarse) elevation.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (rows, columns, 3)
    seen : ndarray of bool, shape (rows, columns)
        Where the wall is shown.
    cell_m : float
        Side of a cell on the wall.
    stone_m : float
        Usual length of a stone: the surface may not change over fewer than a handful of them.

    Returns
    -------
    WallLight
        Without terms where the wall is too small for the light to be told from the stones.
    """
    rows, columns = seen.shape
    order = min(MOST_ORDER, int(2.0 * max(rows, columns) * cell_m / (STONES_A_CHANGE * stone_m)))
    value = rgb.astype(float).mean(axis=2)
    good = np.flatnonzero(seen & (value > 4) & (value < 252))
    if order < 1 or len(good) < 400:
        return WallLight()
    good = good[:: max(1, len(good) // 40_000)]
    y, x = np.unravel_index(good, seen.shape)
    A = _terms((2.0 * x + 1) / columns - 1, (2.0 * y + 1) / rows - 1, order)
    b = np.log(value.ravel()[good])
    full = np.column_stack([np.ones(len(b)), A])
    # the cells of one stone say the same thing, so stones count, not cells; and higher orders are less likely
    cells_a_stone = max(
        1.0, len(b) / max(1.0, np.count_nonzero(seen) * cell_m**2 / (stone_m * stone_m / 2.0))
    )
    orders = np.array([i + j for i in range(order + 1) for j in range(order + 1 - i) if i + j])
    likely = np.r_[np.inf, LIKELY_LIGHT / orders**1.5]
    weight, spread = np.ones(len(b)), float(np.std(b))
    solution = np.zeros(full.shape[1])
    for _ in range(8):
        hold = cells_a_stone * spread**2 / likely**2
        normal = (full * weight[:, None]).T @ full + np.diag(hold)
        solution = np.linalg.solve(normal, (full * weight[:, None]).T @ b)
        miss = b - full @ solution
        spread = max(0.02, 1.4826 * float(np.median(np.abs(miss))))
        weight = 1.0 / (1.0 + (miss / (2.0 * spread)) ** 2) ** 2
    return WallLight(order=order, terms=tuple(float(v) for v in solution[1:]))
