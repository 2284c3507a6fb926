"""Bad input to a project: one clear line with the remedy, exit code 2, the project as it was."""

from __future__ import annotations

import hashlib
import json
import sqlite3
import struct
import zlib
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
import pytest

from facademap.cli.main import main
from facademap.store.project import SCHEMA_VERSION, Project
from facademap.tasks.project.create_project import ProjectPlan, create_project


def content_of(folder: Path) -> str:
    """Everything the tables hold, as one hash."""
    with Project.open(folder, read_only=True) as project:
        dump = project.history()[["seq", "txn"]].to_json() + project.read("photos").to_json()
    return hashlib.sha256(dump.encode()).hexdigest()


@pytest.fixture
def wall(tmp_path: Path) -> Path:
    folder = tmp_path / "wall"
    create_project(folder, ProjectPlan.of_one_wall("Mill, yard side"))
    return folder


def refuse(capsys: pytest.CaptureFixture[str], wall: Path, *words: str | Path) -> str:
    """Call the command, expect one line and exit 2, and the project as it was."""
    before = content_of(wall)
    capsys.readouterr()
    with pytest.raises(SystemExit) as left:
        main.main([str(w) for w in words] + ["--quiet"])
    said = capsys.readouterr().err
    assert left.value.code == 2, said
    lines = said.strip().splitlines()
    assert len(lines) == 1, said
    assert lines[0].startswith("error: ")
    assert "; fix: " in lines[0]
    assert len(lines[0].split("; fix: ")[1]) > 8
    assert content_of(wall) == before
    return lines[0]


def _feature(**properties: object) -> dict:
    ring = [[0, 0], [1, 0], [1, 1], [0, 1], [0, 0]]
    return {
        "type": "Feature",
        "properties": properties,
        "geometry": {"type": "Polygon", "coordinates": [ring]},
    }


def _collection(*features: dict) -> str:
    return json.dumps({"type": "FeatureCollection", "features": list(features)})


BAD_OUTLINES: dict[str, tuple[str, bytes, str]] = {
    "empty": ("c.geojson", b"", "empty"),
    "cut off": ("c.geojson", _collection(_feature(term="scaling"))[:-40].encode(), "JSON"),
    "not utf-8": ("c.geojson", b'{"type": "FeatureCollection", "features": [\xff\xfe]}', "UTF-8"),
    "another kind": ("c.geojson", b'{"type": "Topology"}', "feature collection"),
    "no features": ("c.geojson", _collection().encode(), "no features"),
    "not finite": (
        "c.geojson",
        _collection(_feature(term="scaling")).replace("[1, 0]", "[NaN, 0]").encode(),
        "NaN",
    ),
    "infinite": (
        "c.geojson",
        _collection(_feature(term="scaling")).replace("[1, 0]", "[1e999, 0]").encode(),
        "not finite",
    ),
    "no term": ("c.geojson", _collection(_feature(note="x")).encode(), "term"),
    "unknown term": (
        "c.geojson",
        _collection(_feature(id="C-7", term="scalling")).encode(),
        "scaling",
    ),
    "class out of range": (
        "c.geojson",
        _collection(_feature(id="C-7", term="scaling", cc=4)).encode(),
        "cc",
    ),
    "negative depth": (
        "c.geojson",
        _collection(_feature(id="C-7", term="scaling", depth_m=-0.02)).encode(),
        "depth_m",
    ),
    "in millimetres": (
        "c.geojson",
        _collection(_feature(term="scaling")).replace("[1, 0]", "[1000000, 0]").encode(),
        "metres",
    ),
    "crosses itself": (
        "c.geojson",
        _collection(_feature(id="C-8", term="scaling"))
        .replace("[1, 0], [1, 1]", "[1, 1], [1, 0]")
        .encode(),
        "C-8",
    ),
    "twice the same id": (
        "c.geojson",
        _collection(_feature(id="C-1", term="scaling"), _feature(id="C-1", term="alga")).encode(),
        "C-1",
    ),
    "unknown surface": (
        "c.geojson",
        _collection(_feature(term="scaling", surface="tower")).encode(),
        "tower",
    ),
    "not a geopackage": ("c.gpkg", b"SQLite format 3\x00" + bytes(200), "GeoPackage"),
    "wrong ending": ("c.docx", b"hello", ".docx"),
    "points without place": ("c.csv", b"term,x\nscaling,1\n", "u_m"),
    "points in words": ("c.csv", b"term,u_m,v_m\nscaling,one,2\n", "line 2"),
}


@pytest.mark.parametrize("case", sorted(BAD_OUTLINES))
def test_bad_outlines(
    case: str, wall: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    name, content, wanted = BAD_OUTLINES[case]
    path = tmp_path / name
    path.write_bytes(content)
    assert wanted in refuse(capsys, wall, "add-outlines", "conditions", wall, path)


def test_a_missing_file_is_named(
    wall: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert "nowhere.geojson" in refuse(
        capsys, wall, "add-outlines", "conditions", wall, tmp_path / "nowhere.geojson"
    )


def _bomb(path: Path) -> None:
    """A small PNG that says it is 60 000 x 60 000 pixels."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return (
            struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))
        )

    header = struct.pack(">IIBBBBB", 60_000, 60_000, 8, 2, 0, 0, 0)
    path.write_bytes(
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", header)
        + chunk(b"IDAT", zlib.compress(bytes(1000)))
        + chunk(b"IEND", b"")
    )


@pytest.mark.parametrize(
    ("name", "make"),
    [
        ("empty.jpg", lambda p: p.write_bytes(b"")),
        ("text.jpg", lambda p: p.write_text("no picture")),
        ("bomb.png", _bomb),
    ],
)
def test_bad_photos(
    name: str,
    make: Callable[[Path], None],
    wall: Path,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    make(tmp_path / name)
    assert name in refuse(capsys, wall, "add-photos", wall, tmp_path / name)
    assert not list((wall / "photos").iterdir()), "no copy is left behind"


def test_two_photos_of_one_name_and_other_content(
    wall: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for folder, shade in (("a", 90), ("b", 120)):
        (tmp_path / folder).mkdir()
        cv2.imwrite(str(tmp_path / folder / "p.png"), np.full((40, 60, 3), shade, np.uint8))
    with pytest.raises(SystemExit):
        main.main(["add-photos", str(wall), str(tmp_path / "a" / "p.png"), "--quiet"])
    assert "another picture of this name" in refuse(
        capsys, wall, "add-photos", wall, tmp_path / "b" / "p.png"
    )


@pytest.mark.parametrize(
    ("content", "wanted"),
    [
        ("name,u_m,v_m\nA,0,0\nA,1,1\n", "given before"),
        ("name,u_m,v_m\nA,zero,0\n", "line 2"),
        ("name,u_m,v_m\nA,nan,0\n", "finite"),
        ("name,u_m,v_m,role\nA,0,0,boss\n", "boss"),
        ("name\nA\n", "no place"),
        ("name,u_m,v_m,sigma_mm\nA,0,0,-2\n", "negative"),
    ],
)
def test_bad_control(
    content: str, wanted: str, wall: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "points.csv"
    path.write_text(content)
    assert wanted in refuse(capsys, wall, "add-control", wall, path)


@pytest.mark.parametrize(
    ("row", "wanted"),
    [
        ("B-1,buff,0 0; 1 1,100,x", "outline_mm"),
        ('B-1,buff,"0 0, 400 300, 400 0, 0 300",100,x', "crosses itself"),
        ('B-1,buff,"0 0, 400 0, 400 300, 0 300",-100,x', "usable_depth_mm"),
        ('B-1,buff,"0 0, 400 0, 400 300, 0 300",nan,x', "usable_depth_mm"),
        ('B-1,buff,"0 0, 99999 0, 400 300, 0 300",100,x', "unit"),
        ('B-1,buff,"0 0, 400 0, 400 300, 0 300",100,diagonal', "bed"),
        (
            'B-1,buff,"0 0, 400 0, 400 300, 0 300",100,x\nB-1,buff,"0 0, 400 0, 400 300, 0 300",100,x',
            "B-1",
        ),
    ],
)
def test_bad_blocks(
    row: str, wanted: str, wall: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "blocks.csv"
    path.write_text("id,stone_type,outline_mm,usable_depth_mm,bed\n" + row + "\n")
    assert wanted in refuse(capsys, wall, "add-blocks", wall, path)


def test_a_missing_face_photo_is_named(
    wall: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "blocks.csv"
    path.write_text(
        'id,stone_type,outline_mm,usable_depth_mm,bed,face_photo\nB-1,buff,"0 0, 400 0, 400 300, 0 300",100,x,gone.jpg\n'
    )
    assert "gone.jpg" in refuse(capsys, wall, "add-blocks", wall, path)


def test_steps_out_of_order_say_what_comes_first(
    wall: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert "photos" in refuse(capsys, wall, "elevations", wall)
    assert "facademap plan" in refuse(capsys, wall, "match", wall)


def test_a_project_in_use_is_named(
    wall: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("facademap.store.database.LOCK_WAIT_S", 0.05)
    path = tmp_path / "c.geojson"
    path.write_text(_collection(_feature(term="scaling")))
    other = sqlite3.connect(wall / "project.gpkg", isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    assert "in use" in refuse(capsys, wall, "add-outlines", "conditions", wall, path)
    other.close()


def test_a_newer_project_is_refused(wall: Path, capsys: pytest.CaptureFixture[str]) -> None:
    raw = sqlite3.connect(wall / "project.gpkg")
    raw.execute("UPDATE facademap_schema SET version = ?", (SCHEMA_VERSION + 1,))
    raw.commit()
    raw.close()
    with pytest.raises(SystemExit) as left:
        main.main(["check", str(wall), "--quiet"])
    assert left.value.code == 2
    assert "newer facademap" in capsys.readouterr().err


def test_a_read_only_project_is_named(
    wall: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """SQLite is told that it may not write, since the tests may run as root, whom no permission stops."""
    import facademap.store.database as database

    true_connect = database.sqlite3.connect

    def no_writing(*given: object, **named: object) -> sqlite3.Connection:
        connection = true_connect(*given, **named)
        connection.execute("PRAGMA query_only = ON")
        return connection

    path = tmp_path / "c.geojson"
    path.write_text(_collection(_feature(term="scaling")))
    monkeypatch.setattr(database.sqlite3, "connect", no_writing)
    assert "read-only" in refuse(capsys, wall, "add-outlines", "conditions", wall, path)


def test_a_full_disk_leaves_the_project_as_it_was(
    wall: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """SQLite is told that it may not grow, which is what a full disk tells it."""
    import facademap.store.database as database

    true_connect = database.sqlite3.connect

    def small_disk(*given: object, **named: object) -> sqlite3.Connection:
        connection = true_connect(*given, **named)
        pages = connection.execute("PRAGMA page_count").fetchone()[0]
        connection.execute(f"PRAGMA max_page_count = {pages}")
        return connection

    path = tmp_path / "c.geojson"
    path.write_text(
        _collection(
            *[_feature(id=f"C-{n:03d}", term="scaling", note="x" * 2000) for n in range(60)]
        )
    )
    monkeypatch.setattr(database.sqlite3, "connect", small_disk)
    assert "disk is full" in refuse(capsys, wall, "add-outlines", "conditions", wall, path)
