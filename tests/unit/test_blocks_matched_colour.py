"""Colour shuts out a block only where wall and face were calibrated; stone that was sawn stays out of the next plan."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from test_blocks_remainders import _project

from facademap.store.project import Project
from facademap.tasks.match.match import load_problem, match_project


def _set(folder: Path, table: str, row: str, **changes: Any) -> None:
    with Project.open(folder) as project, project.edit(who="test", what="set") as edit:
        edit.update(table, row, changes)


def _match(folder: Path) -> dict[str, str]:
    match_project(folder, time_limit_s=5)
    with Project.open(folder, read_only=True) as project:
        return {p["repair"]: p["block"] for p in project.read("placements").to_dict("records")}


def test_an_uncalibrated_face_is_never_shut_out_by_its_colour(tmp_path: Path) -> None:
    folder = _project(tmp_path / "p")
    _set(folder, "pieces", "P1", de_tolerance=3.0)
    _set(folder, "faces", "B1.1", lab=[40, 1, 8], calibrated=False)
    assert _match(folder) == {"R1": "B1"}


def test_a_calibrated_face_beyond_the_tolerance_is_shut_out_whatever_else_lies_in_the_yard(
    tmp_path: Path,
) -> None:
    folder = _project(tmp_path / "p")
    _set(folder, "pieces", "P1", de_tolerance=3.0)
    _set(folder, "faces", "B1.1", lab=[40, 1, 8], calibrated=True)
    assert _match(folder) == {}
    with Project.open(folder) as project, project.edit(who="test", what="another block") as edit:
        edit.insert("blocks", [{"id": "B2", "stone_type": "grey", "acceptance": "accepted"}])
        edit.insert(
            "faces",
            [
                {
                    "id": "B2.1",
                    "block": "B2",
                    "outline": [[0, 0], [0.5, 0], [0.5, 0.3], [0, 0.3]],
                    "usable_depth_m": 0.2,
                    "bed": "x",
                    "lab": [20, 1, 8],
                    "calibrated": False,
                }
            ],
        )
    assert _match(folder) == {"R1": "B2"}


def test_a_piece_sawn_from_a_sawn_block_does_not_stop_the_matching(tmp_path: Path) -> None:
    folder = _project(tmp_path / "p")
    assert _match(folder) == {"R1": "B1"}
    with Project.open(folder) as project, project.edit(who="test", what="sawn") as edit:
        (placement,) = project.read("placements")["id"]
        edit.update("placements", placement, {"state": "sawn"})
        edit.update("blocks", "B1", {"state": "sawn"})
        edit.insert("blocks", [{"id": "B2", "stone_type": "grey", "acceptance": "accepted"}])
        edit.insert(
            "faces",
            [
                {
                    "id": "B2.1",
                    "block": "B2",
                    "outline": [[0, 0], [0.5, 0], [0.5, 0.3], [0, 0.3]],
                    "usable_depth_m": 0.2,
                    "bed": "x",
                    "lab": [60, 1, 8],
                }
            ],
        )
        edit.insert(
            "repairs",
            [
                {
                    "id": "R3",
                    "surface": "S",
                    "treatment": "inset",
                    "geometry": project.row("repairs", "R1")["geometry"],
                    "edges": [0.003] * 4,
                }
            ],
        )
        edit.insert(
            "pieces",
            [
                {
                    **{k: v for k, v in project.row("pieces", "P1").items() if k != "rev"},
                    "id": "P3",
                    "repair": "R3",
                }
            ],
        )
    with Project.open(folder, read_only=True) as project:
        found = load_problem(project)
    assert "B1" not in {b.id for b in found.problem.blocks}
    assert "R1" in found.left_out
    assert [r.id for r in found.problem.repairs] == ["R3"]
    assert "sawn" in found.left_out["R1"]

    assert _match(folder) == {"R1": "B1", "R3": "B2"}  # what was sawn stays on record
