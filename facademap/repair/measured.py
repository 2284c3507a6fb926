"""The cut-out as cut: is it square and even, what size must the piece have now, does the reserved place still fit."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from shapely.geometry import Polygon

from facademap.errors import InputError
from facademap.repair.offsets import offset_edges
from facademap.repair.settings import Settings

__all__ = [
    "MeasuredCutOut",
    "PieceAsMeasured",
    "piece_as_measured",
    "place_still_fits",
    "read_measured",
]

#: A tape reading that differs more from the drawing is a slip, not a cut-out.
_GREATEST_MISFIT = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredCutOut:
    """Readings on the cut-out in metres."""

    widths_m: tuple[float, ...]
    heights_m: tuple[float, ...]
    diagonals_m: tuple[float, ...]
    depths_m: tuple[float, ...]

    def as_json(self) -> dict[str, list[float]]:
        """As kept in the repairs table."""
        return {
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


def read_measured(values: Mapping[str, Any], *, where: str = "measured cut-out") -> MeasuredCutOut:
    """Check readings: at least two widths and heights, both diagonals (or none for an L), four depths.

    Raises
    ------
    InputError
        Naming the reading that is missing or cannot be.
    """
    wanted = {"widths_m": 2, "heights_m": 2, "depths_m": 4}
    read: dict[str, tuple[float, ...]] = {}
    for key in ("widths_m", "heights_m", "diagonals_m", "depths_m"):
        raw = values.get(key) or []
        try:
            numbers = tuple(float(x) for x in (raw if isinstance(raw, (list, tuple)) else [raw]))
        except (TypeError, ValueError):
            raise InputError(f"{where}: {key} is {raw!r}", "Give numbers in metres.") from None
        if any(not math.isfinite(x) or not 0 < x < 10 for x in numbers):
            raise InputError(f"{where}: {key} holds {raw!r}", "Give lengths in metres, above 0.")
        if len(numbers) < wanted.get(key, 0):
            raise InputError(
                f"{where}: {len(numbers)} {key}, {wanted[key]} are needed",
                "Measure both ends, and the depth at every corner.",
            )
        read[key] = numbers
    if len(read["diagonals_m"]) not in (0, 2):
        raise InputError(f"{where}: {len(read['diagonals_m'])} diagonals", "Give both diagonals.")
    return MeasuredCutOut(**read)


def piece_as_measured(
    measured: MeasuredCutOut,
    *,
    outline: Polygon,
    edges: list[float],
    design_depth_m: float,
    settings: Settings,
    projection_m: float = 0.0,
) -> PieceAsMeasured:
    """The piece for a cut-out as it was cut.

    The drawn outline is stretched to the smallest width and height measured, so that the piece enters everywhere, and less
    its joints; the depth is the smallest depth less the bedding, plus the proud allowance and the projection of a moulding. ``deeper`` says that sound
    stone lay deeper than drawn by more than the step of the profile: the repair goes back to design.

    Raises
    ------
    InputError
        Readings that cannot belong to this cut-out.
    """
    u0, v0, u1, v1 = outline.bounds
    width, height = min(measured.widths_m), min(measured.heights_m)
    for name, drawn, got in (("width", u1 - u0, width), ("height", v1 - v0, height)):
        if abs(got - drawn) > _GREATEST_MISFIT * drawn:
            raise InputError(
                f"measured {name} {got * 1000:.0f} mm for a cut-out drawn {drawn * 1000:.0f} mm",
                "Check the repair and the unit, and measure again.",
            )
    ring = np.asarray(outline.exterior.coords)[:-1]
    stretched = (ring - [u0, v0]) * [width / (u1 - u0), height / (v1 - v0)] + [u0, v0]
    notes = []
    for name, values in (
        ("widths", measured.widths_m),
        ("heights", measured.heights_m),
        ("depths", measured.depths_m),
    ):
        if max(values) - min(values) > 0.003:
            notes.append(f"{name} differ by {(max(values) - min(values)) * 1000:.1f} mm")
    if (
        len(measured.diagonals_m) == 2
        and abs(measured.diagonals_m[0] - measured.diagonals_m[1]) > 0.002
    ):
        notes.append(
            f"diagonals differ by {abs(measured.diagonals_m[0] - measured.diagonals_m[1]) * 1000:.1f} mm: not square"
        )
    depth = min(measured.depths_m)
    deeper = depth > design_depth_m + max(settings.depth_step_m, 0.002) + 1e-9
    if depth < design_depth_m - 0.002:
        notes.append(
            f"cut {depth * 1000:.0f} mm deep, drawn {design_depth_m * 1000:.0f} mm: cut deeper or agree the lesser depth"
        )
    return PieceAsMeasured(
        outline=offset_edges(stretched, edges),
        depth_m=depth - settings.bedding_m + settings.proud_m + projection_m,
        cut_depth_m=depth,
        deeper=deeper,
        notes=tuple(notes),
    )


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
