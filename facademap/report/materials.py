"""What a repair's record of materials says, read tolerantly: a value that is not there is simply unknown."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from facademap.report.measures import Measures

__all__ = ["Materials", "Rod", "number", "read_materials", "read_rods"]


def number(value: Any) -> float | None:
    """A finite number, else ``None``."""
    if isinstance(value, bool) or value is None:
        return None
    try:
        result = float(value)
    except (TypeError, ValueError):
        return None
    return result if math.isfinite(result) else None


@dataclass(frozen=True, slots=True, kw_only=True)
class Rod:
    """One pin as the tickets and lists show it; unknown values are ``None``."""

    u_m: float | None
    v_m: float | None
    angle_deg: float
    turn_deg: float
    hole_m: float | None
    rod_m: float | None
    wall_m: float
    piece_m: float
    length_m: float
    grade: str
    fixing: str = "before"

    @property
    def mark(self) -> tuple[float, float]:
        """Where the hole is marked: on the back of the piece, or on its face where it is drilled through the face."""
        u, v = self.u_m or 0.0, self.v_m or 0.0
        if self.fixing != "through face":
            return u, v
        right, up = math.tan(math.radians(self.turn_deg)), -math.tan(math.radians(self.angle_deg))
        depth = self.piece_m / math.sqrt(1.0 + right * right + up * up)
        return u - right * depth, v - up * depth

    @property
    def drilled_m(self) -> float:
        """Length drilled, wall and piece together."""
        return self.wall_m + self.piece_m


def read_rods(pins: Any) -> tuple[Rod, ...]:
    """The pins of a repair."""
    rods = []
    for pin in pins if isinstance(pins, Sequence) and not isinstance(pins, str) else ():
        if not isinstance(pin, Mapping):
            continue
        embedment, into = (
            number(pin.get("embedment_m")) or 0.0,
            number(pin.get("into_piece_m")) or 0.0,
        )
        wall, piece = number(pin.get("hole_wall_m")), number(pin.get("hole_piece_m"))
        rods.append(
            Rod(
                u_m=number(pin.get("u_m")),
                v_m=number(pin.get("v_m")),
                angle_deg=number(pin.get("angle_deg")) or 0.0,
                turn_deg=number(pin.get("turn_deg")) or 0.0,
                hole_m=number(pin.get("hole_m")),
                rod_m=number(pin.get("rod_m")),
                wall_m=embedment if wall is None else wall,
                piece_m=into if piece is None else piece,
                length_m=number(pin.get("rod_length_m")) or embedment + into,
                grade=str(pin.get("grade") or ""),
                fixing=str(pin.get("fixing") or "before"),
            )
        )
    return tuple(rods)


@dataclass(frozen=True, slots=True, kw_only=True)
class Materials:
    """Amounts of one repair in SI; ``None`` where the record does not say."""

    mortar_in_place_m3: float | None = None
    mortar_trials_m3: float | None = None
    mortar_waste_m3: float | None = None
    mix: str = ""
    strength: str = ""
    frost_free_cold_h: float | None = None
    mix_faults: tuple[str, ...] = ()
    binder_kg: float | None = None
    binder_l: float | None = None
    sand_l: float | None = None
    water_l: float | None = None
    spacers_by_thickness: tuple[tuple[float, int, tuple[str, ...]], ...] = ()
    edges: tuple[Mapping[str, Any], ...] = ()
    cut_notes: tuple[str, ...] = ()
    undercut_deg: float | None = None
    grooves_m: float = 0.0
    groove_spacing_m: float = 0.0
    groove_width_m: float = 0.0
    groove_depth_m: float = 0.0
    eased_edge_m: float = 0.0
    tape_m: float | None = None
    sheet_m2: float | None = None
    dust_l: float | None = None
    projection_m: float = 0.0
    profile_out_up_m: tuple[tuple[float, float], ...] = ()
    inches: bool = False

    @property
    def unit(self) -> str:
        """Unit of small lengths."""
        return self.say.unit

    @property
    def say(self) -> Measures:
        """How figures are said."""
        return Measures(self.inches)

    def show(self, length_m: float) -> str:
        """A length as this office reads it."""
        return self.say.length(length_m)

    hours: float | None = None
    proud_m: float | None = None
    tools: tuple[str, ...] = ()
    temperature_deg_c: tuple[float, float] | None = None
    frost_free_h: float | None = None
    protect_h: float | None = None


_MORTAR_PARTS = ("bed_m3", "joints_m3", "undercut_m3", "grooves_m3", "holes_m3")


def _find(record: Any, names: Sequence[str]) -> Any:
    """First value under one of the names, at any depth, outer mappings first."""
    queue = [record]
    while queue:
        item = queue.pop(0)
        if isinstance(item, Mapping):
            for name in names:
                if name in item and not isinstance(item[name], Mapping):
                    return item[name]
            queue.extend(item.values())
        elif isinstance(item, Sequence) and not isinstance(item, str):
            queue.extend(item)
    return None


def read_materials(record: Any, *, inches: bool = False) -> Materials:
    """Amounts from the ``materials`` value of a repair, told in inches or not, whatever it was planned in."""
    if not isinstance(record, Mapping):
        return Materials(inches=inches)
    in_place = number(_find(record, ("in_place_m3",)))
    if in_place is None:
        parts = [number(_find(record, (p,))) for p in _MORTAR_PARTS]
        known = [p for p in parts if p is not None]
        in_place = sum(known) if known else None
    said = record.get("times")
    times: Mapping[str, Any] = said if isinstance(said, Mapping) else {}
    low, high = (
        number(times.get("temperature_minimum_deg_c")),
        number(times.get("temperature_maximum_deg_c")),
    )
    cut = record.get("cut")
    tools = cut.get("tools") if isinstance(cut, Mapping) else None
    hours = record.get("hours")
    total = (
        number(hours)
        if not isinstance(hours, Mapping)
        else sum(n for v in hours.values() if (n := number(v)) is not None)
    )
    if total is None:
        total = number(_find(record, ("hours_total", "work_h", "labour_h")))
    return Materials(
        mortar_in_place_m3=in_place,
        mortar_trials_m3=number(_find(record, ("trials_m3",))),
        mortar_waste_m3=number(_find(record, ("waste_m3",))),
        mix=str(_find(record, ("mix",)) or ""),
        strength=str(_find(record, ("strength",)) or ""),
        frost_free_cold_h=number(times.get("frost_free_cold_h")),
        mix_faults=tuple(str(f) for f in record.get("mix_faults") or ()),
        binder_kg=number(_find(record, ("binder_kg",))),
        binder_l=number(_find(record, ("binder_l",))),
        sand_l=number(_find(record, ("sand_l",))),
        water_l=number(_find(record, ("water_l",))),
        spacers_by_thickness=_spacers(record),
        inches=inches,
        cut_notes=_cut_notes(cut, Measures(inches)),
        **_told(record),
        edges=tuple(e for e in record.get("edges") or () if isinstance(e, Mapping)),
        hours=total,
        proud_m=number(record.get("proud_m")),
        tools=tuple(str(t) for t in tools) if isinstance(tools, list) else (),
        temperature_deg_c=None if low is None or high is None else (low, high),
        frost_free_h=number(times.get("frost_free_h")),
        protect_h=number(times.get("protect_h")),
    )


def _spacers(record: Mapping[str, Any]) -> tuple[tuple[float, int, tuple[str, ...]], ...]:
    """Thickness, number and edges of the spacers, thickest first; what the record says in one sum has no edges."""
    found: dict[float, tuple[int, tuple[str, ...]]] = {}
    for edge in record.get("edges") or ():
        if not isinstance(edge, Mapping):
            continue
        thick, count = number(edge.get("spacer_m")), number(edge.get("spacers"))
        if thick and count:
            before = found.get(round(thick, 4), (0, ()))
            found[round(thick, 4)] = (
                before[0] + round(count),
                (*before[1], str(edge.get("name") or "")),
            )
    if not found:
        spacers = record.get("spacers")
        thick = number(
            spacers.get("thickness_m") if isinstance(spacers, Mapping) else record.get("spacer_m")
        )
        count = number(spacers.get("count") if isinstance(spacers, Mapping) else spacers)
        if thick and count:
            found[thick] = (round(count), ())
    return tuple((t, *found[t]) for t in sorted(found, reverse=True))


def _cut_notes(cut: Any, say: Measures) -> tuple[str, ...]:
    """What the saw does not reach, in the units that people read now."""
    notes = cut.get("notes") if isinstance(cut, Mapping) else None
    return tuple(say.retold(str(n)) for n in notes) if isinstance(notes, list) else ()


def _told(record: Mapping[str, Any]) -> dict[str, Any]:
    """What is worked out for the bond side, the covers, the corners and the moulding."""

    def part(name: str) -> Mapping[str, Any]:
        value = record.get(name)
        return value if isinstance(value, Mapping) else {}

    bond, covers = part("bond_side"), part("covers")
    return {
        "undercut_deg": number(bond.get("undercut_deg")),
        "grooves_m": number(bond.get("grooves_m")) or 0.0,
        "groove_spacing_m": number(bond.get("spacing_m")) or 0.0,
        "groove_width_m": number(bond.get("width_m")) or 0.0,
        "groove_depth_m": number(bond.get("depth_m")) or 0.0,
        "eased_edge_m": number(bond.get("eased_back_edges_m")) or 0.0,
        "tape_m": number(covers.get("tape_m")),
        "sheet_m2": number(covers.get("sheet_m2")),
        "dust_l": number(part("dust").get("kept_l")),
        "projection_m": number(part("moulding").get("projection_m")) or 0.0,
        "profile_out_up_m": tuple(
            (float(p[0]), float(p[1])) for p in part("moulding").get("profile_out_up_m") or ()
        ),
    }
