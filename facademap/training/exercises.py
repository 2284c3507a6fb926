"""Exercises: low-risk repairs of this wall and spare stone, chosen by rules; each that is not taken says why.

All rules are common practice: a learner works low, on plain walling, on light pieces, where nothing is urgent or waits for
another profession, and on stone that no repair needs.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from facademap.repair.cautions import PROPPING
from facademap.tables import is_missing

__all__ = ["TAUGHT", "Exercise", "choose_exercises", "choose_spare_stone", "why_not"]

#: Treatments that are practised on the wall, the easiest first.
TAUGHT = ("repoint", "crack repair", "mortar repair", "inset")
_PLAIN = frozenset({"walling", "plinth", ""})
_BEGUN_OR_OVER = frozenset({"on hold", "accepted"})
_HIGHEST_LIFT = 1
_URGENT = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Exercise:
    """One exercise.

    Parameters
    ----------
    id : str
        Id of the repair, or of the block of spare stone.
    what : str
        Treatment that is practised.
    where : str
        Surface and stone, or ``spare stone``.
    why : str
        Why it was chosen.
    criteria : tuple of str
        Names of what is checked.
    """

    id: str
    what: str
    where: str
    why: str
    criteria: tuple[str, ...] = ()


def why_not(
    repair: Mapping[str, Any],
    *,
    part: str,
    urgency: float | None,
    weight_kg: float | None,
    one_person_kg: float,
    waits: str = "",
    without_stone: bool = False,
) -> str:
    """Why a repair is no exercise, in words; empty where it is one.

    Parameters
    ----------
    repair : mapping
        Row of the repairs table.
    part : str
        Part of the building that its stone is.
    urgency : float or None
        Greatest urgency class of its conditions (EN 16096); ``None`` is not known, and is no exercise.
    weight_kg : float or None
        Of its piece, wet; ``None`` where there is none.
    one_person_kg : float
        What one person may handle, by the profile.
    waits : str
        What it waits for, such as a trial or an engineer.
    without_stone : bool
        Whether a piece has no stone yet.
    """
    materials = {} if is_missing(repair.get("materials")) else repair["materials"]
    lift = repair.get("lift")
    reasons = (
        (str(repair["treatment"]) not in TAUGHT, "not a treatment that is practised"),
        (str(repair["stage"]) in _BEGUN_OR_OVER, f"stage: {repair['stage']}"),
        (not is_missing(repair.get("held_back")), "held back"),
        (bool(waits), waits),
        (urgency is None, "its urgency is not known"),
        (urgency is not None and urgency >= _URGENT, "urgent: done by those who know how"),
        (PROPPING in (materials.get("hold_points") or ()), "waits for an engineer"),
        (part.lower() not in _PLAIN, f"part of the building: {part}"),
        (bool(materials.get("moulding")), "moulded"),
        (is_missing(lift), "its lift is not known"),
        (not is_missing(lift) and int(lift or 0) > _HIGHEST_LIFT, "high on the scaffold"),
        (weight_kg is not None and weight_kg > one_person_kg, "too heavy for one person"),
        (without_stone, "no stone is found for it"),
    )
    return next((said for true, said in reasons if true), "")


def choose_exercises(
    candidates: Sequence[tuple[Mapping[str, Any], str]], *, most: int = 12
) -> list[Exercise]:
    """The exercises among repairs that may be one, the easiest first, the treatments in turn.

    Parameters
    ----------
    candidates : sequence of (repair, why not)
        As :func:`why_not` says; only those with an empty reason are taken.
    most : int
        No more than these.
    """
    rows: dict[str, list[Mapping[str, Any]]] = {t: [] for t in TAUGHT}
    for repair, reason in candidates:
        if not reason:
            rows[str(repair["treatment"])].append(repair)
    for own in rows.values():
        own.sort(key=lambda r: (_lift(r), _amount(r), str(r["id"])))
    found: list[Exercise] = []
    while len(found) < most and any(rows.values()):
        for treatment in TAUGHT:
            if rows[treatment] and len(found) < most:
                found.append(_exercise(rows[treatment].pop(0)))
    return found


def choose_spare_stone(
    blocks: Sequence[Mapping[str, Any]], needed: Collection[str], *, longest_m: float = 0.3
) -> list[Exercise]:
    """Stone to practise on: rejected blocks, and small remainders that nothing is placed on.

    A block that may still serve a repair is never offered: salvaged stone does not grow again.
    """
    found = []
    for block in sorted(blocks, key=lambda b: str(b["id"])):
        if str(block["id"]) in needed or str(block["state"]) in ("reserved", "future", "used"):
            continue
        rejected = "rejected" in (str(block["state"]), str(block.get("acceptance")))
        small = (
            not is_missing(block.get("parent"))
            and max(float(block["length_m"]), float(block["height_m"])) <= longest_m
        )
        if rejected or small:
            found.append(
                Exercise(
                    id=str(block["id"]),
                    what="inset",
                    where="spare stone",
                    why="rejected for the wall"
                    if rejected
                    else "a remainder that nothing is placed on",
                )
            )
    return found


def _exercise(repair: Mapping[str, Any]) -> Exercise:
    stone = "" if is_missing(repair.get("wall_stone")) else f", stone {repair['wall_stone']}"
    return Exercise(
        id=str(repair["id"]),
        what=str(repair["treatment"]),
        where=f"{repair['surface']}{stone}, lift {_lift(repair)}",
        why="low, plain walling, not urgent, waits for nobody",
    )


def _lift(repair: Mapping[str, Any]) -> int:
    return 0 if is_missing(repair.get("lift")) else int(repair["lift"])


def _amount(repair: Mapping[str, Any]) -> float:
    volume = repair.get("removed_volume_m3")
    if volume is not None and not is_missing(volume):
        return float(volume)
    shape = repair.get("geometry")
    return 0.0 if shape is None else float(shape.area)
