"""The setting of an inset gone through step by step: set the rods, push on, take off with the rods in place, set again.

What cannot be done is named with its remedy; nothing is printed as ready that does not pass.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely

from facademap.errors import FacademapError
from facademap.repair.assembly import Assembly, assembly_of
from facademap.repair.edges import edge_names, ring_of
from facademap.repair.fixings import FIXINGS, RESIN, THROUGH_FACE
from facademap.repair.pins import Pin, drilling_template
from facademap.repair.settings import Settings
from facademap.tables import is_missing

__all__ = ["WAY_CLEAR_M", "Fault", "Replay", "replay", "replay_rows"]

#: Free room beside the piece on its way in; a hand-held piece does not keep less (common practice).
WAY_CLEAR_M = 0.0005
#: Least room for resin round a rod, on the diameter (common practice).
_RESIN_LEAST_M = 0.0015
#: Sizes that agree to a tenth of a millimetre are alike.
_ALIKE_M = 1e-4
#: Rounding of sums of lengths.
_ROUND_M = 2e-5


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One thing that fails: what it is about, what is wrong, and what to do."""

    about: str
    problem: str
    remedy: str

    @property
    def sentence(self) -> str:
        """In one sentence and its remedy."""
        return f"{self.about}: {self.problem}. {self.remedy}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Replay:
    """What going through the assembly showed.

    Parameters
    ----------
    faults : tuple of Fault
        Empty when it can be done.
    way_clear_m : float
        Least free room beside the piece over the whole way.
    rod_clear_m : float
        Least free room round a rod on the way, on the radius; NaN without rods set before the piece.
    cover_m : float
        Least stone between a rod or hole and the finished face; NaN without rods.
    edge_m : float
        Least distance from the axis of a hole to an edge of the piece; NaN without rods.
    """

    faults: tuple[Fault, ...]
    way_clear_m: float
    rod_clear_m: float = math.nan
    cover_m: float = math.nan
    edge_m: float = math.nan

    @property
    def passed(self) -> bool:
        """Whether it can be set as planned."""
        return not self.faults


def replay(assembly: Assembly, *, settings: Settings) -> Replay:
    """Go through the setting of one inset.

    Parameters
    ----------
    assembly : Assembly
        The solids.
    settings : Settings
        Least joints, covers, distances and embedments.

    Returns
    -------
    Replay
        All faults, not only the first.
    """
    faults = [*_depths(assembly), *_joints(assembly, settings)]
    clear, more = _way_in(assembly)
    faults += more
    rod_clear, cover, edge = math.nan, math.nan, math.nan
    shapely.prepare(assembly.piece)
    for number, pin in enumerate(assembly.pins, start=1):
        about = f"pin {number}"
        if pin.fixing not in FIXINGS:
            faults.append(
                Fault(
                    about=about,
                    problem=f"its fixing {pin.fixing!r} is unknown",
                    remedy=f"Use one of {', '.join(FIXINGS)}.",
                )
            )
            continue
        faults += _rod_in_holes(about, pin, settings)
        if pin.fixing != THROUGH_FACE:
            free, miss = _free_and_miss(assembly, pin)
            rod_clear = np.fmin(rod_clear, free - miss)
            faults += _pushed_on(about, pin, free=free, miss=miss)
        kept, more = _cover(about, assembly, pin, settings)
        cover = np.fmin(cover, kept)
        faults += more
        kept, more = _edge(about, assembly, pin, settings)
        edge = np.fmin(edge, kept)
        faults += more
        faults += _behind(about, assembly, pin, settings)
    faults += _apart(assembly, settings)
    faults += _template(assembly)
    return Replay(
        faults=tuple(faults),
        way_clear_m=clear,
        rod_clear_m=float(rod_clear),
        cover_m=float(cover),
        edge_m=float(edge),
    )


def replay_rows(
    repair: Mapping[str, Any],
    piece: Mapping[str, Any],
    *,
    settings: Settings,
    stone: Mapping[str, Any] | None = None,
) -> tuple[Assembly | None, Replay]:
    """The replay of rows of the tables; what cannot be read is a fault of its own.

    Parameters
    ----------
    repair, piece : mapping
        Rows of the project's tables.
    settings : Settings
        Trade values of the project.
    stone : mapping, optional
        Row of the wall stone, for what stands behind and round the cut-out.
    """
    behind, host = None, None
    if stone is not None:
        host = stone["geometry"]
        deep = stone["depth_m"]
        behind = (
            None if is_missing(deep) or not deep > 0 else float(deep) - float(repair["depth_m"])
        )
    try:
        assembly = assembly_of(repair, piece, settings=settings, host=host, backing_m=behind)
    except FacademapError as fault:
        unread = Fault(about="assembly", problem=fault.problem, remedy=fault.remedy)
        return None, Replay(faults=(unread,), way_clear_m=math.nan)
    found = replay(assembly, settings=settings)
    if not assembly.pins and repair["treatment"] == "inset":
        no_pin = Fault(
            about="pins",
            problem="no rod holds the piece",
            remedy="Cut deeper or make it larger so that a rod has its cover, or have another fixing agreed by an engineer.",
        )
        found = Replay(faults=(*found.faults, no_pin), way_clear_m=found.way_clear_m)
    return assembly, found


def _mm(length_m: float) -> str:
    return f"{length_m * 1000:.1f} mm"


def _depths(a: Assembly) -> Iterator[Fault]:
    if a.in_wall_m <= 0:
        yield Fault(
            about="depth",
            problem=f"the cut-out is {_mm(a.cut_depth_m)} deep and the bedding takes {_mm(a.bedding_m)}",
            remedy="Cut deeper.",
        )
    wanted = a.in_wall_m + a.out_m
    if abs(wanted - a.piece_depth_m) > _ALIKE_M:
        yield Fault(
            about="depth",
            problem=f"the piece is {_mm(a.piece_depth_m)} deep; cut-out less bedding and what stands out of the wall is {_mm(wanted)}",
            remedy="Plan again, or design the piece anew.",
        )


def _normals(ring: np.ndarray) -> np.ndarray:
    """Outward unit normal of every edge, shape (n, 2)."""
    along = np.roll(ring, -1, axis=0) - ring
    after = np.roll(ring, -1, axis=0)
    area2 = float((ring[:, 0] * after[:, 1] - after[:, 0] * ring[:, 1]).sum())
    out = np.column_stack([along[:, 1], -along[:, 0]]) * (1.0 if area2 >= 0 else -1.0)
    return np.asarray(out / np.maximum(np.hypot(out[:, 0], out[:, 1]), 1e-12)[:, None])


def _gaps(a: Assembly) -> np.ndarray:
    """Room between each edge of the piece and the side of the cut-out beside it, at either end of the edge; (n, 2)."""
    cut, piece = ring_of(a.cut_out), ring_of(a.piece)
    out = _normals(cut)
    level = (out * cut).sum(axis=1)
    ends = np.stack([piece, np.roll(piece, -1, axis=0)], axis=1)
    return np.asarray(level[:, None] - (out[:, None, :] * ends).sum(axis=2))


def _joints(a: Assembly, settings: Settings) -> Iterator[Fault]:
    gaps = _gaps(a)
    for name, joint, kind, gap in zip(a.names, a.joints_m, a.kinds, gaps, strict=True):
        about = f"joint {name}"
        if np.abs(gap - joint).max() > _ALIKE_M:
            yield Fault(
                about=about,
                problem=f"{_mm(joint)} is drawn, piece and cut-out leave {_mm(gap.min())} to {_mm(gap.max())}",
                remedy="Plan again, or design the piece anew.",
            )
        elif kind != "exposed" and joint < settings.joint_minimum_m - _ROUND_M:
            yield Fault(
                about=about,
                problem=f"{_mm(joint)} is too thin to be filled, {_mm(settings.joint_minimum_m)} are needed",
                remedy="Make the joint wider, so that the piece is cut smaller.",
            )


def _way_in(a: Assembly) -> tuple[float, list[Fault]]:
    """Least free room beside the piece between standing before the wall and its seat."""
    right, up, into = a.way_in
    if abs(math.sqrt(right * right + up * up + into * into) - 1.0) > 1e-6 or into <= 1e-6:
        return math.nan, [
            Fault(
                about="way in",
                problem="it does not lead into the wall",
                remedy="Give a direction into the wall, straight where nothing else is needed.",
            )
        ]
    names = np.array([k != "exposed" for k in a.kinds])
    if not names.any():
        return math.inf, []
    travel = max(a.piece_depth_m, 0.0) / into
    # the sides are straight and the piece moves in a line: the room is least at one end of the way
    aside = _normals(ring_of(a.cut_out)) @ np.array([right, up]) * travel
    least = _gaps(a).min(axis=1) + np.minimum(aside, 0.0)
    # joints too thin or wrong are named for themselves
    clear = float(least[names].min())
    blocked = [
        (n, float(g))
        for n, g, counts in zip(edge_names(ring_of(a.cut_out)), least, names, strict=True)
        if counts and g < WAY_CLEAR_M - 1e-9
    ]
    if not blocked:
        return clear, []
    words = ", ".join(f"{n} by {_mm(WAY_CLEAR_M - g)}" for n, g in blocked)
    room = _gaps(a).min(axis=1)[names] - WAY_CLEAR_M
    towards = np.maximum(-aside[names], 1e-12)
    share = float(np.clip((room / towards).min(), 0.0, 1.0))
    most = math.degrees(math.atan(share * math.hypot(right, up) / into))
    steepest = f"The joints allow {most:.1f} degrees that way. " if share > 0 else ""
    return clear, [
        Fault(
            about="way in",
            problem=f"the piece strikes the cut-out at {words} on its way",
            remedy=f"{steepest}Push it straight in with straight rods, or make that joint wider.",
        )
    ]


def _free_and_miss(a: Assembly, pin: Pin) -> tuple[float, float]:
    """Free room round the rod in its hole in the piece, and how far the hole is off the rod when they meet."""
    way, rod = np.array(a.way_in), np.array(pin.direction)
    across = float(np.linalg.norm(np.cross(way, rod)))
    # the hole reaches the end of the rod when the back of the piece does
    reach = pin.into_piece_m * rod[2] / max(way[2], 1e-9)
    return (pin.piece_hole_m - pin.rod_m) / 2, reach * across


def _pushed_on(about: str, pin: Pin, *, free: float, miss: float) -> Iterator[Fault]:
    if miss <= free + _ROUND_M:
        return
    sloped = "" if pin.fixing != RESIN else ", or widen the hole in the piece"
    yield Fault(
        about=about,
        problem=f"the rod end misses its hole by {_mm(miss - free)} when the piece is pushed on, nor does the piece come off again: "
        f"{_mm(miss)} aside, {_mm(free)} free",
        remedy=f"Set all rods parallel to the way in{sloped}, or drill them through the face after setting.",
    )


def _rod_in_holes(about: str, pin: Pin, settings: Settings) -> Iterator[Fault]:
    room = _RESIN_LEAST_M if pin.fixing == RESIN else settings.hole_clearance_m
    for where, hole in (("wall", pin.hole_m), ("piece", pin.piece_hole_m)):
        if hole - pin.rod_m < room - _ROUND_M:
            yield Fault(
                about=about,
                problem=f"a hole of {_mm(hole)} in the {where} for a rod of {_mm(pin.rod_m)} leaves no room for the grout, {_mm(room)} are needed",
                remedy="Drill wider, or take a thinner rod.",
            )
    for where, rod, hole in (
        ("wall", pin.embedment_m, pin.hole_wall_m),
        ("piece", pin.into_piece_m, pin.hole_piece_m),
    ):
        if rod > hole + _ROUND_M:
            yield Fault(
                about=about,
                problem=f"the rod is {_mm(rod)} long in the {where}, its hole {_mm(hole)} deep: it stands on the end of the hole",
                remedy="Drill deeper where the stone allows it, or cut the rod shorter.",
            )
    least = max(settings.embedment_m, settings.embedment_rods * pin.rod_m)
    if pin.embedment_m < least - _ROUND_M:
        yield Fault(
            about=about,
            problem=f"{_mm(pin.embedment_m)} of rod in the wall, {_mm(least)} are needed",
            remedy="Drill deeper into the wall, and cut the rod longer.",
        )
    if pin.into_piece_m < settings.into_piece_minimum_m - _ROUND_M:
        yield Fault(
            about=about,
            problem=f"{_mm(pin.into_piece_m)} of rod in the piece, {_mm(settings.into_piece_minimum_m)} are needed",
            remedy="Cut the cut-out deeper, so that the piece takes more of the rod.",
        )


def _cover(about: str, a: Assembly, pin: Pin, settings: Settings) -> tuple[float, list[Fault]]:
    """Stone between hole and finished face, or the plug over a rod drilled through the face."""
    into = pin.direction[2]
    if pin.fixing == THROUGH_FACE:
        kept = a.in_wall_m - pin.into_piece_m * into
        what = "the plug over it"
        if pin.hole_piece_m * into < a.in_wall_m - _ROUND_M:
            return kept, [
                Fault(
                    about=about,
                    problem="it is drilled through the face, but its hole does not reach the face",
                    remedy="Give the hole in the piece the whole depth of the piece.",
                )
            ]
    else:
        tilt = math.sqrt(max(0.0, 1.0 - into * into))
        kept = a.in_wall_m - pin.hole_piece_m * into - pin.piece_hole_m / 2 * tilt
        what = "the stone before its hole"
    if kept >= settings.cover_m - _ROUND_M:
        return kept, []
    through = "the hole comes out of the face" if kept <= 0 else f"{what} is {_mm(kept)}"
    return kept, [
        Fault(
            about=about,
            problem=f"{through}, {_mm(settings.cover_m)} are needed",
            remedy="Drill less deep into the piece, or cut the cut-out deeper.",
        )
    ]


def _edge(about: str, a: Assembly, pin: Pin, settings: Settings) -> tuple[float, list[Fault]]:
    """Distance of the axis from the edges of the piece, at the back and where the hole ends."""
    right, up, _ = pin.direction
    ends = np.array(
        [
            [pin.u_m, pin.v_m],
            [pin.u_m - right * pin.hole_piece_m, pin.v_m - up * pin.hole_piece_m],
        ]
    )
    inside = shapely.contains_xy(a.piece, ends)
    if not inside.all():
        return 0.0, [
            Fault(
                about=about,
                problem="it does not lie in the piece from end to end",
                remedy="Move it on to the piece.",
            )
        ]
    kept = float(shapely.distance(a.piece.exterior, shapely.points(ends)).min())
    least = max(
        settings.edge_distance_holes * pin.piece_hole_m, pin.piece_hole_m / 2 + a.eased_edge_m
    )
    if kept >= least - _ROUND_M:
        return kept, []
    return kept, [
        Fault(
            about=about,
            problem=f"it stands {_mm(kept)} from an edge of the piece, {_mm(least)} are needed",
            remedy="Move it inwards, take a thinner rod, or make the cut-out wider.",
        )
    ]


def _behind(about: str, a: Assembly, pin: Pin, settings: Settings) -> Iterator[Fault]:
    """The hole in the wall stays in its stone, with stone behind it."""
    right, up, into = pin.direction
    if a.backing_m is not None:
        left = a.backing_m - pin.hole_wall_m * into
        if left < settings.cover_m - _ROUND_M:
            yield Fault(
                about=about,
                problem=f"its hole in the wall leaves {_mm(max(left, 0.0))} of stone behind it, {_mm(settings.cover_m)} are needed",
                remedy="Pin into the stone behind, or use shorter rods agreed by an engineer.",
            )
    if a.host is not None:
        length = pin.gap_m + pin.hole_wall_m
        ends = np.array([[pin.u_m, pin.v_m], [pin.u_m + right * length, pin.v_m + up * length]])
        least = settings.edge_distance_holes * pin.hole_m
        near = float(shapely.distance(a.host.exterior, shapely.points(ends)).min())
        if not shapely.contains_xy(a.host, ends).all() or near < least - _ROUND_M:
            yield Fault(
                about=about,
                problem=f"its hole in the wall comes nearer than {_mm(least)} to the joint of the wall stone",
                remedy="Move it inwards, or slope it less.",
            )


def _apart(a: Assembly, settings: Settings) -> Iterator[Fault]:
    """Holes that run into one another, in the piece or in the wall."""
    ends = [
        (
            np.array([p.u_m, p.v_m]) - np.array(p.direction[:2]) * p.hole_piece_m,
            np.array([p.u_m, p.v_m]) + np.array(p.direction[:2]) * (p.gap_m + p.hole_wall_m),
        )
        for p in a.pins
    ]
    for i in range(len(a.pins)):
        for j in range(i):
            near = min(float(np.hypot(*(ends[i][k] - ends[j][k]))) for k in (0, 1))
            least = settings.edge_distance_holes * max(
                a.pins[i].piece_hole_m, a.pins[j].piece_hole_m
            )
            if near < least - _ROUND_M:
                yield Fault(
                    about=f"pins {j + 1} and {i + 1}",
                    problem=f"their holes come within {_mm(near)} of one another, {_mm(least)} are needed",
                    remedy="Move them apart, or leave one out.",
                )


def _template(a: Assembly) -> Iterator[Fault]:
    """The template as told: its holes must be those of the rods, on the back of the piece and in the wall."""
    if a.template is None:
        return
    wanted = drilling_template(a.piece, a.pins)
    for side, where in (("wall", "the wall"), ("piece_back", "the back of the piece")):
        told = a.template.get(side) or []
        if len(told) != len(a.pins):
            yield Fault(
                about="drilling template",
                problem=f"{len(told)} holes for {where}, {len(a.pins)} rods",
                remedy="Plan again, or place the pins anew.",
            )
            continue
        for number, (got, right) in enumerate(zip(told, wanted[side], strict=True), start=1):
            off = max(
                abs(float(got.get(k) or 0.0) - right[k])
                for k in ("right_m", "up_m", "hole_m", "deep_m")
            )
            if off > _ALIKE_M:
                yield Fault(
                    about="drilling template",
                    problem=f"hole {number} for {where} is {_mm(off)} off its rod",
                    remedy="Plan again, or place the pins anew.",
                )
