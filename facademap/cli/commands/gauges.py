"""``facademap gauges``: readings of crack gauges and plumb lines, with plots, rates and limits."""

from __future__ import annotations

from pathlib import Path

import click

from facademap.cli.numbers import Numbers
from facademap.cli.show import Show, command_options
from facademap.cli.table_options import table_words

__all__ = ["command"]

_FILE = click.Path(path_type=Path)


@click.command("gauges")
@click.argument("readings", type=_FILE)
@click.option("--page", "page_out", type=_FILE, help="Page with plots to write (HTML).")
@click.option("--table", "table_out", type=_FILE, help="Table to write (CSV).")
@click.option(
    "--limit-mm", type=float, default=1.0, show_default=True, help="Change since the first reading."
)
@click.option(
    "--rate-mm-year", type=float, default=0.5, show_default=True, help="Movement in a year."
)
@click.option(
    "--reading-mm",
    type=float,
    default=0.1,
    show_default=True,
    help="Standard deviation of one reading.",
)
@click.option("--add", "add", type=_FILE, help="Readings to keep in the project (a table).")
@click.option("--surface", help="Where new gauges stand, where there are several surfaces.")
@click.option(
    "--gauge", help="Gauge of the project that gets --place, --own-limit-mm and the like."
)
@click.option("--place", type=Numbers("u,v"), help="Its place on the wall, metres.")
@click.option("--own-limit-mm", type=float, help="Its own limit since the first reading.")
@click.option("--own-rate-mm-year", type=float, help="Its own limit of movement in a year.")
@click.option("--every-months", type=int, help="Months between its readings.")
@click.option("--condition", help="Condition that it watches.")
@table_words()
@command_options
def command(
    readings: Path,
    page_out: Path | None,
    table_out: Path | None,
    limit_mm: float,
    rate_mm_year: float,
    reading_mm: float,
    add: Path | None,
    surface: str | None,
    gauge: str | None,
    place: tuple[float, float] | None,
    own_limit_mm: float | None,
    own_rate_mm_year: float | None,
    every_months: int | None,
    condition: str | None,
    show: Show,
) -> None:
    """Tell movement from READINGS: a table gauge,read_on,value_mm with temperature_degc where it was read along.

    READINGS may be a project: it keeps gauges with --add, and its plan of maintenance and make-safe list count them in.
    The limits are starting values of ours; the engineer of the wall sets them. A rate is told over a year or more.
    """
    from facademap.condition.gauges import GaugeRules
    from facademap.tasks.survey.gauges import read_gauges
    from facademap.tasks.survey.kept_gauges import keep_readings, set_gauge

    if (add or gauge) and not readings.is_dir():
        raise click.UsageError("--add and --gauge need a project, not a table")
    if add is not None:
        kept = keep_readings(readings, add, surface=surface)
        show.say(f"{kept['added']} readings added, {kept['known']} known before")
    if gauge is not None:
        set_gauge(
            readings,
            gauge,
            place_m=place,
            limit_m=None if own_limit_mm is None else own_limit_mm / 1000,
            rate_m_a_year=None if own_rate_mm_year is None else own_rate_mm_year / 1000,
            every_months=every_months,
            condition=condition,
        )
    gauges = read_gauges(
        readings,
        page=page_out,
        table=table_out,
        rules=GaugeRules(
            limit_m=limit_mm / 1000,
            rate_m_a_year=rate_mm_year / 1000,
            reading_m=reading_mm / 1000,
        ),
    )
    show.result(
        {
            "gauges": [
                {
                    "gauge": g.name,
                    "readings": len(g.readings),
                    "change_m": g.change_m,
                    "rate_m_a_year": g.rate_m_a_year,
                    "rate_plus_minus_95_m": g.rate_plus_minus_95_m,
                    "verdict": g.verdict,
                    "why": g.why,
                }
                for g in gauges
            ]
        },
        text=[f"{g.name}: {g.verdict}; {g.why}; {g.change_m * 1000:+.2f} mm" for g in gauges],
    )
