"""Demo and networks are data packages of their own: found in the tree or installed, and asked for where they are missing."""

from __future__ import annotations

import importlib
import tomllib
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from PIL import Image

import facademap.data_packages as data_packages
from facademap.cli.main import main
from facademap.condition import outline_at
from facademap.condition.network_files import network_is_there, network_session
from facademap.condition.wall_net import FILE
from facademap.data_packages import data_folder
from facademap.tasks.desk.assist import Assistant
from facademap.tasks.project.demo import demo_data

TREE = Path(__file__).parents[2]
PARTS = {"demo": "demo_facade", "outlines": "facademap/condition/networks"}


@pytest.fixture
def code_alone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """As after installing the code without any data; the folder is where more may be installed."""
    monkeypatch.setattr(data_packages, "_HERE", tmp_path / "none" / "facademap")
    monkeypatch.syspath_prepend(str(tmp_path / "site"))
    network_session.cache_clear()
    return tmp_path / "site"


def test_a_checkout_has_both_without_a_further_step() -> None:
    assert demo_data() == TREE / PARTS["demo"]
    assert network_is_there(FILE)
    assert set(Assistant().available().values()) == {True}


@pytest.mark.parametrize(
    ("arguments", "package"),
    [
        (["demo", "new"], "facademap[demo]"),
        (["outline-wall", "--photo", "wall.png", "--out", "o.geojson"], "facademap[outlines]"),
        (["propose-damage", "--photo", "wall.png", "--out", "o.geojson"], "facademap[outlines]"),
    ],
)
def test_what_is_missing_is_asked_for_in_one_line_and_nothing_is_begun(
    code_alone: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    arguments: list[str],
    package: str,
) -> None:
    monkeypatch.chdir(tmp_path)
    Image.fromarray(np.full((80, 80, 3), 120, np.uint8)).save("wall.png")
    ran = CliRunner().invoke(main, [*arguments, "--quiet"])
    assert ran.exit_code == 2
    assert ran.output.count("\n") == 1
    assert ran.output.startswith("error: ")
    assert f'; fix: Install it with pip install "{package}"' in ran.output
    assert [p.name for p in tmp_path.iterdir()] == ["wall.png"]


def test_a_click_finds_a_stone_without_the_networks_for_walls(code_alone: Path) -> None:
    rgb = np.full((160, 200, 3), 60, np.uint8)
    rgb[50:110, 60:150] = (190, 170, 140)
    ring = outline_at(rgb, 105, 80)
    assert ring.min(axis=0) == pytest.approx([60, 50], abs=4)
    assert ring.max(axis=0) == pytest.approx([150, 110], abs=4)
    told = Assistant().available()
    assert (told.pop("damage"), told.pop("stones")) == (False, False)
    assert set(told.values()) == {True}


def test_what_is_installed_is_found(code_alone: Path) -> None:
    assert data_folder("facademap_outlines", in_tree="none", holds=FILE) is None
    (code_alone / "facademap_outlines").mkdir(parents=True)
    (code_alone / "facademap_outlines" / FILE).write_bytes(b"any")
    (code_alone / "facademap_demo").mkdir()
    (code_alone / "facademap_demo" / "project.toml").write_text("")
    importlib.invalidate_caches()
    assert network_is_there(FILE)
    assert demo_data() == (code_alone / "facademap_demo").resolve()


@pytest.mark.parametrize(("extra", "folder"), PARTS.items())
def test_an_extra_asks_for_the_package_that_its_folder_makes(extra: str, folder: str) -> None:
    asked = tomllib.loads((TREE / "pyproject.toml").read_text())["project"]
    made = tomllib.loads((TREE / folder / "pyproject.toml").read_text())["project"]
    first = int(made["version"].split(".")[0])
    assert asked["optional-dependencies"][extra] == [f"{made['name']}>={first},<{first + 1}"]
    assert made["requires-python"] == asked["requires-python"]
