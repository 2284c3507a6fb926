"""Scales that drawings are made at: those of the standards, and how each is named.

References
----------
ISO 5455:1979, Technical drawings, Scales: 1, 2 and 5 by powers of ten (recalled). The inch scales, an inch or a part of
it to the foot, are common practice of American offices.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from facademap.errors import InputError

__all__ = [
    "INCH_SCALES",
    "METRIC_SCALES",
    "SKETCH_SCALES",
    "check_scale",
    "coarser_scale",
    "scale_words",
    "sketch_scale",
]

METRIC_SCALES = (1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 200.0, 500.0, 1000.0)
#: Of a single stone, where a step of 1 : 5 to 1 : 2 or 1 : 50 to 1 : 20 would leave the sketch too small: with 1 : 2.5 and
#: 1 : 25, which masons' workshops and building drawings use (common practice).
SKETCH_SCALES = (1.0, 2.0, 2.5, 5.0, 10.0, 20.0, 25.0, 50.0, 100.0, 200.0)
#: Denominator and the part of an inch that a foot is drawn as.
_INCHES_TO_THE_FOOT = {
    4.0: "3",
    8.0: "1 1/2",
    12.0: "1",
    16.0: "3/4",
    24.0: "1/2",
    32.0: "3/8",
    48.0: "1/4",
    64.0: "3/16",
    96.0: "1/8",
    192.0: "1/16",
    384.0: "1/32",
}
INCH_SCALES = (1.0, 2.0, *_INCHES_TO_THE_FOOT)


def scale_words(scale: float, *, inches: bool = False) -> str:
    """A scale as it is written on a drawing.

    Examples
    --------
    >>> scale_words(20.0)
    '1 : 20'
    >>> print(scale_words(24.0, inches=True))
    1/2" = 1'-0"  (1 : 24)
    """
    plain = f"1 : {scale:g}"
    part = _INCHES_TO_THE_FOOT.get(scale) if inches else None
    return plain if part is None else f'{part}" = 1\'-0"  ({plain})'


def check_scale(scale: float) -> None:
    """Refuse a scale that no standard has.

    Raises
    ------
    InputError
    """
    if not (math.isfinite(scale) and scale > 0):
        raise InputError(f"scale 1 : {scale}", "Give a scale above 0, such as 20 for 1 : 20.")
    if scale not in METRIC_SCALES and scale not in INCH_SCALES:
        raise InputError(
            f"1 : {scale:g} is no scale of drawings",
            "Use 1, 2 or 5 times a power of ten, or an inch scale: "
            + ", ".join(f"{s:g}" for s in INCH_SCALES)
            + ".",
        )


def coarser_scale(least: float, *, inches: bool = False, among: Sequence[float] = ()) -> float:
    """The finest scale that is at least as coarse as this; beyond the coarsest, whole thousands.

    Examples
    --------
    >>> coarser_scale(12.5), coarser_scale(12.5, inches=True), coarser_scale(2300.0)
    (20.0, 16.0, 3000.0)
    """
    usual = among or (INCH_SCALES if inches else METRIC_SCALES)
    return next((s for s in usual if s >= least - 1e-9), math.ceil(least / 1000.0) * 1000.0)


def sketch_scale(least: float, *, inches: bool = False) -> float:
    """The finest scale of sketches of a stone that is at least as coarse as this.

    Examples
    --------
    >>> sketch_scale(7.6), sketch_scale(12.5), sketch_scale(12.5, inches=True)
    (10.0, 20.0, 16.0)
    """
    return coarser_scale(least, inches=inches, among=() if inches else SKETCH_SCALES)
