"""Cut-outs drawn and changed at the desk: joints, pieces and pins follow, planning leaves them, undo brings everything back."""

from __future__ import annotations

import json
import sys
import uuid
import warnings
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import shapely
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

sys.path.insert(0, str(Path(__file__).parents[1] / "e2e"))
import desk_sample

from facademap.repair.replay import replay_rows
from facademap.repair.ways import parse_way
from facademap.store.project import Project
from facademap.tasks.plan.plan import plan_project, settings_of_project
from facademap.tasks.plan.ways import choose_way
from facademap.web.app import make_app

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    from starlette.testclient import TestClient


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    made = desk_sample.make_project(tmp_path / "sample", many=14, blocks=0, picture=False)
    plan_project(made)
    return made


@pytest.fixture
def client(folder: Path) -> Iterator[TestClient]:
    with TestClient(make_app(folder), base_url="http://127.0.0.1:8473") as client:
        yield client


def send(client: TestClient, *changes: dict[str, Any], **more: Any) -> Any:
    return client.post(
        "/api/edits",
        json={
            "key": f"desk-test-{uuid.uuid4().hex[:20]}",
            "who": "ada",
            "what": "cut-out",
            "changes": list(changes),
            **more,
        },
    )


def one(folder: Path, table: str, **where: Any) -> dict[str, Any]:
    with Project.open(folder, read_only=True) as project:
        [row] = project.read(table, where=where).to_dict("records")
    return {str(k): v for k, v in row.items()}


def inset(folder: Path) -> dict[str, Any]:
    """A planned inset that lies wholly within its stone."""
    with Project.open(folder, read_only=True) as project:
        for row in project.read("repairs", where={"treatment": "inset"}).to_dict("records"):
            if set(row["edge_kinds"]) == {"inset"} and row["pins"]:
                return {str(k): v for k, v in row.items()}
    raise AssertionError("the sample has no inset within a stone")


def change(client: TestClient, id: str, **values: Any) -> Any:
    rev = client.get(f"/api/rows/repairs/{id}").json()["rev"]
    return send(
        client, {"op": "update", "table": "repairs", "id": id, "rev": rev, "values": values}
    )


def box(u0: float, v0: float, u1: float, v1: float) -> dict[str, Any]:
    shape: dict[str, Any] = json.loads(shapely.to_geojson(shapely.box(u0, v0, u1, v1)))
    return shape


def test_a_cut_out_made_wider_gets_a_piece_less_its_joints(
    client: TestClient, folder: Path
) -> None:
    row = inset(folder)
    u0, v0, u1, v1 = row["geometry"].bounds
    answer = change(client, row["id"], geometry=box(u0 - 0.01, v0, u1, v1))
    assert answer.status_code == 200, answer.text
    after, piece = one(folder, "repairs", id=row["id"]), one(folder, "pieces", repair=row["id"])
    joint = row["edges"][0]
    assert after["geometry"].bounds == pytest.approx((u0 - 0.01, v0, u1, v1), abs=1e-6)
    assert (piece["width_m"], piece["height_m"]) == pytest.approx(
        (u1 - u0 + 0.01 - 2 * joint, v1 - v0 - 2 * joint), abs=1e-6
    )
    assert after["rule"] == "drawn by hand"
    assert after["removed_area_m2"] == pytest.approx((u1 - u0 + 0.01) * (v1 - v0), rel=1e-6)
    assert after["edge_kinds"] == ["inset"] * 4


def test_a_joint_set_by_hand_stays_when_the_cut_out_is_changed_again(
    client: TestClient, folder: Path
) -> None:
    row = inset(folder)
    u0, v0, u1, v1 = row["geometry"].bounds
    joints = [0.006, *row["edges"][1:]]
    assert change(client, row["id"], edges=joints).status_code == 200
    piece = one(folder, "pieces", repair=row["id"])
    assert piece["height_m"] == pytest.approx(v1 - v0 - 0.006 - joints[2], abs=1e-6)
    assert change(client, row["id"], geometry=box(u0, v0, u1 + 0.01, v1)).status_code == 200
    after = one(folder, "repairs", id=row["id"])
    assert sorted(after["edges"]) == pytest.approx(sorted(joints))


def test_a_side_drawn_over_the_arris_is_taken_to_the_joint_and_keeps_its_width(
    client: TestClient, folder: Path
) -> None:
    row = inset(folder)
    stone = one(folder, "wall_stones", id=row["wall_stone"])["geometry"].bounds
    u0, _, u1, v1 = row["geometry"].bounds
    answer = change(client, row["id"], geometry=box(u0, stone[1] - 0.05, u1, v1))
    assert answer.status_code == 200, answer.text
    after, piece = one(folder, "repairs", id=row["id"]), one(folder, "pieces", repair=row["id"])
    assert "joint" in after["edge_kinds"]
    wide = max(e for e, k in zip(after["edges"], after["edge_kinds"], strict=True) if k == "joint")
    assert wide == pytest.approx(desk_sample.JOINT_M, abs=1e-6)
    # the piece ends where the old stone ended
    assert piece["geometry"].bounds[1] == pytest.approx(stone[1], abs=1e-6)
    assert "never reaches across a joint" in after["note"]


def test_a_new_cut_out_answers_what_lies_in_it_and_planning_leaves_it(
    client: TestClient, folder: Path
) -> None:
    stone = next(
        s
        for s in client.get("/api/tables/wall_stones").json()["rows"]
        if not any(
            r["wall_stone"] == s["id"] for r in client.get("/api/tables/repairs").json()["rows"]
        )
    )
    u0, v0, u1, v1 = one(folder, "wall_stones", id=stone["id"])["geometry"].bounds
    middle = ((u0 + u1) / 2, (v0 + v1) / 2)
    damage = send(
        client,
        {
            "op": "insert",
            "table": "conditions",
            "id": "new:d",
            "values": {
                "surface": "landward",
                "term": "contour scaling",
                "depth_m": 0.05,
                "geometry": box(
                    middle[0] - 0.04, middle[1] - 0.04, middle[0] + 0.04, middle[1] + 0.04
                ),
            },
        },
    ).json()["ids"]["new:d"]
    shape = box(middle[0] - 0.09, middle[1] - 0.08, middle[0] + 0.09, middle[1] + 0.08)
    answer = send(
        client,
        {
            "op": "insert",
            "table": "repairs",
            "id": "new:r",
            "values": {
                "surface": "landward",
                "treatment": "inset",
                "stage": "proposed",
                "geometry": shape,
            },
        },
    )
    assert answer.status_code == 200, answer.text
    repair = answer.json()["ids"]["new:r"]
    after, piece = one(folder, "repairs", id=repair), one(folder, "pieces", repair=repair)
    assert after["conditions"] == [damage]
    assert after["wall_stone"] == stone["id"]
    assert after["depth_m"] >= 0.05
    assert piece["stone_type"] == "Quay sandstone"
    plan_project(folder)
    again = one(folder, "repairs", id=repair)
    assert again["geometry"].equals(after["geometry"])
    with Project.open(folder, read_only=True) as project:
        assert sum(damage in (c or []) for c in project.read("repairs")["conditions"]) == 1
    # handed back, it is planned by the rules
    assert change(client, repair, rule=None).status_code == 200
    plan_project(folder)
    planned = [
        r
        for r in client.get("/api/tables/repairs").json()["rows"]
        if damage in (r["conditions"] or [])
    ]
    assert [r["rule"] for r in planned] != ["drawn by hand"]
    assert not one(folder, "repairs", id=planned[0]["id"])["geometry"].equals(after["geometry"])


def test_pins_stay_where_they_are_put_and_what_is_too_near_is_said(
    client: TestClient, folder: Path
) -> None:
    row = inset(folder)
    piece = one(folder, "pieces", repair=row["id"])
    u0, v0, u1, v1 = piece["geometry"].bounds
    near = [{**row["pins"][0], "u_m": u0 + 0.004, "v_m": (v0 + v1) / 2}]
    assert change(client, row["id"], pins=near).status_code == 200
    after = one(folder, "repairs", id=row["id"])
    assert (after["pins"][0]["u_m"], after["pins"][0]["v_m"]) == pytest.approx(
        (u0 + 0.004, (v0 + v1) / 2), abs=1e-5
    )
    assert "4 mm from the edge" in " ".join(after["materials"]["pins"]["faults"])
    assert after["materials"]["drilling_template"]["wall"][0]["right_m"] == pytest.approx(
        0.004, abs=1e-5
    )
    assert after["geometry"].equals(row["geometry"])
    # a pin without its rod gets that of its neighbour
    assert (
        change(
            client, row["id"], pins=[*near, {"u_m": u1 - 0.05, "v_m": (v0 + v1) / 2}]
        ).status_code
        == 200
    )
    assert one(folder, "repairs", id=row["id"])["pins"][1]["rod_m"] == row["pins"][0]["rod_m"]
    assert change(client, row["id"], pins=[{**near[0], "u_m": u1 + 1}]).status_code == 400
    assert change(client, row["id"], edges=[0.003]).status_code == 400


def test_taking_back_a_change_brings_back_piece_pins_and_rule(
    client: TestClient, folder: Path
) -> None:
    row, piece = inset(folder), None
    piece = one(folder, "pieces", repair=row["id"])
    u0, v0, u1, v1 = row["geometry"].bounds
    made = change(client, row["id"], geometry=box(u0, v0, u1 + 0.02, v1)).json()
    changes = []
    for item in made["inverse"]:
        sent = {k: v for k, v in item.items() if k != "expect"}
        if item["op"] in ("update", "delete"):
            sent["rev"] = client.get(f"/api/rows/{item['table']}/{item['id']}").json()["rev"]
        changes.append(sent)
    assert send(client, *changes, undoes=made["txn"]).status_code == 200
    back = one(folder, "repairs", id=row["id"])
    assert back["geometry"].equals_exact(row["geometry"], 0.0)
    assert (back["pins"], back["edges"], back["rule"], back["note"]) == (
        row["pins"],
        row["edges"],
        row["rule"],
        row["note"],
    )
    assert one(folder, "pieces", repair=row["id"])["width_m"] == piece["width_m"]


def test_a_cut_out_that_is_approved_or_promised_is_not_changed(
    client: TestClient, folder: Path
) -> None:
    row = inset(folder)
    u0, v0, u1, v1 = row["geometry"].bounds
    with Project.open(folder) as project, project.edit(who="ada", what="approve") as edit:
        edit.update("repairs", row["id"], {"stage": "approved"})
    answer = change(client, row["id"], geometry=box(u0, v0, u1 + 0.02, v1))
    assert answer.status_code == 409
    assert "settled" in answer.json()["error"]["problem"]
    assert one(folder, "repairs", id=row["id"])["geometry"].equals_exact(row["geometry"], 0.0)
    # what its piece does not follow from can still be changed
    assert change(client, row["id"], note="seen").status_code == 200


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[TestClient, Path]]:
    made = desk_sample.make_project(
        tmp_path_factory.mktemp("laws") / "sample", many=2, blocks=0, picture=False
    )
    with TestClient(make_app(made), base_url="http://127.0.0.1:8473") as client:
        yield client, made


@settings(
    max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    u=st.floats(0.3, 11.0),
    v=st.floats(0.1, 6.4),
    width=st.floats(0.02, 0.7),
    height=st.floats(0.02, 0.5),
    depth=st.floats(0.05, 0.2),
)
def test_whatever_is_drawn_no_other_stone_is_cut_and_the_piece_fits_in(
    kept: tuple[TestClient, Path], u: float, v: float, width: float, height: float, depth: float
) -> None:
    client, folder = kept
    answer = send(
        client,
        {
            "op": "insert",
            "table": "repairs",
            "id": "new:r",
            "values": {
                "surface": "landward",
                "treatment": "inset",
                "stage": "proposed",
                "depth_m": depth,
                "geometry": box(u, v, u + width, v + height),
            },
        },
    )
    if answer.status_code == 400:
        assert answer.json()["error"]["remedy"]
        return
    assert answer.status_code == 200, answer.text
    row = one(folder, "repairs", id=answer.json()["ids"]["new:r"])
    with Project.open(folder, read_only=True) as project:
        stones = project.read("wall_stones")
        pieces = project.read("pieces", where={"repair": row["id"]})
    others = stones[stones["id"] != row["wall_stone"]]
    if len(pieces):
        assert others.geometry.intersection(row["geometry"]).area.sum() < 1e-8
        assert row["geometry"].buffer(1e-7).covers(pieces.geometry.iloc[0])
        assert (
            len(row["edges"])
            == len(row["edge_kinds"])
            == len(shapely.get_coordinates(row["geometry"])) - 1
        )
        assert pieces["depth_m"].iloc[0] < depth + 0.02


def test_pins_placed_by_hand_stay_when_the_outline_changes_and_those_off_the_piece_are_named(
    client: TestClient, folder: Path
) -> None:
    row = inset(folder)
    u0, v0, u1, v1 = row["geometry"].bounds
    moved = [dict(p) for p in row["pins"]]
    moved[0] |= {"u_m": round(moved[0]["u_m"] + 0.011, 5), "v_m": round(moved[0]["v_m"] + 0.007, 5)}
    assert change(client, row["id"], pins=moved).status_code == 200
    places = [(p["u_m"], p["v_m"]) for p in moved]
    # wider to the left: nothing that was placed moves
    assert change(client, row["id"], geometry=box(u0 - 0.01, v0, u1, v1)).status_code == 200
    after = one(folder, "repairs", id=row["id"])
    assert [(p["u_m"], p["v_m"]) for p in after["pins"]] == places
    assert "taken out" not in (after["note"] or "")
    # and so when the joint changes
    assert change(client, row["id"], edges=[0.004, *after["edges"][1:]]).status_code == 200
    assert [(p["u_m"], p["v_m"]) for p in one(folder, "repairs", id=row["id"])["pins"]] == places
    # narrower from the right: what lies off the piece goes, and is named
    right = max(u for u, _ in places)
    assert (
        change(client, row["id"], geometry=box(u0 - 0.01, v0, right - 0.004, v1)).status_code == 200
    )
    after = one(folder, "repairs", id=row["id"])
    gone = [
        i
        for i, (u, _) in enumerate(places, start=1)
        if u > right - 0.004 - after["edges"][0] - 1e-6
    ]
    left = [place for i, place in enumerate(places, start=1) if i not in gone]
    assert gone
    assert [(p["u_m"], p["v_m"]) for p in after["pins"]] == left
    assert f"{', '.join(map(str, gone))} placed by hand" in after["note"]


def test_with_no_pin_left_on_the_piece_they_are_set_out_anew_and_that_is_said(
    client: TestClient, folder: Path
) -> None:
    row = inset(folder)
    u0, v0, u1, v1 = row["geometry"].bounds
    at_the_left = [{**p, "u_m": round(u0 + 0.03, 5)} for p in row["pins"]]
    assert change(client, row["id"], pins=at_the_left).status_code == 200
    assert change(client, row["id"], geometry=box(u0 + 0.05, v0, u1, v1)).status_code == 200
    after = one(folder, "repairs", id=row["id"])
    assert after["pins"]
    assert min(p["u_m"] for p in after["pins"]) > u0 + 0.05
    assert "set out anew" in after["note"]


def test_pins_placed_by_hand_get_the_lengths_of_the_depth_as_it_is_now(
    client: TestClient, folder: Path
) -> None:
    row = inset(folder)
    moved = [dict(p) for p in row["pins"]]
    moved[0] |= {"u_m": round(moved[0]["u_m"] + 0.006, 5)}
    assert change(client, row["id"], pins=moved).status_code == 200
    assert change(client, row["id"], depth_m=row["depth_m"] + 0.03).status_code == 200
    deeper = one(folder, "repairs", id=row["id"])["pins"]
    assert [(p["u_m"], p["v_m"]) for p in deeper] == [(p["u_m"], p["v_m"]) for p in moved]
    assert all(b["into_piece_m"] > a["into_piece_m"] for a, b in zip(moved, deeper, strict=True))


def test_what_a_person_noted_stays_when_the_cut_out_changes(
    client: TestClient, folder: Path
) -> None:
    row = inset(folder)
    u0, v0, u1, v1 = row["geometry"].bounds
    assert change(client, row["id"], note="mind the lead flashing").status_code == 200
    stone = one(folder, "wall_stones", id=row["wall_stone"])["geometry"].bounds
    # drawn over the joint, which is said
    assert change(client, row["id"], geometry=box(u0, stone[1] - 0.05, u1, v1)).status_code == 200
    note = one(folder, "repairs", id=row["id"])["note"]
    assert note.startswith("mind the lead flashing")
    assert "never reaches across a joint" in note
    # drawn within the stone again: what was said of the last outline goes, the person's words stay
    assert change(client, row["id"], geometry=box(u0, v0, u1, v1)).status_code == 200
    assert one(folder, "repairs", id=row["id"])["note"] == "mind the lead flashing"


def test_a_way_of_setting_is_gone_through_before_it_is_kept(
    client: TestClient, folder: Path
) -> None:
    repair = inset(folder)["id"]
    asked = {"repair": repair, "fixing": "before", "down_deg": 8}
    now = client.get("/api/way", params={"repair": repair}).json()
    assert (now["fixing"], now["down_deg"], now["passed"], now["own"]) == ("before", 0, True, False)
    assert {c["name"] for c in now["choices"]} == {"before", "through face", "resin"}
    # the top of this inset lies in a joint: a piece that comes from above strikes it
    tried = client.post("/api/way", json=asked).json()
    assert not tried["passed"]
    assert "The joints allow" in tried["faults"][0]["remedy"]
    refused = client.post("/api/way", json={**asked, "keep": True, "who": "ada"})
    assert refused.status_code >= 400
    assert "top" in refused.json()["error"]["problem"]
    assert one(folder, "repairs", id=repair)["pins"][0]["angle_deg"] == 0
    kept = client.post(
        "/api/way", json={"repair": repair, "fixing": "through face", "keep": True, "who": "ada"}
    ).json()
    assert kept.get("passed"), kept
    row = one(folder, "repairs", id=repair)
    assert {p["fixing"] for p in row["pins"]} == {"through face"}
    assert any("plugs that can be seen" in c for c in row["cautions"])
    # planning again keeps what a person chose, and taking it back gives what the project does
    plan_project(folder)
    assert {p["fixing"] for p in one(folder, "repairs", id=repair)["pins"]} == {"through face"}
    slope = choose_way(folder, repair, parse_way("before, down 0.5"))
    plan_project(folder)
    row = one(folder, "repairs", id=repair)
    assert {p["angle_deg"] for p in row["pins"]} == {0.5} == {slope["down_deg"]}
    piece = one(folder, "pieces", repair=repair)
    with Project.open(folder, read_only=True) as project:
        stone = project.row("wall_stones", row["wall_stone"])
        settings_now = settings_of_project(project)
    assembly, found = replay_rows(row, piece, settings=settings_now, stone=stone)
    assert found.passed
    assert assembly is not None
    assert {p.direction for p in assembly.pins} == {assembly.way_in}
    choose_way(folder, repair, None)
    assert {p["angle_deg"] for p in one(folder, "repairs", id=repair)["pins"]} == {0.0}
    for wrong in (
        {"repair": repair, "fixing": "glue"},
        {"repair": repair, "fixing": "before", "down_deg": "5"},
        {"repair": repair, "fixing": "before", "down_deg": 80},
        {"repair": "R-999", "fixing": "before"},
    ):
        answer = client.post("/api/way", json=wrong)
        assert answer.status_code in (400, 404, 422), (wrong, answer.text)
        assert answer.json()["error"]["remedy"]
