"""A piece from stone that another repair takes out of the wall, from the matching to the saw, as typed at the command line."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pypdf
import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "unit"))

from donor_wall import make_donor_wall

from facademap.store.project import Project


def _run(*words: object, expect: int = 0) -> subprocess.CompletedProcess[str]:
    done = subprocess.run(
        [sys.executable, "-m", "facademap", *map(str, words)],
        capture_output=True,
        text=True,
        timeout=300,
    )
    assert done.returncode == expect, done.stderr + done.stdout
    assert "Traceback" not in done.stderr
    return done


def _match(folder: Path, *options: str) -> dict[str, Any]:
    return json.loads(_run("match", folder, *options, "--json").stdout)


def _change(folder: Path, table: str, row: str, **values: Any) -> None:
    with Project.open(folder) as project, project.edit(who="test", what="change") as edit:
        edit.update(table, row, values)


def _places(folder: Path) -> dict[str, dict[str, Any]]:
    with Project.open(folder, read_only=True) as project:
        return {p["repair"]: p for p in project.read("placements").to_dict("records")}


def _faults(folder: Path) -> list[str]:
    done = subprocess.run(
        [sys.executable, "-m", "facademap", "check", str(folder), "--json"],
        capture_output=True,
        text=True,
        timeout=300,
    )
    return [
        f"{f['about']}: {f['problem']}"
        for f in json.loads(done.stdout)["findings"]
        if f["level"] == "fault"
    ]


def _pages(path: Path) -> list[str]:
    return [" ".join(page.extract_text().split()) for page in pypdf.PdfReader(path).pages]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    made = make_donor_wall(tmp_path / "p")
    _run("yard", "remainders", made)
    return made


def test_stone_of_the_wall_serves_a_piece_and_its_repair_goes_first(folder: Path) -> None:
    said = _run("match", folder, "-v")
    assert "R-001: no block (capacity)" in said.stdout
    assert (
        "D-S-12: still in the wall: it comes out with repair R-002; facademap match --donors uses such stone"
        in said.stderr
    )
    said = _run("match", folder, "--donors")
    assert "2 pieces matched (proved best)" in said.stdout
    assert "R-001: its stone comes out with R-002, which goes first" in said.stdout
    found = _match(folder, "--donors")
    assert (found["donors"], found["order"]) == ({"D-S-12": "R-002"}, ["R-002", "R-001"])
    assert _places(folder)["R-001"]["de00"] < 1.0  # it is the stone of the wall

    _run("schedule", folder, "--start", "2027-04-05", "--json")
    bars = {
        b["repair"]: b
        for b in json.loads(_run("schedule", folder, "--start", "2027-04-05", "--json").stdout)[
            "bars"
        ]
    }
    assert bars["R-001"]["start"] > bars["R-002"]["end"]

    before = _places(folder)
    _run("yard", "remainders", folder)
    assert _places(folder) == before
    assert _faults(folder) == []
    again = _match(folder, "--again")
    assert (again["donors"], again["changed"]) == ({"D-S-12": "R-002"}, [])
    assert json.loads(_run("explain", folder, "R-001", "--json").stdout)["block"] == "D-S-12"

    _run("papers", folder)
    tickets = _pages(folder / "out" / "cut-tickets.pdf")
    mine, theirs = (next(p for p in tickets if f"for repair {r}" in p) for r in ("R-001", "R-002"))
    assert "STONE STILL IN THE WALL: it comes out with R-002, which goes first" in mine
    assert "Sound and test it when it is out; saw nothing before it is accepted" in mine
    assert "KEEP THE OLD STONE WHOLE: it is wanted for R-001" in theirs
    assert "The old stone, about 186 kg (409 lb), comes out whole" in theirs
    assert "Defer to local codes" in theirs
    assert "STILL IN THE WALL" not in theirs
    plan = next(p for p in _pages(folder / "out" / "saw-plans.pdf") if "D-S-12" in p)
    assert "STILL IN THE WALL, comes out with R-002: sound and test it" in plan


def test_a_later_match_without_donors_lets_go_of_the_stone_and_says_so(folder: Path) -> None:
    _run("match", folder, "--donors")
    said = _run("match", folder)
    assert (
        "R-001: no longer takes the stone that comes out with R-002 (D-S-12): still in the wall"
        in said.stdout
    )
    assert "facademap match --donors uses such stone" in said.stdout
    assert "R-001" not in _places(folder)

    _run("match", folder, "--donors")
    _change(folder, "placements", _places(folder)["R-001"]["id"], state="approved")
    kept = _match(folder)
    assert _places(folder)["R-001"]["block"] == "D-S-12"
    assert (kept["waits"], kept["let_go"], kept["wall_faults"]) == ({"R-001": "R-002"}, [], [])
    assert kept["order"] == ["R-002", "R-001"]
    notes = _run("yard", "remainders", folder).stderr
    assert "D-S-12 stays as it is" in notes

    _change(
        folder, "pieces", "P-002", lock_block="-"
    )  # its repair is left without stone, so that nothing comes out
    said = _run("match", folder)
    assert (
        "R-001: its stone, block D-S-12, comes out with repair R-002, which has no block and is not cut out"
        in said.stdout
    )
    assert _faults(folder) == [
        "repair R-001: its stone, block D-S-12, comes out with repair R-002, which has no block and is not cut out"
    ]
    refused = _run("match", folder, "--donors", expect=2)
    assert (
        "R-001 is locked to stone that comes out with repair R-002, which is to stay without a piece"
        in refused.stderr
    )


def test_nothing_is_sawn_from_stone_that_is_in_the_wall_or_untested(folder: Path) -> None:
    _run("match", folder, "--donors")
    _change(folder, "placements", _places(folder)["R-001"]["id"], state="approved")
    _change(
        folder,
        "repairs",
        "R-001",
        stage="cut-out measured",
        measured={
            "widths_m": [0.15],
            "heights_m": [0.14],
            "diagonals_m": [0.2, 0.2],
            "depths_m": [0.06],
        },
    )
    assert (
        "its stone, block D-S-12, is still in the wall"
        in _run("record", folder, "R-001", "--stage", "piece sawn", expect=2).stderr
    )
    _change(folder, "repairs", "R-002", stage="cut out")
    assert (
        "came out with repair R-002 and is not accepted yet"
        in _run("record", folder, "R-001", "--stage", "piece sawn", expect=2).stderr
    )
    _run("papers", folder, "--only", "tickets")
    tickets = _pages(folder / "out" / "cut-tickets.pdf")
    assert any("STONE NOT TESTED: it came out with R-002" in p for p in tickets)
    assert not any("KEEP THE OLD STONE" in p for p in tickets)
    _change(folder, "blocks", "D-S-12", state="available", acceptance="accepted")
    assert (
        "D-S-12" not in _run("record", folder, "R-001", "--stage", "piece sawn", expect=2).stderr
    )  # the checks of the cut-out are still open
    assert _match(folder)["waits"] == {}
    assert _places(folder)["R-001"]["block"] == "D-S-12"


def test_without_stone_of_the_wall_the_remedy_is_told(tmp_path: Path) -> None:
    folder = make_donor_wall(tmp_path / "p")
    assert "facademap yard remainders" in _run("match", folder, "--donors", expect=2).stderr
    assert _places(folder) == {}


def test_going_on_from_a_plan_leaves_no_piece_waiting_for_stone_that_does_not_come(
    folder: Path,
) -> None:
    _run("match", folder, "--donors")
    _change(folder, "pieces", "P-002", lock_block="-")
    said = _run("match", folder, "--again")
    assert (
        "R-001: no longer takes the stone that comes out with R-002 (D-S-12): repair R-002, with which it comes out, has no piece"
        in said.stdout
    )
    assert _places(folder)["R-001"]["block"] == "B-1"
    assert _faults(folder) == []
