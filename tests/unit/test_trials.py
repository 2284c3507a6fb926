"""Trials on record, the work that waits for them, and the sheets that say so."""

from __future__ import annotations

import csv
import datetime as dt
import io
import itertools
import re
import shutil
import sqlite3
import sys
from pathlib import Path
from typing import Any

import pytest
import shapely
from click.testing import CliRunner
from pypdf import PdfReader

sys.path.insert(0, str(Path(__file__).parents[1] / "e2e"))
import desk_sample

from facademap.cli.main import main
from facademap.errors import InputError, StageError
from facademap.store.project import Project
from facademap.tasks.desk.edit import RowChange, apply_changes
from facademap.tasks.issue.papers import make_papers
from facademap.tasks.plan.treatments import jobs_of_project
from facademap.tasks.project.check import check_project
from facademap.tasks.record.crews import put_crew
from facademap.tasks.record.schedule import schedule_project
from facademap.tasks.record.trials import add_to_trial, decide_trial, list_trials, make_trial
from facademap.tasks.record.work import move_on, record

KEYS = itertools.count()


@pytest.fixture
def folder(made: Path, tmp_path: Path) -> Path:
    """A copy of the wall for one test."""
    return Path(shutil.copytree(made, tmp_path / "p"))


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A wall with a crust to be cleaned and an open joint to be filled."""
    folder = desk_sample.make_project(tmp_path_factory.mktemp("trials") / "p")
    with Project.open(folder) as project, project.edit(who="test", what="treatments") as edit:
        surface = str(project.read("surfaces")["id"].iloc[0])
        edit.put(
            "wall_stones",
            [
                {
                    "id": "W-1",
                    "surface": surface,
                    "stone_type": "buff sandstone",
                    "geometry": shapely.box(0, 0, 0.6, 0.3),
                }
            ],
        )
        joint = shapely.LineString([(0, 0.3), (0.6, 0.3)])
        crust = shapely.box(0.1, 0.1, 0.4, 0.2)
        for n, (term, shape, width) in enumerate(
            (("black crust", crust, None), ("open joint", joint, 0.008)), start=1
        ):
            edit.put(
                "conditions",
                [
                    {
                        "id": f"X-{n}",
                        "surface": surface,
                        "term": term,
                        "layer": "joint" if width else "stone",
                        "width_m": width,
                        "geometry": shape,
                    }
                ],
            )
            edit.put(
                "repairs",
                [
                    {
                        "id": f"RX-{n}",
                        "surface": surface,
                        "treatment": "repoint" if width else "clean",
                        "conditions": [f"X-{n}"],
                        "wall_stone": "W-1",
                        "geometry": shape,
                    }
                ],
            )
    return folder


def approved_panel(folder: Path, **changed: str) -> str:
    told = {"wall_stone": "W-1", "soiling": "crust", "method": "mist, 10 s in 5 min", **changed}
    row = make_trial(folder, kind="cleaning panel", treatment="clean", **told)
    decide_trial(folder, str(row["id"]), "approved", by="A. Keeper", on="2026-05-04")
    return str(row["id"])


def test_cleaning_is_not_finished_without_an_approved_panel(folder: Path) -> None:
    move_on(folder, "RX-1", "approved")
    record(folder, "RX-1", "work seen", result="pass")
    with pytest.raises(InputError, match="no approved cleaning panel for crust on buff sandstone"):
        move_on(folder, "RX-1", "accepted")
    approved_panel(folder, soiling="growth")
    with pytest.raises(InputError, match="no approved cleaning panel"):
        move_on(folder, "RX-1", "accepted")
    name = approved_panel(folder)
    assert move_on(folder, "RX-1", "accepted")["stage"] == "accepted"
    assert not [f for f in check_project(folder)["findings"] if f["row"] == "RX-1"]
    decide_trial(folder, name, "open", by="")
    (found,) = [f for f in check_project(folder)["findings"] if f["row"] == "RX-1"]
    assert "no approved cleaning panel" in found["problem"]


@pytest.mark.parametrize(
    ("told", "what"),
    [
        ({"soiling": "crust"}, "no kind of stone"),
        ({"stone_type": "buff sandstone"}, "what lay on the stone"),
        ({"wall_stone": "nowhere", "soiling": "crust"}, "nowhere"),
    ],
)
def test_a_trial_says_on_what_it_was_made(folder: Path, told: dict[str, str], what: str) -> None:
    with pytest.raises(InputError, match=what):
        make_trial(folder, kind="cleaning panel", treatment="clean", **told)
    assert list_trials(folder) == []


def test_a_decision_has_a_name_a_day_and_for_a_refusal_a_finding(folder: Path) -> None:
    row = make_trial(
        folder, kind="mortar sample", treatment="mortar repair", stone_type="buff sandstone"
    )
    name = str(row["id"])
    for result, given, what in (
        ("approved", {"by": " "}, "nobody is named"),
        ("refused", {"by": "K"}, "a refusal says nothing"),
        ("approved", {"by": "K", "on": "4.5.2026"}, "is no day"),
        ("approved", {"by": "K", "on": "2999-01-01"}, "has not come yet"),
    ):
        with pytest.raises(InputError, match=what):
            decide_trial(folder, name, result, **given)
    assert list_trials(folder)[0]["result"] == "open"


def test_the_command_enters_lists_and_decides(folder: Path) -> None:
    def run(*words: str) -> str:
        done = CliRunner().invoke(main, ["trial", str(folder), *words])
        assert done.exit_code == 0, done.output
        return done.output

    assert "no trial" in run()
    run("--kind", "consolidation panel", "--for", "consolidate", "--stone", "Buff sandstone",
        "--uptake-l-per-m2", "1.5")  # fmt: skip
    assert list_trials(folder)[0]["uptake_m3_per_m2"] == pytest.approx(0.0015)
    assert "approved by K on 2026-03-02" in run(
        "T-001", "--approve", "--by", "K", "--on", "2026-03-02"
    )
    assert "T-001" in run()


def test_a_project_of_before_trials_gets_the_table(folder: Path) -> None:
    raw = sqlite3.connect(folder / "project.gpkg")
    raw.execute('DROP TABLE "trials"')
    raw.execute("DELETE FROM gpkg_contents WHERE table_name = 'trials'")
    raw.execute("UPDATE facademap_schema SET version = 5")
    raw.commit()
    raw.close()
    assert list_trials(folder) == []
    with Project.open(folder) as project:
        assert not project.missing_parts()


def test_job_sheets_say_what_holds_and_give_figures_with_their_source(folder: Path) -> None:
    made = make_papers(folder, only=["job-sheets"])
    assert made
    text = " ".join(p.extract_text() for p in PdfReader(folder / "out" / "job-sheets.pdf").pages)
    assert "HELD: do not begin" in text
    assert "No cleaning panel on buff sandstone with crust on it" in text
    assert "from memory: verify" in text  # the depth of raking
    rows = list(csv.DictReader(io.StringIO((folder / "out" / "jobs.csv").read_text("utf-8-sig"))))
    mortar = next(r for r in rows if r["repair"] == "RX-2" and r["name"] == "mortar in place")
    assert float(mortar["value"]) == pytest.approx(0.6 * 0.008 * 0.020)
    assert all(r["source"] for r in rows if r["status"] != "derived")


def test_an_inch_project_reads_inches_only_on_its_job_sheets(folder: Path) -> None:
    with Project.open(folder) as project, project.edit(who="test", what="inches") as edit:
        edit.set("profile", "inch")
    make_papers(folder, only=["job-sheets"])
    text = " ".join(p.extract_text() for p in PdfReader(folder / "out" / "job-sheets.pdf").pages)
    assert not re.findall(r"\d+(?:\.\d+)? ?(?:mm|m²|mL|kg)\b", text)
    assert re.search(r"\d/\d+ in", text)


def test_a_value_decided_for_the_project_counts(folder: Path) -> None:
    with Project.open(folder) as project, project.edit(who="test", what="rake") as edit:
        edit.set("treatment_values", {"repoint.rake_minimum": 30})
    with Project.open(folder) as project:
        job = next(j for j in jobs_of_project(project) if j.repair == "RX-2")
    raked = job.figure("depth to rake, greatest")
    assert raked is not None
    assert raked.value == pytest.approx(0.030)


def test_an_approval_is_decided_and_not_typed(folder: Path) -> None:
    name = approved_panel(folder)
    fresh = make_trial(
        folder, kind="mortar sample", treatment="mortar repair", stone_type="buff sandstone"
    )
    with Project.open(folder) as project:
        row = project.row("trials", str(fresh["id"]))

    def revs() -> dict[str, int]:
        with Project.open(folder) as project:
            return project.revisions("trials")

    def by_hand(op: Any, id: str, **values: object) -> None:
        rev = None if op == "insert" else revs()[id]
        change = RowChange(op=op, table="trials", id=id, rev=rev, values=values)
        with Project.open(folder) as project:
            apply_changes(
                project,
                [change],
                key=f"typed-by-hand-{next(KEYS):04}",
                who="a surveyor",
                what="typed",
            )

    typed = {"result": "approved", "approved_by": "K", "approved_on": "2026-05-04"}
    with pytest.raises(StageError, match="is decided, not typed"):
        by_hand("update", str(fresh["id"]), **typed)
    with pytest.raises(StageError, match="is decided, not typed"):
        by_hand(
            "insert",
            "new:1",
            kind="mortar sample",
            treatment="mortar repair",
            stone_type="x",
            **typed,
        )
    with pytest.raises(StageError, match="stays as it was"):
        by_hand("update", name, soiling="growth")
    with pytest.raises(StageError, match="work may rest on it"):
        by_hand("delete", name)
    by_hand("update", str(fresh["id"]), place="north corner")
    assert row["result"] == "open"
    assert {t["id"]: t["result"] for t in list_trials(folder)}[name] == "approved"


def test_what_comes_later_is_added_until_the_trial_is_decided(folder: Path) -> None:
    def run(*words: str, code: int = 0) -> str:
        done = CliRunner().invoke(main, ["trial", str(folder), *words])
        assert done.exit_code == code, done.output
        return done.output

    run("--kind", "mortar sample", "--for", "mortar repair", "--stone", "Soft limestone",
        "--mix", "NHL 3.5 1:2.5", "--colour-before", "60", "4", "14")  # fmt: skip
    # only L differs: 2.4 / (1 + 0.015 * 11.2**2 / sqrt(20 + 11.2**2)) = 2.08 by the published formula
    assert "2.1 CIEDE2000" in run("T-001", "--colour-dry", "62.4", "4", "14")
    assert "no colour of stone" in run("T-001", "--colour-wet", "300", "0", "0", code=2)
    assert "at once" in run("T-001", "--approve", "--by", "K", "--measured", "x", code=2)
    assert "is unknown" in run("--kind", "mortar sample", "--for", "mortar repair", "--stone", "x", "--mix", "cement", code=2)  # fmt: skip
    decide_trial(folder, "T-001", "approved", by="K", on="2026-05-04")
    assert "stays as it was" in run("T-001", "--measured", "1.2 MPa", code=2)


def test_a_sample_of_a_mortar_that_may_outdo_the_stone_is_not_approved(folder: Path) -> None:
    told = {"stone_type": "soft limestone", "mix": "NHL 5 1:3"}
    row = make_trial(folder, kind="mortar sample", treatment="mortar repair", **told)
    with pytest.raises(InputError, match=r"weaker mix|stronger than|outdo"):
        decide_trial(folder, str(row["id"]), "approved", by="K")
    assert list_trials(folder)[0]["result"] == "open"


def test_a_mortar_is_not_approved_on_a_stone_of_which_nothing_is_known(folder: Path) -> None:
    """A local name without the kind of rock: no strength can be looked up, so that somebody has to measure one."""
    told = {"stone_type": "Ravelin buff", "mix": "NHL 5 1:3"}
    row = make_trial(folder, kind="mortar sample", treatment="repoint", **told)
    with pytest.raises(InputError, match="nothing is known of the strength of Ravelin buff"):
        decide_trial(folder, str(row["id"]), "approved", by="K")
    add_to_trial(folder, str(row["id"]), measured="stone 31 MPa, mortar 6 MPa")
    assert decide_trial(folder, str(row["id"]), "approved", by="K")["result"] == "approved"


def test_a_sample_of_no_named_mortar_is_not_approved_by_name_and_day_alone(folder: Path) -> None:
    told = {"stone_type": "Buff sandstone", "method": "sample beside the door"}
    row = make_trial(folder, kind="mortar sample", treatment="mortar repair", **told)
    with pytest.raises(InputError, match="does not say of which mortar"):
        decide_trial(folder, str(row["id"]), "approved", by="K")
    assert list_trials(folder)[0]["result"] == "open"
    add_to_trial(folder, str(row["id"]), measured="stone 31 MPa, mortar 6 MPa")
    assert decide_trial(folder, str(row["id"]), "approved", by="K")["result"] == "approved"


def test_work_that_waits_for_a_trial_gets_no_date_before_it_is_approved(folder: Path) -> None:
    """What the job sheet holds stands on no day list, whatever the reason."""

    def programme() -> tuple[set[str], dict[str, str]]:
        done = schedule_project(folder, start=dt.date(2027, 5, 3))
        dated = {str(name) for day in done["days"] for name in (day["repair"],)}
        return dated, {str(o["repair"]): str(o["why"]) for o in done["left_out"]}

    with Project.open(folder) as project:
        jobs = jobs_of_project(project)
    waiting = {j.repair: j for j in jobs if any("No cleaning panel" in h for h in j.holds)}
    assert waiting
    dated, left = programme()
    assert not dated & set(waiting)
    assert all(left[name].startswith("held back: ") for name in waiting)
    first = next(iter(waiting.values()))
    said = next(h for h in first.holds if "No cleaning panel" in h)
    stone, soiling = re.findall(r"No cleaning panel on (.+) with (\w+) on it", said)[0]
    told = {"stone_type": stone, "soiling": soiling}
    row = make_trial(folder, kind="cleaning panel", treatment="clean", **told)
    decide_trial(folder, str(row["id"]), "approved", by="K")
    assert first.repair in programme()[0]


def test_a_crew_without_work_has_an_empty_list_and_no_list_of_another_programme_stays(
    folder: Path, tmp_path: Path
) -> None:
    put_crew(folder, name="A", hours_h=8, skills=["inset"])
    put_crew(folder, name="B", hours_h=8, skills=[])
    out = tmp_path / "out"
    out.mkdir()
    for name in ("crew-1-days.csv", "crew-3-days.csv", "crew-x-days.csv"):
        (out / name).write_text("of last year")
    done = schedule_project(folder, start=dt.date(2027, 5, 3), by_crew=True, out=out)
    assert done["days"]
    lists = {p.name: list(csv.DictReader(p.open())) for p in out.glob("crew-[0-9]-days.csv")}
    assert sorted(lists) == ["crew-1-days.csv", "crew-2-days.csv"]
    assert lists["crew-1-days.csv"] == []
    assert (out / "crew-1-days.csv").read_text().startswith("day,crew,repair")
    assert [r["repair"] for r in lists["crew-2-days.csv"]] == [d["repair"] for d in done["days"]]
    assert (out / "crew-x-days.csv").exists(), "what is not ours stays"
