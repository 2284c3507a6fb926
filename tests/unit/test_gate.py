"""The gate: what depends on a thing is told before it goes, stages come from the record, names name something."""

from __future__ import annotations

import shutil
import sqlite3
import sys
import uuid
import warnings
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import shapely
from click.testing import CliRunner

sys.path.insert(0, str(Path(__file__).parents[1] / "e2e"))
import desk_sample

from facademap.cli.main import main
from facademap.errors import InputError, InUseError, StageError
from facademap.store.gate import WHEN_GONE, gated_edit
from facademap.store.project import Project
from facademap.tables import TABLES
from facademap.tasks.match.match import match_project
from facademap.tasks.plan.plan import plan_project
from facademap.tasks.project.check import check_project
from facademap.tasks.project.remove import remove_rows
from facademap.tasks.record import work
from facademap.web.app import make_app

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    from starlette.testclient import TestClient

SQUARE = {
    "type": "Polygon",
    "coordinates": [[[8.0, 1.0], [8.2, 1.0], [8.2, 1.2], [8.0, 1.2], [8.0, 1.0]]],
}


@pytest.fixture(scope="module")
def planned(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return desk_sample.make_planned_project(tmp_path_factory.mktemp("gate") / "sample", blocks=3)


@pytest.fixture
def folder(planned: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(planned, tmp_path / "project"))


@pytest.fixture
def client(folder: Path) -> Iterator[TestClient]:
    with TestClient(make_app(folder), base_url="http://127.0.0.1:8477") as client:
        yield client


def edit(client: TestClient, *changes: dict[str, Any], **more: Any) -> Any:
    body = {"key": f"desk-gate-{uuid.uuid4().hex[:16]}", "who": "ada", "what": "try", **more}
    return client.post("/api/edits", json={**body, "changes": list(changes)})


def seen(client: TestClient, table: str, id: str) -> dict[str, Any]:
    found: dict[str, Any] = client.get(f"/api/rows/{table}/{id}").json()
    return found


def update(client: TestClient, table: str, id: str, **values: Any) -> dict[str, Any]:
    rev = seen(client, table, id)["rev"]
    return {"op": "update", "table": table, "id": id, "rev": rev, "values": values}


def delete(client: TestClient, table: str, id: str) -> dict[str, Any]:
    return {"op": "delete", "table": table, "id": id, "rev": seen(client, table, id)["rev"]}


def an_inset(folder: Path) -> str:
    repairs = desk_sample.rows(folder, "repairs")
    chosen = (repairs["treatment"] == "inset") & repairs["held_back"].isna()
    return str(repairs["id"][chosen].iloc[0])


def place(folder: Path, repair: str, *, state: str = "proposed", block: str = "B-001") -> str:
    piece = desk_sample.rows(folder, "pieces", repair=repair).iloc[0]
    face = desk_sample.rows(folder, "faces", block=block).iloc[0]
    with Project.open(folder) as project, project.edit(who="test", what="place") as made:
        made.insert(
            "placements",
            [
                {"id": f"X:{repair}", "repair": repair, "piece": piece["id"], "block": block, "face": face["id"],
                 "x_m": 0.02, "y_m": 0.02, "state": state}
            ],
        )  # fmt: skip
    return f"X:{repair}"


def faults(folder: Path) -> list[dict[str, Any]]:
    return [f for f in check_project(folder)["findings"] if f["level"] == "fault"]


def test_every_name_of_another_row_has_its_consequence() -> None:
    named = {(t.name, c.name) for t in TABLES.values() for c in t.columns if c.refers}
    assert named == set(WHEN_GONE)
    for (table, column), way in WHEN_GONE.items():
        if way == "unlinked":
            assert TABLES[table].column(column).nullable


# -- stages ------------------------------------------------------------------------------------


@pytest.mark.parametrize("stage", ["accepted", "approved", "cut out", "on hold"])
def test_a_stage_cannot_be_typed_over(client: TestClient, folder: Path, stage: str) -> None:
    repair = an_inset(folder)
    answer = edit(client, update(client, "repairs", repair, stage=stage))
    assert (answer.status_code, answer.json()["error"]["type"]) == (409, "StageError")
    assert "record" in answer.json()["error"]["remedy"]
    assert seen(client, "repairs", repair)["row"]["stage"] == "proposed"


def test_a_new_repair_begins_proposed_and_the_record_is_entered_with_its_gate(
    client: TestClient,
) -> None:
    new = {
        "surface": desk_sample.SURFACE,
        "treatment": "clean",
        "geometry": SQUARE,
        "stage": "accepted",
    }
    made = edit(client, {"op": "insert", "table": "repairs", "id": "new:1", "values": new})
    assert made.status_code == 409
    entry = {"repair": "R-001", "at": "2026-01-01T00:00:00+00:00", "stage": "accepted"}
    typed = edit(client, {"op": "insert", "table": "work_log", "id": "new:1", "values": entry})
    assert typed.status_code == 400


def test_measures_and_what_holds_a_repair_back_are_not_typed_over(
    client: TestClient, folder: Path
) -> None:
    repair = an_inset(folder)
    assert (
        edit(client, update(client, "repairs", repair, measured={"widths_m": [1]})).status_code
        == 409
    )
    with Project.open(folder) as project, project.edit(who="t", what="t") as made:
        made.update("repairs", repair, {"held_back": "The cause is not settled."})
    assert edit(client, update(client, "repairs", repair, held_back=None)).status_code == 409
    decided = update(
        client,
        "repairs",
        repair,
        held_back=None,
        overruled_by="J. Roe",
        reason="Seen dry for a year.",
    )
    assert edit(client, decided).status_code == 200


def test_a_cut_out_is_not_moved_onto_another(client: TestClient, folder: Path) -> None:
    repairs = desk_sample.rows(folder, "repairs")
    cut = repairs[repairs["treatment"] == "inset"]
    one, other = cut.iloc[0], cut.iloc[1]
    dx, dy = (
        other.geometry.centroid.x - one.geometry.centroid.x,
        other.geometry.centroid.y - one.geometry.centroid.y,
    )
    moved = shapely.geometry.mapping(shapely.affinity.translate(one.geometry, dx, dy))
    answer = edit(client, update(client, "repairs", one["id"], geometry=moved))
    assert answer.status_code == 400
    assert other["id"] in answer.json()["error"]["problem"]
    # a repair that cuts nothing may lie there, and may not become an inset where it lies
    id = repairs[~repairs["treatment"].isin(["inset", "whole stone"])]["id"].iloc[0]
    assert edit(client, update(client, "repairs", id, geometry=moved)).status_code == 200
    assert edit(client, update(client, "repairs", id, treatment="inset")).status_code == 400
    assert not [f for f in faults(folder) if f["kind"] == "overlap"]


def test_what_was_approved_is_not_changed_by_the_way(client: TestClient, folder: Path) -> None:
    repairs = desk_sample.rows(folder, "repairs")
    surface_work = str(
        repairs["id"][
            ~repairs["treatment"].isin(["inset", "whole stone"]) & repairs["held_back"].isna()
        ].iloc[0]
    )
    work.move_on(folder, surface_work, "approved")
    for values in (
        {"treatment": "clean"},
        {"geometry": SQUARE},
        {"conditions": []},
        {"depth_m": 0.2},
    ):
        answer = edit(client, update(client, "repairs", surface_work, **values))
        assert answer.json()["error"]["type"] == "StageError", values
    assert (
        edit(client, update(client, "repairs", surface_work, note="beside the gutter")).status_code
        == 200
    )


def test_an_approved_place_is_opened_again_before_it_is_moved(
    client: TestClient, folder: Path
) -> None:
    id = place(folder, an_inset(folder), state="approved")
    moved = edit(client, update(client, "placements", id, x_m=0.1))
    assert moved.json()["error"]["type"] == "StageError"
    sawn = edit(client, update(client, "placements", id, state="sawn"))
    assert "piece is sawn" in sawn.json()["error"]["problem"]
    assert edit(client, update(client, "placements", id, state="proposed")).status_code == 200
    assert edit(client, update(client, "placements", id, x_m=0.1)).status_code == 200


def test_the_audit_finds_a_stage_that_was_typed_over_before_there_was_a_gate(folder: Path) -> None:
    repair = an_inset(folder)
    with Project.open(folder) as project, project.edit(who="old", what="typed") as made:
        made.update("repairs", repair, {"stage": "accepted"})
    [found] = [f for f in faults(folder) if f["kind"] == "stage"]
    assert (found["table"], found["row"], found["field"]) == ("repairs", repair, "stage")
    assert "its record says proposed" in found["problem"]


def test_the_audit_finds_checks_that_a_stage_needs(folder: Path) -> None:
    repair = an_inset(folder)
    with Project.open(folder) as project, project.edit(who="old", what="typed") as made:
        made.update("repairs", repair, {"stage": "accepted"})
        entry = {
            "id": "W-90001",
            "repair": repair,
            "at": "2026-01-01T00:00:00+00:00",
            "stage": "accepted",
        }
        made.insert("work_log", [entry])
    problems = " ".join(f["problem"] for f in faults(folder) if f["row"] == repair)
    assert "was not checked" in problems
    assert "as cut was not written down" in problems


# -- names -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("table", "column", "value"),
    [
        ("conditions", "wall_stone", "S-999"),
        ("conditions", "photo", "none.jpg"),
        ("repairs", "conditions", ["C-999"]),
        ("pieces", "lock_block", "B-999"),
        ("pieces", "forbid_blocks", ["B-001", "B-999"]),
    ],
)
def test_a_name_of_nothing_is_refused(
    client: TestClient, folder: Path, table: str, column: str, value: Any
) -> None:
    id = str(desk_sample.rows(folder, table)["id"].iloc[0])
    answer = edit(client, update(client, table, id, **{column: value}))
    assert answer.status_code == 400
    assert (
        "999" in answer.json()["error"]["problem"]
        or "none.jpg" in answer.json()["error"]["problem"]
    )


def test_leaving_a_piece_without_a_block_is_no_name(client: TestClient, folder: Path) -> None:
    id = str(desk_sample.rows(folder, "pieces")["id"].iloc[0])
    assert edit(client, update(client, "pieces", id, lock_block="-")).status_code == 200
    assert not faults(folder)


@pytest.mark.parametrize(
    ("typed", "depth_m"),
    [("60 cm", 0.6), ("2 3/8 in", 0.060325), ("abc", None), ("60", None), ("9 m", None)],
)
def test_a_depth_is_stored_as_typed_or_refused(
    client: TestClient, typed: str, depth_m: float | None
) -> None:
    answer = edit(client, update(client, "conditions", "C-001", depth_m=typed))
    if depth_m is None:
        assert answer.status_code == 400
        assert "C-001" in answer.json()["error"]["problem"] or "depth_m" in str(answer.json())
    else:
        assert seen(client, "conditions", "C-001")["row"]["depth_m"] == pytest.approx(depth_m)


def test_a_length_can_be_asked_for(client: TestClient) -> None:
    assert client.get("/api/length", params={"text": "60 cm", "unit": "mm"}).json() == {
        "m": 0.6,
        "shown": "600.0 mm",
    }
    assert client.get("/api/length", params={"text": "abc"}).json()["error"]["remedy"]


# -- deletes -----------------------------------------------------------------------------------


def test_stones_under_conditions_are_told_then_go_and_come_back(
    client: TestClient, folder: Path
) -> None:
    before = desk_sample.rows(folder)
    stones = sorted(set(before["wall_stone"].dropna()))[:5]
    named = int(before["wall_stone"].isin(stones).sum())
    changes = [delete(client, "wall_stones", s) for s in stones]
    told = client.post("/api/consequences", json={"changes": changes}).json()
    assert not told["free"]
    assert {"what": "unlinked", "table": "conditions", "n": named} in told["counts"]
    refused = edit(client, *changes)
    assert (refused.status_code, refused.json()["error"]["type"]) == (409, "InUseError")
    assert refused.json()["error"]["consequences"] == told
    assert edit(client, *changes, confirmed="another seal").status_code == 409
    done = edit(client, *changes, confirmed=told["seal"])
    assert done.status_code == 200
    after = desk_sample.rows(folder)
    assert not after["wall_stone"].isin(stones).any()
    assert not faults(folder)
    back = [{**c, "rev": None} if c["op"] != "update" else c for c in done.json()["inverse"]]
    for c in back:
        if c["op"] == "update":
            c["rev"] = seen(client, c["table"], c["id"])["rev"]
    assert edit(client, *back, undoes=done.json()["txn"]).status_code == 200
    restored = desk_sample.rows(folder)
    assert dict(zip(restored["id"], restored["wall_stone"], strict=True)) == dict(
        zip(before["id"], before["wall_stone"], strict=True)
    )


def test_a_block_in_use_takes_its_proposed_places_along_and_none_that_was_approved(
    client: TestClient, folder: Path
) -> None:
    id = place(folder, an_inset(folder))
    told = client.post(
        "/api/consequences", json={"changes": [delete(client, "blocks", "B-001")]}
    ).json()
    gone = {(r["table"], r["id"]) for r in told["taken_out"]}
    assert ("placements", id) in gone
    assert any(t == "faces" for t, _ in gone)
    edit(client, update(client, "placements", id, state="approved"))
    refused = edit(client, delete(client, "blocks", "B-001"), confirmed=True)
    assert refused.json()["error"]["type"] == "StageError"
    assert "approved on block B-001" in refused.json()["error"]["problem"]
    assert seen(client, "blocks", "B-001")["row"] is not None


def test_a_repair_with_entries_in_its_record_stays(client: TestClient, folder: Path) -> None:
    repair = an_inset(folder)
    work.move_on(folder, repair, "approved")
    for back in (False, True):
        if back:
            work.move_on(folder, repair, "proposed", reason="not this year")
        answer = edit(client, delete(client, "repairs", repair), confirmed=True)
        assert answer.json()["error"]["type"] == "StageError"
    assert "record" in answer.json()["error"]["problem"]


def test_a_condition_that_an_approved_repair_rests_on_stays(
    client: TestClient, folder: Path
) -> None:
    repair = an_inset(folder)
    condition = str(desk_sample.rows(folder, "repairs", id=repair)["conditions"].iloc[0][0])
    work.move_on(folder, repair, "approved")
    answer = edit(client, delete(client, "conditions", condition), confirmed=True)
    assert answer.json()["error"]["type"] == "StageError"
    assert repair in answer.json()["error"]["problem"]


def test_a_surface_with_anything_on_it_stays(client: TestClient) -> None:
    answer = edit(client, delete(client, "surfaces", desk_sample.SURFACE), confirmed=True)
    assert answer.json()["error"]["type"] == "StageError"


def test_what_nothing_depends_on_goes_without_a_word(client: TestClient) -> None:
    new = {"surface": desk_sample.SURFACE, "term": "alveolization", "geometry": SQUARE}
    made = edit(
        client, {"op": "insert", "table": "conditions", "id": "new:1", "values": new}
    ).json()["ids"]["new:1"]
    assert edit(client, delete(client, "conditions", made)).status_code == 200


def test_what_is_pointed_elsewhere_in_the_same_edit_does_not_depend(
    client: TestClient, folder: Path
) -> None:
    conditions = desk_sample.rows(folder)
    stone = str(conditions["wall_stone"].dropna().iloc[0])
    moves = [
        update(client, "conditions", id, wall_stone=None)
        for id in conditions["id"][conditions["wall_stone"] == stone]
    ]
    repairs = desk_sample.rows(folder, "repairs")
    moves += [
        update(client, "repairs", id, wall_stone=None)
        for id in repairs["id"][repairs["wall_stone"] == stone]
    ]
    assert edit(client, delete(client, "wall_stones", stone), *moves).status_code == 200
    assert not faults(folder)


def test_a_condition_without_a_term_is_refused(client: TestClient) -> None:
    new = {"surface": desk_sample.SURFACE, "geometry": SQUARE}
    answer = edit(client, {"op": "insert", "table": "conditions", "id": "new:1", "values": new})
    assert answer.status_code == 400
    assert "term" in answer.json()["error"]["problem"]


def test_the_command_line_goes_through_the_same_gate(folder: Path) -> None:
    stone = str(desk_sample.rows(folder)["wall_stone"].dropna().iloc[0])
    run = CliRunner().invoke
    tried = run(main, ["remove", str(folder), "wall_stones", stone, "--try"])
    assert tried.exit_code == 0
    assert "lose" in tried.output
    assert run(main, ["remove", str(folder), "wall_stones", stone]).exit_code == 2
    assert run(main, ["remove", str(folder), "wall_stones", stone, "--confirmed"]).exit_code == 0
    assert run(main, ["remove", str(folder), "wall_stones", stone]).exit_code == 2
    assert not faults(folder)
    with pytest.raises(InUseError):
        remove_rows(folder, "blocks", ["B-001"])


def test_every_task_that_stores_goes_through_the_gate(folder: Path) -> None:
    with Project.open(folder) as project:
        with pytest.raises(InputError), gated_edit(project, who="t", what="t") as made:
            made.update("conditions", "C-001", {"wall_stone": "S-999"})
        with pytest.raises(StageError), gated_edit(project, who="t", what="t") as made:
            made.update("repairs", an_inset(folder), {"stage": "accepted"})
        with pytest.raises(InputError), gated_edit(project, who="t", what="t") as made:
            made.delete("blocks", "B-001")
    assert not faults(folder)


def test_planning_leaves_a_promised_place_and_keeps_what_has_a_record(folder: Path) -> None:
    repair = an_inset(folder)
    place(folder, repair, state="approved")
    repairs = desk_sample.rows(folder, "repairs")
    other = str(
        repairs["id"][
            (repairs["treatment"] == "inset")
            & repairs["held_back"].isna()
            & (repairs["id"] != repair)
        ].iloc[0]
    )
    work.move_on(folder, other, "approved")
    work.move_on(folder, other, "proposed", reason="again")
    for id in (repair, other):
        conditions = desk_sample.rows(folder, "repairs", id=id)["conditions"].iloc[0]
        with Project.open(folder) as project, project.edit(who="t", what="deleted") as made:
            for c in conditions:
                made.update("conditions", c, {"cc": 0, "depth_m": 0.001})
    plan_project(folder)
    kept = desk_sample.rows(folder, "repairs", id=repair).iloc[0]
    assert kept["treatment"] == "inset"
    assert len(desk_sample.rows(folder, "placements", repair=repair)) == 1
    assert len(desk_sample.rows(folder, "repairs", id=other)) == 1
    assert not [f for f in faults(folder) if f["kind"] in ("reference", "stage", "settled")]


# -- undecided ---------------------------------------------------------------------------------


def test_planning_asks_for_what_is_wanting_and_a_person_may_decide(
    client: TestClient, folder: Path
) -> None:
    new = {"surface": desk_sample.SURFACE, "term": "alveolization", "geometry": SQUARE}
    made = edit(
        client, {"op": "insert", "table": "conditions", "id": "new:1", "values": new}
    ).json()["ids"]["new:1"]
    plan_project(folder)
    repairs = desk_sample.rows(folder, "repairs")
    [repair] = [r for r in repairs.to_dict("records") if made in r["conditions"]]
    assert (repair["treatment"], repair["asks"], repair["rule_status"]) == (
        "undecided",
        ["depth_m", "cc"],
        None,
    )
    lines = [f for f in client.get("/api/check").json()["findings"] if f["row"] == made]
    assert ("undecided", "conditions", "depth_m") in {
        (f["kind"], f["table"], f["field"]) for f in lines
    }
    entered = client.post(
        "/api/work/stage", json={"repair": repair["id"], "stage": "approved", "who": "ada"}
    )
    assert "undecided" in entered.json()["error"]["problem"]
    bare = edit(client, update(client, "repairs", repair["id"], treatment="leave"))
    assert bare.status_code == 400
    decided = {"treatment": "leave", "overruled_by": "J. Roe", "reason": "A tool mark, no damage."}
    assert edit(client, update(client, "repairs", repair["id"], **decided)).status_code == 200
    row = seen(client, "repairs", repair["id"])["row"]
    assert (row["asks"], row["held_back"]) == ([], None)
    plan_project(folder)
    again = [
        r for r in desk_sample.rows(folder, "repairs").to_dict("records") if made in r["conditions"]
    ]
    assert [(r["treatment"], r["overruled_by"]) for r in again] == [("leave", "J. Roe")]


def test_proposals_wait_for_a_person(client: TestClient) -> None:
    new = {
        "surface": desk_sample.SURFACE,
        "term": "alveolization",
        "geometry": SQUARE,
        "origin": "assisted",
    }
    made = edit(
        client, {"op": "insert", "table": "conditions", "id": "new:1", "values": new}
    ).json()["ids"]["new:1"]
    waiting = [
        f for f in client.get("/api/check?fast=1").json()["findings"] if f["kind"] == "unconfirmed"
    ]
    assert [(f["row"], f["field"]) for f in waiting] == [(made, "confirmed_by")]
    edit(client, update(client, "conditions", made, confirmed_by="ada"))
    assert not [
        f for f in client.get("/api/check?fast=1").json()["findings"] if f["kind"] == "unconfirmed"
    ]


def settled_place(client: TestClient, folder: Path) -> dict[str, Any]:
    """The place of an approved inset on a block."""
    match_project(folder, time_limit_s=None, work_limit=100)
    with Project.open(folder, read_only=True) as project:
        repairs = project.read("repairs")
        insets = set(repairs["id"][repairs["treatment"] == "inset"])
        places = project.read("placements").to_dict("records")
    free = set(repairs["id"][repairs["held_back"].isna()])
    place = next(p for p in places if p["repair"] in insets & free)
    work.move_on(folder, place["repair"], "approved")
    answer = edit(client, update(client, "placements", place["id"], state="approved"))
    assert answer.status_code == 200
    return place


def test_what_an_approved_piece_rests_on_is_settled_with_it(
    client: TestClient, folder: Path
) -> None:
    place = settled_place(client, folder)
    piece, face, repair = place["piece"], place["face"], place["repair"]
    with Project.open(folder, read_only=True) as project:
        row, looked, materials = (
            project.row("pieces", piece),
            project.row("faces", face),
            project.row("repairs", repair)["materials"],
        )
    shrunk = [[x * 0.3, y * 0.3] for x, y in looked["outline"]]
    tried = (
        ("pieces", piece, {"depth_m": float(row["depth_m"]) * 3}),
        ("pieces", piece, {"bed": "any" if row["bed"] != "any" else "edge"}),
        ("faces", face, {"outline": shrunk}),
        ("faces", face, {"usable_depth_m": 0.02}),
        ("repairs", repair, {"materials": {**materials, "hold_points": ["other"]}}),
        ("repairs", repair, {"materials": None}),
    )
    for table, id, values in tried:
        answer = edit(client, update(client, table, id, **values))
        assert answer.status_code == 409, (table, values)
        assert "approved" in answer.json()["error"]["problem"]
    # what a list from the yard says does not move it either
    with (
        Project.open(folder) as project,
        pytest.raises(StageError, match="holds the piece"),
        gated_edit(project, who="yard", what="read again") as again,
    ):
        again.update("faces", face, {"usable_depth_m": 0.02})
    assert edit(client, update(client, "faces", face, note="chipped")).status_code == 200


def test_a_review_is_about_something_that_was_there(client: TestClient) -> None:
    values = {
        "about_table": "repairs",
        "about": "R-999",
        "reviewer": "bo",
        "decision": "comment",
        "text": "see",
        "at": "2026-05-01T09:00:00+00:00",
        "source": "survey desk",
    }
    refused = edit(client, {"op": "insert", "table": "reviews", "id": "new:1", "values": values})
    assert refused.status_code == 400
    assert "never was in repairs" in refused.json()["error"]["problem"]


def test_a_stone_or_an_opening_is_drawn_once(client: TestClient) -> None:
    values = {"surface": desk_sample.SURFACE, "geometry": SQUARE}
    for table in ("wall_stones", "openings"):
        change = {"op": "insert", "table": table, "id": "new:1", "values": values}
        assert edit(client, change).status_code == 200
        again = edit(client, change)
        assert again.status_code == 400
        assert "has the outline of" in again.json()["error"]["problem"]


def test_no_change_by_hand_leaves_an_inset_that_cannot_be_set(
    client: TestClient, folder: Path
) -> None:
    repair = an_inset(folder)
    for depth_m in (0.001, 0.5):
        answer = edit(client, update(client, "repairs", repair, depth_m=depth_m))
        assert answer.status_code == 400
        assert f"{repair} could not be set so" in answer.json()["error"]["problem"]
    with Project.open(folder, read_only=True) as project:
        piece = project.read("pieces", where={"repair": repair})["id"].iloc[0]
    answer = edit(client, update(client, "pieces", piece, depth_m=0.4))
    assert "follows from its cut-out" in answer.json()["error"]["problem"]
    assert check_project(folder, fast=True)["faults"] == 0


def test_a_face_found_smaller_gives_its_places_back_once_confirmed(
    client: TestClient, folder: Path
) -> None:
    match_project(folder, time_limit_s=None, work_limit=100)
    place = desk_sample.rows(folder, "placements").iloc[0]
    to_come = {"state": "future", "after_repair": place["repair"]}
    held = edit(client, update(client, "blocks", place["block"], **to_come))
    assert "holds pieces" in held.json()["error"]["problem"]
    off = edit(client, update(client, "placements", place["id"], slab=7))
    assert off.status_code == 400
    assert "could not be sawn so" in off.json()["error"]["problem"]
    thin = update(client, "faces", place["face"], usable_depth_m=0.02)
    told = edit(client, thin)
    assert told.status_code == 409
    assert told.json()["error"]["consequences"]["taken_out"]
    done = edit(client, thin, confirmed=told.json()["error"]["consequences"]["seal"])
    assert done.status_code == 200
    assert place["id"] in {r["id"] for r in done.json()["rows"] if r["row"] is None}
    assert check_project(folder, fast=True)["faults"] == 0


# -- doors that are seldom used ------------------------------------------------------------------


def test_a_stone_moved_under_a_planned_repair_is_told_at_once(
    client: TestClient, folder: Path
) -> None:
    repair = seen(client, "repairs", an_inset(folder))["row"]
    stone = seen(client, "wall_stones", repair["wall_stone"])["row"]
    still = edit(client, update(client, "wall_stones", stone["id"], note="looked at"))
    assert still.json()["told"] == []
    ring = [[u + 0.05, v] for u, v in stone["geometry"]["coordinates"][0]]
    moved = {"type": "Polygon", "coordinates": [ring]}
    done = edit(client, update(client, "wall_stones", stone["id"], geometry=moved)).json()
    told = {t["repair"]: t for t in done["told"]}
    assert f"was planned on {stone['id']} as it was drawn before" in told[repair["id"]]["problem"]
    back = edit(client, update(client, "wall_stones", stone["id"], depth_m=0.11)).json()
    assert repair["id"] in [t["repair"] for t in back["told"]]


def test_what_two_deleted_is_told_with_its_place(client: TestClient, folder: Path) -> None:
    mine = delete(client, "conditions", "C-001")
    assert edit(client, mine, confirmed=True).status_code == 200
    again = edit(client, mine, confirmed=True)
    assert again.status_code == 409
    assert again.json()["error"]["theirs"] == {
        "table": "conditions", "id": "C-001", "rev": None, "row": None, "who": None, "at": None,
    }  # fmt: skip


def test_no_block_is_cut_from_itself(client: TestClient, folder: Path) -> None:
    assert edit(client, update(client, "blocks", "B-001", parent="B-001")).status_code == 400
    assert edit(client, update(client, "blocks", "B-001", parent="B-002")).status_code == 200
    assert edit(client, update(client, "blocks", "B-003", parent="B-001")).status_code == 200
    round_ = edit(client, update(client, "blocks", "B-002", parent="B-003"))
    assert "cut from itself" in round_.json()["error"]["problem"]
    with Project.open(folder) as project, project.edit(who="t", what="past the gate") as made:
        made.update("blocks", "B-002", {"parent": "B-003"})
    assert {f["row"] for f in faults(folder) if f["field"] == "parent"} == {"B-001", "B-002", "B-003"}  # fmt: skip


def test_a_piece_lies_on_one_block(client: TestClient, folder: Path) -> None:
    first = seen(client, "placements", place(folder, an_inset(folder)))["row"]
    second = {**first, "block": "B-002", "face": "B-002.1"}
    twice = {"op": "insert", "table": "placements", "id": "new:1", "values": second}
    assert "already" in edit(client, twice).json()["error"]["problem"]
    with Project.open(folder) as project, project.edit(who="t", what="past the gate") as made:
        made.insert(
            "placements",
            [
                {
                    **{
                        k: v
                        for k, v in project.row("placements", first["id"]).items()
                        if k != "rev"
                    },
                    "id": "X:2",
                }
            ],
        )
    assert "X:2" in {f["row"] for f in faults(folder)}


def test_what_is_sent_as_undo_but_is_none_is_an_edit_like_any_other(
    client: TestClient, folder: Path
) -> None:
    repair = an_inset(folder)
    note = edit(client, update(client, "repairs", repair, note="seen")).json()
    shape = shapely.geometry.shape(seen(client, "repairs", repair)["row"]["geometry"])
    u0, v0, u1, v1 = shape.bounds
    smaller = shapely.geometry.mapping(shapely.box(u0, v0, u1 - 0.01, v1))
    sent = edit(client, update(client, "repairs", repair, geometry=smaller), undoes=note["txn"])
    assert sent.status_code == 200, sent.text
    piece = next(r for r in sent.json()["rows"] if r["table"] == "pieces" and r["row"])["row"]
    assert piece["width_m"] < u1 - u0 - 0.01  # the piece has followed, less its joints


def test_what_was_set_aside_comes_back_only_where_its_names_are_there(
    client: TestClient, folder: Path
) -> None:
    with sqlite3.connect(folder / "project.gpkg") as raw:
        raw.execute("UPDATE faces SET appearance = '{' WHERE id = 'B-003.1'")
    raw.close()
    repair = an_inset(folder)
    sent = {"table": "faces", "row": "B-003.1", "who": "ann"}
    done = client.post("/api/check/set-aside", json=sent).json()
    assert done["rows"][0]["named_by"] == []
    assert edit(client, delete(client, "blocks", "B-003")).status_code == 200
    back = client.post("/api/check/put-back", json={"key": done["key"]})
    assert "B-003" in back.json()["error"]["problem"]
    with sqlite3.connect(folder / "project.gpkg") as raw:
        raw.execute("UPDATE faces SET appearance = '{' WHERE id = 'B-001.1'")
    raw.close()
    with Project.open(folder) as project, project.edit(who="t", what="place") as made:
        piece = desk_sample.rows(folder, "pieces", repair=repair).iloc[0]
        made.insert(
            "placements",
            [{"id": "X:1", "repair": repair, "piece": piece["id"], "block": "B-001", "face": "B-001.1", "x_m": 0.02, "y_m": 0.02}],
        )  # fmt: skip
    told = client.post("/api/check/set-aside", json={**sent, "row": "B-001.1"}).json()
    assert told["rows"][0]["named_by"] == [{"table": "placements", "row": "X:1", "column": "face"}]
