"""How long the work on a repair takes: low, likely and high, by kind of work.

References
----------
Common practice; an office puts its own hours in their place.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from facademap.errors import InputError

__all__ = ["Hours", "WorkRates", "hours_of_repair"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Hours:
    """Hours of one crew: low, likely, high."""

    low_h: float
    likely_h: float
    high_h: float

    def __post_init__(self) -> None:
        if not 0 <= self.low_h <= self.likely_h <= self.high_h:
            raise InputError(
                f"{self.low_h:g}, {self.likely_h:g} and {self.high_h:g} hours do not rise",
                "Give low, likely and high, each at least the one before.",
            )

    def __add__(self, other: Hours) -> Hours:
        return Hours(
            low_h=self.low_h + other.low_h,
            likely_h=self.likely_h + other.likely_h,
            high_h=self.high_h + other.high_h,
        )

    def times(self, amount: float) -> Hours:
        """So many times as long."""
        return Hours(
            low_h=self.low_h * amount, likely_h=self.likely_h * amount, high_h=self.high_h * amount
        )


def _hours(low: float, likely: float, high: float) -> Hours:
    return Hours(low_h=low, likely_h=likely, high_h=high)


@dataclass(frozen=True, slots=True, kw_only=True)
class WorkRates:
    """How long work takes; common practice, to be replaced by the office's own figures.

    Parameters
    ----------
    set_up : Hours
        Setting out, protecting and clearing, each pieced repair.
    inset_per_dm3 : Hours
        Cutting out by hand and fitting an inset, by volume of stone taken out.
    whole_per_m2 : Hours
        Taking out a whole stone, dressing and setting another, by its face: joints are cut and
        the stone is drawn, so that its volume counts for little.
    whole_per_lift : Hours
        Rigging and hoisting a whole stone, each lift above the first.
    small_set_up : Hours
        Each repair of surface or joints.
    surface_per_m2, joint_per_m : Hours
        Surface work by area, pointing by length.
    day_h : float
        Working hours of a crew in a day.
    own : mapping of treatment to (low, likely, high)
        Times of the likely hours, from hours that an office booked (:mod:`facademap.repair.own_rates`).
    """

    set_up: Hours = field(default_factory=lambda: _hours(2.0, 3.0, 5.0))
    inset_per_dm3: Hours = field(default_factory=lambda: _hours(1.0, 1.5, 2.5))
    whole_per_m2: Hours = field(default_factory=lambda: _hours(15.0, 25.0, 45.0))
    whole_per_lift: Hours = field(default_factory=lambda: _hours(0.25, 0.5, 1.0))
    small_set_up: Hours = field(default_factory=lambda: _hours(0.25, 0.5, 1.0))
    surface_per_m2: Hours = field(default_factory=lambda: _hours(2.0, 4.0, 8.0))
    joint_per_m: Hours = field(default_factory=lambda: _hours(0.5, 1.0, 1.5))
    day_h: float = 7.0
    own: Mapping[str, tuple[float, float, float]] = field(default_factory=dict)
    source: str = "common practice"
    status: str = "practice"


def hours_of_repair(
    treatment: str,
    amounts: Mapping[str, float],
    *,
    lift: int = 0,
    rates: WorkRates | None = None,
) -> Hours:
    """Hours of one crew on one repair.

    Parameters
    ----------
    treatment : str
    amounts : mapping
        ``removed_volume_m3``, ``area_m2`` of the face, ``length_m`` of joints or cracks; what is
        missing counts nothing.
    lift : int
        Lift of the scaffold, 0 the lowest.
    rates : WorkRates, optional
        Common practice without it.

    Examples
    --------
    >>> hours_of_repair("whole stone", {"area_m2": 0.3, "removed_volume_m3": 0.08}).likely_h
    10.5
    """
    r = rates or WorkRates()
    told = _told(treatment, amounts, lift, r)
    if treatment not in r.own:
        return told
    low, likely, high = (told.likely_h * times for times in r.own[treatment])
    return Hours(low_h=low, likely_h=likely, high_h=high)


def _told(treatment: str, amounts: Mapping[str, float], lift: int, r: WorkRates) -> Hours:
    area, length = amounts.get("area_m2", 0.0), amounts.get("length_m", 0.0)
    if treatment == "whole stone":
        return r.set_up + r.whole_per_m2.times(area) + r.whole_per_lift.times(max(lift, 0))
    if treatment == "inset":
        return r.set_up + r.inset_per_dm3.times(amounts.get("removed_volume_m3", 0.0) * 1000)
    if treatment == "repoint":
        return r.small_set_up + r.joint_per_m.times(length)
    return r.small_set_up + r.surface_per_m2.times(max(area, 0.05 * length))
