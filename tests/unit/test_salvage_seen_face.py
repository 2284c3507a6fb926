"""What is said of the surface of a piece that will show, and where it is said."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import numpy as np
import pytest
import shapely

from facademap.errors import InputError, StageError
from facademap.io.rule_files import load_criteria, load_profile
from facademap.repair.criteria import read_criteria
from facademap.repair.stages import check_states, enter_stage
from facademap.salvage.preview import with_note
from facademap.salvage.seen_face import seen_face, unseen_faces
from facademap.store.project import Project
from facademap.tasks.desk.work import work_overview
from facademap.tasks.project.create_project import ProjectPlan, create_project
from facademap.tasks.record.work import record, work_state

FACE = {"id": "B-1.1", "photo": "PH-1", "finish": "droved"}


def test_a_piece_from_the_front_slab_shows_what_was_photographed() -> None:
    seen = seen_face({"slab": 0}, FACE)
    assert (seen.photographed, seen.words, seen.short) == (True, "", "")
    assert seen_face(None, FACE).photographed


def test_a_piece_from_the_second_slab_or_without_a_photo_says_that_nobody_has_seen_its_face() -> (
    None
):
    inside = seen_face({"slab": 1}, FACE)
    assert not inside.photographed
    assert inside.words.startswith(
        "Slab 2: its face lies inside the stone and has not been photographed"
    )
    assert "look again" in inside.words
    bare = seen_face({"slab": 0}, {**FACE, "photo": None})
    assert (bare.photographed, bare.short) == (False, "its face was not photographed")


def test_another_finish_takes_off_the_skin_that_was_photographed() -> None:
    worked = seen_face({"slab": 0}, FACE, piece={"finish": "rubbed"})
    assert worked.photographed
    assert "droved and the piece is to be rubbed" in worked.words
    assert not seen_face({"slab": 0}, FACE, piece={"finish": "droved"}).words


def test_unseen_faces_are_found_by_repair() -> None:
    places = [
        {"repair": "R-1", "face": "B-1.1", "slab": 0},
        {"repair": "R-2", "face": "B-1.1", "slab": 2},
        {"repair": "R-3", "face": "gone", "slab": 1},
    ]
    assert list(unseen_faces(places, [FACE])) == ["R-2"]


def test_only_a_face_that_nobody_had_seen_must_be_looked_at_again() -> None:
    every = load_criteria(None)
    repair = {
        "id": "R-2", "treatment": "inset", "stage": "piece sawn", "held_back": None, "measured": {},
        "materials": None, "pins": None, "edges": None, "depth_m": 0.1,
    }  # fmt: skip
    now = dt.datetime(2027, 5, 4, 12, tzinfo=dt.UTC)

    def go_on(*, unseen: bool, log: list[dict[str, object]]) -> dict[str, object]:
        return enter_stage(
            repair, "dry-fitted", log=log, criteria=every.applying(unseen_face=unseen),
            settings=load_profile("metric"), at=now, now=now,
        )  # fmt: skip

    def passed(name: str) -> dict[str, object]:
        return {
            "id": name, "repair": "R-2", "at": "2027-05-04T10:00:00+00:00", "stage": None, "check": name,
            "result": "pass", "measured": None, "corrects": None,
        }  # fmt: skip

    others = [
        passed(c.name) for c in every.criteria if c.name != "look again" and "inset" in c.treatments
    ]
    assert go_on(unseen=False, log=others)["stage"] == "dry-fitted"
    with pytest.raises(StageError, match="look again"):
        go_on(unseen=True, log=others)
    assert go_on(unseen=True, log=[*others, passed("look again")])["stage"] == "dry-fitted"
    names = {
        s.criterion for s in check_states(repair, [], criteria=every.applying(unseen_face=False))
    }
    assert "look again" not in names


def test_a_criterion_for_some_other_case_is_refused_by_name() -> None:
    text = """name = "x"
[[criterion]]
name = "a"
before = "bedded"
treatments = ["inset"]
kind = "seen"
only = "blue stone"
text = "t"
source = "s"
status = "practice"
"""
    with pytest.raises(InputError, match="only 'blue stone' is unknown"):
        read_criteria(text)


def test_the_note_stands_below_the_picture_and_leaves_it_alone() -> None:
    picture = np.full((60, 400, 3), 90, np.uint8)
    noted = with_note(picture, "Old face of the block. " * 6)
    assert (noted[:60] == picture).all()
    assert noted.shape[1] == 400
    assert noted.shape[0] > 100
    assert (noted[60:].reshape(-1, 3).max(axis=0) == (255, 213, 74)).all()


def _project(folder: Path, *, slab: int) -> Path:
    """One inset whose piece is planned from the first or the second slab of a block."""
    create_project(
        folder,
        ProjectPlan(
            name="yard",
            elevations=({"id": "E", "name": "front"},),
            surfaces=({"id": "S", "elevation": "E", "name": "front"},),
        ),
    )
    cut, piece = shapely.box(0.1, 0.1, 0.25, 0.2), shapely.box(0.103, 0.103, 0.247, 0.197)
    rows = {
        "repairs": {"id": "R1", "surface": "S", "treatment": "inset", "geometry": cut, "edges": [0.003] * 4},
        "pieces": {
            "id": "P1", "surface": "S", "repair": "R1", "geometry": piece, "width_m": 0.144, "height_m": 0.094,
            "depth_m": 0.06, "bed": "any", "stone_type": "grey",
        },
        "blocks": {"id": "B1", "stone_type": "grey", "acceptance": "accepted"},
        "photos": {"id": "PH1", "path": "photos/a.jpg", "sha256": "0" * 64, "width_px": 10, "height_px": 10},
        "faces": {
            "id": "B1.1", "block": "B1", "outline": [[0, 0], [0.5, 0], [0.5, 0.3], [0, 0.3]], "usable_depth_m": 0.2,
            "photo": "PH1",
        },
        "placements": {
            "id": "A1", "repair": "R1", "piece": "P1", "block": "B1", "face": "B1.1", "slab": slab, "x_m": 0.0, "y_m": 0.0,
            "slab_thicknesses": [0.07, 0.07], "blank": [[0, 0], [0.15, 0], [0.15, 0.1], [0, 0.1]],
        },
    }  # fmt: skip
    with Project.open(folder) as project, project.edit(who="test", what="rows") as edit:
        for table, row in rows.items():
            edit.insert(table, [row])
    return folder


@pytest.mark.parametrize(("slab", "asked"), [(0, False), (1, True)])
def test_the_record_asks_for_the_look_again_where_nobody_had_seen_the_face(
    tmp_path: Path, slab: int, asked: bool
) -> None:
    folder = _project(tmp_path / "p", slab=slab)
    state = work_state(folder, "R1")
    assert ("look again" in state["asks"]) == asked
    assert ("look again" in {c["criterion"] for c in state["checks"]}) == asked
    with Project.open(folder, read_only=True) as project:
        desk = work_overview(project)["states"]["R1"]
    assert ("look again" in {name for name, *_ in desk["checks"]}) == asked
    # nobody is asked about a face that was photographed, though a look is never refused
    assert record(folder, "R1", "look again", result="pass")["result"] == "pass"
