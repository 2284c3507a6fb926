"""Large edits: worked out on a copy, stored in one go, done again when others were quicker."""

from __future__ import annotations

import shutil
import sqlite3
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import shapely

sys.path.insert(0, str(Path(__file__).parents[1] / "e2e"))
import desk_sample

from facademap.errors import ConflictError, InputError
from facademap.store import draft
from facademap.store.project import Project
from facademap.tasks.desk.edit import apply_changes, read_changes
from facademap.tasks.plan.plan import plan_project


@pytest.fixture(scope="module")
def sample(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return desk_sample.make_planned_project(tmp_path_factory.mktemp("draft") / "sample", blocks=2)


@pytest.fixture
def folder(sample: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(sample, tmp_path / "project"))


@pytest.fixture
def other(folder: Path) -> Iterator[Project]:
    """Somebody else, on a connection that does not wait."""
    with Project.open(folder) as project:
        project._connection.execute("PRAGMA busy_timeout = 0")
        yield project


def condition(project: Project, id: str, **more: Any) -> dict[str, Any]:
    surface = str(project.read("surfaces")["id"].iloc[0])
    return {
        "id": id,
        "surface": surface,
        "term": "scaling",
        "geometry": shapely.box(0.1, 0.1, 0.3, 0.3),
    } | more


def add(project: Project, id: str) -> None:
    with project.edit(who="b", what="b") as edit:
        edit.insert("conditions", [condition(project, id)])


def whole(folder: Path) -> dict[str, Any]:
    """Everything the file says, but for times and the names of transactions."""
    with sqlite3.connect(f"file:{folder}/project.gpkg?mode=ro", uri=True) as file:
        names = [n for (n,) in file.execute("SELECT name FROM sqlite_master WHERE type='table'")]
        found = {n: file.execute(f'SELECT * FROM "{n}"').fetchall() for n in names}
    found["edit_log"] = [row[:1] + row[3:] for row in found["edit_log"]]
    found["layer_styles"] = [row[:-1] for row in found["layer_styles"]]
    found["gpkg_contents"] = [row[:4] + row[5:] for row in found["gpkg_contents"]]
    return found


def test_an_edit_apart_leaves_the_file_as_the_same_edit_under_the_lock(
    sample: Path, tmp_path: Path
) -> None:
    made = []
    for apart in (False, True):
        copy = Path(shutil.copytree(sample, tmp_path / str(apart)))
        with Project.open(copy) as project:
            surface = project.read("surfaces").iloc[0].to_dict()
            first = str(project.read("conditions")["id"].iloc[0])
            with project.edit(who="a", what="a", apart=apart) as edit:
                name = edit.new_id("C")
                edit.insert("conditions", [condition(project, name)])
                edit.update("conditions", first, {"note": "0.1 + 0.2"})
                edit.delete("conditions", name)
                edit.insert("surfaces", [surface | {"id": "new-one"}])
                edit.set("mix", "hot")
                assert edit.new_id("C") != name
            assert project.integrity() == []
        made.append(whole(copy))
    assert made[0].keys() == made[1].keys()
    assert [n for n in made[0] if made[0][n] != made[1][n]] == []


def test_others_write_while_an_edit_is_worked_out_apart(folder: Path, other: Project) -> None:
    with Project.open(folder) as project:
        with project.edit(who="a", what="a", apart=True) as edit:
            edit.insert("conditions", [condition(project, "mine")])
            add(other, "theirs")  # not locked
            assert "theirs" not in set(project.read("conditions")["id"])
        assert {"mine", "theirs"} <= set(project.read("conditions")["id"])
    with Project.open(folder) as project, project.edit(who="a", what="a") as edit:
        edit.insert("conditions", [condition(project, "held")])
        with pytest.raises(Exception, match="in use"):
            add(other, "waits")


def change_same(other: Project) -> None:
    with other.edit(who="b", what="b") as edit:
        edit.update("conditions", str(other.read("conditions")["id"].iloc[0]), {"note": "b"})


def delete_named(other: Project) -> None:
    with other.edit(who="b", what="b") as edit:
        edit.delete("photos", "seen")


def draw_stone(other: Project) -> None:
    with other.edit(who="b", what="b") as edit:
        stone = other.read("wall_stones").iloc[0].to_dict()
        edit.insert("wall_stones", [stone | {"id": "late", "number": None, "course": None}])


def take_number(other: Project) -> None:
    with other.edit(who="b", what="b") as edit:
        edit.insert("conditions", [condition(other, edit.new_id("C"))])


@pytest.mark.parametrize("quicker", [change_same, delete_named, draw_stone, take_number])
def test_an_edit_apart_is_not_stored_over_what_it_rests_on(
    folder: Path, other: Project, quicker: Any
) -> None:
    with other.edit(who="b", what="b") as edit:
        photo = {
            "id": "seen",
            "path": "photos/seen.jpg",
            "sha256": "0" * 64,
            "width_px": 9,
            "height_px": 9,
        }
        edit.insert("photos", [photo])
    first = str(other.read("conditions")["id"].iloc[0])
    before: list[Any] = []

    def work(project: Project) -> None:
        with project.edit(who="a", what="a", apart=True) as edit:
            edit.update("conditions", first, {"note": "a", "photo": "seen"})
            edit.insert("conditions", [condition(project, edit.new_id("C"))])
            quicker(other)
            before.append(whole(folder))

    with Project.open(folder) as project, pytest.raises(draft.MovedOnError):
        work(project)
    assert whole(folder) == before[0]


def test_what_others_changed_elsewhere_does_not_matter(folder: Path, other: Project) -> None:
    with Project.open(folder) as project:
        with project.edit(who="a", what="a", apart=True, numbers={"C": 2}) as edit:
            mine = [edit.new_id("C"), edit.new_id("C")]
            edit.insert("conditions", [condition(project, i) for i in mine])
            take_number(other)
        theirs = str(project.read("conditions")["id"].iloc[-3])
        assert len({*mine, theirs}) == 3
        assert set(mine) <= set(project.read("conditions")["id"])


def test_numbers_that_were_taken_beforehand_come_back_when_the_edit_is_refused(
    folder: Path,
) -> None:
    before = whole(folder)

    def work(project: Project) -> None:
        with project.edit(who="a", what="a", apart=True, numbers={"C": 9, "XY": 3}) as edit:
            edit.insert("conditions", [condition(project, edit.new_id("C"))])
            raise InputError("no", "No.")

    with Project.open(folder) as project, pytest.raises(InputError):
        work(project)
    assert whole(folder) == before


def test_an_edit_is_done_again_when_others_were_quicker_and_at_last_under_the_lock(
    folder: Path, other: Project
) -> None:
    tries = []

    with Project.open(folder) as project:

        def work(apart: bool) -> str:
            tries.append(apart)
            with project.edit(who="a", what="a", apart=apart) as edit:
                name = edit.new_id("C")
                edit.insert("conditions", [condition(project, name)])
                if apart:
                    take_number(other)
            return name

        name = draft.store_drafted(work)
        assert tries == [True] * draft.TRIES + [False]
        assert name in set(project.read("conditions")["id"])


def test_a_large_edit_of_the_desk_is_judged_while_others_draw(
    folder: Path, other: Project, monkeypatch: pytest.MonkeyPatch
) -> None:
    import facademap.tasks.desk.edit as desk

    judge = desk.judge_edit

    def judged(project: Project, txn: str, **how: Any) -> None:
        take_number(other)  # would be refused as locked
        judge(project, txn, **how)

    monkeypatch.setattr(desk, "judge_edit", judged)
    with Project.open(folder) as project:
        surface = str(project.read("surfaces")["id"].iloc[0])
        values = {
            "surface": surface,
            "term": "scaling",
            "geometry": {"type": "Point", "coordinates": [0.2, 0.2]},
        }
        sent = [
            {"op": "insert", "table": "conditions", "id": f"new:{n}", "values": values}
            for n in range(draft.LARGE + 1)
        ]
        key, changes = read_changes({"key": "large-edit-1", "changes": sent})
        first = apply_changes(project, changes, key=key, who="a", what="many")
        again = apply_changes(project, changes, key=key, who="a", what="many")
        ids = list(project.read("conditions")["id"])
    assert again.repeated
    assert again.ids == first.ids
    assert len(set(first.ids.values())) == draft.LARGE + 1
    assert set(first.ids.values()) < set(ids)
    assert len(ids) == len(set(ids))


def test_planning_is_stored_while_others_draw(
    folder: Path, other: Project, monkeypatch: pytest.MonkeyPatch
) -> None:
    import facademap.tasks.plan.plan as planning

    choose = planning.choose_ways

    def chosen(*given: Any, **how: Any) -> Any:
        take_number(other)  # would be refused as locked
        return choose(*given, **how)

    monkeypatch.setattr(planning, "choose_ways", chosen)
    before = other.read("repairs")
    told = plan_project(folder)
    assert told["repairs"] == len(before)
    assert set(other.read("repairs")["id"]) == set(before["id"])


def test_what_moved_on_is_a_conflict_with_a_remedy() -> None:
    assert issubclass(draft.MovedOnError, ConflictError)
