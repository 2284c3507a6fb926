"""Every limit on outside data is a setting, is kept to, and says how it is raised."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import zipfile
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import openpyxl
import pytest
import shapely
from click.testing import CliRunner

from facademap.cli.main import main
from facademap.condition.records import find_overlaps, mend_outlines
from facademap.errors import FacademapError, InputError
from facademap.io.control_files import read_control
from facademap.io.pictures import read_picture
from facademap.io.table_grids import read_grids
from facademap.io.vectors import read_shapes
from facademap.limits import (
    LIMITS,
    VARIABLE,
    Limits,
    as_words,
    limits_now,
    other_limits,
    read_limits,
)
from facademap.wall.mending import mend

#: Kept to by the server, and looked at in its own tests.
OF_THE_SERVER = {"request_mb", "upload_mb", "upload_megapixels", "answer_s"}
#: Kept to by the watch over a command.
OF_A_COMMAND = {"job_s", "memory_mb"}
#: Kept to by long work, and looked at in the tests of jobs.
OF_A_JOB = {"job_cores"}


def outlines(folder: Path, shapes: list[Any], properties: Any = None) -> Path:
    path = folder / "shapes.geojson"
    features = [
        {
            "type": "Feature",
            "properties": properties or {"id": f"C-{k}"},
            "geometry": shapely.geometry.mapping(s),
        }
        for k, s in enumerate(shapes)
    ]
    path.write_text(json.dumps({"type": "FeatureCollection", "features": features}))
    return path


def frame(shapes: list[Any]) -> Any:
    import geopandas as gpd

    ids = [f"C-{k}" for k in range(len(shapes))]
    return gpd.GeoDataFrame({"id": ids, "surface": "front", "term": "scaling"}, geometry=shapes)


def too_much(name: str, folder: Path) -> Any:
    """Work on outside data that needs two or more of what a limit bounds."""
    box, far = shapely.box(0, 0, 1, 1), shapely.box(5, 5, 6, 6)
    if name in ("corners", "corners_in_all"):
        return mend_outlines(frame([box, far]))
    if name == "contacts":
        return mend(shapely.Polygon([(0, 0), (4, 3), (0, 3), (4, 0), (2, 4)]), name="C-1")
    if name == "overlaps":
        return find_overlaps(frame([box] * 4))
    if name == "features":
        return read_shapes(outlines(folder, [box, far]))
    if name == "nested":
        return read_shapes(outlines(folder, [box], {"id": "C-1", "more": [[[[[[[]]]]]]]}))
    if name == "file_mb":
        return read_shapes(outlines(folder, [box], {"id": "C-1", "words": "w" * 1_100_000}))
    if name == "control_points":
        path = folder / "control.csv"
        rows = [f"P{k},{k},{k % 2},{k},{k % 2},control" for k in range(6)]
        path.write_text("\n".join(["name,u_m,v_m,x_px,y_px,role", *rows]))
        return read_control(path)
    if name == "megapixels":
        path = folder / "photo.png"
        cv2.imwrite(str(path), np.zeros((1_000, 1_100, 3), np.uint8))
        return read_picture(path)
    path = folder / "list.csv"
    path.write_text("id,words\n" + "B-1,one\n" * 6)
    if name == "table_mb":
        path.write_text("id,words\n" + "B-1,a word or two\n" * 70_000)
    if name == "unpacked_mb":
        path = folder / "list.xlsx"
        openpyxl.Workbook().save(path)
        with zipfile.ZipFile(path, "a", zipfile.ZIP_DEFLATED) as archive:
            archive.writestr("xl/media/empty.bin", b"\0" * 2_000_000)
    return read_grids(path, what="list")


@pytest.mark.parametrize(
    "name", sorted({f.name for f in fields(Limits)} - OF_THE_SERVER - OF_A_COMMAND - OF_A_JOB)
)
def test_what_goes_beyond_a_limit_is_refused_and_told_how_to_be_allowed(
    name: str, tmp_path: Path
) -> None:
    too_much(name, tmp_path)
    with (
        other_limits(**{name: 1 if name != "nested" else 5}),
        pytest.raises(FacademapError) as found,
    ):
        too_much(name, tmp_path)
    assert "more than" in found.value.problem
    assert f"--limit {name}=" in found.value.remedy


def test_limits_are_read_from_words_and_told_as_such() -> None:
    found = read_limits(["rows=7, corners=9", "", "rows=8"])
    assert found == replace(LIMITS, rows=8, corners=9)
    assert read_limits([as_words(found)]) == found
    assert as_words(LIMITS) == ""


@pytest.mark.parametrize(
    "words", ["row=5", "rows", "rows=", "rows=-1", "rows=0", "rows=1e6", "rows=٣"]
)
def test_a_limit_that_is_none_is_refused(words: str) -> None:
    with pytest.raises(InputError, match="limit"):
        read_limits([words])


def test_a_command_takes_limits_and_leaves_none_behind(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(VARIABLE, "rows=11 features=12")
    told = CliRunner().invoke(main, ["limits", "--json", "--limit", "rows=13"])
    values = {k: v["value"] for k, v in json.loads(told.output).items()}
    assert (values["rows"], values["features"]) == (13, 12)
    assert set(values) == {f.name for f in fields(Limits)}
    assert limits_now() == LIMITS
    assert os.environ[VARIABLE] == "rows=11 features=12"


@pytest.mark.parametrize(
    ("limit", "work"),
    [
        ("memory_mb=400", "kept = [bytearray(20_000_000) for _ in range(60)]; time.sleep(60)"),
        ("job_s=1", "time.sleep(60)"),
    ],
)
def test_a_command_beyond_its_time_or_memory_is_stopped_in_one_line(limit: str, work: str) -> None:
    code = (
        "import sys, time\n"
        "import facademap.cli.commands.limits as it\n"
        "from facademap.cli.main import main\n"
        "from facademap.cli.show import command_options\n"
        "import click\n"
        "@click.command()\n@command_options\n"
        f"def command(show):\n    {work}\n"
        "it.command = command\n"
        f"main(['limits', '--limit', {limit!r}])\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, timeout=30, check=False
    )
    name = limit.split("=")[0]
    assert done.returncode == 2
    assert done.stderr.startswith("error: stopped ")
    assert f"--limit {name}=" in done.stderr
    assert done.stderr.count("\n") == 1
