"""The way of setting of one piece: how its rods are fixed, and the line on which it goes in."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from facademap.errors import InputError
from facademap.repair.fixings import BEFORE, fixing_named

__all__ = ["STEEPEST_DEG", "Way", "parse_way", "way_of"]

#: No piece is pushed on more steeply than this; beyond it, it is lowered in and needs a cut-out of its own kind (project rule).
STEEPEST_DEG = 45.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Way:
    """How a piece is set.

    Parameters
    ----------
    fixing : str
        How its rods are set, see :data:`facademap.repair.fixings.FIXINGS`.
    down_deg : float
        Slope of its way down into the wall, as seen from the side; negative for a way that rises.
    right_deg : float
        Turn of its way to the right, as seen from above; negative for one to the left.

    Raises
    ------
    InputError
        The fixing is unknown, or a slope is no number or too steep.

    Examples
    --------
    >>> Way(down_deg=5.0).words
    'in and 5° down'
    """

    fixing: str = BEFORE
    down_deg: float = 0.0
    right_deg: float = 0.0

    def __post_init__(self) -> None:
        fixing_named(self.fixing)
        for slope in (self.down_deg, self.right_deg):
            if not math.isfinite(slope) or abs(slope) > STEEPEST_DEG:
                raise InputError(
                    f"a way in of {slope:g} degrees",
                    f"Give at most {STEEPEST_DEG:g} degrees; 0 is straight in.",
                )

    @property
    def straight(self) -> bool:
        """Whether the piece goes straight in."""
        return not (self.down_deg or self.right_deg)

    @property
    def direction(self) -> tuple[float, float, float]:
        """Unit vector of the way: right, up, into the wall."""
        right = math.tan(math.radians(self.right_deg))
        up = -math.tan(math.radians(self.down_deg))
        length = math.sqrt(right * right + up * up + 1.0)
        return right / length, up / length + 0.0, 1.0 / length

    @property
    def words(self) -> str:
        """The line of the way as people say it."""
        if self.straight:
            return "straight in"
        parts = [
            f"{abs(slope):g}° {more if slope > 0 else less}"
            for slope, more, less in (
                (self.down_deg, "down", "up"),
                (self.right_deg, "to the right", "to the left"),
            )
            if slope
        ]
        return "in and " + ", ".join(parts)

    def as_json(self) -> dict[str, Any]:
        """As kept with a project."""
        return {"fixing": self.fixing, "down_deg": self.down_deg, "right_deg": self.right_deg}

    @classmethod
    def read(cls, values: Mapping[str, Any]) -> Way:
        """From what :meth:`as_json` gave.

        Raises
        ------
        InputError
            A value cannot be read.
        """
        try:
            return cls(
                fixing=str(values.get("fixing") or BEFORE),
                down_deg=float(values.get("down_deg") or 0.0),
                right_deg=float(values.get("right_deg") or 0.0),
            )
        except (TypeError, ValueError):
            raise InputError("a slope that is no number", "Give degrees, such as 5.") from None


_SLOPE = re.compile(r"(down|up|right|left)\s+([0-9]+(?:\.[0-9]+)?)\s*(?:°|deg|degrees)?\Z")


def parse_way(text: str) -> Way:
    """A way as it is typed: a fixing, a slope, or both with commas, such as ``before, down 5, left 2``.

    Raises
    ------
    InputError
        It cannot be read.
    """
    values: dict[str, Any] = {}
    for part in filter(None, (p.strip().lower() for p in text.split(","))):
        slope = _SLOPE.match(part)
        if slope is None:
            fixing_named(part)
            name, value = "fixing", part
        else:
            name = "down_deg" if slope[1] in ("down", "up") else "right_deg"
            value = str(float(slope[2]) * (-1.0 if slope[1] in ("up", "left") else 1.0))
        if name in values:
            raise InputError(
                f"{text.strip()!r} says one thing twice",
                "Give one fixing, one slope down or up, and one to the right or left.",
            )
        values[name] = value
    if not values:
        raise InputError("a way of setting that says nothing", "Write it as 'before, down 5'.")
    return Way.read(values)


def way_of(repair: Mapping[str, Any], *, default: str = BEFORE) -> Way:
    """The way of setting of a repair: as its design says, else as its own pins say, else straight in by the default fixing."""
    materials, pins = repair.get("materials"), repair.get("pins")
    known = (materials.get("fixing") or {}) if isinstance(materials, Mapping) else {}
    first = pins[0] if isinstance(pins, Sequence) and len(pins) else {}
    own = first.get("fixing") if isinstance(first, Mapping) else None
    return Way.read(
        {
            "fixing": own or known.get("name") or default,
            "down_deg": known.get("down_deg"),
            "right_deg": known.get("right_deg"),
        }
    )
