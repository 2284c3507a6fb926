"""The make-safe list: everything urgent, apart from every repair decision."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

import geopandas as gpd
import pandas as pd

from facademap.condition.glossary import TERMS
from facademap.repair.cautions import DEFER
from facademap.repair.rows import rows_of
from facademap.tables import is_missing

__all__ = ["SafetyClass", "make_safe_list", "next_cycle", "safety_class"]

SafetyClass = Literal["unsafe", "repair needed", "maintenance"]

_LOOSE = frozenset({"loose stone", "displacement"})
_SHEDS = frozenset(
    {
        "fracture",
        "splitting",
        "fragmentation",
        "splintering",
        "chipping",
        "bursting",
        "contour scaling",
        "delamination",
        "exfoliation",
        "blistering",
        "bulge",
        "corroding iron",
        "failed repair",
    }
)
_PARENT = {t.name: t.parent for t in TERMS}
_FAMILY = {t.name: t.family for t in TERMS}
#: Urgency class that is urgent whatever else is known of a condition (EN 16096 UC3, wording from memory).
MOST_URGENT = 3
COLUMNS = (
    "condition",
    "surface",
    "wall_stone",
    "term",
    "cc",
    "uc",
    "safety",
    "danger",
    "u_m",
    "v_m",
    "height_m",
    "action",
)


#: Terms of stone that may come down by itself (common practice: loose stone over a way is acted on at once).
MAY_FALL = frozenset({"loose stone", "displacement", "bulge"})


def safety_class(
    term: str, *, cc: int | None, uc: int | None, treatment: str | None = None
) -> SafetyClass:
    """Safety class of one condition: unsafe, repair needed or maintenance.

    Loose and displaced stone is unsafe whatever its class; what can shed pieces is unsafe when urgent (UC3) or with major
    symptoms (CC3) needing work in the short term (UC2); whatever is to be made safe is unsafe.

    References
    ----------
    The three classes follow ASTM E2270 in sense (class names from memory; that unsafe means a hazard from loss of
    facade material was read). The mapping from CC and UC is a project rule.
    """
    word = term.strip().lower()
    if treatment == "make safe" or word in _LOOSE:
        return "unsafe"
    sheds = word in _SHEDS or _PARENT.get(word, "") in _SHEDS
    if sheds and ((uc or 0) >= 3 or ((uc or 0) >= 2 and (cc or 0) >= 3)):
        return "unsafe"
    if (uc or 0) >= 1 or (cc or 0) >= 2:
        return "repair needed"
    return "maintenance"


def next_cycle(found: SafetyClass, *, mended: bool) -> SafetyClass:
    """Class at the next inspection: what needed repair and was not mended is unsafe.

    References
    ----------
    1 RCNY 103-04 (facade inspection rule of New York City): an uncorrected item of the middle class is unsafe in the
    next cycle (read in a public digest of the rule).
    """
    if mended:
        return "maintenance"
    return "unsafe" if found in ("repair needed", "unsafe") else "maintenance"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Danger:
    """How soon something may hurt somebody, and what keeps it from doing so until it is repaired."""

    rank: int
    words: str
    measure: str


_KEEP_AWAY = "Today: keep people away below and put up protection."
_LOOSE_STONE = _Danger(
    rank=0,
    words="may fall",
    measure=f"{_KEEP_AWAY} Sound and tap-test from a safe place; take off what is loose, or strap, prop or net it.",
)
_SHEDDING = _Danger(
    rank=1,
    words="sheds pieces",
    measure=f"{_KEEP_AWAY} Tap-test; take off by hand what comes away, label and keep it; hold the rest with facing, net or straps.",
)
#: By family of the glossary: what it does when it is urgent, and the temporary measure (common practice).
_BY_FAMILY: Mapping[str, _Danger] = {
    "A": _Danger(
        rank=2,
        words="broken or moving",
        measure="Today: look whether the parts can part; keep people away below if they can. Fix a dated tell-tale or gauge across it, "
        "keep water out, prop or strap it as the engineer says.",
    ),
    "B": _Danger(
        rank=3,
        words="comes away",
        measure=f"{_KEEP_AWAY} Tap-test; take off what is loose, label and keep it; hold the rest with facing or net.",
    ),
    "C": _Danger(
        rank=4,
        words="stone is lost",
        measure="This week: look for loose edges and take them off; cover what lets water in; check what rests on it.",
    ),
    "D": _Danger(
        rank=5,
        words="wet or soiled",
        measure="This week: find and stop the water (gutter, pipe, flashing, drain); cover the place; photograph it.",
    ),
    "E": _Danger(
        rank=5,
        words="grown over",
        measure="This week: cut back what hides or lifts stone, roots left in until the stone is held; look again underneath.",
    ),
    "J": _Danger(
        rank=4,
        words="joint open",
        measure="This week: wedge and pack joints of stone that carries; keep water out with a soft lime mortar that comes out again.",
    ),
    "S": _Danger(
        rank=2,
        words="moving",
        measure="Today: keep people and loads away; fix dated tell-tales, plumb it; shore as the engineer says.",
    ),
    "R": _Danger(
        rank=3,
        words="earlier repair fails",
        measure=f"{_KEEP_AWAY} Tap-test; take off what is loose; keep water out of the hole.",
    ),
}
_OTHER = _Danger(rank=5, words="urgent", measure="Today: look at it at arm's length and decide.")
_CARRIES = frozenset(
    {"lintel", "cornice", "string course", "coping", "voussoir", "sill", "quoin", "jamb"}
)


def _danger(term: str) -> _Danger:
    word = term.strip().lower()
    if word in MAY_FALL:
        return _LOOSE_STONE
    if word in _SHEDS or _PARENT.get(word, "") in _SHEDS:
        return _SHEDDING
    return _BY_FAMILY.get(_FAMILY.get(word, ""), _OTHER)


def make_safe_list(
    conditions: gpd.GeoDataFrame,
    wall_stones: gpd.GeoDataFrame,
    *,
    decisions: pd.DataFrame | None = None,
) -> pd.DataFrame:
    """Everything urgent, the most dangerous first, each with what keeps it safe until it is repaired.

    Parameters
    ----------
    conditions, wall_stones : GeoDataFrame
        Rows of these tables.
    decisions : DataFrame, optional
        Treatments by :func:`decide_treatments` with the index of ``conditions``.

    Returns
    -------
    DataFrame
        ``condition, surface, wall_stone, term, cc, uc, safety, danger, u_m, v_m, height_m, action``; ``height_m`` is the
        height above the zero of the wall frame, from which a piece would fall. Every condition of the highest urgency
        (UC3) and every unsafe one is in it; empty when there is none.
    """
    parts = (
        {str(i): p for i, p in zip(wall_stones["id"], wall_stones["part"], strict=True)}
        if len(wall_stones)
        else {}
    )
    treatments = [None] * len(conditions) if decisions is None else list(decisions["treatment"])
    rows: list[dict[str, Any]] = []
    for record, treatment in zip(rows_of(conditions), treatments, strict=True):
        cc, uc = (None if is_missing(record.get(k)) else int(record[k]) for k in ("cc", "uc"))
        term, shape = str(record["term"]), record["geometry"]
        safety = safety_class(term, cc=cc, uc=uc, treatment=treatment)
        if safety != "unsafe" and (uc or 0) < MOST_URGENT:
            continue
        stone = None if is_missing(record.get("wall_stone")) else str(record["wall_stone"])
        danger = _danger(term)
        rows.append(
            {
                "condition": str(record["id"]),
                "surface": record["surface"],
                "wall_stone": stone,
                "term": record["term"],
                "cc": cc,
                "uc": uc,
                "safety": safety,
                "danger": danger.words,
                "rank": danger.rank,
                "u_m": float(shape.centroid.x),
                "v_m": float(shape.centroid.y),
                "height_m": float(shape.bounds[1]),
                "action": _action(danger, parts.get(stone or "", "walling")),
            }
        )
    # what may fall comes first, then what sheds, moves, comes away; of each what hangs highest
    rows.sort(
        key=lambda r: (
            r["rank"],
            r["safety"] != "unsafe",
            -r["height_m"],
            -(r["uc"] or 0),
            -(r["cc"] or 0),
            r["condition"],
        )
    )
    return pd.DataFrame(rows, columns=COLUMNS)


def _action(danger: _Danger, part: str) -> str:
    engineer = (
        f" {part.capitalize()}: it may carry load, so an engineer decides on the propping before anything is moved."
        if part in _CARRIES
        else ""
    )
    return f"{danger.measure}{engineer} {DEFER}"
