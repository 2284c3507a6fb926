"""Lines of equal depth on a relief, calmed so that they follow the faces of stones and not their joints."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from facademap.errors import InputError
from facademap.relief.build import Relief
from facademap.values import frozen_value

__all__ = ["Contour", "calmed", "contour_lines", "contour_steps", "nice_range", "step_that_reads"]

Floats = NDArray[np.floating[Any]]
_MOST_CONTOURS = 80
#: Shorter ones, in cells, are noise.
_SHORTEST = 20
_CALM_CELLS = 3.0
_STEPS_M = (0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0)
_STEPS_INCH_M = tuple(n * 0.0254 for n in (0.0625, 0.125, 0.25, 0.5, 1.0, 2.0, 6.0, 12.0, 36.0))


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class Contour:
    """One line.

    Parameters
    ----------
    out_m : float
        Out of the wall frame.
    line_m : ndarray, shape (n, 2)
        Along and up the wall.
    """

    out_m: float
    line_m: Floats


def calmed(out_m: NDArray[np.float32]) -> tuple[NDArray[np.float32], NDArray[np.bool_]]:
    """The relief without the noise of single cells, and where a contour may run: not at the rim of what is known.

    Parameters
    ----------
    out_m : ndarray, shape (rows, columns)
        NaN where unknown.
    """
    known = np.isfinite(out_m)
    if not known.any():
        return np.zeros_like(out_m), known
    filled = np.where(known, out_m, np.float32(np.median(out_m[known])))
    calm = cv2.GaussianBlur(cv2.medianBlur(filled, 5), (0, 0), _CALM_CELLS)
    inner = cv2.erode(known.astype(np.uint8), np.ones((5, 5), np.uint8), borderValue=0) > 0
    return np.asarray(calm, dtype=np.float32), inner


def contour_steps(calm: NDArray[np.float32], known: NDArray[np.bool_], every_m: float) -> range:
    """Whole steps that the relief passes.

    Raises
    ------
    InputError
        So many that they could not be told apart.
    """
    lowest, highest = (float(q) for q in np.percentile(calm[known], (0.1, 99.9)))
    first, last = math.ceil(lowest / every_m), math.floor(highest / every_m)
    if last - first > _MOST_CONTOURS:
        raise InputError(
            f"{last - first + 1} contours cannot be told apart",
            f"Take a step of {(highest - lowest) / 20 * 1000:.0f} mm or more.",
        )
    return range(first, last + 1)


def contour_lines(relief: Relief, every_m: float) -> list[Contour]:
    """Contours as lines on the wall; they end where nothing is known.

    Parameters
    ----------
    relief : Relief
    every_m : float
        Distance of contours.

    Raises
    ------
    InputError
        So many that they could not be told apart.
    """
    from skimage.measure import find_contours

    traced: Callable[..., list[NDArray[np.float64]]] = find_contours  # it says nothing of its types
    calm, inner = calmed(relief.out_m.astype(np.float32))
    if not inner.any():
        return []
    grid, found = relief.grid, []
    for number in contour_steps(calm, inner, every_m):
        for line in traced(calm, number * every_m, mask=inner):
            if len(line) >= _SHORTEST:
                on_wall = grid.wall_from_pixel(line[:, 1], line[:, 0])
                found.append(Contour(out_m=number * every_m, line_m=on_wall))
    return found


def nice_range(known_m: Floats, *, inches: bool = False) -> tuple[float, float, float]:
    """Round ends and step of a legend, metres, that hold 99 of 100 cells.

    Parameters
    ----------
    known_m : ndarray
        Finite values.
    inches : bool
        Round in inches.
    """
    low, high = (
        (float(q) for q in np.percentile(known_m, (0.5, 99.5))) if known_m.size else (0.0, 0.01)
    )
    step = step_that_reads(max(high - low, 0.002), most=7, inches=inches)
    return math.floor(low / step) * step, math.ceil(high / step) * step, step


def step_that_reads(wide_m: float, *, most: int, inches: bool = False) -> float:
    """The finest round step of which no more than so many fit into a range.

    Parameters
    ----------
    wide_m : float
        Width of the range.
    most : int
    inches : bool
        Round in inches.
    """
    steps = _STEPS_INCH_M if inches else _STEPS_M
    return next((s for s in steps if wide_m / s <= most), steps[-1])
