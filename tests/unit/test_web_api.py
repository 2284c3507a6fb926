"""The survey desk's server: edits, conflicts, history, tiles, one shape of errors."""

from __future__ import annotations

import json
import sys
import time
import uuid
import warnings
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
import shapely
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

sys.path.insert(0, str(Path(__file__).parents[1] / "e2e"))
import desk_sample

from facademap.store.project import Project
from facademap.tables import TABLES
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
    return desk_sample.make_project(tmp_path_factory.mktemp("desk") / "sample", many=12, blocks=2)


@pytest.fixture(scope="module")
def client(folder: Path) -> Iterator[TestClient]:
    with TestClient(make_app(folder), base_url="http://127.0.0.1:8471") as client:
        yield client


def change(
    op: str = "insert",
    table: str = "conditions",
    id: str = "new:1",
    rev: int | None = None,
    **values: Any,
) -> dict[str, Any]:
    return {"op": op, "table": table, "id": id, "rev": rev, "values": values}


def send(
    client: TestClient,
    *changes: dict[str, Any],
    key: str | None = None,
    who: str = "ada",
    **more: Any,
) -> Any:
    return client.post(
        "/api/edits",
        json={
            "key": key or uuid.uuid4().hex,
            "who": who,
            "what": "test",
            "changes": list(changes),
            **more,
        },
    )


def draw(client: TestClient, **values: Any) -> dict[str, Any]:
    answer = send(client, change(surface="landward", term="black crust", geometry=SQUARE, **values))
    assert answer.status_code == 200, answer.text
    return answer.json()["rows"][0]


def finished(client: TestClient, started: dict[str, Any]) -> dict[str, Any]:
    """A job when it is done."""
    end = time.monotonic() + 60
    while (job := client.get(f"/api/jobs/{started['id']}").json())[
        "state"
    ] == "running" and time.monotonic() < end:
        time.sleep(0.1)
    assert job["state"] == "done", job
    return dict(job)


def test_schema_tells_every_column_of_every_table(client: TestClient) -> None:
    told = client.get("/api/schema").json()["tables"]
    assert {name: [c["name"] for c in t["columns"]] for name, t in told.items()} == {
        n: list(t.names) for n, t in TABLES.items()
    }


def test_a_drawn_condition_gets_number_area_family_and_stone(
    client: TestClient, folder: Path
) -> None:
    row = draw(client)
    assert row["id"].startswith("C-")
    assert row["row"]["area_m2"] == pytest.approx(0.04, abs=1e-9)
    assert (row["row"]["family"], row["row"]["layer"]) == ("D", "stone")
    with Project.open(folder, read_only=True) as project:
        stones = project.read("wall_stones")
        shape = project.row("conditions", row["id"])["geometry"]
        assert project.history("conditions", row["id"])["who"].iloc[0] == "ada"
    shared = stones.geometry.intersection(shape).area
    assert row["row"]["wall_stone"] == stones["id"].iloc[int(shared.argmax())]


def test_one_condition_is_measured_as_a_whole_table_is(client: TestClient, folder: Path) -> None:
    from facademap.tasks.survey.add_features import complete_conditions

    with Project.open(folder, read_only=True) as project:
        stored, wall, voids = (project.read(n) for n in ("conditions", "wall_stones", "openings"))
    whole, _ = complete_conditions(stored, wall, voids)
    for index in range(0, len(stored), 3):
        shape = json.loads(shapely.to_geojson(stored.geometry.iloc[index]))
        made = send(
            client, change(surface="landward", term=stored["term"].iloc[index], geometry=shape)
        ).json()["rows"][0]["row"]
        expected = whole.iloc[index]
        assert (made["family"], made["layer"], made["wall_stone"]) == (
            expected["family"],
            expected["layer"],
            expected["wall_stone"],
        )
        assert made["area_m2"] == pytest.approx(expected["area_m2"], abs=1e-9)
        assert (made["length_m"] or 0) == pytest.approx(
            0 if expected["length_m"] != expected["length_m"] else expected["length_m"], abs=1e-9
        )


def test_an_edit_sent_twice_is_made_once(client: TestClient) -> None:
    key = uuid.uuid4().hex
    new = change(surface="landward", term="alga", geometry=SQUARE)
    first, second = send(client, new, key=key).json(), send(client, new, key=key).json()
    assert second["repeated"]
    assert first["ids"] == second["ids"]
    history = client.get(
        "/api/history", params={"table": "conditions", "id": first["ids"]["new:1"]}
    ).json()["entries"]
    assert len(history) == 1


def test_numbers_survive_deletions(client: TestClient) -> None:
    row = draw(client)
    assert send(client, change("delete", id=row["id"], rev=1)).status_code == 200
    assert draw(client)["id"] != row["id"]


def test_a_conflict_shows_theirs_and_overwrites_nobody(client: TestClient) -> None:
    row = draw(client)
    assert (
        send(client, change("update", id=row["id"], rev=1, note="by ada"), who="ada").status_code
        == 200
    )
    late = send(client, change("update", id=row["id"], rev=1, note="by ben"), who="ben")
    assert late.status_code == 409
    theirs = late.json()["error"]["theirs"]
    assert (theirs["row"]["note"], theirs["who"], theirs["rev"]) == ("by ada", "ada", 2)
    assert client.get(f"/api/rows/conditions/{row['id']}").json()["row"]["note"] == "by ada"


def test_a_deleted_row_comes_back_as_it_was_with_a_later_revision(client: TestClient) -> None:
    row = draw(client, note="mine")
    send(client, change("delete", id=row["id"], rev=1))
    back = send(
        client, {"op": "restore", "table": "conditions", "id": row["id"], "values": row["row"]}
    ).json()["rows"][0]
    assert back["row"] == row["row"]
    assert back["rev"] > 1


def test_an_edit_is_wholly_stored_or_not_at_all(client: TestClient) -> None:
    before = len(client.get("/api/tables/conditions").json()["rows"])
    answer = send(
        client,
        change(surface="landward", term="alga", geometry=SQUARE),
        change(id="new:2", surface="landward", term="no such word", geometry=SQUARE),
    )
    assert answer.status_code == 400
    assert "no such word" in answer.json()["error"]["problem"]
    assert len(client.get("/api/tables/conditions").json()["rows"]) == before


def test_a_new_opening_takes_its_area_from_the_conditions_under_it(client: TestClient) -> None:
    row = draw(client)
    half = {
        "type": "Polygon",
        "coordinates": [[[8.0, 0.9], [8.1, 0.9], [8.1, 1.3], [8.0, 1.3], [8.0, 0.9]]],
    }
    answer = send(
        client, change(table="openings", surface="landward", kind="vent", geometry=half)
    ).json()
    found = {r["id"]: r["row"] for r in answer["rows"] if r["table"] == "conditions"}
    assert found[row["id"]]["area_m2"] == pytest.approx(0.02, abs=1e-9)
    send(client, change("delete", table="openings", id=answer["ids"]["new:1"], rev=1))


def test_new_rows_may_name_each_other(client: TestClient) -> None:
    answer = send(
        client,
        change(
            table="control_points",
            surface="landward",
            name="K1",
            u_m=1.0,
            v_m=2.0,
            geometry={"type": "Point", "coordinates": [1, 2]},
        ),
        change(
            table="observations",
            id="new:2",
            photo="block-1.jpg",
            control_point="new:1",
            x_px=10.5,
            y_px=20.0,
        ),
    )
    rows = {r["table"]: r["row"] for r in answer.json()["rows"]}
    assert rows["observations"]["control_point"] == rows["control_points"]["id"]


def test_the_record_of_the_work_is_only_added_to(client: TestClient) -> None:
    for op in ("update", "delete", "restore"):
        answer = send(client, change(op, table="work_log", id="W-001", rev=1, note="nicer"))
        assert answer.status_code == 400
        assert "never changed" in answer.json()["error"]["problem"]


def test_news_tell_what_changed_and_by_whom(client: TestClient) -> None:
    before = client.get("/api/changes?after=0").json()["seq"]
    row = draw(client)
    news = client.get(f"/api/changes?after={before}").json()
    assert [(r["table"], r["id"], r["rev"]) for r in news["rows"]] == [("conditions", row["id"], 1)]
    assert news["edits"][0]["who"] == "ada"
    send(client, change("delete", id=row["id"], rev=1))
    assert client.get(f"/api/changes?after={news['seq']}").json()["rows"] == [
        {"table": "conditions", "id": row["id"], "rev": None, "row": None}
    ]


def test_tables_keep_coordinates_to_a_thousandth_of_a_millimetre(
    client: TestClient, folder: Path
) -> None:
    told = client.get("/api/tables/wall_stones").json()
    with Project.open(folder, read_only=True) as project:
        stones = project.read("wall_stones")
    assert [r["id"] for r in told["rows"]] == list(stones["id"])
    got = np.array(told["geometry"][3]["coordinates"][0])
    assert np.abs(got - np.asarray(stones.geometry.iloc[3].exterior.coords)).max() < 1e-6


def test_a_tile_shows_the_pixels_of_the_elevation(client: TestClient, folder: Path) -> None:
    from facademap.io.rasters import open_elevation
    from facademap.wall.grid import Window

    answer = client.get("/tiles/surface/0/1/1?id=landward")
    tile = cv2.imdecode(np.frombuffer(answer.content, np.uint8), cv2.IMREAD_COLOR)[
        ..., ::-1
    ].astype(float)
    with open_elevation(folder / "elevations" / "landward.tif") as elevation:
        _, rgb, _ = elevation.read(Window(column=512, row=512, width=512, height=512))
    assert tile.shape == (512, 512, 3)
    assert np.abs(tile.mean(axis=2) - rgb.astype(float).mean(axis=2)).mean() < 4.0
    assert answer.headers["content-type"] == "image/jpeg"
    # the same tile again comes from the cache and is the same
    assert client.get("/tiles/surface/0/1/1?id=landward").content == answer.content


@pytest.mark.parametrize(
    "address",
    [
        "/tiles/surface/0/99/0?id=landward",
        "/tiles/surface/9/0/0?id=landward",
        "/tiles/surface/-1/0/0?id=landward",
        "/tiles/surface/0/0/x?id=landward",
        "/tiles/surface/0/0/0?id=nowhere",
        "/tiles/surface/0/0/0",
        "/tiles/photo/0/0/0?id=../../etc/passwd",
        "/pictures/photo?id=none&size=1e9",
        "/pictures/face?id=none",
        "/pictures/relief?id=none&survey=1",
        "/api/relief?id=landward&survey=none",
        "/api/tables/nothing",
        "/api/rows/settings/reviewer_links",
        "/api/tables/conditions?box=1,2,nan,4",
        "/api/tables/conditions?rev=1%27",
        "/api/rows/conditions/none",
        "/api/changes?after=-1",
        "/api/history?table=x",
        "/api/ranking?repair=none",
        "/api/work?repair=none",
        "/api/jobs/none",
        "/pictures/in-wall?repair=none&face=none&turn=45",
        "/built/../app.py",
        "/built/%2e%2e%2fdesk.html",
        "/nowhere",
    ],
)
def test_every_bad_address_answers_with_the_one_shape_of_errors(
    client: TestClient, address: str
) -> None:
    answer = client.get(address)
    assert 400 <= answer.status_code < 500
    error = answer.json()["error"]
    assert error["problem"]
    assert error["remedy"]
    assert set(error) >= {"type", "problem", "remedy", "faults"}


_plain = st.recursive(
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(max_size=20),
    lambda inner: (
        st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3)
    ),
    max_leaves=6,
)
_table = st.sampled_from(sorted(TABLES)) | st.text(max_size=6)


@st.composite
def _changes(draw_value: st.DrawFn) -> Any:
    name = draw_value(_table)
    columns = list(TABLES[name].names) if name in TABLES else []
    values = draw_value(
        st.dictionaries(st.sampled_from([*columns, "geometry", "other"]), _plain, max_size=6)
    )
    return {
        "op": draw_value(st.sampled_from(["insert", "update", "delete", "restore", "x"])),
        "table": name,
        "id": draw_value(st.sampled_from(["new:1", "C-001", "landward", ""]) | st.text(max_size=5)),
        "rev": draw_value(st.none() | st.integers(0, 3)),
        "values": values,
    }


@settings(
    max_examples=120, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(changes=st.lists(_changes() | _plain, max_size=3), body=_plain)
def test_no_edit_whatever_it_holds_breaks_the_server(
    client: TestClient, changes: list[Any], body: Any
) -> None:
    for sent in ({"key": uuid.uuid4().hex, "who": "x", "changes": changes}, body):
        answer = client.post(
            "/api/edits", content=json.dumps(sent), headers={"content-type": "application/json"}
        )
        assert answer.status_code in (200, 400, 409), answer.text
        if answer.status_code != 200:
            assert answer.json()["error"]["remedy"]


@settings(
    max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    body=_plain,
    address=st.sampled_from(
        [
            "/api/jobs",
            "/api/work/stage",
            "/api/work/check",
            "/api/work/cut-out",
            "/api/reviews",
            "/api/reviewer-links/withdraw",
            "/api/assist/outline",
            "/api/assist/line",
            "/api/assist/course",
            "/api/faces/measure",
        ]
    ),
)
def test_no_request_breaks_the_other_addresses(client: TestClient, body: Any, address: str) -> None:
    answer = client.post(
        address, content=json.dumps(body), headers={"content-type": "application/json"}
    )
    assert 400 <= answer.status_code < 500, answer.text
    assert answer.json()["error"]["problem"]


def test_a_proposed_outline_lies_on_the_stone_that_was_clicked(
    client: TestClient, folder: Path
) -> None:
    with Project.open(folder, read_only=True) as project:
        stones = project.read("wall_stones")
        taken = project.read("conditions").geometry.union_all()
    clear = stones[~stones.geometry.intersects(taken)].iloc[40]
    u, v = clear.geometry.centroid.x, clear.geometry.centroid.y
    answer = client.post(
        "/api/assist/outline",
        json={
            "surface": "landward",
            "box": [u - 1.2, v - 0.8, u + 1.2, v + 0.8],
            "points": [[u, v]],
        },
    )
    assert answer.status_code == 200, answer.text
    shape = shapely.from_geojson(json.dumps(answer.json()["geometry"]))
    # how well outlines are found is tested where they are found; here, that they come back in the right place
    assert shape.contains(shapely.Point(u, v))
    assert shape.intersection(clear.geometry).area / shape.area > 0.9


def test_a_stroke_along_a_course_proposes_its_stones(client: TestClient, folder: Path) -> None:
    with Project.open(folder, read_only=True) as project:
        stones = project.read("wall_stones")
        taken = project.read("conditions").geometry.union_all()
    courses = stones.groupby("course").size()
    course = (
        stones[stones["course"] == courses.index[courses.argmax()]].sort_values("number").iloc[1:5]
    )
    points = [[g.centroid.x, g.centroid.y] for g in course.geometry]
    box = [float(v) for v in course.total_bounds]
    asked = {"surface": "landward", "box": box, "points": points}
    # where stones are drawn already, none is proposed on them
    told = client.post("/api/assist/course", json=asked).json()
    assert not [p for p in told["proposals"] if p["course"] is None]
    assert any("drawn already" in left["why"] for left in told["left_out"])
    with Project.open(folder) as project, project.edit(who="test", what="drawn anew") as edit:
        taken_out = edit.txn
        for id in course["id"]:
            edit.delete("wall_stones", id)
    answer = client.post("/api/assist/course", json=asked)
    with Project.open(folder) as project:
        project.undo(taken_out, who="test")
    assert answer.status_code == 200, answer.text
    proposals = answer.json()["proposals"]
    shapes = [shapely.from_geojson(json.dumps(p["geometry"])) for p in proposals]
    assert {(p["course"], p["origin"]) for p in proposals} == {
        (int(course["course"].iloc[0]), "assisted")
    }
    whole = course[~course.geometry.intersects(taken)].geometry
    best = [max(s.intersection(g).area / s.union(g).area for s in shapes) for g in whole]
    assert np.mean(np.array(best) > 0.8) > 0.6


def test_pixels_of_a_proposal_come_back_in_metres_of_the_wall(
    client: TestClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[tuple[float, float]] = []

    def ring_round_the_click(rgb: Any, x_px: float, y_px: float) -> Any:
        asked.append((x_px, y_px))
        return np.array(
            [
                [x_px - 20, y_px - 10],
                [x_px + 20, y_px - 10],
                [x_px + 20, y_px + 10],
                [x_px - 20, y_px + 10],
            ]
        )

    monkeypatch.setattr("facademap.tasks.survey.assist.outline_at", ring_round_the_click)
    answer = client.post(
        "/api/assist/outline",
        json={"surface": "landward", "box": [3.0, 3.0, 5.0, 4.0], "points": [[4.1, 3.3]]},
    )
    shape = shapely.from_geojson(json.dumps(answer.json()["geometry"]))
    gsd = desk_sample.GSD_M
    assert shape.bounds == pytest.approx(
        (4.1 - 20 * gsd, 3.3 - 10 * gsd, 4.1 + 20 * gsd, 3.3 + 10 * gsd), abs=1e-9
    )


def test_a_job_plans_the_repairs_and_another_can_be_stopped(
    client: TestClient, folder: Path
) -> None:
    started = client.post("/api/jobs", json={"kind": "plan", "who": "ada"}).json()
    assert client.post("/api/jobs", json={"kind": "plan"}).status_code == 400, (
        "the same job runs once at a time"
    )
    job = finished(client, started)
    assert len(client.get("/api/tables/repairs").json()["rows"]) == job["result"]["repairs"] > 0
    match = client.post("/api/jobs", json={"kind": "match", "options": {"time_limit_s": 60}}).json()
    stopped = client.post(f"/api/jobs/{match['id']}/stop", json={}).json()
    assert stopped["state"] == "stopped"
    with Project.open(folder, read_only=True) as project:
        assert len(project.read("placements")) == 0
        assert project.integrity() == []


def test_stones_are_not_proposed_for_a_wall_that_is_not_there(client: TestClient) -> None:
    started = client.post(
        "/api/jobs", json={"kind": "stones", "options": {"surface": "moon"}}
    ).json()
    while (job := client.get(f"/api/jobs/{started['id']}").json())["state"] == "running":
        time.sleep(0.05)
    assert job["state"] == "failed"
    assert "moon" in job["error"]["problem"]
    assert job["error"]["remedy"]


def test_ranking_names_every_part_and_every_broken_rule(client: TestClient) -> None:
    finished(client, client.post("/api/jobs", json={"kind": "plan", "who": "ada"}).json())
    pieces = client.get("/api/tables/pieces").json()["rows"]
    told = client.get("/api/ranking", params={"repair": pieces[0]["repair"]}).json()
    assert {f["block"] for f in told["faces"]} == {"B-001", "B-002"}
    for face in told["faces"]:
        assert face["cost"] == pytest.approx(sum(face["parts"].values()))
        assert face["fits"] == (not face["reasons"])
        assert face["fits"] == (min(face["spare_mm"]) >= -0.01)
    # a flaw across the middle leaves the box of the face as it was, and no place for the piece
    best = next(f for f in told["faces"] if f["fits"])
    faces = client.get("/api/tables/faces").json()
    at = [row["id"] for row in faces["rows"]].index(best["face"])
    ring = np.asarray(faces["rows"][at]["outline"])
    (left, low), (right, high) = ring.min(0), ring.max(0)
    middle, half = (left + right) / 2, (right - left) * 0.4
    flaw = [[middle - half, low], [middle + half, low], [middle + half, high], [middle - half, high]]  # fmt: skip
    edited = send(
        client,
        change(
            "update",
            "faces",
            best["face"],
            faces["rev"][at],
            flaws=[{"kind": "flaw", "ring": flaw}],
        ),
    )
    assert edited.status_code == 200, edited.text
    again = client.get("/api/ranking", params={"repair": pieces[0]["repair"]}).json()
    now = next(f for f in again["faces"] if f["face"] == best["face"])
    assert not now["fits"]
    assert now["reasons"] == [
        "no clear place of that size: the outline of the face or a flaw is in the way"
    ]
    assert now["spare_mm"] == best["spare_mm"]
    picture = client.get(
        "/pictures/in-wall",
        params={"repair": pieces[0]["repair"], "face": told["faces"][0]["face"]},
    )
    assert picture.headers["content-type"] == "image/jpeg"


def test_only_papers_that_were_made_are_handed_out(
    client: TestClient, folder: Path, tmp_path: Path
) -> None:
    out = folder / "out"
    out.mkdir(exist_ok=True)
    (out / "list.csv").write_text("a,b\n")
    (out / "page.html").write_text("<script>1</script>")
    (out / "stray.csv").write_text("not of the papers")
    secret = tmp_path / "secret.txt"
    secret.write_text("secret")
    (out / "link.txt").symlink_to(secret)
    names = [
        "list.csv",
        "page.html",
        "../project.gpkg",
        str(secret),
        "link.txt",
        "gone.pdf",
        "a\u0000b",
    ]
    (out / ".papers.json").write_text(
        json.dumps({"lists": {"input": "x", "files": dict.fromkeys(names, "")}})
    )
    try:
        listed = client.get("/api/papers").json()["papers"]
        assert [f["name"] for p in listed for f in p["files"]] == ["list.csv", "page.html"]
        page = client.get("/papers/page.html")
        assert page.headers["content-disposition"].startswith("attachment")
        assert page.headers["content-type"] == "application/octet-stream"
        assert client.get("/papers/list.csv").content == b"a,b\n"
        for name in (
            "stray.csv",
            ".papers.json",
            "%2e%2e/project.gpkg",
            "..%2fproject.gpkg",
            str(secret),
            "link.txt",
            "gone.pdf",
            "a%00b",
        ):
            assert client.get(f"/papers/{name}").status_code == 404, name
    finally:
        (out / "link.txt").unlink()
        (out / ".papers.json").unlink()


def test_two_plans_compared_and_a_ticket_as_a_picture(client: TestClient, folder: Path) -> None:
    from xml.etree import ElementTree

    from facademap.tasks.match.match import load_problem, match_project
    from facademap.tasks.plan.plan import plan_project

    with Project.open(folder, read_only=True) as project:
        planned = len(project.read("pieces")) > 0
    if not planned:
        plan_project(folder)
    match_project(folder, time_limit_s=2.0)
    with Project.open(folder) as project:
        kept = project.read("placements")
        piece = kept["piece"].iloc[0]
        with project.edit(who="ada", what="leave out") as edit:
            edit.update("pieces", piece, {"lock_block": "-"})
        repairs = {r.id for r in load_problem(project).problem.repairs}
    match_project(folder, time_limit_s=2.0)
    with Project.open(folder, read_only=True) as project:
        plans = list(project.read("plans")["id"])
    told = client.get("/api/plans/compare", params={"first": plans[0], "second": plans[1]}).json()
    left = next(c for c in told["changes"] if c["repair"] == kept["repair"].iloc[0])
    assert left["what"] == "left out"
    assert (left["first"]["block"], left["second"]["block"]) == (kept["block"].iloc[0], None)
    assert left["second"]["reason"] == "locked_out"
    assert told["placed"][0] == len(kept)
    assert told["same"] + len(told["changes"]) == len(repairs)
    back = client.get("/api/plans/compare", params={"first": plans[1], "second": plans[0]}).json()
    assert back["placed"] == told["placed"][::-1]
    assert {(c["repair"], c["what"]) for c in back["changes"] if c["what"] == "placed"} == {
        (c["repair"], "placed") for c in told["changes"] if c["what"] == "left out"
    }
    assert (
        client.get("/api/plans/compare", params={"first": plans[0], "second": "x"}).status_code
        == 400
    )
    ticket = client.get("/pictures/ticket", params={"repair": kept["repair"].iloc[0]})
    assert ticket.headers["content-type"] == "image/svg+xml"
    assert piece in "".join(ElementTree.fromstring(ticket.content).itertext())
    assert client.get("/pictures/ticket", params={"repair": "nothing"}).status_code == 400


def test_a_face_is_measured_from_two_ends_of_a_length_and_a_click(
    client: TestClient, folder: Path
) -> None:
    """The picture is drawn here, so its sizes are known: 600 x 300 mm turned by 4 degrees, at 0.75 mm a pixel."""
    rng = np.random.default_rng(5)
    picture = np.clip(np.array([60, 66, 58]) + rng.normal(0, 9, (700, 1000, 3)), 0, 255).astype(
        np.uint8
    )
    turn = np.deg2rad(4.0)
    axes = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    corners = np.array([[-400, -200], [400, -200], [400, 200], [-400, 200]]) @ axes.T + (500, 350)
    mask = np.zeros(picture.shape[:2], np.uint8)
    cv2.fillPoly(mask, [np.round(corners * 16).astype(np.int32)], 255, cv2.LINE_AA, 4)
    stone = np.clip(np.array([205, 184, 150]) + rng.normal(0, 7, picture.shape), 0, 255)
    share = mask[..., None] / 255.0
    picture = np.clip(picture * (1 - share) + stone * share, 0, 255).astype(np.uint8)
    photo = client.post(
        "/api/photos?subject=block",
        content=cv2.imencode(".png", picture[..., ::-1])[1].tobytes(),
        headers={"content-type": "image/png"},
    ).json()["id"]
    order = {
        "photo": photo,
        "click_px": [520, 340],
        "scale_px": [100, 650, 900, 650],
        "length_m": 0.6,
    }
    answer = client.post("/api/faces/measure", json=order)
    assert answer.status_code == 200, answer.text
    told = answer.json()
    face = told["face"]
    assert face["width_m"] == pytest.approx(0.600, abs=0.0025)
    assert face["height_m"] == pytest.approx(0.300, abs=0.0025)
    assert abs(face["width_m"] - 0.6) < told["width_pm95_m"] < 0.02
    back = cv2.perspectiveTransform(
        np.array(face["outline"])[None], np.array(face["photo_matrix"])
    )[0]
    seen, true = shapely.Polygon(back), shapely.Polygon(corners)
    # the tracing rounds sharp corners a little; what is tested here is that the face lies where it is in the photo
    assert seen.intersection(true).area / seen.union(true).area > 0.985
    block = client.get("/api/tables/blocks").json()["rows"][0]["id"]
    kept = send(
        client, change(table="faces", block=block, bed="unknown", usable_depth_m=0.2, **face)
    )
    assert kept.status_code == 200, kept.text
    with Project.open(folder, read_only=True) as project:
        assert project.row("faces", kept.json()["ids"]["new:1"])["width_m"] == pytest.approx(
            face["width_m"]
        )
        assert project.integrity() == []
    for wrong in (
        {"click_px": [-5, 10]},
        {"scale_px": [1, 1, 2, 2]},
        {"length_m": 0},
        {"length_m": "x"},
        {"photo": "none"},
        {"click_px": [1]},
        {"scale_px": None},
    ):
        assert client.post("/api/faces/measure", json=order | wrong).status_code == 400, wrong
