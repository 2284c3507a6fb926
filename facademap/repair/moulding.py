"""Moulded stones: how far the profile stands out over a cut-out, and where it may be cut."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from facademap.errors import InputError

__all__ = ["Profile", "cut_levels", "profile_over", "projection_over", "read_profile_line"]

#: The profile of a moulding: points (out_m, v_m), out of the wall plane, ordered from below.
Profile = np.ndarray


def read_profile_line(points: Sequence[Sequence[float]], *, where: str = "profile") -> Profile:
    """Check a profile line.

    Parameters
    ----------
    points : sequence of (out_m, v_m)
        From below to above; may run back under itself (undercut).

    Raises
    ------
    InputError
        Fewer than two points, not finite, or further out than 2 m.
    """
    line = np.asarray(points, dtype=float)
    if line.ndim != 2 or line.shape[1] != 2 or len(line) < 2 or not np.isfinite(line).all():
        raise InputError(
            f"{where}: not a line of points (out, up)", "Give at least two points in metres."
        )
    if np.abs(line[:, 0]).max() > 2:
        raise InputError(
            f"{where}: stands {np.abs(line[:, 0]).max():.2f} m out of the wall",
            "Give the profile in metres.",
        )
    return line


def profile_over(profile: Profile, v0_m: float, v1_m: float) -> np.ndarray:
    """The part of a profile between two heights, with its ends on them."""
    parts: list[np.ndarray] = []
    for a, b in pairwise(profile):
        low, high = sorted((a[1], b[1]))
        if high < v0_m - 1e-12 or low > v1_m + 1e-12:
            continue
        for t in (0.0, 1.0):
            end = a + t * (b - a)
            if end[1] < v0_m or end[1] > v1_m:
                level = v0_m if end[1] < v0_m else v1_m
                end = a + (level - a[1]) / (b[1] - a[1]) * (b - a)
            if not parts or np.abs(parts[-1] - end).max() > 1e-12:
                parts.append(end)
    return np.array(parts).reshape(-1, 2)


def projection_over(profile: Profile, v0_m: float, v1_m: float) -> float:
    """Greatest projection of the profile out of the wall plane between two heights; 0 where it stands behind it."""
    part = profile_over(profile, v0_m, v1_m)
    return float(max(0.0, part[:, 0].max())) if len(part) else 0.0


def cut_levels(profile: Profile, *, sharp_deg: float = 30.0) -> tuple[float, ...]:
    """Heights at which the profile has a quirk or arris: joints are hidden there, not in the round of a member."""
    steps = np.diff(profile, axis=0)
    direction = np.arctan2(steps[:, 1], steps[:, 0])
    turn = np.abs((np.diff(direction) + np.pi) % (2 * np.pi) - np.pi)
    return tuple(float(v) for v in profile[1:-1][turn >= np.radians(sharp_deg), 1])
