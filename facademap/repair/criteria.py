"""Criteria of the work: what is checked before which stage, and when it passes."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal, get_args

from facademap.errors import InputError
from facademap.repair.settings import STATUSES, Settings, parse_toml
from facademap.tables import STAGES, TREATMENTS

__all__ = ["Criteria", "Criterion", "Verdict", "judge", "read_criteria"]

CriterionKind = Literal["seen", "at_most", "at_least", "spread", "near"]
_TOLERANCE = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class Criterion:
    """One thing that is checked."""

    name: str
    before: str
    treatments: frozenset[str]
    kind: CriterionKind
    text: str
    source: str
    status: str
    measured: str = ""
    design: str = ""
    limit: float | None = None
    limit_from: str = ""
    #: Where it is asked only of some repairs: "unseen face" is one whose piece shows a surface that nobody had seen.
    only: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Criteria:
    """The criteria of an office."""

    name: str
    criteria: tuple[Criterion, ...]

    def named(self, name: str) -> Criterion:
        """The criterion of that name."""
        for c in self.criteria:
            if c.name == name:
                return c
        raise InputError(
            f"no criterion is named {name!r}",
            f"Use one of {', '.join(c.name for c in self.criteria)}.",
        )

    def applying(self, *, unseen_face: bool) -> Criteria:
        """The criteria of one repair; ``unseen_face`` where its piece shows a surface that nobody had seen."""
        if unseen_face or not any(c.only for c in self.criteria):
            return self
        return replace(self, criteria=tuple(c for c in self.criteria if not c.only))

    def before(self, stage: str, *, treatment: str) -> tuple[Criterion, ...]:
        """What must have passed before a repair of this treatment enters the stage."""
        return tuple(c for c in self.criteria if c.before == stage and treatment in c.treatments)

    def for_treatment(self, treatment: str) -> tuple[Criterion, ...]:
        """Everything that is checked on a repair of this treatment."""
        return tuple(c for c in self.criteria if treatment in c.treatments)


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """Outcome of one check in words."""

    result: Literal["pass", "redo"]
    reason: str


def read_criteria(text: str, *, where: str = "criteria") -> Criteria:
    """The criteria written in a TOML text (see the packaged ``criteria.toml`` for the keys).

    Raises
    ------
    InputError
        Naming the criterion and what is wrong with it.
    """
    content = parse_toml(text, where=where)
    result: list[Criterion] = []
    for number, entry in enumerate(content.get("criterion", []), start=1):
        place = f"{where}, criterion {number} ({entry.get('name', 'no name')})"
        missing = [
            k
            for k in ("name", "before", "treatments", "kind", "text", "source", "status")
            if not entry.get(k)
        ]
        if missing:
            raise InputError(f"{place}: {', '.join(missing)} missing", "Add it.")
        for key, allowed in (
            ("before", STAGES),
            ("kind", get_args(CriterionKind)),
            ("status", STATUSES),
        ):
            if entry[key] not in allowed:
                raise InputError(
                    f"{place}: {key} {entry[key]!r} is unknown", f"Use one of {', '.join(allowed)}."
                )
        wrong = [t for t in entry["treatments"] if t not in TREATMENTS]
        if wrong:
            raise InputError(
                f"{place}: treatment {', '.join(wrong)} is unknown", f"Use {', '.join(TREATMENTS)}."
            )
        if entry.get("only", "") not in ("", "unseen face"):
            raise InputError(
                f"{place}: only {entry['only']!r} is unknown", "Use unseen face, or leave it out."
            )
        limit, limit_from = entry.get("limit"), str(entry.get("limit_from", ""))
        if entry["kind"] != "seen" and (limit is None) == (not limit_from):
            raise InputError(
                f"{place}: needs either limit or limit_from", "Give the one that counts."
            )
        if limit_from and limit_from not in Settings.__dataclass_fields__:
            raise InputError(
                f"{place}: no setting is named {limit_from}",
                "Use the name of a setting of the profile.",
            )
        if entry["kind"] != "seen" and not entry.get("measured"):
            raise InputError(
                f"{place}: measured missing", "Name the value that is measured, with its unit."
            )
        result.append(
            Criterion(
                name=str(entry["name"]),
                before=entry["before"],
                treatments=frozenset(entry["treatments"]),
                kind=entry["kind"],
                text=str(entry["text"]),
                source=str(entry["source"]),
                status=entry["status"],
                measured=str(entry.get("measured", "")),
                design=str(entry.get("design", "")),
                limit=None if limit is None else float(limit),
                limit_from=limit_from,
                only=str(entry.get("only", "")),
            )
        )
    names = [c.name for c in result]
    if len(set(names)) != len(names) or not names:
        raise InputError(
            f"{where}: names of criteria repeat or there are none",
            "Give every criterion a name of its own.",
        )
    return Criteria(
        name=str(content.get("criteria", {}).get("name", where)), criteria=tuple(result)
    )


def judge(
    criterion: Criterion,
    *,
    repair: Mapping[Any, Any],
    settings: Settings,
    measured: Mapping[str, Any] | None = None,
    result: str | None = None,
) -> Verdict:
    """Whether a check passes.

    Parameters
    ----------
    criterion : Criterion
        What is checked.
    repair : mapping
        Row of the repair, for design values.
    settings : Settings
        For limits of the profile.
    measured : mapping, optional
        Values measured by name; a single number or a list of numbers.
    result : str, optional
        For criteria that a person sees: ``pass`` or ``redo``.

    Raises
    ------
    InputError
        The value that the criterion needs was not given, or is no number.
    """
    if criterion.kind == "seen":
        if result not in ("pass", "redo"):
            raise InputError(f"{criterion.name}: no result", "Say pass or redo.")
        return Verdict(result="pass" if result == "pass" else "redo", reason=criterion.text)
    values = _numbers(criterion, measured)
    limit = (
        float(criterion.limit)
        if criterion.limit is not None
        else float(getattr(settings, criterion.limit_from))
    )
    if criterion.kind == "at_most":
        worst, passed = max(values), max(values) <= limit + _TOLERANCE
        words = f"{criterion.measured} {worst:g}, at most {limit:g}"
    elif criterion.kind == "at_least":
        worst, passed = min(values), min(values) >= limit - _TOLERANCE
        words = f"{criterion.measured} {worst:g}, at least {limit:g}"
    elif criterion.kind == "spread":
        if len(values) < 2:
            raise InputError(
                f"{criterion.name}: one value of {criterion.measured}", "Give at least two values."
            )
        worst = max(values) - min(values)
        passed = worst <= limit + _TOLERANCE
        words = f"{criterion.measured} differ by {worst:g}, at most {limit:g}"
    else:
        design = [float(x) for x in (repair.get(criterion.design) or [])]
        if len(design) != len(values):
            raise InputError(
                f"{criterion.name}: {len(values)} values for {len(design)} edges",
                "Give one value for each edge, from the lower left on, counter-clockwise.",
            )
        worst = max(abs(a - b) for a, b in zip(values, design, strict=True))
        passed = worst <= limit + _TOLERANCE
        words = f"{criterion.measured} off by up to {worst:g}, at most {limit:g}"
    if result == "redo":
        return Verdict(result="redo", reason=f"{words}; said to be redone")
    return Verdict(result="pass" if passed else "redo", reason=words)


def _numbers(criterion: Criterion, measured: Mapping[str, Any] | None) -> list[float]:
    value = None if measured is None else measured.get(criterion.measured)
    if value is None:
        raise InputError(
            f"{criterion.name}: {criterion.measured} was not measured",
            f"Give {criterion.measured}.",
        )
    listed: Sequence[Any] = value if isinstance(value, (list, tuple)) else [value]
    try:
        numbers = [float(x) for x in listed]
    except (TypeError, ValueError):
        numbers = []
    if not numbers or not all(math.isfinite(x) for x in numbers):
        raise InputError(
            f"{criterion.name}: {criterion.measured} is {value!r}", "Give finite numbers."
        )
    return numbers
