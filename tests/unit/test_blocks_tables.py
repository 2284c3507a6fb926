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
from facademap.tasks.add_blocks import add_blocks
from facademap.tasks.create_project import ProjectPlan, create_project

RING = "0 0, 300 0, 300 200, 0 200"


def _table(path: Path, *rows: dict[str, str]) -> Path:
    base = {"id": "B1", "stone_type": "grey", "outline_mm": RING, "usable_depth_mm": "100", "bed": "x"}
    columns = list(dict.fromkeys([*base, *(k for row in rows for k in row)]))
    with path.open("w", newline="") as file:
        writer = csv.DictWriter(file, columns, restval="")
        writer.writeheader()
        writer.writerows({**base, **row} for row in rows)
    return path


CHECKS = {"sounded_check": "pass", "salts_check": "pass", "old_iron_check": "pass", "residues_check": "not needed",
          "absorption_check": "pass"}


@pytest.mark.parametrize(("change", "acceptance"), [({}, "accepted"), ({"salts_check": "not done"}, "to test"),
                                                    ({"salts_check": "fail"}, "rejected")])
def test_the_checks_decide_the_acceptance(tmp_path: Path, change: dict[str, str], acceptance: str) -> None:
    row = read_blocks(_table(tmp_path / "b.csv", {**CHECKS, **change}))[0]
    assert row.block["acceptance"] == acceptance
    assert row.block["acceptance_checks"]["old iron"] == "pass"


def test_accepted_against_a_failed_check_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"row 2.*salts failed|line 2.*salts failed"):
        read_blocks(_table(tmp_path / "b.csv", {**CHECKS, "salts_check": "fail", "acceptance": "accepted"}))
    with pytest.raises(InputError, match="perhaps"):
        read_blocks(_table(tmp_path / "b.csv", {"salts_check": "perhaps"}))


@pytest.mark.parametrize("name", ["out.csv", "out.xlsx"])
def test_guarded_text_checks_and_state_come_back_as_they_were(tmp_path: Path, name: str) -> None:
    block = {"id": "B1", "stone_type": "grey", "location": "=row 3", "note": "+2 chips", "acceptance": "accepted",
             "acceptance_checks": {"sounded": "pass", "salts": "pass", "old iron": "pass", "residues": "pass", "absorption": "pass"}}
    face = {"outline": [[0, 0], [0.3, 0], [0.3, 0.2]], "flaws": [], "usable_depth_m": 0.1, "bed": "x", "wetness": "damp", "weathered": True}
    write_block_table(tmp_path / name, [(block, face, None)])
    back = read_blocks(tmp_path / name)[0]
    assert (back.block["location"], back.block["note"]) == ("=row 3", "+2 chips")
    assert back.block["acceptance_checks"] == block["acceptance_checks"]
    assert back.face["wetness"] == "damp"


def _project(tmp_path: Path, **second: str) -> tuple[Path, Path]:
    create_project(tmp_path / "p", ProjectPlan(name="yard"))
    rng = np.random.default_rng(3)
    for name in ("a.jpg", "b.jpg"):
        Image.fromarray(rng.integers(120, 160, (420, 620, 3), dtype=np.uint8)).save(tmp_path / name)
    corners = "10 410, 610 410, 610 10, 10 10"
    return tmp_path / "p", _table(tmp_path / "b.csv", {"id": "B1", "face_photo": "a.jpg", "face_corners_px": corners},
                                  {"id": "B2", "face_photo": "b.jpg", "face_corners_px": corners, **second})


def test_a_wet_photo_among_dry_ones_is_named(tmp_path: Path) -> None:
    folder, table = _project(tmp_path, wetness="wet")
    done = add_blocks(folder, table)
    assert done["measured"] == 2
    assert any("B2" in n and "wet" in n and "dry" in n for n in done["notes"])
    with Project.open(folder, read_only=True) as project:
        faces = project.read("faces").set_index("block")
    assert faces.loc["B2", "appearance"]["wetness"] == "wet"
    assert len(faces.loc["B1", "appearance"]["quantiles"]) == 20


@pytest.mark.parametrize(("change", "says"), [
    ({"face_photo": "a.jpg"}, "used for B1 and B2"), ({"id": "B1"}, "already"), ({"outline_mm": "0 0, 300 200, 300 0, 0 200"}, "crosses"),
    ({"outline_mm": "0 0, 30000 0, 0 200"}, "millimetres|beyond"), ({"flaws_mm": "null: 900 900, 950 900, 950 950"}, "outside its face"),
    ({"usable_depth_mm": "-4"}, "usable_depth_mm"), ({"face_photo": "none.jpg"}, "none.jpg"), ({"wetness": "soaked"}, "wetness")])
def test_bad_rows_are_named_and_nothing_is_stored(tmp_path: Path, change: dict[str, str], says: str) -> None:
    from facademap.errors import FacademapError

    folder, table = _project(tmp_path, **change)
    with pytest.raises(FacademapError, match=says):
        add_blocks(folder, table)
    with Project.open(folder, read_only=True) as project:
        assert all(project.read(n).empty for n in ("blocks", "faces"))
