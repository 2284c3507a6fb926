"""Trials before treatments: which one is wanted, whether there is one, and what it must show."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from facademap.tables import is_missing
from facademap.treatment.case import Case
from facademap.treatment.soiling import soiling_of

__all__ = ["TRIAL_OF", "approved", "trial_of"]

#: The trial that a treatment waits for (common practice: nothing is put on or taken off old stone untried).
TRIAL_OF: Mapping[str, str] = {
    "clean": "cleaning panel",
    "consolidate": "consolidation panel",
    "mortar repair": "mortar sample",
}


def approved(trial: Mapping[str, Any]) -> bool:
    """Whether a trial counts: its result is ``approved``, by somebody, on a day."""
    return str(trial.get("result")) == "approved" and not any(
        is_missing(trial.get(c)) or not str(trial.get(c)).strip()
        for c in ("approved_by", "approved_on")
    )


def trial_of(case: Case, kind: str) -> tuple[str, str]:
    """The trial that a case may rest on, and what is wanted where there is none.

    Returns
    -------
    trial, wanted : str
        Id and method of the approved trial, or empty; a sentence with what to do, or empty.
    """
    own = soiling_of(case.terms) if kind == "cleaning panel" else ""
    known = [
        t
        for t in case.trials
        if str(t.get("kind")) == kind and (not own or str(t.get("soiling")) == own)
    ]
    good = [t for t in known if approved(t)]
    if good:
        last = max(good, key=lambda t: (str(t.get("approved_on")), str(t["id"])))
        method = "" if is_missing(last.get("method")) else f": {last['method']}"
        return f"{last['id']}{method}", ""
    stone = (case.rock or "this stone") + (f" with {own} on it" if own and own != "soiling" else "")
    if known:
        names = ", ".join(str(t["id"]) for t in known[:4])
        return (
            "",
            f"Trial {names} is not approved: nothing is done to {stone} before a {kind} is approved by name and date.",
        )
    return (
        "",
        f"No {kind} on {stone}: make one in an unimportant place, record it, and have it approved.",
    )
