"""What looks at a repair showed over the years: hollow places, open joints, colour against the stone beside it."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from facademap.tables import is_missing

__all__ = ["FollowUp", "follow_ups", "last_looks", "look_words"]

_YEAR_DAYS = 365.25
#: A rate is told over a year or more: a summer tells nothing of a winter.
_LEAST_YEARS = 1.0
_UNREACHED = "not reached"


@dataclass(frozen=True, slots=True, kw_only=True)
class FollowUp:
    """One thing that was looked at again.

    Parameters
    ----------
    table, id : str
    looks : tuple of mapping
        Rows of the table of looks, by day.
    hollow_a_year : float or None
        Share of the repair that has become hollow a year; None where two looks a year apart do not tell it.
    open_joint_m_a_year : float or None
    colour_a_year : float or None
        Drift of the colour against the stone beside it, CIEDE2000 a year.
    """

    table: str
    id: str
    looks: tuple[Mapping[str, Any], ...]
    hollow_a_year: float | None
    open_joint_m_a_year: float | None
    colour_a_year: float | None


def follow_ups(looks: Iterable[Mapping[str, Any]]) -> list[FollowUp]:
    """Everything that was looked at, by table and number, each with its rates from the first look that told it to the last.

    Parameters
    ----------
    looks : iterable of mapping
        Rows of the table of looks.
    """
    groups: dict[tuple[str, str], list[Mapping[str, Any]]] = {}
    for row in looks:
        groups.setdefault((str(row["about_table"]), str(row["about"])), []).append(row)
    found = []
    for (table, id), rows in sorted(groups.items()):
        rows.sort(key=lambda r: (str(r["looked_on"]), str(r["id"])))
        found.append(
            FollowUp(
                table=table,
                id=id,
                looks=tuple(rows),
                hollow_a_year=_rate(rows, "hollow_share"),
                open_joint_m_a_year=_rate(rows, "open_joint_m"),
                colour_a_year=_rate(rows, "colour_difference"),
            )
        )
    return found


def last_looks(looks: Iterable[Mapping[str, Any]]) -> dict[tuple[str, str], Mapping[str, Any]]:
    """The last look at each thing that reached it, by table and number.

    Parameters
    ----------
    looks : iterable of mapping
        Rows of the table of looks.
    """
    last: dict[tuple[str, str], Mapping[str, Any]] = {}
    for one in follow_ups(looks):
        reached = [r for r in one.looks if r["finding"] != _UNREACHED]
        if reached:
            last[one.table, one.id] = reached[-1]
    return last


def look_words(look: Mapping[str, Any]) -> str:
    """A look in a line, as the record has it.

    Parameters
    ----------
    look : mapping
        Row of the table of looks.
    """
    parts = [str(look["looked_on"])[:10], str(look["finding"])]
    if not is_missing(look["hollow_share"]):
        parts.append(f"hollow {100 * float(look['hollow_share']):.0f} %")
    if not is_missing(look["open_joint_m"]):
        parts.append(f"open joint {1000 * float(look['open_joint_m']):.0f} mm")
    if not is_missing(look["colour_difference"]):
        parts.append(f"colour beside the stone {float(look['colour_difference']):.1f} (CIEDE2000)")
    parts += [str(look[k]) for k in ("by", "note") if not is_missing(look[k])]
    return "   ".join(parts)


def _rate(rows: list[Mapping[str, Any]], name: str) -> float | None:
    told = [(str(r["looked_on"])[:10], float(r[name])) for r in rows if not is_missing(r[name])]
    if len(told) < 2:
        return None
    first, last = (dt.date.fromisoformat(day) for day in (told[0][0], told[-1][0]))
    years = (last - first).days / _YEAR_DAYS
    return (told[-1][1] - told[0][1]) / years if years >= _LEAST_YEARS else None
