"""Stone that whole-stone repairs yield: its colour as the wall shows it, and when the matching may use it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from donor_wall import WARM, make_donor_wall

from facademap.match.from_tables import TableProblem, problem_from_tables
from facademap.photo.lab import difference_ciede2000, lab_from_srgb
from facademap.store.project import Project
from facademap.tasks.match.match import match_project
from facademap.tasks.project.check import check_project
from facademap.tasks.yard.remainders import bring_back_stone

WARM_LAB = lab_from_srgb(np.array([WARM], np.uint8))[0]


def _row(folder: Path, table: str, row: str) -> dict[str, Any]:
    with Project.open(folder, read_only=True) as project:
        return project.row(table, row)


def _change(folder: Path, table: str, row: str, **values: Any) -> None:
    with Project.open(folder) as project, project.edit(who="test", what="change") as edit:
        edit.update(table, row, values)


def _problem(folder: Path, *, donors: bool) -> TableProblem:
    with Project.open(folder, read_only=True) as project:
        return problem_from_tables(
            *(project.read(n) for n in ("repairs", "pieces", "blocks", "faces", "placements")),
            donors=donors,
        )


@pytest.mark.parametrize("bed", ["horizontal", "edge"])
def test_a_donor_has_the_colour_of_its_sound_part_in_the_wall(tmp_path: Path, bed: str) -> None:
    folder = make_donor_wall(tmp_path / "p", bed=bed)
    assert bring_back_stone(folder)["donors"] == 1
    block, face = _row(folder, "blocks", "D-S-12"), _row(folder, "faces", "D-S-12.1")
    assert (
        difference_ciede2000(np.array(face["lab"]), WARM_LAB) < 0.5
    )  # the decay beside it is far off
    assert face["calibrated"]
    assert 0.2 < face["spread"] < 1.0  # its grain, not the step to the decay
    wide, high = (
        0.4 * 0.69 - 0.03,
        0.35,
    )  # what the decay and the cut-back leave; x of a face runs along the bed
    assert (face["width_m"], face["height_m"]) == pytest.approx(
        (wide, high) if bed == "horizontal" else (high, wide)
    )
    assert face["lab_n"] == pytest.approx((wide - 0.024) * (high - 0.024) / 0.003**2, rel=0.05)
    # the heavy value for sandstone, since it serves lifting
    assert block["weight_kg"] == pytest.approx(0.69 * 0.35 * 0.3 * 2563)
    assert (block["after_repair"], block["state"], block["acceptance"]) == (
        "R-002",
        "future",
        "to test",
    )


def test_colours_that_were_not_made_true_stay_so_and_no_picture_leaves_none(tmp_path: Path) -> None:
    folder = make_donor_wall(tmp_path / "a", colour_state="uncalibrated")
    bring_back_stone(folder)
    assert not _row(folder, "faces", "D-S-12.1")["calibrated"]
    folder = make_donor_wall(tmp_path / "b", picture=False)
    notes = bring_back_stone(folder)["notes"]
    assert any(
        "D-S-12 has no colour and is not matched: no rectified elevation" in n for n in notes
    )
    assert _row(folder, "faces", "D-S-12.1")["lab"] is None
    assert match_project(folder, donors=True)["unused"] == {"D-S-12": "no colour was measured"}


def test_the_matching_uses_stone_of_the_wall_where_it_is_asked_to(tmp_path: Path) -> None:
    folder = make_donor_wall(tmp_path / "p")
    bring_back_stone(folder)
    without = _problem(folder, donors=False)
    assert {b.id for b in without.problem.blocks} == {"B-1"}
    assert "comes out with repair R-002; facademap match --donors" in without.left_out["D-S-12"]
    assert without.donors == {}
    asked = _problem(folder, donors=True)
    assert {b.id for b in asked.problem.blocks} == {"B-1", "D-S-12"}
    assert asked.donors == {"D-S-12": "R-002"}


@pytest.mark.parametrize(
    ("table", "row", "change", "why"),
    [
        ("repairs", "R-002", {"stage": "on hold"}, "repair R-002 is on hold"),
        ("repairs", "R-002", {"stage": "cut out"}, "came out with repair R-002: sound and test it"),
        ("blocks", "D-S-12", {"acceptance": "rejected"}, "rejected"),
        (
            "pieces",
            "P-002",
            {"lock_block": "B-9"},
            "repair R-002, with which it comes out, cannot get a piece",
        ),
    ],
)
def test_stone_that_will_not_come_or_is_bad_is_left_out_with_its_reason(
    tmp_path: Path, table: str, row: str, change: dict[str, Any], why: str
) -> None:
    folder = make_donor_wall(tmp_path / "p")
    bring_back_stone(folder)
    _change(folder, table, row, **change)
    found = _problem(folder, donors=True)
    assert "D-S-12" not in {b.id for b in found.problem.blocks}
    assert why in found.left_out["D-S-12"]


def test_a_rejected_donor_is_not_taken_for_untested_when_stone_is_entered_again(
    tmp_path: Path,
) -> None:
    folder = make_donor_wall(tmp_path / "p")
    bring_back_stone(folder)
    _change(
        folder, "blocks", "D-S-12", acceptance="rejected", acceptance_checks={"sounded": "fail"}
    )
    bring_back_stone(folder)
    block = _row(folder, "blocks", "D-S-12")
    assert (block["acceptance"], block["acceptance_checks"]) == ("rejected", {"sounded": "fail"})


def test_stone_that_a_piece_is_planned_from_stays_when_its_repair_takes_it_out_no_more(
    tmp_path: Path,
) -> None:
    folder = make_donor_wall(tmp_path / "p")
    bring_back_stone(folder)
    assert match_project(folder, donors=True)["waits"] == {"R-001": "R-002"}
    _change(folder, "repairs", "R-002", treatment="inset")
    assert any(
        "D-S-12 stays as it is" in n and "no donor any more" in n
        for n in bring_back_stone(folder)["notes"]
    )
    faults = [
        f["problem"]
        for f in check_project(folder)["findings"]
        # an inset drawn by hand that has no rods is a fault of its own
        if f["level"] == "fault" and not f["problem"].startswith("cannot be set as planned: pins")
    ]
    assert faults == [
        "its stone, block D-S-12, was to come out with repair R-002, which takes out no whole stone now"
    ]
