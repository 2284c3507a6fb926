"""Stone to come: remainders of sawn blocks and donors from whole-stone repairs."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
import shapely
import shapely.affinity

from facademap.errors import InputError
from facademap.match import sawing_of
from facademap.store.project import Project
from facademap.tasks.match.match import match_project
from facademap.tasks.match.yard_rules import rules_of_yard
from facademap.tasks.project.check import check_project
from facademap.tasks.project.create_project import create_project
from facademap.tasks.yard.remainders import bring_back_stone


def _project(folder: Path) -> Path:
    from facademap.tasks.project.create_project import ProjectPlan

    create_project(
        folder,
        ProjectPlan(
            name="yard",
            elevations=({"id": "E", "name": "front"},),
            surfaces=({"id": "S", "elevation": "E", "name": "front"},),
        ),
    )
    stone = shapely.box(0, 0, 0.6, 0.4)
    with Project.open(folder) as project, project.edit(who="test", what="rows") as edit:
        edit.insert(
            "wall_stones",
            [
                {
                    "id": n,
                    "surface": "S",
                    "geometry": shapely.affinity.translate(stone, x),
                    "bed": "horizontal",
                    "stone_type": "grey",
                    "depth_m": 0.2,
                }
                for n, x in (("W1", 0.0), ("W2", 0.61))
            ],
        )
        edit.insert(
            "conditions",
            [
                {
                    "id": "C1",
                    "surface": "S",
                    "geometry": shapely.box(0.61, 0, 0.8, 0.4),
                    "term": "erosion",
                }
            ],
        )
        edit.insert(
            "repairs",
            [
                {
                    "id": "R1",
                    "surface": "S",
                    "treatment": "inset",
                    "geometry": shapely.box(0.1, 0.1, 0.25, 0.2),
                    "edges": [0.003] * 4,
                },
                {
                    "id": "R2",
                    "surface": "S",
                    "treatment": "whole stone",
                    "geometry": shapely.affinity.translate(stone, 0.61),
                    "wall_stone": "W2",
                    "conditions": ["C1"],
                    "edges": [0.003] * 4,
                },
            ],
        )
        edit.insert(
            "pieces",
            [
                {
                    "id": "P1",
                    "surface": "S",
                    "geometry": shapely.box(0.103, 0.103, 0.247, 0.197),
                    "repair": "R1",
                    "width_m": 0.144,
                    "height_m": 0.094,
                    "depth_m": 0.08,
                    "bed": "horizontal",
                    "stone_type": "grey",
                    "lab": [60, 1, 8],
                }
            ],
        )
        edit.insert(
            "blocks",
            [{"id": "B1", "stone_type": "grey", "acceptance": "accepted", "weight_kg": 90.0}],
        )
        edit.insert(
            "faces",
            [
                {
                    "id": "B1.1",
                    "block": "B1",
                    "outline": [[0, 0], [0.5, 0], [0.5, 0.3], [0, 0.3]],
                    "usable_depth_m": 0.2,
                    "bed": "x",
                    "lab": [60, 1, 8],
                    "spread": 2.0,
                    "flaws": [
                        {
                            "kind": "crack",
                            "ring": [[0.45, 0.2], [0.5, 0.2], [0.5, 0.3]],
                            "depth_m": None,
                            "from_m": 0.0,
                        }
                    ],
                }
            ],
        )
    return folder


def _rows(folder: Path, table: str) -> dict[str, Any]:
    with Project.open(folder, read_only=True) as project:
        return {r["id"]: r for r in project.read(table).to_dict("records")}


def test_remainders_and_donors_come_once_and_are_never_matched_with_their_parent(
    tmp_path: Path,
) -> None:
    folder = _project(tmp_path / "p")
    early = bring_back_stone(folder)
    assert (early["remainders"], early["donors"]) == (0, 1)
    assert any("no plan yet" in n for n in early["notes"])
    match_project(folder, time_limit_s=5)
    first = bring_back_stone(folder)
    assert first["remainders"] >= 1
    assert first["donors"] == 1
    blocks, faces = _rows(folder, "blocks"), _rows(folder, "faces")
    placed = next(iter(_rows(folder, "placements").values()))
    own = [b for b in blocks.values() if b["parent"] == "B1"]
    volume = sum(shapely.Polygon(faces[f"{b['id']}.1"]["outline"]).area * b["depth_m"] for b in own)
    assert (
        volume < 0.5 * 0.3 * 0.2 - 0.144 * 0.094 * 0.08
    )  # less than the block without its piece: the saw takes its share
    for b in own:
        ring = shapely.Polygon(faces[f"{b['id']}.1"]["outline"])
        if faces[f"{b['id']}.1"]["lab"] is not None:  # the front slab, where the piece was
            assert ring.intersection(shapely.Polygon(placed["blank"])).area < 1e-8
    with Project.open(folder, read_only=True) as project:
        frames = {n: project.read(n) for n in ("faces", "pieces", "placements")}
        (plan,), refused = sawing_of(frames, rules_of_yard(project))
    assert not refused
    assert {b["id"] for b in own} == set(
        plan.kept
    )  # under the numbers of the saw plan, with its solids
    for b in own:
        solid = plan.solids[b["id"]]
        assert (b["length_m"], b["height_m"], b["depth_m"]) == pytest.approx(
            [s / 1000 for s in solid.size_mm]
        )
        assert shapely.Polygon(faces[f"{b['id']}.1"]["outline"]).area == pytest.approx(
            solid.polygon.area / 1e6
        )
    donor = blocks["D-W2"]
    assert (donor["after_repair"], donor["acceptance"]) == ("R2", "to test")
    assert donor["length_m"] == pytest.approx(
        0.6 - 0.19 - 0.03
    )  # decay and what is cut back beyond it are left
    again = bring_back_stone(folder)
    assert (again["remainders"], again["donors"]) == (first["remainders"], first["donors"])
    assert _rows(folder, "blocks").keys() == blocks.keys()
    match_project(folder, time_limit_s=5)
    assert {p["block"] for p in _rows(folder, "placements").values()} == {"B1"}


def test_without_plan_and_donors_there_is_nothing_to_come(tmp_path: Path) -> None:
    folder = _project(tmp_path / "p")
    with Project.open(folder) as project, project.edit(who="test", what="smaller") as edit:
        edit.update("repairs", "R2", {"treatment": "inset"})
    with pytest.raises(InputError, match="no plan"):
        bring_back_stone(folder)


def test_remainders_are_there_to_use_once_their_block_was_sawn(tmp_path: Path) -> None:
    folder = _project(tmp_path / "p")
    match_project(folder, time_limit_s=5)
    count = bring_back_stone(folder)["remainders"]
    with Project.open(folder) as project, project.edit(who="test", what="sawn") as edit:
        edit.update("blocks", "B1", {"state": "sawn"})
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
                    "lab": [60, 1, 8],
                }
            ],
        )
    assert bring_back_stone(folder)["released"] == count
    states = [b["state"] for b in _rows(folder, "blocks").values() if b["parent"] == "B1"]
    assert states == ["available"] * count


def test_the_audit_names_a_block_that_cannot_be_sawn_as_planned(tmp_path: Path) -> None:
    folder = _project(tmp_path / "p")
    match_project(folder, time_limit_s=5)
    said = [f for f in check_project(folder, fast=True)["findings"] if f["kind"] == "plan"]
    assert not any(f["about"] == "block B1" for f in said)
    with Project.open(folder) as project, project.edit(who="test", what="deeper") as edit:
        edit.update("pieces", "P1", {"depth_m": 0.3})
    said = [f for f in check_project(folder, fast=True)["findings"] if f["about"] == "block B1"]
    assert "piece P1 needs 305.0 mm and its slab has" in said[0]["problem"]
    assert said[0]["remedy"] == "Match again with facademap match --again."
