"""Rates of an office and the costs that follow from the quantities: low, likely and high."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import pandas as pd

from facademap.errors import InputError
from facademap.plain_texts import parse_toml
from facademap.report.quantities import MEASURES, Quantities
from facademap.tables import TREATMENTS, UNDECIDED

__all__ = ["Rate", "Rates", "cost_rows", "read_rates"]

_MEASURED = {m.name for m in MEASURES}
_EXAMPLE = 'currency = "EUR" and, for each rate, [[rates]] treatment = "inset", measure = "removed_area_m2", low = 1, likely = 2, high = 3'


@dataclass(frozen=True, slots=True, kw_only=True)
class Rate:
    """Price of one unit of a measure for a treatment."""

    treatment: str
    measure: str
    low: float
    likely: float
    high: float
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Rates:
    """All rates, in one currency; ``hour`` is what an hour of a crew costs, low, likely and high."""

    currency: str
    rates: tuple[Rate, ...]
    labour_h: Mapping[str, Mapping[str, float]] | None = None
    hour: tuple[float, float, float] | None = None

    def without_rate(self, quantities: Quantities) -> tuple[str, ...]:
        """Treatments that occur and have no rate."""
        known = {r.treatment for r in self.rates}
        return tuple(
            t
            for t in quantities.breakdown("repairs", "treatment").index
            if t not in known and t not in ("leave", UNDECIDED)
        )


def read_rates(text: str, *, source: str = "rates") -> Rates:
    """Rates from TOML.

    Raises
    ------
    InputError
        Not TOML, no or several currencies, an unknown treatment or measure, or prices out of order.
    """
    data = parse_toml(text, where=source, remedy=f"Write the rates as TOML: {_EXAMPLE}.")
    entries = data.get("rates")
    if not isinstance(entries, list) or not entries:
        raise InputError(f"{source}: has no rates", f"Give {_EXAMPLE}.")
    base = str(data.get("currency") or "").strip()
    currencies = {base} if base else set()
    rates = []
    for number, entry in enumerate(entries, start=1):
        where = f"{source}, rate {number}"
        if not isinstance(entry, dict):
            raise InputError(f"{where}: is not a table", f"Give {_EXAMPLE}.")
        unknown = sorted(
            set(entry) - {"treatment", "measure", "low", "likely", "high", "note", "currency"}
        )
        if unknown:
            raise InputError(
                f"{where}: unknown key {', '.join(unknown)}",
                "Use treatment, measure, low, likely, high, note, currency.",
            )
        if entry.get("currency"):
            currencies.add(str(entry["currency"]).strip())
        rates.append(_rate(entry, where))
    if len(currencies) > 1:
        raise InputError(
            f"{source}: mixes the currencies {', '.join(sorted(currencies))}",
            "Convert all rates to one currency.",
        )
    if not currencies:
        raise InputError(f"{source}: names no currency", 'Add a line such as currency = "EUR".')
    pairs = [(r.treatment, r.measure) for r in rates]
    twice = sorted({f"{t} by {m}" for t, m in pairs if pairs.count((t, m)) > 1})
    if twice:
        raise InputError(
            f"{source}: {', '.join(twice)} stands there twice",
            "Keep one rate for each treatment and measure.",
        )
    return Rates(
        currency=currencies.pop(),
        rates=tuple(rates),
        labour_h=_labour(data.get("labour"), source),
        hour=_hour(data.get("hour"), source),
    )


def _hour(entry: Any, source: str) -> tuple[float, float, float] | None:
    """What an hour of a crew costs, low, likely and high; ``None`` where the office did not say."""
    if entry is None:
        return None
    where = f"{source}, hour"
    if not isinstance(entry, dict) or set(entry) != {"low", "likely", "high"}:
        raise InputError(
            f"{where}: needs low, likely and high", "Give [hour] low = 80, likely = 95, high = 110."
        )
    price = _rate({"treatment": "inset", "measure": "count", **entry}, where)
    return (price.low, price.likely, price.high)


def _labour(entries: Any, source: str) -> dict[str, dict[str, float]] | None:
    """Norms of the office: hours of work a unit of a measure, by treatment."""
    if entries is None:
        return None
    norms: dict[str, dict[str, float]] = {}
    for number, entry in enumerate(entries if isinstance(entries, list) else [entries], start=1):
        where = f"{source}, labour {number}"
        if not isinstance(entry, dict) or set(entry) != {"treatment", "measure", "hours"}:
            raise InputError(
                f"{where}: needs treatment, measure and hours",
                'Give [[labour]] treatment = "inset", measure = "cut_length_m", hours = 3.',
            )
        price = _rate(
            {
                "treatment": entry["treatment"],
                "measure": entry["measure"],
                "low": entry["hours"],
                "likely": entry["hours"],
                "high": entry["hours"],
            },
            where,
        )
        norms.setdefault(price.treatment, {})[price.measure] = price.likely
    return norms


def _rate(entry: dict[str, Any], where: str) -> Rate:
    treatment, measure = str(entry.get("treatment", "")), str(entry.get("measure", ""))
    if treatment not in TREATMENTS:
        raise InputError(
            f"{where}: unknown treatment {treatment!r}", f"Use one of {', '.join(TREATMENTS)}."
        )
    if measure not in _MEASURED:
        raise InputError(
            f"{where}: unknown measure {measure!r}", f"Use one of {', '.join(sorted(_MEASURED))}."
        )
    prices = []
    for name in ("low", "likely", "high"):
        value = entry.get(name)
        if (
            isinstance(value, bool)
            or not isinstance(value, (int, float))
            or not math.isfinite(value)
            or value < 0
        ):
            raise InputError(
                f"{where}: {name} = {value!r} is not a price",
                "Give a number of 0 or more for low, likely and high.",
            )
        prices.append(float(value))
    if not prices[0] <= prices[1] <= prices[2]:
        raise InputError(
            f"{where}: low {prices[0]:g}, likely {prices[1]:g}, high {prices[2]:g} are out of order",
            "Give them in rising order.",
        )
    return Rate(
        treatment=treatment,
        measure=measure,
        low=prices[0],
        likely=prices[1],
        high=prices[2],
        note=str(entry.get("note", "")),
    )


def cost_rows(quantities: Quantities, rates: Rates) -> pd.DataFrame:
    """One row a rate: quantity, prices and amounts."""
    by_treatment = quantities.breakdown("repairs", "treatment")
    rows = []
    for rate in rates.rates:
        amount = float(by_treatment[rate.measure].get(rate.treatment, 0.0))
        rows.append(
            {
                "treatment": rate.treatment,
                "measure": rate.measure,
                "quantity": amount,
                "rate_low": rate.low,
                "rate_likely": rate.likely,
                "rate_high": rate.high,
                "cost_low": amount * rate.low,
                "cost_likely": amount * rate.likely,
                "cost_high": amount * rate.high,
                "note": rate.note,
            }
        )
    return pd.DataFrame(rows)
