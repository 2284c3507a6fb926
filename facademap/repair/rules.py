"""The treatment rules of an office: which damage gets which treatment, each with its source and status."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from facademap.condition.glossary import FAMILIES, TERMS
from facademap.errors import InputError
from facademap.repair.settings import STATUSES, Status, parse_toml, quantity
from facademap.tables import ACTIVITIES, CONDITION_LAYERS, TREATMENTS, WALL_STONES

__all__ = ["Range", "Rule", "RuleTable", "read_rules"]

_PARTS = WALL_STONES.column("part").choices
#: Measures that a rule may bound, with the kind of their unit.
MEASURES: Mapping[str, str] = {
    "depth": "length",
    "width": "length",
    "length": "length",
    "area": "area",
    "extent": "share",
    "cc": "count",
    "uc": "count",
    "rc": "count",
}
_WORDS: Mapping[str, tuple[str, ...]] = {
    "terms": tuple(t.name for t in TERMS),
    "families": tuple(f.name.lower() for f in FAMILIES),
    "layers": CONDITION_LAYERS,
    "activities": ACTIVITIES,
    "parts": _PARTS,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Range:
    """Values from ``low`` (inclusive) up to ``high`` (exclusive), in SI."""

    low: float = 0.0
    high: float = float("inf")

    def overlaps(self, other: Range) -> bool:
        """True when some value lies in both."""
        return max(self.low, other.low) < min(self.high, other.high)

    def covers(self, other: Range) -> bool:
        """True when every value of ``other`` lies in this one."""
        return self.low <= other.low and other.high <= self.high


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """One rule: where all of its words and ranges hold, its treatment is proposed.

    Parameters
    ----------
    name : str
        Short name, shown with every decision.
    rank : int
        Smaller ranks are asked first; the first rule that holds decides.
    treatment : str
        One of the treatments.
    words : mapping
        For ``terms, families, layers, activities, parts``: the values for which the rule holds;
        a key that is missing puts no limit. A term stands for its narrower terms too.
    ranges : mapping
        For ``depth, width, length, area, extent, cc, uc, rc``: a :class:`Range` in SI. ``extent`` is the share
        of the face of the wall stone. A value that was not measured is in no range.
    priority : float
        Weight of the repair in the matching.
    needs_cause : bool
        The repair waits until the cause of the damage is settled.
    source, status : str
        Where the rule comes from and how sure that is.
    reason : str
        Why, in a sentence for the reader of the plan.
    """

    name: str
    rank: int
    treatment: str
    words: Mapping[str, frozenset[str]] = field(default_factory=dict)
    ranges: Mapping[str, Range] = field(default_factory=dict)
    priority: float = 1.0
    needs_cause: bool = False
    source: str
    status: Status
    reason: str = ""

    def overlaps(self, other: Rule) -> bool:
        """True when a condition could satisfy both rules."""
        for key in self.words.keys() & other.words.keys():
            if not self.words[key] & other.words[key]:
                return False
        return all(
            self.ranges[k].overlaps(other.ranges[k])
            for k in self.ranges.keys() & other.ranges.keys()
        )

    def covers(self, other: Rule) -> bool:
        """True when every condition that satisfies ``other`` satisfies this rule too."""
        words = all(k in other.words and other.words[k] <= v for k, v in self.words.items())
        return words and all(
            k in other.ranges and v.covers(other.ranges[k]) for k, v in self.ranges.items()
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class RuleTable:
    """The rules of an office in the order in which they are asked."""

    name: str
    rules: tuple[Rule, ...]

    def __post_init__(self) -> None:
        names = [r.name for r in self.rules]
        twice = sorted({n for n in names if names.count(n) > 1})
        if twice:
            raise InputError(
                f"rule table {self.name}: {', '.join(twice)} stands there more than once",
                "Give every rule a name of its own.",
            )
        ordered = sorted(self.rules, key=lambda r: r.rank)
        object.__setattr__(self, "rules", tuple(ordered))
        for later, rule in enumerate(ordered):
            for earlier in ordered[:later]:
                if (
                    earlier.rank == rule.rank
                    and earlier.treatment != rule.treatment
                    and earlier.overlaps(rule)
                ):
                    raise InputError(
                        f"rule table {self.name}: rules {earlier.name!r} and {rule.name!r} have rank {rule.rank}, can "
                        f"hold for the same condition and contradict each other ({earlier.treatment} / {rule.treatment})",
                        "Give one of them another rank, or narrow what it holds for.",
                    )
                if earlier.rank < rule.rank and earlier.covers(rule):
                    raise InputError(
                        f"rule table {self.name}: rule {rule.name!r} is never reached, since {earlier.name!r} before "
                        f"it holds for everything that it holds for",
                        "Give the narrower rule the smaller rank, or remove it.",
                    )

    def rule(self, name: str) -> Rule:
        """The rule of that name.

        Raises
        ------
        InputError
            There is no such rule.
        """
        for rule in self.rules:
            if rule.name == name:
                return rule
        raise InputError(
            f"no rule is named {name!r}", f"Use one of {', '.join(r.name for r in self.rules)}."
        )


def read_rules(text: str, *, where: str = "rule table") -> RuleTable:
    """The rule table written in a TOML text.

    Parameters
    ----------
    text : str
        ``[table] name = ..`` and one ``[[rule]]`` each with ``name, rank, treatment, source, status`` and,
        where wanted, ``priority, needs_cause, reason`` and a table ``when`` with word lists (``terms``,
        ``families``, ``layers``, ``activities``, ``parts``) and bounds ``MEASURE_from`` / ``MEASURE_below``;
        lengths with a unit as text (``"30 mm"``, ``"1.5 in"``), areas likewise, shares as ``"50 %"``.
    where : str
        Named in errors.

    Raises
    ------
    InputError
        Naming the rule and what is wrong: unknown word, treatment, unit or status, contradictory rules,
        a rule that is never reached.
    """
    content = parse_toml(text, where=where)
    entries = content.get("rule", [])
    if not isinstance(entries, list) or not entries:
        raise InputError(f"{where}: it holds no rule", "Add at least one [[rule]].")
    unknown = sorted(set(content) - {"table", "rule"})
    if unknown:
        raise InputError(
            f"{where}: unknown table {', '.join(unknown)}", "Use [table] and [[rule]] only."
        )
    rules = tuple(_read_rule(e, number=i, where=where) for i, e in enumerate(entries, start=1))
    return RuleTable(name=str(content.get("table", {}).get("name", where)), rules=rules)


def _read_rule(entry: Mapping[str, Any], *, number: int, where: str) -> Rule:
    name = str(entry.get("name", "")).strip()
    place = f"{where}, rule {number}" + (f" ({name})" if name else "")
    known = {
        "name",
        "rank",
        "treatment",
        "priority",
        "needs_cause",
        "source",
        "status",
        "reason",
        "when",
    }
    missing = [
        k
        for k in ("name", "rank", "treatment", "source", "status")
        if not str(entry.get(k, "")).strip()
    ]
    if missing:
        raise InputError(
            f"{place}: {', '.join(missing)} missing",
            "Add it; a rule without source cannot be shown.",
        )
    if set(entry) - known:
        raise InputError(
            f"{place}: unknown key {', '.join(sorted(set(entry) - known))}",
            f"Use {', '.join(sorted(known))}.",
        )
    if entry["treatment"] not in TREATMENTS:
        raise InputError(
            f"{place}: treatment {entry['treatment']!r} is unknown",
            f"Use one of {', '.join(TREATMENTS)}.",
        )
    if entry["status"] not in STATUSES:
        raise InputError(
            f"{place}: status {entry['status']!r} is unknown", f"Use one of {', '.join(STATUSES)}."
        )
    if isinstance(entry["rank"], bool) or not isinstance(entry["rank"], int):
        raise InputError(
            f"{place}: rank {entry['rank']!r} is not a whole number", "Give a whole number."
        )
    priority = entry.get("priority", 1.0)
    if (
        isinstance(priority, bool)
        or not isinstance(priority, (int, float))
        or not 0 <= priority <= 100
    ):
        raise InputError(f"{place}: priority {priority!r}", "Give a number from 0 to 100.")
    words, ranges = _read_when(entry.get("when", {}), place=place)
    return Rule(
        name=name,
        rank=entry["rank"],
        treatment=entry["treatment"],
        words=words,
        ranges=ranges,
        priority=float(priority),
        needs_cause=bool(entry.get("needs_cause", False)),
        source=str(entry["source"]),
        status=entry["status"],
        reason=str(entry.get("reason", "")),
    )


def _read_when(when: Any, *, place: str) -> tuple[dict[str, frozenset[str]], dict[str, Range]]:
    if not isinstance(when, dict):
        raise InputError(
            f"{place}: when is not a table", 'Write when = { terms = [..], depth_from = "30 mm" }.'
        )
    words: dict[str, frozenset[str]] = {}
    bounds: dict[str, dict[str, float]] = {}
    for key, value in when.items():
        if key in _WORDS:
            listed = frozenset(
                str(v).strip().lower() for v in (value if isinstance(value, list) else [value])
            )
            wrong = sorted(listed - set(_WORDS[key]))
            if wrong or not listed:
                raise InputError(
                    f"{place}: {key}: {', '.join(map(repr, wrong)) or 'no word at all'}",
                    f"Use words of {', '.join(_WORDS[key])}.",
                )
            words[key] = _with_narrower(listed) if key == "terms" else listed
            continue
        measure, _, side = key.rpartition("_")
        if measure not in MEASURES or side not in ("from", "below"):
            raise InputError(
                f"{place}: unknown condition {key!r}",
                f"Use {', '.join(_WORDS)}, or one of {', '.join(MEASURES)} with _from or _below.",
            )
        bounds.setdefault(measure, {})[side] = _read_amount(
            value, kind=MEASURES[measure], where=f"{place}, {key}"
        )
    ranges = {}
    for measure, b in bounds.items():
        ranges[measure] = Range(low=b.get("from", 0.0), high=b.get("below", float("inf")))
        if ranges[measure].low >= ranges[measure].high:
            raise InputError(
                f"{place}: {measure}_from is not below {measure}_below, so that the rule never holds",
                "Exchange or correct the two values.",
            )
    return words, ranges


def _with_narrower(terms: frozenset[str]) -> frozenset[str]:
    """The terms and every narrower term below them."""
    found = set(terms)
    while more := {t.name for t in TERMS if t.parent in found} - found:
        found |= more
    return frozenset(found)


def _read_amount(value: Any, *, kind: str, where: str) -> float:
    if kind == "count":
        return quantity(value, "1", kind=kind, where=where)
    number, _, unit = str(value).strip().partition(" ")
    try:
        return quantity(float(number), unit.strip(), kind=kind, where=where)
    except ValueError as fault:
        if isinstance(fault, InputError):
            raise
        raise InputError(
            f"{where}: {value!r} is no amount with a unit", 'Write it as "30 mm" or "50 %".'
        ) from None
