"""Trials and samples: made, judged, approved; and the work that waits for them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from facademap.errors import InputError
from facademap.photo.lab import difference_ciede2000
from facademap.repair.mixes import mix_named, strength_faults, strength_floor
from facademap.store.gate import gated_edit
from facademap.store.project import Project
from facademap.tables import SOILINGS, is_missing
from facademap.tasks.record.days import day_of
from facademap.tasks.record.plain_rows import plain_row, plain_rows
from facademap.treatment.soiling import soiling_of
from facademap.treatment.trials import TRIAL_OF, approved

__all__ = [
    "BEGUN_STAGES",
    "add_to_trial",
    "colour_change",
    "decide_trial",
    "list_trials",
    "make_trial",
    "need_colour",
    "need_trial",
    "trial_wanted",
    "trials_of",
]

#: Stages of a repair in which its treatment has begun.
BEGUN_STAGES = frozenset({"pointed", "curing", "accepted"})


def make_trial(
    folder: Any, *, kind: str, treatment: str, who: str = "facademap trial", **told: Any
) -> dict[str, Any]:
    """Enter a trial that was made.

    Parameters
    ----------
    folder : path
        Project.
    kind : str
        ``cleaning panel``, ``consolidation panel``, ``mortar sample``, ``mock-up`` or ``other``.
    treatment : str
        Treatment that it is for.
    who : str
        Named in the history.
    **told
        Further columns of the trials table; ``stone_type`` is taken from ``wall_stone`` where that is given.

    Returns
    -------
    dict
        The row; its result is ``open`` until somebody decides.

    Raises
    ------
    InputError
        It names no stone: what was tried on one stone says nothing of another.
    """
    values = {k: v for k, v in told.items() if not is_missing(v)}
    _need_known(values)
    with Project.open(folder) as project:
        if "wall_stone" in values and "stone_type" not in values:
            stone = project.row("wall_stones", str(values["wall_stone"]))
            if not is_missing(stone["stone_type"]):
                values["stone_type"] = stone["stone_type"]
        if is_missing(values.get("stone_type")):
            raise InputError(
                "the trial names no kind of stone",
                "Give the local name of its stone, as with the wall stones, or a wall stone that has one.",
            )
        if kind == "cleaning panel" and is_missing(values.get("soiling")):
            raise InputError(
                "the panel does not say what lay on the stone",
                f"Give one of {', '.join(SOILINGS)}; dust says nothing of crusts.",
            )
        with gated_edit(project, who=who, what=f"trial: {kind}") as edit:
            row = {
                "id": edit.new_id("T"),
                "kind": kind,
                "treatment": treatment,
                **values,
                "result": "open",
            }
            edit.insert("trials", [row])
        return _with_change(project.row("trials", row["id"]))


def add_to_trial(
    folder: Any, trial: str, *, who: str = "facademap trial", **told: Any
) -> dict[str, Any]:
    """Add what came later to a trial that is not decided: photos after, colours when dry and wet, what was measured.

    Raises
    ------
    InputError
        Nothing is given, or the trial is decided already.
    """
    values = {k: v for k, v in told.items() if not is_missing(v)}
    if not values:
        raise InputError(f"nothing is said of {trial}", "Give what it showed, or decide on it.")
    _need_known(values)
    with Project.open(folder) as project:
        row = project.row("trials", trial)
        if str(row["result"]) != "open":
            raise InputError(
                f"trial {trial} is {row['result']}: what was decided on stays as it was",
                "Take the decision back first, or enter a new trial.",
            )
        with gated_edit(project, who=who, what=f"trial {trial}: what it showed") as edit:
            edit.update("trials", trial, values, rev=row["rev"])
        return _with_change(project.row("trials", trial))


def colour_change(row: Mapping[Any, Any]) -> float | None:
    """CIEDE2000 from the colour before, or of the stone beside, to that after, both dry; ``None`` where one is not known."""
    if is_missing(row.get("colour_before")) or is_missing(row.get("colour_dry")):
        return None
    return float(difference_ciede2000(np.array(row["colour_before"]), np.array(row["colour_dry"])))


def _need_known(values: Mapping[str, Any]) -> None:
    if values.get("mix"):
        mix_named(str(values["mix"]))
    for name in ("colour_before", "colour_dry", "colour_wet"):
        need_colour(values.get(name))


def need_colour(lab: Sequence[float] | None) -> None:
    """Refuse what is no colour in CIELAB; none is none.

    Raises
    ------
    InputError
    """
    if lab is not None and not (0 <= lab[0] <= 100 and all(abs(v) <= 128 for v in lab[1:])):
        raise InputError(
            f"{' '.join(f'{v:g}' for v in lab)} is no colour of stone",
            "Give CIELAB: L 0 to 100, a and b -128 to 128.",
        )


def decide_trial(
    folder: Any,
    trial: str,
    result: str,
    *,
    by: str,
    on: str | None = None,
    finding: str | None = None,
    who: str = "facademap trial",
) -> dict[str, Any]:
    """Approve or refuse a trial, by name and date.

    Parameters
    ----------
    folder : path
    trial : str
        Id of the trial.
    result : str
        ``approved``, ``refused``, or ``open`` to take a decision back.
    by : str
        Who decided.
    on : str, optional
        Day as YYYY-MM-DD; today when not given.
    finding : str, optional
        What it showed; a refusal needs it.

    Raises
    ------
    InputError
        No name, a refusal without a finding, or a day that has not come.
    """
    if result != "open" and not by.strip():
        raise InputError("nobody is named who decides", "Name who decides.")
    if result == "refused" and not (finding or "").strip():
        raise InputError("a refusal says nothing", "Give its finding: what the trial showed.")
    day = day_of(on, "Give the day on which it was decided.")
    taken_back = result == "open"
    with Project.open(folder) as project:
        row = project.row("trials", trial)
        changed: dict[str, Any] = {
            "result": result,
            "approved_by": None if taken_back else by,
            "approved_on": None if taken_back else day,
        }
        if result == "approved":
            _need_soft_mix(row)
        else:
            _need_free(project, trial)
        if finding:
            changed["finding"] = finding
        with gated_edit(project, who=who, what=f"trial {trial}: {result}") as edit:
            edit.update("trials", trial, changed, rev=row["rev"])
        return _with_change(project.row("trials", trial))


def _need_soft_mix(row: Mapping[Any, Any]) -> None:
    """A sample of a mortar that may outdo the stone is not approved, nor one that nothing can be held against."""
    name = "" if is_missing(row["mix"]) else str(row["mix"])
    if row["kind"] == "mortar sample" and not name and is_missing(row["measured"]):
        raise InputError(
            f"trial {row['id']} does not say of which mortar it is",
            "Name its mix, or enter what was measured of the stone and of a mortar of your own with its unit; then approve.",
        )
    faults = strength_faults(mix_named(name), str(row["stone_type"])) if name else ()
    if faults:
        raise InputError(
            f"trial {row['id']}: {faults[0]}", "Make a sample of a weaker mix, or refuse this one."
        )
    if name and strength_floor(row["stone_type"]) is None and is_missing(row["measured"]):
        raise InputError(
            f"trial {row['id']}: nothing is known of the strength of {row['stone_type']}, so that {name} cannot be held against it",
            "Enter what was measured of the stone and the mortar with its unit, then approve; or name the kind of stone.",
        )


def _need_free(project: Project, trial: str) -> None:
    """A trial by which a condition of a consent was met is not taken back behind its back."""
    for row in project.read("consents").to_dict("records"):
        if bool(row["met"]) and str(row["evidence_trial"]) == trial:
            raise InputError(
                f"condition {row['id']} is met by trial {trial}",
                f"Take the tick of {row['id']} back first.",
            )


def trial_wanted(
    project: Project,
    repair: Mapping[Any, Any],
    trials: Sequence[Mapping[Any, Any]] | None = None,
) -> str:
    """The trial that a repair waits for, in words; empty where it waits for none.

    A trial counts for one treatment on one kind of stone, when it was approved by name and date. ``trials`` are the rows
    of the project, for who asks about many repairs.
    """
    kind = TRIAL_OF.get(str(repair["treatment"]))
    if kind is None:
        return ""
    stone, soiling = "", ""
    if kind == "cleaning panel":
        named = [str(c) for c in repair["conditions"] or ()]
        terms = project.rows("conditions", named).values()
        soiling = soiling_of(tuple(str(c["term"]).lower() for c in terms))
    if not is_missing(repair.get("wall_stone")):
        row = project.rows("wall_stones", [str(repair["wall_stone"])]).get(
            str(repair["wall_stone"])
        )
        stone = "" if row is None or is_missing(row["stone_type"]) else str(row["stone_type"])
    if trials is None:
        trials = project.read("trials").to_dict("records")
    for trial in trials:
        if (
            trial["kind"] == kind
            and trial["treatment"] == repair["treatment"]
            and (not soiling or trial["soiling"] == soiling)
            and not is_missing(trial["stone_type"])
            and str(trial["stone_type"]).strip().lower() == stone.strip().lower()
            and approved(trial)
        ):
            return ""
    of = f" for {soiling}" if soiling else ""
    return f"{kind}{of} on {stone or 'its stone, which is not named'}"


def need_trial(project: Project, repair: Mapping[Any, Any], stage: str) -> None:
    """Refuse to enter a stage of work for which the trial is wanting.

    Raises
    ------
    InputError
    """
    if stage not in BEGUN_STAGES:
        return
    wanted = trial_wanted(project, repair)
    if wanted:
        raise InputError(
            f"{repair['id']}: no approved {wanted}",
            "Make one, enter it with facademap trial, and have it approved by name and date before the work.",
        )


def trials_of(project: Project) -> list[dict[str, Any]]:
    """All trials of a project, by id, each with its change of colour."""
    return [_with_change(r) for r in plain_rows(project, "trials")]


def list_trials(folder: Any) -> list[dict[str, Any]]:
    """:func:`trials_of` a project that is not open."""
    with Project.open(folder, read_only=True) as project:
        return trials_of(project)


def _with_change(row: Mapping[Any, Any]) -> dict[str, Any]:
    return {**plain_row("trials", row), "colour_change": colour_change(row)}
