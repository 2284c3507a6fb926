"""Criteria of the work: what is checked before which stage, and when it passes."""

from __future__ import annotations

import hashlib
import json
import math
import re
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Any, Literal, get_args

from facademap.errors import InputError
from facademap.repair.cautions import PROPPING
from facademap.repair.edges import by_name, from_named, ring_of
from facademap.repair.settings import STATUSES, Settings, parse_toml
from facademap.repair.sizes import skew_of
from facademap.repair.tolerances import exceeds, said
from facademap.tables import STAGES, TREATMENTS
from facademap.units import fitting_inches, least_inches

__all__ = ["Criteria", "Criterion", "Verdict", "judge", "limit_of", "read_criteria"]

CriterionKind = Literal["seen", "at_most", "at_least", "spread", "near"]
_TOLERANCE = 1e-9
#: Lengths within a sentence.
_MM, _IN = re.compile(r"(\d+(?:\.\d+)?) ?mm\b"), re.compile(r"\b(\d+/\d+) ?in\b")
#: Criteria of repairs whose piece shows a surface that nobody had seen before it was sawn.
UNSEEN_FACE = "unseen face"


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
    #: Where it is asked only of some repairs: "unseen face" is one whose piece shows a surface that nobody had
    #: seen; any other word is a hold point of the repair, such as "propping".
    only: str = ""

    @property
    def hold(self) -> str:
        """The hold point that it settles; empty for none."""
        return "" if self.only == UNSEEN_FACE else self.only

    def said(self, *, inches: bool) -> str:
        """Its sentence in the units of the profile; a limit is never said wider than it is judged.

        Examples
        --------
        >>> Criterion(name="square", before="piece sawn", treatments=frozenset({"inset"}), kind="spread", source="s",
        ...           status="practice", text="They differ by no more than 2 mm.").said(inches=True)
        'They differ by no more than 5/64 in.'
        """
        if not inches:
            return _IN.sub(lambda m: f"{float(Fraction(m[1])) * 25.4:.1f} mm", self.text)
        turned = least_inches if self.kind == "at_least" else fitting_inches
        return _MM.sub(lambda m: turned(float(m[1]) / 1000, denominator=64), self.text)

    def applies(self, treatment: str, holds: Collection[str] = ()) -> bool:
        """Whether it is checked on repairs of a treatment that have these hold points."""
        return treatment in self.treatments and (not self.hold or self.hold in holds)


@dataclass(frozen=True, slots=True, kw_only=True)
class Criteria:
    """The criteria of an office."""

    name: str
    criteria: tuple[Criterion, ...]

    def named(self, name: str) -> Criterion:
        """The criterion of that name.

        Raises
        ------
        InputError
            There is no such criterion.
        """
        for c in self.criteria:
            if c.name == name:
                return c
        raise InputError(
            f"no criterion is named {name!r}",
            f"Use one of {', '.join(c.name for c in self.criteria)}.",
        )

    def seal(self, names: Collection[str]) -> str:
        """SHA-256 of what some criteria ask: another limit, measure or sentence gives another."""
        asked = []
        for c in (self.named(name) for name in sorted(set(names))):
            words = [c.name, c.before, c.kind, c.text, c.measured, c.design, c.limit_from, c.only]
            asked.append([*words, sorted(c.treatments), c.limit])
        return hashlib.sha256(json.dumps(asked, ensure_ascii=False).encode()).hexdigest()

    def applying(self, *, unseen_face: bool) -> Criteria:
        """The criteria of one repair; ``unseen_face`` where its piece shows a surface that nobody had seen."""
        if unseen_face:
            return self
        return replace(self, criteria=tuple(c for c in self.criteria if c.only != UNSEEN_FACE))

    def limit_m(self, measured: str, kind: CriterionKind, *, otherwise: float) -> float:
        """The limit that this office sets on a length measured, else a common one."""
        found = [
            c.limit
            for c in self.criteria
            if c.measured == measured and c.kind == kind and c.limit is not None
        ]
        return min(found, default=otherwise)

    def before(
        self, stage: str, *, treatment: str, holds: Collection[str] = ()
    ) -> tuple[Criterion, ...]:
        """What must have passed before a repair of this treatment enters the stage."""
        return tuple(c for c in self.for_treatment(treatment, holds) if c.before == stage)

    def for_treatment(self, treatment: str, holds: Collection[str] = ()) -> tuple[Criterion, ...]:
        """Everything that is checked on a repair of this treatment with these hold points."""
        return tuple(c for c in self.criteria if c.applies(treatment, holds))


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
        if entry.get("only", "") not in ("", UNSEEN_FACE, PROPPING):
            raise InputError(
                f"{place}: only {entry['only']!r} is unknown",
                f"Use {UNSEEN_FACE} or {PROPPING}, or leave it out.",
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
    limit = limit_of(criterion, settings)
    if criterion.kind == "near":
        passed, words = _near(criterion, repair, measured, limit)
    else:
        outline = repair.get("geometry") if criterion.measured == "diagonals_m" else None
        passed, words = _against(criterion, _numbers(criterion, measured), limit, outline=outline)
    if result == "redo":
        return Verdict(result="redo", reason=f"{words}; said to be redone")
    return Verdict(result="pass" if passed else "redo", reason=words)


def limit_of(criterion: Criterion, settings: Settings) -> float:
    """The limit of a measured criterion in SI: its own, or that of the profile."""
    if criterion.limit is not None:
        return float(criterion.limit)
    return float(getattr(settings, criterion.limit_from))


def _against(
    criterion: Criterion, values: Sequence[float], limit: float, *, outline: Any = None
) -> tuple[bool, str]:
    """Values against a limit: the worst of them, judged in tenths of a millimetre where they are lengths."""
    length = criterion.measured.endswith("_m")
    name = criterion.measured.removesuffix("_m") if length else criterion.measured
    show = said if length else (lambda x: f"{x:g}")

    def above(value: float, bound: float) -> bool:
        return exceeds(value, bound) if length else value > bound + _TOLERANCE

    if criterion.kind == "at_most":
        worst = max(values)
        return not above(worst, limit), f"{name} {show(worst)}, at most {show(limit)}"
    if criterion.kind == "at_least":
        worst = min(values)
        return not above(limit, worst), f"{name} {show(worst)}, at least {show(limit)}"
    if len(values) < 2:
        raise InputError(
            f"{criterion.name}: one value of {criterion.measured}", "Give at least two values."
        )
    worst = skew_of(values, outline) if length else max(values) - min(values)
    return not above(worst, limit), f"{name} differ by {show(worst)}, at most {show(limit)}"


def _near(
    criterion: Criterion,
    repair: Mapping[Any, Any],
    measured: Mapping[str, Any] | None,
    limit: float,
) -> tuple[bool, str]:
    """Values against design values; those of edges go by the names of the edges."""
    design = [float(x) for x in (repair.get(criterion.design) or [])]
    given = None if measured is None else measured.get(criterion.measured)
    outline = repair.get("geometry")
    if criterion.design == "edges" and outline is not None and len(design) == len(ring_of(outline)):
        ring = ring_of(outline)
        kinds = list(repair.get("edge_kinds") or ["inset"] * len(design))
        if given is None:
            _numbers(criterion, measured)
        typed = given if isinstance(given, (Mapping, list, tuple)) else [given]
        named = from_named(typed, ring=ring, kinds=kinds, what=criterion.name)
        values = _numbers(criterion, {criterion.measured: list(named.values())})
        drawn = by_name(ring, design)
        wanted = [drawn[n] for n in named]
        names = list(named)
    else:
        values, wanted = _numbers(criterion, measured), design
        if len(values) != len(wanted):
            raise InputError(
                f"{criterion.name}: {len(values)} values for {len(wanted)} edges",
                "Give one value for each edge: top, right, bottom, left, then as drawn.",
            )
        names = [f"edge {k}" for k in range(1, len(values) + 1)]
    off = [abs(a - b) for a, b in zip(values, wanted, strict=True)]
    worst = max(range(len(off)), key=lambda k: off[k])
    passed = not any(exceeds(x, limit) for x in off)
    return passed, (
        f"{names[worst]} is {said(values[worst])}, drawn {said(wanted[worst])}: "
        f"off by {said(off[worst])}, at most {said(limit)}"
    )


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
