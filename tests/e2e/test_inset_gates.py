"""A stored plan that cannot be set: named by check, refused by the record, left out of tickets and of the file of insets."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import pypdf
import pytest
from click.testing import CliRunner

sys.path.insert(0, str(Path(__file__).parents[2]))

from benchmarks.papers_project import make_project
from facademap.cli.main import main
from facademap.errors import InputError, StageError
from facademap.store.project import Project
from facademap.tasks.issue.papers import make_papers
from facademap.tasks.project.check import check_project
from facademap.tasks.record.setting import record_photo
from facademap.tasks.record.work import move_on, work_state


@pytest.fixture
def folder(tmp_path):
    make_project(tmp_path / "p", insets=5).close()
    return tmp_path / "p"


def _slope_the_pins(folder: Path, repair: str) -> None:
    """As an older plan, or a hand that knew no better, left them."""
    with Project.open(folder) as project:
        row = project.row("repairs", repair)
        pins = [
            {**p, "angle_deg": 15.0, "turn_deg": 15.0 * (-1) ** k}
            for k, p in enumerate(row["pins"])
        ]
        with project.edit(who="test", what="slope") as edit:
            edit.update("repairs", repair, {"stage": "proposed"})
        with project.edit(who="test", what="slope") as edit:
            edit.update("repairs", repair, {"pins": pins})


def test_what_cannot_be_set_is_named_everywhere_and_given_to_nobody(folder):
    _slope_the_pins(folder, "R-001")
    faults = [f for f in check_project(folder)["findings"] if "cannot be set" in f["problem"]]
    assert {f["about"] for f in faults} == {"repair R-001"}
    assert all("parallel to the way in" in f["remedy"] for f in faults if "misses" in f["problem"])
    with pytest.raises(StageError, match="cannot be set as planned: pin 1"):
        move_on(folder, "R-001", "approved")
    made = make_papers(folder, only=["insets", "tickets", "cut-dxf"])
    listed = json.loads((made.folder / "insets.json").read_text("utf-8"))
    assert {i["repair"] for i in listed} == {f"R-00{k}" for k in range(2, 6)}
    assert any("R-001" in w and "no ticket" in w for w in made.warnings)
    assert not any("R-001" in p.name for p in (made.folder / "dxf").iterdir())
    pages = [p.extract_text() for p in pypdf.PdfReader(made.folder / "cut-tickets.pdf").pages]
    assert len(pages) == 4 * 2 + 1
    assert sum("DO NOT CUT" in p for p in pages) == 1


def test_the_file_of_insets_says_all_that_an_outside_replay_needs(folder):
    made = make_papers(folder, only=["insets"])
    for inset in json.loads((made.folder / "insets.json").read_text("utf-8")):
        assert inset["way_in"] == [0.0, 0.0, 1.0]
        assert list(inset["joints"])[:4] == ["top", "right", "bottom", "left"]
        assert len(inset["joints"]) == len(inset["outline"])
        for pin in inset["pins"]:
            assert pin["fixing"] == "before"
            assert pin["direction"] == inset["way_in"]
            assert pin["into_piece"] <= inset["depth"] - inset["proud"] - 15.0 + 1e-6
            assert pin["hole_piece"] - pin["rod"] == pytest.approx(3.0)


def test_a_way_of_setting_is_chosen_by_command_and_refused_where_it_cannot_be(folder):
    def run(*words: str):
        return CliRunner().invoke(main, ["plan", str(folder), "--quiet", *words])

    settled = run("--fixing-for", "R-001=resin")
    assert settled.exit_code == 2
    assert "is approved: its way of setting is settled" in settled.output
    with Project.open(folder) as project, project.edit(who="test", what="back") as edit:
        edit.update("repairs", "R-001", {"stage": "proposed"})
    refused = run("--fixing-for", "R-001=before, down 9")
    assert refused.exit_code == 2
    assert "R-001 cannot be set so: way in: the piece strikes the cut-out at top" in refused.output
    for wrong in ("R-001", "R-001=glue", "R-001=down 99", "R-404=resin"):
        answer = run("--fixing-for", wrong)
        assert answer.exit_code == 2
        assert "fix:" in answer.output
    with Project.open(folder, read_only=True) as project:
        assert not project.setting("fixings", None)


def test_photos_fill_the_slots_of_the_sequence(folder):
    with Project.open(folder, read_only=True) as project:
        photo = str(project.read("photos")["id"].iloc[0])
    record_photo(folder, "R-001", "dry fit", photo)
    steps = {s["title"]: s for s in work_state(folder, "R-001")["steps"]}
    assert steps["Dry fit"]["photos"] == [photo]
    assert steps["Cut out"]["photos"] == []
    with pytest.raises(InputError, match="no photo is called"):
        record_photo(folder, "R-001", "sideways", photo)
    made = make_papers(folder, only=["records"])
    text = [p.extract_text() for p in pypdf.PdfReader(made.folder / "records.pdf").pages]
    sheet = next(t for t in text if "PHOTO SEQUENCE" in t and "R-001" in t)
    assert sheet.count("not taken yet") == 5


def test_a_block_that_was_cut_yet_counts_as_whole_is_named_until_it_is_said_to_be_sawn(folder):
    with Project.open(folder) as project:
        placed = project.read("placements", where={"repair": "R-003"}).iloc[0]
        block, piece = str(placed["block"]), str(placed["piece"])

    def named() -> list[str]:
        found = check_project(folder)["findings"]
        return [
            f["problem"]
            for f in found
            if f["about"] == f"block {block}" and "whole" in f["problem"]
        ]

    assert any(piece in problem for problem in named())
    with Project.open(folder) as project, project.edit(who="test", what="cut up") as edit:
        edit.update("blocks", block, {"state": "sawn"})
    assert named() == []
