"""Papers know what they were made from: stale ones are said, made again, and recalled by number."""

from __future__ import annotations

import re
import shutil
import sys
import warnings
from pathlib import Path

import pytest
from click.testing import CliRunner
from pypdf import PdfReader

sys.path.insert(0, str(Path(__file__).parents[1] / "e2e"))
import desk_sample

from facademap.cli.main import main
from facademap.errors import InputError
from facademap.store.project import Project
from facademap.tasks.desk.papers import (
    asked_about,
    list_papers,
    page_of_papers,
    paper_numbered,
    papers_now,
)
from facademap.tasks.issue.papers import make_papers
from facademap.tasks.issue.papers_register import recall_paper
from facademap.tasks.project.check import check_project
from facademap.web.app import make_app

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    from starlette.testclient import TestClient

ONLY = ["tickets", "lists", "quantities"]


@pytest.fixture(scope="module")
def issued(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = desk_sample.make_planned_project(
        tmp_path_factory.mktemp("papers") / "sample", blocks=2
    )
    make_papers(folder, only=ONLY)
    return folder


@pytest.fixture
def folder(issued: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(issued, tmp_path / "project"))


def states(folder: Path) -> dict[str, str]:
    return {p["name"]: p["state"] for p in list_papers(folder)}


def change(folder: Path, table: str, id: str, **values: object) -> None:
    with Project.open(folder) as project, project.edit(who="B. Mason", what="corner moved") as edit:
        edit.update(table, id, values)


def test_papers_hold_until_what_they_were_made_from_changes(folder: Path) -> None:
    assert set(states(folder).values()) == {"current"}
    repair = str(desk_sample.rows(folder, "repairs", treatment="inset")["id"].iloc[0])
    change(folder, "repairs", repair, note="watch the arris")
    told = {p["name"]: p for p in list_papers(folder)}
    assert told["tickets"]["state"] == "stale"
    assert repair in told["tickets"]["reasons"][0]
    assert "B. Mason" in told["tickets"]["reasons"][0]
    lines = [f for f in check_project(folder)["findings"] if f["kind"] == "paper"]
    assert {f["row"] for f in lines} >= {"tickets"}
    make_papers(folder, only=ONLY)
    assert set(states(folder).values()) == {"current"}
    assert not [f for f in check_project(folder)["findings"] if f["kind"] == "paper"]


def test_what_a_paper_is_not_made_from_leaves_it_current(folder: Path) -> None:
    with Project.open(folder) as project, project.edit(who="ada", what="review") as edit:
        edit.insert(
            "reviews",
            [
                {
                    "id": "V-001",
                    "at": "2026-05-01T10:00:00+00:00",
                    "reviewer": "ada",
                    "about_table": "conditions",
                    "about": "C-001",
                }
            ],
        )
    assert set(states(folder).values()) == {"current"}
    change(folder, "blocks", "B-001", note="moved to rack 3")
    assert states(folder)["lists"] == "stale"


def test_a_file_altered_by_hand_is_said(folder: Path) -> None:
    path = folder / "out" / "quantities.csv"
    path.write_text(path.read_text("utf-8") + "extra\n", "utf-8")
    assert states(folder)["quantities"] == "changed"


def test_the_number_on_every_sheet_finds_the_paper_in_the_register(folder: Path) -> None:
    pages = PdfReader(folder / "out" / "cut-tickets.pdf").pages
    numbers = {
        m
        for page in pages
        for m in re.findall(r"Paper ([0-9A-F]{4}-[0-9A-F]{4})", page.extract_text())
    }
    assert len(numbers) == 1
    number = numbers.pop()
    assert all(number in page.extract_text() for page in pages)
    entry = paper_numbered(folder, number.lower())
    assert (entry["paper"], entry["state"]) == ("tickets", "current")
    repair = str(desk_sample.rows(folder, "repairs", treatment="inset")["id"].iloc[0])
    change(folder, "repairs", repair, note="watch the arris")
    assert paper_numbered(folder, number)["state"] == "stale"
    make_papers(folder, only=["tickets"])
    assert paper_numbered(folder, number)["state"] == "replaced"


def test_a_paper_that_was_handed_out_is_recalled(folder: Path) -> None:
    number = next(p["number"] for p in list_papers(folder) if p["name"] == "tickets")
    with Project.open(folder) as project:
        for wrong, why in (("0000-0000", "x"), ("nonsense", "x"), (number, "  ")):
            with pytest.raises(InputError):
                recall_paper(project, wrong, why=why, who="ada")
        recall_paper(project, number, why="wrong stone", who="ada")
        with pytest.raises(InputError, match="already"):
            recall_paper(project, number, why="again", who="ada")
    assert paper_numbered(folder, number)["state"] == "recalled"
    assert [(a.state, a.says) for a in asked_about(folder, number)] == [("recalled", "wrong stone")]
    # recalling says nothing new on paper
    assert set(states(folder).values()) == {"current"}
    make_papers(folder, only=ONLY, again=True)
    assert paper_numbered(folder, number)["why"] == "wrong stone"


def test_one_ticket_is_recalled_and_the_others_hold(folder: Path) -> None:
    number = next(p["number"] for p in list_papers(folder) if p["name"] == "tickets")
    first, second = list(paper_numbered(folder, number)["sheets"])[:2]
    with Project.open(folder) as project:
        with pytest.raises(InputError, match="no sheet"):
            recall_paper(project, f"{number} R-999", why="x", who="ada")
        recall_paper(project, f"{number.lower()} {first}", why="wrong bed", who="ada")
        with pytest.raises(InputError, match="already"):
            recall_paper(project, f"{number} {first}", why="again", who="ada")
    told = paper_numbered(folder, f"{number} {first}")
    assert (told["state"], told["why"], told["recalled_by"]) == ("recalled", "wrong bed", "ada")
    assert paper_numbered(folder, f"{number} {second}")["state"] == "current"
    assert paper_numbered(folder, number)["state"] == "current"
    assert set(states(folder).values()) == {"current"}
    run = CliRunner().invoke
    done = run(main, ["papers", str(folder), "--recall", f"{number} {second}", "--why", "old"])
    assert done.exit_code == 0, done.output
    page = (folder / "out" / "papers.html").read_text("utf-8")
    assert f"sheet {first} recalled</strong>: wrong bed" in page
    assert f"sheet {second} recalled</strong>: old" in page


def test_the_register_is_not_made_longer_by_making_the_same_again(folder: Path) -> None:
    before = len(papers_now(folder)[1])
    make_papers(folder, only=ONLY, again=True)
    assert len(papers_now(folder)[1]) == before == len(ONLY)


def test_a_number_or_the_words_of_a_code_say_whether_the_sheet_holds(folder: Path) -> None:
    with Project.open(folder, read_only=True) as project:
        piece = project.read("pieces").iloc[0]
    code = f"{piece['id']}, block B-07, repair {piece['repair']}; Mill"
    number = next(p["number"] for p in list_papers(folder) if p["name"] == "tickets")
    for asked in (code, f"https://example.org/r/{piece['repair']}", f"{number} {piece['repair']}"):
        told = asked_about(folder, asked)
        assert [t.state for t in told if "ticket" in t.what] == ["current"], asked
    assert asked_about(folder, "0000-0000")[0].state == "unknown"
    assert asked_about(folder, "DR-001 rev A")[0].state == "unknown"
    assert asked_about(folder, "who knows")[0].state == "unknown"
    assert not any("as issued" in t.what for t in asked_about(folder, code)), "none was issued"
    change(folder, "repairs", piece["repair"], note="watch the arris")
    told = asked_about(folder, code)
    assert [t.state for t in told if "ticket" in t.what] == ["stale"]
    page = page_of_papers(folder, f'{code} <b title="')
    assert "out of date" in page
    assert '<b title="' not in page, "what was asked stays text"
    assert "<form" not in (folder / "out/papers.html").read_text("utf-8"), "a file asks nobody"


def test_the_page_of_the_project_and_the_desk_say_the_same(folder: Path) -> None:
    page = (folder / "out" / "papers.html").read_text("utf-8")
    assert page.count("<strong>holds</strong>") == 2 * len(ONLY)
    change(folder, "blocks", "B-001", note="<b>rack</b> 3")
    with TestClient(make_app(folder), base_url="http://127.0.0.1:8480") as client:
        live = client.get("/papers.html").text
        assert "out of date" in live
        assert "<b>" not in live
        answer = client.get("/api/papers").json()
        assert answer["stale"] >= 1
        number = answer["papers"][0]["number"]
        assert client.get(f"/api/papers/number/{number}").json()["paper"]
        done = client.post(
            "/api/papers/recall", json={"number": number, "why": "old", "who": "ada"}
        )
        assert done.json()["recalled_at"]
        assert not any(
            k.startswith("paper:") for k in client.get("/api/project").json()["settings"]
        )


def test_the_command_line_tells_and_recalls(folder: Path) -> None:
    run = CliRunner().invoke
    assert "tickets: current" in run(main, ["papers", str(folder), "--state"]).output
    number = list_papers(folder)[0]["number"]
    assert "current" in run(main, ["papers", str(folder), "--number", number]).output
    assert run(main, ["papers", str(folder), "--recall", number]).exit_code == 2
    assert run(main, ["papers", str(folder), "--recall", number, "--why", "old"]).exit_code == 0
    assert "recalled" in run(main, ["papers", str(folder), "--number", number]).output
