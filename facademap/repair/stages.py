"""Stages of a repair and their gates; entries of the work record, never changed, corrected by new ones.

Every function takes what is known and returns a row for the work record; it raises ``StageError`` when the gate is shut.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from facademap.errors import StageError
from facademap.repair.cautions import PROPPING
from facademap.repair.criteria import Criteria, judge
from facademap.repair.placing import curing_time_h
from facademap.repair.settings import Settings
from facademap.tables import PIECED, STAGES, UNDECIDED, is_missing

__all__ = [
    "CheckState",
    "check_states",
    "correct_entry",
    "effective_entries",
    "enter_stage",
    "holds_of",
    "next_stages",
    "open_checks",
    "record_check",
]

#: Longest that a clock may run ahead before it is called wrong.
CLOCK_AHEAD = dt.timedelta(minutes=5)

_FORWARD: Mapping[str, tuple[str, ...]] = {
    "proposed": ("approved", "on hold"),
    "on hold": ("proposed",),
    "approved": ("cut out", "on hold", "proposed"),
    "cut out": ("cut-out measured", "on hold", "redo", "proposed"),
    "cut-out measured": ("piece sawn", "redo", "proposed"),
    "piece sawn": ("dry-fitted", "redo"),
    "dry-fitted": ("bedded", "redo"),
    "bedded": ("sounded", "redo"),
    "sounded": ("pointed", "redo"),
    "pointed": ("curing", "redo"),
    "curing": ("accepted", "redo"),
    "accepted": ("redo",),
    "redo": (
        "proposed",
        "cut out",
        "cut-out measured",
        "piece sawn",
        "dry-fitted",
        "bedded",
        "pointed",
    ),
}
_FORWARD_SURFACE: Mapping[str, tuple[str, ...]] = {
    "proposed": ("approved", "on hold"),
    "on hold": ("proposed",),
    "approved": ("pointed", "curing", "accepted", "on hold", "proposed"),
    "pointed": ("curing", "redo"),
    "curing": ("accepted", "redo"),
    "accepted": ("redo",),
    "redo": ("proposed", "approved", "pointed"),
}
#: Surface work that uses lime must cure before it is accepted.
_CURES = frozenset({"repoint", "mortar repair", "re-fix"})
_NEEDS_REASON = frozenset({"on hold", "redo"})


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckState:
    """Where one criterion of a repair stands."""

    criterion: str
    before: str
    result: str
    entry: str | None
    text: str


def next_stages(stage: str, *, treatment: str) -> tuple[str, ...]:
    """Stages that may follow, gates aside."""
    return (_FORWARD if treatment in PIECED else _FORWARD_SURFACE).get(stage, ())


def effective_entries(
    log: Iterable[Mapping[Any, Any]], *, repair: str | None = None
) -> list[dict[str, Any]]:
    """Entries that count, in order of time: those corrected by a later entry are left out.

    An entry that corrects stands at the time of the one it corrects; one that corrects without stage, check or photo
    takes the old one back.
    """
    entries = [dict(e) for e in log if repair is None or e["repair"] == repair]
    by_id = {e["id"]: e for e in entries}
    replaced = {e["corrects"] for e in entries if not is_missing(e.get("corrects"))}

    def when(entry: Mapping[str, Any]) -> dt.datetime:
        seen: set[str] = set()
        current = entry
        while (
            not is_missing(current.get("corrects"))
            and current["corrects"] in by_id
            and current["id"] not in seen
        ):
            seen.add(current["id"])
            current = by_id[current["corrects"]]
        return _time(current["at"])

    kept = [e for e in entries if e["id"] not in replaced]
    kept = [
        e
        for e in kept
        if is_missing(e.get("corrects"))
        or not all(is_missing(e.get(k)) for k in ("stage", "check", "photo"))
    ]
    return sorted(kept, key=lambda e: (when(e), str(e["id"])))


def holds_of(repair: Mapping[Any, Any]) -> frozenset[str]:
    """Hold points of a repair; one that was never designed is held as if its stone carried."""
    treatment, materials = str(repair["treatment"]), repair.get("materials")
    if treatment not in PIECED:
        return frozenset()
    if is_missing(materials) or not materials:
        return frozenset({PROPPING})
    # designs of before hold points existed: what comes out whole carries
    known = materials.get("hold_points", [PROPPING] if treatment == "whole stone" else [])
    return frozenset(str(h) for h in known)


def check_states(
    repair: Mapping[Any, Any],
    log: Iterable[Mapping[Any, Any]],
    *,
    criteria: Criteria,
    entering: str | None = None,
) -> tuple[CheckState, ...]:
    """Every criterion of a repair: pass, redo, not applicable, or missing.

    A check made before the last redo counts only where it belongs to a stage that was not gone through again;
    ``entering`` is the stage about to be entered from redo.
    """
    entries = effective_entries(log, repair=str(repair["id"]))
    last_redo = max(
        (k for k, e in enumerate(entries) if e.get("stage") in ("redo", "proposed")), default=-1
    )
    after_redo = (
        next((e["stage"] for e in entries[last_redo + 1 :] if not is_missing(e.get("stage"))), None)
        if last_redo >= 0
        else None
    )
    after_redo = after_redo or entering
    result = []
    for c in criteria.for_treatment(str(repair["treatment"]), holds_of(repair)):
        found = None
        for k, e in enumerate(entries):
            if e.get("check") != c.name:
                continue
            stale = k < last_redo and (
                after_redo is None
                or STAGES.index(c.before) > STAGES.index(after_redo)
                or after_redo in ("proposed", "approved")
            )
            if not stale:
                found = e
        result.append(
            CheckState(
                criterion=c.name,
                before=c.before,
                result=str(found["result"]) if found else "missing",
                entry=str(found["id"]) if found else None,
                text=c.text,
            )
        )
    return tuple(result)


def open_checks(
    repair: Mapping[Any, Any],
    log: Iterable[Mapping[Any, Any]],
    *,
    stage: str,
    criteria: Criteria,
    entering: str | None = None,
) -> tuple[list[str], list[str]]:
    """Criteria due by a stage that were not checked, and those that did not pass."""
    order = {s: k for k, s in enumerate(STAGES)}
    states = check_states(repair, log, criteria=criteria, entering=entering)
    wanted = [s for s in states if order[s.before] <= order[stage]]
    return (
        [s.criterion for s in wanted if s.result == "missing"],
        [s.criterion for s in wanted if s.result == "redo"],
    )


def enter_stage(
    repair: Mapping[Any, Any],
    stage: str,
    *,
    log: Sequence[Mapping[Any, Any]],
    criteria: Criteria,
    settings: Settings,
    at: dt.datetime,
    now: dt.datetime,
    mason: str | None = None,
    reason: str | None = None,
    photo: str | None = None,
    place_fits: bool | None = None,
    place_problem: str = "",
    late: bool = False,
) -> dict[str, Any]:
    """The entry that moves a repair on, when its gate is open.

    Parameters
    ----------
    repair : mapping
        Row of the repair.
    stage : str
        Stage to enter.
    log : sequence of mapping
        Work record so far.
    criteria, settings
        What has to have passed; times of curing.
    at, now : datetime with time zone
        When it was done, and the time by the clock.
    mason, reason, photo : str, optional
        Who, why (needed for on hold, redo and going back), and a photo that shows it.
    place_fits : bool, optional
        For ``piece sawn``: whether the piece as measured still fits the place reserved on its block; ``None`` = no place is
        reserved.
    place_problem : str
        In words, where it does not fit.
    late : bool
        It was made without a connection and arrives later: entries of others may have been made since.

    Returns
    -------
    dict
        Row of the work record without its id.

    Raises
    ------
    StageError
        Out of order, not approved, cause not settled, cut-out not measured, place does not fit, a check missing or
        failed, still curing, or the clock set wrong.
    """
    name, treatment, current = str(repair["id"]), str(repair["treatment"]), str(repair["stage"])
    if stage not in STAGES:
        raise StageError(f"{name}: stage {stage!r} is unknown", f"Use one of {', '.join(STAGES)}.")
    allowed = next_stages(current, treatment=treatment)
    if stage not in allowed:
        raise StageError(
            f"{name}: {stage} cannot follow {current}",
            f"Next may be {', '.join(allowed) or 'nothing'}.",
        )
    entries = effective_entries(log, repair=name)
    _check_clock(name, at, now=now, last=entries[-1] if entries and not late else None)
    going_back = stage in _NEEDS_REASON or (stage == "proposed" and current != "on hold")
    if going_back and not (reason or "").strip():
        raise StageError(f"{name}: {stage} without a reason", "Say why.")
    if stage == "approved" and treatment == UNDECIDED:
        raise StageError(
            f"{name} is undecided: {repair.get('reason') or 'data are wanted'}",
            "Enter what is wanted and plan again, or decide with a name and a reason.",
        )
    if stage == "approved" and not is_missing(repair.get("held_back")):
        raise StageError(
            f"{name} is held back: {repair['held_back']}", "Settle that, plan again, then approve."
        )
    if stage == "cut-out measured" and is_missing(repair.get("measured")):
        raise StageError(
            f"{name}: the cut-out as cut was not written down",
            "Measure widths, heights, diagonals and depths, and record them.",
        )
    if not going_back and stage not in ("approved", "proposed"):
        _check_gate(repair, stage, log=log, criteria=criteria, settings=settings, at=at)
    if stage == "piece sawn" and current == "cut-out measured":
        if place_fits is None:
            raise StageError(
                f"{name}: no place on a block is reserved for its piece",
                "Match and approve a block first.",
            )
        if not place_fits:
            raise StageError(
                f"{name}: the piece as measured no longer fits its place: {place_problem}",
                "Match it again with the measured size; nothing is sawn before that.",
            )
    return {
        "repair": name,
        "at": _iso(at),
        "stage": stage,
        "check": None,
        "result": None,
        "measured": None,
        "mason": mason,
        "photo": photo,
        "reason": reason,
        "corrects": None,
        "note": None,
    }


def record_check(
    repair: Mapping[Any, Any],
    criterion: str,
    *,
    log: Sequence[Mapping[Any, Any]],
    criteria: Criteria,
    settings: Settings,
    at: dt.datetime,
    now: dt.datetime,
    measured: Mapping[str, Any] | None = None,
    result: str | None = None,
    reason: str | None = None,
    mason: str | None = None,
    photo: str | None = None,
    corrects: str | None = None,
    late: bool = False,
) -> dict[str, Any]:
    """The entry of one check, judged against its criterion; the reason says how.

    One that was made without a connection and arrives ``late`` may lie before entries that others made since.

    Raises
    ------
    StageError
        The criterion is not one of this repair, a redo has no reason, or the clock is set wrong.
    InputError
        What the criterion needs was not measured.
    """
    name = str(repair["id"])
    c = criteria.named(criterion)
    holds = holds_of(repair)
    if not c.applies(str(repair["treatment"]), holds):
        raise StageError(
            f"{name}: {criterion} is not checked on {repair['treatment']}",
            "Use one of "
            + ", ".join(x.name for x in criteria.for_treatment(str(repair["treatment"]), holds))
            + ".",
        )
    entries = effective_entries(log, repair=name)
    _check_clock(
        name, at, now=now, last=None if corrects or late else (entries[-1] if entries else None)
    )
    if result == "not applicable":
        if not (reason or "").strip():
            raise StageError(
                f"{name}: {criterion} said not to apply without a reason",
                "Say why it does not apply.",
            )
        words, outcome = str(reason), "not applicable"
    else:
        verdict = judge(c, repair=repair, settings=settings, measured=measured, result=result)
        outcome = verdict.result
        if c.hold and not (reason or "").strip():
            raise StageError(
                f"{name}: {criterion} without who decided it",
                "Write who decided, when and what.",
            )
        if outcome == "redo" and c.kind == "seen" and not (reason or "").strip():
            raise StageError(
                f"{name}: {criterion} is to be redone without a reason", "Say what is wrong."
            )
        words = f"{verdict.reason}. {reason}" if reason else verdict.reason
    return {
        "repair": name,
        "at": _iso(at),
        "stage": None,
        "check": criterion,
        "result": outcome,
        "measured": None if measured is None else dict(measured),
        "mason": mason,
        "photo": photo,
        "reason": words,
        "corrects": corrects,
        "note": None,
    }


def correct_entry(
    entry: str,
    *,
    log: Sequence[Mapping[Any, Any]],
    at: dt.datetime,
    now: dt.datetime,
    reason: str,
    changes: Mapping[str, Any] | None = None,
    mason: str | None = None,
) -> dict[str, Any]:
    """A new entry that takes an old one back, or says it rightly; the old one stays in the record.

    Parameters
    ----------
    entry : str
        Id of the entry to correct; it must not have been corrected already.
    reason : str
        Why.
    changes : mapping, optional
        Columns as they should have been; without it the old entry is taken back.

    Raises
    ------
    StageError
        No such entry, one that was corrected already, no reason, or what a correction cannot change.
    """
    old = next((e for e in log if e["id"] == entry), None)
    if old is None:
        raise StageError(
            f"there is no entry {entry!r}", "Give the id of an entry of the work record."
        )
    if any(e.get("corrects") == entry for e in log):
        raise StageError(
            f"entry {entry} was corrected already", "Correct the entry that corrected it."
        )
    if not is_missing(old.get("stage")):
        raise StageError(
            f"entry {entry} moved the repair to {old['stage']}",
            "Enter the stage that is right, with a reason.",
        )
    if not reason.strip():
        raise StageError(f"correction of {entry} without a reason", "Say what was wrong.")
    _check_clock(str(old["repair"]), at, now=now, last=None)
    row: dict[str, Any] = {
        "repair": old["repair"],
        "at": _iso(at),
        "stage": None,
        "check": None,
        "result": None,
        "measured": None,
        "mason": mason,
        "photo": None,
        "reason": reason,
        "corrects": entry,
        "note": None,
    }
    if changes:
        wrong = set(changes) - {"check", "result", "measured", "photo", "note"}
        if wrong:
            raise StageError(
                f"correction of {', '.join(sorted(wrong))}",
                "Only check, result, measured, photo and note can be corrected.",
            )
        row |= {
            "check": old.get("check"),
            "result": old.get("result"),
            "measured": old.get("measured"),
            "photo": old.get("photo"),
            "note": old.get("note"),
        }
        row |= dict(changes)
    return row


def _check_gate(
    repair: Mapping[Any, Any],
    stage: str,
    *,
    log: Sequence[Mapping[Any, Any]],
    criteria: Criteria,
    settings: Settings,
    at: dt.datetime,
) -> None:
    name, treatment = str(repair["id"]), str(repair["treatment"])
    unheld = holds_of(repair) - {c.hold for c in criteria.criteria}
    if unheld:
        raise StageError(
            f"{name}: {', '.join(sorted(unheld))} has to be decided, and the criteria of this project do not ask for it",
            "Add the criterion with that hold point from the packaged criteria.toml.",
        )
    missing, failed = open_checks(repair, log, stage=stage, criteria=criteria, entering=stage)
    if failed:
        raise StageError(
            f"{name}: {', '.join(failed)} did not pass",
            "Do it again and check it again, or send the repair to redo.",
        )
    if missing:
        raise StageError(
            f"{name}: {', '.join(missing)} was not checked", f"Check it before {stage}."
        )
    if stage == "accepted" and (treatment in PIECED or treatment in _CURES):
        entries = effective_entries(log, repair=name)
        start = next(
            (_time(e["at"]) for e in reversed(entries) if e.get("stage") == "curing"), None
        )
        if start is None:
            raise StageError(
                f"{name}: no entry says when curing began", "Enter the stage curing first."
            )
        need = curing_time_h(settings)
        have = (at - start).total_seconds() / 3600
        if have < need - 1e-6:
            raise StageError(
                f"{name}: cured {have:.0f} h of {need:.0f} h",
                "Wait, keep it covered and damp, then accept.",
            )


def _check_clock(
    name: str, at: dt.datetime, *, now: dt.datetime, last: Mapping[str, Any] | None
) -> None:
    if at.tzinfo is None or now.tzinfo is None:
        raise StageError(
            f"{name}: a time without time zone", "Give the time with its zone, such as +00:00."
        )
    if at > now + CLOCK_AHEAD:
        raise StageError(
            f"{name}: {_iso(at)} lies in the future",
            "Set the clock of the device, or correct the time.",
        )
    if last is not None and at < _time(last["at"]):
        raise StageError(
            f"{name}: {_iso(at)} lies before the last entry of {last['at']}",
            "Set the clock of the device, or record a correction instead.",
        )


def _time(text: Any) -> dt.datetime:
    value = text if isinstance(text, dt.datetime) else dt.datetime.fromisoformat(str(text))
    return value if value.tzinfo else value.replace(tzinfo=dt.UTC)


def _iso(at: dt.datetime) -> str:
    return at.isoformat(timespec="seconds")
