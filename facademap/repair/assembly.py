"""An inset as solids: cut-out, piece, joints, rods, holes, grooves and eased edges, all in one frame.

The frame is that of the wall: u right, v up, and depth counted from the wall plane into the stone.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from shapely.geometry import Polygon

from facademap.errors import GeometryError
from facademap.repair.edges import edge_names, ring_of
from facademap.repair.fixings import BEFORE
from facademap.repair.offsets import offset_edges
from facademap.repair.pins import Pin
from facademap.repair.settings import Settings
from facademap.repair.ways import way_of
from facademap.tables import is_missing

__all__ = ["STRAIGHT", "Assembly", "Volumes", "assembly_of", "groove_lines", "read_pins"]

#: Straight into the wall.
STRAIGHT = (0.0, 0.0, 1.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Volumes:
    """Volumes of the solids in cubic metres."""

    cut_out_m3: float
    piece_m3: float
    rods_m3: float
    holes_wall_m3: float
    holes_piece_m3: float
    grooves_m3: float
    eased_m3: float

    @property
    def room_m3(self) -> float:
        """What mortar or grout has to fill: cut-out and holes, less the part of the piece in the wall and the rods."""
        return self.cut_out_m3 + self.holes_wall_m3 - self.piece_m3 - self.rods_m3


@dataclass(frozen=True, slots=True, kw_only=True)
class Assembly:
    """One inset, ready to be pushed on and taken off.

    Parameters
    ----------
    repair, piece_id : str
        Whose it is.
    cut_out, piece : Polygon
        Outlines on the face, corner for corner.
    joints_m : tuple of float
        Joint of each edge as planned, 0 where it is exposed.
    kinds : tuple of str
        Kind of each edge: inset, joint or exposed.
    cut_depth_m, piece_depth_m : float
        Even depth of the cut-out, and of the piece with what stands out of the wall.
    bedding_m, out_m : float
        Mortar behind the piece, and how far the piece stands out of the wall plane (proud allowance and moulding).
    proud_m : float
        What is worked back after setting.
    pins : tuple of Pin
        Rods with their holes.
    way_in : (float, float, float)
        Unit vector: right, up, into the wall.
    undercut_deg, groove_width_m, groove_depth_m, groove_spacing_m, eased_edge_m : float
        Undercut of the sides cut in the stone, keyed grooves and eased back edges.
    template : mapping, optional
        The drilling template as told to the mason.
    backing_m : float, optional
        Stone behind the cut-out, where known.
    host : Polygon, optional
        Outline of the wall stone.
    """

    repair: str
    piece_id: str
    cut_out: Polygon
    piece: Polygon
    joints_m: tuple[float, ...]
    kinds: tuple[str, ...]
    cut_depth_m: float
    piece_depth_m: float
    bedding_m: float
    out_m: float
    proud_m: float
    pins: tuple[Pin, ...]
    way_in: tuple[float, float, float] = STRAIGHT
    undercut_deg: float = 0.0
    groove_width_m: float = 0.0
    groove_depth_m: float = 0.0
    groove_spacing_m: float = 0.05
    eased_edge_m: float = 0.0
    template: Mapping[str, Any] | None = None
    backing_m: float | None = None
    host: Polygon | None = None

    @property
    def in_wall_m(self) -> float:
        """Depth of the back of the piece below the wall plane."""
        return self.cut_depth_m - self.bedding_m

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the edges, in the order of the outline."""
        return edge_names(ring_of(self.cut_out))

    def volumes(self) -> Volumes:
        """Volumes of the solids, with the piece counted as far as the wall plane.

        Notes
        -----
        Undercut sides and eased back edges meet in mitred corners and are exact. A hole that crosses a groove is counted
        in both, so that the piece comes out too small by at most the diameter of the hole times the section of the groove,
        which is less than 0.1 mL for each hole.
        """
        undercut = math.tan(math.radians(self.undercut_deg))
        rates = [undercut if k == "inset" else 0.0 for k in self.kinds]
        depth = self.in_wall_m
        grooves = (
            groove_lines(self.piece, self.groove_spacing_m).length
            * self.groove_width_m
            * self.groove_depth_m
            if self.groove_width_m > 0 and self.groove_depth_m > 0
            else 0.0
        )
        eased = -_beyond(self.piece, [-1.0] * len(self.kinds), self.eased_edge_m)
        holes_piece = sum(math.pi / 4 * p.piece_hole_m**2 * p.hole_piece_m for p in self.pins)
        return Volumes(
            cut_out_m3=self.cut_out.area * self.cut_depth_m
            + _beyond(self.cut_out, rates, self.cut_depth_m),
            piece_m3=self.piece.area * depth - grooves - eased - holes_piece,
            rods_m3=sum(math.pi / 4 * p.rod_m**2 * p.rod_length_m for p in self.pins),
            holes_wall_m3=sum(math.pi / 4 * p.hole_m**2 * p.hole_wall_m for p in self.pins),
            holes_piece_m3=holes_piece,
            grooves_m3=grooves,
            eased_m3=eased,
        )

    def as_contract(self, *, treatment: str) -> dict[str, Any]:
        """The plain values of the file of insets: lengths in millimetres, angles as unit vectors."""
        names = self.names
        fault_free = {n: _mm(j) for n, j in zip(names, self.joints_m, strict=True)}
        return {
            "repair": self.repair,
            "piece": self.piece_id,
            "treatment": treatment,
            "outline": [[_mm(x), _mm(y)] for x, y in ring_of(self.piece)],
            "cut_out": [[_mm(x), _mm(y)] for x, y in ring_of(self.cut_out)],
            "depth": _mm(self.piece_depth_m),
            "cut_depth": _mm(self.cut_depth_m),
            "bedding": _mm(self.bedding_m),
            "out_of_wall": _mm(self.out_m),
            "proud": _mm(self.proud_m),
            "way_in": [round(x, 9) for x in self.way_in],
            "joints": {n: fault_free[n] for n in sorted(names, key=_speaking)},
            "exposed": [n for n, k in zip(names, self.kinds, strict=True) if k == "exposed"],
            "pins": [
                {
                    "x": _mm(p.u_m),
                    "y": _mm(p.v_m),
                    "rod": _mm(p.rod_m),
                    "hole_wall": _mm(p.hole_m),
                    "hole_piece": _mm(p.piece_hole_m),
                    "into_wall": _mm(p.hole_wall_m),
                    "into_piece": _mm(p.hole_piece_m),
                    "rod_into_wall": _mm(p.embedment_m),
                    "rod_into_piece": _mm(p.into_piece_m),
                    "rod_length": _mm(p.rod_length_m),
                    "direction": [round(x, 9) + 0.0 for x in p.direction],
                    "fixing": p.fixing,
                }
                for p in self.pins
            ],
        }


def _speaking(name: str) -> tuple[int, int, str]:
    order = ("top", "right", "bottom", "left")
    return (0, order.index(name), "") if name in order else (1, 0, name)


def _mm(length_m: float) -> float:
    return round(length_m * 1000.0, 4) + 0.0


def _beyond(outline: Polygon, rates: Sequence[float], depth_m: float) -> float:
    """Volume that leaning sides add to a prism, the sides moving outward by their rates for each metre of depth.

    The area is a quadratic of the depth as long as no edge vanishes, so that Simpson's rule is exact.
    """
    if depth_m <= 0 or not any(rates):
        return 0.0
    ring = ring_of(outline)
    if not outline.exterior.is_ccw:
        ring, rates = ring[::-1], [*rates[-2::-1], rates[-1]]
    middle, end = (offset_edges(ring, [-r * d for r in rates]).area for d in (depth_m / 2, depth_m))
    return float(depth_m / 6 * (4 * (middle - outline.area) + (end - outline.area)))


def groove_lines(face: Polygon, spacing_m: float) -> Any:
    """Middle lines of the level grooves over the back of a piece, clear of its edges by half their spacing."""
    inner = face.buffer(-spacing_m / 2, join_style="mitre")
    if inner.is_empty:
        return shapely.MultiLineString()
    u0, v0, u1, v1 = inner.bounds
    count = math.floor((v1 - v0) / spacing_m + 1e-9) + 1
    start = (v0 + v1) / 2 - (count - 1) * spacing_m / 2
    lines = shapely.MultiLineString(
        [[[u0 - 1, start + k * spacing_m], [u1 + 1, start + k * spacing_m]] for k in range(count)]
    )
    return shapely.intersection(lines, inner)


def read_pins(values: Any, *, bedding_m: float) -> tuple[Pin, ...]:
    """The pins as kept with a repair.

    Raises
    ------
    GeometryError
        A value is missing or is no number.
    """
    pins = []
    for number, given in enumerate([] if is_missing(values) else values, start=1):
        try:
            numbers = {k: float(given[k]) for k in _LENGTHS}
            if not all(math.isfinite(x) for x in numbers.values()):
                raise ValueError("not finite")
            turned = {
                k: float(given.get(k) or 0.0) for k in ("angle_deg", "turn_deg", "bore_piece_m")
            }
            pin = Pin(
                **numbers,
                **turned,
                grade=str(given.get("grade") or ""),
                fixing=str(given.get("fixing") or BEFORE),
            )
            gap = given.get("gap_m")
            gap = bedding_m / pin.direction[2] if gap is None else float(gap)
        except (KeyError, TypeError, ValueError, AttributeError):
            raise GeometryError(
                f"pin {number} cannot be read", "Plan again, or set the pin out anew."
            ) from None
        pins.append(Pin(**numbers, **turned, grade=pin.grade, fixing=pin.fixing, gap_m=gap))
    return tuple(pins)


_LENGTHS = (
    "u_m",
    "v_m",
    "rod_m",
    "hole_m",
    "embedment_m",
    "into_piece_m",
    "hole_wall_m",
    "hole_piece_m",
)


def assembly_of(
    repair: Mapping[str, Any],
    piece: Mapping[str, Any],
    *,
    settings: Settings,
    host: Any = None,
    backing_m: float | None = None,
) -> Assembly:
    """The assembly of a repair and its piece as they stand in the tables.

    Parameters
    ----------
    repair, piece : mapping
        Rows; a piece as measured stands in the cut-out as measured.
    settings : Settings
        Trade values of the project.
    host : Polygon, optional
        Outline of the wall stone.
    backing_m : float, optional
        Stone behind the cut-out.

    Raises
    ------
    GeometryError
        Joints, outline or pins cannot be read.
    """
    name = str(repair["id"])
    joints, kinds = repair["edges"], repair["edge_kinds"]
    cut_out, outline = repair["geometry"], piece["geometry"]
    if not isinstance(joints, Sequence) or not isinstance(kinds, Sequence):
        raise GeometryError(f"repair {name} has no joints", "Plan it again.")
    count = len(ring_of(cut_out))
    if not len(joints) == len(kinds) == count or len(ring_of(outline)) != count:
        raise GeometryError(
            f"repair {name}: cut-out, piece and joints do not have the same number of edges",
            "Plan it again, or design the piece anew.",
        )
    outline = _corner_for_corner(outline, cut_out)
    materials = {} if is_missing(repair.get("materials")) else repair["materials"]
    moulding = float((materials.get("moulding") or {}).get("projection_m") or 0.0)
    proud = float(materials.get("proud_m", settings.proud_m))
    depth = float(repair["depth_m"])
    if not bool(piece.get("provisional", True)):
        cut_out = offset_edges(ring_of(outline), [-float(j) for j in joints])
        measured = repair.get("measured")
        depths = list(measured.get("depths_m") or ()) if isinstance(measured, Mapping) else []
        depth = min(depths, default=depth)
    return Assembly(
        repair=name,
        piece_id=str(piece["id"]),
        cut_out=cut_out,
        piece=outline,
        joints_m=tuple(float(j) for j in joints),
        kinds=tuple(str(k) for k in kinds),
        cut_depth_m=depth,
        piece_depth_m=float(piece["depth_m"]),
        bedding_m=settings.bedding_m,
        out_m=proud + moulding,
        proud_m=proud,
        pins=read_pins(repair.get("pins"), bedding_m=settings.bedding_m),
        way_in=way_of(repair).direction,
        undercut_deg=settings.undercut_deg,
        groove_width_m=settings.groove_width_m,
        groove_depth_m=settings.groove_depth_m,
        groove_spacing_m=settings.groove_spacing_m,
        eased_edge_m=settings.eased_edge_m,
        template=materials.get("drilling_template"),
        backing_m=backing_m,
        host=host if isinstance(host, Polygon) else None,
    )


def _corner_for_corner(piece: Polygon, cut_out: Polygon) -> Polygon:
    """The outline of the piece begun at the corner that lies nearest to the first one of the cut-out, the same way round."""
    ring, wanted = ring_of(piece), ring_of(cut_out)
    if piece.exterior.is_ccw != cut_out.exterior.is_ccw:
        ring = ring[::-1]
    apart = [
        float(np.hypot(*(np.roll(ring, -k, axis=0) - wanted).T).sum()) for k in range(len(ring))
    ]
    first = int(np.argmin(apart))
    return Polygon(np.roll(ring, -first, axis=0))
