"""``facademap weather``: whether lime may be placed today."""

from __future__ import annotations

import datetime as dt

import click

from facademap.cli.show import Show, command_options

__all__ = ["command"]


@click.command(name="weather")
@click.argument("project", type=click.Path())
@click.option(
    "--air", "air", type=float, required=True, help="Air on the scaffold, degrees Celsius."
)
@click.option("--wall", "wall", type=float, help="Face of the wall, degrees Celsius.")
@click.option("--low", "low", type=float, help="Lowest of the forecast, degrees Celsius.")
@click.option("--days", "days", type=float, help="Days that the forecast reaches.")
@click.option("--wind", "wind", type=float, help="Wind, metres a second.")
@click.option("--sun", is_flag=True, help="Direct sun on the work.")
@click.option("--rain", is_flag=True, help="Rain on the work.")
@click.option("--repair", help="Asks for the mix of this repair.")
@command_options
def command(
    project: str,
    air: float,
    wall: float | None,
    low: float | None,
    days: float | None,
    wind: float | None,
    sun: bool,
    rain: bool,
    repair: str | None,
    show: Show,
) -> None:
    """Say what in today's weather forbids placing lime, by the binder of the mix."""
    from facademap.repair.placing import Weather
    from facademap.tasks.record.weather import lime_weather

    result = lime_weather(
        project,
        Weather(
            air_deg_c=air,
            wall_deg_c=wall,
            forecast_minimum_deg_c=low,
            forecast_h=None if days is None else days * 24,
            wind_m_per_s=wind,
            direct_sun=sun,
            rain=rain,
        ),
        day=dt.date.today(),
        repair=repair,
    )
    show.result(
        result,
        text=result["faults"]
        or [
            f"{result['mix']}: nothing told of the weather forbids lime work; look again before each batch"
        ],
    )
