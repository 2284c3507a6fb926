"""Lime work that a programme puts into cold months."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Collection
from typing import Any

from facademap.repair.mixes import Binder
from facademap.repair.placing import COLD_MONTHS, frost_free_h, is_cold_month
from facademap.repair.schedule import Schedule
from facademap.repair.settings import Settings

__all__ = ["cold_work"]


def cold_work(
    schedule: Schedule,
    *,
    binder: Binder,
    settings: Settings,
    cold_months: Collection[int] = COLD_MONTHS,
) -> list[dict[str, Any]]:
    """Jobs whose lime is placed in a cold month, or must be kept from frost into one.

    Parameters
    ----------
    schedule : Schedule
    binder : Binder
        Of the mix of the project.
    settings : Settings
        Trade values.
    cold_months : collection of int
        1 to 12.

    Returns
    -------
    list of dict
        ``repair, start, months`` (names), ``protect_until`` (YYYY-MM-DD) and ``what`` in words, in
        order of time.
    """
    found = []
    for job in schedule.problem.jobs:
        if not job.lime:
            continue
        start = schedule.starts[job.repair]
        end = schedule.problem.last_day(start, job.days)
        cold = any(is_cold_month(d.month, cold_months) for d in (start, end))
        days = math.ceil(frost_free_h(settings, binder, cold=cold) / 24)
        until = end + dt.timedelta(days=days)
        months = [m for m in _months(start, until) if is_cold_month(m.month, cold_months)]
        if not months:
            continue
        names = [m.strftime("%B %Y") for m in months]
        found.append(
            {
                "repair": job.repair,
                "start": start.isoformat(),
                "months": names,
                "protect_until": until.isoformat(),
                "what": f"{binder.name} in {names[0]}: keep frost away until {until:%d %B %Y} "
                f"({days} days), or move the work.",
            }
        )
    return sorted(found, key=lambda r: (r["start"], r["repair"]))


def _months(first: dt.date, last: dt.date) -> list[dt.date]:
    month, found = first.replace(day=1), []
    while month <= last:
        found.append(month)
        month = (month + dt.timedelta(days=32)).replace(day=1)
    return found
