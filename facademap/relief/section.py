"""A section along a line drawn on the wall: how far each place of it stands out."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from facademap.errors import InputError
from facademap.relief.build import Relief
from facademap.values import frozen_value

__all__ = ["Section", "section_along"]

Floats = NDArray[np.floating[Any]]
_MOST_PLACES = 50_000


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """Places along a line, a cell apart.

    Parameters
    ----------
    along_m : ndarray, shape (n,)
        From the first end.
    place_m : ndarray, shape (n, 2)
        Along and up the wall.
    out_m, sigma_m : ndarray, shape (n,)
        NaN where unknown.
    """

    along_m: Floats
    place_m: Floats
    out_m: Floats
    sigma_m: Floats


def section_along(
    relief: Relief, start_m: tuple[float, float], end_m: tuple[float, float]
) -> Section:
    """Read the cells that a line crosses; nothing is interpolated, so that a joint keeps its depth.

    Parameters
    ----------
    relief : Relief
    start_m, end_m : tuple of float
        Along and up the wall.

    Raises
    ------
    InputError
        A line without length, too long, or beside the relief.
    """
    length = math.hypot(end_m[0] - start_m[0], end_m[1] - start_m[1])
    cell = relief.grid.gsd_m
    if not (math.isfinite(length) and cell <= length <= cell * _MOST_PLACES):
        raise InputError(
            f"a section of {length:g} m cannot be read from cells of {cell * 1000:g} mm",
            "Give two ends on the wall, in metres: u0,v0,u1,v1.",
        )
    along = np.arange(0.0, length + cell / 2, cell)
    share = along / length
    u = start_m[0] + share * (end_m[0] - start_m[0])
    v = start_m[1] + share * (end_m[1] - start_m[1])
    j = np.floor((u - relief.grid.left_m) / cell).astype(int)
    i = np.floor((relief.grid.top_m - v) / cell).astype(int)
    within = (j >= 0) & (i >= 0) & (j < relief.grid.width_px) & (i < relief.grid.height_px)
    out_m, sigma_m = (np.full(len(along), np.nan) for _ in range(2))
    out_m[within] = relief.out_m[i[within], j[within]]
    sigma_m[within] = relief.sigma_m[i[within], j[within]]
    if not np.isfinite(out_m).any():
        raise InputError(
            "the section crosses no cell of which anything is known",
            f"Draw it within u {relief.grid.extent.u0_m:.2f} to {relief.grid.extent.u1_m:.2f}, "
            f"v {relief.grid.extent.v0_m:.2f} to {relief.grid.extent.v1_m:.2f} m.",
        )
    return Section(along_m=along, place_m=np.stack([u, v], axis=1), out_m=out_m, sigma_m=sigma_m)
