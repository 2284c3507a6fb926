"""A depth that the relief proposes and a person confirms: what is proved, what disagrees, what has gone stale."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Mapping
from typing import Any

import numpy as np
import shapely

from facademap.errors import InputError
from facademap.relief.depth import MeasuredDepth
from facademap.tables import is_missing

__all__ = [
    "LOOSE_M",
    "depth_disagrees",
    "depth_for_record",
    "depth_is_proved",
    "depth_on_edit",
    "depth_waits",
    "is_stale",
    "outline_digest",
]

#: A typed depth may differ from the deepest place by so much before it is named, beside the plus or minus (a setting).
LOOSE_M = 0.005
#: Below this share of known cells nobody can say how deep the deepest place is (habit of ours).
LEAST_KNOWN = 0.5
_STEP_M = 0.001


def outline_digest(shape: shapely.Geometry) -> str:
    """Sixteen hexadecimal letters that change with the outline, to a tenth of a millimetre."""
    plain = shapely.normalize(shapely.transform(shape, lambda xy: np.round(xy, 4)))
    return hashlib.sha256(shapely.to_wkb(plain, output_dimension=2)).hexdigest()[:16]


def depth_for_record(measured: MeasuredDepth) -> float | None:
    """Greatest depth that is proposed for the record: the deepest place with its doubt, to the next millimetre.

    None where the mean does not differ from nothing, or too little is known: then a person measures.
    """
    if measured.known_share < LEAST_KNOWN or measured.mean_m <= measured.plus_minus_95_m:
        return None
    deepest = measured.deepest_m + measured.plus_minus_95_m
    return round(math.ceil(deepest / _STEP_M - 1e-6) * _STEP_M, 4)


def _told(row: Mapping[str, Any]) -> Mapping[str, Any] | None:
    told = row.get("measured_depth")
    return told if isinstance(told, Mapping) else None


def is_stale(row: Mapping[str, Any]) -> bool:
    """Whether the outline was changed after its depth was measured."""
    told, shape = _told(row), row.get("geometry")
    return (
        told is not None
        and isinstance(shape, shapely.Geometry)
        and told["outline"] != outline_digest(shape)
    )


def depth_is_proved(row: Mapping[str, Any]) -> bool:
    """Whether the depth of a condition was measured, confirmed by a person, and still belongs to its outline."""
    told = _told(row)
    return (
        told is not None
        and row.get("depth_from") == "measured"
        and not is_missing(row.get("depth_m"))
        and not is_stale(row)
    )


def depth_waits(row: Mapping[str, Any]) -> bool:
    """Whether a measured depth waits for a person."""
    told = _told(row)
    return (
        told is not None
        and told["depth_m"] is not None
        and is_missing(row.get("depth_m"))
        and not is_stale(row)
    )


def depth_disagrees(row: Mapping[str, Any]) -> bool:
    """Whether the depth of the record and the measured deepest place cannot both be right."""
    told = _told(row)
    if told is None or is_missing(row.get("depth_m")) or is_stale(row):
        return False
    if told["known_share"] < LEAST_KNOWN:
        return False
    apart = abs(float(row["depth_m"]) - float(told["deepest_m"]))
    return apart > float(told["plus_minus_95_m"]) + LOOSE_M


def _with_source(note: Any, told: Mapping[str, Any]) -> str:
    """The note of a condition, and that its depth is of a relief that nobody measured."""
    said = f"{told['depth_m'] * 1000:.0f} mm deep by a relief {told['note']}."
    kept = "" if is_missing(note) else str(note)
    return kept if said in kept else f"{kept} {said}".strip()


def depth_on_edit(
    before: Mapping[str, Any], values: Mapping[str, Any], *, who: str
) -> dict[str, Any]:
    """Values of a condition as they are stored when a person edits them on the desk.

    A depth that is confirmed is the one that was measured, whatever was sent; one that is typed is no measured one.

    Parameters
    ----------
    before : mapping
        The row as it was; empty for a new one.
    values : mapping
        What was sent.
    who : str

    Raises
    ------
    InputError
        A measurement that no relief made, or a confirmation without a measurement.
    """
    stored = dict(values)
    if not before:
        # a copy of another condition has another outline
        for name in ("measured_depth", "depth_confirmed_by"):
            stored.pop(name, None)
        stored["depth_from"] = None if is_missing(stored.get("depth_m")) else "typed"
        return stored
    if "measured_depth" in stored and stored["measured_depth"] != before.get("measured_depth"):
        raise InputError(
            f"{before['id']}: a measured depth comes from a relief alone",
            "Measure it with facademap depths --store.",
        )
    if stored.get("depth_from") == "measured":
        told = _told(before)
        if told is None or told["depth_m"] is None:
            raise InputError(
                f"{before['id']}: no depth was measured that could be confirmed",
                "Type the depth, or measure it with facademap depths --store.",
            )
        if is_stale(before):
            raise InputError(
                f"{before['id']}: its outline was changed after its depth was measured",
                "Measure it again with facademap depths --store.",
            )
        if told.get("note"):
            stored["note"] = _with_source(stored.get("note", before.get("note")), told)
        return {**stored, "depth_m": told["depth_m"], "depth_confirmed_by": who}
    if "depth_m" in stored and stored["depth_m"] != before.get("depth_m"):
        stored["depth_from"] = None if is_missing(stored["depth_m"]) else "typed"
        stored["depth_confirmed_by"] = None
    return stored
