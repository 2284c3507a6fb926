"""The matching problem as numbers: repairs to fill, blocks to cut from, the rules of the yard.

Lengths are in millimetres here, since a saw is set in millimetres and the exchange files carry them;
every name says so. The values are checked when they are made; :class:`Problem` checks what concerns
several of them together.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Literal, TypeAlias

import shapely

from facademap.errors import GeometryError, InputError

__all__ = [
    "TOLERANCE_MM",
    "Block",
    "Face",
    "Flaw",
    "Lock",
    "Params",
    "Point",
    "Problem",
    "Repair",
]

#: One tolerance for every length of a plan.
TOLERANCE_MM = 0.01
#: No building stone is as long as this; larger numbers are slips of the unit.
LARGEST_MM = 100_000.0
SMALLEST_AREA_MM2 = 1.0
#: Thinner pieces and blocks are metres given for millimetres.
SMALLEST_DEPTH_MM = 1.0

Point: TypeAlias = tuple[float, float]
Lab: TypeAlias = tuple[float, float, float]
RepairBed: TypeAlias = Literal["horizontal", "edge", "any"]
FaceBed: TypeAlias = Literal["x", "none", "parallel", "unknown"]
CutMode: TypeAlias = Literal["guillotine", "free"]


def _number(
    value: float, what: str, *, low: float = -math.inf, high: float = math.inf, above: bool = False
) -> float:
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
        raise InputError(f"{what} is {value!r}, not a finite number", f"Give {what} as a number.")
    if value < low or value > high or (above and value <= low):
        bounds = f"{'above' if above else 'from'} {low:g}" + (
            "" if high == math.inf else f" to {high:g}"
        )
        raise InputError(f"{what} is {value:g}", f"Give a value {bounds}.")
    return float(value)


def _one_of(value: str, allowed: Sequence[str], what: str) -> None:
    if value not in allowed:
        raise InputError(f"{what} is {value!r}", f"Use one of {', '.join(allowed)}.")


def _text(value: str, what: str) -> None:
    if not isinstance(value, str) or not value.strip():
        raise InputError(f"{what} is {value!r}", "Give a text that is not empty.")
    if any("\ud800" <= letter <= "\udfff" for letter in value):
        raise InputError(f"{what} is {value!r}, which is half a character", "Write the text again.")


def _lab(value: Sequence[float] | None, what: str) -> Lab | None:
    if value is None:
        return None
    if len(value) != 3:
        raise InputError(f"{what} has {len(value)} numbers", "Give the three numbers L, a, b.")
    numbers = [_number(v, what, low=-1000.0, high=1000.0) for v in value]
    return numbers[0], numbers[1], numbers[2]


def _outline(points: Iterable[Sequence[float]], what: str) -> tuple[Point, ...]:
    """Check that an outline is a simple ring; a repeated closing vertex is dropped."""
    ring: list[Point] = []
    for point in points:
        if len(point) != 2:
            raise GeometryError(
                f"{what} has a vertex of {len(point)} numbers", "Give every vertex as x, y."
            )
        x, y = (_number(v, f"a vertex of {what}", low=-LARGEST_MM, high=LARGEST_MM) for v in point)
        ring.append((x, y))
    if len(ring) > 3 and ring[0] == ring[-1]:
        ring.pop()
    if len(ring) < 3:
        raise GeometryError(
            f"{what} has {len(ring)} vertices", "Give an outline of at least three vertices."
        )
    if any(a == b for a, b in zip(ring, ring[1:] + ring[:1], strict=True)):
        raise GeometryError(f"{what} repeats a vertex", "Remove the repeated vertex.")
    polygon = shapely.Polygon(ring)
    if not polygon.is_valid:
        reason = shapely.is_valid_reason(polygon)
        raise GeometryError(
            f"{what} crosses or touches itself ({reason})", "Redraw the outline as a simple ring."
        )
    if (
        max(polygon.bounds[2] - polygon.bounds[0], polygon.bounds[3] - polygon.bounds[1])
        > LARGEST_MM
    ):
        raise GeometryError(
            f"{what} is more than {LARGEST_MM:g} mm wide or high",
            "Redraw the outline; check its unit.",
        )
    if polygon.area < SMALLEST_AREA_MM2:
        raise GeometryError(
            f"{what} has an area of {polygon.area:g} mm2", "Redraw the outline; check its unit."
        )
    return tuple(ring)


@dataclass(frozen=True, slots=True, kw_only=True)
class Params:
    """The rules of the yard and the weights of the plan."""

    kerf_mm: float = 5.0
    trim_mm: float = 3.0
    depth_kerf_mm: float = 8.0
    depth_allow_mm: float = 5.0
    min_slab_mm: float = 40.0
    cut_mode: CutMode = "guillotine"
    max_slabs: int = 3
    unmatched_penalty: float = 1000.0
    spread_weight: float = 0.25
    finish_penalty: float = 1.5
    open_per_dm3: float = 0.05
    handle_per_kg: float = 0.01

    def __post_init__(self) -> None:
        for name in ("kerf_mm", "trim_mm", "depth_kerf_mm", "depth_allow_mm", "min_slab_mm"):
            _number(
                getattr(self, name), f"params: {name.removesuffix('_mm')}", low=0.0, high=1000.0
            )
        for name in (
            "unmatched_penalty",
            "spread_weight",
            "finish_penalty",
            "open_per_dm3",
            "handle_per_kg",
        ):
            _number(getattr(self, name), f"params: {name}", low=0.0, high=1e9)
        _one_of(self.cut_mode, ("guillotine", "free"), "params: cut_mode")
        if _number(self.max_slabs, "params: max_slabs", low=1.0, high=20.0) % 1.0:
            raise InputError(
                f"params: max_slabs is {self.max_slabs!r}", "Give a whole number from 1 to 20."
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class Lock:
    """What a person has decided for a repair: this block (and place), or none (``block_id`` None)."""

    block_id: str | None
    face_id: str | None = None
    slab: int | None = None
    x_mm: float | None = None
    y_mm: float | None = None
    rot_deg: int | None = None

    def __post_init__(self) -> None:
        more = (self.face_id, self.slab, self.x_mm, self.y_mm, self.rot_deg)
        if self.block_id is None and any(v is not None for v in more):
            raise InputError(
                "a lock without a block names a place", "Name the block, or give only block null."
            )
        if (self.x_mm is None) != (self.y_mm is None):
            raise InputError("a lock gives only one of x and y", "Give both x and y, or none.")
        for value, what in ((self.x_mm, "x of a lock"), (self.y_mm, "y of a lock")):
            if value is not None:
                _number(value, what, low=-LARGEST_MM, high=LARGEST_MM)
        if self.rot_deg is not None and self.rot_deg not in (0, 90, 180, 270):
            raise InputError(f"rot of a lock is {self.rot_deg!r}", "Use 0, 90, 180 or 270.")
        if self.slab is not None and (
            isinstance(self.slab, bool) or not isinstance(self.slab, int) or self.slab < 0
        ):
            raise InputError(f"slab of a lock is {self.slab!r}", "Give a whole number from 0.")


@dataclass(frozen=True, slots=True, kw_only=True)
class Repair:
    """One cut-out that wants a piece.

    ``outline_mm`` lies in the wall (x to the right, y up); ``joints_mm`` holds one joint an edge,
    edge i from vertex i to i + 1. ``lab`` None ranks without colour; ``de_tolerance`` None excludes
    nothing by colour. ``campaign`` names whose repair it is, where several campaigns are matched together.
    """

    id: str
    outline_mm: tuple[Point, ...]
    depth_mm: float
    joints_mm: tuple[float, ...]
    bed: RepairBed
    stone: str
    accept: tuple[str, ...] = ()
    lab: Lab | None = None
    de_tolerance: float | None = None
    finish: str | None = None
    weathered: Literal["required", "any"] = "any"
    priority: float = 1.0
    lock: Lock | None = None
    forbid: tuple[str, ...] = ()
    turn180: bool = True
    campaign: str | None = None

    def __post_init__(self) -> None:
        _text(self.id, "the id of a repair")
        name = f"repair {self.id}"
        given = tuple(tuple(p) for p in self.outline_mm)
        ring = _outline(given, f"{name}: poly")
        joints = tuple(
            float(_number(j, f"{name}: joint", low=0.0, high=1000.0)) for j in self.joints_mm
        )
        if len(joints) == 1:
            joints = joints * len(ring)
        if len(joints) == len(given) == len(ring) + 1:
            joints = joints[:-1]
        if len(joints) != len(ring):
            raise InputError(
                f"{name}: {len(joints)} joints for {len(ring)} edges",
                "Give one joint, or one an edge.",
            )
        object.__setattr__(self, "outline_mm", ring)
        object.__setattr__(self, "joints_mm", joints)
        object.__setattr__(self, "lab", _lab(self.lab, f"{name}: lab"))
        object.__setattr__(self, "accept", tuple(self.accept))
        object.__setattr__(self, "forbid", tuple(self.forbid))
        _number(self.depth_mm, f"{name}: depth", low=SMALLEST_DEPTH_MM, high=LARGEST_MM)
        _one_of(self.bed, ("horizontal", "edge", "any"), f"{name}: bed")
        _text(self.stone, f"{name}: stone")
        for stone in self.accept:
            _text(stone, f"{name}: accept")
        if self.de_tolerance is not None:
            _number(self.de_tolerance, f"{name}: de_tol", low=0.0)
        if self.finish is not None:
            _text(self.finish, f"{name}: finish")
        _one_of(self.weathered, ("required", "any"), f"{name}: weathered")
        _number(self.priority, f"{name}: priority", low=0.0, high=1e6, above=True)
        if self.campaign is not None:
            _text(self.campaign, f"{name}: campaign")
        if not isinstance(self.turn180, bool):
            raise InputError(f"{name}: turn180 is {self.turn180!r}", "Give true or false.")


@dataclass(frozen=True, slots=True, kw_only=True)
class Flaw:
    """A hole, crack or stain of a face, from ``from_mm`` to ``depth_mm`` behind it (None: right through)."""

    outline_mm: tuple[Point, ...]
    depth_mm: float | None = None
    from_mm: float = 0.0

    def __post_init__(self) -> None:
        object.__setattr__(self, "outline_mm", _outline(self.outline_mm, "a flaw"))
        _number(self.from_mm, "from of a flaw", low=0.0, high=LARGEST_MM)
        if self.depth_mm is not None:
            _number(self.depth_mm, "depth of a flaw", low=0.0, high=LARGEST_MM, above=True)
            if self.depth_mm <= self.from_mm:
                raise InputError(
                    f"a flaw reaches from {self.from_mm:g} to {self.depth_mm:g} mm",
                    "Give a depth greater than from.",
                )

    def reaches(self, start_mm: float, thickness_mm: float) -> bool:
        """Whether the flaw reaches into the slab that starts at ``start_mm`` behind the face."""
        return (self.depth_mm is None or self.depth_mm > start_mm + TOLERANCE_MM) and (
            self.from_mm < start_mm + thickness_mm - TOLERANCE_MM
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Face:
    """One face of a block that can be worked: outline (x along the bed trace), usable depth, flaws.

    Where several campaigns are matched together a face may be there for one ``campaign`` alone. A block is worked on one face,
    so that a stone with a face for each of them goes to one of them, whole. ``haul_kg`` is what bringing it there counts as, on top
    of its weight; ``provenance`` counts for every piece taken from it, times priority, as a finish that differs does.
    """

    id: str
    outline_mm: tuple[Point, ...]
    depth_mm: float
    bed: FaceBed
    flaws: tuple[Flaw, ...] = ()
    lab: Lab | None = None
    finish: str | None = None
    weathered: bool = False
    campaign: str | None = None
    haul_kg: float = 0.0
    provenance: float = 0.0

    def __post_init__(self) -> None:
        _text(self.id, "the id of a face")
        name = f"face {self.id}"
        object.__setattr__(self, "outline_mm", _outline(self.outline_mm, f"{name}: poly"))
        object.__setattr__(self, "lab", _lab(self.lab, f"{name}: lab"))
        object.__setattr__(self, "flaws", tuple(self.flaws))
        _number(self.depth_mm, f"{name}: depth", low=SMALLEST_DEPTH_MM, high=LARGEST_MM)
        _one_of(self.bed, ("x", "none", "parallel", "unknown"), f"{name}: bed")
        if self.finish is not None:
            _text(self.finish, f"{name}: finish")
        if not isinstance(self.weathered, bool):
            raise InputError(f"{name}: weathered is {self.weathered!r}", "Give true or false.")
        if self.campaign is not None:
            _text(self.campaign, f"{name}: campaign")
        _number(self.haul_kg, f"{name}: haul_kg", low=0.0, high=1e9)
        _number(self.provenance, f"{name}: provenance", low=0.0, high=1e9)
        # a flaw in a broken-off corner is harmless, one beyond the face's box is a slip of the frame
        around = shapely.box(*shapely.Polygon(self.outline_mm).bounds)
        for number, flaw in enumerate(self.flaws):
            if shapely.Polygon(flaw.outline_mm).intersection(around).area <= 0.0:
                raise GeometryError(
                    f"{name}: flaw {number} lies outside the face",
                    "Measure the flaw again in the frame of its face, or remove it.",
                )

    def is_for(self, repair: Repair) -> bool:
        """Whether the face is there for the campaign of a repair."""
        return self.campaign is None or self.campaign == repair.campaign


@dataclass(frozen=True, slots=True, kw_only=True)
class Block:
    """One salvaged stone. ``spread`` is the mean CIEDE2000 of its colour samples to their mean."""

    id: str
    stone: str
    lab: Lab
    faces: tuple[Face, ...]
    spread: float = 0.0
    weight_kg: float = 0.0

    def __post_init__(self) -> None:
        _text(self.id, "the id of a block")
        name = f"block {self.id}"
        _text(self.stone, f"{name}: stone")
        object.__setattr__(self, "lab", _lab(self.lab, f"{name}: lab"))
        object.__setattr__(self, "faces", tuple(self.faces))
        if self.lab is None:
            raise InputError(
                f"{name}: lab is missing", "Give the mean colour L, a, b of the block."
            )
        _number(self.spread, f"{name}: spread", low=0.0, high=1000.0)
        _number(self.weight_kg, f"{name}: weight_kg", low=0.0, high=1e6)
        if not self.faces:
            raise InputError(
                f"{name} has no face", "Measure at least one face, or leave the block out."
            )
        _no_twins([f.id for f in self.faces], f"{name}: face")

    def face(self, face_id: str) -> Face:
        """The face of that id.

        Raises
        ------
        InputError
            The block has no face of that id.
        """
        for face in self.faces:
            if face.id == face_id:
                return face
        raise InputError(f"block {self.id} has no face {face_id}", "Name one of its faces.")


def _no_twins(ids: Sequence[str], what: str) -> None:
    seen: set[str] = set()
    for one in ids:
        if one in seen:
            raise InputError(f"{what} {one} is there twice", "Give every one its own id.")
        seen.add(one)


def _no_looks() -> Mapping[str, Mapping[str, float]]:
    return MappingProxyType({})


@dataclass(frozen=True, slots=True, kw_only=True)
class Problem:
    """Repairs, blocks and rules. ``looks`` replaces the colour cost of the pairs that it lists."""

    repairs: tuple[Repair, ...]
    blocks: tuple[Block, ...]
    params: Params = Params()
    looks: Mapping[str, Mapping[str, float]] = field(default_factory=_no_looks)

    def __post_init__(self) -> None:
        object.__setattr__(self, "repairs", tuple(self.repairs))
        object.__setattr__(self, "blocks", tuple(self.blocks))
        if not self.repairs:
            raise InputError("there are no repairs to match", "Add at least one repair.")
        if not self.blocks:
            raise InputError("the yard is empty: there are no blocks", "Add at least one block.")
        _no_twins([r.id for r in self.repairs], "repair")
        _no_twins([b.id for b in self.blocks], "block")
        blocks = {b.id: b for b in self.blocks}
        repairs = {r.id for r in self.repairs}
        for repair in self.repairs:
            self._check_references(repair, blocks)
        for repair_id, costs in self.looks.items():
            if repair_id not in repairs:
                raise InputError(
                    f"looks names the repair {repair_id}, which is not there",
                    "Remove it from looks.",
                )
            for block_id, cost in costs.items():
                if block_id not in blocks:
                    raise InputError(
                        f"looks of {repair_id} names the block {block_id}, which is not there",
                        "Remove it from looks.",
                    )
                _number(cost, f"looks of {repair_id} on {block_id}", low=0.0, high=1e9)

    @staticmethod
    def _check_references(repair: Repair, blocks: Mapping[str, Block]) -> None:
        for block_id in repair.forbid:
            if block_id not in blocks:
                raise InputError(
                    f"repair {repair.id} forbids the block {block_id}, which is not there",
                    "Remove it from forbid.",
                )
        lock = repair.lock
        if lock is None or lock.block_id is None:
            return
        if lock.block_id not in blocks:
            raise InputError(
                f"repair {repair.id} is locked to the block {lock.block_id}, which is not there",
                "Name a block of the yard, or lift the lock.",
            )
        if lock.face_id is not None and lock.face_id not in {
            f.id for f in blocks[lock.block_id].faces
        }:
            raise InputError(
                f"repair {repair.id} is locked to the face {lock.face_id}, which block {lock.block_id} does not have",
                "Name one of its faces, or lift the lock.",
            )

    def block(self, block_id: str) -> Block:
        """The block of that id.

        Raises
        ------
        InputError
            There is no such block.
        """
        for block in self.blocks:
            if block.id == block_id:
                return block
        raise InputError(f"there is no block {block_id}", "Name a block of the yard.")

    def repair(self, repair_id: str) -> Repair:
        """The repair of that id.

        Raises
        ------
        InputError
            There is no such repair.
        """
        for repair in self.repairs:
            if repair.id == repair_id:
                return repair
        raise InputError(f"there is no repair {repair_id}", "Name a repair of the problem.")
