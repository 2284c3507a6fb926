"""Conditions of consents, and the work that waits for them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import pandas as pd
import shapely

from facademap.repair.rows import rows_of
from facademap.tables import is_missing
from facademap.units import format_length

__all__ = [
    "BEGUN_WORK",
    "about_said",
    "binding_on",
    "consent_said",
    "held_by_consents",
    "open_consents",
]

Row = Mapping[Any, Any]
#: Stages in which something was done to the wall.
BEGUN_WORK = frozenset(
    {
        "cut out", "cut-out measured", "piece sawn", "dry-fitted", "bedded", "sounded", "pointed", "curing", "accepted",
    }
)  # fmt: skip
#: What is done at once for safety, or does nothing to the stone, waits for no consent (common practice; local law decides).
_FREE = frozenset({"make safe", "leave"})


def consent_said(row: Row) -> str:
    """A condition by its reference and number."""
    clause = "" if is_missing(row.get("clause")) else f", condition {row['clause']}"
    return f"{row['reference']}{clause}"


def binding_on(consents: Iterable[Row], repair: Row) -> list[Row]:
    """The conditions that are about a repair, in the order of their ids.

    A condition that names repairs is about these only; one that names treatments is about these; one that names neither is
    about everything; one that names surfaces is about what lies on these, and with an area about what reaches into it. Making safe and leaving wait only where a condition names the repair itself.
    """
    found = []
    for row in consents:
        named, kinds = list(row.get("repairs") or ()), list(row.get("treatments") or ())
        treatment, places = str(repair["treatment"]), [str(s) for s in row.get("surfaces") or ()]
        # a repair of which no surface is told is held rather than let go
        here = not places or is_missing(repair.get("surface")) or str(repair["surface"]) in places
        here = here and _reaches_into(row.get("area_m"), repair.get("geometry"))
        about = (
            str(repair["id"]) in map(str, named)
            if named
            else treatment not in _FREE and here and (not kinds or treatment in kinds)
        )
        if about:
            found.append(row)
    return sorted(found, key=lambda r: str(r["id"]))


def _reaches_into(area_m: Any, shape: Any) -> bool:
    """Whether an outline lies in an area at least in part; what has none is held rather than let go."""
    if not isinstance(area_m, (list, tuple)) or shape is None or is_missing(shape):
        return True
    return bool(shape.is_empty or shape.intersects(shapely.box(*area_m)))


def about_said(row: Row, *, inches: bool = False) -> str:
    """What a condition is about, in words.

    Examples
    --------
    >>> about_said({"treatments": ["clean"], "surfaces": ["east"], "area_m": [1.2, 0.0, 3.4, 2.1]})
    'clean, east: 1.20 to 3.40 m across, 0.00 to 2.10 m up'
    """
    told = ", ".join(
        str(n) for k in ("treatments", "repairs", "surfaces") for n in row.get(k) or ()
    )
    area = row.get("area_m")
    if isinstance(area, (list, tuple)):
        u0, v0, u1, v1 = (format_length(m, inches=inches).removesuffix(" m") for m in area)
        unit = "" if inches else " m"
        told += f": {u0} to {u1}{unit} across, {v0} to {v1}{unit} up"
    return told or "all work"


def open_consents(consents: Iterable[Row], repair: Row, *, stage: str = "") -> Sequence[str]:
    """Conditions that are not met and keep a repair from entering a stage, each with what it asks.

    Parameters
    ----------
    consents : iterable of mapping
    repair : mapping
    stage : str
        Stage to be entered; the conditions that keep the work from beginning where none is given.

    Examples
    --------
    >>> rows = [{"id": "L-001", "reference": "LB/12", "clause": "3", "text": "A sample is approved.",
    ...          "before": "work begins", "met": False}]
    >>> open_consents(rows, {"id": "R-001", "treatment": "repoint"})
    ['LB/12, condition 3 (L-001) is not met: A sample is approved.']
    """
    points = {"work begins"}
    if stage and stage not in BEGUN_WORK:
        return []
    if stage == "accepted":
        points.add("work is accepted")
    return [
        f"{consent_said(r)} ({r['id']}) is not met: {r['text']}"
        for r in binding_on(consents, repair)
        if not bool(r["met"]) and str(r["before"]) in points
    ]


def held_by_consents(repairs: pd.DataFrame, consents: pd.DataFrame) -> pd.DataFrame:
    """Repairs with what holds them back, conditions of consents that are not met among it."""
    rows = rows_of(consents)
    if not rows or not len(repairs):
        return repairs
    held = [
        row["held_back"]
        if not is_missing(row["held_back"])
        else next(iter(open_consents(rows, row)), None)
        for row in rows_of(repairs)
    ]
    return repairs.assign(held_back=pd.Series(held, index=repairs.index, dtype=object))
