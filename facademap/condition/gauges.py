"""Monitoring points: readings of crack gauges, tell-tales and plumb lines, and what they tell of movement.

A wall moves with the seasons. A rate is told only over a year or more, warmth is taken off where it was read along,
and what cannot be told yet is said so.

References
----------
.. [1] N. R. Draper, H. Smith, "Applied regression analysis", 3rd ed. 1998, chapters 1 and 5 (slope and its interval).
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy import stats

__all__ = ["Gauge", "GaugeReading", "GaugeRules", "gauges_of"]

Verdict = Literal["beyond the limit", "moving", "still", "cannot be told yet"]
_YEAR_DAYS = 365.25
_95 = 1.959964


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeReading:
    """One reading.

    Parameters
    ----------
    gauge : str
    read_on : datetime.date
    value_m : float
    temperature_degc : float or None
    """

    gauge: str
    read_on: dt.date
    value_m: float
    temperature_degc: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeRules:
    """Limits; starting values of ours, to be set for each wall by its engineer.

    Parameters
    ----------
    limit_m : float
        Change since the first reading.
    rate_m_a_year : float
    reading_m : float
        Standard deviation of one reading.
    least_years : float
        Below it no rate is told: the seasons would be taken for movement.
    """

    limit_m: float = 0.001
    rate_m_a_year: float = 0.0005
    reading_m: float = 0.0001
    least_years: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Gauge:
    """What the readings of one point tell.

    Parameters
    ----------
    name : str
    readings : tuple of GaugeReading
        By day.
    change_m, change_plus_minus_95_m : float
        Last less first.
    rate_m_a_year, rate_plus_minus_95_m : float or None
        None where the readings are too few or too near together.
    by_warmth_m_degc : float or None
        Movement with warmth that was taken off; None without temperatures.
    verdict : str
    why : str
    rules : GaugeRules
        Limits that it was held against.
    """

    name: str
    readings: tuple[GaugeReading, ...]
    change_m: float
    change_plus_minus_95_m: float
    rate_m_a_year: float | None
    rate_plus_minus_95_m: float | None
    by_warmth_m_degc: float | None
    verdict: Verdict
    why: str
    rules: GaugeRules


def gauges_of(
    readings: Iterable[GaugeReading],
    rules: GaugeRules | None = None,
    *,
    own: Mapping[str, GaugeRules] | None = None,
) -> list[Gauge]:
    """Every point with what its readings tell, the most pressing first.

    Parameters
    ----------
    readings : iterable of GaugeReading
    rules : GaugeRules, optional
    own : mapping of str to GaugeRules, optional
        Limits of single points, which count before the others.
    """
    rules, own = rules or GaugeRules(), own or {}
    by_name: dict[str, list[GaugeReading]] = {}
    for reading in readings:
        by_name.setdefault(reading.gauge, []).append(reading)
    order = ("beyond the limit", "moving", "cannot be told yet", "still")
    found = [
        _gauge(n, tuple(sorted(r, key=lambda one: one.read_on)), own.get(n, rules))
        for n, r in by_name.items()
    ]
    return sorted(found, key=lambda g: (order.index(g.verdict), g.name))


def _gauge(name: str, readings: tuple[GaugeReading, ...], rules: GaugeRules) -> Gauge:
    change = readings[-1].value_m - readings[0].value_m
    unsure = _95 * rules.reading_m * 2**0.5
    years = (readings[-1].read_on - readings[0].read_on).days / _YEAR_DAYS
    rate, more, warmth = (None, None, None) if years < rules.least_years else _trend(readings)
    verdict, why = _judged(change, unsure, rate, more, years, len(readings), rules)
    return Gauge(
        name=name,
        readings=readings,
        change_m=change,
        change_plus_minus_95_m=unsure,
        rate_m_a_year=rate,
        rate_plus_minus_95_m=more,
        by_warmth_m_degc=warmth,
        verdict=verdict,
        why=why,
        rules=rules,
    )


def _trend(
    readings: Sequence[GaugeReading],
) -> tuple[float | None, float | None, float | None]:
    """Slope a year with its interval at 95 %, and what goes with warmth."""
    first = readings[0].read_on
    time = np.array([(r.read_on - first).days / _YEAR_DAYS for r in readings])
    value = np.array([r.value_m for r in readings])
    columns = [np.ones(len(time)), time]
    warm = [r.temperature_degc for r in readings]
    with_warmth = len(readings) >= 6 and all(t is not None for t in warm)
    if with_warmth:
        degrees = np.array(warm, dtype=float)
        with_warmth = float(np.ptp(degrees)) >= 5.0
        if with_warmth:
            columns.append(degrees - degrees.mean())
    design = np.stack(columns, axis=1)
    free = len(time) - design.shape[1]
    if free < 1 or np.linalg.matrix_rank(design) < design.shape[1]:
        return None, None, None
    terms, *_ = np.linalg.lstsq(design, value, rcond=None)
    variance = float(np.sum((value - design @ terms) ** 2)) / free
    spread = np.sqrt(variance * np.linalg.inv(design.T @ design)[1, 1])
    return (
        float(terms[1]),
        float(stats.t.ppf(0.975, free) * spread),
        float(terms[2]) if with_warmth else None,
    )


def _judged(
    change: float,
    unsure: float,
    rate: float | None,
    more: float | None,
    years: float,
    count: int,
    rules: GaugeRules,
) -> tuple[Verdict, str]:
    if abs(change) - unsure > rules.limit_m:
        return "beyond the limit", "changed by more than the limit since the first reading"
    if rate is None or more is None:
        why = "one reading" if count < 2 else f"{count} readings over {years:.1f} years"
        return (
            "cannot be told yet",
            f"{why}: a rate needs three or more over {12 * rules.least_years:.0f} months",
        )
    if abs(rate) - more > rules.rate_m_a_year:
        return "moving", "moves faster than the limit, by more than chance"
    if abs(rate) + more <= rules.rate_m_a_year:
        return "still", "slower than the limit, also at the end of the range"
    return "cannot be told yet", "the range of the rate reaches over the limit: read on"
