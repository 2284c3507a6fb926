"""Blocks to come: what sawing leaves, and what whole stones yield once they are out of the wall."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from facademap.errors import InputError
from facademap.io.match_files import solution_from_json
from facademap.match.remainders import Remainder, remainders_of
from facademap.match.saw_tables import sawing_of
from facademap.match.verification import verify
from facademap.repair.block_weights import BlockWeights, weights_of_block
from facademap.store.edit import Edit
from facademap.store.gate import consequences_of, store_large, take_out
from facademap.store.project import Project
from facademap.tables import is_missing
from facademap.tasks.match.match import load_problem
from facademap.tasks.match.yard_rules import rules_of_yard
from facademap.tasks.plan.densities import densities_of_project
from facademap.tasks.yard.donors import donors_to_come

__all__ = ["bring_back_stone"]

_SAWN = frozenset({"sawn", "used"})
Pair = tuple[dict[str, Any], dict[str, Any]]


def bring_back_stone(folder: str | Path, *, who: str = "yard") -> dict[str, Any]:
    """Enter the remainders of the saw plans and the donors of whole-stone repairs as blocks to come.

    Blocks of an earlier run that are still to come are replaced; a remainder whose parent was sawn
    becomes available and stays. Blocks to come are in state ``future``: remainders are never matched, so that no
    stone is given away twice, and donors only where that is asked for. A donor from which a piece is planned stays;
    what a person said of its acceptance stays too. Without a plan only donors are entered.

    Returns
    -------
    dict
        ``remainders``, ``donors`` (blocks to come), ``released`` (now available), ``notes``.

    Raises
    ------
    InputError
        Neither plan nor donors, or a plan that no longer fits the project.
    """
    notes: list[str] = []
    with Project.open(folder) as project:
        blocks = project.read("blocks")
        by_id = {b["id"]: b for b in blocks.to_dict("records")}
        faces = {f["id"]: f for f in project.read("faces").to_dict("records")}
        donors = list(donors_to_come(project, notes))
        if project.read("plans", where={"current": True}).empty and donors:
            notes.append("the project has no plan yet, so nothing is sawn: donors only")
            remainders: list[Pair] = []
        else:
            remainders = list(_remainders(project, by_id, faces, notes))
        placements = project.read("placements")
        placed, bound = (
            set(placements["block"]),
            set(placements["block"][placements["state"] != "proposed"]),
        )
        to_come = {
            b: row
            for b, row in by_id.items()
            if row["state"] == "future"
            and not (is_missing(row["parent"]) and is_missing(row["after_repair"]))
        }
        released = [
            b
            for b, row in to_come.items()
            if not is_missing(row["parent"]) and by_id.get(row["parent"], {}).get("state") in _SAWN
        ]
        settled = {b for b in by_id if b not in to_come} | set(released)
        fresh = [
            (_as_judged(b, to_come.get(b["id"])), f)
            for b, f in (*remainders, *donors)
            if b["id"] not in settled
        ]
        names = {b["id"] for b, _ in fresh}
        kept = {b for b in to_come if b in bound or (b in placed and b not in names)}
        notes += [
            f"{b} stays as it is: a piece is planned from it, "
            + (
                "though its stone is no donor any more; match again"
                if b not in names
                else "and that was approved"
            )
            for b in sorted(kept)
        ]
        fresh = [(b, f) for b, f in fresh if b["id"] not in kept]

        def store(edit: Edit) -> None:
            for name in released:
                edit.update("blocks", name, {"state": "available"})
            for name in sorted(to_come.keys() - names - set(released) - kept):
                take_out(edit, project, consequences_of(project, [("blocks", name)]))
            edit.put("blocks", [b for b, _ in fresh])
            edit.put("faces", [f for _, f in fresh])

        store_large(project, store, who=who, what="remainders and donors")
        fresh += [(to_come[b], {}) for b in kept]
    coming = [b for b, _ in fresh]
    return {
        "remainders": sum(not is_missing(b["parent"]) for b in coming),
        "donors": sum(is_missing(b["parent"]) for b in coming),
        "released": len(released),
        "notes": notes,
    }


def _as_judged(block: dict[str, Any], before: dict[str, Any] | None) -> dict[str, Any]:
    """A donor with what was said of its stone before it was entered anew."""
    if before is None or is_missing(before["after_repair"]) or before["acceptance"] == "to test":
        return block
    return {
        **block,
        "acceptance": before["acceptance"],
        "acceptance_checks": before["acceptance_checks"],
    }


def _remainders(
    project: Project, blocks: dict[str, Any], faces: dict[str, Any], notes: list[str]
) -> Iterator[Pair]:
    """What the saw plans leave, block by block, under the numbers that stand on their sheets."""
    plans = project.read("plans", where={"current": True}).to_dict("records")
    if not plans:
        raise InputError(
            "the project has no plan yet, so nothing is sawn", "Match first with facademap match."
        )
    solution, table_problem = solution_from_json(plans[-1]["solution"]), load_problem(project)
    known = {b.id for b in table_problem.problem.blocks}
    if all(p.block_id in known for p in solution.placements) and verify(
        table_problem.problem, solution
    ):
        raise InputError(
            "the plan no longer fits repairs and blocks", "Match again with facademap match."
        )
    placements = project.read("placements")
    ahead = placements[~placements["block"].map(lambda b: blocks[b]["state"] in _SAWN)]
    frames = {"faces": project.read("faces"), "pieces": project.read("pieces"), "placements": ahead}
    sawn, refused = sawing_of(frames, rules_of_yard(project))
    notes += [f"{r.problem}: nothing is entered of it; {r.remedy}" for r in refused]
    densities = densities_of_project(project)
    for plan in sawn:
        weights = weights_of_block(blocks[plan.block_id], densities=densities)
        for left in remainders_of(plan):
            yield _remainder(left, blocks[plan.block_id], faces[plan.order.face_id], weights)


def _remainder(
    left: Remainder, parent: dict[str, Any], face: dict[str, Any], weights: BlockWeights
) -> Pair:
    outline = np.asarray(left.solid.outline_mm) / 1000
    width, height, depth = (s / 1000 for s in left.solid.size_mm)
    front = left.old_face
    block = {
        "id": left.id,
        "stone_type": parent["stone_type"],
        "kind": parent["kind"],
        "provenance": parent["provenance"],
        "location": parent["location"],
        "length_m": width,
        "height_m": height,
        "depth_m": depth,
        "weight_kg": round(weights.kg(left.solid.volume_mm3), 2),
        "weight_status": "from density",
        "state": "future",
        "acceptance": parent["acceptance"],
        "acceptance_checks": parent["acceptance_checks"],
        "after_repair": None,
        "parent": parent["id"],
        "note": f"Remainder; {left.faces}"
        + ("" if front else ". Nobody has seen its face: photograph it before it is matched"),
    }
    kept = (
        "calibrated",
        "wetness",
        "lab",
        "lab_covariance",
        "lab_n",
        "spread",
        "appearance",
        "photo",
        "photo_matrix",
    )
    return block, {
        "id": f"{left.id}.1",
        "block": left.id,
        "outline": outline.tolist(),
        "usable_depth_m": depth,
        "bed": face["bed"],
        "flaws": [
            {
                "kind": "flaw",
                "ring": (np.asarray(f.outline_mm) / 1000).tolist(),
                "depth_m": None if f.depth_mm is None else f.depth_mm / 1000,
                "from_m": f.from_mm / 1000,
            }
            for f in left.flaws
        ],
        "finish": face["finish"] if front else "sawn",
        "weathered": bool(face["weathered"]) and front,
        "width_m": width,
        "height_m": height,
        "size_pm95_m": face["size_pm95_m"],
        **({k: face[k] for k in kept} if front else {}),
    }
