"""The blocks for one repair in order of how well they look, with every part of the judgement."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np

from facademap.errors import InputError
from facademap.match.candidates import need_mm
from facademap.match.freespace import FreeSpace, turns_allowed
from facademap.match.from_tables import TableProblem, appearance_cost
from facademap.match.layouts import Layouts
from facademap.match.outlines import blank_of
from facademap.match.problem import Block, Face, Params, Problem, Repair
from facademap.salvage.seen_face import seen_face
from facademap.store.project import Project
from facademap.tables import is_missing
from facademap.tasks.match.match import load_problem
from facademap.tasks.yard.block_looks import looks_in_parts

__all__ = ["RankedFace", "parts_of_looks", "rank_blocks"]

_TOLERANCE_MM = 0.01
_NO_PLACE = "no clear place of that size: the outline of the face or a flaw is in the way"


@dataclass(frozen=True, slots=True, kw_only=True)
class RankedFace:
    """One face of a block, judged for one repair.

    Parameters
    ----------
    block, face : str
        Ids.
    fits : bool
        Whether every hard rule is kept, and the piece finds a place on the face with nothing else on it; whether it does
        beside the other pieces is found when the matching is solved.
    de00 : float
        CIEDE2000 to the neighbourhood (``None`` where no colour is wanted).
    parts : mapping
        What each part adds to the cost: ``colour``, ``spread``, ``finish``, and where pictures of both were measured
        ``distribution`` and ``grain``.
    cost : float
        Their sum; smaller looks better.
    reasons : tuple of str
        Hard rules that are broken, in words.
    spare_mm : tuple of float
        What is left over in width, height and depth (negative: too small).
    seen : str
        What has to be said of the surface that would show: where the piece is planned from inside this block, or the face
        has no photo; empty where it was photographed.
    """

    block: str
    face: str
    fits: bool
    de00: float | None
    parts: Mapping[str, float]
    cost: float
    reasons: tuple[str, ...]
    spare_mm: tuple[float, float, float]
    turn_deg: int
    used_by: tuple[str, ...] = ()
    seen: str = ""


def rank_blocks(
    project: Project, repair: str, *, table_problem: TableProblem | None = None
) -> dict[str, Any]:
    """All faces of all usable blocks for a repair, those that keep every hard rule first, best-looking first.

    Parameters
    ----------
    table_problem : TableProblem, optional
        Of the project as it stands, where it is known already.

    Raises
    ------
    InputError
        The repair needs no piece, or its piece cannot be matched.
    """
    table_problem = table_problem or load_problem(project)
    problem = table_problem.problem
    wanted = next((r for r in problem.repairs if r.id == repair), None)
    if wanted is None:
        reason = table_problem.left_out.get(repair)
        raise InputError(
            f"repair {repair} has no piece to match" + (f": {reason}" if reason else ""),
            "Plan it as an inset or a whole stone, or correct its piece.",
        )
    used: dict[str, list[str]] = {}
    rows = {f["id"]: f for f in project.read("faces").to_dict("records")}
    planned: dict[str, Mapping[Any, Any]] = {}
    for place in project.read("placements").to_dict("records"):
        if place["repair"] == repair:
            planned[place["face"]] = place
        else:
            used.setdefault(place["block"], []).append(place["repair"])
    faces, measured = [], looks_in_parts(project, repair)
    # no lock on a place, slab or turn: what is asked is where the piece could lie
    alone = replace(problem, repairs=(replace(wanted, lock=None),), looks={})
    layouts = Layouts(FreeSpace(alone, compiled=False))
    for b, block in enumerate(problem.blocks):
        for f, face in enumerate(block.faces):
            judged = _judge(wanted, face, block.stone, problem.params)
            if not judged[0] and not layouts.fits_alone(0, b, f):
                judged = ((_NO_PLACE,), *judged[1:])
            de00, whole = appearance_cost(problem, wanted, block, face)
            parts = parts_of_looks(problem, wanted, block, face, measured.get(block.id))
            faces.append(
                RankedFace(
                    block=block.id,
                    face=face.id,
                    fits=not judged[0],
                    de00=None if is_missing(de00) else de00,
                    parts=parts,
                    cost=whole,
                    reasons=judged[0],
                    spare_mm=judged[1],
                    turn_deg=judged[2],
                    used_by=tuple(sorted(used.get(block.id, ()))),
                    seen=seen_face(planned.get(face.id), rows[face.id]).words,
                )
            )
    faces.sort(key=lambda f: (not f.fits, len(f.reasons), f.cost, f.block, f.face))
    size = blank_of(wanted, problem.params)
    return {
        "repair": repair,
        "blank_mm": [size.width_mm, size.height_mm, wanted.depth_mm],
        "lab": wanted.lab,
        "faces": [asdict(f) for f in faces],
        "left_out": {
            k: v for k, v in table_problem.left_out.items() if k not in table_problem.piece_of
        },
    }


def parts_of_looks(
    problem: Problem, repair: Repair, block: Block, face: Face, measured: Mapping[str, float] | None
) -> dict[str, float]:
    """What each part adds to the cost of a face's looks; ``measured`` from :func:`facademap.tasks.yard.block_looks.looks_in_parts`."""
    de00, whole = appearance_cost(problem, repair, block, face)
    if measured is not None and block.id in problem.looks.get(repair.id, {}):
        parts = {
            "colour": measured["mean"],
            **{n: measured[n] for n in ("spread", "distribution", "grain")},
        }
    else:
        parts = {
            "colour": 0.0 if is_missing(de00) else de00,
            "spread": problem.params.spread_weight * block.spread,
        }
    return {**parts, "finish": max(0.0, whole - sum(parts.values()))}


def _judge(
    repair: Repair, face: Face, stone: str, params: Params
) -> tuple[tuple[str, ...], tuple[float, float, float], int]:
    """Broken rules in words, what is left over, and the turn that leaves most."""
    reasons = []
    if stone not in (repair.stone, *repair.accept):
        reasons.append(f"{stone}, not {repair.stone}")
    turns = turns_allowed(repair, face)
    if not turns:
        reasons.append(
            {
                "parallel": "the bed lies parallel to the face",
                "unknown": "the bed is not known",
            }.get(face.bed, "the bed lies the wrong way")
        )
    need = need_mm(repair, face, params, slab=0)
    deep = face.depth_mm - need
    if deep < -_TOLERANCE_MM:
        reasons.append(f"{-deep:.0f} mm too thin")
    if repair.weathered == "required" and not face.weathered:
        reasons.append("not weathered")
    if repair.lab is not None and repair.de_tolerance is not None and face.lab is not None:
        from facademap.photo.lab import difference_ciede2000

        if float(difference_ciede2000(repair.lab, face.lab)) > repair.de_tolerance:
            reasons.append(f"colour differs by more than {repair.de_tolerance:g}")
    blank = blank_of(repair, params)
    ring = np.asarray(face.outline_mm, dtype=float)
    width, height = np.ptp(ring, axis=0)
    choices = [
        (min(width - w, height - h), width - w, height - h, turn)
        for turn in (turns or (0,))
        for w, h in [
            (blank.width_mm, blank.height_mm)
            if turn % 180 == 0
            else (blank.height_mm, blank.width_mm)
        ]
    ]
    least, wide, high, turn = max(choices)
    if least < -_TOLERANCE_MM:
        reasons.append(f"{-least:.0f} mm too small")
    return tuple(reasons), (float(wide), float(high), float(deep)), int(turn)
