"""Whether two reliefs lie in one frame, as the control points say that both were measured by."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from facademap.errors import InputError

__all__ = ["check_same_frame"]

#: A control point that lies further from where it was is another place (common practice: thrice a good survey's precision).
_FRAME_M = 0.003
Control = Mapping[str, Sequence[float]]


def check_same_frame(
    was: Control | None,
    now: Control | None,
    *,
    names: tuple[str, str],
    remedy: str,
    warnings: list[str],
) -> None:
    """Refuse reliefs of two frames; say where it cannot be known.

    Parameters
    ----------
    was, now : mapping of str to (u, v, w), optional
        Control points of the older and the newer relief, metres.
    names : (str, str)
        What the reliefs are called.
    remedy : str
        What helps where the frame was fitted anew.
    warnings : list of str
        Grows.

    Raises
    ------
    InputError
        Half of the common points, or more, lie elsewhere.
    """
    if not was or not now:
        warnings.append(
            "a relief does not tell its control points: whether the frame is still the same is not known"
        )
        return
    common = sorted(set(was) & set(now))
    if not common:
        warnings.append(
            "the surveys have no control point in common: they are laid on each other by stable stone alone"
        )
        return
    moved = {n: math.dist(was[n], now[n]) for n in common}
    if sorted(moved.values())[len(moved) // 2] > _FRAME_M:
        raise InputError(
            f"the frame was fitted anew between {names[0]} and {names[1]}: {len(common)} common control points lie up to "
            f"{max(moved.values()) * 1000:.0f} mm elsewhere",
            remedy,
        )
    warnings += [
        f"control point {name} lies {far * 1000:.0f} mm elsewhere in {names[1]}: moved, or measured anew?"
        for name, far in moved.items()
        if far > _FRAME_M
    ]
