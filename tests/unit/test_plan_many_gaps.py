"""A building where planning has to ask about hundreds of conditions is planned all the same, and every question is kept."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "e2e"))
import desk_sample

from facademap.errors import TableError
from facademap.store.project import Project
from facademap.tasks.plan.plan import plan_project


def test_hundreds_of_questions_are_kept(tmp_path: Path) -> None:
    """The setting that keeps them held 20,000 characters, and planning was refused from some 120 on."""
    folder = desk_sample.make_project(tmp_path / "sample", many=4, blocks=1, picture=False)
    with Project.open(folder) as project:
        # drawn and named, and nothing else said of them
        one = project.row("conditions", str(project.read("conditions")["id"].iloc[0]))
        # on a stone that nothing is planned for yet
        stone = project.read("wall_stones").geometry.iloc[-1]
        rows = [
            {
                **{n: one[n] for n in ("surface", "layer", "family")},
                "id": f"Z-{k:03d}",
                "term": "alga",
                "geometry": stone.buffer(-0.02 - k * 1e-5),
            }
            for k in range(300)
        ]
        with project.edit(who="A. Reed", what="read") as edit:
            edit.insert("conditions", rows)
    plan_project(folder)
    with Project.open(folder) as project:
        assert {f"Z-{k:03d}" for k in range(300)} <= {
            g["about"] for g in project.setting("plan_gaps")
        }
        name = str(project.read("conditions")["id"].iloc[0])
        with (
            pytest.raises(TableError, match="at most 20000 characters"),
            project.edit(who="A. Reed", what="note") as edit,
        ):
            edit.update("conditions", name, {"note": "w" * 20_001})
