"""A plane through cells of which some are no part of it: least squares repeated with less weight for what lies off.

References
----------
.. [1] A. Beaton, J. Tukey, "The fitting of power series, meaning polynomials, illustrated on band-spectroscopic data",
   Technometrics 16 (1974) 147-185 (the biweight).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from facademap.values import frozen_value

__all__ = ["RobustPlane", "plane_of"]

Floats = NDArray[np.floating[Any]]

#: Tuning constant of the biweight at 95 % efficiency.
_TUKEY = 4.685
_LEAST_SCATTER_M = 1e-4


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class RobustPlane:
    """Terms of a plane.

    Parameters
    ----------
    terms : ndarray, shape (n,)
        One for each column of the design.
    scatter : float
        Robust standard deviation about it.
    weight : ndarray, shape (m,)
        0 to 1, of each value.
    """

    terms: Floats
    scatter: float
    weight: Floats


def plane_of(design: Floats, value: Floats, *, rounds: int = 25) -> RobustPlane:
    """Fit ``design @ terms = value``; the first column is taken as the constant.

    Parameters
    ----------
    design : ndarray, shape (m, n)
    value : ndarray, shape (m,)
    rounds : int
    """
    terms: Floats = np.zeros(design.shape[1])
    terms[0] = float(np.median(value))
    weight: Floats = np.ones(len(value))
    scatter = _LEAST_SCATTER_M
    for _ in range(rounds):
        miss = value - design @ terms
        scatter = max(1.4826 * float(np.median(np.abs(miss))), _LEAST_SCATTER_M)
        weight = np.clip(1 - (miss / (_TUKEY * scatter)) ** 2, 0, None) ** 2
        root = np.sqrt(weight)[:, None]
        new = np.linalg.lstsq(design * root, value * root[:, 0], rcond=None)[0]
        if np.allclose(new, terms, atol=1e-9):
            break
        terms = new
    return RobustPlane(terms=terms, scatter=scatter, weight=weight)
