"""Which offset from the wall explains the photos: every cell, layer by layer, then along paths.

For every layer (a plane parallel to the wall, so many millimetres before or behind it) the photos are laid on the
cells as if the wall stood there, and every two of them are compared by normalised correlation in a small window. The
better half of the pairs counts: a photo that does not see a place, or sees it with a gloss, spoils its pairs alone.
Paths in four directions then prefer neighbours of like offset, dear where the offset leaps.

References
----------
.. [1] R. Collins, "A space-sweep approach to true multi-image matching", CVPR 1996.
.. [2] H. Hirschmueller, "Stereo processing by semiglobal matching and mutual information", IEEE PAMI 30 (2008) 328-341.
.. [3] M. Goesele, B. Curless, S. Seitz, "Multi-view stereo revisited", CVPR 2006 (normalised correlation of many views).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import cv2
import numba
import numpy as np
from numpy.typing import NDArray

from facademap.relief.stations import Station
from facademap.values import frozen_value
from facademap.wall.grid import PixelGrid

__all__ = [
    "SweepRules",
    "View",
    "aggregated",
    "agreement_on_surface",
    "narrow_recesses",
    "scores_of_layers",
    "seen_on_surface",
]

Floats = NDArray[np.floating[Any]]
Floats32 = NDArray[np.float32]

#: Cells between places whose pixels are worked out exactly; between them they are interpolated.
_NODE = 8
#: Grey values (of 255, squared) below which a window shows nothing: noise of a quiet sensor.
_LEAST_VARIANCE = 1.5
#: A cell lies in a narrow recess where the photos lack this many times as much agreement in a line as in a square, plus
#: a floor. Rendered walls with joints of 4 to 8 mm at cells of 3 mm: 68 to 86 of 100 cells that are off by more than 5 mm
#: are found, and of stone away from joints 0.3 in 1,000 are lost, 2 in 100 in photos of much noise.
_LINE_TIMES, _LINE_FLOOR = 2.5, 0.04


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepRules:
    """Settings of the sweep.

    Parameters
    ----------
    window : int
        Side of the window that is compared, cells; odd.
    small_leap, large_leap : float
        Price of one layer between neighbours, and of more; the cost of a cell is 0 to 1.
    most_views : int
        Photos that are compared at a place.
    proof_window : int
        Side of the window in which the photos must agree on the surface that was found, cells; odd.
    line_window : int
        Length of the windows one cell wide in which they must agree as well, cells; odd; 0 for none.
    """

    window: int = 3
    small_leap: float = 0.02
    large_leap: float = 0.25
    most_views: int = 6
    proof_window: int = 9
    line_window: int = 15


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class View:
    """A grey photo, reduced so that its pixels suit the cells.

    Parameters
    ----------
    station : Station
        Of the photo as taken.
    grey : ndarray of uint8, shape (h, w)
    shrink : float
        Pixels of the photo per pixel of ``grey``.
    """

    station: Station
    grey: NDArray[np.uint8]
    shrink: float

    def seen(self, grid: PixelGrid, w_m: float) -> Floats32:
        """The photo laid on the cells of a grid as if the wall stood at an offset; NaN where it does not look."""
        rows = np.arange(-1, grid.height_px + _NODE + 1, _NODE, dtype=float)
        columns = np.arange(-1, grid.width_px + _NODE + 1, _NODE, dtype=float)
        u = grid.left_m + (columns + 0.5) * grid.gsd_m
        v = grid.top_m - (rows + 0.5) * grid.gsd_m
        places = np.stack(
            [*np.broadcast_arrays(u[None, :], v[:, None]), np.full((len(v), len(u)), w_m)], axis=-1
        )
        pixel = (self.station.pixel_from_wall(places) + 0.5) / self.shrink - 0.5
        return self._sampled(_between_nodes(pixel.astype(np.float32), grid))

    def seen_on(self, grid: PixelGrid, out_m: Floats32) -> Floats32:
        """The photo laid on the cells of a grid as they lie; NaN where it does not look.

        Parameters
        ----------
        grid : PixelGrid
        out_m : ndarray, shape (rows, columns)
            Metres out of the wall, everywhere finite.
        """
        u = grid.left_m + (np.arange(grid.width_px) + 0.5) * grid.gsd_m
        v = grid.top_m - (np.arange(grid.height_px) + 0.5) * grid.gsd_m
        places = np.stack([*np.broadcast_arrays(u[None, :], v[:, None]), out_m], axis=-1)
        pixel = (self.station.pixel_from_wall(places) + 0.5) / self.shrink - 0.5
        return self._sampled(pixel.astype(np.float32))

    def _sampled(self, pixel: Floats32) -> Floats32:
        seen = cv2.remap(
            self.grey,
            pixel[..., 0],
            pixel[..., 1],
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_CONSTANT,
            borderValue=0,
        ).astype(np.float32)
        height, width = self.grey.shape
        x, y = pixel[..., 0], pixel[..., 1]
        with np.errstate(invalid="ignore"):
            outside = ~((x > 0) & (y > 0) & (x < width - 1) & (y < height - 1))
        if outside.any():
            seen[outside] = np.nan
        return np.asarray(seen)


def _between_nodes(nodes: Floats32, grid: PixelGrid) -> Floats32:
    """Bilinear between nodes that lie at cells -1, 7, 15, ...; shape (rows, columns, 2)."""
    x = (np.arange(grid.width_px, dtype=np.float32) + 1) / _NODE
    y = (np.arange(grid.height_px, dtype=np.float32) + 1) / _NODE
    mx, my = np.broadcast_arrays(x[None, :], y[:, None])
    return np.asarray(
        cv2.remap(nodes, np.ascontiguousarray(mx), np.ascontiguousarray(my), cv2.INTER_LINEAR)
    )


def scores_of_layers(
    views: Sequence[View], grid: PixelGrid, layers_m: Floats, rules: SweepRules
) -> Floats32:
    """Agreement of the photos at every cell and layer.

    Parameters
    ----------
    views : sequence of View
        At least two.
    grid : PixelGrid
    layers_m : ndarray, shape (layers,)
        Offsets out of the wall, evenly spaced.
    rules : SweepRules

    Returns
    -------
    ndarray of float32, shape (rows, columns, layers)
        Mean correlation of the better half of the pairs, -1 to 1; -1 where fewer than two photos look.
    """
    shape = grid.height_px, grid.width_px
    score = np.full((*shape, len(layers_m)), -1.0, dtype=np.float32)
    side = rules.window, rules.window
    for n, w_m in enumerate(layers_m):
        seen = [view.seen(grid, float(w_m)) for view in views]
        _correlate(seen, side, score[:, :, n])
    return score


def seen_on_surface(views: Sequence[View], grid: PixelGrid, out_m: Floats32) -> list[Floats32]:
    """The photos laid on the surface that was found.

    Parameters
    ----------
    views : sequence of View
        At least two.
    grid : PixelGrid
    out_m : ndarray, shape (rows, columns)
        NaN where nothing was found; these cells are laid on the median.
    """
    known = np.isfinite(out_m)
    middle = np.float32(np.median(out_m[known])) if known.any() else np.float32(0.0)
    filled = np.where(known, out_m, middle)
    return [view.seen_on(grid, filled) for view in views]


def agreement_on_surface(seen: Sequence[Floats32], rules: SweepRules) -> Floats32:
    """Agreement of the photos laid on the surface that was found, in windows wide enough to be no chance.

    The best of many layers in a small window agrees well enough also where nothing is the same in two photos (leaves,
    reflections). One look at one surface in a wide window does not.

    Parameters
    ----------
    seen : sequence of ndarray
        From `seen_on_surface`.
    rules : SweepRules

    Returns
    -------
    ndarray of float32, shape (rows, columns)
        Mean correlation of the better half of the pairs; -1 where fewer than two photos look.
    """
    return _agreement(seen, (rules.proof_window, rules.proof_window))


def narrow_recesses(seen: Sequence[Floats32], rules: SweepRules) -> NDArray[np.bool_]:
    """Cells of open joints and the like, too narrow for the windows that are compared.

    A window wider than a joint finds the arrises on both sides, and lays a lid on it that agrees well. Along the joint,
    in a window one cell wide, the photos do not agree on that lid. How much less they must agree than in a wide window
    goes by the noise of the photos.

    Parameters
    ----------
    seen : sequence of ndarray
        From `seen_on_surface`.
    rules : SweepRules

    Returns
    -------
    ndarray of bool, shape (rows, columns)
    """
    n = rules.line_window
    lines = np.stack([_agreement(seen, (n, 1)), _agreement(seen, (1, n))])
    # a line without a pattern says nothing
    along = np.where(lines == -1, np.float32(1.0), lines).min(axis=0)
    suspect = (1 - along) > _LINE_TIMES * (1 - _agreement(seen, (n, n)) + _LINE_FLOOR)
    # three of nine: a joint is a line, chance is not
    near = cv2.boxFilter(suspect.astype(np.float32), -1, (3, 3), normalize=False)
    return np.asarray(near > 2.5)


def _agreement(seen: Sequence[Floats32], side: tuple[int, int]) -> Floats32:
    agreement = np.full(seen[0].shape, -1.0, dtype=np.float32)
    _correlate(seen, side, agreement)
    return agreement


def _correlate(seen: Sequence[Floats32], side: tuple[int, int], score: Floats32) -> None:
    """Correlations of every two pictures in a window, the better half of them into ``score``."""
    pairs = np.array(list(combinations(range(len(seen)), 2)), dtype=np.intp)
    # about a common grey, so that squares keep their digits
    grey = [s - np.float32(128.0) for s in seen]
    hidden = [_hidden(g, side) for g in grey]
    mean = np.stack([cv2.blur(s, side, borderType=cv2.BORDER_REPLICATE) for s in grey])
    square = np.stack([cv2.blur(s * s, side, borderType=cv2.BORDER_REPLICATE) for s in grey])
    product = np.stack(
        [cv2.blur(grey[a] * grey[b], side, borderType=cv2.BORDER_REPLICATE) for a, b in pairs]
    )
    variance = square - mean * mean
    for k, cells in enumerate(hidden):
        if cells is not None:
            variance[k][cells] = np.nan
    _best_half(mean, variance, product, pairs, np.float32(_LEAST_VARIANCE), score)


def _hidden(grey: Floats32, side: tuple[int, int]) -> NDArray[np.bool_] | None:
    """Cells whose window reaches beyond the photo; these are filled, since a running sum carries a NaN on for ever."""
    if math.isfinite(float(grey.sum())):
        return None
    outside = np.isnan(grey)
    grey[outside] = 0.0
    return np.asarray(cv2.dilate(outside.astype(np.uint8), np.ones(side, np.uint8)) > 0)


@numba.njit(cache=True, nogil=True, fastmath=False)
def _best_half(mean, variance, product, pairs, least, score):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Mean of the better half of the pairs' correlations at every cell, into ``score``."""
    rows, columns = score.shape
    count = pairs.shape[0]
    found = np.empty(count, dtype=np.float32)
    for i in range(rows):
        for j in range(columns):
            n = 0
            for p in range(count):
                a, b = pairs[p, 0], pairs[p, 1]
                va, vb = variance[a, i, j], variance[b, i, j]
                if not (va > least and vb > least):
                    continue
                value = (product[p, i, j] - mean[a, i, j] * mean[b, i, j]) / np.sqrt(va * vb)
                if not (value >= -1.5):
                    continue
                # insertion keeps them in falling order: there are 15 at most
                k = n
                while k > 0 and found[k - 1] < value:
                    found[k] = found[k - 1]
                    k -= 1
                found[k] = value
                n += 1
            if n == 0:
                continue
            half = (n + 1) // 2
            total = np.float32(0.0)
            for k in range(half):
                total += found[k]
            score[i, j] = min(total / half, np.float32(1.0))


def aggregated(score: Floats32, rules: SweepRules) -> Floats32:
    """Cost of every cell and layer with its neighbours' taken in along four directions.

    Parameters
    ----------
    score : ndarray of float32, shape (rows, columns, layers)
    rules : SweepRules

    Returns
    -------
    ndarray of float32, shape (rows, columns, layers)
        The layer of least cost is the best one.
    """
    cost = (np.float32(1.0) - score) * np.float32(0.5)
    total = np.zeros_like(cost)
    for down, forward in ((0, 1), (0, -1), (1, 1), (1, -1)):
        _along(
            cost,
            total,
            down == 1,
            forward == 1,
            np.float32(rules.small_leap),
            np.float32(rules.large_leap),
        )
    return total


@numba.njit(cache=True, nogil=True)
def _along(cost, total, down, forward, small, large):  # type: ignore[no-untyped-def]  # pragma: no cover
    """Add the path costs of one direction to ``total`` (reference 2, equation 13)."""
    rows, columns, layers = cost.shape
    lines, length = (columns, rows) if down else (rows, columns)
    before = np.empty(layers, dtype=np.float32)
    now = np.empty(layers, dtype=np.float32)
    for line in range(lines):
        for step in range(length):
            place = step if forward else length - 1 - step
            i, j = (place, line) if down else (line, place)
            if step == 0:
                for d in range(layers):
                    before[d] = cost[i, j, d]
                    total[i, j, d] += before[d]
                continue
            least = before[0]
            for d in range(1, layers):
                if before[d] < least:
                    least = before[d]
            for d in range(layers):
                best = before[d]
                if d > 0 and before[d - 1] + small < best:
                    best = before[d - 1] + small
                if d < layers - 1 and before[d + 1] + small < best:
                    best = before[d + 1] + small
                if least + large < best:
                    best = least + large
                now[d] = cost[i, j, d] + best - least
                total[i, j, d] += now[d]
            for d in range(layers):
                before[d] = now[d]
