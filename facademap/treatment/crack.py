"""Cracks: watched, closed, grouted, filled, and stitched with rods where the parts could move."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import shapely

from facademap.repair.mixes import Mix, batch
from facademap.repair.mortar import hole_volume_m3
from facademap.tables import is_missing
from facademap.treatment.case import Case, chosen_mix
from facademap.treatment.job import (
    Figure,
    Job,
    Place,
    Product,
    figure,
    sentences,
    worked_out,
)
from facademap.treatment.strips import points_along

__all__ = ["Stitch", "design_crack", "grout_volume_m3", "ports_along", "stitches_across"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Stitch:
    """A rod across a crack, in a hole drilled from the face on one side of it.

    Parameters
    ----------
    embedment_m : float
        Of the rod on each side of the crack, along the rod.
    cover_m : float
        Stone between the end of the rod and the face, square to the face.
    angle_deg : float
        Of the hole to the face.

    Notes
    -----
    The crack is taken as square to the face. Along the hole the rod begins at ``cover / sin(angle)``, crosses the crack one
    embedment later, and ends another embedment later, where the hole ends too.
    """

    embedment_m: float
    cover_m: float
    angle_deg: float

    @property
    def rod_m(self) -> float:
        """Length of the rod."""
        return 2 * self.embedment_m

    @property
    def hole_m(self) -> float:
        """Length of the hole."""
        return self.cover_m / self._sin + self.rod_m

    @property
    def entry_m(self) -> float:
        """Distance of the mouth of the hole from the crack, on the face."""
        return (self.hole_m - self.embedment_m) * math.cos(math.radians(self.angle_deg))

    @property
    def beyond_m(self) -> float:
        """Reach of the rod beyond the crack, on the face."""
        return self.embedment_m * math.cos(math.radians(self.angle_deg))

    @property
    def crossing_m(self) -> float:
        """Depth behind the face at which the rod crosses the crack."""
        return (self.hole_m - self.embedment_m) * self._sin

    @property
    def bottom_m(self) -> float:
        """Depth behind the face of the end of the hole."""
        return self.hole_m * self._sin

    @property
    def _sin(self) -> float:
        return math.sin(math.radians(self.angle_deg))


_ENGINEER = (
    "A rod across a crack ties two parts of the wall: a structural engineer decides whether the crack still moves and whether "
    "and how it is tied, before a hole is drilled."
)


def grout_volume_m3(length_m: float, width_m: float, depth_m: float) -> float:
    """Void of a crack that closes to nothing at its depth: half of length x width x depth.

    Notes
    -----
    A crack is widest at the face; a wedge holds half of the box round it. Where it stays open behind, up to twice as much goes
    in, so that grouting stops at a multiple of this figure and somebody looks where it went.

    Examples
    --------
    >>> grout_volume_m3(1.0, 0.001, 0.1) * 1e6
    50.0
    """
    return round(0.5 * length_m * width_m * depth_m, 15)


def ports_along(
    line: shapely.LineString, *, depth_m: float, widest_m: float, least_m: float
) -> np.ndarray:
    """Places of grout ports, the ends of the crack included.

    Parameters
    ----------
    line : LineString
        The crack, metres.
    depth_m : float
        Its depth: ports lie no further apart than it is deep, so that grout from one shows at the next.
    widest_m, least_m : float
        Most and least spacing.

    Returns
    -------
    array of shape (n, 2)
    """
    return points_along(line, max(min(widest_m, depth_m), least_m))


def stitches_across(
    line: shapely.LineString,
    stone: shapely.Polygon | None,
    *,
    spacing_m: float,
    stitch: Stitch,
    edge_m: float,
) -> tuple[list[Place], int]:
    """Entry points of rods drilled in turn from both sides of a crack, square to it in the face.

    Parameters
    ----------
    line : LineString
        The crack, metres.
    stone : Polygon, optional
        The stone it lies in; an entry nearer to its edge than ``edge_m`` is left out.
    spacing_m : float
        Distance along the crack.
    stitch : Stitch
        Where a hole begins and how far its rod reaches.
    edge_m : float
        Least distance of both ends from the edges of the stone.

    Returns
    -------
    places, left_out : list of Place, int
        Each place with the direction in the face toward the crack; how many found no room.
    """
    count = max(math.ceil(line.length / spacing_m - 1e-9), 1)
    room = None if stone is None else stone.buffer(-edge_m)
    places, left_out = [], 0
    for k in range(count):
        at = (k + 0.5) * line.length / count
        before, after = (
            line.interpolate(max(at - 0.01, 0.0)),
            line.interpolate(min(at + 0.01, line.length)),
        )
        along = np.array([after.x - before.x, after.y - before.y])
        across = np.array([-along[1], along[0]]) / (np.hypot(*along) or 1.0)
        middle = line.interpolate(at)
        side = 1 if k % 2 == 0 else -1
        at_crack = np.array([middle.x, middle.y])
        u, v = at_crack + side * stitch.entry_m * across
        end = at_crack - side * stitch.beyond_m * across
        if room is not None and not room.covers(shapely.MultiPoint([(u, v), end])):
            left_out += 1
            continue
        toward = math.degrees(math.atan2(-side * across[1], -side * across[0]))
        places.append(Place(name=f"rod {k + 1}", u_m=float(u), v_m=float(v), toward_deg=toward))
    return places, left_out


def design_crack(case: Case) -> Job:
    """Repair of the cracks of one repair.

    Parameters
    ----------
    case : Case

    Returns
    -------
    Job
        By width: watched, closed at the face, grouted, or filled; with rods where it is wide or its parts may move. Held where
        the width is not known, the crack is still active, or rods are wanted that no engineer has decided on.
    """
    values = case.values
    lines, width, depth = case.lines(), case.greatest("width_m"), case.greatest("depth_m")
    length = sum(line.length for line in lines)
    if width is None or not lines:
        return _unknown(case, length, has_line=bool(lines))
    if width < values["crack.watch_width"]:
        return _watched(case, length, width)
    if depth is None:
        return _unknown(case, length, has_line=True, width=width)
    grouted = width >= values["crack.grout_width"]
    filled = width >= values["crack.fill_width"]
    wanted = width >= values["crack.stitch_width"] or bool(
        {"splitting", "fracture"} & set(case.terms)
    )
    crossing = _stitch(case).crossing_m
    stitched = wanted and depth >= crossing
    void = sum(grout_volume_m3(line.length, width, depth) for line in lines)
    mix, faults, _ = chosen_mix(case)
    places = _ports(case, lines, depth) if grouted else []
    rods, left_out = _rods(case, lines) if stitched else ([], 0)
    return Job(
        repair=case.name,
        treatment="crack repair",
        surface=str(case.repair["surface"]),
        wall_stone=case.wall_stone,
        method=_method(grouted=grouted, filled=filled, rods=bool(rods)),
        why="The cause comes first: a crack that still moves opens again beside any fill.",
        removes=_removes(case, len(rods)),
        figures=_figures(case, length, width, depth, void, ports=len(places), rods=len(rods)),
        products=_products(case, void, mix, grouted=grouted, rods=len(rods)),
        places=(*places, *rods),
        tools=sentences(
            "fine brushes, hand bellows or extractor, syringes, clay or wax to dam the crack",
            "grout ports or short tubes, low pressure only, a measured bottle" if grouted else "",
            "rotary drill without hammer, guide for the angle, extractor on the hole"
            if rods
            else "",
        ),
        never=sentences(
            "No chasing out with a blade: it makes a scar of a crack.",
            "No pressure above hand pressure: it lifts what is parted." if grouted else "",
            "No hammer drilling beside a crack." if rods else "",
        ),
        steps=_steps(case, grouted=grouted, filled=filled, rods=bool(rods)),
        criteria=sentences(
            "Grout shows at the next port before the one below is closed." if grouted else "",
            "Volume taken in is written down port by port, beside the volume worked out."
            if grouted
            else "",
            "Fill level with the face, no wider than the crack was, like the stone in colour when dry.",
            "No hollow ring along the crack after the cure.",
        ),
        cautions=sentences(case.repair.get("cautions") or ()),
        holds=_holds(case, faults, stitched=bool(rods)),
        doubts=sentences(
            f"Wide enough for rods, but {case.say(depth, 'depth')} deep as measured: a rod would pass {case.say(crossing, 'depth')} behind the face, "
            "behind the crack. Probe the depth again before rods are ruled out."
            if wanted and not stitched
            else "",
            _doubts(case, rods=bool(rods), left_out=left_out),
        ),
    )


def _ports(case: Case, lines: list[shapely.LineString], depth: float) -> list[Place]:
    values = case.values
    found = [
        ports_along(
            line,
            depth_m=depth,
            widest_m=values["crack.port_spacing"],
            least_m=values["crack.port_spacing_minimum"],
        )
        for line in lines
    ]
    points = sorted((p for at in found for p in at.tolist()), key=lambda p: (p[1], p[0]))
    return [Place(name=f"port {n}", u_m=u, v_m=v) for n, (u, v) in enumerate(points, start=1)]


def _rods(case: Case, lines: list[shapely.LineString]) -> tuple[list[Place], int]:
    values = case.values
    stone = None if case.stone is None else case.stone.get("geometry")
    places: list[Place] = []
    left_out = 0
    for line in lines:
        found, without = stitches_across(
            line,
            stone,
            spacing_m=values["crack.rod_spacing"],
            stitch=_stitch(case),
            edge_m=values["crack.edge_distance"],
        )
        places += found
        left_out += without
    named = [
        Place(name=f"rod {n}", u_m=p.u_m, v_m=p.v_m, toward_deg=p.toward_deg)
        for n, p in enumerate(places, start=1)
    ]
    return named, left_out


def _stitch(case: Case) -> Stitch:
    """The rod of this case; embedded not less than eight diameters on each side."""
    values = case.values
    return Stitch(
        embedment_m=max(values["crack.rod_embedment"], 8 * values["crack.rod"]),
        cover_m=values["crack.rod_cover"],
        angle_deg=values["crack.rod_angle"],
    )


def _figures(
    case: Case, length: float, width: float, depth: float, void: float, *, ports: int, rods: int
) -> tuple[Figure, ...]:
    values = case.values
    found = [
        worked_out("length", length, "length", "along the lines drawn"),
        case.told("width_m", "width, greatest", "width"),
        case.told("depth_m", "depth, greatest", "depth"),
        worked_out("void", void, "volume", "half of length x width x depth: a wedge"),
    ]
    if ports:
        found += [
            worked_out(
                "ports",
                float(ports),
                "count",
                "ends included, no further apart than the crack is deep",
            ),
            figure(values, "crack.port_spacing", "spacing of ports, most", "length"),
            worked_out(
                "stop grouting at",
                void * values["crack.stop_multiple"],
                "volume",
                "twice the void: look where it went (common practice)",
            ),
        ]
    if rods:
        found += [
            worked_out("rods", float(rods), "count", "in turn from both sides of the crack"),
            figure(values, "crack.rod", "diameter of a rod", "width"),
            worked_out(
                "length of a rod",
                _stitch(case).rod_m,
                "length",
                "embedment on both sides of the crack",
            ),
            worked_out(
                "length of a hole",
                _stitch(case).hole_m,
                "length",
                "rod, and cover along the hole",
            ),
            figure(values, "crack.rod_angle", "angle of a hole to the face", "angle"),
            figure(values, "crack.rod_spacing", "spacing of rods along the crack", "length"),
            figure(
                values, "crack.edge_distance", "least distance from an edge of the stone", "length"
            ),
        ]
    return tuple(found)


def _products(
    case: Case, void: float, mix: Mix, *, grouted: bool, rods: int
) -> tuple[Product, ...]:
    values = case.values
    found: list[Product] = []
    if grouted:
        total = void * (1 + values["crack.grout_waste"])
        found.append(
            Product(name="fine lime grout", amount=total, kind="volume", purpose="with waste")
        )
    else:
        found.append(
            Product(
                name="fine lime putty with stone dust",
                amount=void,
                kind="volume",
                purpose="the void, no waste",
            )
        )
    if rods:
        hole = values["crack.rod"] + values["crack.hole_clearance"]
        stitch = _stitch(case)
        grout = hole_volume_m3(
            hole, stitch.hole_m, rod_m=values["crack.rod"], rod_in_hole_m=stitch.rod_m
        )
        total = rods * grout * (1 + values["crack.grout_waste"])
        amounts = batch(total, mix)
        found += [
            Product(
                name="threaded rod, stainless 1.4401 (A4)",
                amount=rods * stitch.rod_m,
                kind="length",
                purpose=f"{rods} pieces",
            ),
            Product(
                name="grout of the rods",
                amount=total,
                kind="volume",
                purpose=f"{mix.binder.name}, {case.say(amounts['binder_kg'], 'mass')}",
            ),
        ]
    return tuple(found)


def _method(*, grouted: bool, filled: bool, rods: bool) -> str:
    words = (
        "Grout, then fill the face"
        if filled
        else "Grout from below"
        if grouted
        else "Close at the face with fine lime"
    )
    return f"{words}; stitch with rods" if rods else words


def _removes(case: Case, rods: int) -> str:
    if not rods:
        return "Takes out no original stone."
    hole = case.values["crack.rod"] + case.values["crack.hole_clearance"]
    volume = rods * hole_volume_m3(hole, _stitch(case).hole_m)
    return f"Drills {rods} hole{'s' if rods > 1 else ''}, {case.say(volume, 'volume')} of original stone."


def _steps(case: Case, *, grouted: bool, filled: bool, rods: bool) -> tuple[str, ...]:
    return sentences(
        "Read the crack monitor, or set one and wait, until it is known whether the crack moves.",
        "Sound both sides; whatever is loose is held before anything is opened.",
        "Clean the crack by brush and air, flush with water and a little alcohol, let it drain.",
        "Drill the holes in turn from both sides, blow them out, trial each rod dry."
        if rods
        else "",
        "Set the rods in grout from the bottom of the hole; plug with stone dust in lime behind the face."
        if rods
        else "",
        "Set the ports, dam the crack between them."
        if grouted
        else "Press fine lime in with a spatula, in passes.",
        "Wet, then grout from the lowest port upward, by hand pressure; close each port when the next one runs."
        if grouted
        else "",
        "Take off the dam, fill the face as a joint." if filled else "",
        "Clean the face at once with sponge and little water; keep damp and covered.",
        "Look again after the cure and at the dates of the plan of maintenance.",
    )


def _holds(case: Case, faults: tuple[str, ...], *, stitched: bool) -> tuple[str, ...]:
    active = [c for c in case.conditions if str(c.get("activity")) == "active"]
    return sentences(
        "The crack is active: find and settle the cause before it is closed." if active else "",
        _ENGINEER if stitched else "",
        _through(case) if stitched else "",
        list(faults),
    )


def _through(case: Case) -> str:
    """Why a hole may not be drilled as deep as it must be; empty where the stone is deep enough."""
    depth = None if case.stone is None else case.stone.get("depth_m")
    bottom, cover = _stitch(case).bottom_m, case.values["crack.rod_cover"]
    if is_missing(depth) or depth is None or float(depth) >= bottom + cover:
        return ""
    return (
        f"The holes end {case.say(bottom, 'depth')} behind the face, the stone is {case.say(float(depth), 'depth')} deep: shorten the rods, or "
        "have the engineer decide."
    )


def _doubts(case: Case, *, rods: bool, left_out: int) -> tuple[str, ...]:
    unknown = [c for c in case.conditions if str(c.get("activity") or "unknown") == "unknown"]
    return sentences(
        "Nobody knows whether the crack moves: set a monitor first." if unknown else "",
        "The depth is as the survey tells it, which does not say how it was found, and a crack goes on behind the face: what it takes is not known beforehand."
        if case.depth_is_typed
        else "",
        f"{left_out} rod{'s find' if left_out > 1 else ' finds'} no room within the edges of the stone and {'are' if left_out > 1 else 'is'} left out."
        if left_out
        else "",
        "The bed depth of the stone is not known: a hole may come out at the back."
        if rods and (case.stone is None or is_missing(case.stone.get("depth_m")))
        else "",
    )


def _watched(case: Case, length: float, width: float) -> Job:
    return Job(
        repair=case.name,
        treatment="crack repair",
        surface=str(case.repair["surface"]),
        wall_stone=case.wall_stone,
        method="Leave and watch",
        why="Too fine for any fill to go in.",
        figures=(
            worked_out("length", length, "length", "along the lines drawn"),
            case.told("width_m", "width, greatest", "width"),
            figure(case.values, "crack.watch_width", "width of a hair crack, below", "width"),
        ),
        steps=("Set a mark at both ends, photograph with a scale, look again at the next survey.",),
    )


def _unknown(case: Case, length: float, *, has_line: bool, width: float | None = None) -> Job:
    wanted = (
        "The crack is not drawn as a line: draw it along the crack."
        if not has_line
        else "The width of the crack is not known: measure it with a gauge card and enter the width of the condition."
        if width is None
        else "The depth of the crack is not known: probe it, and enter the depth of the condition; no grout is worked out without."
    )
    return Job(
        repair=case.name,
        treatment="crack repair",
        surface=str(case.repair["surface"]),
        wall_stone=case.wall_stone,
        method="Not designed",
        why="What decides between leaving, grouting and stitching was not measured.",
        figures=(worked_out("length", length, "length", "along the lines drawn"),)
        if has_line
        else (),
        cautions=sentences(case.repair.get("cautions") or ()),
        holds=(wanted,),
    )
