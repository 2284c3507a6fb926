"""What is watched over the years, for the survey desk and the map: gauges with their state, and looks that were made."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from facademap.condition.gauges import Gauge, GaugeRules
from facademap.store.project import Project
from facademap.tables import is_missing
from facademap.tasks.survey.kept_gauges import KEPT_RULES, gauges_in
from facademap.treatment.follow_up import FollowUp, follow_ups

__all__ = ["watched_gauges", "watched_looks"]

#: A gauge of which nothing was read.
UNREAD = "not read yet"


def watched_gauges(project: Project) -> list[dict[str, Any]]:
    """Every gauge, the most pressing first, those that were never read last.

    Parameters
    ----------
    project : Project

    Returns
    -------
    list of dict
        Row and place of each, ``verdict``, ``why``, change and rate with their plus or minus, readings, the limits that it
        is held against, and ``own``: those limits that somebody set for it; the others are starting values of ours.
    """
    told = {str(row["id"]): (row, gauge) for row, gauge in gauges_in(project)}
    unread = [
        ({str(k): v for k, v in r.items()}, None)
        for r in project.read("gauges").sort_values("id").to_dict("records")
        if str(r["id"]) not in told
    ]
    return [_gauge(row, gauge) for row, gauge in (*told.values(), *unread)]


def _gauge(row: Mapping[str, Any], gauge: Gauge | None) -> dict[str, Any]:
    names = ("id", "surface", "kind", "condition", "every_months", "note")
    place = row["geometry"]
    usual = GaugeRules()
    own = [n for n in KEPT_RULES if not is_missing(row[n])]
    limits = {n: float(row[n]) if n in own else getattr(usual, n) for n in KEPT_RULES}
    found: dict[str, Any] = {
        **{n: None if is_missing(row[n]) else row[n] for n in names},
        "place_m": None if place is None or place.is_empty else [float(place.x), float(place.y)],
        "limits": limits,
        "own": own,
        "readings": [],
        "verdict": UNREAD,
        "why": "nothing was read",
    }
    if gauge is None:
        return found
    return found | {
        "verdict": gauge.verdict,
        "why": gauge.why,
        "change_m": gauge.change_m,
        "change_plus_minus_95_m": gauge.change_plus_minus_95_m,
        "rate_m_a_year": gauge.rate_m_a_year,
        "rate_plus_minus_95_m": gauge.rate_plus_minus_95_m,
        "readings": [
            {
                "read_on": r.read_on.isoformat(),
                "value_m": r.value_m,
                "temperature_degc": r.temperature_degc,
            }
            for r in gauge.readings
        ],
    }


def watched_looks(project: Project) -> list[dict[str, Any]]:
    """Looks at each thing that was looked at, by day, with what they tell by year.

    Parameters
    ----------
    project : Project
    """
    return [_look(one) for one in follow_ups(project.read("looks").to_dict("records"))]


def _look(one: FollowUp) -> dict[str, Any]:
    names = (
        *("looked_on", "finding", "by", "hollow_share", "open_joint_m", "colour_difference"),
        *("photo", "note"),
    )
    return {
        "table": one.table,
        "id": one.id,
        "looks": [{n: None if is_missing(r[n]) else r[n] for n in names} for r in one.looks],
        "hollow_a_year": one.hollow_a_year,
        "open_joint_m_a_year": one.open_joint_m_a_year,
        "colour_a_year": one.colour_a_year,
    }
