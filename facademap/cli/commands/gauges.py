"""``facademap gauges``: readings of crack gauges and plumb lines, with plots, rates and limits."""

from __future__ import annotations

from pathlib import Path

import click

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
@table_words()
@command_options
def command(
    readings: Path,
    page_out: Path | None,
    table_out: Path | None,
    limit_mm: float,
    rate_mm_year: float,
    reading_mm: float,
    show: Show,
) -> None:
    """Tell movement from READINGS: a table gauge,read_on,value_mm with temperature_degc where it was read along.

    The limits are starting values of ours; the engineer of the wall sets them. A rate is told over a year or more.
    """
    from facademap.condition.gauges import GaugeRules
    from facademap.tasks.survey.gauges import read_gauges

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
