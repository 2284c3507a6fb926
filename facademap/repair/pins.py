"""Pins of an inset: how many, where, how long, which way; and what stands in the way."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import shapely
from shapely.geometry import Polygon

from facademap.repair.fixings import BEFORE, RESIN, THROUGH_FACE
from facademap.repair.settings import Settings
from facademap.repair.ways import Way

__all__ = [
    "BY_HAND_PINS",
    "RESIN_CLEARANCE_M",
    "Pin",
    "PinLayout",
    "drilling_template",
    "set_out_pins",
]

BY_HAND_PINS = "pins were placed by hand"
#: Hole diameter beyond the rod for resin; common practice 1.5 to 2 mm.
RESIN_CLEARANCE_M = 0.002
#: Ground for pins that ends shorter than this before a side, beyond the edge distance, misses an arm of the piece.
_ARM_LOST_M = 0.05
#: How far a pin may be moved from its row so that it keeps its distance from a side out of level.
_OUT_OF_LEVEL_M = 0.005


@dataclass(frozen=True, slots=True, kw_only=True)
class Pin:
    """One stainless rod between wall and piece.

    Parameters
    ----------
    u_m, v_m : float
        Where its axis meets the back of the piece, in the wall frame.
    angle_deg : float
        Slope down into the wall, as seen from the side.
    turn_deg : float
        Turn to the right, as seen from above.
    rod_m, hole_m : float
        Diameters.
    bore_piece_m : float
        Diameter of the hole in the piece; 0 where it is that of the hole in the wall.
    fixing : str
        When and how the rod is set, see :data:`facademap.repair.fixings.FIXINGS`.
    embedment_m : float
        Length in the wall.
    into_piece_m : float
        Length in the piece.
    hole_wall_m, hole_piece_m : float
        Depths drilled, along the pin.
    gap_m : float
        Length that crosses the bedding.
    grade : str
        Steel.
    """

    u_m: float
    v_m: float
    angle_deg: float
    turn_deg: float
    rod_m: float
    hole_m: float
    embedment_m: float
    into_piece_m: float
    hole_wall_m: float
    hole_piece_m: float
    grade: str
    gap_m: float = 0.0
    bore_piece_m: float = 0.0
    fixing: str = BEFORE

    @property
    def direction(self) -> tuple[float, float, float]:
        """Unit vector of its axis into the wall: right, up, in."""
        right = math.tan(math.radians(self.turn_deg))
        up = -math.tan(math.radians(self.angle_deg))
        length = math.sqrt(right * right + up * up + 1.0)
        return right / length, up / length, 1.0 / length

    @property
    def piece_hole_m(self) -> float:
        """Diameter of the hole in the piece."""
        return self.bore_piece_m or self.hole_m

    @property
    def rod_length_m(self) -> float:
        """Length to cut the rod to."""
        return self.embedment_m + self.gap_m + self.into_piece_m

    def as_json(self) -> dict[str, Any]:
        """Plain mapping as kept in the repairs table."""
        return {
            "u_m": round(self.u_m, 5),
            "v_m": round(self.v_m, 5),
            "angle_deg": self.angle_deg,
            "turn_deg": self.turn_deg,
            "hole_m": self.hole_m,
            "rod_m": self.rod_m,
            "embedment_m": self.embedment_m,
            "into_piece_m": self.into_piece_m,
            "hole_wall_m": self.hole_wall_m,
            "hole_piece_m": self.hole_piece_m,
            "rod_length_m": round(self.rod_length_m, 5),
            "grade": self.grade,
            "gap_m": self.gap_m,
            "bore_piece_m": self.piece_hole_m,
            "fixing": self.fixing,
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class PinLayout:
    """The pins of one piece, and in words what could not be kept."""

    pins: tuple[Pin, ...]
    faults: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    cover_m: float = 0.0
    edge_distance_m: float = 0.0

    def sums(self) -> dict[str, Any]:
        """What a piece's record says of its rods: number, lengths in metres, least distances, faults and notes."""
        return {
            "count": len(self.pins),
            "rod_length_m": sum(p.rod_length_m for p in self.pins),
            "drill_length_m": sum(p.hole_wall_m + p.hole_piece_m for p in self.pins),
            "cover_m": self.cover_m,
            "edge_distance_m": self.edge_distance_m,
            "faults": list(self.faults),
            "notes": list(self.notes),
        }


def set_out_pins(
    outline: Polygon,
    depth_m: float,
    *,
    weight_kg: float,
    settings: Settings,
    projecting: bool = False,
    exposed_to_salt: bool = True,
    backing_m: float | None = None,
    way: Way | None = None,
) -> PinLayout:
    """Set out the pins of a piece.

    Parameters
    ----------
    outline : Polygon
        Face of the piece in the wall frame.
    depth_m : float
        Depth of the piece to its finished face (without the proud allowance).
    weight_kg : float
        Heaviest weight of the piece.
    settings : Settings
        Rods, distances and covers.
    projecting : bool
        Part of a moulding, sill or coping, or overhead: takes the heavier rod.
    exposed_to_salt : bool
        Chooses the grade.
    backing_m : float, optional
        Stone left behind the cut-out, where known; the hole must end short of its back by the cover.
    way : Way, optional
        How the piece is set, straight in with its rods before it when not given. ``before`` gives rods parallel to the way
        in; ``through face`` slopes them by the angle of the profile, to alternating sides; ``resin`` gives rods parallel to
        the way in narrower holes.

    Returns
    -------
    PinLayout
        ``faults`` names every distance that the piece is too small or too thin to keep; the pins are then
        those that come nearest, or none where no hole can be drilled at all. ``notes`` names what was reduced
        within the rules: the edge distance of a narrow piece, down to two hole diameters, and the spacing of the
        only two pins of a small piece, down to the edge distance.

    References
    ----------
    Common practice; every distance is a setting that tells its source and status.
    """
    way = way or Way()
    fixing = way.fixing
    through = fixing == THROUGH_FACE
    heavy = projecting or weight_kg >= settings.heavy_kg
    rod = settings.rod_heavy_m if heavy else settings.rod_m
    hole = rod + (RESIN_CLEARANCE_M if fixing == RESIN else settings.hole_clearance_m)
    faults: list[str] = []
    notes: list[str] = []
    angle, turn = (
        (settings.pin_angle_deg, settings.pin_angle_deg)
        if through
        else (way.down_deg, way.right_deg)
    )
    edge = max(settings.edge_distance_m, settings.edge_distance_rods * rod)
    # a sloped hole leaves the face elsewhere than the back: both ends keep the distance
    aside = depth_m * max(math.tan(math.radians(abs(a))) for a in (angle, turn))
    narrow: list[str] = []
    places, edge = _places(
        outline,
        edge + aside,
        least=settings.edge_distance_holes * hole + aside * math.sqrt(2.0),
        settings=settings,
        faults=narrow,
        notes=notes,
    )
    if through and len(places) == 1:
        turn = 0.0
    across = _reduction(angle, turn)
    # the rim of a sloped hole comes nearer to the face than its axis
    tilted = depth_m if through else depth_m - hole / 2 * math.sqrt(max(0.0, 1.0 - across * across))
    into = _reach_into_piece(tilted, along=across, settings=settings, faults=faults, plug=through)
    if into is None:
        return PinLayout(pins=(), faults=tuple(faults))
    embedment = max(settings.embedment_m, settings.embedment_rods * rod)
    drilled = (embedment + settings.hole_spare_m) * across
    if backing_m is not None and drilled + settings.cover_m > backing_m + 1e-9:
        faults.append(
            f"the stone behind the cut-out is {backing_m * 1000:.0f} mm, too thin for {embedment * 1000:.0f} mm "
            f"of embedment with {settings.cover_m * 1000:.0f} mm of stone behind the hole: pin into the stone behind, or use "
            "shorter rods agreed by an engineer"
        )
    faults += narrow
    if faults and angle and through:
        straight = set_out_pins(
            outline,
            depth_m,
            weight_kg=weight_kg,
            settings=replace(settings, pin_angle_deg=0.0),
            projecting=projecting,
            exposed_to_salt=exposed_to_salt,
            backing_m=backing_m,
            way=way,
        )
        if not straight.faults:
            return replace(
                straight, notes=(*straight.notes, "a slope finds no room: drilled straight")
            )
    grade = "316 (1.4401)" if exposed_to_salt else "304 (1.4301)"
    through_hole = round(depth_m / across, 6)
    pins = tuple(
        Pin(
            u_m=float(u),
            v_m=float(v),
            angle_deg=angle,
            turn_deg=-turn if through and i % 2 else turn,
            rod_m=rod,
            hole_m=round(hole, 6),
            embedment_m=round(embedment, 6),
            into_piece_m=round(into, 6),
            hole_wall_m=round(embedment + settings.hole_spare_m, 6),
            hole_piece_m=through_hole if through else round(into + settings.hole_spare_m, 6),
            grade=grade,
            gap_m=round(settings.bedding_m / across, 6),
            bore_piece_m=round(hole, 6),
            fixing=fixing,
        )
        for i, (u, v) in enumerate(places)
    )
    cover = tilted - (into + (0.0 if through else settings.hole_spare_m)) * across
    return PinLayout(
        pins=pins,
        faults=tuple(faults),
        notes=tuple(notes),
        cover_m=cover,
        edge_distance_m=edge - aside,
    )


def _reduction(angle_deg: float, turn_deg: float) -> float:
    """Depth into the stone for each metre along a rod: 1 for a straight one."""
    down, right = (math.tan(math.radians(a)) for a in (angle_deg, turn_deg))
    return 1.0 / math.sqrt(1.0 + down * down + right * right)


def drilling_template(face: Polygon, pins: Sequence[Pin]) -> dict[str, Any]:
    """Places of the holes for both sides, measured from the lower corners of the piece.

    Returns
    -------
    dict
        ``wall``: on the back of the cut-out, right and up from the lower left corner of the piece's box, seen from
        outside, the template standing on its spacers; ``piece_back``: the same holes on the back of the piece, seen from
        behind, measured right and up from the lower corner that is then on the left. A hole that slopes down into the
        wall slopes up into the piece, so that one rod is straight, and where it crosses the bedding it lies lower in the
        wall than on the piece; a hole turned to the right in the wall, seen from outside, is turned to the right in the
        back too.

    References
    ----------
    Common practice of dowelling.
    """
    u0, v0, u1, _ = face.bounds
    wall, back = [], []
    for p in pins:
        right, up, _ = p.direction
        wall.append(
            {
                "right_m": round(p.u_m + right * p.gap_m - u0, 5),
                "up_m": round(p.v_m + up * p.gap_m - v0, 5),
                "hole_m": p.hole_m,
                "deep_m": p.hole_wall_m,
                "down_deg": p.angle_deg,
                "turn_right_deg": p.turn_deg,
            }
        )
        back.append(
            {
                "right_m": round(u1 - p.u_m, 5),
                "up_m": round(p.v_m - v0, 5),
                "hole_m": p.piece_hole_m,
                "deep_m": p.hole_piece_m,
                "up_deg": p.angle_deg,
                "turn_right_deg": p.turn_deg,
            }
        )
    return {"width_m": round(u1 - u0, 5), "wall": wall, "piece_back": back}


def _reach_into_piece(
    depth_m: float, *, along: float, settings: Settings, faults: list[str], plug: bool
) -> float | None:
    """Length of rod in the piece: as set, else as deep as share and cover allow; ``None`` when nothing is left.

    ``along`` is the depth for each metre of rod. With a ``plug`` the hole goes on to the face, and the cover is the plug.
    """
    room = (depth_m - settings.cover_m) / along - (0.0 if plug else settings.hole_spare_m)
    most = min(settings.into_piece_share * depth_m / along, room)
    wanted = settings.into_piece_m or most
    into = min(wanted, most)
    if settings.into_piece_m and settings.into_piece_m > most + 1e-9:
        faults.append(
            f"the piece is {depth_m * 1000:.0f} mm deep: a rod of {settings.into_piece_m * 1000:.0f} mm in it "
            f"breaks the cover of {settings.cover_m * 1000:.0f} mm or the greatest share, so "
            f"{max(into, 0) * 1000:.0f} mm is taken"
        )
    if into < settings.into_piece_minimum_m - 1e-9:
        faults.append(
            f"the piece is too thin for pins: {depth_m * 1000:.0f} mm deep leaves {max(into, 0) * 1000:.0f} mm of rod, "
            f"{settings.into_piece_minimum_m * 1000:.0f} mm are needed; cut deeper or fix it another way"
        )
        return None
    return math.floor(into * 100_000 + 1e-6) / 100_000


def _places(
    outline: Polygon,
    edge: float,
    *,
    least: float,
    settings: Settings,
    faults: list[str],
    notes: list[str],
) -> tuple[list[tuple[float, float]], float]:
    """Points of the pins, and the edge distance that was kept."""
    u0, v0, u1, v1 = outline.bounds
    size = max(u1 - u0, v1 - v0)
    if size <= settings.single_pin_m:
        point = shapely.maximum_inscribed_circle(outline, tolerance=1e-4)
        centre = point.coords[0]
        kept = float(shapely.length(point))
        if kept < least - 1e-6:
            faults.append(
                f"a pin in the middle of the piece is {kept * 1000:.0f} mm from its edge, "
                f"{least * 1000:.0f} mm are needed: make the piece larger or bond it without a pin"
            )
        return [(centre[0], centre[1])], kept
    inner = _inside(outline, edge)
    if inner.is_empty or inner.area < 1e-8:
        narrow = float(shapely.length(shapely.maximum_inscribed_circle(outline, tolerance=1e-4)))
        reduced = max(least, min(edge, 0.9 * narrow))
        inner = _inside(outline, reduced)
        if inner.is_empty:
            faults.append(
                f"the piece is {2 * narrow * 1000:.0f} mm narrow: no pin keeps {least * 1000:.0f} mm from its edges; "
                "make the cut-out wider"
            )
            point = shapely.maximum_inscribed_circle(outline, tolerance=1e-4).coords[0]
            return [(point[0], point[1])], narrow
        notes.append(
            f"the piece is too narrow for {edge * 1000:.0f} mm from the edge: {reduced * 1000:.0f} mm is kept"
        )
        edge = reduced
    places = _over(inner, edge, settings)
    whole = not _arm_lost(outline, inner, edge)
    if whole and len(places) > 1:
        return places, edge
    a, b = _farthest(inner)
    apart = math.dist(a, b)
    if whole and apart >= edge:
        if apart < settings.pin_spacing_minimum_m - 1e-9:
            notes.append(
                f"the two pins stand {apart * 1000:.0f} mm apart, as far as the piece allows"
            )
        return [a, b], edge
    # one pin lets the piece turn, and so does an arm without one: rather a little nearer to the edge within the rules
    for share in (0.9, 0.8, 0.7, 0.6, 0.5):
        nearer = max(least, share * edge)
        ground = _inside(outline, nearer)
        more = _over(ground, nearer, settings) if nearer < edge else []
        if len(more) > 1 and not _arm_lost(outline, ground, nearer):
            notes.append(
                f"{nearer * 1000:.0f} mm from the edge instead of {edge * 1000:.0f} mm, so that every part finds its pins"
            )
            return more, nearer
    if len(places) > 1:
        notes.append("an arm of the piece is too narrow for a pin")
        return places, edge
    if apart >= edge:
        return [a, b], edge
    notes.append("there is room for one pin only")
    return places or [a], edge


def _arm_lost(outline: Polygon, ground: Any, edge: float) -> bool:
    """Whether the ground for pins misses a whole arm: it ends far short of one side of the piece."""
    if ground.is_empty:
        return True
    short = [abs(a - b) for a, b in zip(outline.bounds, ground.bounds, strict=True)]
    return bool(max(short) > edge + _ARM_LOST_M)


def _over(inner: Any, edge: float, settings: Settings) -> list[tuple[float, float]]:
    """Pins over the ground, arm by arm."""
    places: list[tuple[float, float]] = []
    for part in _arms(inner):
        wanted = _grid(part, settings)
        corners = [
            (float(u), float(v)) for u, v in np.asarray(shapely.envelope(part).exterior.coords)[:-1]
        ]
        clear = [p for p in wanted if _nearest(p, places) >= settings.pin_spacing_minimum_m - 1e-9]
        if not clear and places:
            # an arm of an L is pinned at its far end rather than not at all
            inside = part.buffer(1e-7)
            corners = [c for c in corners if shapely.intersects_xy(inside, *c)]
            clear = [
                p
                for p in sorted(corners, key=lambda c: -_nearest(c, places))[:1]
                if _nearest(p, places) >= edge
            ]
        for place in clear:
            if _nearest(place, places) >= min(edge, settings.pin_spacing_minimum_m) - 1e-9:
                places.append(place)
    return places


def _inside(outline: Polygon, distance: float) -> Any:
    """Ground at least ``distance`` from the edge; an inner corner is rounded, and the chords must not come nearer."""
    return outline.buffer(-distance / math.cos(math.pi / 64), quad_segs=16)


def _nearest(place: tuple[float, float], places: Sequence[tuple[float, float]]) -> float:
    return min((math.dist(place, p) for p in places), default=math.inf)


def _arms(inner: Any) -> list[Any]:
    """The parts of the ground for pins; an L is parted along its inner corner so that each arm is pinned."""
    parts = []
    for polygon in shapely.get_parts(inner):
        u0, v0, u1, v1 = polygon.bounds
        hull = shapely.convex_hull(polygon)
        if polygon.area > 0.98 * hull.area:
            parts.append(polygon)
            continue
        ring = np.asarray(polygon.exterior.coords)[:-1]
        hollow = [
            p for p in ring if float(shapely.distance(hull.exterior, shapely.points(p))) > 1e-6
        ]
        # an inner corner of the ground is round: the arms lie below and above the round
        low, high = (
            (min(p[1] for p in hollow), max(p[1] for p in hollow))
            if hollow
            else ((v0 + v1) / 2, (v0 + v1) / 2)
        )
        halves = [
            shapely.intersection(polygon, shapely.box(u0, v0, u1, max(low, v0 + 1e-6))),
            shapely.intersection(polygon, shapely.box(u0, min(high, v1 - 1e-6), u1, v1)),
        ]
        parts += [h for h in halves if not h.is_empty and h.area > 0]
    return sorted(parts, key=lambda p: -p.area)


def _grid(part: Any, settings: Settings) -> list[tuple[float, float]]:
    """Rows of pins over one part, evenly spread, staggered by nothing: a rule and a square set them out."""
    u0, v0, u1, v1 = part.bounds

    def along(low: float, high: float) -> list[float]:
        length = high - low
        if length < settings.pin_spacing_minimum_m:
            return [(low + high) / 2]
        gaps = max(1, math.ceil(length / settings.pin_spacing_maximum_m - 1e-9))
        return [low + length * k / gaps for k in range(gaps + 1)]

    points = [(u, v) for v in along(v0, v1) for u in along(u0, u1)]
    if len(points) == 1:
        points = [(part.centroid.x, part.centroid.y)]
    # a side that is a hair out of level must not take a corner away: the point goes on to the ground beside it
    found = []
    for point in points:
        step = shapely.shortest_line(part, shapely.points(point))
        if shapely.length(step) <= _OUT_OF_LEVEL_M:
            u, v = shapely.get_coordinates(step)[0]
            found.append((float(u), float(v)))
    return found


def _farthest(inner: Any) -> tuple[tuple[float, float], tuple[float, float]]:
    """The two points of the ground that are farthest apart along its longer side."""
    u0, v0, u1, v1 = inner.bounds
    centre = shapely.point_on_surface(inner) if not inner.covers(inner.centroid) else inner.centroid
    if u1 - u0 >= v1 - v0:
        line = shapely.intersection(
            inner, shapely.linestrings([[u0 - 1, centre.y], [u1 + 1, centre.y]])
        )
        b = line.bounds
        return (b[0], centre.y), (b[2], centre.y)
    line = shapely.intersection(
        inner, shapely.linestrings([[centre.x, v0 - 1], [centre.x, v1 + 1]])
    )
    b = line.bounds
    return (centre.x, b[1]), (centre.x, b[3])
