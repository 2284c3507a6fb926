"""Use case: readings of monitoring points become a table and a page with plots and limits."""

from __future__ import annotations

import csv
import io
import math
from pathlib import Path

from facademap.condition.gauges import Gauge, GaugeRules, gauges_of
from facademap.errors import InputError
from facademap.io.block_columns import no_formula
from facademap.io.gauge_files import read_gauge_readings
from facademap.io.whole_files import check_writable, write_whole
from facademap.report.gauge_page import gauge_page
from facademap.report.measures import METRIC, Measures
from facademap.store.project import Project
from facademap.tasks.plan.reading import reads_inches
from facademap.tasks.survey.kept_gauges import kept_gauges

__all__ = ["read_gauges"]

_COLUMNS = (
    *("gauge", "readings", "first_on", "last_on", "change_mm", "change_plus_minus_95_mm"),
    *("rate_mm_a_year", "rate_plus_minus_95_mm", "by_warmth_mm_degc", "verdict", "why"),
)


def read_gauges(
    readings: Path,
    *,
    page: Path | None = None,
    table: Path | None = None,
    rules: GaugeRules | None = None,
) -> list[Gauge]:
    """What the readings of monitoring points tell.

    Parameters
    ----------
    readings : Path
        Table ``gauge,read_on,value_mm,temperature_degc``, or a project that keeps gauges.
    page, table : Path, optional
        HTML and CSV to write.
    rules : GaugeRules, optional

    Raises
    ------
    FacademapError
        Readings or limits that cannot be used; no file is written then.
    """
    rules = rules or GaugeRules()
    for name, value in (
        ("limit", rules.limit_m),
        ("rate", rules.rate_m_a_year),
        ("precision of a reading", rules.reading_m),
    ):
        if not (math.isfinite(value) and value > 0):
            raise InputError(f"a {name} of {value * 1000:g} mm", "Give a number above 0.")
    for path in (page, table):
        check_writable(path)
    say = METRIC
    if readings.is_dir():
        gauges = kept_gauges(readings, rules=rules)
        with Project.open(readings, read_only=True) as project:
            say = Measures(reads_inches(project))
    else:
        gauges = gauges_of(read_gauge_readings(readings), rules)
    if page is not None:
        title = f"Monitoring points: {readings.stem}"
        write_whole(page, gauge_page(gauges, title=title, rules=rules, say=say))
    if table is not None:
        write_whole(table, _table(gauges))
    return gauges


def _table(gauges: list[Gauge]) -> str:
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(_COLUMNS)
    for g in gauges:
        days = [str(g.readings[k].read_on) for k in (0, -1)]
        numbers = (
            *(g.change_m, g.change_plus_minus_95_m),
            *(g.rate_m_a_year, g.rate_plus_minus_95_m, g.by_warmth_m_degc),
        )
        told = ["" if n is None else f"{n * 1000:.4f}" for n in numbers]
        writer.writerow([no_formula(g.name), len(g.readings), *days, *told, g.verdict, g.why])
    return text.getvalue()
