"""The pieces to cut: size after joints, depth after bedding, bed, finish, pins, mortar, weight and cautions."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
from shapely.geometry import Polygon

from facademap.errors import FacademapError, GeometryError
from facademap.repair.assembly import Assembly, groove_lines
from facademap.repair.cautions import cautions_for, hold_points
from facademap.repair.edge_plan import plan_edges, spacer_sum
from facademap.repair.fixings import BEFORE, FIXINGS
from facademap.repair.handling import Lift, hse_filter_kg, niosh_lift
from facademap.repair.mix_choice import with_mix
from facademap.repair.mixes import DEFAULT_MIX, Mix, mix_named
from facademap.repair.mortar import MortarVolumes, mortar_volumes
from facademap.repair.moulding import profile_over, projection_over
from facademap.repair.offsets import offset_edges
from facademap.repair.pins import PinLayout, drilling_template, set_out_pins
from facademap.repair.replay import Fault, replay
from facademap.repair.rows import frame_of, rows_of
from facademap.repair.settings import Settings
from facademap.repair.stonework import Stone, Stonework, side_of
from facademap.repair.tools import check_saw
from facademap.repair.ways import Way, way_of
from facademap.repair.work_hours import WorkRates, hours_of_repair
from facademap.salvage.densities import StoneDensity, density_of
from facademap.tables import PIECED, PIECES, REPAIRS, is_missing
from facademap.values import frozen_value

__all__ = ["Gap", "PieceDesign", "bed_of_piece", "design_piece", "design_pieces"]

_HSE_ZONES = ("knuckle", "elbow")
PROJECTING = frozenset({"string course", "cornice", "coping", "sill"})
OVERHEAD = frozenset({"lintel", "voussoir"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Gap:
    """Something that could not be planned: what it is about, what is wrong and what to change."""

    about: str
    problem: str
    remedy: str
    asks: tuple[str, ...] = ()

    def as_json(self) -> dict[str, Any]:
        """Plain mapping; ``asks`` names the columns that are wanted."""
        plain: dict[str, Any] = {
            "about": self.about,
            "problem": self.problem,
            "remedy": self.remedy,
        }
        return {**plain, "asks": list(self.asks)} if self.asks else plain


@frozen_value
@dataclass(frozen=True, slots=True, kw_only=True)
class PieceDesign:
    """Pieces, the repairs with their pins, materials and cautions filled in, and what could not be designed."""

    pieces: gpd.GeoDataFrame
    repairs: gpd.GeoDataFrame
    gaps: tuple[Gap, ...]


def bed_of_piece(stone: Stone) -> tuple[str, str]:
    """Trace of the bed wanted on the face of the piece, and why.

    References
    ----------
    Notes on Building Construction, Stonework (chestofbooks): beds level in plain walling; upright and at right
    angles to the face in undercut cornices, string courses and projecting copings; never parallel to the face.
    """
    if stone.kind == "igneous" and stone.bed == "unknown":
        return "any", "No bed in igneous rock; keep the rift as in the neighbours where it shows."
    if stone.part in ("cornice", "string course", "coping"):
        return "edge", "Projecting and undercut: bed upright, at right angles to the face."
    if stone.part == "voussoir":
        return (
            "edge" if stone.bed == "unknown" else _trace(stone.bed)
        ), "Voussoir: bed at right angles to the thrust; check on site."
    if stone.bed == "parallel":
        return (
            "horizontal",
            "The old stone stands with its bed parallel to the face; the new one is laid on its natural bed.",
        )
    return _trace(stone.bed), "Natural bed as in the wall."


def _trace(bed: str) -> str:
    return "edge" if bed == "edge" else "horizontal"


def design_pieces(
    repairs: gpd.GeoDataFrame,
    wall_stones: gpd.GeoDataFrame | Stonework,
    *,
    settings: Settings,
    densities: Mapping[str, StoneDensity | float] | None = None,
    fixing: str = BEFORE,
    mix: str = DEFAULT_MIX,
    ways: Mapping[str, Way] | None = None,
) -> PieceDesign:
    """Design the piece of every inset and whole stone.

    Parameters
    ----------
    repairs : GeoDataFrame
        Rows of the repairs table; those with treatment ``inset`` or ``whole stone`` get a piece.
    wall_stones : GeoDataFrame or Stonework
        Wall stones, for bed, finish, stone and part.
    settings : Settings
        Trade values.
    densities : mapping, optional
        Density by local name of the stone.
    mix : str
        Mortar mix by name.
    fixing : str
        How rods are set where nothing else is chosen, see :data:`facademap.repair.fixings.FIXINGS`.
    ways : mapping of repair id to Way, optional
        How single pieces are set.

    Returns
    -------
    PieceDesign
        One piece a repair with id ``P-...`` after the repair's ``R-...``; a repair whose piece cannot be designed
        is named in ``gaps`` and keeps its cut-out.
    """
    stonework = (
        wall_stones
        if isinstance(wall_stones, Stonework)
        else Stonework.from_frames(wall_stones, wall_stones.iloc[:0])
    )
    records = rows_of(repairs)
    pieces, gaps = design_rows(
        records,
        stonework,
        settings=settings,
        densities=densities,
        mix=mix,
        fixing=fixing,
        ways=ways,
    )
    return PieceDesign(
        pieces=frame_of(PIECES, pieces, crs=repairs.crs),
        repairs=frame_of(REPAIRS, records, crs=repairs.crs),
        gaps=tuple(gaps),
    )


def design_rows(
    records: list[dict[str, Any]],
    stonework: Stonework,
    *,
    settings: Settings,
    densities: Mapping[str, StoneDensity | float] | None,
    mix: str,
    fixing: str = BEFORE,
    ways: Mapping[str, Way] | None = None,
) -> tuple[list[dict[str, Any]], list[Gap]]:
    """Pieces for rows of repairs; pins, materials and cautions are added to the rows themselves."""
    chosen = mix_named(mix)
    pieces: list[dict[str, Any]] = []
    gaps: list[Gap] = []
    for record in records:
        if not is_inset(record["treatment"]):
            continue
        try:
            piece, changes, found = design_piece(
                record,
                outline=record["geometry"],
                stone=stonework.stones.get(str(record["wall_stone"])),
                settings=settings,
                densities=densities,
                mix=chosen,
                way=(ways or {}).get(str(record["id"])) or way_of(record, default=fixing),
            )
        except FacademapError as fault:
            gaps.append(Gap(about=str(record["id"]), problem=fault.problem, remedy=fault.remedy))
            continue
        pieces.append(piece)
        record.update(changes)
        gaps += found
    return pieces, gaps


def design_piece(
    repair: Mapping[str, Any],
    *,
    outline: Polygon,
    stone: Stone | None,
    settings: Settings,
    densities: Mapping[str, StoneDensity | float] | None,
    mix: Mix,
    place_pins: Callable[[Polygon, PinLayout], PinLayout] | None = None,
    way: Way | None = None,
) -> tuple[dict[str, Any], dict[str, Any], list[Gap]]:
    """One piece, what it adds to its repair, and what is amiss.

    ``place_pins`` says where a person wants the pins; ``way`` how the piece is set, as its repair says when not given.

    Raises
    ------
    GeometryError
        The repair has no wall stone, or its joints leave no piece.
    """
    way = way or way_of(repair)
    if stone is None:
        raise GeometryError(
            f"repair {repair['id']} has no wall stone", "Name the wall stone it lies in."
        )
    ring = np.asarray(outline.exterior.coords)[:-1]
    joints, kinds = list(repair["edges"]), list(repair["edge_kinds"])
    try:
        face = offset_edges(ring, joints)
    except GeometryError as fault:
        raise GeometryError(f"repair {repair['id']}: {fault.problem}", fault.remedy) from None
    cut_depth = float(repair["depth_m"])
    in_wall = cut_depth - settings.bedding_m
    out = (
        0.0
        if stone.profile is None
        else projection_over(stone.profile, face.bounds[1], face.bounds[3])
    )
    depth = in_wall + out + settings.proud_m
    density = density_of(stone.stone_type, stone.kind, densities=densities)
    dry = face.area * depth * density.likely_kg_per_m3
    saturated = face.area * depth * density.high_kg_per_m3 * (1 + density.absorption)
    bed, bed_reason = bed_of_piece(stone)
    exposed = _exposed(ring, kinds)
    whole = repair["treatment"] == "whole stone"
    backing = None if stone.depth_m is None else stone.depth_m - cut_depth
    layout = (
        PinLayout(pins=())
        if whole
        else set_out_pins(
            face,
            in_wall,
            weight_kg=saturated,
            settings=settings,
            projecting=stone.part in PROJECTING | OVERHEAD or out > 0 or "bottom" in exposed,
            backing_m=backing,
            way=way,
        )
    )
    if place_pins is not None:
        layout = place_pins(face, layout)
    piece = _row(repair, stone, face, depth=depth, exposed=exposed) | {
        "bed": bed,
        "weight_kg": dry,
        "weight_saturated_kg": saturated,
    }
    materials, index = _materials(
        outline,
        face,
        ring,
        joints,
        kinds,
        layout,
        cut_depth=cut_depth,
        depth=depth,
        saturated=saturated,
        density=density,
        settings=settings,
        bed_reason=bed_reason,
        treatment=str(repair["treatment"]),
        level=0 if is_missing(repair.get("lift")) else int(repair["lift"]),
    )
    materials = with_mix(materials, mix, settings=settings, stone_type=stone.stone_type)
    materials["drilling_template"] = drilling_template(face, layout.pins)
    fixing = layout.pins[0].fixing if layout.pins else way.fixing
    materials["fixing"] = _fixing_said(fixing, way)
    if stone.profile is not None:
        materials["moulding"] = _moulding_said(stone.profile, face, out)
    depth_share = None if stone.depth_m is None or whole else cut_depth / stone.depth_m
    materials["hold_points"] = list(
        hold_points(
            treatment=str(repair["treatment"]),
            part=stone.part,
            overhead="bottom" in exposed,
            depth_share=depth_share,
        )
    )
    cautions = cautions_for(
        treatment=str(repair["treatment"]),
        part=stone.part,
        overhead="bottom" in exposed,
        weight_kg=saturated,
        lifting_index=index,
        engineer_kg=settings.engineer_kg,
        faults=layout.faults,
        depth_share=depth_share,
    )
    # handling stands first; what the fixing does follows it
    cautions[1:1] = FIXINGS[fixing].cautions
    changes = {
        "pins": [p.as_json() for p in layout.pins],
        "materials": materials,
        "cautions": cautions,
    }
    failing = replay(
        Assembly(
            repair=str(repair["id"]),
            piece_id=str(piece["id"]),
            cut_out=outline,
            piece=face,
            joints_m=tuple(joints),
            kinds=tuple(kinds),
            cut_depth_m=cut_depth,
            piece_depth_m=depth,
            bedding_m=settings.bedding_m,
            out_m=out + settings.proud_m,
            proud_m=settings.proud_m,
            pins=layout.pins,
            way_in=way.direction,
            undercut_deg=settings.undercut_deg,
            eased_edge_m=settings.eased_edge_m,
            template=materials["drilling_template"],
            backing_m=backing,
            host=stone.outline,
        ),
        settings=settings,
    ).faults
    name = str(repair["id"])
    gaps = _gaps_of(name, layout, failing) + [
        Gap(about=name, problem=f, remedy="Choose another mix for this repair.")
        for f in materials["mix_faults"]
    ]
    return piece, changes, gaps


def _exposed(ring: np.ndarray, kinds: Sequence[str]) -> list[str]:
    """Sides of a piece that are seen: the front, and those without a neighbour."""
    sides = (
        side_of(ring[i], ring[(i + 1) % len(ring)]) for i, k in enumerate(kinds) if k == "exposed"
    )
    return ["front", *dict.fromkeys(sides)]


def _row(
    repair: Mapping[str, Any], stone: Stone, face: Polygon, *, depth: float, exposed: Sequence[str]
) -> dict[str, Any]:
    """A piece as the table of pieces takes it, but for its bed and weight."""
    u0, v0, u1, v1 = face.bounds
    return {
        "id": piece_id(str(repair["id"])),
        "surface": repair["surface"],
        "repair": repair["id"],
        "width_m": u1 - u0,
        "height_m": v1 - v0,
        "depth_m": depth,
        "stone_type": stone.stone_type or None,
        "accept": [],
        "finish": stone.finish or None,
        "weathered": False,
        "exposed": ",".join(exposed),
        "turn_180": stone.part not in PROJECTING,
        "provisional": True,
        "geometry": face,
    }


def _fixing_said(fixing: str, way: Way) -> dict[str, Any]:
    told = FIXINGS[fixing]
    return {
        "name": fixing,
        "title": told.title,
        "way_in": way.words,
        "down_deg": way.down_deg,
        "right_deg": way.right_deg,
        "rules": list(told.rules),
        "plug": told.plug,
        "source": told.source,
        "status": told.status,
    }


def _moulding_said(profile: Any, face: Polygon, out: float) -> dict[str, Any]:
    run = profile_over(profile, face.bounds[1], face.bounds[3])
    return {
        "projection_m": out,
        "profile_out_up_m": run.round(5).tolist(),
        "note": "The block is taken to the greatest projection; the profile is run after fitting, against a zinc templet.",
    }


def _gaps_of(repair: str, layout: PinLayout, failing: Sequence[Fault]) -> list[Gap]:
    """What the rules of the pins could not keep, and what failed when the setting was gone through."""
    found = [
        Gap(
            about=repair,
            problem=f,
            remedy="Change the cut-out or agree another fixing before it is approved.",
        )
        for f in layout.faults
    ]
    return found + [
        Gap(
            about=repair,
            problem=f"cannot be set as planned: {f.about}: {f.problem}",
            remedy=f.remedy,
        )
        for f in failing
    ]


def piece_id(repair: str) -> str:
    """Id of the piece of a repair: ``R-007`` gives ``P-007``."""
    head, dash, number = repair.rpartition("-")
    return f"P-{number}" if dash and head == "R" else f"P-{repair}"


def _materials(
    outline: Polygon,
    face: Polygon,
    ring: np.ndarray,
    joints: list[float],
    kinds: list[str],
    layout: PinLayout,
    *,
    cut_depth: float,
    depth: float,
    saturated: float,
    density: StoneDensity,
    settings: Settings,
    bed_reason: str,
    treatment: str,
    level: int,
) -> tuple[dict[str, Any], float]:
    lengths = np.hypot(*(np.roll(ring, -1, axis=0) - ring).T)
    inset_length = float(sum(n for n, k in zip(lengths, kinds, strict=True) if k == "inset"))
    joint_length = float(sum(n for n, k in zip(lengths, kinds, strict=True) if k != "exposed"))
    grooves = groove_length(face, settings)
    mortar = mortar_volumes(
        outline,
        face,
        cut_depth_m=cut_depth,
        pins=layout.pins,
        settings=settings,
        inset_length_m=inset_length,
        groove_length_m=2 * grooves,
    )
    saw = check_saw(ring, kinds, depth_m=cut_depth, settings=settings)
    rates = WorkRates()
    hours = hours_of_repair(
        treatment,
        {"area_m2": outline.area, "removed_volume_m3": outline.area * cut_depth},
        lift=level,
        rates=rates,
    )
    edges = plan_edges(ring, joints, kinds, cut_depth_m=cut_depth, settings=settings)
    handling, index = _handling(saturated, density=density, settings=settings)
    return {
        "mortar": _mortar_said(mortar, settings),
        "dust": {
            "kept_l": _dust_l(layout),
            "use": "Stone dust from drilling is kept to tint the pointing mortar.",
        },
        "pins": _pins_said(layout, settings),
        "bond_side": {
            "grooves_m": grooves,
            "spacing_m": settings.groove_spacing_m,
            "width_m": settings.groove_width_m,
            "depth_m": settings.groove_depth_m,
            "eased_back_edges_m": settings.eased_edge_m,
            "undercut_deg": settings.undercut_deg if "inset" in kinds else 0.0,
        },
        "edges": [e.as_json() for e in edges],
        "spacers": spacer_sum(edges),
        "covers": {"tape_m": 2 * joint_length, "sheet_m2": outline.area * 4},
        "cut": {
            "sawn_m": inset_length,
            "joint_raked_m": joint_length - inset_length,
            "left_in_corner_m": saw.left_in_corner_m,
            "reach_short_m": saw.reach_short_m,
            "tools": list(saw.tools),
            "notes": list(saw.notes),
        },
        "handling": handling,
        "hours": {
            "setting_out_h": rates.set_up.likely_h,
            "cut_and_fit_h": hours.likely_h - rates.set_up.likely_h,
        },
        "hours_range": {"low_h": hours.low_h, "likely_h": hours.likely_h, "high_h": hours.high_h},
        "hours_source": f"{rates.source}; replace by the office's own figures",
        "bed": bed_reason,
        "proud_m": settings.proud_m,
        "profile": settings.name,
    }, index


def _mortar_said(mortar: MortarVolumes, settings: Settings) -> dict[str, Any]:
    inputs = (
        "bedding_m",
        "undercut_deg",
        "groove_width_m",
        "groove_depth_m",
        "trial_beddings",
        "trial_loss",
        "waste",
    )
    return {
        "bed_m3": mortar.bed_m3,
        "joints_m3": mortar.joints_m3,
        "undercut_m3": mortar.undercut_m3,
        "grooves_m3": mortar.grooves_m3,
        "holes_m3": mortar.holes_m3,
        "trials_m3": mortar.trials_m3,
        "waste_m3": mortar.waste_m3,
        "in_place_m3": mortar.in_place_m3,
        "total_m3": mortar.total_m3,
        "inputs": [settings.says(n) for n in inputs],
    }


def _pins_said(layout: PinLayout, settings: Settings) -> dict[str, Any]:
    inputs = ("rod_m", "hole_clearance_m", "embedment_m", "cover_m", "edge_distance_m")
    return {
        **layout.sums(),
        "inputs": [settings.says(n) for n in inputs],
    }


def _handling(
    saturated: float, *, density: StoneDensity, settings: Settings
) -> tuple[dict[str, Any], float]:
    """How heavy a piece is to lift by hand, and the index of that."""
    hands = Lift(
        horizontal_m=settings.hands_reach_m,
        height_m=settings.hands_height_m,
        travel_m=settings.hands_travel_m,
    )
    lift = niosh_lift(saturated, hands)
    return {
        "density_kg_per_m3": density.likely_kg_per_m3,
        "density_low_kg_per_m3": density.low_kg_per_m3,
        "density_high_kg_per_m3": density.high_kg_per_m3,
        "blocks_weighed": density.weighed,
        "absorption": density.absorption,
        "source": density.source,
        "status": density.status,
        "niosh_limit_kg": lift.limit_kg,
        "niosh_index": lift.index,
        "hse_filter_kg": {who: hse_filter_kg(_HSE_ZONES, who=who) for who in ("men", "women")},
        "hse_note": "Filter of L23 / INDG143 close to the body, knuckle to shoulder, from memory; above it an assessment is needed.",
        "niosh_multipliers": dict(lift.multipliers),
        "niosh_source": lift.source,
        "lift_assumed": f"hands {hands.horizontal_m * 100:.0f} cm out, from {hands.height_m * 100:.0f} cm over {hands.travel_m * 100:.0f} cm, "
        "no twist, poor grip, one hour or less",
    }, lift.index


def groove_length(face: Polygon, settings: Settings) -> float:
    """Length of the level grooves over the back of a piece, clear of its edges by half their spacing."""
    if settings.groove_width_m <= 0 or settings.groove_depth_m <= 0:
        return 0.0
    return float(groove_lines(face, settings.groove_spacing_m).length)


def _dust_l(layout: PinLayout) -> float:
    """Loose stone dust of the holes in litres: solid volume times 1.5 for its bulk, less a third lost."""
    solid = sum(math.pi / 4 * p.hole_m**2 * (p.hole_wall_m + p.hole_piece_m) for p in layout.pins)
    return solid * 1000 * 1.5 * 2 / 3


def is_inset(treatment: Any) -> bool:
    """True for treatments that need a piece."""
    return not is_missing(treatment) and treatment in PIECED
