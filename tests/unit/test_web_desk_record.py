"""What arrives late from a phone, what a person can take back, and the settings of the desk."""

from __future__ import annotations

import datetime as dt
import json
import sys
import uuid
import warnings
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import shapely
from click.testing import CliRunner
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

sys.path.insert(0, str(Path(__file__).parents[1] / "e2e"))
import desk_sample

from facademap.condition.required import missing_fields
from facademap.errors import InputError
from facademap.store.project import Project
from facademap.tables.settings import REQUIRABLE, REQUIRED_DEFAULT, read_desk_setting
from facademap.tasks.plan.plan import plan_project
from facademap.tasks.record.work import correct
from facademap.web.app import make_app

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    from starlette.testclient import TestClient

SQUARE = {
    "type": "Polygon",
    "coordinates": [[[8.0, 1.0], [8.2, 1.0], [8.2, 1.2], [8.0, 1.2], [8.0, 1.0]]],
}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = desk_sample.make_project(
        tmp_path_factory.mktemp("record") / "sample", many=18, blocks=2, picture=False
    )
    with (
        Project.open(made) as project,
        project.edit(who="sample", what="causes are settled") as edit,
    ):
        for id in project.read("conditions")["id"]:
            edit.update(
                "conditions", id, {"cause": "leaking gutter, mended", "cause_settled": True}
            )
    plan_project(made)
    return made


@pytest.fixture(scope="module")
def client(folder: Path) -> Iterator[TestClient]:
    with TestClient(make_app(folder), base_url="http://127.0.0.1:8472") as client:
        yield client


def new_key() -> str:
    return f"desk-0000test-{uuid.uuid4().hex[:20]}"


def insets(folder: Path) -> list[str]:
    with Project.open(folder, read_only=True) as project:
        table = project.read("repairs")
    free = table[
        (table["treatment"] == "inset") & table["held_back"].isna() & (table["stage"] == "proposed")
    ]
    return [str(i) for i in free["id"]]


def enter(client: TestClient, act: str, repair: str, **body: Any) -> Any:
    return client.post(f"/api/work/{act}", json={"repair": repair, "who": "ada", **body})


def log_of(folder: Path, repair: str) -> Any:
    with Project.open(folder, read_only=True) as project:
        return project.read("work_log", where={"repair": repair})


def test_an_entry_sent_twice_is_in_the_record_once(client: TestClient, folder: Path) -> None:
    repair, key = insets(folder)[0], new_key()
    first = enter(client, "stage", repair, stage="approved", key=key, seen={"stage": "proposed"})
    second = enter(client, "stage", repair, stage="approved", key=key, seen={"stage": "proposed"})
    assert (first.status_code, second.status_code) == (200, 200)
    assert (first.json()["repeated"], second.json()["repeated"]) == (False, True)
    assert first.json()["entry"] == second.json()["entry"]
    assert len(log_of(folder, repair)) == 1


def test_a_stage_that_others_moved_meanwhile_is_shown_and_not_overwritten(
    client: TestClient, folder: Path
) -> None:
    repair = insets(folder)[0]
    assert (
        enter(
            client,
            "stage",
            repair,
            stage="on hold",
            reason="scaffold",
            who="ben",
            mason="Ben",
            key=new_key(),
        ).status_code
        == 200
    )
    late = enter(
        client,
        "stage",
        repair,
        stage="approved",
        key=new_key(),
        seen={"stage": "proposed"},
        waited_s=600,
    )
    assert late.status_code == 409
    theirs = late.json()["error"]["theirs"]
    assert (theirs["stage"], theirs["who"], theirs["entry"]["reason"]) == (
        "on hold",
        "ben",
        "scaffold",
    )
    assert len(log_of(folder, repair)) == 1


def test_two_people_who_record_different_checks_do_not_disturb_each_other(
    client: TestClient, folder: Path
) -> None:
    repair = insets(folder)[0]
    enter(client, "stage", repair, stage="approved", key=new_key())
    enter(client, "stage", repair, stage="cut out", key=new_key())
    page = client.get("/api/work", params={"repair": repair}).json()
    first, second = [c["criterion"] for c in page["checks"] if c["kind"] == "seen"][:2]
    assert (
        enter(
            client, "check", repair, criterion=first, result="pass", key=new_key(), who="ben"
        ).status_code
        == 200
    )
    # made ten minutes ago on a phone without a connection, before ben's entry
    answer = enter(
        client,
        "check",
        repair,
        criterion=second,
        result="pass",
        key=new_key(),
        seen={"entry": None},
        waited_s=600,
    )
    assert answer.status_code == 200, answer.text
    entry = log_of(folder, repair).set_index("id").loc[answer.json()["entry"]]
    age = dt.datetime.now(dt.UTC) - dt.datetime.fromisoformat(str(entry["at"]))
    assert dt.timedelta(seconds=595) < age < dt.timedelta(seconds=660)
    again = enter(
        client,
        "check",
        repair,
        criterion=first,
        result="redo",
        reason="loose",
        key=new_key(),
        seen={"entry": None},
    )
    assert again.status_code == 409
    assert again.json()["error"]["theirs"]["who"] == "ben"


def test_a_photo_is_entered_in_its_place_once_and_can_be_taken_back(
    client: TestClient, folder: Path
) -> None:
    import cv2
    import numpy as np

    repair, key = insets(folder)[-1], new_key()
    _, data = cv2.imencode(".jpg", np.full((40, 60, 3), 120, np.uint8))
    photo = client.post(
        "/api/photos?subject=record", content=data.tobytes(), headers={"content-type": "image/jpeg"}
    ).json()["id"]
    first = enter(client, "photo", repair, slot="bond side", photo=photo, key=key, seen={})
    again = enter(client, "photo", repair, slot="bond side", photo=photo, key=key, seen={})
    assert (first.status_code, again.json()["repeated"]) == (200, True), first.text
    assert len(log_of(folder, repair)) == 1

    def shown() -> list[str]:
        page = client.get("/api/work", params={"repair": repair}).json()
        return [f"{s['photo']}: {p}" for s in page["steps"] for p in s["photos"]]

    assert shown() == [f"bond side: {photo}"]
    for wrong in ({"slot": "back"}, {"slot": "set", "photo": "PH-9999"}, {"slot": "set"}):
        answer = enter(client, "photo", repair, **{"photo": None, "key": new_key(), **wrong})
        assert answer.status_code in (400, 404, 422), (wrong, answer.text)
        assert answer.json()["error"]["remedy"]
    rightly = correct(folder, first.json()["entry"], reason="wrong stone", changes={"photo": photo})
    assert shown() == [f"bond side: {photo}"]
    correct(folder, rightly["id"], reason="another repair")
    assert shown() == []


def test_the_overview_says_what_the_page_of_each_repair_says(
    client: TestClient, folder: Path
) -> None:
    overview = client.get("/api/work/all").json()
    for repair, state in overview["states"].items():
        page = client.get("/api/work", params={"repair": repair}).json()
        assert state["stage"] == page["stage"]
        assert overview["next"][state["treatment"]][state["stage"]] == page["next"]
        assert state["checks"] == [
            [c["criterion"], c["result"], c["entry"]] for c in page["checks"]
        ]
        assert all(
            overview["criteria"][c["criterion"]]["text"] == c["text"] for c in page["checks"]
        )


def test_a_review_sent_twice_is_stored_once(client: TestClient, folder: Path) -> None:
    body = {
        "about_table": "conditions",
        "about": "C-001",
        "decision": "comment",
        "text": "seen",
        "reviewer": "eve",
        "key": new_key(),
    }
    assert (
        client.post("/api/reviews", json=body).json()["id"]
        == client.post("/api/reviews", json=body).json()["id"]
    )
    with Project.open(folder, read_only=True) as project:
        assert len(project.read("reviews")) == 1


@pytest.mark.parametrize(
    "body",
    [
        {"key": "short"},
        {"waited_s": -1},
        {"waited_s": 1e9},
        {"waited_s": "long"},
        {"seen": [1]},
        {"stage": 3},
    ],
)
def test_an_entry_of_the_wrong_form_is_refused_in_words(
    client: TestClient, folder: Path, body: dict[str, Any]
) -> None:
    answer = enter(client, "stage", insets(folder)[0], **{"stage": "approved", **body})
    assert answer.status_code == 400
    assert answer.json()["error"]["remedy"]


def edit(
    client: TestClient,
    *changes: dict[str, Any],
    who: str,
    what: str = "draw",
    undoes: str | None = None,
    key: str | None = None,
) -> dict[str, Any]:
    answer = client.post(
        "/api/edits",
        json={
            "key": key or new_key(),
            "who": who,
            "what": what,
            "changes": list(changes),
            "undoes": undoes,
        },
    )
    assert answer.status_code == 200, answer.text
    result: dict[str, Any] = answer.json()
    return result


def mine(client: TestClient, who: str) -> dict[str, Any]:
    answer = client.get("/api/mine", params={"who": who, "keys": "desk-"})
    assert answer.status_code == 200, answer.text
    result: dict[str, Any] = answer.json()
    return result


def turned_back(client: TestClient, item: dict[str, Any], *, who: str, what: str) -> dict[str, Any]:
    """Send an inverse as the page does: with the revision that the row has now."""
    changes = []
    for change in item["inverse"]:
        sent = {k: v for k, v in change.items() if k != "expect"}
        if change["op"] in ("update", "delete"):
            sent["rev"] = client.get(f"/api/rows/{change['table']}/{change['id']}").json()["rev"]
        changes.append(sent)
    return edit(client, *changes, who=who, what=what, undoes=item["key"])


def test_what_a_person_did_can_be_taken_back_from_the_history_alone(client: TestClient) -> None:
    made = edit(
        client,
        {
            "op": "insert",
            "table": "conditions",
            "id": "new:1",
            "values": {"surface": "landward", "term": "alga", "geometry": SQUARE},
        },
        who="undoer",
    )
    row = made["rows"][0]
    place = f"/api/rows/conditions/{row['id']}"
    edit(
        client,
        {
            "op": "update",
            "table": "conditions",
            "id": row["id"],
            "rev": 1,
            "values": {"note": "mine", "cc": 2},
        },
        who="undoer",
        what="class",
    )
    whole = client.get(place).json()["row"]
    stacks = mine(client, "undoer")
    assert [m["what"] for m in stacks["undo"]] == ["draw", "class"]
    assert stacks["redo"] == []
    assert stacks["undo"][1]["inverse"][0]["expect"] == {"note": "mine", "cc": 2}
    # a depth that somebody else gives meanwhile stands in the way of taking back the drawing
    assert stacks["undo"][0]["inverse"][0]["expect"]["depth_m"] is None
    turned_back(client, stacks["undo"][1], who="undoer", what="undo: class")
    assert client.get(place).json()["row"] == row["row"]
    stacks = mine(client, "undoer")
    assert ([m["what"] for m in stacks["undo"]], [m["what"] for m in stacks["redo"]]) == (
        ["draw"],
        ["class"],
    )
    turned_back(client, stacks["undo"][0], who="undoer", what="undo: draw")
    assert client.get(place).status_code in (400, 404)
    stacks = mine(client, "undoer")
    assert ([m["what"] for m in stacks["undo"]], [m["what"] for m in stacks["redo"]]) == (
        [],
        ["class", "draw"],
    )
    for what in ("draw", "class"):
        turned_back(client, mine(client, "undoer")["redo"][-1], who="undoer", what=what)
    assert client.get(place).json()["row"] == whole
    assert mine(client, "somebody else") == {
        "undo": [],
        "redo": [],
        "more_undo": False,
        "more_redo": False,
    }
    edit(
        client,
        {
            "op": "delete",
            "table": "conditions",
            "id": row["id"],
            "rev": client.get(place).json()["rev"],
        },
        who="undoer",
        what="delete",
    )
    stacks = mine(client, "undoer")
    assert [m["what"] for m in stacks["undo"]] == ["draw", "class", "delete"]
    turned_back(client, stacks["undo"][-1], who="undoer", what="undo: delete")
    assert client.get(place).json()["row"] == whole


@settings(
    max_examples=12, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(steps=st.lists(st.sampled_from(["edit", "undo", "redo"]), min_size=1, max_size=12))
def test_the_history_remembers_what_the_page_would(client: TestClient, steps: list[str]) -> None:
    """Any order of edits, undos and redos: the stacks read back are those that two plain lists give."""
    who = uuid.uuid4().hex[:12]
    made = edit(
        client,
        {
            "op": "insert",
            "table": "conditions",
            "id": "new:1",
            "values": {"surface": "landward", "term": "alga", "geometry": SQUARE},
        },
        who="setup",
    )
    row = made["rows"][0]["id"]
    undo: list[str] = []
    redo: list[str] = []
    for number, step in enumerate(steps):
        if step == "edit":
            rev = client.get(f"/api/rows/conditions/{row}").json()["rev"]
            edit(
                client,
                {
                    "op": "update",
                    "table": "conditions",
                    "id": row,
                    "rev": rev,
                    "values": {"note": f"n{number}"},
                },
                who=who,
                what=f"e{number}",
            )
            undo.append(f"e{number}")
            redo.clear()
        elif step == "undo" and undo:
            item = mine(client, who)["undo"][-1]
            turned_back(client, item, who=who, what=f"undo: {item['what']}")
            redo.append(undo.pop())
        elif step == "redo" and redo:
            item = mine(client, who)["redo"][-1]
            turned_back(client, item, who=who, what=item["what"])
            undo.append(redo.pop())
    found = mine(client, who)
    assert ([m["what"] for m in found["undo"]], [m["what"] for m in found["redo"]]) == (undo, redo)


def test_a_template_is_kept_in_the_project_with_a_checked_value(
    client: TestClient, folder: Path
) -> None:
    value = json.dumps({"key": "2", "values": {"term": "Alveolization", "cc": 2, "depth_m": 0.02}})
    edit(
        client,
        {
            "op": "insert",
            "table": "settings",
            "id": "template:deep honeycomb",
            "values": {"value": value},
        },
        who="ada",
    )
    with Project.open(folder, read_only=True) as project:
        kept = project.setting("template:deep honeycomb")
    assert kept == {"key": "2", "values": {"term": "alveolization", "cc": 2, "depth_m": 0.02}}
    rows = client.get("/api/tables/settings").json()["rows"]
    assert "template:deep honeycomb" in {r["id"] for r in rows}
    assert not {r["id"] for r in rows} & {"name", "reviewer_links"}
    twice = client.post(
        "/api/edits",
        json={
            "key": new_key(),
            "changes": [
                {
                    "op": "insert",
                    "table": "settings",
                    "id": "template:deep honeycomb",
                    "values": {"value": value},
                }
            ],
        },
    )
    assert twice.status_code == 409
    assert twice.json()["error"]["theirs"]["row"]["id"] == "template:deep honeycomb"


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("template:x", {"key": "0", "values": {"cc": 1}}),
        ("template:x", {"key": None, "values": {"cc": 7}}),
        ("template:x", {"values": {}}),
        ("template:x", {"values": {"surface": "a"}}),
        ("template:x", {"values": {"cc": True}}),
        ("template:x", {"values": {"activity": "often"}}),
        ("template:" + "n" * 90, {"values": {"cc": 1}}),
        ("required_fields", ["cc", "colour"]),
        ("required_fields", "cc"),
        ("name", "Other"),
    ],
)
def test_a_setting_of_the_wrong_form_is_refused_in_words(name: str, value: Any) -> None:
    with pytest.raises(InputError) as fault:
        read_desk_setting(name, json.dumps(value))
    assert fault.value.remedy


def test_what_is_required_is_asked_only_of_conditions_it_makes_sense_for() -> None:
    area, line, point = (
        shapely.box(0, 0, 1, 1),
        shapely.LineString([(0, 0), (1, 0)]),
        shapely.Point(0, 0),
    )
    full = {
        "term": "crack",
        "cc": 1,
        "uc": 1,
        "rc": 1,
        "wall_stone": "S-1",
        "origin": "drawn",
        "layer": "stone",
    }
    assert missing_fields({**full, "family": "A", "geometry": area}, REQUIRED_DEFAULT) == (
        "depth_m",
    )
    assert missing_fields({**full, "family": "A", "geometry": line}, REQUIRED_DEFAULT) == (
        "width_m",
    )
    assert missing_fields({**full, "family": "E", "geometry": point}, REQUIRED_DEFAULT) == ()
    assert (
        missing_fields(
            {**full, "family": "J", "layer": "joint", "wall_stone": None, "geometry": area},
            REQUIRED_DEFAULT,
        )
        == ()
    )
    assert missing_fields(
        {**full, "family": "E", "origin": "assisted", "geometry": area}, REQUIRED_DEFAULT
    ) == ("confirmed_by",)
    assert missing_fields(
        {**full, "family": "E", "activity": "unknown", "note": "  ", "geometry": area},
        ("activity", "note", "cc"),
    ) == ("activity", "note")
    assert missing_fields({"geometry": area}, ()) == ()


def test_the_command_line_and_the_audit_follow_the_same_setting(folder: Path) -> None:
    from facademap.cli.main import main
    from facademap.tasks.project.check import check_project

    def run(*words: str) -> Any:
        return CliRunner().invoke(main, ["required", str(folder), *words])

    assert run("--set", "cc,note").exit_code == 0
    wanted = {
        f["about"]
        for f in check_project(folder)["findings"]
        if "note" in f["problem"] and f["about"].startswith("condition")
    }
    with Project.open(folder, read_only=True) as project:
        table = project.read("conditions")
    assert wanted == {
        f"condition {i}"
        for i, n in zip(table["id"], table["note"], strict=True)
        if not isinstance(n, str)
    }
    told = json.loads(run("--json").output)
    assert told["required"] == ["cc", "note"]
    assert {
        f"condition {i}" for i, missing in told["missing"].items() if "note" in missing
    } == wanted
    assert run("--set", "cc,colour").exit_code == 2
    assert json.loads(run("--json").output)["required"] == ["cc", "note"]
    assert json.loads(run("--default", "--json").output)["required"] == list(REQUIRED_DEFAULT)
    assert {f.column for f in REQUIRABLE} >= set(REQUIRED_DEFAULT)
