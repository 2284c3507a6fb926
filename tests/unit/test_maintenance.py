"""The plan of maintenance: spans, reasons, what replaces what, and a calendar that another library reads."""

from __future__ import annotations

import csv
import datetime as dt
import sys
from collections import Counter
from pathlib import Path
from typing import Any

import icalendar
import pytest
import shapely
from click.testing import CliRunner
from pypdf import PdfReader

from facademap.cli.main import main
from facademap.errors import InputError
from facademap.report.calendar_file import CalendarEntry, calendar_text
from facademap.store.project import Project
from facademap.tasks.issue.papers import make_papers
from facademap.tasks.plan.maintenance import count_looks, due_looks, plan_maintenance
from facademap.tasks.plan.plan import make_safe_of_project
from facademap.tasks.record.look_again import enter_look, looks_of_project
from facademap.tasks.survey.kept_gauges import keep_readings, kept_gauges, set_gauge
from facademap.treatment.maintenance import compared_surveys

sys.path.insert(0, str(Path(__file__).parent))
from small_wall import make_wall

TODAY = dt.date(2030, 6, 1)
NOW = dt.datetime(2030, 6, 1, 8, 0, tzinfo=dt.UTC)


def _condition(id: str, u: float, **more: Any) -> dict[str, Any]:
    return {
        "id": id,
        "surface": "main-plane",
        "term": "erosion",
        "family": "C",
        "layer": "stone",
        "geometry": shapely.box(u, 0.1, u + 0.1, 0.2),
        "observed_on": "2030-01-31",
        **more,
    }


@pytest.fixture
def project(tmp_path: Path) -> Path:
    folder = tmp_path / "p"
    make_wall(folder, picture=False)
    with Project.open(folder) as opened, opened.edit(who="t", what="conditions") as edit:
        edit.insert(
            "conditions",
            [
                _condition("C-1", 0.1, activity="stable"),
                _condition("C-2", 0.3, uc=2, activity="stable"),
                _condition("C-3", 0.5, activity="active", uc=1),
                _condition("C-4", 0.7, uc=3),
                _condition("C-5", 0.9, observed_on=None),
                _condition("C-6", 1.1),
            ],
        )
        edit.insert(
            "repairs",
            [
                {
                    "id": "R-1",
                    "surface": "main-plane",
                    "treatment": "inset",
                    "conditions": ["C-6"],
                    "stage": "accepted",
                    "geometry": shapely.box(1.1, 0.1, 1.2, 0.2),
                }
            ],
        )
        edit.insert(
            "work_log",
            [
                {"id": "W-1", "repair": "R-1", "at": "2029-10-01T10:00:00Z", "stage": "bedded"},
                {"id": "W-2", "repair": "R-1", "at": "2029-11-01T10:00:00Z", "stage": "accepted"},
            ],
        )
    return folder


def _due(plan: Any) -> dict[str, tuple[str, str]]:
    return {k.id: (str(k.due_on), k.why) for k in plan.looks if k.kind in ("condition", "repair")}


def test_the_shortest_span_decides_and_says_why(project: Path, tmp_path: Path) -> None:
    plan = plan_maintenance(project, out=tmp_path / "o", today=TODAY)
    due = _due(plan)
    assert due["C-1"][0] == "2035-01-31"
    assert due["C-2"] == ("2030-07-31", "urgency class 2 (maintain.short_term)")
    assert due["C-3"] == ("2031-01-31", "the damage goes on (watch.active)")
    # the most urgent first, today, whatever its span
    assert plan.looks[0].id == "C-4"
    assert due["C-4"][0] == str(TODAY)
    assert "make-safe list" in plan.looks[0].look_at
    assert due["C-5"][0] == str(TODAY)
    assert "no earlier look is recorded" in due["C-5"][1]
    # what is mended is followed up as a repair, after its first winter
    assert "C-6" not in due
    assert due["R-1"][0] == "2030-11-01"
    later = plan_maintenance(project, out=tmp_path / "o", today=dt.date(2031, 6, 1))
    assert _due(later)["R-1"][0] == "2035-11-01"
    rounds = {(k.kind, str(k.due_on)) for k in plan.looks if k.id == "main-plane" and k.repeats}
    assert rounds == {("wall", "2035-01-31"), ("water", str(TODAY))}


def test_spans_are_settings_of_the_project(project: Path, tmp_path: Path) -> None:
    with Project.open(project) as opened, opened.edit(who="t", what="spans") as edit:
        edit.set("treatment_values", {"watch.stable": 36})
    plan = plan_maintenance(project, out=tmp_path / "o", today=TODAY)
    assert _due(plan)["C-1"][0] == "2033-01-31"
    assert "decided for this project" in (tmp_path / "o" / "maintenance.html").read_text()


def test_looks_that_are_counted_are_those_that_are_listed(project: Path) -> None:
    many = [
        _condition(f"D-{n}", 0.1, uc=n % 4 or None, cc=n % 3, activity=("stable", "active", None)[n % 3],
                   observed_on=f"20{25 + n % 4}-02-28" if n % 5 else None, wall_stone=None)
        for n in range(60)
    ]  # fmt: skip
    rep = {"surface": "main-plane", "geometry": shapely.box(1.1, 0.1, 1.2, 0.2)}
    with Project.open(project) as opened, opened.edit(who="t", what="more") as edit:
        edit.insert("conditions", many)
        edit.insert("repairs", [
            {"id": "R-2", "treatment": "make safe", "stage": "proposed", "conditions": ["D-1", "D-2"], **rep},
            {"id": "R-3", "treatment": "inset", "stage": "pointed", "conditions": ["D-3"], **rep},
            {"id": "R-4", "treatment": "inset", "stage": "approved", "conditions": ["D-4"], **rep},
        ])  # fmt: skip
    for about, finding in (("C-1", "worse"), ("D-7", "sound"), ("R-1", "sound"), ("main-plane", "sound")):  # fmt: skip
        _look(project, about, finding=finding)

    def both(folder: Path) -> tuple[Any, Any]:
        with Project.open(folder, read_only=True) as opened:
            listed = Counter((k.kind, k.surface, k.due_on) for k in due_looks(opened, TODAY))
            return count_looks(opened, TODAY), listed

    counted, listed = both(project)
    assert counted == listed
    assert len(listed) > 12
    # of surveys that are compared, and where most is known one by one, the list itself is counted
    with Project.open(project) as opened, opened.edit(who="t", what="later") as edit:
        edit.insert("conditions", [_condition("E-1", 0.1, survey="2", observed_on="2030-05-01")])
    counted, listed = both(project)
    assert counted == listed


def test_calendar_and_table_tell_the_same_days(project: Path, tmp_path: Path) -> None:
    plan = plan_maintenance(project, out=tmp_path / "o", today=TODAY)
    with (tmp_path / "o" / "maintenance.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert [r["id"] for r in rows] == [k.id for k in plan.looks]
    read = icalendar.Calendar.from_ical((tmp_path / "o" / "maintenance.ics").read_bytes())
    events = read.walk("VEVENT")
    assert not any(e.errors for e in events)
    days = {(str(e["LOCATION"]), e.decoded("DTSTART")) for e in events}
    for look in plan.looks:
        assert any(
            s == look.surface and (d.year, d.month) == (look.due_on.year, look.due_on.month)
            for s, d in days
        )
    again = [e for e in events if "RRULE" in e]
    assert sorted(e["RRULE"]["INTERVAL"][0] for e in again) == [6, 60]
    # written once more, a calendar program finds the same events
    before = {str(e["UID"]) for e in events}
    plan_maintenance(project, out=tmp_path / "o", today=TODAY)
    read = icalendar.Calendar.from_ical((tmp_path / "o" / "maintenance.ics").read_bytes())
    assert {str(e["UID"]) for e in read.walk("VEVENT")} == before


def test_calendar_keeps_any_text_and_short_lines() -> None:
    told = 'a; b, c\\d\n"e" \u2014 \u7a93\u53f0 ' * 12
    text = calendar_text(
        [CalendarEntry(uid="1@x", day=TODAY, summary=told, description=told)], name=told, now=NOW
    )
    assert all(len(line.encode()) <= 75 for line in text.split("\r\n"))
    assert "\n" not in text.replace("\r\n", "")
    (event,) = icalendar.Calendar.from_ical(text).walk("VEVENT")
    assert str(event["SUMMARY"]) == told
    assert event.decoded("DTEND") - event.decoded("DTSTART") == dt.timedelta(days=1)


def test_what_a_later_survey_shows_again_is_planned_once() -> None:
    days = {"1": dt.date(2025, 5, 1), "2": dt.date(2030, 5, 1), "3": None}
    base = {"layer": "stone", "cc": None, "uc": None, "measured_depth": None}
    deep = {"mean_m": 0.010, "plus_minus_95_m": 0.001}
    rows = [
        {
            **base,
            "id": "a",
            "survey": "1",
            "geometry": shapely.box(0, 0, 0.2, 0.2),
            "measured_depth": deep,
        },
        {**base, "id": "b", "survey": "1", "geometry": shapely.box(2, 0, 2.2, 0.2)},
        {
            **base,
            "id": "A",
            "survey": "2",
            "geometry": shapely.box(0, 0, 0.2, 0.2),
            "measured_depth": {**deep, "mean_m": 0.014},
        },
    ]
    grown, replaced = compared_surveys(rows, days)
    assert replaced == {"a"}  # b may not have been looked at: it stays
    assert grown == {"A": "4 mm deeper since survey 1"}
    rows[2]["measured_depth"] = {**deep, "mean_m": 0.0112}
    assert compared_surveys(rows, days)[0] == {}


def test_nothing_to_look_after_is_said(tmp_path: Path) -> None:
    with Project.create(tmp_path / "p", name="p"):
        pass
    with pytest.raises(InputError, match="no surface"):
        plan_maintenance(tmp_path / "p")


# -- looks that were made, and gauges -----------------------------------------------------------------------------------------
def _by_id(folder: Path) -> dict[str, Any]:
    return {k.id: k for k in plan_maintenance(folder, today=TODAY).looks}


def _look(folder: Path, about: str, **told: Any) -> None:
    enter_look(folder, about, today=TODAY, **told)


def test_the_next_look_counts_from_the_last_and_comes_sooner_where_it_was_worse(
    project: Path,
) -> None:
    before = _by_id(project)
    _look(project, "C-2", finding="as before", looked_on="2030-05-01", by="ada")
    _look(project, "C-1", finding="worse", looked_on="2030-05-01")
    _look(project, "C-5", finding="not reached", looked_on="2030-05-01")
    _look(project, "C-3", finding="failed", looked_on="2030-05-01")
    after = _by_id(project)
    assert after["C-2"].seen_on == dt.date(2030, 5, 1)
    assert after["C-2"].due_on > before["C-2"].due_on
    assert "worse" in after["C-1"].why
    assert after["C-1"].months < before["C-1"].months
    # what nobody reached has not been seen
    assert after["C-5"].seen_on is None
    assert after["C-3"].at_once
    with pytest.raises(InputError, match="has not come"):
        enter_look(project, "C-1", finding="sound", looked_on="2999-01-01")
    with pytest.raises(InputError, match="no condition, repair or surface"):
        enter_look(project, "X-1", finding="sound")
    with pytest.raises(InputError):
        enter_look(project, "C-1", finding="fine", today=TODAY)


def test_a_repair_is_followed_up_by_year_in_the_record_and_the_plan(project: Path) -> None:
    for day, hollow, joint, colour in (
        ("2030-05-01", 0.0, 0.0, 1.0),
        ("2031-05-01", 0.05, 0.020, None),
        ("2032-05-01", 0.10, 0.050, 3.0),
    ):
        enter_look(
            project,
            "R-1",
            today=dt.date(2033, 1, 1),
            finding="as before",
            looked_on=day,
            hollow_share=hollow,
            open_joint_m=joint,
            colour_difference=colour,
        )
    (found,) = looks_of_project(project)
    # by hand: over two years of 365 and 366 days
    years = (dt.date(2032, 5, 1) - dt.date(2030, 5, 1)).days / 365.25
    assert found.hollow_a_year == pytest.approx(0.10 / years)
    assert found.open_joint_m_a_year == pytest.approx(0.050 / years)
    assert found.colour_a_year == pytest.approx(2.0 / years)
    plan = plan_maintenance(project, today=dt.date(2033, 1, 1))
    (look,) = (k for k in plan.looks if k.id == "R-1")
    assert look.seen_on == dt.date(2032, 5, 1)
    made = make_papers(project, only=["records"])
    assert not made.failed
    pages = PdfReader(project / "out/records.pdf").pages
    words = "".join(p.extract_text() for p in pages)
    assert "Looked at again" in words
    assert "hollow 10 %" in words
    assert "open joint 50 mm" in words


def test_a_look_is_typed_in_per_cent_and_millimetres_and_a_summer_tells_no_rate(
    project: Path,
) -> None:
    for day, hollow in (("2025-05-01", "10"), ("2025-11-01", "12.5")):
        words = ["--finding", "as before", "--on", day, "--hollow", hollow, "--open-joint-mm", "50"]
        done = CliRunner().invoke(main, ["follow-up", str(project), "R-1", *words])
        assert done.exit_code == 0, done.output
    (found,) = looks_of_project(project)
    assert [r["hollow_share"] for r in found.looks] == pytest.approx([0.10, 0.125])
    assert [r["open_joint_m"] for r in found.looks] == pytest.approx([0.050, 0.050])
    assert found.hollow_a_year is None
    told = CliRunner().invoke(main, ["follow-up", str(project)]).output
    assert "hollow 12 %" in told
    assert "open joint 50 mm" in told
    assert "a year" not in told
    beyond = CliRunner().invoke(
        main, ["follow-up", str(project), "R-1", "--finding", "worse", "--hollow", "101"]
    )
    assert beyond.exit_code == 2, beyond.output
    assert len(looks_of_project(project)[0].looks) == 2


def test_gauges_are_kept_judged_by_their_own_limits_and_lead_the_list_when_beyond(
    project: Path, tmp_path: Path
) -> None:
    table = tmp_path / "readings.csv"
    table.write_text(
        "gauge,read_on,value_mm\nG1,2029-01-01,0.0\nG1,2030-01-01,1.4\nG2,2029-01-01,0.0\nG2,2030-01-01,0.1\n"
    )
    assert keep_readings(project, table) == {"added": 4, "known": 0, "gauges": ["G1", "G2"]}
    with Project.open(project) as opened:
        # one edit, taken back as a whole
        opened.undo(str(opened.history("gauges")["txn"].iloc[0]), who="t")
        assert not len(opened.read("gauges"))
        assert not len(opened.read("gauge_readings"))
    assert keep_readings(project, table)["added"] == 4
    assert keep_readings(project, table)["added"] == 0
    assert {g.name: g.verdict for g in kept_gauges(project)}["G1"] == "beyond the limit"
    first = make_safe_of_project(project)[0]
    assert (first["condition"], first["safety"]) == ("G1", "unsafe")
    look = _by_id(project)["G1"]
    assert look.at_once
    assert "engineer" in look.look_at
    # on both sides of a limit of its own: 1.4 mm with 0.28 mm of doubt
    set_gauge(project, "G1", limit_m=0.00113, place_m=(1.0, 2.0), every_months=6)
    assert {g.name: g.verdict for g in kept_gauges(project)}["G1"] == "cannot be told yet"
    set_gauge(project, "G1", limit_m=0.00112)
    assert {g.name: g.verdict for g in kept_gauges(project)}["G1"] == "beyond the limit"
    set_gauge(project, "G1", limit_m=0.002)
    assert all(r["condition"] != "G1" for r in make_safe_of_project(project))
    look = _by_id(project)["G1"]
    assert (look.months, look.due_on) == (6, dt.date(2030, 7, 1))
    table.write_text("gauge,read_on,value_mm\nG1,2030-01-01,1.5\nG1,2030-04-01,1.5\n")
    with pytest.raises(InputError, match=r"is kept with 1\.4 mm"):
        keep_readings(project, table)
    with Project.open(project) as opened:
        assert len(opened.read("gauge_readings")) == 4
