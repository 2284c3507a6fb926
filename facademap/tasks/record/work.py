"""The work record of a project: stages, checks, the cut-out as measured, corrections, assessment."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import shapely

from facademap.errors import InputError, StageError
from facademap.io.rule_files import load_criteria, read_rule_file
from facademap.io.whole_files import write_whole
from facademap.repair.cautions import LOAD_BEARING, PROPPING
from facademap.repair.consents import open_consents
from facademap.repair.criteria import Criteria
from facademap.repair.donors import wall_stone_of
from facademap.repair.measured import (
    PieceAsMeasured,
    piece_as_measured,
    place_still_fits,
    read_measured,
)
from facademap.repair.pieces import is_inset
from facademap.repair.stages import (
    check_states,
    correct_entry,
    enter_stage,
    holds_of,
    next_stages,
    record_check,
)
from facademap.repair.workmanship import (
    Standard,
    assess_workmanship,
    read_standard,
    without_names,
)
from facademap.report.workmanship_page import report_html, report_text
from facademap.salvage.densities import density_of
from facademap.salvage.seen_face import SeenFace, unseen_faces
from facademap.store.gate import gated_edit
from facademap.store.project import Project
from facademap.tables import is_missing
from facademap.tasks.plan.densities import densities_of_project
from facademap.tasks.plan.plan import settings_of_project
from facademap.tasks.record.consents import need_consent
from facademap.tasks.record.crews import forget_crews
from facademap.tasks.record.editing import record_edit
from facademap.tasks.record.setting import need_assembly, state_of_steps, with_pins_as_measured
from facademap.tasks.record.trials import need_trial

__all__ = [
    "assess_project",
    "correct",
    "criteria_of",
    "criteria_of_office",
    "fix_standard",
    "fixed_standard",
    "move_on",
    "record",
    "record_cut_out",
    "remove_names",
    "send_back",
    "what_to_see",
    "work_state",
]

_BINDING = ("approved", "reserved", "sawn")


def work_state(folder: str | Path, repair: str) -> dict[str, Any]:
    """Stage, next stages and every check of one repair, with its entries; ``asks`` says what nobody has seen yet."""
    with Project.open(folder, read_only=True) as project:
        row, log = (
            project.row("repairs", repair),
            project.read("work_log", where={"repair": repair}),
        )
        entries, criteria = log.to_dict("records"), criteria_of(project, repair)
        states = check_states(row, entries, criteria=criteria)
        asks = what_to_see(project, repair)
        inches = settings_of_project(project).inches
        consents = list(open_consents(project.read("consents").to_dict("records"), row))
    return {
        "repair": repair,
        "stage": row["stage"],
        "treatment": row["treatment"],
        "held_back": row["held_back"],
        "consents": consents,
        "next": list(next_stages(row["stage"], treatment=row["treatment"])),
        "asks": asks,
        "checks": [
            {
                "criterion": s.criterion,
                "before": s.before,
                "result": s.result,
                "entry": s.entry,
                "text": criteria.named(s.criterion).said(inches=inches),
            }
            for s in states
        ],
        "steps": state_of_steps(states, entries, criteria=criteria, treatment=str(row["treatment"]))
        if is_inset(row["treatment"])
        else [],
        "entries": [
            {k: None if is_missing(v) else v for k, v in e.items()} for e in log.to_dict("records")
        ],
    }


def move_on(
    folder: str | Path,
    repair: str,
    stage: str,
    *,
    at: dt.datetime | None = None,
    mason: str | None = None,
    reason: str | None = None,
    photo: str | None = None,
    who: str = "facademap record",
    now: dt.datetime | None = None,
    key: str | None = None,
    late: bool = False,
) -> dict[str, Any]:
    """Enter a stage when its gate is open; the repair and the record change together or not at all.

    ``key`` names the transaction, so that a sender who heard no answer can ask what became of it; ``late`` is said of an
    entry that was kept on a device without a connection. The entry comes back, with ``asks``: what is to be looked at
    now that the piece is sawn, empty where nothing is.
    """
    now = now or dt.datetime.now(dt.UTC)
    with Project.open(folder) as project:
        row, log = (
            project.row("repairs", repair),
            project.read("work_log", where={"repair": repair}),
        )
        if stage == "piece sawn":
            _need_stone(project, repair)
        if stage in ("approved", "piece sawn"):
            need_assembly(project, row)
        need_trial(project, row, stage)
        if stage == "cut out":
            _need_support(project, row)
        need_consent(project, row, stage)
        asks = what_to_see(project, repair) if stage == "piece sawn" else ""
        fits, problem = _place(project, row) if stage == "piece sawn" else (None, "")
        entry = enter_stage(
            row,
            stage,
            log=log.to_dict("records"),
            criteria=criteria_of(project, repair),
            settings=settings_of_project(project),
            at=at or now,
            now=now,
            mason=mason,
            reason=reason,
            photo=photo,
            place_fits=fits,
            place_problem=problem,
            late=late,
        )
        with record_edit(project, key, who=who, what=f"{repair}: {stage}") as edit:
            entry["id"] = edit.new_id("W", digits=5)
            edit.insert("work_log", [entry])
            edit.update("repairs", repair, {"stage": stage}, rev=row["rev"])
    return {**entry, "asks": asks}


def _need_support(project: Project, repair: Mapping[Any, Any]) -> None:
    """A stone that carries is not cut out by a design that took it for one that does not."""
    if not is_inset(repair["treatment"]) or is_missing(repair["wall_stone"]):
        return
    part = str(project.row("wall_stones", str(repair["wall_stone"]))["part"])
    if part in LOAD_BEARING and PROPPING not in holds_of(repair):
        raise StageError(
            f"{repair['id']} lies in a {part}, but was designed as stone that carries nothing",
            "Plan again, so that the propping is decided by a structural engineer before it is cut out.",
        )


def record(
    folder: str | Path,
    repair: str,
    criterion: str,
    *,
    measured: Mapping[str, Any] | None = None,
    result: str | None = None,
    reason: str | None = None,
    at: dt.datetime | None = None,
    mason: str | None = None,
    photo: str | None = None,
    who: str = "facademap record",
    now: dt.datetime | None = None,
    key: str | None = None,
    late: bool = False,
) -> dict[str, Any]:
    """Record one check; its result is found from what was measured. ``key`` and ``late`` as for :func:`move_on`."""
    now = now or dt.datetime.now(dt.UTC)
    with Project.open(folder) as project:
        row, log = (
            project.row("repairs", repair),
            project.read("work_log", where={"repair": repair}),
        )
        entry = record_check(
            row,
            criterion,
            log=log.to_dict("records"),
            criteria=criteria_of_office(project),
            settings=settings_of_project(project),
            at=at or now,
            now=now,
            measured=measured,
            result=result,
            reason=reason,
            mason=mason,
            photo=photo,
            late=late,
        )
        with record_edit(project, key, who=who, what=f"{repair}: {criterion}") as edit:
            entry["id"] = edit.new_id("W", digits=5)
            edit.insert("work_log", [entry])
    return entry


def correct(
    folder: str | Path,
    entry: str,
    *,
    reason: str,
    changes: Mapping[str, Any] | None = None,
    at: dt.datetime | None = None,
    mason: str | None = None,
    who: str = "facademap record",
    now: dt.datetime | None = None,
) -> dict[str, Any]:
    """Correct an entry by a new one; the old one stays."""
    now = now or dt.datetime.now(dt.UTC)
    with Project.open(folder) as project:
        log = project.read("work_log").to_dict("records")
        row = correct_entry(
            entry, log=log, at=at or now, now=now, reason=reason, changes=changes, mason=mason
        )
        with gated_edit(project, who=who, what=f"correct {entry}") as edit:
            row["id"] = edit.new_id("W", digits=5)
            edit.insert("work_log", [row])
    return row


def record_cut_out(
    folder: str | Path,
    repair: str,
    values: Mapping[str, Any],
    *,
    who: str = "facademap record",
    key: str | None = None,
) -> dict[str, Any]:
    """Write down the cut-out as cut and give its piece the size that follows.

    Returns
    -------
    dict
        ``notes``, ``deeper`` (sound stone lay deeper than drawn: send the repair back to design), ``place_fits`` (``None``
        where no place is reserved) and ``place_problem``.

    Raises
    ------
    StageError
        The stone is not cut out yet, or the piece is sawn already.
    """
    with Project.open(folder) as project:
        row = project.row("repairs", repair)
        if row["stage"] not in ("cut out", "cut-out measured", "redo"):
            raise StageError(
                f"{repair} is {row['stage']}: there is no cut-out to measure",
                "Measure after cutting out and before sawing.",
            )
        measured = read_measured(
            values,
            where=repair,
            outline=row["geometry"],
            kinds=[] if is_missing(row["edge_kinds"]) else row["edge_kinds"],
        )
        settings = settings_of_project(project)
        found = piece_as_measured(
            measured,
            outline=row["geometry"],
            edges=list(row["edges"]),
            design_depth_m=float(row["depth_m"]),
            settings=settings,
            criteria=criteria_of_office(project),
            projection_m=_projection(row),
        )
        fits, problem = _place(project, row, piece=found)
        notes = list(found.notes)
        with record_edit(project, key, who=who, what=f"{repair}: cut-out measured") as edit:
            changes: dict[str, Any] = {"measured": measured.as_json()}
            for piece in project.read("pieces", where={"repair": repair}).to_dict("records"):
                sized = _as_measured(piece, found, project=project, wall_stone=row["wall_stone"])
                edit.update("pieces", piece["id"], sized)
                pins, cannot = with_pins_as_measured(
                    project, {**row, **changes}, {**piece, **sized}, found
                )
                changes |= pins
                notes += cannot
            edit.update("repairs", repair, changes, rev=row["rev"])
    return {
        "repair": repair,
        "notes": notes,
        "deeper": found.deeper,
        "depth_m": found.cut_depth_m,
        "place_fits": fits,
        "place_problem": problem,
    }


def send_back(
    folder: str | Path,
    repair: str,
    *,
    depth_m: float | None,
    reason: str,
    at: dt.datetime | None = None,
    mason: str | None = None,
    who: str = "facademap record",
    now: dt.datetime | None = None,
) -> dict[str, Any]:
    """Send a repair back to design, as when the decay proves deeper: the depth is written to its conditions, places that are
    not sawn are given back, and the repair is proposed again. Plan and match again after that.
    """
    now = now or dt.datetime.now(dt.UTC)
    with Project.open(folder) as project:
        row, log = (
            project.row("repairs", repair),
            project.read("work_log", where={"repair": repair}),
        )
        entry = enter_stage(
            row,
            "proposed",
            log=log.to_dict("records"),
            criteria=criteria_of_office(project),
            settings=settings_of_project(project),
            at=at or now,
            now=now,
            mason=mason,
            reason=reason,
        )
        with gated_edit(project, who=who, what=f"{repair}: back to design") as edit:
            entry["id"] = edit.new_id("W", digits=5)
            if depth_m is not None:
                entry["measured"] = {"depth_m": depth_m}
            edit.insert("work_log", [entry])
            edit.update("repairs", repair, {"stage": "proposed", "measured": None}, rev=row["rev"])
            for condition in (row["conditions"] or ()) if depth_m is not None else ():
                seen = project.row("conditions", condition)
                if is_missing(seen["depth_m"]) or seen["depth_m"] < depth_m:
                    edit.update("conditions", condition, {"depth_m": depth_m}, rev=seen["rev"])
            for placement in project.read("placements", where={"repair": repair}).to_dict(
                "records"
            ):
                if placement["state"] != "sawn":
                    edit.delete("placements", placement["id"])
    return entry


def fix_standard(
    folder: str | Path,
    path: str | Path | None = None,
    *,
    who: str = "facademap workmanship",
    today: dt.date | None = None,
) -> Standard:
    """Fix a passing standard in the project, from today on; the packaged one without ``path``. It cannot be changed after."""
    standard = read_standard(
        read_rule_file(path, packaged="standard.toml"),
        fixed_on=today or dt.datetime.now(dt.UTC).date(),
        where=str(path or "packaged standard"),
    )
    with Project.open(folder) as project:
        criteria = criteria_of_office(project)
        known = {c.name for c in criteria.criteria}
        asked = {*standard.shares, *standard.critical}
        wrong = sorted(asked - known)
        if wrong:
            raise InputError(
                f"standard {standard.name}: no criterion is named {', '.join(wrong)}",
                f"Use {', '.join(sorted(known))}.",
            )
        kept = dict(project.setting("standards", {}) or {})
        if standard.name in kept:
            raise InputError(
                f"a standard named {standard.name!r} was fixed on {kept[standard.name]['fixed_on']}",
                "Give the new one another name; a fixed standard does not change.",
            )
        kept[standard.name] = {
            "fixed_on": standard.fixed_on.isoformat(),
            "shares": dict(standard.shares),
            "critical": sorted(standard.critical),
            "least_repairs": standard.least_repairs,
            "pass_share": standard.pass_share,
            "seal": standard.seal,
            "criteria_seal": criteria.seal(asked),
        }
        with project.edit(who=who, what=f"fix standard {standard.name}") as edit:
            edit.set("standards", kept)
    return standard


def fixed_standard(project: Project, name: str) -> Standard:
    """A standard as it was fixed in a project.

    Raises
    ------
    InputError
        There is none of that name, or it or a limit of its criteria was changed after it was fixed.
    """
    kept = project.setting("standards", {}) or {}
    if name not in kept:
        raise InputError(
            f"no standard named {name!r} is fixed in this project",
            "Fix one before the work: facademap workmanship PROJECT --fix FILE.",
        )
    given = kept[name]
    fixed = Standard(
        name=name,
        fixed_on=dt.date.fromisoformat(given["fixed_on"]),
        shares=given["shares"],
        critical=frozenset(given["critical"]),
        least_repairs=given["least_repairs"],
        pass_share=given["pass_share"],
    )
    if fixed.seal != given["seal"]:
        raise InputError(
            f"standard {name!r} was changed after it was fixed",
            "Undo that change, or fix a standard of another name.",
        )
    asked = {*fixed.shares, *fixed.critical}
    # standards that were fixed before criteria were sealed with them lack the second seal
    if given.get("criteria_seal", "") not in ("", criteria_of_office(project).seal(asked)):
        raise InputError(
            f"a criterion of standard {name!r} was changed after it was fixed",
            "Put the criteria back as they were, or fix a standard of another name for later work.",
        )
    return fixed


def assess_project(
    folder: str | Path,
    *,
    chosen: Sequence[str],
    standard: str,
    mason: str = "",
    assessor: str = "",
    anonymous: bool = False,
    out: str | Path | None = None,
    today: dt.date | None = None,
) -> dict[str, Any]:
    """Assess the work on chosen repairs against a standard that was fixed in the project before.

    With ``out`` (a path without ending) the report is written as ``.txt`` and ``.html``. ``anonymous`` leaves names out.
    """
    with Project.open(folder, read_only=True) as project:
        fixed = fixed_standard(project, standard)
        log = project.read("work_log")
        result = assess_workmanship(
            project.read("repairs"),
            without_names(log) if anonymous else log,
            chosen=chosen,
            standard=fixed,
            criteria=criteria_of_office(project),
            assessed_on=today or dt.datetime.now(dt.UTC).date(),
            mason="" if anonymous else mason,
            assessor="" if anonymous else assessor,
            inches=settings_of_project(project).inches,
        )
    written = []
    if out is not None:
        for ending, text in ((".txt", report_text(result)), (".html", report_html(result))):
            path = Path(str(out) + ending)
            write_whole(path, text)
            written.append(str(path))
    return {**result.as_json(), "text": report_text(result), "written": written}


def remove_names(folder: str | Path, *, who: str = "facademap workmanship") -> int:
    """Take the names of people and the labels of crews out of the work record and out of its history; everything else stays. Returns
    how many entries held a name."""
    with Project.open(folder) as project:
        named = sum(not is_missing(mason) for mason in project.read("work_log")["mason"])
        project.forget("work_log", "mason", who=who)
        forget_crews(project, who=who)
    return named


def criteria_of(project: Project, repair: str) -> Criteria:
    """What is checked on one repair: a face that nobody had seen before it was sawn is looked at again."""
    return criteria_of_office(project).applying(unseen_face=repair in _unseen(project, repair))


def what_to_see(project: Project, repair: str) -> str:
    """What is to be looked at once the piece is sawn; empty where its face has been seen."""
    unseen = _unseen(project, repair)
    if repair not in unseen:
        return ""
    return f'{unseen[repair].words} Then record the check "look again" with its photo.'


def _unseen(project: Project, repair: str) -> dict[str, SeenFace]:
    places = project.read("placements", where={"repair": repair}).to_dict("records")
    return unseen_faces(places, [project.row("faces", p["face"]) for p in places])


def criteria_of_office(project: Project) -> Criteria:
    """The criteria that hold in a project."""
    return load_criteria(project.setting("criteria_path"))


def _place(
    project: Project, repair: Mapping[str, Any], *, piece: PieceAsMeasured | None = None
) -> tuple[bool | None, str]:
    """Whether the place reserved for the repair's piece still holds it; ``None`` where there is none."""
    places = [
        p
        for p in project.read("placements", where={"repair": repair["id"]}).to_dict("records")
        if p["state"] in _BINDING
    ]
    if not places:
        return None, ""
    place = places[0]
    if piece is None:
        if is_missing(repair["measured"]):
            return True, ""
        piece = piece_as_measured(
            read_measured(repair["measured"], outline=repair["geometry"]),
            outline=repair["geometry"],
            edges=list(repair["edges"]),
            design_depth_m=float(repair["depth_m"]),
            settings=settings_of_project(project),
            criteria=criteria_of_office(project),
            projection_m=_projection(repair),
        )
    width, height, depth = _room(project, place)
    return place_still_fits(
        piece, planned_width_m=width, planned_height_m=height, planned_depth_m=depth
    )


def _need_stone(project: Project, repair: str) -> None:
    """Raise where a piece would be sawn from stone that is still in the wall, or that nobody has accepted since."""
    uses = wall_stone_of(
        project.read("placements", where={"repair": repair}),
        project.read("blocks"),
        project.read("repairs"),
    )
    for use in uses:
        if not use.out:
            raise StageError(
                f"{repair}: its stone, block {use.block}, is still in the wall",
                f"Cut out repair {use.donor} first, or match again.",
            )
        raise StageError(
            f"{repair}: its stone, block {use.block}, came out with repair {use.donor} and is not accepted yet",
            "Sound and test it, then accept it and set its state to available.",
        )


def _projection(repair: Mapping[str, Any]) -> float:
    """How far a moulded piece stands out of the wall."""
    materials = {} if is_missing(repair.get("materials")) else repair["materials"]
    return float(materials.get("moulding", {}).get("projection_m", 0.0))


def _room(project: Project, place: Mapping[str, Any]) -> tuple[float, float, float]:
    """Width, height and depth of a reserved place, in the wall position of the piece."""
    if is_missing(place["blank"]):
        drawn = project.row("pieces", place["piece"])
        return float(drawn["width_m"]), float(drawn["height_m"]), float(drawn["depth_m"])
    ring = np.asarray(place["blank"], dtype=float)
    width, height = (float(x) for x in np.ptp(ring, axis=0))
    if int(place["rotation_deg"]) % 180 == 90:
        width, height = height, width
    slabs = place["slab_thicknesses"]
    if not is_missing(slabs) and len(slabs) > int(place["slab"]):
        return width, height, float(slabs[int(place["slab"])])
    return width, height, float(project.row("faces", place["face"])["usable_depth_m"])


def _as_measured(
    piece: Mapping[str, Any], found: PieceAsMeasured, *, project: Project, wall_stone: str | None
) -> dict[str, Any]:
    u0, v0, u1, v1 = found.outline.bounds
    kind = project.row("wall_stones", wall_stone)["kind"] if wall_stone else None
    density = density_of(piece["stone_type"], kind, densities=densities_of_project(project))
    volume_m3 = float(shapely.area(found.outline)) * found.depth_m
    return {
        "geometry": found.outline,
        "width_m": u1 - u0,
        "height_m": v1 - v0,
        "depth_m": found.depth_m,
        "provisional": False,
        "weight_kg": volume_m3 * density.likely_kg_per_m3,
        "weight_saturated_kg": volume_m3 * density.high_kg_per_m3 * (1 + density.absorption),
    }
