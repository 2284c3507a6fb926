"""The treatment of every condition, by the rule table and by persons who decide otherwise."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from facademap.condition.glossary import FAMILIES, TERMS
from facademap.errors import InputError
from facademap.repair.rules import Rule, RuleTable
from facademap.tables import TREATMENTS, UNDECIDED, is_missing

__all__ = ["NOT_DECIDED", "NO_RULE", "Overrule", "decide_treatments"]

#: Names shown as the rule where no rule of the table holds, and where a missing value decides which.
NO_RULE, NOT_DECIDED = "(no rule)", "(undecided)"
#: Columns that the measures of rules are taken from, and what people call them.
_COLUMN_OF: Mapping[str, str] = {
    "depth": "depth_m",
    "width": "width_m",
    "extent": "wall_stone",
    "activities": "activity",
    **{c: c for c in ("cc", "uc", "rc")},
}
_WORDS_OF: Mapping[str, str] = {
    "depth": "depth",
    "width": "width",
    "extent": "wall stone",
    "activities": "activity",
    "cc": "condition class",
    "uc": "urgency class",
    "rc": "recommendation class",
}
_COLUMNS = (
    "treatment",
    "rule",
    "rule_source",
    "rule_status",
    "priority",
    "held_back",
    "overruled_by",
    "reason",
    "asks",
)
_LAYER_OF_TERM = {t.name: t.layer for t in TERMS}
_FAMILY_OF_TERM = {
    t.name: next(f.name.lower() for f in FAMILIES if f.id == t.family) for t in TERMS
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Overrule:
    """A person's decision for a condition against the rule; kept with its reason.

    Parameters
    ----------
    treatment : str
        Treatment decided.
    by : str
        Who decided.
    reason : str
        Why; required.
    """

    treatment: str
    by: str
    reason: str

    def __post_init__(self) -> None:
        if self.treatment not in TREATMENTS:
            raise InputError(
                f"treatment {self.treatment!r} is unknown", f"Use one of {', '.join(TREATMENTS)}."
            )
        if not self.reason.strip():
            raise InputError("a decision against the rule has no reason", "Say why in a sentence.")
        if not self.by.strip():
            raise InputError(
                "a decision against the rule has no name", "Say who or which office decides."
            )


def decide_treatments(
    conditions: gpd.GeoDataFrame,
    wall_stones: gpd.GeoDataFrame,
    *,
    rules: RuleTable,
    overrules: Mapping[str, Overrule] | None = None,
) -> pd.DataFrame:
    """The treatment of each condition and what decided it.

    Parameters
    ----------
    conditions : GeoDataFrame
        Rows of the conditions table.
    wall_stones : GeoDataFrame
        Rows of the wall stones table; gives part of the building and face area.
    rules : RuleTable
        Asked in order of rank; the first that holds decides.
    overrules : mapping of condition id to Overrule, optional
        Decisions of persons.

    Returns
    -------
    DataFrame
        Index of ``conditions``; columns ``treatment, rule, rule_source, rule_status, priority, held_back,
        overruled_by, reason, asks``. Where no rule holds, or one that is asked earlier might hold if a missing value
        were there and would decide otherwise, the treatment is ``undecided``; ``asks`` names the columns wanted.
    """
    decided = np.full(len(conditions), -1)
    columns = _columns(conditions, wall_stones)
    might: list[dict[int, list[str]]] = [{} for _ in range(len(conditions))]
    for number, rule in enumerate(rules.rules):
        mask = decided < 0
        if not mask.any():
            break
        holds, wanted = _held(rule, columns, mask)
        for measure, unknown in wanted.items():
            for k in np.flatnonzero(unknown):
                might[k].setdefault(number, []).append(measure)
        decided[holds] = number
    overrules = overrules or {}
    names = [str(i) for i in conditions["id"]] if len(conditions) else []
    settled = [bool(v) for v in _column(conditions, "cause_settled", False)]
    rows = [
        _decision(rules, number, open_, overrules.get(name), settled=s, uc=uc)
        for name, number, open_, s, uc in zip(
            names, decided, might, settled, columns["uc"], strict=True
        )
    ]
    return pd.DataFrame(
        {
            c: pd.Series(
                [r[c] for r in rows],
                index=conditions.index,
                dtype="float64" if c == "priority" else object,
            )
            for c in _COLUMNS
        }
    )


def _held(
    rule: Rule, columns: Mapping[str, np.ndarray], mask: np.ndarray
) -> tuple[np.ndarray, dict[str, np.ndarray]]:
    """Where a rule holds, and where it might hold if a measure were known, by that measure."""
    possible, unknown = mask, {}
    for key, allowed in rule.words.items():
        fits = np.isin(columns[key], list(allowed))
        if key == "activities":
            unknown[key] = ~fits & (columns[key] == "unknown")
            fits = fits | unknown[key]
        possible = possible & fits
    for measure, limits in rule.ranges.items():
        values = columns[measure]
        unknown[measure] = np.isnan(values)
        with np.errstate(invalid="ignore"):
            possible = possible & (
                unknown[measure] | ((values >= limits.low) & (values < limits.high))
            )
    unsure = np.zeros(len(mask), dtype=bool)
    for missing in unknown.values():
        unsure |= missing
    return possible & ~unsure, {m: possible & missing for m, missing in unknown.items()}


def _decision(
    rules: RuleTable,
    number: int,
    might: Mapping[int, Sequence[str]],
    overrule: Overrule | None,
    *,
    settled: bool,
    uc: float,
) -> dict[str, Any]:
    rule = rules.rules[number] if number >= 0 else None
    urgency = 1.0 + (0.0 if np.isnan(uc) else float(uc))
    others = {n: m for n, m in might.items() if rule is None or _differs(rules.rules[n], rule)}
    if overrule is None and (rule is None or others):
        return _undecided(rules, rule, others, urgency)
    row: dict[str, Any] = {
        "treatment": rule.treatment if rule else "leave",
        "rule": rule.name if rule else NO_RULE,
        "rule_source": rule.source if rule else "",
        "rule_status": rule.status if rule else "",
        "priority": (rule.priority if rule else 1.0) * urgency,
        "held_back": None,
        "overruled_by": None,
        "reason": rule.reason if rule else "",
        "asks": [],
    }
    if rule is not None and rule.needs_cause and not settled:
        row["held_back"] = (
            "The cause is not settled: find and mend it, then mark the condition's cause as settled."
        )
    if overrule is not None:
        row |= {
            "treatment": overrule.treatment,
            "overruled_by": overrule.by,
            "reason": overrule.reason,
        }
        if overrule.treatment == "leave":
            row["held_back"] = None
    return row


def _differs(one: Rule, other: Rule) -> bool:
    return one.treatment != other.treatment


def _undecided(
    rules: RuleTable, rule: Rule | None, others: Mapping[int, Sequence[str]], urgency: float
) -> dict[str, Any]:
    """No decision: which values are wanted, and between what they decide."""
    measures = list(dict.fromkeys(m for wanted in others.values() for m in wanted))
    asks = [_COLUMN_OF[m] for m in measures]
    held = "No rule of the table holds for it: decide by hand or add a rule."
    reason = "No rule of the table holds."
    if asks:
        wanted = " and ".join(_WORDS_OF[m] for m in measures)
        choices = dict.fromkeys(rules.rules[n].treatment for n in others)
        *first, last = [*choices, rule.treatment] if rule is not None else choices
        between = f"between {', '.join(first)} and {last}" if first else f"whether it is {last}"
        reason = f"The {wanted} would decide {between}."
        held = f"Undecided: its {wanted} {'is' if len(measures) == 1 else 'are'} not known."
    weights = [rules.rules[n].priority for n in others] + ([rule.priority] if rule else [])
    return {
        "treatment": UNDECIDED,
        "rule": NOT_DECIDED if asks else NO_RULE,
        "rule_source": "",
        "rule_status": "",
        "priority": max(weights, default=1.0) * urgency,
        "held_back": held,
        "overruled_by": None,
        "reason": reason,
        "asks": asks,
    }


def _column(frame: pd.DataFrame, name: str, default: Any) -> list[Any]:
    if name not in frame.columns:
        return [default] * len(frame)
    return [default if is_missing(v) else v for v in frame[name]]


def _columns(conditions: gpd.GeoDataFrame, wall_stones: gpd.GeoDataFrame) -> dict[str, np.ndarray]:
    """Every word and measure that a rule may ask for, one array each; NaN for what was not measured."""
    terms = [str(t).strip().lower() for t in _column(conditions, "term", "")]
    shapes = np.asarray(conditions.geometry.array) if len(conditions) else np.empty(0, dtype=object)
    stone_names = _column(conditions, "wall_stone", "")
    wall_stones = wall_stones[
        np.isin(np.asarray(wall_stones["id"], dtype=str), [str(s) for s in set(stone_names)])
    ]
    stones = {str(i): n for n, i in enumerate(wall_stones["id"])} if len(wall_stones) else {}
    parts, areas = (
        _column(wall_stones, "part", "walling"),
        shapely.area(np.asarray(wall_stones.geometry.array)),
    )
    places = [stones.get(str(s), -1) for s in stone_names]
    area = shapely.area(shapes)
    face = np.array([areas[p] if p >= 0 else np.nan for p in places], dtype=float)
    with np.errstate(divide="ignore", invalid="ignore"):
        extent = np.where(face > 0, np.minimum(1.0, area / face), np.nan)
    numbers = {
        m: np.array(_column(conditions, c, np.nan), dtype=float)
        for m, c in (
            ("depth", "depth_m"),
            ("width", "width_m"),
            ("cc", "cc"),
            ("uc", "uc"),
            ("rc", "rc"),
        )
    }
    return {
        "terms": np.array(terms, dtype=object),
        "families": np.array([_FAMILY_OF_TERM.get(t, "") for t in terms], dtype=object),
        "layers": np.array(
            [
                _LAYER_OF_TERM.get(t, layer)
                for t, layer in zip(terms, _column(conditions, "layer", "stone"), strict=True)
            ],
            dtype=object,
        ),
        "activities": np.array(_column(conditions, "activity", "unknown"), dtype=object),
        "parts": np.array([parts[p] if p >= 0 else "walling" for p in places], dtype=object),
        "area": area,
        "length": shapely.length(shapes),
        "extent": extent,
        **numbers,
    }
