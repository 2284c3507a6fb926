"""Positions, lengths and areas measured in a photo, each with its range at 95 %.

References
----------
.. [1] E. M. Mikhail, "Observations and Least Squares", 1976: propagation of covariance.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from facademap.errors import InputError
from facademap.photo.plane import PlaneView

__all__ = [
    "FACTOR_95_AXIS",
    "FACTOR_95_RADIUS",
    "Measured",
    "measure_area",
    "measure_length",
    "measure_position",
]

Floats = NDArray[np.floating[Any]]

#: 95 % of a normal distribution lie within so many standard deviations.
FACTOR_95_AXIS = 1.95996
#: 95 % of a round two-dimensional normal distribution lie within so many standard deviations of one axis.
FACTOR_95_RADIUS = 2.44775


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """A measured value and its uncertainty, all in the unit of the value.

    Parameters
    ----------
    value : float
        Metres or square metres (for a position: its distance from itself, 0).
    sigma : float
        One standard deviation (for a position: radial, both axes together).
    plus_minus_95 : float
        Half width of the range (for a position: radius) that holds the true value with 95 %.
    """

    value: float
    sigma: float
    plus_minus_95: float


def _places(places_m: ArrayLike, least: int, what: str) -> Floats:
    places = np.asarray(places_m, dtype=float)
    if (
        places.ndim != 2
        or places.shape[1] != 2
        or len(places) < least
        or not np.isfinite(places).all()
    ):
        raise InputError(
            f"{what} needs at least {least} places with finite u and v", "Pick the places again."
        )
    return places


def measure_position(
    view: PlaneView, place_m: ArrayLike, *, pick_px: float | None = None
) -> Measured:
    """Uncertainty of one place measured in the photo.

    Parameters
    ----------
    view : PlaneView
    place_m : array_like, shape (2,)
    pick_px : float, optional
        One-sigma precision of picking, per axis; default: as good as the control.
    """
    place = _places(np.atleast_2d(np.asarray(place_m, dtype=float)), 1, "a position")[0]
    covariance = view.covariance_m2(place[0], place[1], pick_px=pick_px)
    sigma = math.sqrt(float(np.trace(covariance)))
    # the longer axis of the ellipse makes the radius safe when the ellipse is not round
    longest = math.sqrt(float(np.linalg.eigvalsh(covariance)[-1]))
    return Measured(value=0.0, sigma=sigma, plus_minus_95=FACTOR_95_RADIUS * longest)


def measure_length(
    view: PlaneView, places_m: ArrayLike, *, pick_px: float | None = None
) -> Measured:
    """Length of a line through places measured in the photo.

    Parameters
    ----------
    view : PlaneView
    places_m : array_like, shape (n, 2)
        Two or more places.
    pick_px : float, optional
    """
    places = _places(places_m, 2, "a length")
    step = np.diff(places, axis=0)
    length = np.hypot(step[:, 0], step[:, 1])
    if not (length > 0).all():
        raise InputError("two places of a line are the same", "Pick different places.")
    unit = step / length[:, None]
    gradient = np.zeros_like(places)
    gradient[1:] += unit
    gradient[:-1] -= unit
    return _propagated(view, places, float(length.sum()), gradient, pick_px)


def measure_area(view: PlaneView, ring_m: ArrayLike, *, pick_px: float | None = None) -> Measured:
    """Area of a ring of places measured in the photo (closed by itself, either sense).

    Parameters
    ----------
    view : PlaneView
    ring_m : array_like, shape (n, 2)
        Three or more corners; the first is not repeated.
    pick_px : float, optional
    """
    ring = _places(ring_m, 3, "an area")
    if np.array_equal(ring[0], ring[-1]):
        ring = _places(ring[:-1], 3, "an area")
    following, before = np.roll(ring, -1, axis=0), np.roll(ring, 1, axis=0)
    signed = float(np.sum(ring[:, 0] * following[:, 1] - following[:, 0] * ring[:, 1])) / 2
    gradient = (
        np.stack([following[:, 1] - before[:, 1], before[:, 0] - following[:, 0]], axis=1) / 2
    )
    return _propagated(view, ring, abs(signed), gradient, pick_px)


def _propagated(
    view: PlaneView, places: Floats, value: float, gradient: Floats, pick_px: float | None
) -> Measured:
    covariance = view.joint_covariance_m2(places, pick_px=pick_px)
    row = gradient.ravel()
    sigma = math.sqrt(max(float(row @ covariance @ row), 0.0))
    return Measured(value=value, sigma=sigma, plus_minus_95=FACTOR_95_AXIS * sigma)
