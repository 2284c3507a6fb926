"""The make-safe list: what may fall, apart from every repair decision."""

from __future__ import annotations

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


def make_safe_list(
    conditions: gpd.GeoDataFrame,
    wall_stones: gpd.GeoDataFrame,
    *,
    decisions: pd.DataFrame | None = None,
) -> pd.DataFrame:
    """Every condition that may shed stone, the most pressing first.

    Parameters
    ----------
    conditions, wall_stones : GeoDataFrame
        Rows of these tables.
    decisions : DataFrame, optional
        Treatments by :func:`decide_treatments` with the index of ``conditions``.

    Returns
    -------
    DataFrame
        ``condition, surface, wall_stone, term, cc, uc, safety, u_m, v_m, height_m, action``; ``height_m`` is the height above
        the zero of the wall frame, from which a piece would fall. Empty when nothing is unsafe.
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
        if safety_class(str(record["term"]), cc=cc, uc=uc, treatment=treatment) != "unsafe":
            continue
        shape = record["geometry"]
        stone = None if is_missing(record.get("wall_stone")) else str(record["wall_stone"])
        overhead = parts.get(stone or "", "walling") in (
            "lintel",
            "cornice",
            "string course",
            "coping",
            "voussoir",
            "sill",
        )
        action = (
            "Today: keep people away below and put up protection; sound and tap-test from a safe place; take off what is loose, "
            "or strap, prop or net it."
            + (" Overhead part: an engineer before anything is moved." if overhead else "")
        )
        rows.append(
            {
                "condition": str(record["id"]),
                "surface": record["surface"],
                "wall_stone": stone,
                "term": record["term"],
                "cc": cc,
                "uc": uc,
                "safety": "unsafe",
                "u_m": float(shape.centroid.x),
                "v_m": float(shape.centroid.y),
                "height_m": float(shape.bounds[1]),
                "action": f"{action} {DEFER}",
            }
        )
    columns = [
        "condition",
        "surface",
        "wall_stone",
        "term",
        "cc",
        "uc",
        "safety",
        "u_m",
        "v_m",
        "height_m",
        "action",
    ]
    # what may fall comes first, and of that what hangs highest
    rows.sort(
        key=lambda r: (
            r["term"] not in MAY_FALL,
            -r["height_m"] if r["term"] in MAY_FALL else 0.0,
            -(r["uc"] or 0),
            -(r["cc"] or 0),
            -r["height_m"],
            r["condition"],
        )
    )
    return pd.DataFrame(rows, columns=columns)
