"""The cut-out as cut: is it square and even, what size must the piece have now, does the reserved place still fit."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from shapely.geometry import Polygon

from facademap.errors import InputError
from facademap.repair.as_cut import outline_as_taped
from facademap.repair.criteria import Criteria
from facademap.repair.edges import SIDES, from_named, ring_of
from facademap.repair.misreadings import none_a_slip, tape_against_itself
from facademap.repair.offsets import offset_edges
from facademap.repair.pins import BY_HAND_PINS, drilling_template, set_out_pins
from facademap.repair.settings import Settings
from facademap.repair.sizes import sizes_of, skew_of
from facademap.repair.tolerances import exceeds, said
from facademap.repair.ways import way_of

__all__ = [
    "MeasuredCutOut",
    "PieceAsMeasured",
    "piece_as_measured",
    "pins_as_measured",
    "place_still_fits",
    "read_measured",
]

#: Where an office sets no limit of its own (common practice).
_SQUARE_M, _EVEN_M = 0.002, 0.003
#: What each column is on the ticket.
_WORDS = {
    "widths_m": "widths",
    "heights_m": "heights",
    "diagonals_m": "diagonals",
    "depths_m": "depths",
    "sides_m": "sides",
    "joints_m": "joints",
}
_HOW = "Give lengths above 0 and below 10 m in the unit of the name, such as depths_mm=50,50,51,51."


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredCutOut:
    """Readings on the cut-out in metres; ``sides_m`` and ``joints_m`` by the name of the edge."""

    widths_m: tuple[float, ...]
    heights_m: tuple[float, ...]
    diagonals_m: tuple[float, ...]
    depths_m: tuple[float, ...]
    sides_m: Mapping[str, float] = field(default_factory=dict)
    joints_m: Mapping[str, float] = field(default_factory=dict)

    def as_json(self) -> dict[str, Any]:
        """As kept in the repairs table."""
        named = {
            k: dict(v) for k, v in (("sides_m", self.sides_m), ("joints_m", self.joints_m)) if v
        }
        return named | {
            "widths_m": list(self.widths_m),
            "heights_m": list(self.heights_m),
            "diagonals_m": list(self.diagonals_m),
            "depths_m": list(self.depths_m),
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class PieceAsMeasured:
    """The piece that the cut-out as cut asks for, and what differs from the drawing."""

    outline: Polygon
    depth_m: float
    cut_depth_m: float
    deeper: bool
    notes: tuple[str, ...]


def read_measured(
    values: Mapping[str, Any],
    *,
    where: str = "measured cut-out",
    outline: Polygon | None = None,
    kinds: Sequence[str] = (),
) -> MeasuredCutOut:
    """Check readings: at least two widths and heights, both diagonals (or none for an L), a depth at every corner.

    Parameters
    ----------
    values : mapping
        ``widths_m``, ``heights_m``, ``diagonals_m``, ``depths_m``; ``sides_m`` and ``joints_m`` by the names of the edges,
        or in the order top, right, bottom, left, then as drawn. Sides of four give widths and heights.
    where : str
        Named in errors.
    outline : Polygon, optional
        Cut-out as drawn, for the names of its edges.
    kinds : sequence of str
        Kind of each edge; an exposed one has no joint.

    Raises
    ------
    InputError
        Naming the reading that is missing or cannot be.
    """
    named = {
        key: _named(values[key], key, where=where, outline=outline, kinds=kinds)
        for key in ("sides_m", "joints_m")
        if values.get(key)
    }
    sides = named.get("sides_m", {})
    if len(sides) == 4 and set(sides) == set(SIDES):
        values = {
            "widths_m": [sides["top"], sides["bottom"]],
            "heights_m": [sides["left"], sides["right"]],
            **{k: v for k, v in values.items() if v},
        }
    wanted = {"widths_m": 2, "heights_m": 2, "depths_m": 4}
    read: dict[str, tuple[float, ...]] = {}
    for key in ("widths_m", "heights_m", "diagonals_m", "depths_m"):
        raw = values.get(key) or []
        try:
            numbers = tuple(float(x) for x in (raw if isinstance(raw, (list, tuple)) else [raw]))
        except (TypeError, ValueError):
            raise InputError(f"{where}: {_WORDS[key]} are {raw!r}", _HOW) from None
        _lengths_alone(numbers, key, where=where)
        if len(numbers) < wanted.get(key, 0):
            raise InputError(
                f"{where}: {len(numbers)} {_WORDS[key]}, {wanted[key]} are needed",
                "Measure both ends, and the depth at every corner.",
            )
        read[key] = numbers
    across = [n for n, _ in sizes_of(outline).diagonals] if outline is not None else ["both"] * 2
    if len(read["diagonals_m"]) not in (0, 2, len(across)):
        raise InputError(
            f"{where}: {len(read['diagonals_m'])} diagonals",
            f"Give {', '.join(across)}." if outline is not None else "Give both diagonals.",
        )
    return MeasuredCutOut(
        widths_m=read["widths_m"],
        heights_m=read["heights_m"],
        diagonals_m=read["diagonals_m"],
        depths_m=read["depths_m"],
        sides_m=sides,
        joints_m=named.get("joints_m", {}),
    )


def _named(
    raw: Any, key: str, *, where: str, outline: Polygon | None, kinds: Sequence[str]
) -> dict[str, float]:
    """Readings by the names of the edges."""
    if outline is None:
        if not isinstance(raw, Mapping):
            raise InputError(
                f"{where}: {key} without names", "Give them by the names of the edges."
            )
        found = dict(raw)
    else:
        ring = ring_of(outline)
        counted = ["inset"] * len(ring) if key == "sides_m" or not kinds else list(kinds)
        found = from_named(raw, ring=ring, kinds=counted, what=f"{where}, {key}")
    try:
        numbers = {str(n): float(x) for n, x in found.items()}
    except (TypeError, ValueError):
        raise InputError(f"{where}: {_WORDS[key]} are {raw!r}", _HOW) from None
    _lengths_alone(numbers.values(), key, where=where)
    return numbers


def _lengths_alone(lengths_m: Iterable[float], key: str, *, where: str) -> None:
    """Refuse what is no length of a cut-out, in the unit in which people read it."""
    for length in lengths_m:
        if not math.isfinite(length) or not 0 < length < 10:
            raise InputError(
                f"{where}: {_WORDS[key]}: {length * 1000:g} mm is no length here", _HOW
            )


def piece_as_measured(
    measured: MeasuredCutOut,
    *,
    outline: Polygon,
    edges: list[float],
    design_depth_m: float,
    settings: Settings,
    criteria: Criteria,
    projection_m: float = 0.0,
) -> PieceAsMeasured:
    """The piece for a cut-out as it was cut.

    The drawn outline is stretched to the smallest width and height measured, so that the piece enters everywhere, and less
    its joints; one that is no rectangle follows its sides and diagonals where these were taped; the depth is the smallest depth less the bedding, plus the proud allowance and the projection of a moulding. ``deeper`` says that sound
    stone lay deeper than drawn by more than the step of the profile: the repair goes back to design.

    Raises
    ------
    InputError
        Readings that cannot belong to this cut-out.

    References
    ----------
    Common practice: the smallest size of the opening decides.
    """
    u0, v0, u1, v1 = outline.bounds
    width, height = min(measured.widths_m), min(measured.heights_m)
    none_a_slip(
        outline,
        width_m=width,
        height_m=height,
        diagonals_m=measured.diagonals_m,
        depth_m=min(measured.depths_m),
        design_depth_m=design_depth_m,
    )
    ring = np.asarray(outline.exterior.coords)[:-1]
    stretched = (ring - [u0, v0]) * [width / (u1 - u0), height / (v1 - v0)] + [u0, v0]
    square = criteria.limit_m("diagonals_m", "spread", otherwise=_SQUARE_M)
    even = criteria.limit_m("depths_m", "spread", otherwise=_EVEN_M)
    notes = []
    for name, values, limit in (
        ("widths", measured.widths_m, square),
        ("heights", measured.heights_m, square),
        ("depths", measured.depths_m, even),
    ):
        spread = max(values) - min(values)
        if exceeds(spread, limit):
            notes.append(f"{name} differ by {said(spread)}")
    if measured.diagonals_m:
        skew = skew_of(measured.diagonals_m, outline)
        if exceeds(skew, square):
            notes.append(f"diagonals differ by {said(skew)}: not square")
        notes += tape_against_itself(
            outline,
            widths_m=measured.widths_m,
            heights_m=measured.heights_m,
            diagonals_m=measured.diagonals_m,
            limit_m=square,
        )
    notes += _sides_off(measured, outline, square)
    depth = min(measured.depths_m)
    deeper = exceeds(depth - design_depth_m, max(settings.depth_step_m, square))
    if exceeds(design_depth_m - depth, square):
        notes.append(
            f"cut {said(depth)} deep, drawn {said(design_depth_m)}: cut deeper or agree the lesser depth"
        )
    joints = list(edges)
    if measured.sides_m and not sizes_of(outline).rectangle:
        taped, slack = outline_as_taped(
            outline, sides_m=measured.sides_m, diagonals_m=measured.diagonals_m
        )
        # what the tape contradicts itself by comes off all round, so that the piece enters
        stretched, joints = ring_of(taped), [j + slack for j in edges]
        if exceeds(slack, square):
            notes.append(
                f"sides and diagonals contradict one another by {said(slack)}: measure again"
            )
    return PieceAsMeasured(
        outline=offset_edges(stretched, joints),
        depth_m=depth - settings.bedding_m + settings.proud_m + projection_m,
        cut_depth_m=depth,
        deeper=deeper,
        notes=tuple(notes),
    )


def _sides_off(measured: MeasuredCutOut, outline: Polygon, limit_m: float) -> list[str]:
    """Sides of an outline that is no rectangle, against those drawn."""
    drawn = {s.name: s.length_m for s in sizes_of(outline).sides}
    return [
        f"{name} is {said(got)}, drawn {said(drawn[name])}"
        for name, got in measured.sides_m.items()
        if name in drawn and exceeds(abs(got - drawn[name]), limit_m)
    ]


def place_still_fits(
    piece: PieceAsMeasured,
    *,
    planned_width_m: float,
    planned_height_m: float,
    planned_depth_m: float,
    spare_m: float = 0.0,
) -> tuple[bool, str]:
    """Whether the piece as measured can be sawn from the place reserved for the piece as drawn.

    Parameters
    ----------
    spare_m : float
        Trim that the place has on every side beyond the drawn piece.

    References
    ----------
    Common practice.
    """
    u0, v0, u1, v1 = piece.outline.bounds
    over = [
        (n, got - room)
        for n, got, room in (
            ("width", u1 - u0, planned_width_m + 2 * spare_m),
            ("height", v1 - v0, planned_height_m + 2 * spare_m),
            ("depth", piece.depth_m, planned_depth_m + spare_m),
        )
        if got > room + 1e-6
    ]
    return not over, ", ".join(f"{n} {d * 1000:.1f} mm too large" for n, d in over)


def pins_as_measured(
    repair: Mapping[str, Any], piece: PieceAsMeasured, *, settings: Settings
) -> dict[str, Any]:
    """Columns of the repair with its pins set out for the piece as measured.

    Pins that a person placed keep their places, and a piece without pins stays without; both are gone through again
    wherever it counts.

    Returns
    -------
    dict
        ``pins`` and ``materials`` with the drilling template, or nothing where they stay.
    """
    materials = repair.get("materials")
    pins = repair.get("pins")
    if not pins or not isinstance(pins, list) or not isinstance(materials, Mapping):
        return {}
    said = (materials.get("pins") or {}).get("notes") or ()
    first = pins[0]
    if BY_HAND_PINS in said or not isinstance(first, Mapping):
        return {}
    heavy = float(first.get("rod_m") or 0.0) >= settings.rod_heavy_m - 1e-9
    layout = set_out_pins(
        piece.outline,
        piece.cut_depth_m - settings.bedding_m,
        weight_kg=settings.heavy_kg if heavy else 0.0,
        settings=settings,
        way=way_of(repair),
    )
    if not layout.pins:
        return {}
    return {
        "pins": [p.as_json() for p in layout.pins],
        "materials": {
            **materials,
            "drilling_template": drilling_template(piece.outline, layout.pins),
            "pins": {
                **(materials.get("pins") or {}),
                **layout.sums(),
            },
        },
    }
