"""Readings of monitoring points: a table with a row for each reading."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

from facademap.condition.gauges import GaugeReading
from facademap.errors import InputError
from facademap.io.csv_tables import CsvRow, read_table

__all__ = ["read_gauge_readings"]


def read_gauge_readings(path: Path) -> list[GaugeReading]:
    """Readings in the order of the file.

    Parameters
    ----------
    path : Path
        Table ``gauge,read_on,value_mm`` with ``temperature_degc`` where it was read along.

    Raises
    ------
    FileError, InputError
        A row that cannot be used, or two readings of one gauge on one day.
    """
    table = read_table(
        path,
        columns=("gauge", "read_on", "value_mm"),
        optional=("temperature_degc",),
        dates=("read_on",),
        what="table of readings",
    )
    readings: list[GaugeReading] = []
    seen: dict[tuple[str, dt.date], int] = {}
    for row in table.rows:
        reading = _reading(row)
        key = reading.gauge, reading.read_on
        if key in seen:
            raise InputError(
                f"{row.where}: {reading.gauge} was read on {reading.read_on} before (line {seen[key]})",
                "Keep one reading a day, such as the mean.",
            )
        seen[key] = row.line
        readings.append(reading)
    return readings


def _reading(row: CsvRow) -> GaugeReading:
    text = row.text("read_on")
    try:
        day = dt.date.fromisoformat(text[:10])
    except ValueError:
        raise InputError(
            f"{row.where}: {text[:40]!r} is no day", "Give it as YYYY-MM-DD."
        ) from None
    warm = row.cells.get("temperature_degc", "").strip()
    return GaugeReading(
        gauge=row.text("gauge"),
        read_on=day,
        value_m=row.number("value_mm") / 1000,
        temperature_degc=row.number("temperature_degc") if warm else None,
    )
