"""Which model makes the proposals of the desk."""

from __future__ import annotations

from pathlib import Path

import pytest

from facademap.errors import FacademapError
from facademap.store.project import Project
from facademap.tasks.desk.assist import MODEL_SETTING, Assistant
from facademap.tasks.desk.serve import plan_server


def test_a_model_given_at_the_start_is_checked_before_the_desk_opens(tmp_path: Path) -> None:
    Project.create(tmp_path / "wall", name="Wall").close()
    wrong = tmp_path / "wrong.onnx"
    wrong.write_text("no model")
    with pytest.raises(FacademapError) as caught:
        plan_server(tmp_path / "wall", model=wrong)
    assert "wrong.onnx" in str(caught.value)


def test_a_project_names_a_model_inside_its_folder_and_none_outside(tmp_path: Path) -> None:
    with Project.create(tmp_path / "wall", name="Wall") as project:
        (tmp_path / "other.onnx").write_text("no model")
        for named, told in (("../other.onnx", "leads out"), ("missing.onnx", "missing.onnx")):
            with project.edit(who="ada", what="model") as edit:
                edit.set(MODEL_SETTING, named)
            with pytest.raises(FacademapError, match=told):
                Assistant().finder(project)
