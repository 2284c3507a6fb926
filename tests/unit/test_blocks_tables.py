"""The inventory as a table: acceptance checks, guarded text, wet among dry, bad rows."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from facademap.errors import InputError
from facademap.io.block_files import read_blocks
from facademap.io.block_tables import write_block_table
from facademap.store.project import Project
from facademap.tasks.project.create_project import ProjectPlan, create_project
from facademap.tasks.yard.add_blocks import add_blocks
from facademap.tasks.yard.papers import export_blocks

RING = "0 0, 300 0, 300 200, 0 200"


def _table(path: Path, *rows: dict[str, str]) -> Path:
    base = {
        "id": "B1",
        "stone_type": "grey",
        "outline_mm": RING,
        "usable_depth_mm": "100",
        "bed": "x",
    }
    columns = list(dict.fromkeys([*base, *(k for row in rows for k in row)]))
    with path.open("w", newline="") as file:
        writer = csv.DictWriter(file, columns, restval="")
        writer.writeheader()
        writer.writerows({**base, **row} for row in rows)
    return path


CHECKS = {
    "sounded_check": "pass",
    "salts_check": "pass",
    "old_iron_check": "pass",
    "residues_check": "not needed",
    "absorption_check": "pass",
}


@pytest.mark.parametrize(
    ("change", "acceptance"),
    [
        ({}, "accepted"),
        ({"salts_check": "not done"}, "to test"),
        ({"salts_check": "fail"}, "rejected"),
    ],
)
def test_the_checks_decide_the_acceptance(
    tmp_path: Path, change: dict[str, str], acceptance: str
) -> None:
    row = read_blocks(_table(tmp_path / "b.csv", {**CHECKS, **change}))[0]
    assert row.block["acceptance"] == acceptance
    assert row.block["acceptance_checks"]["old iron"] == "pass"


def test_accepted_against_a_failed_check_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"row 2.*salts failed|line 2.*salts failed"):
        read_blocks(
            _table(tmp_path / "b.csv", {**CHECKS, "salts_check": "fail", "acceptance": "accepted"})
        )
    with pytest.raises(InputError, match="perhaps"):
        read_blocks(_table(tmp_path / "b.csv", {"salts_check": "perhaps"}))


@pytest.mark.parametrize("name", ["out.csv", "out.xlsx"])
def test_guarded_text_checks_and_state_come_back_as_they_were(tmp_path: Path, name: str) -> None:
    block = {
        "id": "B1",
        "stone_type": "grey",
        "location": "=row 3",
        "note": "-2+3 chips",
        "acceptance": "accepted",
        "acceptance_checks": {
            "sounded": "pass",
            "salts": "pass",
            "old iron": "pass",
            "residues": "pass",
            "absorption": "pass",
        },
    }
    face = {
        "outline": [[0, 0], [0.3, 0], [0.3, 0.2]],
        "flaws": [],
        "usable_depth_m": 0.1,
        "bed": "x",
        "wetness": "damp",
        "weathered": True,
    }
    write_block_table(tmp_path / name, [(block, [(face, None)])])
    back = read_blocks(tmp_path / name)[0]
    assert (back.block["location"], back.block["note"]) == ("=row 3", "-2+3 chips")
    if name.endswith(".csv"):
        assert "'-2+3 chips" in (tmp_path / name).read_text()
    assert back.block["acceptance_checks"] == block["acceptance_checks"]
    assert back.faces[0].face["wetness"] == "damp"
    assert back.faces[0].face["weathered"] is True


def _project(tmp_path: Path, **second: str) -> tuple[Path, Path]:
    create_project(tmp_path / "p", ProjectPlan(name="yard"))
    rng = np.random.default_rng(3)
    for name in ("a.jpg", "b.jpg"):
        Image.fromarray(rng.integers(120, 160, (420, 620, 3), dtype=np.uint8)).save(tmp_path / name)
    corners = "10 410, 610 410, 610 10, 10 10"
    return tmp_path / "p", _table(
        tmp_path / "b.csv",
        {"id": "B1", "face_photo": "a.jpg", "face_corners_px": corners},
        {"id": "B2", "face_photo": "b.jpg", "face_corners_px": corners, **second},
    )


def test_a_wet_photo_among_dry_ones_is_named(tmp_path: Path) -> None:
    folder, table = _project(tmp_path, wetness="wet")
    done = add_blocks(folder, table)
    assert done["measured"] == 2
    assert any("B2" in n and "wet" in n and "dry" in n for n in done["notes"])
    with Project.open(folder, read_only=True) as project:
        faces = project.read("faces").set_index("block")
    assert faces.loc["B2", "appearance"]["wetness"] == "wet"
    assert len(faces.loc["B1", "appearance"]["quantiles"]) == 20


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"face_photo": "a.jpg"}, "used for B1 and B2"),
        ({"id": "B1"}, "already"),
        ({"outline_mm": "0 0, 300 200, 300 0, 0 200"}, "crosses"),
        ({"outline_mm": "0 0, 30000 0, 0 200"}, "millimetres|beyond"),
        ({"flaws_mm": "null: 900 900, 950 900, 950 950"}, "outside its face"),
        ({"usable_depth_mm": "-4"}, "usable_depth_mm"),
        ({"face_photo": "none.jpg"}, "none.jpg"),
        ({"wetness": "soaked"}, r"line 3: wetness is 'soaked', expected one of dry"),
        ({"bed": "y"}, "line 3: bed is 'y'"),
        (
            {"face_corners_px": "10 10, 610 10, 610 410, 10 410"},
            "line 3: face_corners_px runs the wrong way",
        ),
        (
            {"face_corners_px": "10 410, 210 410, 210 10, 10 10"},
            "0.50 times as wide as high, the outline 1.50",
        ),
    ],
)
def test_bad_rows_are_named_and_nothing_is_stored(
    tmp_path: Path, change: dict[str, str], says: str
) -> None:
    from facademap.errors import FacademapError

    folder, table = _project(tmp_path, **change)
    with pytest.raises(FacademapError, match=says):
        add_blocks(folder, table)
    with Project.open(folder, read_only=True) as project:
        assert all(project.read(n).empty for n in ("blocks", "faces"))


def _two_faces(tmp_path: Path) -> Path:
    """A project with a block of three faces, one of a single face, and one without any."""
    folder, table = _project(tmp_path)
    rng = np.random.default_rng(4)
    for name in ("a2.jpg", "a3.jpg"):
        Image.fromarray(rng.integers(120, 160, (420, 620, 3), dtype=np.uint8)).save(tmp_path / name)
    with table.open("a") as file:
        file.write("B3,grey,,,x,,\n")
    (tmp_path / "b_faces.csv").write_text(
        "block,face,outline_mm,usable_depth_mm,bed,finish,weathered,flaws_mm,face_photo,face_corners_px\n"
        f'B1,B1.top,"{RING}",60,parallel,sawn,no,"crack 40 from 5: 10 10, 60 10, 60 40; dowel hole null: 100.1234 50, 120 50, 120 80",a2.jpg,'
        '"10 410, 610 410, 610 10, 10 10"\n'
        f'B1,,"0 0, 200 0, 200 150.05, 0 150",80,x,,yes,,a3.jpg,\n'
    )
    done = add_blocks(folder, table)
    assert (done["added"], done["faces"], done["measured"]) == (3, 4, 3)
    assert any("B3" in n and "no face" in n for n in done["notes"])
    return folder


def _contents(folder: Path) -> dict[str, str]:
    with Project.open(folder, read_only=True) as project:
        return {
            n: project.read(n).to_json(orient="records", double_precision=15)
            for n in ("blocks", "faces", "photos")
        }


@pytest.mark.parametrize("name", ["out.csv", "out.xlsx"])
def test_several_faces_go_out_and_come_back_exactly(tmp_path: Path, name: str) -> None:
    folder = _two_faces(tmp_path)
    with Project.open(folder) as project:
        faces = project.read("faces").set_index("id")
        assert list(faces.index) == ["B1.1", "B1.top", "B1.3", "B2.1"]
        assert [f["kind"] for f in faces.loc["B1.top", "flaws"]] == ["crack", "dowel hole"]
        assert faces.loc["B1.top", "flaws"][0]["from_m"] == pytest.approx(0.005)
        with project.edit(who="test", what="state") as edit:
            edit.update(
                "blocks",
                "B2",
                {"state": "reserved", "weight_kg": 55.5, "weight_status": "measured"},
            )
    before = _contents(folder)
    (tmp_path / "elsewhere").mkdir()
    count, files = export_blocks(tmp_path / "elsewhere" / name, folder=folder)
    assert count == 3
    assert len(files) == (2 if name.endswith("csv") else 1)
    done = add_blocks(folder, tmp_path / "elsewhere" / name)
    assert (done["added"], done["faces"]) == (3, 4)
    assert _contents(folder) == before


def test_left_out_columns_stay_as_they_are(tmp_path: Path) -> None:
    folder = _two_faces(tmp_path)
    with Project.open(folder) as project, project.edit(who="test", what="state") as edit:
        edit.update("blocks", "B2", {"state": "reserved", "location": "row 4"})
    add_blocks(
        folder,
        _table(
            tmp_path / "again.csv",
            {
                "id": "B2",
                "face_photo": "b.jpg",
                "face_corners_px": "10 410, 610 410, 610 10, 10 10",
            },
        ),
    )
    with Project.open(folder, read_only=True) as project:
        assert (project.row("blocks", "B2")["state"], project.row("blocks", "B2")["location"]) == (
            "reserved",
            "row 4",
        )


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ('B9,B9.1,"0 0, 1 0, 1 1",50,x', r"b_faces.csv, line 2: block B9 is not among"),
        ('B1,B1.1,"0 0, 9 0, 9 9",50,x', r"line 2: face B1.1 is there already"),
        ('B1,,"0 0, 9 0, 9 9",fifty,x', r"line 2: usable_depth_mm is 'fifty'"),
        ('B1,,"0 0, 9 0, 9 9",50,sideways', r"line 2: bed is 'sideways'"),
        ('B2,,"0 0, 9 0, 9 9",50,x,a.jpg', r"line 2: photo a.jpg is used for B1 and B2"),
    ],
)
def test_bad_faces_are_named_with_file_row_and_column(tmp_path: Path, line: str, says: str) -> None:
    folder, table = _project(tmp_path)
    (tmp_path / "b_faces.csv").write_text(
        f"block,face,outline_mm,usable_depth_mm,bed,face_photo\n{line}\n"
    )
    with pytest.raises(InputError, match=says):
        add_blocks(folder, table)
    with Project.open(folder, read_only=True) as project:
        assert project.read("blocks").empty


def test_a_bad_cell_of_a_spreadsheet_is_named_with_its_sheet(tmp_path: Path) -> None:
    import openpyxl

    book = openpyxl.Workbook()
    book.active.title = "blocks"
    book.active.append(["id", "stone_type", "outline_mm", "usable_depth_mm", "bed"])
    book.active.append(["B1", "grey", RING, 100, "x"])
    sheet = book.create_sheet("faces")
    sheet.append(["block", "outline_mm", "usable_depth_mm", "bed", "wetness"])
    sheet.append(["B1", RING, 100, "x", "soaked"])
    book.save(tmp_path / "b.xlsx")
    with pytest.raises(InputError, match=r"b.xlsx, sheet faces, row 2: wetness is 'soaked'"):
        read_blocks(tmp_path / "b.xlsx")


def test_a_weight_is_measured_or_comes_from_the_density(tmp_path: Path) -> None:
    """2563 kg/m3 is the upper density of limestone and sandstone in the densities of the project (Building Trades Pocketbook)."""
    create_project(tmp_path / "p", ProjectPlan(name="yard"))
    sides = {"kind": "sedimentary", "length_mm": "500", "height_mm": "400", "depth_mm": "200"}
    add_blocks(
        tmp_path / "p", _table(tmp_path / "b.csv", sides, {"id": "B2", **sides, "weight_kg": "88"})
    )
    with Project.open(tmp_path / "p", read_only=True) as project:
        blocks = project.read("blocks").set_index("id")
    # the heavy value of its kind: an estimate serves the lift
    assert blocks.loc["B1", "weight_kg"] == pytest.approx(2700 * 0.04, abs=0.1)
    assert list(blocks["weight_status"]) == ["from density", "measured"]


def test_names_with_umlauts_are_written_plainly(tmp_path: Path) -> None:
    from facademap.io.block_files import read_blocks

    path = tmp_path / "blocks.csv"
    path.write_text(
        "id,stone_type,length_mm,height_mm,depth_mm\nÄ 1,Grauwacke,600,300,200\n", "utf-8"
    )
    (tmp_path / "blocks_faces.csv").write_text(
        'block,outline_mm,usable_depth_mm,bed\nÄ 1,"0 0, 600 0, 600 300",180,x\n', "utf-8"
    )
    notes: list[str] = []
    (row,) = read_blocks(path, notes=notes)
    assert (row.block["id"], len(row.faces)) == ("A-1", 2)
    assert "names written plainly: Ä 1 is A-1" in notes
    # another block of that plain name is not mistaken for it
    with path.open("a", encoding="utf-8") as file:
        file.write("A-1,Grauwacke,500,300,200\n")
    with pytest.raises(InputError, match="A-1 is there already"):
        read_blocks(path)
