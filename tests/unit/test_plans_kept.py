"""Plans as things: named, kept, chosen again, compared with a plain verdict, taken back as wholes."""

from __future__ import annotations

import shutil
import sys
import warnings
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

sys.path.insert(0, str(Path(__file__).parents[1] / "e2e"))
import desk_sample

from facademap.cli.main import main
from facademap.errors import FacademapError, InputError, StageError
from facademap.match.verdict import judge_plans
from facademap.match.whatif import PlanComparison
from facademap.store.project import Project
from facademap.tasks.match.kept_plans import (
    choose_plan,
    drop_plan,
    keep_now,
    keep_plan,
    name_plan,
    plans_of,
    undo_plan,
)
from facademap.tasks.match.match import match_project
from facademap.tasks.match.matching_plans import compare_in_project
from facademap.tasks.plan.plan import plan_project
from facademap.tasks.project.check import check_project
from facademap.web.app import make_app

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    from starlette.testclient import TestClient


@pytest.fixture(scope="module")
def matched(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two plans: the first with every block, the second with one of the blocks used forbidden."""
    folder = desk_sample.make_planned_project(tmp_path_factory.mktemp("plans") / "sample", blocks=6)
    match_project(folder, time_limit_s=None, work_limit=300)
    with Project.open(folder) as project:
        used = project.read("placements")["block"].iloc[0]
        with project.edit(who="t", what="forbid") as edit:
            for id in project.read("pieces")["id"]:
                edit.update("pieces", id, {"forbid_blocks": [used]})
    match_project(folder, time_limit_s=None, work_limit=300)
    with Project.open(folder) as project, project.edit(who="t", what="allow") as edit:
        for id in project.read("pieces")["id"]:
            edit.update("pieces", id, {"forbid_blocks": []})
    return folder


@pytest.fixture
def folder(matched: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(matched, tmp_path / "project"))


def places(folder: Path) -> dict[str, tuple[Any, ...]]:
    rows = desk_sample.rows(folder, "placements").to_dict("records")
    return {
        r["repair"]: (r["block"], r["face"], r["slab"], round(r["x_m"], 6), round(r["y_m"], 6))
        for r in rows
    }


def reasons(folder: Path) -> dict[str, Any]:
    rows = desk_sample.rows(folder, "pieces")
    return dict(zip(rows["id"], rows["unmatched_reason"], strict=True))


def in_force(folder: Path) -> list[str]:
    return [str(i) for i in desk_sample.rows(folder, "plans", current=True)["id"]]


def test_a_plan_is_chosen_again_and_that_is_taken_back_as_a_whole(folder: Path) -> None:
    second, why = places(folder), reasons(folder)
    with Project.open(folder) as project:
        chosen = choose_plan(project, "M-001", who="ada")
    first = places(folder)
    assert in_force(folder) == ["M-001"]
    assert first != second
    assert chosen["changed"]
    with Project.open(folder) as project:
        back = undo_plan(project, who="ada")
    assert (back["plan"], back["was"]) == ("M-002", "M-001")
    assert places(folder) == second
    assert reasons(folder) == why
    assert in_force(folder) == ["M-002"]
    assert not [f for f in check_project(folder)["findings"] if f["level"] == "fault"]


def test_the_matching_itself_is_taken_back_as_a_whole_and_further_back(folder: Path) -> None:
    with Project.open(folder) as project:
        assert undo_plan(project, who="ada")["plan"] == "M-001"
        first = places(folder)
        assert undo_plan(project, who="ada")["plan"] is None
        assert not places(folder)
        with pytest.raises(InputError):
            undo_plan(project, who="ada")
        assert [p["id"] for p in plans_of(project)] == ["M-002", "M-001"]
        choose_plan(project, "M-001", who="ada")
    assert places(folder) == first


def test_what_was_approved_since_stands_in_the_way(folder: Path) -> None:
    with Project.open(folder) as project:
        moved = choose_plan(project, "M-001", who="ada")["changed"]
        place = next(
            p for p in project.read("placements").to_dict("records") if p["repair"] in moved
        )
        with project.edit(who="t", what="approve") as edit:
            edit.update("placements", place["id"], {"state": "approved"})
        with pytest.raises(StageError, match="approved"):
            undo_plan(project, who="ada")
        with pytest.raises(StageError, match="approved"):
            choose_plan(project, "M-002", who="ada")
        listed = {p["id"]: p for p in plans_of(project)}
        assert not listed["M-002"]["can_be_chosen"]
        assert "approved" in listed["M-002"]["why_not"]
    assert in_force(folder) == ["M-001"]


def test_a_plan_of_what_is_gone_cannot_be_chosen(folder: Path) -> None:
    with Project.open(folder) as project:
        block = next(b for b, *_ in places(folder).values())
        choose_plan(project, "M-001", who="ada")
        with project.edit(who="t", what="rejected") as edit:
            edit.update("blocks", block, {"acceptance": "rejected"})
        with pytest.raises(FacademapError, match=r"no longer open|no longer holds"):
            choose_plan(project, "M-002", who="ada")


def test_plans_are_named_kept_and_dropped(folder: Path) -> None:
    with Project.open(folder) as project:
        assert name_plan(project, "M-001", "  all   blocks ", who="ada")["name"] == "all blocks"
        with pytest.raises(InputError, match="called"):
            name_plan(project, "M-002", "all blocks", who="ada")
        keep_plan(project, "M-001", who="ada")
        with pytest.raises(StageError, match="kept"):
            drop_plan(project, "M-001", who="ada")
        with pytest.raises(StageError, match="in force"):
            drop_plan(project, "M-002", who="ada")
        keep_plan(project, "M-001", kept=False, who="ada")
        drop_plan(project, "M-001", who="ada")
        assert [p["id"] for p in plans_of(project)] == ["M-002"]


def test_what_was_placed_by_hand_is_kept_as_a_plan(folder: Path) -> None:
    with Project.open(folder) as project:
        place = project.read("placements").to_dict("records")[0]
        with project.edit(who="t", what="taken off") as edit:
            edit.delete("placements", place["id"])
        row = keep_now(project, "without one", who="ada")
        assert (row["name"], bool(row["kept"]), bool(row["current"])) == (
            "without one",
            True,
            False,
        )
        fewer = places(folder)
        choose_plan(project, "M-001", who="ada")
        choose_plan(project, row["id"], who="ada")
    assert places(folder) == fewer


def test_fewer_pieces_are_never_called_better(folder: Path) -> None:
    with Project.open(folder) as project:
        place = project.read("placements").to_dict("records")[0]
        with project.edit(who="t", what="taken off") as edit:
            edit.delete("placements", place["id"])
        kept = keep_now(project, "fewer", who="ada")["id"]
    for pair in ((kept, "M-002"), ("M-002", kept)):
        found = compare_in_project(folder, *pair)
        fuller = pair.index("M-002")
        assert found["verdict"]["better"] == "M-002"
        assert place["repair"] in found["verdict"]["text"]
        assert {line["better"] for line in found["lines"]} <= {None, fuller}


@pytest.mark.parametrize(
    ("placed", "weight", "stone", "better"),
    [
        ((10, 9), (1.0, 2.0), (90.0, 10.0), 0),
        ((9, 10), (2.0, 1.0), (10.0, 90.0), 1),
        ((10, 9), (5.0, 2.0), (10.0, 10.0), None),
        ((10, 10), (1.0, 1.0), (90.0, 10.0), 1),
        ((10, 10), (1.0, 1.0), (10.0, 10.0), None),
        ((10, 10), (1.0, 3.0), (90.0, 10.0), 0),
    ],
)
def test_the_verdict_in_every_case(
    placed: tuple[int, int],
    weight: tuple[float, float],
    stone: tuple[float, float],
    better: int | None,
) -> None:
    class Nothing:
        placements = ()

    found = PlanComparison(
        placed=placed, unmatched_priority=weight, objective=(1.0, 0.5), visual=(3.0, 1.0), opened_dm3=stone,
        opened_blocks=(3, 3), changes=(),
    )  # fmt: skip
    verdict = judge_plans(None, [Nothing(), Nothing()], found, names=("A", "B"))  # type: ignore[arg-type, list-item]
    assert verdict.better == better
    if placed[0] != placed[1]:
        fewer = int(placed[1] < placed[0])
        assert all(b != fewer for _, _, b in verdict.lines)
        assert verdict.better != fewer


def test_the_desk_and_the_command_line_do_the_same(folder: Path) -> None:
    with TestClient(make_app(folder), base_url="http://127.0.0.1:8479") as client:
        listed = client.get("/api/plans").json()["plans"]
        assert [(p["id"], p["current"], p["can_be_chosen"]) for p in listed] == [
            ("M-002", True, False),
            ("M-001", False, True),
        ]
        assert listed[0]["undo"]
        named = client.post(
            "/api/plans/name", json={"plan": "M-001", "name": "first try", "who": "ada"}
        )
        assert named.json()["plan"]["name"] == "first try"
        assert client.post("/api/plans/choose", json={"plan": "M-001", "who": "ada"}).json()[
            "changed"
        ]
        assert client.post("/api/plans/undo", json={"who": "ada"}).json()["plan"] == "M-002"
        compared = client.get("/api/plans/compare?first=M-001&second=M-002").json()
        assert compared["verdict"]["text"]
        assert client.post("/api/plans/choose", json={"plan": "M-9"}).status_code == 400
        unknown = client.post("/api/plans/burn", json={"plan": "M-001"})
        assert (unknown.status_code, set(unknown.json())) == (404, {"error"})
    run = CliRunner().invoke
    assert "first try" in run(main, ["plans", str(folder)]).output
    assert run(main, ["plans", str(folder), "M-001", "--choose", "--keep"]).exit_code == 0
    assert in_force(folder) == ["M-001"]
    assert run(main, ["plans", str(folder), "--undo"]).exit_code == 0
    assert in_force(folder) == ["M-002"]
    assert run(main, ["plans", str(folder), "--choose"]).exit_code == 2


def test_planning_again_keeps_why_no_block_serves_a_piece_that_stayed_as_it_was(
    folder: Path,
) -> None:
    with Project.open(folder) as project, project.edit(who="t", what="found out") as edit:
        conditions = project.read("conditions").set_index("id")
        pieces = project.read("pieces")
        stays, changes = pieces["id"].iloc[0], pieces.iloc[-1]
        for id in (stays, changes["id"]):
            edit.update("pieces", id, {"unmatched_reason": "size"})
        repair = project.read("repairs").set_index("id").loc[changes["repair"]]
        condition = next(iter(repair["conditions"]))
        edit.update(
            "conditions", condition, {"depth_m": conditions.loc[condition, "depth_m"] + 0.03}
        )
    plan_project(folder)
    found = desk_sample.rows(folder, "pieces").set_index("id")["unmatched_reason"]
    assert found[stays] == "size"
    assert found[changes["id"]] is None
