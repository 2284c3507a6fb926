"""What of a face can be used: its sound area, and the largest rectangles along the bed."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from numpy.typing import ArrayLike

from facademap.salvage.rectangles import largest_rectangle, sound_area_m2

__all__ = ["usable_part"]


def usable_part(
    outline_m: ArrayLike, flaws_m: Sequence[ArrayLike], *, proportion: float | None = None
) -> dict[str, Any]:
    """Sound area and largest rectangles of a face.

    Parameters
    ----------
    outline_m, flaws_m
        Rings in metres, x along the bed.
    proportion : float, optional
        Width over height of a second rectangle.

    Returns
    -------
    dict
        ``sound_area_m2``; ``largest``: rectangles (``x_m``, ``y_m``, ``width_m``, ``height_m``) under ``any`` and,
        where asked for, under the proportion.

    Raises
    ------
    GeometryError, InputError
        Nothing sound is left, a ring crosses itself, or the proportion is none.
    """
    found = {"any": largest_rectangle(outline_m, flaws_m)}
    if proportion is not None:
        found[f"{proportion:g}"] = largest_rectangle(outline_m, flaws_m, proportion=proportion)
    return {
        "sound_area_m2": sound_area_m2(outline_m, flaws_m),
        "largest": {
            name: {"x_m": r.x_m, "y_m": r.y_m, "width_m": r.width_m, "height_m": r.height_m}
            for name, r in found.items()
        },
    }
