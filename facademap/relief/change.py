"""What changed between two reliefs of one wall, and from which size on a change can be told.

References
----------
.. [1] D. Lague, N. Brodu, J. Leroux, "Accurate 3D comparison of complex topography with terrestrial laser scanner",
   ISPRS Journal 82 (2013) 10-26, equation 1: the level of detection at 95 % is 1.96 times the root of the sum of both
   variances, and the error of registration beside it. Here the error of registration is the third variance, since it
   is estimated as a standard deviation.
.. [2] J. Wheaton et al., "Accounting for uncertainty in DEMs from repeat topographic surveys", Earth Surface Processes
   and Landforms 35 (2010) 136-156 (spatially uniform and correlated errors of volumes).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from facademap.errors import InputError
from facademap.relief.build import Relief
from facademap.values import frozen_value

__all__ = ["Change", "PatchChange", "change_in_patch", "change_of_reliefs"]

Floats32 = NDArray[np.float32]

#: Two-sided normal quantile at 95 %.
_95 = 1.959964
#: Cells along one side that share their error, since neighbouring windows share their pixels.
_SHARED = 5
#: Where the differences are read that tell how much of the stated precision is left: 85 of 100 cells lie within 1.44 of a
#: normal one. Least of it that is believed, and fewest cells.
_QUANTILE, _NORMAL_QUANTILE, _LEAST_SHARE, _FEWEST_CELLS = 0.85, 1.439531, 0.35, 400
#: Side of the pieces of wall whose medians tell how well the surveys agree, cells, and fewest of them.
_BLOCK, _FEWEST_BLOCKS = 24, 6


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """New minus old.

    Parameters
    ----------
    difference : Relief
        ``out_m`` is the difference, ``sigma_m`` its standard deviation with the registration in it.
    detection_m : ndarray of float32, shape (rows, columns)
        Level of detection at 95 %.
    offset_m : float
        Median difference of stone that is taken as stable; not taken off.
    registration_m : float
        Standard deviation of the agreement of the two surveys on stable stone, the offset counted in.
    removed : tuple of 3 float
        Offset (m) and slopes along u and v that were taken off the difference; zeros where nothing was.
    """

    difference: Relief
    detection_m: Floats32
    offset_m: float
    registration_m: float
    removed: tuple[float, float, float] = (0.0, 0.0, 0.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class PatchChange:
    """Change within one outline.

    Parameters
    ----------
    area_m2 : float
        Of the cells whose middle lies within it.
    known_share : float
    mean_change_m, plus_minus_95_m : float
        NaN where no cell is known in both surveys.
    volume_change_m3 : float
        Mean change times area: unknown cells count as the mean of the known ones.
    significant : bool
        At 95 % over all outlines that were asked about together.
    """

    area_m2: float
    known_share: float
    mean_change_m: float
    plus_minus_95_m: float
    volume_change_m3: float
    significant: bool


def change_of_reliefs(old: Relief, new: Relief, *, align: bool | None = None) -> Change:
    """Difference of two reliefs on the same cells, with its level of detection.

    Parameters
    ----------
    old, new : Relief
        On one grid.
    align : bool, optional
        Whether offset and tilt of stable stone between the surveys are taken off first. Default: where the precision of
        both explains them; an offset counts as an error of registration else, so that nothing that could be told is lost.

    Raises
    ------
    InputError
        Different grids, or no cell known in both.
    """
    if old.grid != new.grid:
        raise InputError(
            "the two reliefs lie on different cells", "Make both over the same extent and cell."
        )
    difference = (new.out_m.astype(float) - old.out_m).astype(np.float32)
    if not np.isfinite(difference).any():
        raise InputError(
            "no cell is known in both reliefs",
            "Compare surveys of the same part of the wall, in the same wall frame.",
        )
    removed = (0.0, 0.0, 0.0)
    if align or (align is None and len(_blocks(difference)) >= _FEWEST_BLOCKS):
        plane, terms = _stable_plane(difference, old)
        if align or float(np.sqrt(np.mean(plane**2))) <= _explained_m(old, new):
            difference, removed = difference - plane, terms
    offset, registration = _agreement(difference)
    own = np.sqrt(old.sigma_m**2 + new.sigma_m**2)
    own *= np.float32(_own_share(difference - np.float32(offset), own))
    sigma = np.sqrt(own**2 + np.float32(registration) ** 2)
    sigma[~np.isfinite(difference)] = np.nan
    return Change(
        difference=Relief(grid=old.grid, out_m=difference, sigma_m=sigma),
        detection_m=np.asarray(_95 * sigma, dtype=np.float32),
        offset_m=offset,
        registration_m=registration,
        removed=removed,
    )


def change_in_patch(change: Change, mask: NDArray[np.bool_], *, outlines: int = 1) -> PatchChange:
    """Mean change of the cells of a mask.

    Parameters
    ----------
    change : Change
    mask : ndarray of bool, shape (rows, columns)
    outlines : int
        How many are asked about in one go: of a hundred that did not change five would differ by more than their plus or
        minus at 95 %, so that each must differ by more to be told as changed (Bonferroni).

    Returns
    -------
    PatchChange
        The plus or minus holds the cells' own scatter, thinned since neighbours share their error, and all of the
        registration, since it does not average out.
    """
    cell = change.difference.grid.gsd_m
    value = change.difference.out_m[mask].astype(float)
    known = np.isfinite(value)
    area = float(mask.sum()) * cell**2
    if not known.any():
        return PatchChange(
            area_m2=area,
            known_share=0.0,
            mean_change_m=math.nan,
            plus_minus_95_m=math.nan,
            volume_change_m3=math.nan,
            significant=False,
        )
    mean = float(value[known].mean())
    own = change.difference.sigma_m[mask].astype(float)[known] ** 2 - change.registration_m**2
    independent = max(1.0, known.sum() / _SHARED**2)
    missing = float(1 - known.mean())
    # unknown cells may have changed by what the known ones scatter
    guess = missing * float(value[known].std()) if known.sum() > 1 else 0.0
    sigma = math.sqrt(
        max(float(own.mean()), 0.0) / independent + change.registration_m**2 + guess**2
    )
    return PatchChange(
        area_m2=area,
        known_share=float(known.mean()),
        mean_change_m=mean,
        plus_minus_95_m=_95 * sigma,
        volume_change_m3=mean * area,
        significant=abs(mean) > float(ndtri(1 - 0.025 / max(1, outlines))) * sigma,
    )


def _explained_m(old: Relief, new: Relief) -> float:
    """Difference of two surveys as a whole that their stated precision explains at 95 %."""
    return _95 * math.hypot(*(float(np.nanmedian(r.sigma_m)) for r in (old, new)))


def _own_share(difference: Floats32, stated: Floats32) -> float:
    """Factor on the stated precision, from what the cells themselves show.

    Two surveys of one wall see the same arrises and joints, and err alike there: less of it is left in the difference
    than both precisions together say. At most as stated; a wall of which much has changed tells nothing, and stays so.
    """
    with np.errstate(invalid="ignore", divide="ignore"):
        size = np.abs(difference / stated)
    known = size[np.isfinite(size)]
    if known.size < _FEWEST_CELLS:
        return 1.0
    return float(np.clip(np.quantile(known, _QUANTILE) / _NORMAL_QUANTILE, _LEAST_SHARE, 1.0))


def _blocks(difference: Floats32) -> NDArray[np.floating[Any]]:
    rows, columns = difference.shape
    found = []
    for i in range(0, rows, _BLOCK):
        for j in range(0, columns, _BLOCK):
            part = difference[i : i + _BLOCK, j : j + _BLOCK]
            good = np.isfinite(part)
            if good.sum() >= part.size / 2:
                found.append((float(np.median(part[good])), i + _BLOCK / 2, j + _BLOCK / 2))
    return np.array(found).reshape(-1, 3)


def _agreement(difference: Floats32) -> tuple[float, float]:
    """Median difference of stable stone, and the standard deviation of agreement with the median counted in.

    Most of a wall has not changed: medians of pieces of wall, and their median and spread, rest on that majority.
    """
    medians = _blocks(difference)[:, 0]
    if len(medians) < _FEWEST_BLOCKS:
        medians = difference[np.isfinite(difference)].astype(float)
    offset = float(np.median(medians))
    spread = 1.4826 * float(np.median(np.abs(medians - offset)))
    return offset, math.hypot(offset, spread)


def _stable_plane(difference: Floats32, old: Relief) -> tuple[Floats32, tuple[float, float, float]]:
    """Offset and tilt of stable stone, by repeated weighting (Tukey), at every cell."""
    blocks = _blocks(difference)
    rows, columns = difference.shape
    if len(blocks) < _FEWEST_BLOCKS:
        raise InputError(
            "too little is known in both reliefs to align them", "Compare them without --align."
        )
    value, i, j = blocks.T
    design = np.stack([np.ones_like(value), j / columns - 0.5, i / rows - 0.5], axis=1)
    weight = np.ones(len(value))
    terms = np.array([np.median(value), 0.0, 0.0])
    for _ in range(20):
        miss = value - design @ terms
        scale = max(1.4826 * float(np.median(np.abs(miss))), 1e-5)
        weight = np.clip(1 - (miss / (4.685 * scale)) ** 2, 0, None)
        root = weight[:, None]
        terms = np.linalg.lstsq(design * root, value * weight, rcond=None)[0]
    x, y = np.arange(columns) + 0.5, np.arange(rows) + 0.5
    plane = (
        terms[0] + terms[1] * (x[None, :] / columns - 0.5) + terms[2] * (y[:, None] / rows - 0.5)
    )
    grid = old.grid
    return plane.astype(np.float32), (
        float(terms[0]),
        float(terms[1] / (columns * grid.gsd_m)),
        float(-terms[2] / (rows * grid.gsd_m)),
    )
