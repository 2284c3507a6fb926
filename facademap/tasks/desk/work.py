"""The record of the work as the survey desk needs it: pages of repairs, and entries that arrive late and once."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from facademap.errors import ConflictError, InputError
from facademap.io.rule_files import load_criteria
from facademap.repair.consents import open_consents
from facademap.repair.criteria import Criteria
from facademap.repair.stages import check_states, next_stages
from facademap.repair.steps import slot_rules
from facademap.salvage.seen_face import unseen_faces
from facademap.store.changes import changes_of
from facademap.store.project import Project
from facademap.tables import STAGES, is_missing
from facademap.tasks.plan.plan import settings_of_project
from facademap.tasks.record import work
from facademap.tasks.record.setting import record_photo

__all__ = ["ACTS", "record_act", "work_overview", "work_page"]

#: What can be done to the record from the desk.
ACTS = ("stage", "check", "cut-out", "photo")
#: An entry may wait this long on a device before it is doubted.
LONGEST_WAIT = dt.timedelta(days=60)


def work_page(folder: Path, repair: str) -> dict[str, Any]:
    """State of the work on one repair with the criteria in words."""
    state = work.work_state(folder, repair)
    with Project.open(folder, read_only=True) as project:
        inches = settings_of_project(project).inches
        asked = _asked(load_criteria(project.setting("criteria_path")), inches=inches)
    for check in state["checks"]:
        check |= asked.get(check["criterion"], {})
    return state


def work_overview(project: Project) -> dict[str, Any]:
    """Every repair's stage and checks at once, so that a device can work on without a connection.

    Returns
    -------
    dict
        ``criteria`` (by name), ``next`` (stages that may follow, by treatment and stage), ``states`` (by repair) and
        ``photos`` (the slots of the photo sequence and how entries fill them).
    """
    criteria = load_criteria(project.setting("criteria_path"))
    unseen = unseen_faces(
        project.read("placements").to_dict("records"), project.read("faces").to_dict("records")
    )
    log: dict[str, list[dict[Any, Any]]] = {}
    for entry in project.read("work_log").to_dict("records"):
        log.setdefault(str(entry["repair"]), []).append(entry)
    consents = project.read("consents").to_dict("records")
    states: dict[str, Any] = {}
    following: dict[str, dict[str, list[str]]] = {}
    for row in project.read("repairs").drop(columns="geometry").to_dict("records"):
        treatment, name = str(row["treatment"]), str(row["id"])
        applying = criteria.applying(unseen_face=name in unseen)
        checks = check_states(row, log.get(name, []), criteria=applying)
        states[name] = {
            "stage": row["stage"],
            "treatment": treatment,
            "held_back": None if is_missing(row["held_back"]) else row["held_back"],
            "consents": list(open_consents(consents, row)),
            "checks": [[c.criterion, c.result, c.entry] for c in checks],
        }
        if treatment not in following:
            following[treatment] = {s: list(next_stages(s, treatment=treatment)) for s in STAGES}
    return {
        "criteria": _asked(criteria, inches=settings_of_project(project).inches),
        "next": following,
        "states": states,
        "photos": slot_rules(),
    }


def _asked(criteria: Criteria, *, inches: bool) -> dict[str, dict[str, Any]]:
    return {
        c.name: {
            "before": c.before,
            "text": c.said(inches=inches),
            "kind": c.kind,
            "measured": c.measured,
            "limit": c.limit,
            "source": c.source,
            "status": c.status,
        }
        for c in criteria.criteria
    }


def record_act(
    folder: Path,
    act: str,
    repair: str,
    values: Mapping[str, Any],
    *,
    who: str,
    mason: str | None = None,
    reason: str | None = None,
    photo: str | None = None,
    key: str | None = None,
    seen: Mapping[str, Any] | None = None,
    waited_s: float = 0.0,
) -> dict[str, Any]:
    """Enter one thing into the record; sent again under the same key, nothing is entered twice.

    Parameters
    ----------
    act : str
        ``stage`` (values: stage), ``check`` (criterion, measured, result), ``cut-out`` (the measures) or ``photo`` (slot).
    seen : mapping, optional
        What the sender saw of the thing: ``stage`` for a stage, ``entry`` (or null) for a check, ``measured`` for a cut-out.
    waited_s : float
        How long the entry waited on a device for a connection; it is dated back by as much, by the server's clock.

    Returns
    -------
    dict
        The record of the repair as it stands then, with ``entry``, the number of the new entry.

    Raises
    ------
    ConflictError
        Somebody else did it meanwhile; ``theirs`` says who did what and when.
    """
    if act not in ACTS:
        raise InputError("there is no such act", f"Use {', '.join(ACTS)}.")
    waited = dt.timedelta(seconds=waited_s)
    if not dt.timedelta(0) <= waited <= LONGEST_WAIT:
        raise InputError(
            f"an entry that waited {waited_s:.0f} s",
            f"Enter what is older than {LONGEST_WAIT.days} days with facademap record.",
        )
    with Project.open(folder) as project:
        made = changes_of(project, key) if key else []
        if not made and seen is not None:
            _refuse_what_others_did(project, act, repair, values, seen)
    if not made:
        now = dt.datetime.now(dt.UTC)
        common: dict[str, Any] = {
            "mason": mason,
            "who": who,
            "reason": reason,
            "photo": photo,
            "key": key,
            "now": now,
            "at": now - waited,
            "late": True,
        }
        if act == "stage":
            work.move_on(folder, repair, str(values["stage"]), **common)
        elif act == "check":
            work.record(
                folder,
                repair,
                str(values["criterion"]),
                measured=values.get("measured"),
                result=values.get("result"),
                **common,
            )
        elif act == "photo":
            slot = str(values["slot"])
            if photo is None:
                raise InputError(f"{repair}: no photo for {slot!r}", "Take or choose one first.")
            own = {k: v for k, v in common.items() if k not in ("reason", "photo", "late")}
            record_photo(folder, repair, slot, photo, **own)
        else:
            work.record_cut_out(folder, repair, values, who=who, key=key)
    page = work_page(folder, repair)
    with Project.open(folder, read_only=True) as project:
        entered = [c.id for c in changes_of(project, key) if c.table == "work_log"] if key else []
    return {**page, "entry": entered[0] if entered else None, "repeated": bool(made)}


def _refuse_what_others_did(
    project: Project, act: str, repair: str, values: Mapping[str, Any], seen: Mapping[str, Any]
) -> None:
    row, log = (
        project.row("repairs", repair),
        project.read("work_log", where={"repair": repair}).to_dict("records"),
    )
    if act == "photo":
        # two photos of one thing are no conflict: both are kept
        return
    if act == "stage":
        found = [e for e in log if not is_missing(e["stage"])]
        moved = row["stage"] != seen.get("stage", row["stage"])
        problem = f"{repair} is {row['stage']} meanwhile, not {seen.get('stage')}"
    elif act == "check":
        states = check_states(row, log, criteria=work.criteria_of(project, repair))
        current = next((s.entry for s in states if s.criterion == values.get("criterion")), None)
        found = [e for e in log if e["id"] == current]
        moved = current != seen.get("entry", current)
        problem = f"{repair}: {values.get('criterion')} was recorded by somebody else meanwhile"
    else:
        found = []
        moved = (None if is_missing(row["measured"]) else row["measured"]) != seen.get("measured")
        problem = f"{repair}: the cut-out was measured by somebody else meanwhile"
    if not moved:
        return
    conflict = ConflictError(problem, "Look at both and choose.")
    latest = found[-1] if found else None
    history = (
        project.history("work_log", latest["id"], last=1)
        if latest
        else project.history("repairs", repair, last=1)
    )
    theirs: dict[str, Any] = {
        "table": "work",
        "id": repair,
        "stage": row["stage"],
        "measured": None if is_missing(row["measured"]) else row["measured"],
        "who": str(history["who"].iloc[0]) if len(history) else None,
        "at": str(history["at"].iloc[0]) if len(history) else None,
        "entry": None
        if latest is None
        else {k: None if is_missing(v) else v for k, v in latest.items()},
    }
    conflict.theirs = theirs  # type: ignore[attr-defined]
    raise conflict
