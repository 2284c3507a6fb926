"""Blocks to come: what sawing leaves, and what whole stones yield once they are out of the wall."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import shapely

from facademap.errors import GeometryError, InputError
from facademap.io.match_files import solution_from_json
from facademap.match.sawing import Remainder, saw_plan
from facademap.match.verification import verify
from facademap.salvage.stock import donor_face
from facademap.store.project import Project
from facademap.tables import is_missing
from facademap.tasks.match import load_problem

__all__ = ["bring_back_stone"]

#: Stone this near to visible decay is not trusted (common practice, project setting ``donor_cut_back_m``).
CUT_BACK_M = 0.03
#: A donor narrower than this in either direction is left out (as for remainders).
LEAST_SIDE_M = 0.06
_SAWN = frozenset({"sawn", "used"})
_FACE_BEDS: dict[str, Any] = {"horizontal": "x", "edge": "x", "parallel": "parallel"}
Pair = tuple[dict[str, Any], dict[str, Any]]


def bring_back_stone(folder: str | Path, *, who: str = "yard") -> dict[str, Any]:
    """Enter the remainders of the current plan and the donors of whole-stone repairs as blocks to come.

    Blocks of an earlier run that are still to come are replaced; a remainder whose parent was sawn
    becomes available and stays. Blocks to come are in state ``future``, which is never matched, so no
    stone is given away twice.

    Returns
    -------
    dict
        ``remainders``, ``donors`` (blocks to come), ``released`` (now available), ``notes``.

    Raises
    ------
    InputError
        No plan, or one that no longer fits the project.
    """
    notes: list[str] = []
    with Project.open(folder) as project:
        blocks = project.read("blocks")
        by_id = {b["id"]: b for b in blocks.to_dict("records")}
        faces = {f["id"]: f for f in project.read("faces").to_dict("records")}
        remainders = list(_remainders(project, by_id, faces))
        donors = list(_donors(project, notes))
        to_come = {b: row for b, row in by_id.items() if row["state"] == "future"
                   and not (is_missing(row["parent"]) and is_missing(row["after_repair"]))}
        released = [b for b, row in to_come.items()
                    if not is_missing(row["parent"]) and by_id.get(row["parent"], {}).get("state") in _SAWN]
        settled = {b for b in by_id if b not in to_come} | set(released)
        fresh = [(b, f) for b, f in (*remainders, *donors) if b["id"] not in settled]
        names = {b["id"] for b, _ in fresh}
        with project.edit(who=who, what="remainders and donors") as edit:
            for name in released:
                edit.update("blocks", name, {"state": "available"})
            for name in to_come.keys() - names - set(released):
                for face in [f for f in faces.values() if f["block"] == name]:
                    edit.delete("faces", face["id"])
                edit.delete("blocks", name)
            edit.put("blocks", [b for b, _ in fresh])
            edit.put("faces", [f for _, f in fresh])
    coming = [b for b, _ in fresh]
    return {"remainders": sum(b["parent"] is not None for b in coming), "donors": sum(b["parent"] is None for b in coming),
            "released": len(released), "notes": notes}


def _remainders(project: Project, blocks: dict[str, Any], faces: dict[str, Any]) -> Iterator[Pair]:
    plans = project.read("plans", where={"current": True}).to_dict("records")
    if not plans:
        raise InputError("the project has no plan yet, so nothing is sawn", "Match first with facademap match.")
    solution, table_problem = solution_from_json(plans[-1]["solution"]), load_problem(project)
    open_blocks = sorted({p.block_id for p in solution.placements})
    known = {b.id for b in table_problem.problem.blocks}
    if all(b in known for b in open_blocks) and verify(table_problem.problem, solution):
        raise InputError("the plan no longer fits repairs and blocks", "Match again with facademap match.")
    for block_id in open_blocks:
        if block_id not in known:  # sawn already: its remainders were entered before
            continue
        for left in saw_plan(table_problem.problem, solution, block_id).remainders:
            yield _remainder(left, blocks[block_id], faces[left.face_id])


def _remainder(left: Remainder, parent: dict[str, Any], face: dict[str, Any]) -> Pair:
    outline = np.asarray(left.face.outline_mm) / 1000
    width, height = (float(v) for v in np.ptp(outline, axis=0))
    depth, front = left.face.depth_mm / 1000, left.slab == 0
    block = {
        "id": left.id, "stone_type": parent["stone_type"], "kind": parent["kind"], "provenance": parent["provenance"],
        "location": parent["location"], "length_m": width, "height_m": height, "depth_m": depth,
        "weight_kg": left.weight_kg if np.isfinite(left.weight_kg) else None, "weight_status": "from density",
        "state": "future", "acceptance": parent["acceptance"], "acceptance_checks": parent["acceptance_checks"],
        "after_repair": None, "parent": parent["id"],
        "note": "Remainder" if front else "Remainder with a sawn face: photograph it before it is matched"}
    kept = ("calibrated", "wetness", "lab", "lab_covariance", "lab_n", "spread", "appearance", "photo", "photo_matrix")
    return block, {
        "id": f"{left.id}.1", "block": left.id, "outline": outline.tolist(), "usable_depth_m": depth, "bed": left.face.bed,
        "flaws": [{"kind": "flaw", "ring": (np.asarray(f.outline_mm) / 1000).tolist(),
                   "depth_m": None if f.depth_mm is None else f.depth_mm / 1000, "from_m": f.from_mm / 1000}
                  for f in left.face.flaws],
        "finish": left.face.finish or (None if front else "sawn"), "weathered": left.face.weathered,
        "width_m": width, "height_m": height, "size_pm95_m": face["size_pm95_m"],
        **({k: face[k] for k in kept} if front else {})}


def _donors(project: Project, notes: list[str]) -> Iterator[Pair]:
    """Sound parts of the stones that come out whole."""
    repairs = project.read("repairs", where={"treatment": "whole stone"}).to_dict("records")
    stones = {s["id"]: s for s in project.read("wall_stones").to_dict("records")}
    conditions = {c["id"]: c for c in project.read("conditions").to_dict("records")}
    cut_back_m = float(project.setting("donor_cut_back_m", CUT_BACK_M))
    for repair in repairs:
        stone = stones.get(repair["wall_stone"])
        if stone is None or is_missing(stone["depth_m"]) or repair["stage"] == "on hold":
            notes.append(f"{repair['id']}: no donor, " + ("it is on hold" if repair["stage"] == "on hold" else "its wall stone or depth is unknown"))
            continue
        decayed = [p for c in repair["conditions"] or () if c in conditions
                   for p in shapely.get_parts(conditions[c]["geometry"]) if p.geom_type == "Polygon"]
        turned = stone["bed"] == "edge"  # x of a face runs along the bed
        rings = [_ring(p, turned) for p in (stone["geometry"], *decayed)]
        try:
            face = donor_face(rings[0], rings[1:], depth_m=stone["depth_m"], cut_back_m=cut_back_m, parent=stone["id"],
                              bed=_FACE_BEDS.get(stone["bed"], "unknown"))
        except GeometryError as error:
            notes.append(f"{repair['id']}: {error.problem}")
            continue
        width, height = (float(v) for v in np.ptp(face.outline_m, axis=0))
        if min(width, height) < LEAST_SIDE_M:
            notes.append(f"{repair['id']}: too little of wall stone {stone['id']} is sound")
            continue
        name = f"D-{stone['id']}"
        yield ({"id": name, "stone_type": stone["stone_type"] or "unknown", "kind": stone["kind"], "provenance": f"wall stone {stone['id']}",
                "location": "in the wall", "length_m": width, "height_m": height, "depth_m": stone["depth_m"], "state": "future",
                "acceptance": "to test", "after_repair": repair["id"], "parent": None,
                "note": "Comes out with this repair's cut-out; sound and test it then"},
               {"id": f"{name}.1", "block": name, "outline": face.outline_m.tolist(), "usable_depth_m": stone["depth_m"],
                "bed": face.bed, "flaws": [{"kind": f.kind, "ring": f.ring_m.tolist(), "depth_m": None, "from_m": 0.0} for f in face.flaws],
                "finish": stone["finish"], "weathered": True, "width_m": width, "height_m": height})


def _ring(polygon: Any, turned: bool) -> Any:
    points = shapely.get_coordinates(polygon.exterior)[:-1]
    return np.column_stack([points[:, 1], -points[:, 0]]) if turned else points
