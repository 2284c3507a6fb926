"""Weather and curing: when lime may be placed and how long it is looked after."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from typing import Any

from facademap.errors import InputError
from facademap.repair.mixes import Binder, Mix
from facademap.repair.settings import Settings

__all__ = [
    "COLD_MONTHS",
    "Weather",
    "curing_time_h",
    "frost_free_h",
    "is_cold_month",
    "placing_rules",
    "temperature_window_deg_c",
    "weather_faults",
]

#: Months in which lime hardens slowly, north of the tropics (common practice; a project may set others).
COLD_MONTHS = frozenset({11, 12, 1, 2, 3})

#: Shortest curing in use; shown beside the published protection, the longer of the two counts.
_CURE_PRACTICE_H = 24.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Weather:
    """Weather while lime is placed and after; what is not known stays ``None``."""

    air_deg_c: float
    wall_deg_c: float | None = None
    forecast_minimum_deg_c: float | None = None
    forecast_h: float | None = None
    wind_m_per_s: float | None = None
    direct_sun: bool = False
    rain: bool = False


def temperature_window_deg_c(settings: Settings, binder: Binder) -> tuple[float, float]:
    """Lowest and highest temperature for placing: the stricter of profile and binder."""
    return (
        max(settings.temperature_minimum_deg_c, binder.temperature_minimum_deg_c),
        min(settings.temperature_maximum_deg_c, binder.temperature_maximum_deg_c),
    )


def is_cold_month(month: int, cold_months: Collection[int] = COLD_MONTHS) -> bool:
    """Whether lime hardens slowly in that month (1 to 12)."""
    return month in cold_months


def frost_free_h(settings: Settings, binder: Binder, *, cold: bool = False) -> float:
    """Hours without frost, or under protection from it: the longer of profile and binder."""
    return max(settings.frost_free_h, binder.frost_free_cold_h if cold else binder.frost_free_h)


def weather_faults(
    weather: Weather, *, settings: Settings, mix: Mix, cold: bool = False
) -> tuple[str, ...]:
    """What forbids lime work now, in sentences; empty when the weather serves.

    Parameters
    ----------
    weather : Weather
    settings : Settings
        Trade values.
    mix : Mix
        Its binder sets temperatures and protection.
    cold : bool
        A cold month, in which protection lasts longer.

    References
    ----------
    Limits are those of the binder's mix, whose ``source`` names the maker's sheet; the others are settings with their source.
    """
    low, high = temperature_window_deg_c(settings, mix.binder)
    frost_d = frost_free_h(settings, mix.binder, cold=cold) / 24
    faults = []
    for name, value in (("air", weather.air_deg_c), ("wall", weather.wall_deg_c)):
        if value is None:
            continue
        _check_temperature(name, value)
        if value < low:
            faults.append(
                f"The {name} is {value:.1f} °C, below {low:.1f} °C: wait or warm and protect the wall."
            )
        if value > high:
            faults.append(
                f"The {name} is {value:.1f} °C, above {high:.1f} °C: shade the wall, wait for the cool of the day."
            )
    least = weather.forecast_minimum_deg_c
    if least is not None:
        _check_temperature("forecast", least)
        if least <= 0:
            faults.append(
                f"Frost is forecast: {mix.binder.name} needs {frost_d:.0f} days without frost or under protection."
            )
    if least is None or (weather.forecast_h or 0) < frost_d * 24:
        faults.append(
            f"The forecast does not reach {frost_d:.0f} days: keep frost protection at hand."
        )
    if weather.wind_m_per_s is not None and weather.wind_m_per_s > settings.wind_maximum_m_per_s:
        faults.append(
            f"Wind of {weather.wind_m_per_s:.0f} m/s dries the lime: screen the scaffold or wait."
        )
    if weather.direct_sun:
        faults.append("Direct sun: shade the work.")
    if weather.rain:
        faults.append("Rain: cover the work.")
    return tuple(faults)


def _check_temperature(name: str, value: float) -> None:
    if not -60 <= value <= 80:
        raise InputError(
            f"{name} temperature {value:g} degrees C", "Give the temperature in degrees Celsius."
        )


def curing_time_h(settings: Settings) -> float:
    """Curing before the next work: the strictest of profile, published protection and common practice."""
    return max(settings.cure_h, settings.protect_h, _CURE_PRACTICE_H)


def placing_rules(settings: Settings, mix: Mix) -> dict[str, Any]:
    """The window for placing a mix and the times after it, each with source and status."""
    names = ("temperature_minimum_deg_c", "temperature_maximum_deg_c", "protect_h", "cure_h")
    low, high = temperature_window_deg_c(settings, mix.binder)
    binder = mix.binder
    return {
        "binder": binder.name,
        "temperature_minimum_deg_c": low,
        "temperature_maximum_deg_c": high,
        "frost_free_h": frost_free_h(settings, binder),
        "frost_free_cold_h": frost_free_h(settings, binder, cold=True),
        "protect_h": settings.protect_h,
        "cure_h": curing_time_h(settings),
        "wind_maximum_m_per_s": settings.wind_maximum_m_per_s,
        "sources": [
            *(settings.says(n) for n in (*names, "wind_maximum_m_per_s")),
            {
                "name": "frost_free_h",
                "value": frost_free_h(settings, binder) / 24,
                "unit": "d",
                "source": binder.frost_source,
                "status": binder.frost_status,
            },
            {
                "name": "binder_temperature_deg_c",
                "value": binder.temperature_minimum_deg_c,
                "unit": "degC",
                "source": binder.temperature_source,
                "status": binder.temperature_status,
            },
        ],
    }
