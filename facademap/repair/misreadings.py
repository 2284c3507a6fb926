"""Readings on a cut-out that cannot be: of another unit, in another order, or against one another."""

from __future__ import annotations

import math
from collections.abc import Sequence

from shapely.geometry import Polygon

from facademap.errors import InputError
from facademap.repair.sizes import sizes_of
from facademap.repair.tolerances import exceeds, said

__all__ = ["none_a_slip", "tape_against_itself"]

#: A tape reading that differs more from the drawing is a slip, not a cut-out.
_GREATEST_MISFIT = 0.5
#: Readings in another unit than they were entered in, by what they come out as; as near as this counts as the slip.
_SLIPS = (
    (1 / 1000, "metres entered as millimetres"),
    (1 / 25.4, "inches entered as millimetres"),
    (25.4, "millimetres entered as inches"),
)
_SLIP_NEAR = 0.25


def none_a_slip(
    outline: Polygon,
    *,
    width_m: float,
    height_m: float,
    diagonals_m: Sequence[float],
    depth_m: float,
    design_depth_m: float,
) -> None:
    """Refuse readings that cannot be of this cut-out, naming the unit that was mistaken where that shows.

    A depth may differ much from the drawing, so only one in another unit is refused.

    Parameters
    ----------
    outline : Polygon
        Cut-out as drawn.
    width_m, height_m, depth_m : float
        Smallest as taped.
    diagonals_m : sequence of float
        As taped, in the order of the ticket; none where they were not.
    design_depth_m : float
        Depth as drawn.

    Raises
    ------
    InputError
        With the reading, what was drawn, and the remedy.
    """
    u0, v0, u1, v1 = outline.bounds
    pairs = [("width", width_m, u1 - u0), ("height", height_m, v1 - v0)]
    across = sizes_of(outline).diagonals
    if len(across) == len(diagonals_m):
        pairs += [
            (f"diagonal {name}", got, drawn)
            for (name, drawn), got in zip(across, diagonals_m, strict=True)
        ]
    for name, got, drawn in pairs:
        if abs(got - drawn) > _GREATEST_MISFIT * drawn:
            raise _slip(name, got, drawn)
    if _mistaken_unit(depth_m, design_depth_m):
        raise _slip("depth", depth_m, design_depth_m)


def _mistaken_unit(got_m: float, drawn_m: float) -> str:
    """The slip of unit that explains a reading, or nothing."""
    return next(
        (unit for factor, unit in _SLIPS if abs(got_m / (factor * drawn_m) - 1) < _SLIP_NEAR), ""
    )


def _slip(name: str, got_m: float, drawn_m: float) -> InputError:
    unit = _mistaken_unit(got_m, drawn_m)
    return InputError(
        f"measured {name} {got_m * 1000:.4g} mm for a cut-out drawn {drawn_m * 1000:.4g} mm",
        f"These look like {unit}: enter them under their own unit."
        if unit
        else "Check the repair, the unit and the order of the values, and measure again.",
    )


def tape_against_itself(
    outline: Polygon,
    *,
    widths_m: Sequence[float],
    heights_m: Sequence[float],
    diagonals_m: Sequence[float],
    limit_m: float,
) -> list[str]:
    """A note where a drawn rectangle has diagonals that its sides as taped cannot have.

    In a parallelogram the squares of both diagonals add up to those of the four sides (the parallelogram law, Euclid's
    Elements II.12 and 13), however far it is out of square.
    """
    if not sizes_of(outline).rectangle or len(diagonals_m) != 2:
        return []
    width, height = (sum(v) / len(v) for v in (widths_m, heights_m))
    off = abs(math.hypot(*diagonals_m) / math.sqrt(2) - math.hypot(width, height))
    if not exceeds(off, limit_m):
        return []
    return [f"sides and diagonals contradict one another by {said(off)}: measure again"]
