"""Whether lime may be placed today in a project, by its own mixes."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Any

from facademap.repair.mixes import DEFAULT_MIX, mix_named
from facademap.repair.placing import COLD_MONTHS, Weather, is_cold_month, weather_faults
from facademap.store.project import Project
from facademap.tasks.plan.plan import settings_of_project

__all__ = ["lime_weather"]


def lime_weather(
    folder: str | Path, weather: Weather, *, day: dt.date, repair: str | None = None
) -> dict[str, Any]:
    """What forbids lime work in this weather.

    Parameters
    ----------
    folder : path
        Project.
    weather : Weather
        As read on the scaffold, and the forecast.
    day : date
        Says whether the month is a cold one.
    repair : str, optional
        Asks for the mix of this repair in place of the project's.

    Returns
    -------
    dict
        ``mix``, ``cold``, ``faults`` (sentences) and ``serves``.
    """
    with Project.open(folder, read_only=True) as project:
        own = project.setting("mixes", {}) or {}
        if repair is not None:
            project.row("repairs", repair)
        chosen = own.get(repair or "") or project.setting("mix", None) or DEFAULT_MIX
        settings = settings_of_project(project)
        months = frozenset(project.setting("cold_months", None) or COLD_MONTHS)
    cold = is_cold_month(day.month, months)
    faults = weather_faults(weather, settings=settings, mix=mix_named(chosen), cold=cold)
    return {"mix": chosen, "cold": cold, "faults": list(faults), "serves": not faults}
