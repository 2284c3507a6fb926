"""What stands on a cut ticket, gathered from the tables."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import pandas as pd

from facademap.match.saw_model import SawPlan
from facademap.match.saw_tables import Refused
from facademap.match.solids import Solid
from facademap.repair.assembly import Assembly
from facademap.repair.consents import open_consents
from facademap.repair.donors import WallStone, wall_stone_of
from facademap.repair.replay import Fault
from facademap.repair.settings import Settings
from facademap.repair.steps import Step
from facademap.repair.ways import Way, way_of
from facademap.report.code_words import PLAIN_CODE, code_of
from facademap.report.insets import go_through
from facademap.report.materials import Materials, Rod, number, read_materials, read_rods
from facademap.report.measures import Measures
from facademap.report.rows import rows_of
from facademap.tables import is_missing
from facademap.treatment import BEARING, carrying_cautions, carrying_parts, poison_flags

__all__ = ["Ticket", "make_tickets"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Ticket:
    """Everything that stands on one ticket.

    Parameters
    ----------
    piece, repair : mapping
        Rows of the project's tables.
    place, block, face, stone : mapping, optional
        Placement, block, face and wall stone, where there are any.
    neighbours : sequence of mapping
        Other placements on the same slab of the same face.
    link : str
        What the QR code says.
    from_wall : WallStone, optional
        Where the piece's own stone is not out of the wall, or not accepted since.
    yields : tuple of WallStone
        Pieces that are to come out of the stone that this repair takes out.
    yields_kg : float, optional
        Weight of that stone.
    assembly : Assembly, optional
        The piece with its rods and joints as solids, where it can be read.
    faults : tuple of Fault
        What failed when its setting was gone through: then there is no ticket to work from.
    blank : Solid, optional
        The piece as it comes off the saw, where its saw plan was followed to the end.
    not_sawn : str
        Why its block cannot be sawn as planned; empty where it can.
    waits : tuple of str
        What keeps the stone from being cut out: why the repair is held back, conditions of consents that are not met.
    poisons : tuple of str
        What may be poisonous where it is worked, flagged for assessment.
    carrying : tuple of str
        Caution and deferral where the cut-out reaches into stone that may carry, as the wall is drawn now.
    """

    piece: Mapping[str, Any]
    repair: Mapping[str, Any]
    elevation: str
    surface: str
    project: str
    link: str
    place: Mapping[str, Any] | None = None
    block: Mapping[str, Any] | None = None
    face: Mapping[str, Any] | None = None
    stone: Mapping[str, Any] | None = None
    neighbours: Sequence[Mapping[str, Any]] = ()
    rods: tuple[Rod, ...] = ()
    materials: Materials = field(default_factory=Materials)
    criteria: tuple[str, ...] = ()
    steps: tuple[tuple[Step, tuple[str, ...]], ...] = ()
    from_wall: WallStone | None = None
    yields: tuple[WallStone, ...] = ()
    yields_kg: float | None = None
    assembly: Assembly | None = None
    faults: tuple[Fault, ...] = ()
    blank: Solid | None = None
    not_sawn: str = ""
    waits: tuple[str, ...] = ()
    poisons: tuple[str, ...] = ()
    carrying: tuple[str, ...] = ()

    @property
    def say(self) -> Measures:
        """How its figures are said."""
        return self.materials.say

    @property
    def way(self) -> Way:
        """How the piece is set."""
        return way_of(self.repair)

    @property
    def measured(self) -> bool:
        """Whether the sizes are those of the cut-out as measured."""
        return not bool(self.piece["provisional"])


def make_tickets(
    frames: Mapping[str, pd.DataFrame],
    *,
    project: str,
    settings: Settings,
    link: str = PLAIN_CODE,
    criteria: Sequence[str] = (),
    sawing: tuple[Sequence[SawPlan], Sequence[Refused]] = ((), ()),
    steps: Mapping[str, Sequence[tuple[Step, tuple[str, ...]]]] | None = None,
) -> list[Ticket]:
    """One ticket for each piece, from the top lift down, by elevation and repair.

    Parameters
    ----------
    frames : mapping of table name to frame
        As read from a project.
    project : str
        Name of the project.
    settings : Settings
        Trade values against which the setting of every piece is gone through.
    link : str
        Address of a repair, ``{repair}`` standing for its id.
    criteria : sequence of str
        Criteria to be met, in short; the usual ones where none are given.
    steps : mapping of treatment to sequence of (Step, criteria), optional
        The setting in order, with the names of the criteria of this office; the usual ones where none are given.
    sawing : pair of sequences
        Saw plans and blocks that cannot be sawn, from :func:`facademap.match.sawing_of`.
    """
    blanks = {piece: p.solids[s] for p in sawing[0] for piece, s in p.pieces.items()}
    not_sawn = {piece: r.problem for r in sawing[1] for piece in r.pieces}
    rows = {
        name: {r["id"]: r for r in rows_of(frames[name])} if name in frames else {}
        for name in (
            "elevations",
            "surfaces",
            "wall_stones",
            "repairs",
            "pieces",
            "blocks",
            "faces",
            "placements",
            "conditions",
        )
    }
    consents = rows_of(frames["consents"]) if "consents" in frames else []
    bearing: dict[str, list[tuple[Any, str]]] = {}
    for s in rows["wall_stones"].values():
        if s["part"] in BEARING and s["geometry"] is not None and s["geometry"].is_valid:
            bearing.setdefault(str(s["surface"]), []).append((s["geometry"], str(s["part"])))
    place_of = {p["piece"]: p for p in rows["placements"].values()}
    on_slab: dict[tuple[Any, ...], list[Mapping[str, Any]]] = {}
    for p in rows["placements"].values():
        on_slab.setdefault((p["face"], p["slab"]), []).append(p)
    needed = {n: frames[n] for n in ("placements", "blocks", "repairs") if n in frames}
    uses = wall_stone_of(**needed) if len(needed) == 3 else ()
    from_wall = {u.piece: u for u in uses}
    insets = go_through(frames, settings)
    tickets = []
    for piece in rows["pieces"].values():
        repair = rows["repairs"].get(piece["repair"])
        if repair is None:
            continue
        surface = rows["surfaces"].get(piece["surface"], {})
        place = place_of.get(piece["id"])
        assembly, gone_through = insets[str(piece["id"])]
        yields = tuple(u for u in uses if u.donor == repair["id"])
        tickets.append(
            Ticket(
                piece=piece,
                repair=repair,
                project=project,
                link=code_of(
                    link,
                    repair=str(repair["id"]),
                    piece=str(piece["id"]),
                    block="" if place is None else str(place["block"]),
                ),
                elevation=str(rows["elevations"].get(surface.get("elevation"), {}).get("name", "")),
                surface=str(surface.get("name", piece["surface"])),
                place=place,
                block=rows["blocks"].get(place["block"]) if place else None,
                face=rows["faces"].get(place["face"]) if place else None,
                stone=rows["wall_stones"].get(repair["wall_stone"]),
                neighbours=[
                    p for p in on_slab[(place["face"], place["slab"])] if p["id"] != place["id"]
                ]
                if place
                else [],
                rods=read_rods(repair["pins"]),
                materials=read_materials(repair["materials"], inches=settings.inches),
                criteria=tuple(criteria),
                steps=tuple((steps or {}).get(str(repair["treatment"]), ())),
                from_wall=from_wall.get(str(piece["id"])),
                yields=yields,
                assembly=assembly,
                faults=gone_through.faults,
                blank=blanks.get(str(piece["id"])),
                not_sawn=not_sawn.get(str(piece["id"]), ""),
                waits=(
                    *(() if is_missing(repair["held_back"]) else (str(repair["held_back"]),)),
                    *open_consents(consents, repair),
                ),
                carrying=carrying_cautions(
                    carrying_parts(
                        repair,
                        rows["wall_stones"].get(repair["wall_stone"]),
                        bearing.get(str(repair["surface"]), ()),
                    )
                ),
                poisons=poison_flags(
                    [
                        rows["conditions"][str(c)]
                        for c in repair["conditions"] or ()
                        if str(c) in rows["conditions"]
                    ]
                ),
                yields_kg=number(rows["blocks"][yields[0].block]["weight_kg"]) if yields else None,
            )
        )
    return sorted(
        tickets,
        key=lambda t: (
            # the top lift first, as the work goes down; what stands on no lift comes last
            1 if is_missing(t.repair["lift"]) else -int(t.repair["lift"]),
            t.elevation,
            str(t.repair["id"]),
            str(t.piece["id"]),
        ),
    )
