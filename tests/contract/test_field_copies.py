"""Field copies: a part of a project in a folder, and the way back of what was done in it, from and into either store."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import shapely
from click.testing import CliRunner

from facademap.cli.main import main
from facademap.errors import FileError, InputError, ProjectError
from facademap.store.changes import changes_after
from facademap.store.gate import gated_edit
from facademap.store.project import Project
from facademap.store.team_address import read_address
from facademap.tasks.project import bring_back as bringing
from facademap.tasks.project.bring_back import bring_back
from facademap.tasks.project.check import check_project
from facademap.tasks.project.copy_project import copy_project
from facademap.tasks.project.estate import figures_of_estate
from facademap.tasks.project.team import join_project
from facademap.wall.world import wall_crs


def condition(id: str, surface: str = "front", **more: Any) -> dict[str, Any]:
    return {"id": id, "surface": surface, "term": "scaling", "geometry": shapely.box(0, 0, 1, 1), **more}  # fmt: skip


def entered(folder: Path, *rows: dict[str, Any], who: str = "fay", what: str = "drawn") -> None:
    with Project.open(folder) as made, made.edit(who=who, what=what) as edit:
        edit.insert("conditions", rows)


def changed(folder: Path, id: str, *, who: str, **values: Any) -> None:
    with Project.open(folder) as made, made.edit(who=who, what="changed") as edit:
        edit.update("conditions", id, values)


@pytest.fixture
def field(project: Project, tmp_path: Path) -> Path:
    """A field copy of one of two surfaces, with a picture, a setting and the record of a repair there."""
    (project.folder / "photos").mkdir(exist_ok=True)
    (project.folder / "photos/p1.jpg").write_bytes(b"one")
    (project.folder / "photos/p2.jpg").write_bytes(b"of another wall")
    rep = {"treatment": "inset", "conditions": ["C-001"], "geometry": shapely.box(0, 0, 1, 1), "edges": [0.003]}  # fmt: skip
    with project.edit(who="ann", what="more") as edit:
        edit.insert("photos", [
            {"id": f"p{n}.jpg", "path": f"photos/p{n}.jpg", "sha256": "0", "width_px": 1, "height_px": 1, "surface": s}
            for n, s in ((1, "front"), (2, "return"))
        ])  # fmt: skip
        edit.insert("conditions", [condition("C-003", photo="p1.jpg"), condition("C-004")])
        edit.insert("repairs", [{"id": "R-001", "surface": "front", **rep}])
        edit.insert("work_log", [{"id": "W-001", "repair": "R-001", "stage": "proposed", "at": "2026-05-01T09:00:00Z", "mason": "ann"}])  # fmt: skip
    copy_project(str(project.folder), str(tmp_path / "field"), surfaces=["front"], who="fay")
    return tmp_path / "field"


def test_a_field_copy_holds_one_surface_with_its_history_and_pictures(
    project: Project, field: Path
) -> None:
    with Project.open(field, read_only=True) as copied:
        assert list(copied.read("surfaces")["id"]) == ["front"]
        assert set(copied.read("conditions")["id"]) == {"C-001", "C-003", "C-004"}
        assert list(copied.read("work_log")["id"]) == ["W-001"]
        assert list(copied.read("photos")["id"]) == ["p1.jpg"]
        assert [h["who"] for h in copied.history("conditions", "C-001").to_dict("records")] == ["ann"]  # fmt: skip
        assert copied.project_id != project.project_id
        assert foreign_names(field) == []
    assert (field / "photos/p1.jpg").exists()
    assert not (field / "photos/p2.jpg").exists()
    assert "is a field copy of" in figures_of_estate([str(field)])["unread"][0]["problem"]


def test_a_field_copy_comes_back_with_what_both_changed_side_by_side(
    project: Project, field: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    home = str(project.folder)
    changed(field, "C-001", who="fay", depth_m=0.02)
    changed(field, "C-001", who="gus", depth_m=0.03)
    changed(field, "C-003", who="fay", cc=3, note="deep")
    changed(field, "C-004", who="fay", cc=1)
    (field / "photos/new.jpg").write_bytes(b"taken on the scaffold")
    with Project.open(field) as copied, copied.edit(who="fay", what="photo") as edit:
        edit.insert("photos", [{"id": "new.jpg", "path": "photos/new.jpg", "sha256": "1", "width_px": 1, "height_px": 1, "surface": "front"}])  # fmt: skip
    entered(field, condition("C-005", photo="new.jpg"), condition("C-006"))
    with Project.open(field) as copied, copied.edit(who="fay", what="planned") as edit:
        edit.update("repairs", "R-001", {"conditions": ["C-001", "C-005"]})
    entered(project.folder, condition("C-005", "return", note="of the office"), who="ann")
    changed(project.folder, "C-003", who="ann", cc=2, uc=3)
    changed(project.folder, "C-004", who="ann", uc=1)
    (project.folder / "photos/new.jpg").write_bytes(b"of the office")

    looked = bring_back(field, home, dry_run=True)
    assert {c["id"] for c in looked["conflicts"]} >= {"C-003", "C-004"}
    newest = changes_after(project, 0)[-1].seq

    def breaks_off(*given: Any, **also: Any) -> None:
        raise OSError("the cable was pulled")

    with monkeypatch.context() as patched:
        patched.setattr(bringing, "_note", breaks_off)
        with pytest.raises(OSError, match="cable"):
            bring_back(field, home)
    assert changes_after(project, 0)[-1].seq == newest, "nothing half done"

    with monkeypatch.context() as patched:
        patched.chdir(project.folder.parent)  # named as one does, from where one is
        done = bring_back(field, project.folder.name, who="fay")
    assert {c["id"] for c in done["conflicts"]} == {"C-003", "C-004"}
    assert done["renamed"] == [{"table": "conditions", "id": "C-005", "to": "C-007"}]
    of_both = next(c for c in done["conflicts"] if c["id"] == "C-003")
    assert of_both["fields"]["cc"] == {"base": None, "mine": 3, "theirs": 2}
    assert of_both["by_both"] == ["cc"]
    history = project.history("conditions", "C-001").to_dict("records")
    assert [h["who"] for h in history] == ["gus", "fay", "ann"], "every edit, by who made it"
    assert "in the field" in history[0]["what"]
    assert project.row("conditions", "C-005")["note"] == "of the office"
    assert project.row("conditions", "C-007")["photo"] == "new.jpg"
    assert project.row("conditions", "C-006")["surface"] == "front"
    assert project.row("repairs", "R-001")["conditions"] == ["C-001", "C-007"]
    taken = project.place(project.row("photos", "new.jpg")["path"])
    assert taken.read_bytes() == b"taken on the scaffold"
    assert (project.folder / "photos/new.jpg").read_bytes() == b"of the office"

    again = bring_back(field, home)
    assert (again["brought"], again["edits"]) == (0, 0)
    assert {c["id"] for c in again["conflicts"]} == {"C-003", "C-004"}, "they wait"
    merged = bring_back(field, home, take="merge", who="fay")
    assert [c["id"] for c in merged["conflicts"]] == ["C-003"], "one value has two answers"
    assert {n: project.row("conditions", "C-004")[n] for n in ("cc", "uc")} == {"cc": 1, "uc": 1}
    file = tmp_path / "conflicts.json"
    code, said = told_by_command("bring-back", field, home, "--conflicts", file)
    assert code == 1
    assert "cc *" in said
    (waits,) = json.loads(file.read_text())
    file.write_text(json.dumps([{**waits, "decide": {"cc": "theirs"}}]))
    changed(project.folder, "C-003", who="ann", uc=2)
    assert told_by_command("bring-back", field, home, "--decisions", file)[0] == 1, "it was about another version"  # fmt: skip
    (waits,) = bring_back(field, home)["conflicts"]
    done = bring_back(field, home, decisions=[{**waits, "decide": {"cc": "theirs"}}])
    assert (done["conflicts"], done["decided"]) == ([], 1)
    row = project.row("conditions", "C-003")
    assert (row["cc"], row["uc"], row["note"]) == (2, 2, "deep")
    changed(field, "C-006", who="fay", note="once more")
    assert bring_back(field, home)["brought"] == 1
    assert project.row("conditions", "C-006")["note"] == "once more"
    assert foreign_names(project.folder) == []


def test_what_a_rule_refuses_waits_with_its_reason_and_deletions_meet_changes(
    project: Project, field: Path, create: Callable[[str], Project]
) -> None:
    home = str(project.folder)
    with Project.open(field) as copied, copied.edit(who="fay", what="deleted") as edit:
        edit.delete("conditions", "C-003")
        edit.delete("conditions", "C-004")
    changed(project.folder, "C-003", who="ann", cc=2)
    with gated_edit(project, who="ann", what="a gauge on it") as edit:
        edit.insert("gauges", [{"id": "G-001", "surface": "front", "condition": "C-004", "geometry": shapely.Point(0, 0)}])  # fmt: skip
    done = bring_back(field, home)
    waits = {c["id"]: c for c in done["conflicts"]}
    assert set(waits) == {"C-003", "C-004"}
    assert waits["C-003"]["deleted"] == "mine"
    assert "still names C-004" in waits["C-004"]["why"]
    assert project.row("conditions", "C-004")["surface"] == "front"
    with gated_edit(project, who="ann", what="gauge taken off") as edit:
        edit.delete("gauges", "G-001")
    done = bring_back(field, home, take="theirs")
    assert done["conflicts"] == []
    assert "C-004" not in project.revisions("conditions")
    assert "C-003" in project.revisions("conditions")
    with create("another") as other, pytest.raises(InputError, match="was not taken from this"):
        bring_back(field, str(other.folder))
    with pytest.raises(InputError, match="is no field copy"):
        bring_back(project.folder, home)
    with pytest.raises(InputError, match="there is no 'attic'"):
        copy_project(home, str(field.parent / "no"), surfaces=["attic"])


def test_a_folder_of_the_field_that_was_copied_again_is_not_taken_for_the_one_that_came_back(
    project: Project, field: Path, tmp_path: Path
) -> None:
    home = str(project.folder)
    other = shutil.copytree(field, tmp_path / "other laptop")
    changed(field, "C-003", who="fay", note="of the one")
    changed(other, "C-004", who="gus", note="of the other")
    entered(field, condition("C-005", note="of the one"))
    entered(other, condition("C-005", note="of the other"), who="gus")
    with Project.open(other) as copied, copied.edit(who="gus", what="photo") as edit:
        edit.insert("photos", [{"id": "gone.jpg", "path": "photos/gone.jpg", "sha256": "1", "width_px": 1, "height_px": 1}])  # fmt: skip
    lost: list[str] = []
    for folder in (field, other, field, other):
        done = bring_back(folder, home)
        assert done["conflicts"] == []
        lost += done["files_missing"]
    assert done["changed_in_field"] == 0, "each is known again"
    assert lost == ["photos/gone.jpg"], "a picture that did not come is named"
    notes = {r["id"]: r["note"] for r in project.read("conditions").to_dict("records")}
    assert (notes["C-003"], notes["C-004"]) == ("of the one", "of the other")
    assert (notes["C-005"], notes["C-006"]) == ("of the one", "of the other")
    for strange in ('[{"table": "conditions", "id": "C-003", "seal": "", "decide": {"cc": ["mine"]}}]', "[" * 100_000):  # fmt: skip
        file = tmp_path / "decisions.json"
        file.write_text(strange)
        code, said = told_by_command("bring-back", field, home, "--decisions", file)
        assert (code, "could not be worked out" in said) == (2, False), said


def test_what_two_folders_of_one_field_copy_have_in_common_comes_back_once(
    project: Project, field: Path, tmp_path: Path
) -> None:
    home = str(project.folder)
    (field / "photos/new.jpg").write_bytes(b"taken on the scaffold")
    with Project.open(field) as copied, copied.edit(who="fay", what="photo") as edit:
        edit.insert("photos", [{"id": "new.jpg", "path": "photos/new.jpg", "sha256": "1", "width_px": 1, "height_px": 1, "surface": "front"}])  # fmt: skip
    entered(field, condition("C-005", photo="new.jpg"), condition("C-006", photo="new.jpg"))
    changed(field, "C-006", who="fay", cc=2)
    other = shutil.copytree(field, tmp_path / "other laptop")
    changed(field, "C-001", who="fay", depth_m=0.02)
    # the office has a picture and a row of these names
    (project.folder / "photos/new.jpg").write_bytes(b"of the office")
    entered(project.folder, condition("C-005", "return", note="of the office"), who="ann")
    bring_back(field, home)
    changed(project.folder, "C-006", who="ann", note="looked at by the office")
    entered(other, condition("C-007", photo="new.jpg", note="of the other"), who="gus")
    changed(other, "C-005", who="gus", uc=1)

    done = bring_back(other, home)
    assert done["conflicts"] == []
    rows = {r["id"]: r for r in project.read("conditions").to_dict("records")}
    assert len(rows) == 8, "C-001 to C-004, one of the office, three of the field"
    assert rows["C-006"]["note"] == "looked at by the office"
    mine = {r["note"] or "": r for r in rows.values() if r["photo"] == "new.jpg"}
    assert set(mine) == {"", "looked at by the office", "of the other"}
    assert mine[""]["uc"] == 1, (
        "what only the other changed is brought to the row as it is called here"
    )
    assert len(project.read("photos")) == 3
    assert bring_back(other, home)["changed_in_field"] == 0
    assert bring_back(field, home)["changed_in_field"] == 0


def test_a_place_for_conflicts_that_is_none_is_refused_before_anything_is_brought_back(
    project: Project, field: Path, tmp_path: Path
) -> None:
    changed(field, "C-001", who="fay", depth_m=0.02)
    newest = changes_after(project, 0)[-1].seq
    for place in (tmp_path / "no such folder/conflicts.json", tmp_path):
        code, said = told_by_command("bring-back", field, project.folder, "--conflicts", place)
        assert (code, said.count("\n")) == (2, 1), said
    assert changes_after(project, 0)[-1].seq == newest


def test_an_address_whose_pictures_lie_elsewhere_is_neither_copied_nor_brought_back_to(
    database: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("FACADEMAP_FILES", str(tmp_path / "none of them"))
    place = read_address(f"{database}#elsewhere")
    with Project.create_in(place, tmp_path / "pictures", name="elsewhere") as project:
        (project.folder / "photos/p.jpg").write_bytes(b"one")
        with project.edit(who="ann", what="set up") as edit:
            edit.insert("elevations", [{"id": "river", "name": "river"}])
            edit.insert("surfaces", [{"id": "front", "elevation": "river", "name": "front", "frame_wkt": wall_crs("front", "test")}])  # fmt: skip
            edit.insert("photos", [{"id": "p.jpg", "path": "photos/p.jpg", "sha256": "0", "width_px": 1, "height_px": 1, "surface": "front"}])  # fmt: skip
    with pytest.raises(FileError, match="holds none of the 1 pictures"):
        copy_project(str(place), str(tmp_path / "lost"), surfaces=["front"])
    assert not (tmp_path / "lost").exists()
    copy_project(str(tmp_path / "pictures"), str(tmp_path / "taken"), surfaces=["front"])
    assert (tmp_path / "taken/photos/p.jpg").exists()
    with pytest.raises(FileError, match="holds none of the 1 pictures"):
        bring_back(tmp_path / "taken", str(place))

    # a name that is taken, and a folder with a project of its own, are refused before anything is made
    with pytest.raises(ProjectError, match="holds a project 'elsewhere' already"):
        copy_project(str(tmp_path / "taken"), str(place), files=tmp_path / "twice")
    with pytest.raises(ProjectError, match="holds a project 'elsewhere' already"):
        Project.create_in(place, tmp_path / "twice", name="elsewhere")
    assert not (tmp_path / "twice").exists()
    with pytest.raises(FileError, match="holds a project of its own"):
        join_project(str(place), tmp_path / "taken")
    assert not (tmp_path / "taken/project.team").exists()

    # once it was said where they lie, the address alone leads there, for every command and until they are moved
    assert told_by_command("new", place, "--join", "--files", tmp_path / "pictures")[0] == 0
    assert join_project(str(place)) == tmp_path / "pictures"
    entered(tmp_path / "taken", condition("C-001"))
    assert bring_back(tmp_path / "taken", str(place))["brought"] == 1
    assert told_by_command("rights", place)[0] == 0
    assert [f.name for f in (tmp_path / "none of them").rglob("*.folders")] == ["elsewhere.folders"]
    (tmp_path / "pictures").rename(tmp_path / "moved")
    code, said = told_by_command("rights", place)
    assert (code, said.count("\n")) == (2, 1), said
    assert "does not stand any more for project elsewhere" in said
    assert told_by_command("new", place, "--join", "--files", tmp_path / "moved")[0] == 0
    assert told_by_command("rights", place)[0] == 0


def told_by_command(*words: object) -> tuple[int, str]:
    done = CliRunner().invoke(main, [str(w) for w in words])
    return done.exit_code, done.output


def foreign_names(folder: Path) -> list[str]:
    """What a project says of rows that name what is not there."""
    return [f["problem"] for f in check_project(folder)["findings"] if "names" in f["problem"]]
