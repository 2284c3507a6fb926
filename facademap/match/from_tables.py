"""From the tables of a project to the numbers of a matching problem, and back to placements."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pandas as pd

from facademap.errors import FacademapError, InputError
from facademap.match.outlines import blank_of, turned
from facademap.match.problem import Block, Face, Flaw, Lock, Params, Problem, Repair
from facademap.match.solution import Solution
from facademap.photo.lab import difference_ciede2000
from facademap.repair.donors import BEFORE_CUT_OUT
from facademap.tables import is_missing

__all__ = [
    "LEAVE_UNMATCHED",
    "TableProblem",
    "flaws_mm",
    "placement_rows",
    "problem_from_tables",
    "ring_mm",
    "unmatched_changes",
]

#: Value of ``lock_block`` that leaves a piece without a block.
LEAVE_UNMATCHED = "-"
#: Placements in these states are locks by themselves.
LOCKED_STATES = frozenset({"approved", "reserved", "sawn"})


@dataclass(frozen=True, slots=True, kw_only=True)
class TableProblem:
    """A problem with what was left out of it and why.

    Parameters
    ----------
    problem : Problem
    piece_of : mapping of repair id to piece id
    left_out : mapping of block or repair id to reason
    donors : mapping of block id to repair id
        Blocks of the problem that are still in the wall, and the repair that they come out with. One that is no
        part of the problem has its piece already.
    """

    problem: Problem
    piece_of: Mapping[str, str]
    left_out: Mapping[str, str]
    donors: Mapping[str, str] = field(default_factory=dict)


def problem_from_tables(
    repairs: pd.DataFrame,
    pieces: pd.DataFrame,
    blocks: pd.DataFrame,
    faces: pd.DataFrame,
    placements: pd.DataFrame,
    *,
    params: Params | None = None,
    looks: Mapping[str, Mapping[str, float]] | None = None,
    donors: bool = False,
) -> TableProblem:
    """The matching problem of a project.

    Parameters
    ----------
    repairs, pieces, blocks, faces, placements : DataFrame
        Rows of the tables of that name.
    params : Params, optional
        Rules of the yard.
    looks : mapping of repair id to block id to cost, optional
        Appearance costs that replace the colour difference.
    donors : bool
        Use stone, too, that comes out of the wall with a repair that is to get a piece. It cannot have been tested.

    Returns
    -------
    TableProblem

    Raises
    ------
    InputError
        No piece to match, or no block that may be used.
    """
    locks = {
        p["repair"]: _full_lock(p) for p in _records(placements) if p["state"] in LOCKED_STATES
    }
    after = {
        b["id"]: b["after_repair"]
        for b in _records(blocks)
        if b["state"] == "future" and not is_missing(b["after_repair"])
    }
    stages = dict(zip(repairs["id"], repairs["stage"], strict=True))
    in_wall = {b: r for b, r in after.items() if donors and stages.get(r) in BEFORE_CUT_OUT}
    sawn = set(blocks["id"][blocks["state"].isin(["sawn", "used"])])

    def why_not(repair: str) -> str:
        return _why_not(repair, stage=stages.get(repair), asked=donors)

    while True:  # a repair without a piece is not cut out and yields no stone, which may cost another one its piece
        left_out: dict[str, str] = {}
        usable = [
            b
            for b in (_block(row, faces, in_wall, why_not, left_out) for row in _records(blocks))
            if b is not None
        ]
        known = {b.id for b in usable}
        wanted, piece_of = _wanted(repairs, pieces, known, locks, left_out)
        # a repair whose own block is sawn is no part of the problem, but has its piece
        yielding = piece_of.keys() | {r for r, lock in locks.items() if lock.block_id in sawn}
        lost = {b for b in known & in_wall.keys() if in_wall[b] not in yielding}
        if not lost:
            break
        in_wall = {b: r for b, r in in_wall.items() if b not in lost}
    if not wanted:
        raise InputError(
            "the project has no piece to match", "Plan the repairs first with facademap plan."
        )
    if not usable:
        raise InputError(
            "no block may be used", "Add blocks, and accept them after sounding and testing."
        )
    wanted = _only_true_colour_excludes(wanted, usable, faces)
    kept = {
        r: {b: c for b, c in costs.items() if b in known}
        for r, costs in (looks or {}).items()
        if r in piece_of
    }
    problem = Problem(
        repairs=tuple(wanted), blocks=tuple(usable), params=params or Params(), looks=kept
    )
    return TableProblem(
        problem=problem,
        piece_of=piece_of,
        left_out=left_out,
        donors={b: r for b, r in in_wall.items() if b in known},
    )


def _wanted(
    repairs: pd.DataFrame,
    pieces: pd.DataFrame,
    known: set[str],
    locks: Mapping[str, Lock],
    left_out: dict[str, str],
) -> tuple[list[Repair], dict[str, str]]:
    """Repairs that want a piece, and which piece that is."""
    outlines = repairs.set_index("id")
    wanted, piece_of = [], {}
    for piece in _records(pieces):
        if piece["repair"] not in outlines.index:
            left_out[piece["repair"]] = "the repair is missing"
            continue
        lock = locks.get(piece["repair"])
        if lock is not None and lock.block_id not in known:
            left_out[piece["repair"]] = (
                f"its piece comes from block {lock.block_id} ({left_out.get(str(lock.block_id), 'is not there')})"
            )
            continue
        try:
            wanted.append(_repair(piece, outlines.loc[piece["repair"]], known, lock))
            piece_of[piece["repair"]] = piece["id"]
        except FacademapError as error:
            left_out[piece["repair"]] = str(error)
    return wanted, piece_of


def _records(frame: pd.DataFrame) -> list[dict[str, Any]]:
    return [{str(k): v for k, v in row.items()} for row in frame.to_dict("records")]


def _repair(
    piece: Mapping[str, Any], repair: pd.Series, blocks: set[str], lock: Lock | None
) -> Repair:
    ring = np.asarray(repair["geometry"].exterior.coords)[:-1]
    outline = (ring - ring.min(axis=0)) * 1000.0
    edges = repair["edges"]
    if lock is None and not is_missing(piece["lock_block"]):
        name = str(piece["lock_block"])
        if name != LEAVE_UNMATCHED and name not in blocks:
            raise InputError(
                f"repair {piece['repair']} is locked to block {name}, which may not be used",
                "Lift the lock, or accept the block.",
            )
        lock = Lock(block_id=None if name == LEAVE_UNMATCHED else name)
    return Repair(
        id=piece["repair"],
        outline_mm=tuple((round(x, 4), round(y, 4)) for x, y in outline),
        depth_mm=piece["depth_m"] * 1000.0,
        joints_mm=tuple(e * 1000.0 for e in (edges or [0.003])),
        bed=piece["bed"],
        stone=piece["stone_type"],
        accept=tuple(piece["accept"] or ()),
        lab=None if is_missing(piece["lab"]) else tuple(piece["lab"]),
        de_tolerance=None if is_missing(piece["de_tolerance"]) else piece["de_tolerance"],
        finish=None if is_missing(piece["finish"]) else piece["finish"],
        weathered="required" if piece["weathered"] else "any",
        priority=float(repair["priority"]),
        lock=lock,
        forbid=tuple(b for b in piece["forbid_blocks"] or () if b in blocks),
        turn180=bool(piece["turn_180"]),
    )


def _only_true_colour_excludes(
    repairs: list[Repair], blocks: list[Block], faces: pd.DataFrame
) -> list[Repair]:
    """The repairs, so that the tolerance of colour shuts out no block whose picture was not calibrated.

    Where every face is calibrated nothing changes. Otherwise the tolerance gives way to a list of the blocks
    all of whose faces are calibrated and beyond it; the others rank.
    """
    true_faces = {f["id"] for f in _records(faces) if f["calibrated"] in (True, 1)}
    doubtful = {b.id for b in blocks if any(f.id not in true_faces for f in b.faces)}
    if not doubtful:
        return repairs
    result = []
    for repair in repairs:
        if repair.lab is None or repair.de_tolerance is None:
            result.append(repair)
            continue
        beyond = [
            b.id
            for b in blocks
            if b.id not in doubtful
            and all(
                float(difference_ciede2000(repair.lab, f.lab or b.lab)) > repair.de_tolerance + 1e-9
                for f in b.faces
            )
        ]
        bound = None if repair.lock is None else repair.lock.block_id
        forbid = tuple(dict.fromkeys((*repair.forbid, *(b for b in beyond if b != bound))))
        result.append(replace(repair, de_tolerance=None, forbid=forbid))
    return result


def _full_lock(placement: Mapping[str, Any]) -> Lock:
    return Lock(
        block_id=placement["block"],
        face_id=placement["face"],
        slab=int(placement["slab"]),
        x_mm=placement["x_m"] * 1000.0,
        y_mm=placement["y_m"] * 1000.0,
        rot_deg=int(placement["rotation_deg"]),
    )


def _block(
    row: Mapping[str, Any],
    faces: pd.DataFrame,
    in_wall: Mapping[str, str],
    why_not: Callable[[str], str],
    left_out: dict[str, str],
) -> Block | None:
    name = row["id"]
    if row["acceptance"] == "rejected":
        left_out[name] = "rejected"
        return None
    if name not in in_wall and row["state"] == "future" and not is_missing(row["after_repair"]):
        left_out[name] = why_not(row["after_repair"])
        return None
    if name not in in_wall and row["acceptance"] != "accepted":
        left_out[name] = "not accepted yet"
        return None
    if name not in in_wall and row["state"] not in ("available", "reserved"):
        left_out[name] = f"state is {row['state']}"
        return None
    own = faces[faces["block"] == name].to_dict("records")
    measured = [f for f in own if not is_missing(f["lab"])]
    if not measured:
        left_out[name] = "has no face" if not own else "no colour was measured"
        return None
    weight = 0.0 if is_missing(row["weight_kg"]) else float(row["weight_kg"])
    spreads = [f["spread"] for f in measured if not is_missing(f["spread"])]
    try:
        return Block(
            id=name,
            stone=row["stone_type"],
            lab=tuple(measured[0]["lab"]),
            spread=float(spreads[0]) if spreads else 0.0,
            weight_kg=weight,
            faces=tuple(_face(f) for f in measured),
        )
    except FacademapError as error:
        left_out[name] = str(error)
        return None


def _why_not(repair: str, *, stage: str | None, asked: bool) -> str:
    """Why stone of the wall is not used."""
    if stage is None or stage == "on hold":
        return f"still in the wall: repair {repair} is " + (
            "missing" if stage is None else "on hold"
        )
    if stage not in BEFORE_CUT_OUT:
        return f"it came out with repair {repair}: sound and test it, then accept it and set its state to available"
    if asked:
        return f"still in the wall: repair {repair}, with which it comes out, cannot get a piece"
    return f"still in the wall: it comes out with repair {repair}; facademap match --donors uses such stone"


def _face(row: Mapping[str, Any]) -> Face:
    return Face(
        id=row["id"],
        outline_mm=ring_mm(row["outline"]),
        depth_mm=row["usable_depth_m"] * 1000.0,
        bed=row["bed"],
        flaws=flaws_mm(row),
        lab=tuple(row["lab"]),
        finish=None if is_missing(row["finish"]) else row["finish"],
        weathered=bool(row["weathered"]),
    )


def flaws_mm(face: Mapping[Any, Any]) -> tuple[Flaw, ...]:
    """The flaws of a row of the table of faces."""
    return tuple(
        Flaw(
            outline_mm=ring_mm(f["ring"]),
            depth_mm=None if is_missing(f.get("depth_m")) else f["depth_m"] * 1000.0,
            from_mm=(f.get("from_m") or 0.0) * 1000.0,
        )
        for f in face["flaws"] or ()
    )


def ring_mm(ring: Sequence[Sequence[float]]) -> tuple[tuple[float, float], ...]:
    """A ring in metres as one in millimetres."""
    return tuple((round(x * 1000.0, 4), round(y * 1000.0, 4)) for x, y in ring)


def placement_rows(
    table_problem: TableProblem,
    solution: Solution,
    *,
    plan_id: str,
    states: Mapping[str, str] | None = None,
) -> list[dict[str, Any]]:
    """Rows of the table of placements for a solution; ``states`` keeps what was approved, by repair."""
    problem = table_problem.problem
    repairs, blocks = {r.id: r for r in problem.repairs}, {b.id: b for b in problem.blocks}
    rows = []
    for place in solution.placements:
        repair, block = repairs[place.repair_id], blocks[place.block_id]
        face = block.face(place.face_id)
        de00, visual = appearance_cost(problem, repair, block, face)
        slabs = solution.slabs.get(place.block_id)
        blank = blank_of(repair, problem.params)
        ring = turned(
            blank.outline_mm, place.rot_deg, width_mm=blank.width_mm, height_mm=blank.height_mm
        )
        rows.append(
            {
                "id": f"{plan_id}:{place.repair_id}",
                "plan": plan_id,
                "repair": place.repair_id,
                "piece": table_problem.piece_of[place.repair_id],
                "block": place.block_id,
                "face": place.face_id,
                "slab": place.slab,
                "slab_thicknesses": [
                    t / 1000.0 for t in (slabs.thickness_mm if slabs else (face.depth_mm,))
                ],
                "x_m": place.x_mm / 1000.0,
                "y_m": place.y_mm / 1000.0,
                "rotation_deg": place.rot_deg,
                "de00": de00,
                "visual": visual,
                "state": (states or {}).get(place.repair_id, "proposed"),
                "blank": [[(x + place.x_mm) / 1000.0, (y + place.y_mm) / 1000.0] for x, y in ring],
            }
        )
    return rows


def appearance_cost(
    problem: Problem, repair: Repair, block: Block, face: Face
) -> tuple[float, float]:
    """CIEDE2000 between block and neighbourhood (NaN where none is wanted), and the whole cost of appearance."""
    lab = face.lab or block.lab
    de00 = float("nan") if repair.lab is None else float(difference_ciede2000(repair.lab, lab))
    given = problem.looks.get(repair.id, {}).get(block.id)
    colour = (
        given
        if given is not None
        else (0.0 if repair.lab is None else de00) + problem.params.spread_weight * block.spread
    )
    finish = (
        problem.params.finish_penalty
        if repair.finish is not None and repair.finish != face.finish
        else 0.0
    )
    return de00, colour + finish


def unmatched_changes(table_problem: TableProblem, solution: Solution) -> dict[str, dict[str, Any]]:
    """Changes of the table of pieces, by piece: why it has no block and what to look for; cleared where it has."""
    changes: dict[str, dict[str, Any]] = {
        piece: {"unmatched_reason": None, "source_size": None}
        for piece in table_problem.piece_of.values()
    }
    for item in solution.unmatched:
        changes[table_problem.piece_of[item.repair_id]] = {
            "unmatched_reason": item.reason,
            "source_size": [s / 1000.0 for s in item.source_mm],
        }
    return changes
