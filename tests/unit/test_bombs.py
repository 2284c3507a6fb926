"""What is small and unpacks to much, claims much or never ends is refused in a line, soon and within little memory."""

from __future__ import annotations

import json
import os
import struct
import sys
import tracemalloc
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pyogrio
import pytest
import rasterio

sys.path.insert(0, str(Path(__file__).parents[1] / "e2e"))
import bombs
import file_samples
import small_wall
from mutated_files import faults_of, run

from facademap.errors import FacademapError, InputError
from facademap.io.archives import unpack
from facademap.io.dxf_shapes import read_dxf
from facademap.io.kml_shapes import read_kml
from facademap.io.rasters import open_elevation
from facademap.io.relief_files import read_relief
from facademap.io.table_grids import read_grids
from facademap.io.vectors import read_shapes
from facademap.io.whole_files import need_file
from facademap.limits import other_limits
from facademap.plain_texts import parse_json, parse_toml

MEGABYTES = 12


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    folder = tmp_path_factory.mktemp("bombs")
    found = {f"table: {k}": p for k, p in bombs.tables(folder, megabytes=MEGABYTES).items()}
    return found | {f"shapes: {k}": p for k, p in bombs.shapes(folder, megabytes=MEGABYTES).items()}


@pytest.fixture
def memory() -> Iterator[None]:
    """What the test may hold at once: a tenth of what these files unpack to, and what small files take."""
    tracemalloc.start()
    yield
    _, most = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert most < 8e6


@pytest.mark.parametrize("name", ["sheet", "texts", "sheet, lying", "content", "rows repeated"])
def test_a_spreadsheet_is_not_unpacked_beyond_its_limit(
    files: dict[str, Path], name: str, memory: None
) -> None:
    with other_limits(unpacked_mb=3, rows=20_000), pytest.raises(InputError) as refused:
        read_grids(files[f"table: {name}"], what="table")
    words = {"sheet, lying": "cannot be read", "rows repeated": "more than 20000 rows"}
    assert words.get(name, "unpacks to 12 MB, more than 3") in str(refused.value)


@pytest.mark.parametrize("name", ["kmz", "kmz, lying", "entities"])
def test_a_kml_file_is_not_unpacked_beyond_its_limit(
    files: dict[str, Path], name: str, memory: None
) -> None:
    with other_limits(unpacked_mb=3), pytest.raises(InputError) as refused:
        read_kml(files[f"shapes: {name}"])
    words = {"kmz": "unpacks to 12 MB", "entities": "declares entities"}
    assert words.get(name, "cannot be read") in str(refused.value)


def test_entities_of_entities_are_refused_in_a_spreadsheet(files: dict[str, Path]) -> None:
    with pytest.raises(InputError, match="declares entities"):
        read_grids(files["table: entities"], what="table")


@pytest.mark.parametrize("name", ["blocks of blocks", "block in rows"])
def test_blocks_that_hold_blocks_without_end_are_left_out(
    files: dict[str, Path], name: str
) -> None:
    shapes, _, notes = read_dxf(files[f"shapes: {name}"], layer=None)
    assert shapes == []
    assert "1 INSERT not read" in notes[0]


@pytest.mark.parametrize("name", ["flatgeobuf", "shapefile"])
def test_a_file_of_outlines_that_claims_more_than_it_holds_is_refused(
    files: dict[str, Path], name: str
) -> None:
    with pytest.raises(FacademapError):
        read_shapes(files[f"shapes: {name}"])


@pytest.mark.filterwarnings("ignore")
def test_a_scan_that_claims_more_points_than_it_holds_is_refused(tmp_path: Path) -> None:
    sound = file_samples._clouds(tmp_path)
    small_wall.make_wall(tmp_path / "wall", picture=False)
    for name, path in bombs.clouds(tmp_path, sound["las"], sound["laz"]).items():
        words = ["add-elevation", str(tmp_path / "wall"), str(path), "--gsd-mm", "20", "--quiet"]
        code, said = run([*words, *(("--unit", "m") if name == "ply" else ())])
        assert list(faults_of(code, said, 0.0, 0.0)) == []
        assert code == 2


#: Descriptions of a source elsewhere, as the raster and vector library takes them (GDAL, "VRT", virtual formats).
RASTER_ELSEWHERE = """<VRTDataset rasterXSize="4" rasterYSize="4"><GeoTransform>0,1,0,4,0,-1</GeoTransform>
<VRTRasterBand dataType="{kind}" band="1"><SimpleSource><SourceFilename>{there}</SourceFilename></SimpleSource></VRTRasterBand>
<VRTRasterBand dataType="{kind}" band="2"><SimpleSource><SourceFilename>{there}</SourceFilename></SimpleSource></VRTRasterBand>
</VRTDataset>"""
SHAPES_ELSEWHERE = """<OGRVRTDataSource><OGRVRTLayer name="stones"><SrcDataSource>{there}</SrcDataSource>
<SrcLayer>stones</SrcLayer></OGRVRTLayer></OGRVRTDataSource>"""


def test_a_picture_that_only_points_to_one_elsewhere_is_not_followed(tmp_path: Path) -> None:
    there = tmp_path / "private.tif"
    with rasterio.open(
        there, "w", driver="GTiff", width=4, height=4, count=2, dtype="float32"
    ) as file:
        file.write(np.ones((2, 4, 4), np.float32))
    here = tmp_path / "wall.tif"
    for kind, read in (("Float32", read_relief), ("Byte", open_elevation)):
        here.write_text(RASTER_ELSEWHERE.format(kind=kind, there=there))
        with rasterio.open(here) as followed:  # so that the refusal is ours
            assert followed.count == 2
        with pytest.raises(InputError, match="cannot be read"):
            read(here).__enter__() if read is open_elevation else read(here)


@pytest.mark.parametrize("ending", [".gpkg", ".shp", ".fgb"])
def test_outlines_that_only_point_to_others_elsewhere_are_not_followed(
    tmp_path: Path, ending: str
) -> None:
    there = tmp_path / "private.geojson"
    there.write_text(
        '{"type":"FeatureCollection","name":"stones","features":[{"type":"Feature","properties":{},'
        '"geometry":{"type":"Polygon","coordinates":[[[0,0],[1,0],[1,1],[0,0]]]}}]}'
    )
    here = tmp_path / f"stones{ending}"
    here.write_text(SHAPES_ELSEWHERE.format(there=there))
    assert len(pyogrio.read_dataframe(here)) == 1
    with pytest.raises(InputError, match="only has the name of one"):
        read_shapes(here)


@pytest.mark.parametrize("spoilt", ["method", "encrypted", "stream"])
def test_an_archive_that_cannot_be_unpacked_is_refused(tmp_path: Path, spoilt: str) -> None:
    path = bombs.packed({"doc.kml": b"<kml/>" * 50}, tmp_path / "a.kmz")
    data = bytearray(path.read_bytes())
    directory = data.index(b"PK\x01\x02")
    if spoilt == "method":
        data[8:10] = data[directory + 10 : directory + 12] = struct.pack("<H", 97)
    elif spoilt == "encrypted":
        data[6] |= 1
        data[directory + 8] |= 1
    else:
        start = 30 + len("doc.kml") + 20
        data[start : start + 4] = b"\xff\xff\xff\xff"
    path.write_bytes(data)
    with pytest.raises(InputError, match="cannot be read as KML"):
        read_kml(path)


def test_a_sound_archive_is_read_to_the_last_byte() -> None:
    import io

    made = io.BytesIO()
    with zipfile.ZipFile(made, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("a.txt", "x" * 3_000_000)
    with other_limits(unpacked_mb=3):
        found = unpack(made.getvalue(), name="a", kind="a", remedy="A.", smaller="B")
    assert found.entries == ["a.txt"]
    assert found.read("a.txt") == b"x" * 3_000_000


@pytest.mark.parametrize("beside", ["stones.shx", "stones.dbf", "stones.shp.aux.xml", "stones.shp-wal"])  # fmt: skip
def test_a_pipe_beside_a_file_is_refused_since_libraries_read_it(
    tmp_path: Path, beside: str
) -> None:
    path = tmp_path / "stones.shp"
    path.write_bytes(b"x")
    need_file(path)
    os.mkfifo(tmp_path / beside)
    with pytest.raises(FacademapError, match="device or a pipe"):
        need_file(path)


def test_a_name_that_leaves_no_room_for_an_ending_is_no_fault(tmp_path: Path) -> None:
    for path in (tmp_path / ("n" * 250 + ".csv"), Path(), Path("/"), tmp_path):
        need_file(path)


HUGE = "1" + "0" * 400
DEEP = "[" * 5000 + "]" * 5000
SPOILT = [
    ("NaN", "which is no number"),
    ("-Infinity", "which is no number"),
    (HUGE, "number that cannot be used"),
    ("1e999", "number that cannot be used"),
    ("9" * 5000, "number that cannot be used"),
    ("9223372036854775808", "number that cannot be used"),
    (DEEP, "nested more than"),
    ("[" * 70 + "]" * 70, "nested more than"),
    ("{", "is not"),
]


@pytest.mark.parametrize(("text", "words"), SPOILT)
def test_json_and_toml_of_others_hold_plain_values(text: str, words: str) -> None:
    with pytest.raises(InputError, match=words):
        parse_json(f'{{"a": [1, {text}]}}', where="f", remedy="Correct it.")
    number = text.replace("NaN", "nan").replace("Infinity", "inf")
    with pytest.raises(InputError) as refused:
        parse_toml(f"a = [1, {number}]", where="f", remedy="Correct it.")
    assert refused.value.remedy


def test_plain_values_come_through() -> None:
    value: dict[str, Any] = {"a": [1, -2.5, None, True, "x", 2**63 - 1], "b": {"c": []}}
    assert parse_json(json.dumps(value), where="f", remedy="R.") == value
    said = parse_toml('a = 1.5\nday = 2026-05-04\n[b]\nat = ["07:30", 08:00:00]', where="f", remedy="R.")  # fmt: skip
    assert said == {"a": 1.5, "day": "2026-05-04", "b": {"at": ["07:30", "08:00:00"]}}


def test_a_link_that_leads_back_to_itself_is_told_in_one_line(tmp_path: Path) -> None:
    (tmp_path / "clicks.csv").symlink_to(tmp_path / "clicks.csv")
    (tmp_path / "wall.png").write_bytes(b"")
    clicks, picture = str(tmp_path / "clicks.csv"), str(tmp_path / "wall.png")
    words = ["follow", "--image", picture, "--clicks", clicks, "--kind", "line", "--out"]
    code, said = run([*words, str(tmp_path / "o.geojson")])
    assert code == 2
    assert f"{clicks} is a link that leads back to itself" in said
    assert list(faults_of(code, said, 0.0, 0.0)) == []
