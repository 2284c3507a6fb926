"""The audit of what a gate would refuse: names of nothing, stages without a record, settled things that do not agree."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping
from typing import Any

from facademap.io.rule_files import load_criteria
from facademap.repair.consents import open_consents
from facademap.repair.settled import FREE_STAGES, RESERVED_STATES, is_sawn, stage_of_record
from facademap.repair.stages import open_checks
from facademap.salvage.lineage import is_own_ancestor
from facademap.salvage.seen_face import unseen_faces
from facademap.store.project import Project
from facademap.tables import PIECED, STAGES, TABLES, is_missing
from facademap.tasks.project.finding import Finding
from facademap.tasks.record.consents import evidence_faults
from facademap.tasks.record.trials import BEGUN_STAGES, trial_wanted

__all__ = ["evidence_of", "named_consents_of", "references_of", "settled_of", "stages_of"]

Row = Mapping[Any, Any]


def references_of(project: Project) -> Iterator[Finding]:
    """Names of rows that are not there."""
    ids = {name: set(project.read(name)["id"]) for name in TABLES}
    for table in TABLES.values():
        frame = project.read(table.name)
        for column in (c for c in table.columns if c.refers):
            for id, value in zip(frame["id"], frame[column.name], strict=True):
                for name in column.names(value):
                    if name not in ids[column.refers]:
                        yield Finding(
                            level="fault",
                            kind="reference",
                            about=f"{table.name} {id}",
                            problem=f"{column.name} names {name}, which is not in {column.refers}",
                            remedy=f"Correct {column.name}, or add the row it names.",
                            table=table.name,
                            row=str(id),
                            field=column.name,
                        )
    yield from _reviews(project, ids)


def _reviews(project: Project, ids: Mapping[str, set[str]]) -> Iterator[Finding]:
    """A review outlives what it is about, but it must once have been there."""
    for row in project.read("reviews").to_dict("records"):
        table, id = str(row["about_table"]), str(row["about"])
        if id not in ids[table] and not len(project.history(table, id, last=1)):
            yield Finding(
                level="fault",
                kind="reference",
                about=f"reviews {row['id']}",
                problem=f"is about {id}, which never was in {table}",
                remedy="Ask the reviewer what was meant, and enter it anew.",
                table="reviews",
                row=str(row["id"]),
                field="about",
            )


def stages_of(project: Project) -> Iterator[Finding]:
    """Stages that the record of the work does not bear out."""
    every = load_criteria(project.setting("criteria_path"))
    unseen = unseen_faces(
        project.read("placements").to_dict("records"), project.read("faces").to_dict("records")
    )
    trials = project.read("trials").to_dict("records")
    consents = project.read("consents").to_dict("records")
    log: dict[str, list[Row]] = defaultdict(list)
    for entry in project.read("work_log").to_dict("records"):
        log[str(entry["repair"])].append(entry)
    for row in project.read("repairs").drop(columns="geometry").to_dict("records"):
        id, stage = str(row["id"]), str(row["stage"])
        said = stage_of_record(log[id])
        if said != stage:
            yield _stage_fault(
                id,
                f"is {stage}, but its record says {said}",
                "Undo the edit that set it, or enter redo with a reason in the record and go through its checks.",
            )
            continue
        if stage in FREE_STAGES or stage == "redo":
            continue
        if not is_missing(row["held_back"]):
            yield _stage_fault(
                id,
                f"is {stage}, but is held back: {row['held_back']}",
                "Settle that; take the repair back to proposed with a reason until then.",
                field="held_back",
            )
        criteria = every.applying(unseen_face=id in unseen)
        missing, failed = open_checks(row, log[id], stage=stage, criteria=criteria)
        if missing or failed:
            words = [f"{c} was not checked" for c in missing] + [
                f"{c} did not pass" for c in failed
            ]
            yield _stage_fault(
                id,
                f"is {stage}, but {', '.join(words[:4])}"
                + (f" and {len(words) - 4} more" if len(words) > 4 else ""),
                "Check it and enter the result, or send the repair to redo.",
            )
        if stage in BEGUN_STAGES and (wanted := trial_wanted(project, row, trials)):
            yield _stage_fault(
                id,
                f"is {stage}, but there is no approved {wanted}",
                "Enter the trial that the work followed with facademap trial, or send the repair to redo.",
            )
        for wanting in open_consents(consents, row, stage=stage):
            yield _stage_fault(
                id,
                f"is {stage}, but {wanting}",
                "Meet it and tick it with facademap consent --met, or ask who gave the consent what is to be done.",
            )
        if (
            row["treatment"] in PIECED
            and _is_past(stage, "cut out")
            and is_missing(row["measured"])
        ):
            yield _stage_fault(
                id,
                f"is {stage}, but its cut-out as cut was not written down",
                "Measure it and enter the measures in the record.",
                field="measured",
            )


def evidence_of(project: Project) -> Iterator[Finding]:
    """Conditions of consents whose evidence is not what it was when they were ticked."""
    for name, problem in evidence_faults(project):
        yield Finding(
            level="fault",
            kind="reference",
            about=f"condition {name}",
            problem=problem,
            remedy="Put the file back as it was, or take the tick back and give the evidence anew.",
            table="consents",
            row=name,
            field="evidence_file",
        )


def named_consents_of(project: Project) -> Iterator[Finding]:
    """Repairs whose words name a consent of which no condition is entered: nothing waits for it."""
    entered = {
        str(r["reference"]).strip().casefold() for r in project.read("consents").to_dict("records")
    }
    for row in project.read("repairs").drop(columns="geometry").to_dict("records"):
        named = row["consent_reference"]
        if is_missing(named) or str(named).strip().casefold() in entered:
            continue
        yield Finding(
            level="warning",
            kind="reference",
            about=f"repair {row['id']}",
            problem=f"names consent {named}, of which no condition is entered: no work waits for it",
            remedy="Enter its conditions with facademap consent, or take the words away where it has none.",
            table="repairs",
            row=str(row["id"]),
            field="consent_reference",
        )


def _is_past(stage: str, other: str) -> bool:
    return STAGES.index("redo") > STAGES.index(stage) > STAGES.index(other)


def _stage_fault(id: str, problem: str, remedy: str, *, field: str = "stage") -> Finding:
    return Finding(
        level="fault",
        kind="stage",
        about=f"repair {id}",
        problem=problem,
        remedy=remedy,
        table="repairs",
        row=id,
        field=field,
    )


def settled_of(project: Project) -> Iterator[Finding]:
    """Places that were approved or sawn, and what has become of their repairs and blocks since."""
    repairs = {
        str(r["id"]): r for r in project.read("repairs").drop(columns="geometry").to_dict("records")
    }
    blocks = {str(b["id"]): b for b in project.read("blocks").to_dict("records")}
    faces = {
        str(f["id"]): str(f["block"])
        for f in project.read("faces")[["id", "block"]].to_dict("records")
    }
    pieces = {
        str(p["id"]): str(p["repair"])
        for p in project.read("pieces")[["id", "repair"]].to_dict("records")
    }
    yield from _own_parents(blocks)
    lies: dict[str, str] = {}
    for place in project.read("placements").to_dict("records"):
        id, repair = str(place["id"]), repairs.get(str(place["repair"]))
        wrong = None
        if (
            place["state"] == "sawn"
            and repair is not None
            and not is_sawn(repair)
            and repair["stage"] != "redo"
        ):
            wrong = (
                f"is sawn, but {place['repair']} is {repair['stage']}",
                "Enter the stages up to piece sawn in the record, or open the place again.",
                "state",
            )
        elif faces.get(str(place["face"]), place["block"]) != place["block"]:
            wrong = (
                f"lies on a face of block {faces[str(place['face'])]}, not of {place['block']}",
                "Match again.",
                "face",
            )
        elif pieces.get(str(place["piece"]), place["repair"]) != place["repair"]:
            wrong = (
                f"holds a piece of {pieces[str(place['piece'])]}, not of {place['repair']}",
                "Match again.",
                "piece",
            )
        elif (first := lies.setdefault(str(place["piece"]), id)) != id:
            wrong = (
                f"holds piece {place['piece']}, which {first} holds as well",
                "Delete one of the two.",
                "piece",
            )
        if wrong:
            problem, remedy, field = wrong
            yield Finding(
                level="fault", kind="settled", about=f"placement {id}", problem=problem, remedy=remedy,
                table="placements", row=id, field=field,
            )  # fmt: skip
        block = blocks.get(str(place["block"]))
        if (
            block is not None
            and place["state"] in RESERVED_STATES
            and "rejected" in (block["state"], block["acceptance"])
        ):
            yield Finding(
                level="warning", kind="settled", about=f"placement {id}",
                problem=f"is {place['state']} on block {place['block']}, which was rejected since",
                remedy="Open the place again, and match again.", table="placements", row=id, field="state",
            )  # fmt: skip


def _own_parents(blocks: Mapping[str, Row]) -> Iterator[Finding]:
    """Blocks that were cut from themselves."""

    def parent_of(name: str) -> str | None:
        parent = blocks[name]["parent"] if name in blocks else None
        return None if is_missing(parent) else str(parent)

    for id in blocks:
        if is_own_ancestor(id, parent_of):
            yield Finding(
                level="fault", kind="reference", about=f"block {id}",
                problem=f"would be cut from itself ({parent_of(id)})",
                remedy="Name the block it was cut from, or none.", table="blocks", row=id, field="parent",
            )  # fmt: skip
