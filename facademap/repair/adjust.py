"""A cut-out drawn or changed by hand: kept within its stone, its joints found, its piece designed again."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from shapely.geometry import Polygon

from facademap.errors import FacademapError, GeometryError
from facademap.repair.cutouts import Need, depth_of_cut
from facademap.repair.fixings import BEFORE
from facademap.repair.mixes import DEFAULT_MIX, mix_named
from facademap.repair.offsets import clean_ring
from facademap.repair.pieces import design_piece, is_inset
from facademap.repair.pins import BY_HAND_PINS, Pin, PinLayout
from facademap.repair.planning import reach_through_joints
from facademap.repair.settings import Settings
from facademap.repair.stonework import Edge, Stone, Stonework, side_of
from facademap.repair.ways import way_of
from facademap.salvage.densities import StoneDensity
from facademap.tables import is_missing

__all__ = [
    "BY_HAND",
    "NO_STONE",
    "AdjustedCutOut",
    "adjust_cut_out",
    "can_be_adjusted",
    "keep_pins",
]

#: Rule of a cut-out that a person drew: planning leaves it as it is.
BY_HAND = "drawn by hand"
NO_STONE = (
    "No wall stone lies under this cut-out, so no piece is designed; outline the stone first."
)
#: A side drawn this near to an arris of the stone was meant to lie on it (project rule, twice the picking accuracy of a tablet).
ON_ARRIS_M = 0.004


@dataclass(frozen=True, slots=True, kw_only=True)
class AdjustedCutOut:
    """What follows from a cut-out drawn by hand.

    Parameters
    ----------
    repair : mapping
        Columns of the repair that change.
    piece : mapping or None
        Row of its piece; ``None`` where none can be designed.
    notes : tuple of str
        What a person should know, in sentences.
    """

    repair: Mapping[str, Any]
    piece: Mapping[str, Any] | None
    notes: tuple[str, ...]


def adjust_cut_out(
    repair: Mapping[str, Any],
    *,
    stonework: Stonework,
    conditions: Sequence[tuple[str, Any, float | None]] = (),
    settings: Settings,
    changed: frozenset[str],
    densities: Mapping[str, StoneDensity | float] | None = None,
    fixing: str = BEFORE,
    mix: str = DEFAULT_MIX,
) -> AdjustedCutOut:
    """Set a hand-drawn cut-out right and design its piece.

    Parameters
    ----------
    repair : mapping
        Row of the repair as a person left it.
    stonework : Stonework
        The stones round it.
    conditions : sequence of (id, outline, depth_m)
        Conditions near it; a new cut-out answers those that lie in it by half or more.
    settings : Settings
        Trade values.
    changed : frozenset of str
        Columns that the person changed: ``geometry``, ``edges``, ``pins``, ``depth_m`` and others.

    Returns
    -------
    AdjustedCutOut

    Raises
    ------
    GeometryError
        Joints or pins that the outline cannot have.

    Notes
    -----
    An inset stays within one wall stone: what was drawn over a joint is taken off. A side on an existing joint keeps
    that joint's width; a side within the stone keeps the joint that the person gave it, else that of the profile. Pins
    that nobody moved are set out anew with the outline. Pins that a person placed stay where they are as long as they lie
    on the piece, with lengths for its depth as it is now; those that no longer do are taken out and named, and what the
    others come too near to is said.
    """
    name, shape = str(repair["id"]), _one_polygon(repair["geometry"])
    if shape is None:
        raise GeometryError(
            f"repair {name}: a cut-out that is no single outline",
            "Draw one outline without parts and holes.",
        )
    stone = _stone_under(repair, shape, stonework)
    if stone is None:
        return AdjustedCutOut(repair={}, piece=None, notes=(NO_STONE,))
    row = {
        **repair,
        "wall_stone": stone.id,
        "rule": BY_HAND,
        "rule_source": "a person at the survey desk",
        "rule_status": "project",
    }
    notes: list[str] = []
    if changed & {"geometry", "wall_stone"} or is_missing(repair.get("edges")):
        row |= _set_right(row, shape, stone, stonework, settings, notes)
    if is_missing(row.get("conditions")) or not row["conditions"]:
        row["conditions"] = [
            i
            for i, outline, _ in conditions
            if outline.area > 0 and outline.intersection(row["geometry"]).area >= 0.5 * outline.area
        ]
    if is_missing(row.get("depth_m")) or not row["depth_m"]:
        needs = [
            Need(condition=i, shape=outline, depth_m=depth)
            for i, outline, depth in conditions
            if i in row["conditions"]
        ]
        row["depth_m"], more = depth_of_cut(needs, part=stone.part, settings=settings)
        notes += more
    _check_joints(name, row, settings)
    removed = float(shapely.intersection(row["geometry"], stone.drawn).area)
    row |= {"removed_area_m2": removed, "removed_volume_m3": removed * float(row["depth_m"])}
    by_hand = BY_HAND_PINS in ((repair.get("materials") or {}).get("pins") or {}).get("notes", ())
    new_outline = bool(changed & {"geometry", "wall_stone"})

    def place(face: Polygon, layout: PinLayout) -> PinLayout:
        wanted = row.get("pins") or []
        if "pins" in changed and not new_outline:
            return _placed(name, face, layout, wanted, settings)
        if by_hand and "pins" not in changed and wanted:
            return keep_pins(name, face, layout, wanted, settings, notes)
        return layout

    try:
        piece, more_columns, gaps = design_piece(
            row,
            outline=row["geometry"],
            stone=stone,
            settings=settings,
            densities=densities,
            mix=mix_named(mix),
            way=way_of(row, default=fixing),
            place_pins=place,
        )
    except GeometryError as fault:
        raise GeometryError(fault.problem, fault.remedy) from None
    except FacademapError as fault:
        return AdjustedCutOut(
            repair=_changes(repair, row),
            piece=None,
            notes=(*notes, f"{fault.problem}: {fault.remedy}"),
        )
    return AdjustedCutOut(
        repair=_changes(repair, {**row, **more_columns}),
        piece=piece,
        notes=tuple(dict.fromkeys([*notes, *(f"{g.problem}: {g.remedy}" for g in gaps)])),
    )


def _changes(old: Mapping[str, Any], new: Mapping[str, Any]) -> dict[str, Any]:
    return {
        k: v
        for k, v in new.items()
        if k not in ("id", "rev") and not (k in old and _alike(old[k], v))
    }


def _alike(a: Any, b: Any) -> bool:
    if isinstance(a, shapely.Geometry) and isinstance(b, shapely.Geometry):
        return bool(a.equals_exact(b, 0.0))
    return bool(is_missing(a) and is_missing(b)) or (
        not is_missing(a) and not is_missing(b) and a == b
    )


def _one_polygon(shape: Any) -> Polygon | None:
    parts = (
        [p for p in shapely.get_parts(shape) if p.geom_type == "Polygon" and p.area > 0]
        if shape is not None
        else []
    )
    return Polygon(parts[0].exterior) if len(parts) == 1 else None


def _stone_under(repair: Mapping[str, Any], shape: Polygon, stonework: Stonework) -> Stone | None:
    """The stone that the repair names while the cut-out still lies in it, else the one it lies in most."""
    near = stonework.near(str(repair["surface"]), shape)
    named = next((s for s in near if s.id == repair.get("wall_stone")), None)
    if named is not None and named.outline.intersection(shape).area > 0.5 * min(
        shape.area, named.outline.area
    ):
        return named
    best = max(near, key=lambda s: (s.outline.intersection(shape).area, s.id), default=None)
    return best if best is not None and best.outline.intersection(shape).area > 0 else None


def _set_right(
    row: Mapping[str, Any],
    shape: Polygon,
    stone: Stone,
    stonework: Stonework,
    settings: Settings,
    notes: list[str],
) -> dict[str, Any]:
    """The cut-out within its stone, with kind and joint of every side."""
    snapped = shapely.snap(shape, stone.outline, ON_ARRIS_M)
    inside = _largest(shapely.intersection(snapped if snapped.is_valid else shape, stone.outline))
    if inside is None or min(_sizes(inside)) < settings.size_minimum_m:
        raise GeometryError(
            f"repair {row['id']}: less than {settings.size_minimum_m * 1000:.0f} mm of it lies in stone {stone.id}",
            "Draw it larger, or in the stone that is to be cut.",
        )
    over = sum(
        s.outline.intersection(shape).area
        for s in stonework.near(stone.surface, shape)
        if s.id != stone.id
    )
    if over > 0.02 * shape.area:
        notes.append(
            f"Only the part in {stone.id} is cut: an inset never reaches across a joint. Draw another one for the neighbour."
        )
    ring = clean_ring(inside)
    edges = [
        stonework.edge(ring[i], ring[(i + 1) % len(ring)], stone=stone, settings=settings)
        for i in range(len(ring))
    ]
    edges = _with_old_joints(ring, edges, row)
    outline, edges, more = reach_through_joints(
        ring, edges, stone, stonework, least_m=settings.joint_minimum_m
    )
    notes += [
        n[0].upper() + n[1:].rstrip(".") + "."
        for n in dict.fromkeys([*(e.note for e in edges if e.note), *more])
    ]
    return {
        "geometry": outline,
        "edges": [round(e.joint_m, 7) for e in edges],
        "edge_kinds": [e.kind for e in edges],
    }


def _with_old_joints(ring: np.ndarray, edges: Sequence[Edge], row: Mapping[str, Any]) -> list[Edge]:
    """A side within the stone keeps the joint of the nearest old side that looked the same way."""
    if (
        is_missing(row.get("edges"))
        or is_missing(row.get("edge_kinds"))
        or not row.get("edge_ring")
    ):
        return list(edges)
    old = np.asarray(row["edge_ring"], dtype=float)
    count = len(old)
    if count != len(row["edges"]) or count != len(row["edge_kinds"]):
        return list(edges)
    middles = (old + np.roll(old, -1, axis=0)) / 2
    sides = [side_of(old[i], old[(i + 1) % count]) for i in range(count)]
    result = []
    for i, edge in enumerate(edges):
        a, b = ring[i], ring[(i + 1) % len(ring)]
        same = [
            k for k in range(count) if sides[k] == side_of(a, b) and row["edge_kinds"][k] == "inset"
        ]
        if edge.kind != "inset" or not same:
            result.append(edge)
            continue
        nearest = min(same, key=lambda k: float(np.hypot(*(middles[k] - (a + b) / 2))))
        result.append(
            Edge(
                kind=edge.kind,
                joint_m=float(row["edges"][nearest]),
                reach_m=edge.reach_m,
                note=edge.note,
            )
        )
    return result


def _check_joints(name: str, row: Mapping[str, Any], settings: Settings) -> None:
    ring = shapely.get_coordinates(row["geometry"].exterior)[:-1]
    joints, kinds = row["edges"], row["edge_kinds"]
    if (
        not isinstance(joints, list)
        or not isinstance(kinds, list)
        or not len(ring) == len(joints) == len(kinds)
    ):
        raise GeometryError(
            f"repair {name}: {len(ring)} sides need as many joints",
            "Give one joint for every side.",
        )
    for number, joint in enumerate(joints, start=1):
        if (
            not isinstance(joint, (int, float))
            or isinstance(joint, bool)
            or not 0 <= joint <= settings.joint_search_m
        ):
            raise GeometryError(
                f"repair {name}: joint {str(joint)[:20]} of side {number}",
                f"Give 0 to {settings.joint_search_m * 1000:.0f} mm.",
            )


def keep_pins(
    name: str,
    face: Polygon,
    layout: PinLayout,
    wanted: Sequence[Any],
    settings: Settings,
    notes: list[str],
) -> PinLayout:
    """The pins that a person placed, on a piece that changed round them."""
    on_piece = [
        bool(face.contains(shapely.Point(float(p["u_m"]), float(p["v_m"])))) for p in wanted
    ]
    kept = [
        {"u_m": p["u_m"], "v_m": p["v_m"]}
        for p, there in zip(wanted, on_piece, strict=True)
        if there
    ]
    if not layout.pins or not kept:
        notes.append(
            "No pin that was placed by hand lies on the changed piece; the pins were set out anew."
        )
        return layout
    if gone := [str(i) for i, there in enumerate(on_piece, start=1) if not there]:
        many = len(gone) > 1
        notes.append(
            f"Pin{'s' if many else ''} {', '.join(gone)} placed by hand no longer lie{'' if many else 's'} on the piece and {'were' if many else 'was'} taken out; "
            f"the rule sets {len(layout.pins)}, {len(kept)} {'are' if len(kept) > 1 else 'is'} left."
        )
    return _placed(name, face, layout, kept, settings)


def _placed(
    name: str, face: Polygon, layout: PinLayout, wanted: Sequence[Any], settings: Settings
) -> PinLayout:
    """The pins where a person put them; what they come too near to is named."""
    pins: list[Pin] = []
    for number, given in enumerate(wanted, start=1):
        like = layout.pins[min(number, len(layout.pins)) - 1] if layout.pins else None
        values = dict(given) if isinstance(given, Mapping) else {}
        try:
            known = {k: values[k] if k in values else getattr(like, k) for k in _PIN_COLUMNS}
            pin = Pin(
                u_m=float(values["u_m"]),
                v_m=float(values["v_m"]),
                gap_m=like.gap_m if like else settings.bedding_m,
                **known,
            )
        except (KeyError, TypeError, ValueError, AttributeError):
            raise GeometryError(
                f"repair {name}: pin {number} cannot be read, or none can be drilled in this piece",
                "Give u_m and v_m; for a thin piece agree another fixing.",
            ) from None
        if not face.contains(shapely.Point(pin.u_m, pin.v_m)):
            raise GeometryError(
                f"repair {name}: pin {number} lies outside the piece", "Move it on to the piece."
            )
        pins.append(pin)
    faults = [f for f in layout.faults if "behind the cut-out" in f]
    for number, pin in enumerate(pins, start=1):
        edge = float(face.exterior.distance(shapely.Point(pin.u_m, pin.v_m)))
        if edge < layout.edge_distance_m - 1e-6:
            faults.append(
                f"pin {number} stands {edge * 1000:.0f} mm from the edge of the piece; {layout.edge_distance_m * 1000:.0f} mm are wanted"
            )
        for other, second in enumerate(pins[number:], start=number + 1):
            apart = float(np.hypot(pin.u_m - second.u_m, pin.v_m - second.v_m))
            if apart < settings.pin_spacing_minimum_m - 1e-6:
                faults.append(
                    f"pins {number} and {other} stand {apart * 1000:.0f} mm apart; {settings.pin_spacing_minimum_m * 1000:.0f} mm are wanted"
                )
    if not pins:
        faults.append("no pin holds the piece")
    return PinLayout(
        pins=tuple(pins),
        faults=tuple(faults),
        notes=(BY_HAND_PINS,),
        cover_m=layout.cover_m,
        edge_distance_m=layout.edge_distance_m,
    )


_PIN_COLUMNS = (
    "angle_deg",
    "turn_deg",
    "rod_m",
    "hole_m",
    "embedment_m",
    "into_piece_m",
    "hole_wall_m",
    "hole_piece_m",
    "grade",
    "bore_piece_m",
    "fixing",
)


def _largest(shape: Any) -> Polygon | None:
    parts = [p for p in shapely.get_parts(shape) if p.geom_type == "Polygon" and p.area > 0]
    return Polygon(max(parts, key=lambda p: p.area).exterior) if parts else None


def _sizes(shape: Polygon) -> tuple[float, float]:
    u0, v0, u1, v1 = shape.bounds
    return u1 - u0, v1 - v0


def can_be_adjusted(row: Mapping[str, Any]) -> bool:
    """Whether a repair is a cut-out that a person may still change."""
    return is_inset(row.get("treatment")) and str(row.get("stage")) in ("proposed", "on hold")
