"""Weather and curing: when lime may be placed and how long it is looked after."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from facademap.errors import InputError
from facademap.repair.settings import Settings

__all__ = ["Weather", "curing_time_h", "placing_rules", "weather_faults"]

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


def weather_faults(weather: Weather, *, settings: Settings) -> tuple[str, ...]:
    """What forbids lime work now, in sentences; empty when the weather serves."""
    low, high = settings.temperature_minimum_deg_c, settings.temperature_maximum_deg_c
    faults = []
    for name, value in (("air", weather.air_deg_c), ("wall", weather.wall_deg_c)):
        if value is None:
            continue
        if not -60 <= value <= 80:
            raise InputError(
                f"{name} temperature {value:g} degrees C",
                "Give the temperature in degrees Celsius.",
            )
        if value < low:
            faults.append(
                f"The {name} is {value:.1f} °C, below {low:.1f} °C: wait or warm and protect the wall."
            )
        if value > high:
            faults.append(
                f"The {name} is {value:.1f} °C, above {high:.1f} °C: shade the wall, wait for the cool of the day."
            )
    if weather.forecast_minimum_deg_c is not None and weather.forecast_minimum_deg_c <= 0:
        faults.append(
            f"Frost is forecast: {settings.frost_free_h / 24:.0f} days without frost or under protection are needed."
        )
    if weather.forecast_minimum_deg_c is None or (weather.forecast_h or 0) < settings.frost_free_h:
        faults.append(
            f"The forecast does not reach {settings.frost_free_h / 24:.0f} days: keep frost protection at hand."
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


def curing_time_h(settings: Settings) -> float:
    """Curing before the next work: the strictest of profile, published protection and common practice."""
    return max(settings.cure_h, settings.protect_h, _CURE_PRACTICE_H)


def placing_rules(settings: Settings) -> dict[str, Any]:
    """The window for placing and the times after it, each with source and status."""
    names = (
        "temperature_minimum_deg_c",
        "temperature_maximum_deg_c",
        "frost_free_h",
        "protect_h",
        "cure_h",
        "wind_maximum_m_per_s",
    )
    return {
        "temperature_minimum_deg_c": settings.temperature_minimum_deg_c,
        "temperature_maximum_deg_c": settings.temperature_maximum_deg_c,
        "frost_free_h": settings.frost_free_h,
        "protect_h": settings.protect_h,
        "cure_h": curing_time_h(settings),
        "sources": [settings.says(n) for n in names],
    }
