"""How the face of a wall stone lies in the wall: stand-out, lean, turn and planarity, from a relief."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from facademap.relief.build import Relief
from facademap.relief.robust import plane_of

__all__ = ["StoneFace", "face_of_stone"]

_95 = 1.959964
#: The rim of a stone is rounded and its joint dark: cells so near the outline are left out.
_RIM_M = 0.012
_FEWEST_CELLS = 60
#: Cells along one side that share their error.
_SHARED = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class StoneFace:
    """The plane through the face of one stone.

    Parameters
    ----------
    stand_out_m : float
        Its middle before the wall frame; negative behind it.
    plus_minus_95_m : float
        Of ``stand_out_m``.
    lean_out_m_m : float
        Metres out per metre up: positive leans out at the top.
    turn_m_m : float
        Metres out per metre to the right.
    planarity_m : float
        Robust standard deviation of the face about its plane; the noise of the relief is in it.
    known_share : float
    """

    stand_out_m: float
    plus_minus_95_m: float
    lean_out_m_m: float
    turn_m_m: float
    planarity_m: float
    known_share: float


def face_of_stone(relief: Relief, inside: NDArray[np.bool_]) -> StoneFace | None:
    """The plane through the cells of an outline, without its rim and what is lost of it.

    Parameters
    ----------
    relief : Relief
    inside : ndarray of bool, shape (rows, columns)

    Returns
    -------
    StoneFace or None
        None where too little is known.
    """
    cell = relief.grid.gsd_m
    reach = cv2.distanceTransform(np.pad(inside, 1).astype(np.uint8), cv2.DIST_L2, 5)[1:-1, 1:-1]
    core = inside & (reach * cell > _RIM_M)
    if core.sum() < _FEWEST_CELLS:
        core = inside
    known = core & np.isfinite(relief.out_m)
    if known.sum() < _FEWEST_CELLS:
        return None
    i, j = np.nonzero(known)
    mid_i, mid_j = float(i.mean()), float(j.mean())
    design: NDArray[np.floating[Any]] = np.stack(
        [np.ones(len(i)), (j - mid_j) * cell, (mid_i - i) * cell], axis=1
    )
    plane = plane_of(design, relief.out_m[known].astype(float))
    independent = max(1.0, len(i) / _SHARED**2)
    own = float(np.mean(relief.sigma_m[known].astype(float) ** 2)) / independent
    return StoneFace(
        stand_out_m=float(plane.terms[0]),
        plus_minus_95_m=_95 * float(np.sqrt(own + plane.scatter**2 / independent)),
        lean_out_m_m=float(plane.terms[2]),
        turn_m_m=float(plane.terms[1]),
        planarity_m=plane.scatter,
        known_share=float(known.sum() / core.sum()),
    )
