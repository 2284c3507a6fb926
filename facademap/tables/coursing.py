"""What a project takes for a stone of a course, and how its office counts stones: a setting, with the usual values."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any, Literal

from facademap.errors import InputError

__all__ = ["COURSING", "COURSING_SETTING", "Coursing", "coursing_from"]

#: Name of the setting.
COURSING_SETTING = "coursing"


@dataclass(frozen=True, slots=True, kw_only=True)
class Coursing:
    """What a project takes for a stone of a course, and how its office counts; the setting ``coursing``.

    Parameters
    ----------
    courses_from : {"below", "above"}
        Where course 1 lies.
    numbers_from : {"left", "right"}
        Where stone 1 of a course lies, seen from outside.
    first : int
        Number of the first course and of the first stone.
    least_side_m, most_height_m, most_length_m : float
        Smallest side, greatest height and greatest length of a stone.
    most_slender : float
        Length by height.
    height_share : float
        By how much the height of a stone may differ from that of its course.
    length_share : float
        How many times longer than the stones round it a stone may be.
    least_filled : float
        Share of the smallest rectangle round a stone that it fills; less has no straight sides.
    overlap : float
        Share of a stone that may lie on another; more is the same stone twice.
    joint_m : float
        Widest joint: stones this near to each other share it.
    """

    courses_from: Literal["below", "above"] = "below"
    numbers_from: Literal["left", "right"] = "left"
    first: int = 1
    least_side_m: float = 0.06
    most_height_m: float = 0.9
    most_length_m: float = 2.0
    most_slender: float = 6.0
    height_share: float = 0.3
    length_share: float = 2.5
    least_filled: float = 0.88
    overlap: float = 0.2
    joint_m: float = 0.03

    def __post_init__(self) -> None:
        for name, choices in (
            ("courses_from", ("below", "above")),
            ("numbers_from", ("left", "right")),
        ):
            if getattr(self, name) not in choices:
                raise InputError(
                    f"coursing: {name} is {getattr(self, name)!r}"[:120],
                    f"Give {' or '.join(choices)}.",
                )
        for f in fields(self)[2:]:
            value = getattr(self, f.name)
            whole = f.name == "first"
            right = isinstance(value, int) if whole else isinstance(value, int | float)
            if (
                isinstance(value, bool)
                or not right
                or not (value >= 0 if whole else 0 < value < 1e3)
            ):
                raise InputError(f"coursing: {f.name} is {value!r}"[:120], "Give a number above 0.")


COURSING = Coursing()


def coursing_from(setting: Any) -> Coursing:
    """What the setting ``coursing`` of a project says, and the usual where it says nothing.

    Raises
    ------
    InputError
        A name or a value that is not known.
    """
    if setting is None:
        return COURSING
    known = [f.name for f in fields(Coursing)]
    if not isinstance(setting, Mapping) or (strange := sorted(set(map(str, setting)) - set(known))):
        name = (
            "no mapping"
            if not isinstance(setting, Mapping)
            else f"{strange[0][:60]!r} is not known"
        )
        raise InputError(f"setting coursing: {name}", f"Use {', '.join(known)}.")
    return Coursing(**setting)
