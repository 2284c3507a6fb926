"""Monitoring points: slope and interval as SciPy has them, warmth taken off, and what is not told too early."""

from __future__ import annotations

import csv
import datetime as dt
import math
import sys
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from facademap.condition.gauges import GaugeReading, gauges_of
from facademap.errors import InputError
from facademap.store.project import Project
from facademap.tasks.desk.watch import watched_gauges
from facademap.tasks.survey.gauges import read_gauges
from facademap.tasks.survey.kept_gauges import add_gauge, add_reading

sys.path.insert(0, str(Path(__file__).parent))
from small_wall import make_wall

START = dt.date(2024, 1, 15)


def _readings(
    name: str,
    rate_mm: float,
    *,
    months: int = 30,
    warm_mm: float = 0.0,
    noise_mm: float = 0.05,
    told: bool = False,
) -> list[GaugeReading]:
    rng = np.random.default_rng(3)
    found = []
    for k in range(0, months + 1, 3):
        day = START + dt.timedelta(days=round(k * 30.4375))
        degrees = 10 - 9 * math.cos(2 * math.pi * k / 12)
        value = 2.0 + rate_mm * (day - START).days / 365.25 + warm_mm * (degrees - 10)
        value += rng.normal(0, noise_mm)
        found.append(
            GaugeReading(
                gauge=name,
                read_on=day,
                value_m=value / 1000,
                temperature_degc=degrees if told else None,
            )
        )
    return found


def test_slope_and_interval_are_those_of_scipy() -> None:
    readings = _readings("g", 0.3)
    (gauge,) = gauges_of(readings)
    time = [(r.read_on - START).days / 365.25 for r in readings]
    line = stats.linregress(time, [r.value_m for r in readings])
    assert gauge.rate_m_a_year == pytest.approx(line.slope, rel=1e-9)
    margin = stats.t.ppf(0.975, len(readings) - 2) * line.stderr
    assert gauge.rate_plus_minus_95_m == pytest.approx(margin, rel=1e-9)


def test_verdicts_and_their_order() -> None:
    found = gauges_of(
        [
            *_readings("still", 0.05),
            *_readings("moves", 0.9, months=15, noise_mm=0.02),
            *_readings("gone", 0.8, months=30),
            *_readings("young", 0.9, months=6),
            *_readings("doubt", 0.45, months=15, noise_mm=0.2),
            *_readings("once", 0.0, months=0),
        ]
    )
    assert {g.name: g.verdict for g in found} == {
        "gone": "beyond the limit",
        "moves": "moving",
        "doubt": "cannot be told yet",
        "once": "cannot be told yet",
        "young": "cannot be told yet",
        "still": "still",
    }
    assert [g.name for g in found] == ["gone", "moves", "doubt", "once", "young", "still"]
    young = next(g for g in found if g.name == "young")
    # half a year of spring looks like movement: no rate is told
    assert young.rate_m_a_year is None


def test_warmth_is_taken_off_where_it_was_read_along() -> None:
    blind = gauges_of(_readings("g", 0.1, months=18, warm_mm=0.03))[0]
    told = gauges_of(_readings("g", 0.1, months=18, warm_mm=0.03, told=True))[0]
    assert blind.rate_plus_minus_95_m is not None
    assert told.rate_plus_minus_95_m is not None
    assert told.rate_plus_minus_95_m < 0.5 * blind.rate_plus_minus_95_m
    assert abs(told.rate_m_a_year - 0.0001) < told.rate_plus_minus_95_m  # type: ignore[operator]
    assert told.by_warmth_m_degc == pytest.approx(0.00003, rel=0.2)
    assert blind.verdict != "moving"


def test_page_and_table_and_what_cannot_be_read(tmp_path: Path) -> None:
    file = tmp_path / "readings.csv"
    file.write_text("gauge,read_on,value_mm\nG<1>,2024-01-01,1.0\nG<1>,2026-01-01,3.5\n")
    read_gauges(file, page=tmp_path / "p.html", table=tmp_path / "t.csv")
    with (tmp_path / "t.csv").open() as opened:
        (row,) = list(csv.DictReader(opened))
    assert row["verdict"] == "beyond the limit"
    assert float(row["change_mm"]) == pytest.approx(2.5)
    assert row["rate_mm_a_year"] == ""
    page = (tmp_path / "p.html").read_text()
    assert "G&lt;1&gt;" in page
    assert "never the judgement" in page
    for text, said in (
        ("G,2024-13-01,1\n", "2024-13-01"),
        ("G,2024-01-01,x\n", "x"),
        ("G,2024-01-01,1\nG,2024-01-01,2\n", "before"),
    ):
        file.write_text(f"gauge,read_on,value_mm\n{text}")
        with pytest.raises(InputError, match=said):
            read_gauges(file, page=tmp_path / "none.html")
    assert not (tmp_path / "none.html").exists()


def test_a_name_that_a_spreadsheet_would_run_is_written_as_text(tmp_path: Path) -> None:
    (tmp_path / "r.csv").write_text(
        "gauge,read_on,value_mm\n=1+1,2025-01-01,1\n=1+1,2025-03-01,0.5\n"
    )
    read_gauges(tmp_path / "r.csv", table=tmp_path / "t.csv")
    with (tmp_path / "t.csv").open(newline="") as file:
        (row,) = csv.DictReader(file)
    assert row["gauge"] == "'=1+1"
    # a change that is negative stays a number
    assert float(row["change_mm"]) == pytest.approx(-0.5)


def test_the_page_draws_the_limits_that_a_gauge_is_held_against(tmp_path: Path) -> None:
    """A gauge with a limit of its own is plotted between that, in the measure of the office; no reading comes before its day."""
    make_wall(tmp_path / "p", picture=False, world=False)
    add_gauge(tmp_path / "p", name="G1", place_m=(1.0, 1.0), limit_m=0.0254)
    add_gauge(tmp_path / "p", name="G2")
    for day, value_m in (("2024-01-10", 0.0), ("2025-02-10", 0.0127)):
        add_reading(tmp_path / "p", "G1", value_m=value_m, read_on=day, today=dt.date(2026, 1, 1))
    with Project.open(tmp_path / "p", read_only=True) as project:
        told = {g["id"]: g for g in watched_gauges(project)}
    assert (told["G1"]["own"], told["G1"]["limits"]["limit_m"]) == (["limit_m"], 0.0254)
    assert (told["G2"]["verdict"], told["G2"]["own"]) == ("not read yet", [])
    page = tmp_path / "page.html"
    read_gauges(tmp_path / "p", page=page)
    assert "limit 25.40" in page.read_text()
    assert "limit -25.40" in page.read_text()
    assert "Its own limits: 25.40 mm since the first reading" in page.read_text()
    with Project.open(tmp_path / "p") as project, project.edit(who="t", what="inch") as edit:
        edit.set("profile", "inch")
    read_gauges(tmp_path / "p", page=page)
    assert "limit 1.0000" in page.read_text()
    assert " mm" not in page.read_text()
    for day, value_m, said in (
        ("2025-02-10", 0.1, "has a reading of 2025-02-10 already"),
        ("2026-01-02", 0.1, "has not come yet"),
        ("2025-03-10", math.nan, "is no number"),
    ):
        with pytest.raises(InputError, match=said):
            add_reading(
                tmp_path / "p", "G1", value_m=value_m, read_on=day, today=dt.date(2026, 1, 1)
            )
    with pytest.raises(InputError, match="already"):
        add_gauge(tmp_path / "p", name="G1")
