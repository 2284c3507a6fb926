"""How a length read on site is set against a limit: one rule for every place that judges."""

from __future__ import annotations

import math

__all__ = ["STEP_M", "exceeds", "in_tenths", "said"]

#: Lengths are judged in tenths of a millimetre: no tape or gauge on a scaffold reads finer (common practice).
STEP_M = 1e-4
#: Floating-point dust that must not decide between two tenths.
_DUST = 1e-6


def in_tenths(length_m: float) -> int:
    """The length in tenths of a millimetre, halves counted up.

    Examples
    --------
    >>> in_tenths(0.303 - 0.301), in_tenths(0.00204), in_tenths(0.00205)
    (20, 20, 21)
    """
    return math.floor(length_m / STEP_M + 0.5 + _DUST)


def exceeds(length_m: float, limit_m: float) -> bool:
    """Whether a length lies above its limit; exactly the limit keeps it.

    Examples
    --------
    >>> exceeds(0.363 - 0.361, 0.002), exceeds(0.053 - 0.050, 0.003), exceeds(0.0021, 0.002)
    (False, False, True)
    """
    return in_tenths(length_m) > in_tenths(limit_m)


def said(length_m: float) -> str:
    """A length as it is judged, in millimetres with one decimal."""
    return f"{in_tenths(length_m) / 10:.1f} mm"
