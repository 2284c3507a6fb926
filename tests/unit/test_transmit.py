"""Issued papers: numbers, revisions, who got them, what was superseded, the same bytes again."""

from __future__ import annotations

import io
import json
import shutil
import sys
import zipfile
from pathlib import Path

import ezdxf
import pypdf
import pytest
from click.testing import CliRunner
from ezdxf import bbox
from shapely.affinity import translate

sys.path.insert(0, str(Path(__file__).parents[2]))

from benchmarks.papers_project import make_project
from facademap.cli.main import main
from facademap.errors import FacademapError
from facademap.report.pdf_sets import picked
from facademap.report.struck_dxf import STAMP_LAYER
from facademap.store.project import Project
from facademap.tasks.desk.papers import asked_about, page_of_papers, paper_numbered
from facademap.tasks.issue.issued import file_issued, list_issued, sheet_issued
from facademap.tasks.issue.packs import papers_for, write_pack
from facademap.tasks.issue.papers import Choices, make_papers
from facademap.tasks.issue.transmit import transmit

A4 = Choices(pictures=False, sheet="A4")
SAID = {
    "to": ["A. Mason"],
    "status": "tender",
    "reason": "first issue",
    "drawn_by": "E. Vane",
    "only": ["drawings", "lists"],
    "choices": Choices(pictures=False),
}


@pytest.fixture(scope="module")
def once(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("issue") / "p"
    make_project(folder, insets=4, conditions=12).close()
    transmit(folder, **SAID, date="2026-11-30")
    return folder


@pytest.fixture
def folder(once: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(once, tmp_path / "p"))


def current(folder: Path, number: str) -> Path:
    return next((folder / "issued" / "current").glob(f"{number} *.pdf"))


def move_a_condition(folder: Path) -> None:
    with Project.open(folder) as project, project.edit(who="E. Vane", what="look") as edit:
        rows = project.read("conditions")
        edit.update("conditions", "C-004", {"geometry": translate(rows.geometry.iloc[3], 0.2, 0)})
        edit.delete("conditions", "C-010")


def test_an_issued_drawing_says_what_it_is_and_when(folder: Path) -> None:
    reader = pypdf.PdfReader(current(folder, "DR-001"))
    assert reader.metadata["/CreationDate"].startswith("D:20261130")
    text = reader.pages[0].extract_text()
    for word in (
        "DR-001 rev A",
        "FOR TENDER",
        "2026-11-30",
        "E. Vane",
        "NOT CHECKED",
        "first issue",
    ):
        assert word in text
    assert "WORKING PRINT" not in text


def test_what_did_not_change_goes_out_again_as_the_same_bytes(folder: Path) -> None:
    before = {p.name: p.read_bytes() for p in (folder / "issued" / "current").iterdir()}
    again = transmit(folder, **{**SAID, "to": ["B. Planner"], "reason": "copy"}, date="2026-12-09")
    assert not again.transmittal.fresh
    assert {p.name: p.read_bytes() for p in (folder / "issued" / "current").iterdir()} == before
    assert sheet_issued(folder, "DR-001 rev A")["who_has_it"] == ("A. Mason", "B. Planner")


def test_what_changed_is_revised_clouded_and_the_old_one_is_struck(folder: Path) -> None:
    old = current(folder, "DR-001").read_bytes()
    move_a_condition(folder)
    done = transmit(folder, **{**SAID, "reason": "C-004 looked at again"}, date="2026-12-03")
    fresh = {d.name for d in done.transmittal.fresh}
    assert "DR-001 rev B" in fresh
    assert not any(name.startswith("LS") for name in fresh)  # the lists show no conditions
    text = pypdf.PdfReader(current(folder, "DR-001")).pages[0].extract_text()
    assert "DR-001 rev B" in text
    assert "C-004 looked at again" in text
    assert "Not on it any more: C-010" in text
    struck = next((folder / "issued" / "superseded").glob("DR-001 rev A*.pdf"))
    for page in pypdf.PdfReader(struck).pages:
        assert "SUPERSEDED" in page.extract_text()
        assert "DR-001 rev B" in page.extract_text()
    drawings = [*(folder / "issued" / "superseded").glob("DR-001 rev A*.dxf")]
    assert drawings
    for drawing in drawings:
        told = ezdxf.readfile(drawing)
        assert not told.audit().has_errors
        for space in (told.modelspace(), told.layout("Layout1")):
            if drawn := [e for e in space if e.dxf.layer != STAMP_LAYER]:
                stamp = space.query(f'TEXT[layer=="{STAMP_LAYER}"]')
                assert [t.dxf.text[:13] for t in stamp] == ["SUPERSEDED", "by DR-001 rev"]
                box = bbox.extents([e for e in drawn if e.dxftype() != "VIEWPORT"], fast=True)
                assert all(
                    box.inside(t.dxf.insert) and box.inside(t.dxf.align_point) for t in stamp
                )
    assert sheet_issued(folder, "DR-001 rev A")["state"] == "superseded"
    assert paper_numbered(folder, "DR-001 rev B")["state"] == "current"
    # what was sent is kept as it was sent
    sent = zipfile.ZipFile(folder / "issued" / "TR-001.zip")
    assert old in {sent.read(n) for n in sent.namelist()}
    (folder / "copy.pdf").write_bytes(old)
    assert file_issued(folder, folder / "copy.pdf")["replaced_by"] == "DR-001 rev B"
    index = "".join(
        p.extract_text() for p in pypdf.PdfReader(folder / "issued" / "index.pdf").pages
    )
    assert "Superseded" in index
    assert "C-004 looked at again" in index
    assert "TR-002" in index
    # the desk's page: who has what, and an answer to a sheet that somebody holds
    page = page_of_papers(folder, "DR-001 rev A")
    now, old = page[page.index("Issued, current") : page.index("Transmittals")].split(
        "Issued, superseded"
    )
    assert "DR-001 rev B" in now
    assert "A. Mason" in now
    assert "DR-001 rev A" in old
    assert "SUPERSEDED by DR-001 rev B" in page[: page.index("Issued, current")]


def test_a_drawing_that_takes_one_more_sheet_once_it_is_issued_goes_out_whole(folder: Path) -> None:
    """On A4 the title block filled in pushes the legend onto a sheet of its own, so that files have other names."""
    transmit(folder, **{**SAID, "only": ["drawings"], "choices": A4}, date="2026-12-01")
    pages = len(pypdf.PdfReader(current(folder, "DR-001 rev B")).pages)
    assert pages == 3
    names = {p.name for p in (folder / "issued" / "current").glob("DR-001 rev B *")}
    assert "DR-001 rev B drawings condition-sail-loft-quay-front-2.svg" in names
    cover = next((folder / "issued" / "current").glob("* cover.pdf"))
    words = pypdf.PdfReader(cover).pages[0].extract_text().split()
    row = words[words.index("Condition") : words.index("Condition") + 30]
    assert row[row.index(":") + 2] == "3", row  # 1 : 20, then the sheets


def test_the_same_issue_of_the_same_project_is_the_same_archive(once: Path, tmp_path: Path) -> None:
    archives = []
    for name in ("a", "b"):
        there = Path(shutil.copytree(once, tmp_path / name))
        move_a_condition(there)
        archives.append(transmit(there, **SAID, date="2026-12-03").archive.read_bytes())
    assert archives[0] == archives[1]


@pytest.mark.parametrize(
    "wrong",
    [
        {"status": "construction"},
        {"status": "as built", "checked_by": "e. vane"},
        {"status": "soon"},
        {"to": ["  "]},
        {"reason": ""},
        {"date": "2026-13-01"},
        {"only": ["poem"]},
    ],
)
def test_an_issue_that_nobody_answers_for_is_refused(folder: Path, wrong: dict) -> None:
    before = list_issued(folder)
    with pytest.raises(FacademapError) as caught:
        transmit(folder, **{**SAID, **wrong})
    assert caught.value.remedy
    assert list_issued(folder) == before


def test_the_command_line_asks_and_answers(folder: Path) -> None:
    run = CliRunner().invoke
    told = run(main, ["issued", str(folder), "--sheet", "DR-001", "--json"])
    assert json.loads(told.output)["state"] == "current"
    told = run(main, ["issued", str(folder), "--sheet", "DR-001 rev F"])
    assert told.exit_code == 2
    assert "fix: It was issued at A" in told.stderr
    told = run(main, ["papers", str(folder), "--number", "LS-001 rev A"])
    assert "current, for tender" in told.output


def test_a_code_names_the_issued_revision_that_holds(folder: Path) -> None:
    transmit(folder, **{**SAID, "only": ["tickets"]}, date="2026-12-01")
    with Project.open(folder, read_only=True) as project:
        block = str(project.read("blocks")["id"].iloc[0])
    (told,) = [a for a in asked_about(folder, f"block:{block}") if a.what.endswith("as issued")]
    assert told.state == "current"
    assert "rev A in its margin" in told.says
    assert not [a for a in asked_about(folder, "a stranger") if a.what.endswith("as issued")]


def test_a_code_on_a_sheet_whose_repair_changed_since_is_not_told_to_hold(folder: Path) -> None:
    transmit(folder, **{**SAID, "only": ["tickets"]}, date="2026-12-01")
    make_papers(folder, only=["tickets"])
    with Project.open(folder) as project:
        repair, other = (str(r) for r in project.read("pieces")["repair"].iloc[:2])
        with project.edit(who="B. Mason", what="note") as edit:
            edit.update("repairs", repair, {"note": "watch the arris"})
    (told,) = [a for a in asked_about(folder, f"repair {repair}") if a.what.endswith("as issued")]
    assert told.state == "stale"
    assert "ask before working from it" in told.says
    (told,) = [a for a in asked_about(folder, f"repair {other}") if a.what.endswith("as issued")]
    assert told.state == "current"


def test_papers_joined_are_found_by_name(folder: Path) -> None:
    data = current(folder, "DR-001").read_bytes()
    whole = pypdf.PdfReader(
        io.BytesIO(
            picked([("One", data, None), ("Two", data, [1, 0])], title="x", date="2026-12-03")
        )
    )
    assert [o.title for o in whole.outline] == ["One", "Two"]


def test_a_pack_has_everything_a_mason_needs_in_working_order(folder: Path) -> None:
    make_papers(folder, only=papers_for("mason"), choices=Choices(pictures=False))
    pack = pypdf.PdfReader(folder / "out" / write_pack(folder, "mason"))
    names = [o.title for o in pack.outline]
    assert names[0] == "Index"
    with Project.open(folder, read_only=True) as project:
        pieces = project.read("pieces")
        lifts = project.read("repairs").set_index("id")["lift"]
    own = [n for n in names if n in set(pieces["id"])]
    assert sorted(own) == sorted(pieces["id"])
    heights = [lifts[pieces.set_index("id").loc[p, "repair"]] for p in own]
    assert heights == sorted(heights, reverse=True)
    # the page that the index tells is the page where it is
    index = pack.pages[0].extract_text().splitlines()
    for outline in pack.outline[1:]:
        page = pack.get_destination_page_number(outline) + 1
        assert any(line.strip() == str(page) for line in index) or str(page) in "".join(index)
        if outline.title in own:
            assert outline.title in pack.pages[page - 1].extract_text()


def test_a_pack_follows_its_papers(folder: Path) -> None:
    make_papers(folder, only=papers_for("yard"))
    name = write_pack(folder, "yard")
    before = (folder / "out" / name).read_bytes()
    with Project.open(folder) as project, project.edit(who="x", what="lies elsewhere") as edit:
        edit.update("blocks", str(project.read("blocks")["id"].iloc[0]), {"location": "row 99"})
    make_papers(folder, only=papers_for("yard"))
    after = (folder / "out" / name).read_bytes()
    assert after != before
    assert "row 99" in "".join(p.extract_text() for p in pypdf.PdfReader(io.BytesIO(after)).pages)
    with pytest.raises(FacademapError, match="poet"):
        write_pack(folder, "poet")
