"""Stone that the yard lacks: asked for, sampled, tested, approved, ordered, delivered as blocks; no step is left out."""

from __future__ import annotations

import shutil
import sys
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from pypdf import PdfReader

sys.path.insert(0, str(Path(__file__).parents[1] / "e2e"))
import desk_sample

from facademap.cli.main import main
from facademap.store.project import Project
from facademap.tasks.issue.papers import make_papers
from facademap.tasks.yard.orders import list_orders


@pytest.fixture(scope="module")
def planned(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return desk_sample.make_planned_project(tmp_path_factory.mktemp("orders") / "p", blocks=0)


@pytest.fixture
def folder(planned: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(planned, tmp_path / "project"))


def run(folder: Path, *words: str, code: int = 0) -> str:
    done = CliRunner().invoke(main, ["stone", str(folder), *words])
    assert done.exit_code == code, done.output
    assert "Traceback" not in done.output
    return done.output


def stone_of(folder: Path) -> str:
    with Project.open(folder) as project:
        return str(project.read("pieces")["stone_type"].iloc[0])


def test_stone_goes_from_the_enquiry_to_blocks_of_the_yard(folder: Path, tmp_path: Path) -> None:
    stone = stone_of(folder)
    with Project.open(folder) as project, project.edit(who="t", what="colours") as edit:
        for number, name in enumerate(project.read("pieces")["id"]):
            edit.update("pieces", name, {"lab": [59 + 2 * (number % 2), 4, 15]})
        edit.update("pieces", name, {"lab": [60, 4, 15]} if number % 2 == 0 else {})
    assert "pieces wait for it" in run(folder, "--ask", stone.upper(), "--supplier", "North quarry")
    make_papers(folder, only=["enquiries"])
    text = " ".join(
        p.extract_text() for p in PdfReader(folder / "out" / "stone-enquiries.pdf").pages
    )
    with Project.open(folder) as project:
        pieces = project.read("pieces")
    assert f"{len(pieces)} stones" in text
    assert "North quarry" in text
    assert "is asked" in run(folder, "A-001", "--order", "--by", "K", "--volume", "1", code=2)
    run(folder, "A-001", "--sample", "--lab", "62", "4", "15")
    (row,) = list_orders(folder)
    # lightness alone differs: CIEDE2000 is then 2 / (1 + 0.015 * 11**2 / (20 + 11**2) ** 0.5), by hand
    assert row["lab_wanted"] == [60, 4, 15]
    assert row["colour_difference"] == pytest.approx(1.7348, abs=1e-4)
    assert "was not tested" in run(folder, "A-001", "--approve", "--by", "K", code=2)
    run(folder, "A-001", "--test", "Compressive strength", "--value", "9 MPa", "--by", "L", "--result", "fail")  # fmt: skip
    assert "is fail" in run(folder, "A-001", "--approve", "--by", "K", code=2)
    run(folder, "A-001", "--test", "Compressive strength", "--value", "58 MPa", "--by", "L", "--result", "pass")  # fmt: skip
    run(folder, "A-001", "--approve", "--by", "K")
    assert "is no order" in run(folder, "A-001", "--order", "--by", "K", code=2)
    run(folder, "A-001", "--order", "--by", "K", "--volume", "1.2", "--due", "2027-02-01")
    table = tmp_path / "came.csv"
    head = "id,stone_type,length_mm,height_mm,depth_mm\n"
    table.write_text(f"{head}Q-1,granite,600,400,300\n")
    assert "was ordered" in run(folder, "A-001", "--delivered", str(table), code=2)
    table.write_text(f"{head}Q-1,{stone},600,400,300\n")
    assert "blocks Q-1" in run(folder, "A-001", "--delivered", str(table))
    with Project.open(folder) as project:
        block = project.row("blocks", "Q-1")
    assert block["provenance"] == "delivery A-001, North quarry"
    assert block["acceptance"] == "to test"
    assert "is delivered" in run(folder, "A-001", "--sample", code=2)


def test_another_sample_is_not_approved_on_what_the_refused_one_passed(folder: Path) -> None:
    run(folder, "--ask", stone_of(folder), "--supplier", "Q")
    passed = ("A-001", "--test", "absorption", "--value", "4 %", "--by", "L", "--result", "pass")
    run(folder, "A-001", "--sample", "--lab", "62", "4", "15")
    run(folder, *passed)
    run(folder, "A-001", "--refuse", "--by", "K", "--finding", "too dark")
    run(folder, "A-001", "--sample")
    assert "was not tested" in run(folder, "A-001", "--approve", "--by", "K", code=2)
    (row,) = list_orders(folder)
    assert (row["tests"], row["lab_sample"], row["finding"], row["decided_by"]) == ([], None, None, None)  # fmt: skip
    run(folder, *passed)
    run(folder, "A-001", "--sample", "--lab", "70", "4", "15")
    assert "approved" in run(folder, "A-001", "--approve", "--by", "K")
    for colour in (("101", "0", "0"), ("60", "0", "nan"), ("60", "129", "0"), ("-1", "0", "0")):
        assert "error" in run(folder, "A-001", "--sample", "--lab", *colour, code=2)


def test_a_delivery_is_one_step_that_is_undone_as_one(folder: Path, tmp_path: Path) -> None:
    stone = stone_of(folder)
    with Project.open(folder) as project, project.edit(who="t", what="ordered") as edit:
        row = {"id": "A-1", "stone_type": stone, "supplier": "Q", "state": "ordered"}
        edit.insert("orders", [row])
        edit.insert("blocks", [{"id": "B-1", "stone_type": stone}])
    table = tmp_path / "came.csv"
    head = "id,stone_type,length_mm,height_mm,depth_mm\n"
    table.write_text(f"{head}b-1,{stone},600,400,300\n")
    assert "is in the yard already" in run(folder, "A-1", "--delivered", str(table), code=2)
    table.write_text(f"{head}Q-1,{stone},600,400,300\n")
    run(folder, "A-1", "--delivered", str(table))
    with Project.open(folder) as project:
        project.undo(str(project.history(last=1)["txn"].iloc[0]), who="t")
        assert set(project.read("blocks")["id"]) == {"B-1"}
        assert project.row("orders", "A-1")["state"] == "ordered"


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--ask", "porphyry", "--supplier", "Q"], "no piece waits for porphyry"),
        (["--ask", "STONE"], "names no stone or nobody asked"),
        (["--ask", "STONE", "--supplier", "Q", "--piece", "P-999"], "P-999"),
        (["--ask", "STONE", "--supplier", "Q", "--on", "2999-01-01"], "has not come yet"),
        (["A-009", "--sample"], "A-009"),
        (["--sample"], "no enquiry is named"),
        (["A-009"], "nothing is said of"),
        (["A-009", "--sample", "--approve"], "more than one thing"),
    ],
)
def test_bad_input_is_one_line_and_enters_nothing(
    folder: Path, words: list[str], said: str
) -> None:
    stone = stone_of(folder)
    assert said in run(folder, *[w.replace("STONE", stone) for w in words], code=2)
    assert list_orders(folder) == []


def test_the_desk_carries_an_enquiry_to_blocks_in_the_yard(folder: Path) -> None:
    from base64 import b64encode

    from starlette.testclient import TestClient

    from facademap.web.app import make_app

    stone = stone_of(folder)

    def act(step: str, *, status: int = 200, **body: Any) -> str:
        answer = desk.post(f"/api/campaign/stone-{step}", json={"id": "A-001", **body})
        assert answer.status_code == status, answer.text
        return answer.text

    def table(stone: str, name: str = "Q-1") -> dict[str, str]:
        text = f"id,stone_type,length_mm,height_mm,depth_mm\n{name},{stone},600,400,300\n"
        return {"file": "C:\\came in.csv", "content": b64encode(text.encode()).decode()}

    with TestClient(make_app(folder), base_url="http://127.0.0.1:8471") as desk:
        act("ask", stone_type=stone, supplier="North quarry")
        act("sample")
        assert "is sample here" in act("delivery", status=400, **table(stone))
        act("test", test="Strength", value="58 MPa", by="L", tested="pass")
        act("decide", result="approved", by="K")
        act("order", by="K", volume_m3=1.2)
        assert "no file" in act("delivery", status=400)
        assert "is granite" in act("delivery", status=400, **table("granite"))
        refused = act("delivery", status=400, **{**table(stone), "content": b64encode(b"\0\1").decode()})  # fmt: skip
        assert "/tmp" not in refused
        (row,) = list_orders(folder)
        assert (row["state"], row["blocks"]) == ("ordered", [])
        act("delivery", **table(stone), on="2026-11-02")
        assert "is delivered" in act("delivery", status=400, **table(stone, "Q-2"))
    (row,) = list_orders(folder)
    assert (row["state"], row["blocks"], row["delivered_on"]) == ("delivered", ["Q-1"], "2026-11-02")  # fmt: skip
    with Project.open(folder) as project:
        assert project.row("blocks", "Q-1")["acceptance"] == "to test"
        assert len(project.read("blocks")) == 1
