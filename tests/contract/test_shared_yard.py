"""Stone that several projects of a database share is never promised twice, never lost, and never in two places."""

from __future__ import annotations

import datetime as dt
import json
import multiprocessing
import os
import random
import signal
import time
from pathlib import Path
from typing import Any

import pytest
import shapely
from click.testing import CliRunner
from cluster import Cluster

from facademap.cli.main import main
from facademap.errors import (
    ConflictError,
    FacademapError,
    FileError,
    InputError,
    InUseError,
    ProjectError,
    StageError,
)
from facademap.store.gate import gated_edit
from facademap.store.project import Project
from facademap.store.shared_yard import names_of_members, reserve, stones_in, team_connection
from facademap.store.team_address import read_address
from facademap.tasks.project.check import check_project
from facademap.tasks.project.check_shared_yard import shared_yard_of
from facademap.tasks.project.copy_project import copy_project
from facademap.tasks.project.team import join_project, rights_in_project
from facademap.tasks.yard import joint_match
from facademap.tasks.yard.joint_match import match_together
from facademap.tasks.yard.shared import (
    crow_km,
    give_back,
    join_shared_yard,
    list_shared_yard,
    offer_blocks,
    reserve_stones,
    rights_in_shared_yard,
)
from facademap.tasks.yard.shared_match import suggest_stones

RING = [[0.0, 0.0], [0.6, 0.0], [0.6, 0.4], [0.0, 0.4]]
MILL, KILN, LOFT = (0.10, 51.50), (0.30, 51.60), (2.35, 48.85)
_forked = multiprocessing.get_context("fork")


def block_rows(n: int, lab: tuple[float, float, float] = (70.0, 1.0, 12.0)) -> tuple[Any, Any]:
    block = {
        "id": f"B-{n:03d}",
        "stone_type": "Totternhoe",
        "weight_kg": 200.0,
        "acceptance": "accepted",
    }
    face = {
        "id": f"B-{n:03d}-front",
        "block": block["id"],
        "outline": RING,
        "usable_depth_m": 0.3,
        "bed": "x",
        "lab": list(lab),
        "spread": 1.0,
    }
    return block, face


def make(database: str, folder: Path, name: str, *, blocks: int = 0, gaps: int = 0) -> Path:
    with Project.create_in(read_address(f"{database}#{name}"), folder, name=name) as project:
        rows = [block_rows(n) for n in range(1, blocks + 1)]
        with project.edit(who="ann", what="set up") as edit:
            edit.insert("elevations", [{"id": "e", "name": "e"}])
            edit.insert("surfaces", [{"id": "s", "elevation": "e", "name": "s"}])
            if rows:
                edit.insert("blocks", [b for b, _ in rows])
                edit.insert("faces", [f for _, f in rows])
            for n in range(1, gaps + 1):
                box = shapely.box(n, 0, n + 0.3, 0.2)
                edit.insert(
                    "repairs",
                    [
                        {
                            "id": f"R-{n}",
                            "surface": "s",
                            "treatment": "inset",
                            "geometry": box,
                            "edges": [0.003],
                        }
                    ],
                )
                edit.insert(
                    "pieces",
                    [
                        {
                            "id": f"P-{n}",
                            "repair": f"R-{n}",
                            "surface": "s",
                            "width_m": 0.294,
                            "height_m": 0.194,
                            "depth_m": 0.1,
                            "bed": "horizontal",
                            "geometry": box,
                            "stone_type": "Totternhoe",
                            "lab": [70.0, 1.0, 12.0],
                        }
                    ],
                )
    return folder


@pytest.fixture(scope="module")
def database(cluster: Cluster) -> str:
    return cluster.make_database("yards")


@pytest.fixture(scope="module")
def yard(database: str, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """A mill with stone to spare, and two others that could do with some."""
    base = tmp_path_factory.mktemp("yard")
    made = {
        "mill": make(database, base / "mill", "mill", blocks=20),
        "kiln": make(database, base / "kiln", "kiln", gaps=2),
        "loft": make(database, base / "loft", "loft", blocks=1),
    }
    for name, place in (("mill", MILL), ("kiln", KILN), ("loft", LOFT)):
        join_shared_yard(made[name], building=name, place=place, rule="any")
    return made


def blocks_of(folder: Path) -> set[str]:
    with Project.open(folder, read_only=True) as project:
        return set(project.read("blocks")["id"])


def faults_of(folder: Path) -> list[str]:
    with Project.open(folder, read_only=True) as project:
        return [f.problem for f in shared_yard_of(project)]


def take_what_you_can(folder: Path, stones: list[str], seed: int, told: Any) -> None:
    order = random.Random(seed).sample(stones, len(stones))
    taken, refused = [], 0
    for pair in zip(order[::2], order[1::2], strict=True):
        try:
            taken += reserve_stones(folder, pair, who=f"p{seed}")["blocks"]
        except InUseError:
            refused += 1
    told.put((seed, taken, refused))


def test_many_processes_that_reserve_at_once_never_get_the_same_stone(
    yard: dict[str, Path], database: str
) -> None:
    mine = [f"B-{n:03d}" for n in range(1, 13)]
    stones = offer_blocks(yard["mill"], mine, who="ann")["stones"]
    assert blocks_of(yard["mill"]).isdisjoint(mine)
    told = _forked.Queue()
    folders = [yard["kiln"], yard["loft"], yard["mill"], yard["kiln"]]
    running = [
        _forked.Process(target=take_what_you_can, args=(folder, stones, seed, told), daemon=True)
        for seed, folder in enumerate(folders)
    ]
    for process in running:
        process.start()
    answers = [told.get(timeout=60) for _ in running]
    for process in running:
        process.join()
    got = [b for _, taken, _ in answers for b in taken]
    assert sum(refused for *_, refused in answers) > 0, "they did not meet"
    with Project.open(yard["mill"], read_only=True) as project:
        connection = team_connection(project)
        there = {s.stone: s for s in stones_in(connection)}
        promised = [s for s in stones if there[s].project is not None]
        names = names_of_members(connection)
    assert len(got) == len(promised)
    entered = {name: blocks_of(folder) for name, folder in yard.items()}
    everywhere = [
        (name, stone)
        for name, blocks in entered.items()
        for stone in stones
        if (stone if name != "mill" else stone.removeprefix("mill.")) in blocks
    ]
    assert sorted(stone for _, stone in everywhere) == sorted(promised)
    assert all(names[str(there[s].project)] == name for name, s in everywhere)
    assert all(not faults_of(folder) for folder in yard.values())
    for name, folder in yard.items():
        held = [there[s].block_there for n, s in everywhere if n == name]
        if held:
            give_back(folder, [str(b) for b in held], who="ann")
    reserve_stones(yard["mill"], stones, who="ann")
    with Project.open(yard["mill"], read_only=True) as project:
        assert project.row("blocks", "B-001")["weight_kg"] == 200.0
        assert list(project.read("faces", where={"block": "B-001"})["id"]) == ["B-001-front"]
    give_back(yard["mill"], mine, who="ann")


def killed_in_the_midst(folder: Path, stone: str) -> None:
    with Project.open(folder) as project, gated_edit(project, who="x", what="x") as edit:
        reserve(edit, project, [stone], who="x", may=lambda s: None)
        os.kill(os.getpid(), signal.SIGKILL)


def test_a_reserver_that_is_killed_leaves_the_stone_free(yard: dict[str, Path]) -> None:
    (stone,) = offer_blocks(yard["mill"], ["B-013"], who="ann")["stones"]
    process = _forked.Process(target=killed_in_the_midst, args=(yard["kiln"], stone))
    process.start()
    process.join()
    assert process.exitcode == -signal.SIGKILL
    assert stone not in blocks_of(yard["kiln"])
    for _ in range(50):  # the database notices that its client is gone a moment later
        try:
            assert reserve_stones(yard["loft"], [stone], who="ben") == {"blocks": [stone]}
            break
        except ProjectError:
            time.sleep(0.1)
    with pytest.raises(InUseError, match="is promised to loft since"):
        reserve_stones(yard["kiln"], [stone], who="cal")
    give_back(yard["loft"], [stone], who="ben")


def test_no_edit_and_no_undo_brings_stone_to_two_places_or_to_none(yard: dict[str, Path]) -> None:
    (stone,) = offer_blocks(yard["mill"], ["B-014"], who="ann")["stones"]
    with Project.open(yard["mill"]) as mill:
        offered = mill.history(last=1).iloc[0]["txn"]
        with pytest.raises(ProjectError, match="lies in the shared yard"):
            mill.undo(offered, who="ann")
        with pytest.raises(ProjectError, match="lies in the shared yard"), mill.edit(who="ann", what="add") as edit:  # fmt: skip
            edit.insert("blocks", [block_rows(14)[0]])
    reserve_stones(yard["kiln"], [stone], who="cal")
    with Project.open(yard["kiln"]) as kiln:
        taken = kiln.history(last=1).iloc[0]["txn"]
        with pytest.raises(ProjectError, match=r"is promised to this project.*shared-yard release"):
            kiln.undo(taken, who="cal")
        assert stone in set(kiln.read("blocks")["id"])
        with kiln.edit(who="cal", what="saw") as edit:
            edit.update("blocks", stone, {"state": "sawn"})
    with pytest.raises(InUseError, match="is sawn and cannot be given back"):
        give_back(yard["kiln"], [stone], who="cal")
    with Project.open(yard["kiln"]) as kiln, kiln.edit(who="cal", what="not sawn") as edit:
        edit.update("blocks", stone, {"state": "available", "note": "a vent at the back"})
    give_back(yard["kiln"], [stone], who="cal", place=KILN)
    told = list_shared_yard(yard["kiln"], stone=stone)
    assert [m["what"] for m in told["moves"]] == ["offered", "promised", "given back"]
    assert told["stones"][0]["km"] == 0
    reserve_stones(yard["mill"], [stone], who="ann")
    with Project.open(yard["mill"], read_only=True) as mill:
        assert mill.row("blocks", "B-014")["note"] == "a vent at the back"


def test_check_finds_stone_in_two_places_and_in_none(yard: dict[str, Path], database: str, cluster: Cluster, tmp_path: Path) -> None:  # fmt: skip
    (stone,) = offer_blocks(yard["mill"], ["B-015"], who="ann")["stones"]
    reserve_stones(yard["loft"], [stone], who="ben")
    with Project.open(yard["loft"]) as loft:
        team = team_connection(loft)
        for statement in (
            "ALTER TABLE blocks DISABLE TRIGGER facademap_yard_guard",
            "DELETE FROM faces WHERE block = ?",
            "DELETE FROM blocks WHERE id = ?",
        ):
            team.execute(statement, (stone,) if "?" in statement else ())
    found = check_project(yard["loft"], fast=True)["findings"]
    assert any("and not entered here" in f["problem"] for f in found)
    with Project.open(yard["kiln"]) as kiln:
        team_connection(kiln).execute("ALTER TABLE blocks DISABLE TRIGGER facademap_yard_guard")
        with kiln.edit(who="x", what="by the back door") as edit:
            edit.insert("blocks", [{**block_rows(15)[0], "id": stone}])
    assert any("promised to loft: it would be used twice" in p for p in faults_of(yard["kiln"]))
    with Project.open(yard["kiln"]) as kiln:
        with kiln.edit(who="x", what="out") as edit:
            edit.delete("blocks", stone)
        team_connection(kiln).execute("ALTER TABLE blocks ENABLE TRIGGER facademap_yard_guard")
    copy_project(str(yard["kiln"]), f"{database}#kiln_again", files=tmp_path / "again")
    assert any("is a copy of this one" in p for p in faults_of(yard["kiln"]))


def test_rules_of_provenance_and_distance_decide_and_order(yard: dict[str, Path]) -> None:
    own, kept = offer_blocks(yard["mill"], ["B-016"], who="ann")["stones"], ["mill.B-017"]
    offer_blocks(yard["mill"], ["B-017"], who="ann", until=dt.date(2999, 1, 1))
    offer_blocks(yard["loft"], ["B-001"], who="ben")
    with pytest.raises(StageError, match="is kept for mill until 2999-01-01"):
        reserve_stones(yard["kiln"], kept, who="cal")
    join_shared_yard(yard["kiln"], most_km=100)
    with pytest.raises(StageError, match=r"lies \d+ km away by road, more than 100 km"):
        reserve_stones(yard["kiln"], ["loft.B-001"], who="cal")
    join_shared_yard(yard["kiln"], rule="only", most_km=20_000)
    with pytest.raises(StageError, match="takes stone of its own building only"):
        reserve_stones(yard["kiln"], own, who="cal")
    assert "mill.B-016" not in blocks_of(yard["kiln"])
    join_shared_yard(yard["mill"], rule="first")
    seen = [s for s in list_shared_yard(yard["mill"])["stones"] if not s["promised_to"]]
    assert [s["building"] for s in seen][-1] == "loft"
    assert seen[-1]["tonne_km"] == pytest.approx(0.2 * 1.3 * crow_km(LOFT, MILL))
    # a second campaign on the same building may have what is kept for it
    join_shared_yard(yard["kiln"], building="mill", rule="only")
    assert reserve_stones(yard["kiln"], kept, who="cal")["blocks"] == kept
    give_back(yard["kiln"], kept, who="cal")
    join_shared_yard(yard["kiln"], building="kiln", rule="any")


def test_the_distance_is_that_of_the_geodesic() -> None:
    """Checked against GeodTest (Karney 2010, doi:10.5281/zenodo.32156), first line: 9398502.0434687 m."""
    start, end = (0.0, 36.530042355041), (5.762344694676510456, -48.164270779097768864)
    assert crow_km(start, end) == pytest.approx(9398.5020434687, abs=1e-6)


def test_the_solver_asks_for_stone_of_the_own_building_first_and_the_nearer_of_two(
    yard: dict[str, Path],
) -> None:
    with Project.open(yard["mill"], read_only=True) as mill:
        free = [s for s in stones_in(team_connection(mill)) if s.project is None]
    assert {"mill.B-001", "loft.B-001"} <= {s.stone for s in free}
    found = suggest_stones(yard["kiln"], time_limit_s=5)
    assert found["unmatched"] == []
    assert {u["building"] for u in found["use"]} == {"mill"}, "the loft's stone is as good and farther away"  # fmt: skip
    join_shared_yard(yard["kiln"], building="loft", rule="first")
    first = suggest_stones(yard["kiln"], time_limit_s=5)
    assert {u["stone"] for u in first["use"]} == {"loft.B-001"}
    join_shared_yard(yard["kiln"], building="kiln", rule="only")
    assert suggest_stones_refused(yard["kiln"]) == "no block may be used"
    join_shared_yard(yard["kiln"], rule="any")


def suggest_stones_refused(folder: Path) -> str:
    with pytest.raises(InputError) as told:
        suggest_stones(folder, time_limit_s=5)
    return told.value.problem


def run(*words: object) -> tuple[int, str]:
    done = CliRunner().invoke(main, [str(w) for w in words])
    return done.exit_code, done.output


def test_the_command_says_every_refusal_in_one_line(
    yard: dict[str, Path], database: str, tmp_path: Path
) -> None:
    code, said = run("shared-yard", "list", yard["kiln"], "--json")
    assert code == 0
    assert {"stone", "km", "promised_to"} <= set(json.loads(said)["stones"][0])
    Project.create(tmp_path / "file", name="file").close()
    make(database, tmp_path / "alone", "alone")
    for words, problem in (
        (("list", tmp_path / "file"), "lies in a file"),
        (("list", tmp_path / "alone"), "takes no part in a shared yard"),
        (("reserve", yard["kiln"], "nowhere.B-1"), "has no stone 'nowhere.B-1'"),
        (("reserve", yard["kiln"], "x'; DROP TABLE stones; --"), "has no stone"),
        (("release", yard["kiln"], "B-999"), "was not promised to this project"),
        (("offer", yard["mill"], "B-999"), "there is no 'B-999'"),
        (("join", yard["kiln"], "--at", "200", "0"), "longitude: 200 is none"),
        (("join", yard["kiln"], "--building", ""), "name of the building is empty"),
    ):
        code, said = run("shared-yard", *words)
        assert (code, said.count("\n")) == (2, 1), said
        assert said.startswith("error: ")
        assert problem in said
    with pytest.raises(ProjectError, match="what projects of a database share"):
        Project.create_in(read_address(f"{database}#facademap_yard"), tmp_path / "y", name="y")


def test_roles_take_part_with_rights_and_not_without(
    yard: dict[str, Path], database: str, tmp_path: Path
) -> None:
    with Project.open(yard["kiln"]) as kiln:
        team_connection(kiln).execute("CREATE ROLE fitter LOGIN")
    rights_in_project(yard["kiln"], role="fitter", may="edit")
    theirs = join_project(f"{database}#kiln".replace("postgres@", "fitter@"), tmp_path / "fitter")
    with pytest.raises(FacademapError, match="your role may not do this"):
        reserve_stones(theirs, ["mill.B-016"], who="fay")
    rights_in_shared_yard(yard["mill"], role="fitter", may="edit")
    assert reserve_stones(theirs, ["mill.B-016"], who="fay")["blocks"] == ["mill.B-016"]
    give_back(theirs, ["mill.B-016"], who="fay")
    rights_in_shared_yard(yard["mill"], role="fitter", may="nothing")
    with pytest.raises(FacademapError, match="your role may not do this"):
        list_shared_yard(theirs)


def test_check_says_that_the_yard_is_not_whole(cluster: Cluster, tmp_path: Path) -> None:
    """As after a backup of one project alone was restored. A folder of one role is not worked in by another unseen."""
    database = cluster.make_database("half_a_yard")
    folder = make(database, tmp_path / "mill", "mill")
    join_shared_yard(folder)
    assert faults_of(folder) == []
    with Project.open(folder) as mill:
        team_connection(mill).execute("CREATE ROLE fay LOGIN")
        team_connection(mill).execute("DROP TABLE facademap_yard.promises CASCADE")
    assert "does not have, or not whole" in faults_of(folder)[0]
    rights_in_project(folder, role="fay", may="read")
    with pytest.raises(FileError, match="as postgres, not as fay"):
        join_project(f"{database}#mill".replace("postgres@", "fay@"), folder)


@pytest.fixture
def estate(cluster: Cluster, tmp_path: Path) -> tuple[str, dict[str, Path]]:
    """A mill with two stones to spare, and two buildings that have no other stone; the kiln is near, the loft far away."""
    database = cluster.make_database("joint")
    folders = {
        "mill": make(database, tmp_path / "mill", "mill", blocks=2),
        "kiln": make(database, tmp_path / "kiln", "kiln", gaps=2),
        "loft": make(database, tmp_path / "loft", "loft", gaps=1),
    }
    for name, place in (("mill", MILL), ("kiln", KILN), ("loft", LOFT)):
        join_shared_yard(folders[name], building=name, place=place, rule="any")
    offer_blocks(folders["mill"], ["B-001"], who="ann")
    return database, folders


def stored_of(folder: Path) -> tuple[set[str], int, list[str]]:
    with Project.open(folder, read_only=True) as project:
        assert team_connection(project).address.project == folder.name
        history = project.history()
        return blocks_of(folder), len(history), list(project.read("placements")["block"])


def test_several_projects_are_matched_at_once_and_all_get_their_stone_or_none(
    estate: tuple[str, dict[str, Path]], monkeypatch: pytest.MonkeyPatch
) -> None:
    database, folders = estate
    found = match_together([database], why="loft:R-1", insist="mill.B-001")
    kiln, loft = found["campaigns"]
    assert [u["repair"] for u in kiln["use"]] == ["R-1", "R-2"], "two pieces outweigh one"
    assert loft["unmatched"] == [{"repair": "R-1", "reason": "capacity"}]
    assert found["status"] == "optimal"
    assert list(found["without"]) == ["mill"]
    (stone,) = found["why"]["ranked"]
    assert (stone["block_id"], stone["serves"]) == ("mill.B-001", ["kiln:R-1", "kiln:R-2"])
    gives_way = {(c["repair"], c["second"]) for c in found["why"]["insist"]["changes"]}
    assert gives_way == {("loft:R-1", "mill.B-001"), ("kiln:R-1", None), ("kiln:R-2", None)}
    km = {t: crow_km(MILL, place) * 1.3 for t, place in (("kiln", KILN), ("loft", LOFT))}
    way = (km["loft"] - km["kiln"]) * 200.0 / 1000.0 * 0.01
    assert found["why"]["insist"]["more"] == pytest.approx(1000.0 + way - looks_of(found), abs=1e-6)

    code, said = run("shared-yard", "match", database, "--why", "loft:R-1")
    assert code == 0
    assert "kiln: 2 repairs by stone of the yard, 0 by own blocks, 0 without" in said
    assert "the plan for all is proved best" in said
    assert "serves kiln:R-1, kiln:R-2" in said

    before = [stored_of(f) for f in folders.values()]
    told: list[str] = []
    really = joint_match.store_plan

    def fails_in_the_second(project: Project, *given: Any, **also: Any) -> Any:
        told.append(project.folder.name)
        if len(told) == 2:
            raise OSError("the power went out")
        return really(project, *given, **also)

    offer_blocks(folders["mill"], ["B-002"], who="ann")
    before[0] = stored_of(folders["mill"])
    with monkeypatch.context() as patched:
        patched.setattr(joint_match, "store_plan", fails_in_the_second)
        with pytest.raises(OSError, match="power"):
            match_together([database], reserve_stones=True)
    assert told == ["kiln", "loft"]
    assert [stored_of(f) for f in folders.values()] == before, "nothing of it is in any project"

    solved = joint_match.solve

    def solve_slowly(*given: Any, **also: Any) -> Any:
        plan = solved(*given, **also)
        reserve_stones(folders["loft"], ["mill.B-001", "mill.B-002"], who="fay")
        return plan

    with monkeypatch.context() as patched:
        patched.setattr(joint_match, "solve", solve_slowly)
        with pytest.raises((InUseError, ConflictError)):
            match_together([database], reserve_stones=True)
    assert blocks_of(folders["kiln"]) == set()
    give_back(folders["loft"], ["mill.B-001", "mill.B-002"], who="fay")

    done = match_together([database], reserve_stones=True, who="ann")
    assert set(done["plans"]) == {"kiln", "loft"}
    assert sorted(b for blocks in done["reserved"].values() for b in blocks) == ["mill.B-001", "mill.B-002"]  # fmt: skip
    for name, stone_of in done["reserved"].items():
        assert stored_of(folders[name])[2] == stone_of * (2 if name == "kiln" else 1)
        assert faults_of(folders[name]) == []
    with Project.open(folders["kiln"], read_only=True) as project:
        (plan,) = project.read("plans").to_dict("records")
    assert (plan["status"], plan["matched"], plan["current"]) == ("optimal", 2, True)


def looks_of(found: dict[str, Any]) -> float:
    """What the looks of the second piece and the unmatched one are worth: both pieces look the same."""
    (stone,) = found["why"]["ranked"]
    return float(stone["looks"])
