"""Saw plans of all opened blocks from the tables of a project, replayed; what cannot be sawn is named."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import pandas as pd
import shapely
import shapely.affinity

from facademap.errors import FacademapError, InputError
from facademap.match.from_tables import flaws_mm, ring_mm
from facademap.match.problem import TOLERANCE_MM, Params
from facademap.match.replay import replay
from facademap.match.saw_model import Blank, SawOrder, SawPlan
from facademap.match.sawing import saw
from facademap.tables import is_missing

__all__ = ["Refused", "blank_depth_mm", "sawing_of"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Refused:
    """A block that cannot be sawn as planned, with the pieces that wait for it."""

    block_id: str
    pieces: tuple[str, ...]
    problem: str
    remedy: str


def sawing_of(
    frames: Mapping[str, pd.DataFrame], params: Params
) -> tuple[tuple[SawPlan, ...], tuple[Refused, ...]]:
    """Saw plans of every block with a placement, in the order of their ids.

    Parameters
    ----------
    frames : mapping of table name to frame
        ``faces, pieces, placements``.
    params : Params
        Rules of the yard.

    Returns
    -------
    plans, refused
        A plan is given only when its replay ends with exactly the pieces.
    """
    faces = {f["id"]: f for f in frames["faces"].to_dict("records")}
    pieces = {p["id"]: p for p in frames["pieces"].to_dict("records")}
    on: dict[str, list[dict[Any, Any]]] = {}
    for place in frames["placements"].to_dict("records"):
        on.setdefault(str(place["block"]), []).append(place)
    plans, refused = [], []
    for block in sorted(on):
        names = tuple(sorted(str(p["piece"]) for p in on[block]))
        try:
            plan = saw(_order(block, on[block], faces, pieces, params), params)
        except FacademapError as error:
            refused.append(
                Refused(block_id=block, pieces=names, problem=error.problem, remedy=error.remedy)
            )
            continue
        faults = replay(plan)
        if faults:
            refused.append(
                Refused(
                    block_id=block,
                    pieces=names,
                    problem=f"the saw plan does not come out: {faults[0]}",
                    remedy="Match again; report this if it stays.",
                )
            )
        else:
            plans.append(plan)
    return tuple(plans), tuple(refused)


def _order(
    block: str,
    places: list[dict[Any, Any]],
    faces: Mapping[str, Mapping[Any, Any]],
    pieces: Mapping[str, Mapping[Any, Any]],
    params: Params,
) -> SawOrder:
    names = sorted({str(p["face"]) for p in places})
    if len(names) > 1:
        raise InputError(
            f"block {block} is worked from {' and '.join(names)}",
            "Keep the pieces of one face and match the others again.",
        )
    face = faces.get(names[0])
    if face is None:
        raise InputError(f"block {block} has no face {names[0]}", "Match again.")
    return SawOrder(
        block_id=block,
        face_id=names[0],
        outline_mm=ring_mm(face["outline"]),
        depth_mm=float(face["usable_depth_m"]) * 1000.0,
        thickness_mm=_thickness(block, places, face),
        blanks=tuple(_blank(block, p, face, pieces, params) for p in places),
        flaws=tuple(flaws_mm(face)),
    )


def _thickness(
    block: str, places: list[dict[Any, Any]], face: Mapping[Any, Any]
) -> tuple[float, ...]:
    """Slabs of a block; all its placements must tell the same."""
    told = {
        tuple(round(float(t) * 1000.0, 4) for t in p["slab_thicknesses"])
        for p in places
        if not is_missing(p["slab_thicknesses"])
    }
    if len(told) > 1:
        raise InputError(
            f"the pieces on block {block} were planned with different slabs", "Match again."
        )
    return told.pop() if told else (float(face["usable_depth_m"]) * 1000.0,)


def blank_depth_mm(
    place: Mapping[Any, Any], face: Mapping[Any, Any], piece: Mapping[Any, Any], params: Params
) -> float:
    """Depth to which a blank is sawn: the piece and its dressing, which a weathered face that is kept does not need."""
    keeps = not int(place["slab"] or 0) and bool(face["weathered"]) and bool(piece["weathered"])
    return float(piece["depth_m"]) * 1000.0 + (0.0 if keeps else params.depth_allow_mm)


def _blank(
    block: str,
    place: Mapping[Any, Any],
    face: Mapping[Any, Any],
    pieces: Mapping[str, Mapping[Any, Any]],
    params: Params,
) -> Blank:
    piece = pieces.get(place["piece"])
    if piece is None:
        raise InputError(f"piece {place['piece']} on block {block} is missing", "Match again.")
    if is_missing(place["blank"]):
        raise InputError(f"piece {place['piece']} has no blank on block {block}", "Match again.")
    ring = ring_mm(place["blank"])
    if not _holds(ring, piece, int(place["rotation_deg"] or 0)):
        raise InputError(
            f"piece {place['piece']} as it is now does not lie in its blank on block {block}",
            "Match it again: facademap match --again.",
        )
    return Blank(
        piece_id=str(place["piece"]),
        slab=int(place["slab"] or 0),
        outline_mm=ring,
        depth_mm=blank_depth_mm(place, face, piece, params),
    )


def _holds(ring: tuple[tuple[float, float], ...], piece: Mapping[Any, Any], turn: int) -> bool:
    """Whether the piece, turned as placed, can lie somewhere in its blank."""
    blank = shapely.Polygon(ring).buffer(TOLERANCE_MM, join_style="mitre")
    outline = piece["geometry"]
    shape = shapely.affinity.scale(
        shapely.affinity.rotate(outline, turn, origin=(0, 0)), 1000.0, 1000.0, origin=(0, 0)
    )
    corners = shapely.get_coordinates(shape.exterior)[:-1]
    x, y = corners[0]
    room: shapely.Geometry = shapely.affinity.translate(blank, -x, -y)
    for x, y in corners[1:]:
        room = room.intersection(shapely.affinity.translate(blank, -x, -y))
    if room.is_empty:
        return False
    return any(
        bool(blank.covers(shapely.affinity.translate(shape, p.x, p.y)))
        for p in (room.centroid, room.representative_point())
    )
