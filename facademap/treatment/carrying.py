"""Work that cuts, drills or rakes into stone that may carry, told from the stones that it touches."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import shapely

from facademap.repair.cautions import CARRYING, DEFER
from facademap.tables import is_missing

__all__ = ["BEARING", "CUTTING", "carrying_cautions", "carrying_parts"]

#: Treatments that take something out of the stone or its joints, or drill into it.
CUTTING = frozenset(
    {"repoint", "crack repair", "mortar repair", "metal", "re-fix", "shelter", "make safe", "inset", "whole stone"}
)  # fmt: skip
#: Parts that carry what is above them (common practice); sills, cornices and copings carry little, and are propped where they come out.
BEARING = frozenset({"lintel", "voussoir", "quoin", "jamb"})
#: A joint belongs to the stones on both its sides.
_BESIDE_M = 0.03
#: Less of a stone than this is how outlines were drawn, not how they are cut.
_LEAST_M2 = 1e-4


def carrying_parts(
    repair: Mapping[str, Any],
    stone: Mapping[str, Any] | None,
    near: Sequence[tuple[Any, str]] = (),
) -> tuple[str, ...]:
    """Parts of the building that a repair works in and that may carry, each once; empty for work that cuts nothing.

    Parameters
    ----------
    repair : mapping
    stone : mapping, optional
        The stone it is said to lie in.
    near : sequence of (Polygon, part)
        Stones round it with their parts, since an outline may reach into a stone that it was not entered for.
    """
    if str(repair["treatment"]) not in CUTTING:
        return ()
    found = [] if stone is None or is_missing(stone.get("part")) else [str(stone["part"])]
    shape = repair["geometry"]
    if shape is not None and not shape.is_empty:
        areal = float(shapely.area(shape)) > 0
        found += [
            part
            for outline, part in near
            if part in BEARING
            and (
                float(shapely.area(shapely.intersection(outline, shape))) > _LEAST_M2
                if areal
                else bool(shapely.dwithin(outline, shape, _BESIDE_M))
            )
        ]
    return tuple(dict.fromkeys(p for p in found if p in BEARING))


def carrying_cautions(parts: Sequence[str]) -> tuple[str, ...]:
    """What is said of them, the deferral with it; nothing where there are none.

    Examples
    --------
    >>> carrying_cautions(["lintel"])[0][:40]
    'Works in stone that may carry (lintel): '
    """
    if not parts:
        return ()
    return (CARRYING.text.format(parts=", ".join(parts)), DEFER)
