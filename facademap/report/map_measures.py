"""Measures inside the sentences of the condition map, which the page says in the reader's own units.

A measure stands between two signs that no keyboard types, with its kind and its value in metres. A text of a project that
holds such signs is at worst said as a measure.
"""

from __future__ import annotations

from typing import Literal

__all__ = ["measure"]

BEGIN, END = "\ue000", "\ue001"
Kind = Literal["length", "joint", "error", "shift", "area", "volume", "weight"]


def measure(kind: Kind, value: float) -> str:
    """A measure for a sentence.

    Parameters
    ----------
    kind : str
        ``length`` to a whole millimetre, ``joint``, ``error`` and ``shift`` (with its sign) to a tenth, ``area``, ``volume``, ``weight``.
    value : float
        In metres, square metres, cubic metres or kilograms.
    """
    return f"{BEGIN}{kind} {float(value):.9g}{END}"
