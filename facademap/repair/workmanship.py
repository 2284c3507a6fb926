"""Assessment of workmanship: chosen repairs against criteria and a passing standard that was fixed before.

References
----------
The frame is that of criterion-referenced assessment, as ASTM E2659 (certificate programs) asks for it: performance is
compared with a stated standard, never with other persons, and the standard is fixed before anybody is assessed.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd

from facademap.errors import InputError
from facademap.repair.criteria import Criteria
from facademap.repair.rows import rows_of
from facademap.repair.settings import parse_toml
from facademap.repair.stages import effective_entries
from facademap.tables import is_missing

__all__ = [
    "Assessment",
    "CriterionResult",
    "Standard",
    "assess_workmanship",
    "read_standard",
    "without_names",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Standard:
    """A passing standard.

    Parameters
    ----------
    name : str
        Name of the standard.
    fixed_on : date
        Day on which it was fixed; an assessment before or on work begun before that day is refused.
    shares : mapping of criterion to float
        Share of the assessed repairs that has to pass this criterion at the first check.
    critical : frozenset of str
        Criteria in which no repair may have failed in the end.
    least_repairs : int
        Fewer repairs are no basis.
    pass_share : float
        Share of the criteria of ``shares`` that has to be reached.
    """

    name: str
    fixed_on: dt.date
    shares: Mapping[str, float]
    critical: frozenset[str] = frozenset()
    least_repairs: int = 3
    pass_share: float = 1.0

    def __post_init__(self) -> None:
        if not self.shares:
            raise InputError(
                f"standard {self.name}: no criteria", "Name at least one criterion with its share."
            )
        wrong = [k for k, v in self.shares.items() if not 0 < v <= 1]
        if wrong or not 0 < self.pass_share <= 1:
            raise InputError(
                f"standard {self.name}: share of {', '.join(wrong) or 'criteria'} lies outside 0 to 1",
                "Give shares above 0, at most 1.",
            )
        if self.least_repairs < 1:
            raise InputError(
                f"standard {self.name}: {self.least_repairs} repairs",
                "Ask for at least one repair.",
            )

    @property
    def seal(self) -> str:
        """Short hash of the standard, to show that it was not changed afterwards."""
        body = json.dumps(
            [
                self.name,
                self.fixed_on.isoformat(),
                sorted(self.shares.items()),
                sorted(self.critical),
                self.least_repairs,
                self.pass_share,
            ]
        )
        return hashlib.sha256(body.encode()).hexdigest()[:12]


@dataclass(frozen=True, slots=True, kw_only=True)
class CriterionResult:
    """One criterion over the chosen repairs."""

    criterion: str
    text: str
    assessed: int
    passed_first: int
    passed_in_the_end: int
    missing: tuple[str, ...]
    wanted_share: float
    reached: bool
    critical: bool

    @property
    def share(self) -> float:
        """Share that passed at the first check; a check that is missing did not pass."""
        return self.passed_first / self.assessed if self.assessed else 0.0

    @property
    def asked(self) -> str:
        """What the standard asks, in words."""
        first = f"{self.wanted_share:.0%} at the first check" if self.wanted_share else ""
        return " and ".join(filter(None, [first, "all in the end" if self.critical else ""]))


@dataclass(frozen=True, slots=True, kw_only=True)
class Assessment:
    """The assessment of one mason."""

    mason: str
    standard: Standard
    seal: str
    assessed_on: dt.date
    assessor: str
    repairs: tuple[str, ...]
    results: tuple[CriterionResult, ...]
    passed: bool
    reasons: tuple[str, ...]

    def as_json(self) -> dict[str, Any]:
        """Plain mapping."""
        return {
            "mason": self.mason,
            "assessor": self.assessor,
            "assessed_on": self.assessed_on.isoformat(),
            "standard": self.standard.name,
            "standard_fixed_on": self.standard.fixed_on.isoformat(),
            "seal": self.seal,
            "repairs": list(self.repairs),
            "passed": self.passed,
            "reasons": list(self.reasons),
            "results": [
                {
                    "criterion": r.criterion,
                    "assessed": r.assessed,
                    "passed_first": r.passed_first,
                    "passed_in_the_end": r.passed_in_the_end,
                    "share": r.share,
                    "wanted_share": r.wanted_share,
                    "missing": list(r.missing),
                    "reached": r.reached,
                    "critical": r.critical,
                }
                for r in self.results
            ],
        }


def read_standard(text: str, *, fixed_on: dt.date, where: str = "standard") -> Standard:
    """A standard written in a TOML text (see the packaged ``standard.toml``), fixed on a day.

    Raises
    ------
    InputError
        Naming what is missing or cannot be.
    """
    body = parse_toml(text, where=where).get("standard", {})
    if not isinstance(body, dict) or not str(body.get("name", "")).strip():
        raise InputError(
            f"{where}: no [standard] with a name", "Begin the file with [standard] and a name."
        )
    unknown = set(body) - {"name", "shares", "critical", "least_repairs", "pass_share"}
    if unknown:
        raise InputError(
            f"{where}: unknown key {', '.join(sorted(unknown))}",
            "Use name, shares, critical, least_repairs, pass_share.",
        )
    try:
        return Standard(
            name=str(body["name"]).strip(),
            fixed_on=fixed_on,
            shares={str(k): float(v) for k, v in body.get("shares", {}).items()},
            critical=frozenset(str(c) for c in body.get("critical", [])),
            least_repairs=int(body.get("least_repairs", 3)),
            pass_share=float(body.get("pass_share", 1.0)),
        )
    except (TypeError, ValueError, AttributeError) as fault:
        if isinstance(fault, InputError):
            raise
        raise InputError(
            f"{where}: a share or number cannot be read", "Give shares as numbers between 0 and 1."
        ) from None


def assess_workmanship(
    repairs: pd.DataFrame,
    log: pd.DataFrame,
    *,
    chosen: Sequence[str],
    standard: Standard,
    criteria: Criteria,
    assessed_on: dt.date,
    mason: str = "",
    assessor: str = "",
    inches: bool = False,
) -> Assessment:
    """Assess the work on chosen repairs against a standard.

    Parameters
    ----------
    repairs, log : DataFrame
        Repairs table and work record.
    chosen : sequence of str
        Repairs to assess.
    standard : Standard
        Fixed before.
    criteria : Criteria
        What the names of the criteria mean.
    assessed_on : date
        Day of the assessment.
    mason, assessor : str
        Names or labels; may stay empty.
    inches : bool
        Whether the report reads in inches.

    Raises
    ------
    InputError
        The standard was fixed after the work began or after the assessment, too few repairs, an unknown or
        unfinished repair, or work by somebody else among it.

    Notes
    -----
    For each criterion the first check of each repair counts for the share, the last one for critical criteria. A check
    that was never made counts as not passed. A mason is never compared with another.
    """
    if len(set(chosen)) != len(chosen) or len(chosen) < standard.least_repairs:
        raise InputError(
            f"{len(set(chosen))} repairs chosen, the standard asks for {standard.least_repairs}",
            "Choose more, each once.",
        )
    rows: dict[str, Mapping[Any, Any]] = {str(r["id"]): r for r in rows_of(repairs)}
    entries: list[Mapping[Any, Any]] = list(rows_of(log))
    for name in chosen:
        if name not in rows:
            raise InputError(f"there is no repair {name!r}", "Choose repairs of this project.")
        mine = [e for e in entries if e["repair"] == name]
        if not mine:
            raise InputError(
                f"nothing is recorded of repair {name}", "Choose repairs whose work was recorded."
            )
        first = min(
            str(e["at"])[:10]
            for e in mine
            if e.get("stage") not in ("approved", "proposed", "on hold")
            or not is_missing(e.get("check"))
        )
        if dt.date.fromisoformat(first) < standard.fixed_on:
            raise InputError(
                f"work on {name} began on {first}, before the standard was fixed ({standard.fixed_on})",
                "Assess work done after the standard was fixed.",
            )
        others = {str(e["mason"]) for e in mine if not is_missing(e.get("mason"))} - {mason}
        if mason and others:
            raise InputError(
                f"on {name} somebody else worked too", "Choose repairs done by one mason alone."
            )
    if assessed_on < standard.fixed_on:
        raise InputError(
            f"assessed on {assessed_on}, the standard was fixed on {standard.fixed_on}",
            "Fix the standard first.",
        )
    wrong = [
        c
        for c in {*standard.shares, *standard.critical}
        if c not in {x.name for x in criteria.criteria}
    ]
    if wrong:
        raise InputError(
            f"standard {standard.name}: unknown criterion {', '.join(sorted(wrong))}",
            "Use the names of the criteria.",
        )
    results = tuple(
        _criterion(name, rows, entries, chosen, standard=standard, criteria=criteria, inches=inches)
        for name in dict.fromkeys([*standard.shares, *sorted(standard.critical)])
    )
    reasons = [
        f"{r.criterion}: {r.passed_first} of {r.assessed} passed at the first check ({r.share:.0%}), {r.wanted_share:.0%} are asked"
        for r in results
        if r.criterion in standard.shares and r.share < r.wanted_share - 1e-9 and r.assessed
    ]
    critical = [
        f"{r.criterion}: not passed in the end on every repair"
        for r in results
        if r.critical and r.passed_in_the_end < r.assessed
    ]
    counted = [r for r in results if r.criterion in standard.shares and r.assessed]
    share = sum(r.reached for r in counted) / len(counted) if counted else 0.0
    passed = bool(counted) and share >= standard.pass_share - 1e-9 and not critical
    return Assessment(
        mason=mason,
        standard=standard,
        seal=standard.seal,
        assessed_on=assessed_on,
        assessor=assessor,
        repairs=tuple(chosen),
        results=results,
        passed=passed,
        reasons=(*critical, *reasons),
    )


def _criterion(
    name: str,
    rows: Mapping[str, Mapping[Any, Any]],
    entries: Sequence[Mapping[Any, Any]],
    chosen: Sequence[str],
    *,
    standard: Standard,
    criteria: Criteria,
    inches: bool,
) -> CriterionResult:
    c = criteria.named(name)
    applies = [r for r in chosen if str(rows[r]["treatment"]) in c.treatments]
    first = last = 0
    missing, waived = [], 0
    for repair in applies:
        checks = [e for e in effective_entries(entries, repair=repair) if e.get("check") == name]
        counted = [e for e in checks if e["result"] != "not applicable"]
        if not checks:
            missing.append(repair)
        elif not counted:
            waived += 1
        else:
            first += counted[0]["result"] == "pass"
            last += counted[-1]["result"] == "pass"
    assessed = len(applies) - waived
    wanted = standard.shares.get(name, 0.0)
    critical = name in standard.critical
    reached = assessed == 0 or (
        first / assessed >= wanted - 1e-9 and not (critical and last < assessed)
    )
    return CriterionResult(
        criterion=name,
        text=c.said(inches=inches),
        assessed=assessed,
        passed_first=first,
        passed_in_the_end=last,
        missing=tuple(missing),
        wanted_share=wanted,
        reached=reached,
        critical=critical,
    )


def without_names(log: pd.DataFrame) -> pd.DataFrame:
    """The work record with the names of people taken out; everything else, and its order, stays."""
    result = log.copy()
    result["mason"] = pd.Series([None] * len(log), index=log.index, dtype=object)
    return result
