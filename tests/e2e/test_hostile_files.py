"""What was refused leaves the project as it was, byte for byte."""

from __future__ import annotations

import os
import struct
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from facademap.cli.main import main
from facademap.store.project import Project
from facademap.tasks.project.create_project import ProjectPlan, create_project


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    create_project(tmp_path / "mill", ProjectPlan.of_one_wall("Mill"))
    return tmp_path / "mill"


def everything(folder: Path) -> dict[str, bytes]:
    return {
        str(p.relative_to(folder)): p.read_bytes()
        for p in sorted(folder.rglob("*"))
        if p.is_file() and not p.name.endswith(("-wal", "-shm"))
    }


def refused(*words: object, capsys: pytest.CaptureFixture[str]) -> str:
    with pytest.raises(SystemExit) as ended:
        main([str(w) for w in words])
    said = capsys.readouterr().err
    assert ended.value.code == 2, said
    assert said.count("error: ") == 1
    assert "; fix: " in said
    assert "Traceback" not in said
    return said


def test_a_tiny_picture_that_claims_169_megapixel_is_not_kept(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    entries = [(256, 4, 13_000), (257, 4, 13_000), (258, 3, 8), (259, 3, 1), (262, 3, 1)]
    entries += [(273, 4, 200), (277, 3, 1), (278, 4, 13_000), (279, 4, 100)]
    body = b"".join(struct.pack("<HHII", tag, kind, 1, value) for tag, kind, value in entries)
    picture = tmp_path / "wall.tif"
    picture.write_bytes(
        b"II*\x00\x08\x00\x00\x00" + struct.pack("<H", len(entries)) + body + bytes(180)
    )
    before = everything(folder)
    refused("add-photos", folder, picture, capsys=capsys)
    assert everything(folder) == before


def test_one_bad_picture_leaves_none_of_the_good_ones_behind(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    good, bad = tmp_path / "good.jpg", tmp_path / "late.jpg"
    noise = np.random.default_rng(3).integers(0, 255, (600, 800, 3), dtype=np.uint8)
    for path in (good, bad):
        Image.fromarray(noise).save(path)
    bad.write_bytes(bad.read_bytes()[:40_000])
    before = everything(folder)
    refused("add-photos", folder, good, bad, capsys=capsys)
    assert everything(folder) == before


def test_a_pipe_is_no_file(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    os.mkfifo(tmp_path / "points.csv")
    assert "is a device or a pipe" in refused(
        "add-control", folder, tmp_path / "points.csv", capsys=capsys
    )


@pytest.mark.parametrize("id", ["../../../victim", ".hidden", "a/b", "CON"])
def test_no_project_begins_with_a_surface_that_leads_out(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], id: str
) -> None:
    plan = tmp_path / "project.toml"
    plan.write_text(
        f"""name = "Mill"
[[elevations]]
id = "main"
name = "Main"
[[surfaces]]
id = "{id}"
elevation = "main"
name = "Main"
kind = "plane"
"""
    )
    assert "id: " in refused("new", tmp_path / "mill", "--from", plan, capsys=capsys)
    assert not (tmp_path / "mill").exists()


def test_a_map_neither_follows_a_link_nor_removes_what_it_did_not_make(
    folder: Path, tmp_path: Path
) -> None:
    from facademap.errors import FileError, InputError
    from facademap.tasks.issue.condition_map import _write_tiles

    victim = tmp_path / "victim"
    victim.mkdir()
    (victim / "thesis.odt").write_text("theirs")
    (folder / "out" / "tiles").mkdir(parents=True)
    (folder / "out" / "tiles" / "main").symlink_to(victim)
    with pytest.raises((InputError, FileError)):
        _write_tiles(folder / "out" / "tiles", "main", iter([("0/0/0", b"x")]))
    with pytest.raises((InputError, FileError)):
        _write_tiles(folder / "out" / "tiles", "../../../victim", iter([("0/0/0", b"x")]))
    assert (victim / "thesis.odt").read_text() == "theirs"
    with Project.open(folder) as project:
        assert len(project.read("surfaces")) == 1
