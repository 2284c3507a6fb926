"""Use case: monitoring points that a project keeps: placed, given their limits, read, and judged."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import shapely

from facademap.condition.gauges import Gauge, GaugeReading, GaugeRules, gauges_of
from facademap.errors import InputError
from facademap.io.gauge_files import read_gauge_readings
from facademap.store.gate import gated_edit
from facademap.store.project import Project
from facademap.tables import is_missing
from facademap.tasks.record.days import day_of
from facademap.tasks.survey.add_photos import surface_of

__all__ = [
    "KEPT_RULES",
    "add_gauge",
    "add_reading",
    "gauges_in",
    "keep_readings",
    "kept_gauges",
    "set_gauge",
]

#: What a gauge has a limit of its own for.
KEPT_RULES = ("limit_m", "rate_m_a_year", "reading_m")


def keep_readings(
    folder: str | Path, readings: Path, *, surface: str | None = None, who: str = "facademap gauges"
) -> dict[str, Any]:
    """Add readings; a gauge that is not known yet is made. What is kept already is left.

    Parameters
    ----------
    folder : path
        Project.
    readings : Path
        Table ``gauge,read_on,value_mm,temperature_degc``.
    surface : str, optional
        Where new gauges stand; may be left out where the project has one.
    who : str

    Returns
    -------
    dict
        ``added`` readings, ``known`` readings, ``gauges`` that are new.

    Raises
    ------
    FacademapError
        Readings that cannot be used, or that say otherwise than one of that day that is kept; nothing is stored then.
    """
    found = read_gauge_readings(readings)
    with Project.open(folder) as project:
        place = surface_of(project, surface)
        here = set(project.read("gauges")["id"].astype(str))
        kept = {(r.gauge, r.read_on): r for r in _readings(project)}
        fresh = [r for r in found if (r.gauge, r.read_on) not in kept]
        for reading in found:
            other = kept.get((reading.gauge, reading.read_on))
            if other is not None and abs(other.value_m - reading.value_m) > 5e-7:
                raise InputError(
                    f"{reading.gauge} of {reading.read_on} is kept with {other.value_m * 1000:g} mm, the table says "
                    f"{reading.value_m * 1000:g} mm",
                    "Correct the one that is wrong; the readings were left as they are.",
                )
        new = sorted({r.gauge for r in fresh} - here)
        if fresh:
            with gated_edit(project, who=who, what=f"{len(fresh)} readings of gauges") as edit:
                edit.insert("gauges", [{"id": id, "surface": place} for id in new])
                edit.insert("gauge_readings", [_row(edit.new_id("GR"), r) for r in fresh])
    return {"added": len(fresh), "known": len(found) - len(fresh), "gauges": new}


def _row(id: str, reading: GaugeReading) -> dict[str, Any]:
    warm = reading.temperature_degc
    return {
        "id": id,
        "gauge": reading.gauge,
        "read_on": reading.read_on.isoformat(),
        "value_m": reading.value_m,
        **({} if warm is None else {"temperature_degc": warm}),
    }


def add_gauge(
    folder: str | Path,
    *,
    surface: str | None = None,
    place_m: tuple[float, float] | None = None,
    name: str = "",
    who: str = "facademap gauges",
    **values: Any,
) -> dict[str, Any]:
    """Keep a monitoring point that has no reading yet.

    Parameters
    ----------
    folder : path
    surface : str, optional
        May be left out where the project has one.
    place_m : tuple of float, optional
        Along and up the wall.
    name : str
        What it is called; the next free number when empty.
    who : str
    **values
        Columns of the table of gauges.

    Returns
    -------
    dict
        The row, without its place.

    Raises
    ------
    InputError
        A name that is taken, or a value that the table refuses.
    """
    told = {k: v for k, v in values.items() if v is not None}
    if place_m is not None:
        told["geometry"] = shapely.Point(place_m)
    with Project.open(folder) as project:
        on = surface_of(project, surface)
        if name and name in set(project.read("gauges")["id"].astype(str)):
            raise InputError(f"there is a gauge {name[:40]} already", "Give another name.")
        with gated_edit(project, who=who, what=f"gauge {name}".strip()) as edit:
            id = name or edit.new_id("G")
            edit.insert("gauges", [{"id": id, "surface": on, **told}])
        kept = project.row("gauges", id)
    return {k: None if is_missing(v) else v for k, v in kept.items() if k != "geometry"}


def add_reading(
    folder: str | Path,
    gauge: str,
    *,
    value_m: float,
    read_on: str | None = None,
    temperature_degc: float | None = None,
    by: str | None = None,
    today: dt.date | None = None,
    who: str = "facademap gauges",
) -> dict[str, Any]:
    """Enter what a gauge showed.

    Parameters
    ----------
    folder : path
    gauge : str
    value_m : float
    read_on : str, optional
        Day as YYYY-MM-DD; today when not given.
    temperature_degc : float, optional
    by : str, optional
    today : datetime.date, optional
    who : str

    Returns
    -------
    dict
        The row.

    Raises
    ------
    InputError
        No such gauge, a day that has not come or has a reading already, or a number that is none.
    """
    day = day_of(read_on, "Give the day of the reading.", today=today)
    for value, what in ((value_m, "the reading"), (temperature_degc, "the temperature")):
        if value is not None and not math.isfinite(value):
            raise InputError(f"{what} is no number", "Give a number.")
    with Project.open(folder) as project:
        project.row("gauges", gauge)
        if any(r.gauge == gauge and r.read_on.isoformat() == day for r in _readings(project)):
            raise InputError(
                f"{gauge} has a reading of {day} already",
                "Correct that one, or take it back first.",
            )
        reading = GaugeReading(
            gauge=gauge,
            read_on=dt.date.fromisoformat(day),
            value_m=value_m,
            temperature_degc=temperature_degc,
        )
        with gated_edit(project, who=who, what=f"reading of gauge {gauge}") as edit:
            row = {**_row(edit.new_id("GR"), reading), **({"by": by} if by else {})}
            edit.insert("gauge_readings", [row])
    return row


def set_gauge(
    folder: str | Path,
    gauge: str,
    *,
    place_m: tuple[float, float] | None = None,
    who: str = "facademap gauges",
    **values: Any,
) -> dict[str, Any]:
    """Give a gauge its place, its limits, what it watches and how often it is read.

    Parameters
    ----------
    folder : path
    gauge : str
    place_m : tuple of float, optional
        Along and up the wall.
    who : str
    **values
        Columns of the table of gauges.

    Returns
    -------
    dict
        The row, without its place.
    """
    changed = {k: v for k, v in values.items() if v is not None}
    if place_m is not None:
        changed["geometry"] = shapely.Point(place_m)
    with Project.open(folder) as project:
        row = project.row("gauges", gauge)
        if changed:
            with gated_edit(project, who=who, what=f"gauge {gauge}") as edit:
                edit.update("gauges", gauge, changed, rev=row["rev"])
        kept = project.row("gauges", gauge)
    return {k: None if is_missing(v) else v for k, v in kept.items() if k != "geometry"}


def kept_gauges(folder: str | Path, *, rules: GaugeRules | None = None) -> list[Gauge]:
    """Every gauge of a project that was read, the most pressing first, each by its own limits.

    Parameters
    ----------
    folder : path
    rules : GaugeRules, optional
        For what a gauge has no limit of its own.
    """
    with Project.open(folder, read_only=True) as project:
        return [gauge for _, gauge in gauges_in(project, rules=rules)]


def gauges_in(
    project: Project, *, rules: GaugeRules | None = None
) -> list[tuple[Mapping[str, Any], Gauge]]:
    """The same in an open project, each with its row.

    Parameters
    ----------
    project : Project
    rules : GaugeRules, optional
    """
    rows = {str(r["id"]): r for r in project.read("gauges").to_dict("records")}
    if not rows:
        return []
    usual = rules or GaugeRules()
    own = {
        id: GaugeRules(
            least_years=usual.least_years,
            **{n: getattr(usual, n) if is_missing(row[n]) else float(row[n]) for n in KEPT_RULES},
        )
        for id, row in rows.items()
    }
    found = gauges_of(_readings(project), usual, own=own)
    return [({str(k): v for k, v in rows[g.name].items()}, g) for g in found]


def _readings(project: Project) -> list[GaugeReading]:
    return [
        GaugeReading(
            gauge=str(r["gauge"]),
            read_on=dt.date.fromisoformat(str(r["read_on"])[:10]),
            value_m=float(r["value_m"]),
            temperature_degc=None
            if is_missing(r["temperature_degc"])
            else float(r["temperature_degc"]),
        )
        for r in project.read("gauge_readings").to_dict("records")
    ]
