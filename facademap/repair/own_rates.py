"""Rates of an office of its own: hours that were booked, against those that common practice would have told."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from facademap.errors import InputError

__all__ = ["LEAST_REPAIRS", "OwnRate", "own_rates", "rates_text", "read_rates"]

#: Fewer repairs of a kind tell nothing of a rate.
LEAST_REPAIRS = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class OwnRate:
    """How long work of one treatment took, as times of the likely hours of common practice.

    Parameters
    ----------
    low, likely, high : float
        10 % and 90 % of the repairs took less than low and high; likely is all hours over all that were told.
    repairs : int
        On how many it rests.
    hours_h : float
        Booked on them.
    """

    low: float
    likely: float
    high: float
    repairs: int
    hours_h: float


def own_rates(booked: Sequence[tuple[str, float, float]]) -> dict[str, OwnRate]:
    """Rates from repairs that are done.

    Parameters
    ----------
    booked : sequence of (treatment, hours booked, hours told)
        One a repair.

    Returns
    -------
    dict of treatment to OwnRate
        Only treatments with :data:`LEAST_REPAIRS` or more.
    """
    by: dict[str, list[tuple[float, float]]] = {}
    for treatment, hours, told in booked:
        if hours > 0 and told > 0:
            by.setdefault(treatment, []).append((hours, told))
    found = {}
    for treatment, pairs in sorted(by.items()):
        if len(pairs) < LEAST_REPAIRS:
            continue
        hours, told = np.array(pairs).T
        likely = float(hours.sum() / told.sum())
        low, high = np.quantile(hours / told, (0.1, 0.9))
        found[treatment] = OwnRate(
            low=min(float(low), likely),
            likely=likely,
            high=max(float(high), likely),
            repairs=len(pairs),
            hours_h=float(hours.sum()),
        )
    return found


def rates_text(rates: Mapping[str, OwnRate], *, source: str) -> str:
    """Rates as a TOML text that ``facademap schedule --work-rates`` reads."""
    lines = [
        "# Hours as times of the likely hours of common practice, from hours that were booked.",
        f"source = {_quoted(source)}",
        'status = "project"',
    ]
    for treatment, r in rates.items():
        lines += [
            "",
            f"[rates.{_quoted(treatment)}]",
            f"low = {r.low:.3f}",
            f"likely = {r.likely:.3f}",
            f"high = {r.high:.3f}",
            f"repairs = {r.repairs}",
            f"hours_h = {r.hours_h:.2f}",
        ]
    return "\n".join(lines) + "\n"


def read_rates(body: Mapping[str, Any], *, where: str) -> dict[str, tuple[float, float, float]]:
    """Low, likely and high of each treatment.

    Raises
    ------
    InputError
        A number is missing or does not rise from low to high.
    """
    found = {}
    rates = body.get("rates")
    if not isinstance(rates, Mapping) or not rates:
        raise InputError(
            f"{where}: no rates", "Make them with facademap crews PROJECT --rates FILE."
        )
    for treatment, entry in rates.items():
        numbers = [
            entry.get(k) if isinstance(entry, Mapping) else None for k in ("low", "likely", "high")
        ]
        if any(isinstance(n, bool) or not isinstance(n, int | float) for n in numbers):
            raise InputError(
                f"{where}: {treatment} lacks low, likely or high", "Give all three as numbers."
            )
        low, likely, high = (float(n) for n in numbers if n is not None)
        if not 0 < low <= likely <= high <= 100:
            raise InputError(
                f"{where}: {treatment}: {low:g}, {likely:g} and {high:g} do not rise",
                "Give low, likely and high above 0, each at least the one before.",
            )
        found[str(treatment)] = (low, likely, high)
    return found


def _quoted(text: str) -> str:
    import json

    return json.dumps(text, ensure_ascii=False)
