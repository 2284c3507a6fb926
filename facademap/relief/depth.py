"""Depth of a loss below the sound face round it, from a relief.

The face is not the plane of the wall: stones stand out and lean. So a plane is laid through the cells just outside the
outline, again and again with less weight for what lies off it (joints, other damage), and the depth is measured from it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from facademap.relief.build import Relief
from facademap.relief.robust import plane_of

__all__ = ["DepthRules", "MeasuredDepth", "depth_below_face"]

Mask = NDArray[np.bool_]
_95 = 1.959964


@dataclass(frozen=True, slots=True, kw_only=True)
class DepthRules:
    """Settings of a depth measurement.

    Parameters
    ----------
    gap_m, ring_m : float
        The face is taken from cells between these distances outside the outline.
    fewest_cells : int
        Known cells of the face.
    deep_share : float
        Share of the deepest cells whose edge is given as the deepest place (a single cell may be wrong).
    shared_cells : int
        Cells along one side that share their error.
    """

    gap_m: float = 0.006
    ring_m: float = 0.060
    fewest_cells: int = 60
    deep_share: float = 0.05
    shared_cells: int = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredDepth:
    """Depth within one outline, into the wall positive.

    Parameters
    ----------
    area_m2 : float
    known_share : float
        Of its cells.
    mean_m, deepest_m : float
        ``deepest_m`` is exceeded by 5 % of the known cells.
    plus_minus_95_m : float
        Of the mean: the face, the cells, and what is not known.
    volume_m3 : float
        Mean times area.
    face_scatter_m : float
        Scatter of the face round the outline about its plane.
    """

    area_m2: float
    known_share: float
    mean_m: float
    deepest_m: float
    plus_minus_95_m: float
    volume_m3: float
    face_scatter_m: float


def depth_below_face(
    relief: Relief, inside: Mask, *, others: Sequence[Mask] = (), rules: DepthRules | None = None
) -> MeasuredDepth | None:
    """Depth of the cells of a mask below the face round it.

    Parameters
    ----------
    relief : Relief
    inside : ndarray of bool, shape (rows, columns)
        Cells of the outline.
    others : sequence of ndarray of bool
        Cells of other damage, which are no face.
    rules : DepthRules, optional

    Returns
    -------
    MeasuredDepth or None
        None where too little of the face or of the outline is known.

    References
    ----------
    A. Beaton, J. Tukey, "The fitting of power series", Technometrics 16 (1974) 147-185, for the plane of the face; the margins
    are settings (common practice).
    """
    rules = rules or DepthRules()
    window = _window(inside, round(rules.ring_m / relief.grid.gsd_m) + 2)
    if window is None:
        return None
    out_m, sigma_m, here = relief.out_m[window], relief.sigma_m[window], inside[window]
    away = cv2.distanceTransform((~here).astype(np.uint8), cv2.DIST_L2, 5) * relief.grid.gsd_m
    face = (away > rules.gap_m) & (away <= rules.ring_m) & np.isfinite(out_m)
    for other in others:
        face &= ~other[window]
    known = here & np.isfinite(out_m)
    if face.sum() < rules.fewest_cells or not known.any():
        return None
    plane, scatter, plane_sigma = _face(out_m, face, known, rules)
    depth = (plane - out_m)[known].astype(float)
    share = float(known.sum() / here.sum())
    independent = max(1.0, known.sum() / rules.shared_cells**2)
    own = float(np.mean(sigma_m[known].astype(float) ** 2)) / independent
    guess = (1 - share) * float(depth.std())
    area = float(here.sum()) * relief.grid.gsd_m**2
    mean = float(depth.mean())
    return MeasuredDepth(
        area_m2=area,
        known_share=share,
        mean_m=mean,
        deepest_m=float(np.quantile(depth, 1 - rules.deep_share)),
        plus_minus_95_m=_95 * math.sqrt(own + plane_sigma**2 + guess**2),
        volume_m3=mean * area,
        face_scatter_m=scatter,
    )


def _window(inside: Mask, grow: int) -> tuple[slice, slice] | None:
    rows, columns = np.flatnonzero(inside.any(axis=1)), np.flatnonzero(inside.any(axis=0))
    if not len(rows):
        return None
    return (
        slice(max(0, int(rows[0]) - grow), int(rows[-1]) + grow + 1),
        slice(max(0, int(columns[0]) - grow), int(columns[-1]) + grow + 1),
    )


def _face(
    out_m: NDArray[np.floating[Any]], face: Mask, known: Mask, rules: DepthRules
) -> tuple[NDArray[np.floating[Any]], float, float]:
    """The plane of the face at every cell, its scatter, and the standard deviation of its mean over the outline."""
    rows, columns = out_m.shape
    y, x = np.mgrid[0:rows, 0:columns]
    terms = np.stack([np.ones(out_m.shape), x / columns - 0.5, y / rows - 0.5], axis=-1)
    design = terms[face]
    plane = plane_of(design, out_m[face].astype(float))
    weight = plane.weight
    normal = (design * weight[:, None]).T @ design
    middle = terms[known].mean(axis=0)
    spread = float(middle @ np.linalg.pinv(normal) @ middle)
    return (
        terms @ plane.terms,
        plane.scatter,
        plane.scatter * math.sqrt(spread) * rules.shared_cells,
    )
