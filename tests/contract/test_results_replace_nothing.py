"""A result of a command replaces neither its input, nor another result, nor anything that belongs to a project."""

from __future__ import annotations

import importlib
import pkgutil
from collections.abc import Iterator
from pathlib import Path

import click
import pytest

from facademap.cli import commands, show
from facademap.cli.main import main
from facademap.errors import FileError
from facademap.io.whole_files import belongs_to_project, write_whole
from facademap.tasks.project.create_project import ProjectPlan, create_project


def _commands() -> Iterator[tuple[str, click.Command]]:
    for module in pkgutil.iter_modules(commands.__path__):
        command = importlib.import_module(f"{commands.__name__}.{module.name}").command
        if isinstance(command, click.Group):
            yield from ((f"{module.name} {k}", v) for k, v in command.commands.items())
        else:
            yield module.name, command


def test_every_option_that_names_a_file_to_write_is_looked_at_before() -> None:
    missed = [
        f"{name} --{option.name}"
        for name, command in _commands()
        for option in command.params
        if isinstance(option, click.Option)
        and isinstance(option.type, click.Path)
        and "to write" in (option.help or "")
        and option.name not in show._WRITTEN
    ]
    assert missed == []


@pytest.mark.parametrize("name", ["project.gpkg", "photos/a.jpg", "elevations/a.tif"])
def test_no_result_replaces_what_belongs_to_a_project(
    tmp_path: Path, name: str, capsys: pytest.CaptureFixture[str]
) -> None:
    create_project(tmp_path / "mill", ProjectPlan.of_one_wall("Mill"))
    kept = tmp_path / "mill" / name
    if not kept.exists():
        kept.parent.mkdir(exist_ok=True)
        kept.write_bytes(b"a picture")
    before = kept.read_bytes()
    link = tmp_path / "innocent.csv"
    link.symlink_to(kept)
    for words in (
        ["template", "blocks", "--out", str(kept)],
        ["template", "blocks", "--out", str(link)],
        f"change a.tif b.tif --out {tmp_path}/c.tif --polygons p.geojson --table {kept}".split(),
    ):
        with pytest.raises(SystemExit) as done:
            main(words)
        assert done.value.code == 2
        assert "belongs to a project and is not replaced; fix:" in capsys.readouterr().err
        assert kept.read_bytes() == before


def test_the_store_is_replaced_by_no_writer_at_all(tmp_path: Path) -> None:
    create_project(tmp_path / "mill", ProjectPlan.of_one_wall("Mill"))
    store = tmp_path / "mill" / "project.gpkg"
    before = store.read_bytes()
    link = tmp_path / "innocent.csv"
    link.symlink_to(store)
    for target in (store, link):
        with pytest.raises(FileError, match="store of a project and is not replaced"):
            write_whole(target, "text")
    assert store.read_bytes() == before


def test_files_beside_a_project_are_nobodys(tmp_path: Path) -> None:
    (tmp_path / "photos").mkdir()
    mine = tmp_path / "photos" / "a.csv"
    mine.write_text("x")
    assert not belongs_to_project(mine)
    assert not belongs_to_project(tmp_path / "project.gpkg")
    write_whole(mine, "y")
    assert mine.read_text() == "y"
