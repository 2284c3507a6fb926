"""What a copy of a project takes along beside its rows, and what it leaves where it is."""

from __future__ import annotations

from pathlib import Path

from facademap.store.project import Project
from facademap.tasks.project.copy_project import copy_project
from facademap.tasks.project.create_project import ProjectPlan, create_project


def test_issues_and_own_texts_come_along_and_names_of_training_stay(tmp_path: Path) -> None:
    source, target = tmp_path / "loft", tmp_path / "copy"
    create_project(source, ProjectPlan.of_one_wall("Sail loft"))
    for name in ("issued/current/a.pdf", "guide/method.md", "languages/cy.json", "training/names.json"):  # fmt: skip
        (source / name).parent.mkdir(parents=True)
        (source / name).write_bytes(name.encode())
    copy_project(str(source), str(target))
    for name in ("issued/current/a.pdf", "guide/method.md", "languages/cy.json"):
        assert (target / name).read_bytes() == name.encode()
    assert not (target / "training").exists()
    with Project.open(target, read_only=True) as copied:
        assert copied.setting("name") == "Sail loft"
