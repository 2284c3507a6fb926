"""Every template goes in as it is: each is given to the command that reads it, as CSV and as XLSX."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import click
import cv2
import numpy as np
import pytest

from facademap.cli.main import main
from facademap.io.control_files import read_control
from facademap.io.patch_files import read_patches
from facademap.io.point_files import read_mosaic_points, read_photo_points
from facademap.io.table_kinds import TABLE_KINDS
from facademap.photo.orientation import Turn
from facademap.store.project import Project
from facademap.tasks.project.create_project import ProjectPlan, create_project
from facademap.tasks.survey.colour import _chart_table
from facademap.tasks.survey.template import formats_page
from facademap.tasks.yard.face_scale import read_face_control

SIZE = (1600, 1200)
UPRIGHT = Turn(width_px=1600, height_px=1200)


def run(*words: object) -> None:
    """Call the command line; it must succeed."""
    with pytest.raises(SystemExit) as left:
        main.main([str(w) for w in words] + ["--quiet"])
    assert left.value.code in (0, None)


def _photo(folder: Path, name: str = "photo.png") -> Path:
    rng = np.random.default_rng(1)
    grey = cv2.resize(rng.integers(60, 200, (150, 200)).astype(np.uint8), SIZE)
    cv2.imwrite(str(folder / name), cv2.cvtColor(grey, cv2.COLOR_GRAY2BGR))
    return folder / name


def _wall(folder: Path) -> Path:
    create_project(folder / "wall", ProjectPlan.of_one_wall("Mill, yard side"))
    return folder / "wall"


def _template(kind: str, folder: Path, ending: str) -> Path:
    run("template", kind, "--out", folder / f"{kind}.{ending}")
    return folder / f"{kind}.{ending}"


def _rows(folder: Path, table: str) -> int:
    with Project.open(folder, read_only=True) as project:
        return len(project.read(table))


def _control(path: Path, folder: Path) -> None:
    run(
        "rectify",
        "--photo",
        _photo(folder),
        "--control",
        path,
        "--gsd-mm",
        20,
        "--no-lens",
        "--out",
        folder / "o.tif",
    )
    assert len(read_control(path).name) == 8


def _points(path: Path, folder: Path) -> None:
    control = _template("control", folder, "csv")
    run(
        "locate",
        "--size",
        "1600,1200",
        "--control",
        control,
        "--points",
        path,
        "--no-lens",
        "--out",
        folder / "o.csv",
    )
    # by the example's own scale of 5 mm a pixel
    line = (folder / "o.csv").read_text().splitlines()[1].split(",")
    assert line[0] == "sill left"
    assert [float(v) for v in line[1:3]] == pytest.approx([2.0025, 1.9975], abs=1e-3)


def _shapes(path: Path, folder: Path) -> None:
    control = _template("control", folder, "csv")
    run(
        "measure",
        "--photo",
        _photo(folder),
        "--control",
        control,
        "--shapes",
        path,
        "--out",
        folder / "o.csv",
    )
    assert len((folder / "o.csv").read_text().splitlines()) == 3


def _survey(path: Path, folder: Path) -> None:
    run("frame", "--survey", path, "--out", folder / "o.csv", "--outside", "402310,6050095,13")
    assert len((folder / "o.csv").read_text().splitlines()) == 5


def _survey_points(path: Path, folder: Path) -> None:
    wall = _wall(folder)
    run("add-control", wall, path, "--epsg", 25832)
    assert _rows(wall, "control_points") == 4


def _observations(path: Path, folder: Path) -> None:
    wall = _wall(folder)
    run("add-photos", wall, _photo(folder, "front_1.jpg"))
    run("add-control", wall, _template("survey-points", folder, "csv"), "--observations", path)
    assert _rows(wall, "observations") == 3


def _mosaic_control(path: Path, folder: Path) -> None:
    photos = ("front_1.jpg", "front_2.jpg")
    assert len(read_mosaic_points(path, photos=photos, turns=(UPRIGHT, UPRIGHT))) == 3


def _photo_points(path: Path, folder: Path) -> None:
    assert (
        len(read_photo_points(path, photos={"front_1.jpg": UPRIGHT, "front_2.jpg": UPRIGHT})) == 2
    )


def _tape(path: Path, folder: Path) -> None:
    run("tape", "--tape", path, "--out", folder / "o.csv")
    assert len((folder / "o.csv").read_text().splitlines()) == 5


def _clicks(path: Path, folder: Path) -> None:
    run(
        "follow",
        "--image",
        _photo(folder),
        "--clicks",
        path,
        "--kind",
        "outline",
        "--out",
        folder / "o.geojson",
    )


def _line_clicks(path: Path, folder: Path) -> None:
    run(
        "follow",
        "--image",
        _photo(folder),
        "--clicks",
        path,
        "--kind",
        "line",
        "--out",
        folder / "o.geojson",
    )


def _patches(path: Path, folder: Path) -> None:
    assert [p.role for p in read_patches(path)] == ["fit", "fit", "check"]


def _chart(path: Path, folder: Path) -> None:
    assert (_chart_table(str(path)).rows, _chart_table(str(path)).columns) == (2, 2)


def _face_control(path: Path, folder: Path) -> None:
    assert read_face_control(path)[2].max() == pytest.approx(0.6)


def _pictures(path: Path, folder: Path) -> None:
    for name in ("B-01.png", "B-02.png"):
        _photo(folder, name)
    run("looks", "--images", path, "--out", folder / "o.csv")


def _conditions(path: Path, folder: Path) -> None:
    wall = _wall(folder)
    run("add-outlines", "conditions", wall, path)
    assert _rows(wall, "conditions") == 2


def _blocks(path: Path, folder: Path) -> None:
    wall = _wall(folder)
    run("add-blocks", wall, path)
    assert (_rows(wall, "blocks"), _rows(wall, "faces")) == (2, 2)


def _faces(path: Path, folder: Path) -> None:
    if path.suffix == ".xlsx":
        # in a workbook the faces stand beside the blocks
        import openpyxl

        book = openpyxl.load_workbook(_template("blocks", folder, "xlsx"))
        sheet = book.create_sheet("faces")
        for row in openpyxl.load_workbook(path)["faces"].iter_rows(values_only=True):
            sheet.append(row)
        book.save(folder / "both.xlsx")
        words: tuple[object, ...] = (folder / "both.xlsx",)
    else:
        words = (_template("blocks", folder, "csv"), "--faces", path)
    wall = _wall(folder)
    run("add-blocks", wall, *words)
    assert _rows(wall, "faces") == 3


READ: dict[str, Callable[[Path, Path], None]] = {
    name.strip("_").replace("_", "-"): function
    for name, function in list(globals().items())
    if name.startswith("_") and name.strip("_").replace("_", "-") in TABLE_KINDS
}


def test_every_kind_is_tried() -> None:
    assert set(READ) == set(TABLE_KINDS)


@pytest.mark.parametrize("ending", ["csv", "xlsx"])
@pytest.mark.parametrize("kind", sorted(TABLE_KINDS))
def test_the_example_goes_in_as_it_is(kind: str, ending: str, tmp_path: Path) -> None:
    READ[kind](_template(kind, tmp_path, ending), tmp_path)


def test_the_page_names_every_column_and_the_help_every_kind(capsys: Any) -> None:
    page = formats_page()
    for kind in TABLE_KINDS.values():
        assert f"## `{kind.name}`" in page
        assert all(f"| `{c.name}` |" in page for c in kind.columns)
    context = click.Context(main, info_name="facademap")
    command = main.get_command(context, "template")
    assert command is not None
    said = " ".join(command.get_help(context).split())
    assert all(kind in said for kind in TABLE_KINDS)


@pytest.mark.parametrize(("kind", "name"), [("nothing", "a.csv"), ("control", "a.doc")])
def test_what_there_is_not(kind: str, name: str, tmp_path: Path, capsys: Any) -> None:
    with pytest.raises(SystemExit) as left:
        main.main(["template", kind, "--out", str(tmp_path / name)])
    assert left.value.code == 2
    assert "; fix: " in capsys.readouterr().err
    assert not list(tmp_path.iterdir())


def test_every_command_that_reads_a_table_can_be_told_how_it_is_written() -> None:
    lacking = []
    for kind in TABLE_KINDS.values():
        for call in kind.read_by.split(";"):
            words = call.split("(")[0].split()
            command = main.get_command(None, words[0])  # type: ignore[arg-type]
            if words[0] == "yard":
                command = command.commands[words[1]]
            offered = {o for p in command.params for o in p.opts}
            lacking += [
                f"{call.strip()} for {kind.name}: {option}"
                for option in ("--unit", "--decimal", "--column")
                if option not in offered
            ]
    assert lacking == []
