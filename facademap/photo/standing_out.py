"""How far control stands out of its plane, told from the pattern of its residuals.

A place that stands out by w is seen shifted away from the foot of the camera by w r / D, r being its distance from that
foot and D the distance of the camera. Picking errors are alike all over a picture, these grow from the foot
outwards and point along the radius; two variances are told apart by that.

References
----------
.. [1] H. D. Patterson, R. Thompson, "Recovery of inter-block information when block sizes are unequal", Biometrika 58
   (1971) 545-554: likelihood of variance components from residuals alone.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from facademap.values import frozen_value

__all__ = ["StandingOut", "split_scatter"]

Floats = NDArray[np.floating[Any]]

#: Shares of the scatter that relief may have, each as likely as the next before the points are looked at, and so many
#: times likelier that there is none at all: a board, a smooth wall (common practice; it decides where points are few).
_SHARES = np.array([0.0, 0.2, 0.4, 0.6, 0.75, 0.85, 0.92, 0.97])
_FLAT = 4.0
#: Variances tried, as multiples of the one that the residuals suggest; each as likely as the next.
_VARIANCES = np.geomspace(0.1, 30.0, 13)
#: More points than these tell the split no better than is needed.
_MOST_POINTS = 60


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class StandingOut:
    """How far places stand out of a plane, and how that moves them in one photo.

    Parameters
    ----------
    sigma : float
        One sigma, in the unit of the wall coordinates.
    foot : ndarray, shape (2,)
        Foot of the camera on the plane, same unit.
    distance : float
        Of the camera from the plane, same unit.
    """

    sigma: float
    foot: Floats
    distance: float

    def shift(self, wall: Floats) -> Floats:
        """Shift on the plane of places that stand out by one unit, shape (n, 2)."""
        return np.asarray((wall - self.foot) / self.distance)

    def covariance(self, wall: Floats) -> Floats:
        """Covariance of that shift, each place for itself, shape (n, 2, 2)."""
        shift = self.sigma * self.shift(wall)
        return np.asarray(shift[:, :, None] * shift[:, None, :])


def split_scatter(
    miss: Floats, by_homography: Floats, by_lens: Floats, shift: Floats, held: tuple[Floats, Floats]
) -> tuple[float, float]:
    """Split the scatter of residuals into an even part and one along the shift of relief.

    Parameters
    ----------
    miss : ndarray, shape (2 n,)
        Seen minus expected with the lens as believed, whitened so that its scatter is near 1.
    by_homography : ndarray, shape (2 n, 8)
        Its derivative by what is free.
    by_lens : ndarray, shape (2 n, k)
        The same by lens terms, each in units of its believed spread.
    shift : ndarray, shape (n, 2)
        Whitened shift of each point that stands out by one unit.
    held : tuple of ndarray, shapes (j,) and (j, 8)
        Conditions on the homography (value and derivative, in units of their sigma).

    Returns
    -------
    even, relief : float
        Variance of the even part (1: as whitened) and variance of what stands out, in squares of the unit of ``shift``:
        means over all that the residuals allow, each with its likelihood. So few points that tell little give a large
        mean, and 95 % lie within 1.96 of its roots.
    """
    chosen = np.unique(np.linspace(0, len(shift) - 1, min(len(shift), _MOST_POINTS)).astype(int))
    shift, flat = shift[chosen], np.stack([2 * chosen, 2 * chosen + 1], axis=1).ravel()
    mean_square = float(np.mean(np.sum(shift**2, axis=1)))
    if mean_square <= 0:
        return 1.0, 0.0
    n = len(shift)
    pattern = np.zeros((2 * n, 2 * n))
    for i, one in enumerate(shift):
        pattern[2 * i : 2 * i + 2, 2 * i : 2 * i + 2] = np.outer(one, one) * (2.0 / mean_square)
    # only combinations that no homography can take up say anything
    x = np.vstack([by_homography[flat], held[1]])
    basis = np.linalg.svd(x)[0][:, x.shape[1] :]
    z, own, lens = basis.T @ np.r_[miss[flat], held[0]], basis[: 2 * n], by_lens[flat].T
    fixed = basis[2 * n :].T @ basis[2 * n :] + (lens @ own).T @ (lens @ own)
    logs, variances = [], []
    for share in _SHARES:
        scatter = own.T @ ((1.0 - share) * np.eye(2 * n) + share * pattern) @ own
        for variance in _VARIANCES:
            # a lens believed in widely makes it nearly singular beside its largest values: no Cholesky root then
            spread, ways = np.linalg.eigh(variance * scatter + fixed)
            least = 1e-9 * variance * float(np.trace(scatter)) / len(z)
            spread = np.maximum(spread, least)
            logs.append(-0.5 * float(np.sum(np.log(spread) + (ways.T @ z) ** 2 / spread)))
            variances.append(((1.0 - share) * variance, share * variance * 2.0 / mean_square))
    believed = np.log(np.where(_SHARES > 0, 1.0, _FLAT))[:, None]
    likely = np.reshape(logs, (len(_SHARES), -1)) + believed
    weight = np.exp(likely - likely.max()).ravel()
    even, relief = (weight / weight.sum()) @ np.array(variances)
    return float(even), float(relief)
