"""Catalogues of other languages in a project: read, or refused in one line."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from facademap.errors import FacademapError
from facademap.tasks.desk.languages import FOLDER, catalogue, catalogues


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / FOLDER).mkdir()
    return tmp_path


def write(folder: Path, name: str, content: object, *, encoding: str = "utf-8") -> None:
    (folder / FOLDER / name).write_text(
        content if isinstance(content, str) else json.dumps(content), encoding=encoding
    )


def test_a_catalogue_is_read_with_or_without_a_mark_of_its_encoding(folder: Path) -> None:
    write(
        folder,
        "de.json",
        {"language": " Deutsch ", "texts": {"close": "Schließen"}},
        encoding="utf-8-sig",
    )
    write(folder, "pt-BR.json", {"language": "Português", "texts": {}})
    found, problems = catalogues(folder)
    assert [(c.tag, c.language) for c in found] == [("de", "Deutsch"), ("pt-BR", "Português")]
    assert catalogue(folder, "de").texts == {"close": "Schließen"}
    assert problems == []


@pytest.mark.parametrize(
    "content",
    [
        "{",
        "[]",
        "1" * 1_000_001,
        {"language": "", "texts": {}},
        {"texts": {}},
        {"language": "x", "texts": {"close": 3}},
        {"language": "x", "texts": ["close"]},
    ],
)
def test_a_file_that_holds_none_is_named_and_the_others_are_read(
    folder: Path, content: object
) -> None:
    write(folder, "aa.json", content)
    write(folder, "de.json", {"language": "Deutsch", "texts": {}})
    found, problems = catalogues(folder)
    assert [c.tag for c in found] == ["de"]
    assert len(problems) == 1
    assert problems[0].startswith(f"{FOLDER}/aa.json")
    assert "\n" not in problems[0]


@pytest.mark.parametrize("tag", ["../project", "..", "de/../de", "DE", "", "a" * 300, "de.json"])
def test_nothing_outside_the_folder_is_read(folder: Path, tag: str) -> None:
    (folder / "project.json").write_text(
        json.dumps({"language": "x", "texts": {}}), encoding="utf-8"
    )
    with pytest.raises(FacademapError, match="there is no catalogue"):
        catalogue(folder, tag)


def test_a_project_without_the_folder_has_no_other_language(tmp_path: Path) -> None:
    assert catalogues(tmp_path) == ([], [])
