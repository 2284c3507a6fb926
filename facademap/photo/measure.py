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
from facademap.photo.error_model import NORMAL_95, factor_95, half_range_95, radius_factor_95
from facademap.photo.plane import PlaneView
from facademap.photo.pose import find_pose

__all__ = [
    "Measured",
    "measure_area",
    "measure_length",
    "measure_position",
]

Floats = NDArray[np.floating[Any]]


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
        Half width of the range (for a position: radius) that holds the true value with 95 %; NaN where the points
        can vouch for nothing (no surplus and no given lens, or doubts about a point).
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
    view: PlaneView, place_m: ArrayLike, *, pick_px: float | None = None, relief_m: float = 0.0
) -> Measured:
    """Uncertainty of one place measured in the photo.

    Parameters
    ----------
    view : PlaneView
    place_m : array_like, shape (2,)
    pick_px : float, optional
        One-sigma precision of picking, per axis; default: as good as the control.
    relief_m : float
        How far such places stand out of the plane, one sigma, beyond what the control itself does.
    """
    place = _places(np.atleast_2d(np.asarray(place_m, dtype=float)), 1, "a position")[0]
    covariance = view.joint_covariance_m2(place[None], pick_px=pick_px)
    covariance = covariance + _relief_m2(view, place[None], relief_m)
    belief = view.belief_covariance_m2(place[None])
    bias = view.bias_m(place[None])[0]
    belief_and_bias = belief + np.outer(bias, bias)
    sigma = math.sqrt(float(np.trace(covariance) + bias @ bias))
    # the longer axis of the ellipse makes the radius safe when the ellipse is not round
    surplus = view.quality.surplus
    wide = (
        radius_factor_95(surplus) ** 2 * (covariance - belief)
        + radius_factor_95(0.0) ** 2 * belief_and_bias
    )
    longest = math.sqrt(max(float(np.linalg.eigvalsh(wide)[-1]), 0.0))
    return Measured(value=0.0, sigma=sigma, plus_minus_95=longest if view.can_vouch else math.nan)


def measure_length(
    view: PlaneView, places_m: ArrayLike, *, pick_px: float | None = None, relief_m: float = 0.0
) -> Measured:
    """Length of a line through places measured in the photo.

    Parameters
    ----------
    view : PlaneView
    places_m : array_like, shape (n, 2)
        Two or more places.
    pick_px, relief_m
        As for a position.

    Raises
    ------
    InputError
        Fewer than two places, one that is not finite, or two that are the same.
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
    return _propagated(view, places, float(length.sum()), gradient, pick_px, relief_m)


def measure_area(
    view: PlaneView, ring_m: ArrayLike, *, pick_px: float | None = None, relief_m: float = 0.0
) -> Measured:
    """Area of a ring of places measured in the photo (closed by itself, either sense).

    Parameters
    ----------
    view : PlaneView
    ring_m : array_like, shape (n, 2)
        Three or more corners; the first is not repeated.
    pick_px, relief_m
        As for a position.
    """
    ring = _places(ring_m, 3, "an area")
    if np.array_equal(ring[0], ring[-1]):
        ring = _places(ring[:-1], 3, "an area")
    following, before = np.roll(ring, -1, axis=0), np.roll(ring, 1, axis=0)
    signed = float(np.sum(ring[:, 0] * following[:, 1] - following[:, 0] * ring[:, 1])) / 2
    gradient = (
        np.stack([following[:, 1] - before[:, 1], before[:, 0] - following[:, 0]], axis=1) / 2
    )
    return _propagated(view, ring, abs(signed), gradient, pick_px, relief_m)


def _propagated(
    view: PlaneView,
    places: Floats,
    value: float,
    gradient: Floats,
    pick_px: float | None,
    relief_m: float,
) -> Measured:
    covariance = view.joint_covariance_m2(places, pick_px=pick_px)
    covariance = covariance + _relief_m2(view, places, relief_m)
    row = gradient.ravel()
    total = max(float(row @ covariance @ row), 0.0)
    belief = min(max(float(row @ view.belief_covariance_m2(places) @ row), 0.0), total)
    bias = float(row @ view.bias_m(places).ravel())
    student = factor_95(view.quality.surplus)
    spread = math.sqrt(student**2 * (total - belief) + NORMAL_95**2 * belief) / NORMAL_95
    half = half_range_95(bias, spread)
    return Measured(
        value=value,
        sigma=math.sqrt(total + bias**2),
        plus_minus_95=half if view.can_vouch else math.nan,
    )


def _relief_m2(view: PlaneView, places: Floats, relief_m: float) -> Floats:
    """Covariance of places that stand out of the plane by so much, one sigma, each for itself: r dZ / D outward."""
    result = np.zeros((2 * len(places), 2 * len(places)))
    if relief_m > 0:
        pose = find_pose(view)
        for i, offset in enumerate((places - pose.centre_m[:2]) * (relief_m / pose.distance_m)):
            result[2 * i : 2 * i + 2, 2 * i : 2 * i + 2] = np.outer(offset, offset)
    return result
