"""Audit a project: what is wrong, where, and how to mend it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

from facademap.condition.records import find_overlaps
from facademap.errors import FacademapError
from facademap.io.pictures import hash_file
from facademap.repair.donors import BEFORE_CUT_OUT, faults_of_wall_stone, wall_stone_of
from facademap.repair.overlaps import SHARED_AREA_M2, shared_stone_m2
from facademap.repair.replay import replay_rows
from facademap.report.proof_words import disagreement_words, disagrees
from facademap.salvage.densities import impossible_weights
from facademap.store.project import Project
from facademap.tables import PIECED, is_missing
from facademap.tables.settings import REQUIRABLE
from facademap.tasks.issue.papers import code_print
from facademap.tasks.issue.papers_state import states_of
from facademap.tasks.plan.plan import settings_of_project
from facademap.tasks.project.check_depths import measured_depths_of
from facademap.tasks.project.check_file import contracts_of, file_of, history_of, parts_of
from facademap.tasks.project.check_gate import (
    evidence_of,
    named_consents_of,
    references_of,
    settled_of,
    stages_of,
)
from facademap.tasks.project.check_sawing import saw_plans_of, sawn_unsaid
from facademap.tasks.project.check_shared_yard import shared_yard_of
from facademap.tasks.project.finding import Finding
from facademap.tasks.survey.doubts import identical_pairs
from facademap.tasks.survey.off_picture import off_in_words, outlines_off
from facademap.tasks.survey.required import missing_of
from facademap.wall.grid import Extent

__all__ = ["Finding", "check_project", "contracts_of"]


def check_project(
    folder: str | Path,
    *,
    fast: bool = False,
    progress: Callable[[float], None] = lambda fraction: None,
) -> dict[str, Any]:
    """Look through everything a project holds; nothing is changed.

    Parameters
    ----------
    fast : bool
        Leave out what reads every byte of the file and of the photos.

    Returns
    -------
    dict
        ``findings`` (level, about, problem, remedy, kind, table, row, field), ``faults`` and ``warnings`` (counts).
    """
    audits = (
        file_of,
        parts_of,
        contracts_of,
        history_of,
        references_of,
        stages_of,
        settled_of,
        evidence_of,
        named_consents_of,
        _pictures,
        _survey,
        _twice,
        _conditions,
        _repairs,
        _assembly,
        _yard,
        shared_yard_of,
        saw_plans_of,
        sawn_unsaid,
        _work,
        _weights,
        _papers,
    )
    findings: list[Finding] = []
    with Project.open(folder, read_only=True) as project:
        project.need_whole()
        for number, audit in enumerate(audits):
            if fast and audit in (file_of, _pictures):
                continue
            findings += _found_by(audit, project, findings)
            progress((number + 1) / len(audits))
    faults = sum(f.level == "fault" for f in findings)
    return {
        "project": str(folder),
        "findings": [asdict(f) for f in findings],
        "faults": faults,
        "warnings": len(findings) - faults,
    }


def _found_by(
    audit: Callable[[Project], Iterable[Finding]], project: Project, earlier: Sequence[Finding]
) -> list[Finding]:
    """What one audit finds; one that cannot read what it needs says so, unless the damage was named already."""
    about = audit.__name__.strip("_").removesuffix("_of")
    found: list[Finding] = []
    try:
        for finding in audit(project):
            found.append(finding)
    except FacademapError as error:
        if not any(f.kind in ("contract", "file") and f.level == "fault" for f in earlier):
            found.append(
                Finding(level="fault", about=about, problem=error.problem, remedy=error.remedy)
            )
        else:
            found.append(_not_looked_through(about))
    except (ArithmeticError, AttributeError, LookupError, TypeError, ValueError) as error:
        # a value of a shape that nobody foresaw; what the other audits find is told all the same
        found.append(
            Finding(
                level="fault",
                about=about,
                problem=f"could not be looked through ({type(error).__name__}: {str(error)[:80]})",
                remedy="Correct what else is named here first, then check again.",
            )
        )
    return found


def _not_looked_through(about: str) -> Finding:
    return Finding(
        level="warning",
        kind="file",
        about=about,
        problem="was not looked through, because what it needs is damaged",
        remedy="Mend or set aside what is named above, then check again.",
    )


def _pictures(project: Project) -> Iterator[Finding]:
    for photo in project.read("photos").to_dict("records"):
        path = project.place(photo["path"])
        if not path.is_file():
            yield Finding(
                level="fault",
                about=f"photo {photo['id']}",
                kind="picture",
                table="photos",
                row=photo["id"],
                field="path",
                problem=f"{photo['path']} is missing",
                remedy="Put the file back.",
            )
        elif hash_file(path) != photo["sha256"]:
            yield Finding(
                level="fault",
                about=f"photo {photo['id']}",
                kind="picture",
                table="photos",
                row=photo["id"],
                field="path",
                problem="was replaced since it was added",
                remedy="Put the original back, or add the new picture under another name.",
            )
    for surface in project.read("surfaces").to_dict("records"):
        if not is_missing(surface["picture"]) and not project.place(surface["picture"]).is_file():
            yield Finding(
                level="fault",
                about=f"surface {surface['id']}",
                kind="picture",
                table="surfaces",
                row=surface["id"],
                problem=f"{surface['picture']} is missing",
                remedy="Make it again with facademap elevations.",
            )


def _extent(box: Sequence[float]) -> Extent:
    u0, v0, u1, v1 = box
    return Extent(u0_m=u0, v0_m=v0, u1_m=u1, v1_m=v1)


def _outside(project: Project, surface: dict[str, Any]) -> Iterator[Finding]:
    """Outlines that the picture of their wall does not show."""
    extent = (surface["report"] or {}).get("extent_m")
    if is_missing(surface["picture"]) or not extent:
        return
    for words in off_in_words(outlines_off(project, surface["id"], _extent(extent))):
        yield Finding(
            level="warning",
            about=f"surface {surface['id']}",
            kind="picture",
            table="surfaces",
            row=surface["id"],
            remedy="Make the elevation again with a larger --extent.",
            problem=words,
        )


def _twice(project: Project) -> Iterator[Finding]:
    """Stones and openings that were drawn or read twice: areas and repairs would count double."""
    for table in ("wall_stones", "openings"):
        for surface, part in project.read(table).groupby("surface"):
            shapes, names = part.geometry.to_numpy(), list(part["id"])
            pairs = [
                f"{names[a]} = {names[b]}" for a, b in identical_pairs(shapes, shapes, one=True)
            ]
            if pairs:
                yield Finding(
                    level="fault",
                    about=f"surface {surface}",
                    problem=f"{len(pairs)} {table.replace('_', ' ')} have the same outline: {', '.join(pairs[:5])}",
                    remedy="Delete one of each.",
                )


def _survey(project: Project) -> Iterator[Finding]:
    for surface in project.read("surfaces").to_dict("records"):
        about = f"surface {surface['id']}"
        if is_missing(surface["picture"]):
            yield Finding(
                level="warning",
                about=about,
                kind="picture",
                table="surfaces",
                row=surface["id"],
                problem="has no rectified elevation",
                remedy="Add photos and control, then run facademap elevations.",
            )
        yield from _outside(project, surface)
        if disagrees(surface):
            yield Finding(
                level="warning",
                about=about,
                kind="picture",
                table="surfaces",
                row=surface["id"],
                problem=str(disagreement_words(surface)),
                remedy="Measure check points that both show, and keep the one that they prove.",
            )
        for text in (surface["report"] or {}).get("warnings", []):
            yield Finding(
                level="warning",
                about=about,
                kind="picture",
                table="surfaces",
                row=surface["id"],
                problem=text,
                remedy="Weigh it before sizes are taken from the picture.",
            )
        if surface["colour_state"] == "uncalibrated" and not is_missing(surface["picture"]):
            yield Finding(
                level="warning",
                about=about,
                kind="picture",
                table="surfaces",
                row=surface["id"],
                problem="its colours are uncalibrated: they rank blocks, they exclude none",
                remedy="Photograph the wall with a colour chart.",
            )


def _conditions(project: Project) -> Iterator[Finding]:
    conditions = project.read("conditions")
    for name, words in (("wall_stones", "wall stones"), ("conditions", "conditions")):
        if project.read(name).empty:
            yield Finding(
                level="warning",
                about="project",
                table=name,
                problem=f"has no {words} yet, so nothing can be planned from them",
                remedy=f"Draw them on the survey desk, or read them with facademap add-outlines {words.replace(' ', '-')}.",
            )
    for row in find_overlaps(conditions).itertuples():
        yield Finding(
            level="warning",
            about=f"conditions {row.a}, {row.b}",
            kind="overlap",
            table="conditions",
            row=str(row.a),
            field="geometry",
            problem=f"both {row.term}, overlap by {row.area_m2:.4f} m2; the area counts twice",
            remedy="Cut one back, or join them.",
        )
    yield from _unconfirmed(project)
    yield from measured_depths_of(project)
    titles = {f.column: f.title.lower() for f in REQUIRABLE}
    for id, missing in missing_of(project).items():
        yield Finding(
            level="warning",
            about=f"condition {id}",
            kind="missing",
            table="conditions",
            row=id,
            field=missing[0],
            problem=f"has no {', '.join(titles[c] for c in missing)}",
            remedy="Add it on the survey desk, or change what is required with facademap required.",
        )


def _unconfirmed(project: Project) -> Iterator[Finding]:
    """Proposals of the computer that no person has looked at."""
    for name in ("wall_stones", "conditions"):
        frame = project.read(name)
        open_ = frame["id"][(frame["origin"] == "assisted") & frame["confirmed_by"].map(is_missing)]
        if len(open_):
            yield Finding(
                level="warning",
                kind="unconfirmed",
                about=name.replace("_", " "),
                problem=f"{len(open_)} proposed and not confirmed by a person, such as {', '.join(open_[:3])}",
                remedy="Look at each on the survey desk, and confirm, correct or delete it.",
                table=name,
                row=str(open_.iloc[0]),
                field="confirmed_by",
            )


def _repairs(project: Project) -> Iterator[Finding]:
    repairs = project.read("repairs")
    cut = repairs[repairs["treatment"].isin(PIECED)] if len(repairs) else repairs
    stones = project.read("wall_stones")
    for surface, part in cut.groupby("surface") if len(cut) else ():
        own = stones.loc[stones["surface"] == surface].geometry.to_numpy()
        shapes, ids = part.geometry.to_numpy(), part["id"].to_numpy()
        for (i, j), area in shared_stone_m2(shapes, own).items():
            if area > SHARED_AREA_M2:
                yield Finding(
                    level="fault",
                    about=f"repairs {ids[i]}, {ids[j]}",
                    kind="overlap",
                    table="repairs",
                    row=ids[i],
                    field="geometry",
                    problem="cut-outs overlap",
                    remedy="Plan them again, or move one.",
                )
    for row in repairs.to_dict("records"):
        if not is_missing(row["held_back"]):
            yield Finding(
                level="warning",
                about=f"repair {row['id']}",
                table="repairs",
                row=row["id"],
                field="held_back",
                problem=f"held back: {row['held_back']}",
                remedy="Settle it before the stone is cut.",
            )
    known = {n: set(project.read(n)["id"]) for n in ("conditions", "repairs")}
    for gap in project.setting("plan_gaps", []) or []:
        table, id, field = _place_of_gap(gap, known)
        yield Finding(
            level="warning",
            kind="undecided" if gap.get("asks") else "wanting",
            about=gap["about"],
            problem=gap["problem"],
            remedy=gap["remedy"],
            table=table,
            row=id,
            field=field,
        )
    for row in project.read("pieces").to_dict("records"):
        if not is_missing(row["unmatched_reason"]):
            yield Finding(
                level="warning",
                about=f"piece {row['id']}",
                kind="stone",
                table="repairs",
                row=row["repair"],
                field="piece",
                problem=f"no block serves it: {row['unmatched_reason']}",
                remedy="See the list of stone wanted.",
            )


def _assembly(project: Project) -> Iterator[Finding]:
    """Insets that cannot be pushed on, taken off and set as they are planned."""
    settings = settings_of_project(project)
    stones = {r["id"]: r for r in project.read("wall_stones").to_dict("records")}
    repairs = {r["id"]: r for r in project.read("repairs").to_dict("records")}
    for piece in project.read("pieces").to_dict("records"):
        repair = repairs.get(piece["repair"])
        if repair is None:
            continue
        _, found = replay_rows(
            repair, piece, settings=settings, stone=stones.get(repair["wall_stone"])
        )
        for fault in found.faults:
            yield Finding(
                level="fault",
                about=f"repair {repair['id']}",
                problem=f"cannot be set as planned: {fault.about}: {fault.problem}",
                remedy=fault.remedy,
                kind="assembly",
                table="repairs",
                row=str(repair["id"]),
            )


def _place_of_gap(
    gap: dict[str, Any], known: dict[str, set[str]]
) -> tuple[str | None, str | None, str | None]:
    """Where a gap of the plan leads to: the first condition or repair that it is about."""
    id = str(gap["about"]).split(",")[0].strip()
    table = next((t for t, ids in known.items() if id in ids), None)
    asks = gap.get("asks") or (None,)
    return table, id if table else None, asks[0]


def _yard(project: Project) -> Iterator[Finding]:
    faces, repairs = project.read("faces"), project.read("repairs")
    stages = dict(zip(repairs["id"], repairs["stage"], strict=True))
    blocks = project.read("blocks")
    future = set(blocks["id"][blocks["state"] == "future"])
    for block in blocks.to_dict("records"):
        own = faces[faces["block"] == block["id"]]
        about = f"block {block['id']}"
        if own.empty:
            yield Finding(
                level="warning",
                about=about,
                kind="stone",
                table="blocks",
                row=block["id"],
                problem="has no face",
                remedy="Measure a face.",
            )
        if block["state"] == "future" and not is_missing(block["after_repair"]):
            if stages.get(block["after_repair"]) in BEFORE_CUT_OUT:
                continue  # nobody can test or photograph it yet
            if block["acceptance"] == "to test" and stages.get(block["after_repair"]) not in (
                None,
                "on hold",
            ):
                yield Finding(
                    level="warning",
                    about=about,
                    kind="stone",
                    table="blocks",
                    row=block["id"],
                    problem=f"came out with repair {block['after_repair']}, and is not tested",
                    remedy="Sound and test it, then accept it and set its state to available, or reject it.",
                )
        elif block["acceptance"] == "to test" and block["parent"] not in future:
            yield Finding(
                level="warning",
                about=about,
                kind="stone",
                table="blocks",
                row=block["id"],
                problem="is not accepted yet, and is not matched",
                remedy="Sound and test it, then accept or reject it.",
            )
        if block["kind"] == "sedimentary" and (own["bed"] == "unknown").any():
            yield Finding(
                level="warning",
                about=about,
                kind="stone",
                table="blocks",
                row=block["id"],
                problem="its natural bed is not known",
                remedy="Find the bed; until then it is not matched.",
            )
        if own["lab"].map(is_missing).any():
            yield Finding(
                level="warning",
                about=about,
                kind="stone",
                table="blocks",
                row=block["id"],
                problem="a face has no measured colour",
                remedy="Photograph the face.",
            )


def _papers(project: Project) -> Iterator[Finding]:
    """Papers in the folder that do not say any more what the project says."""
    for paper in states_of(project, project.folder / "out", code=code_print()):
        if paper.state == "current":
            continue
        out_of_date = paper.state == "stale"
        yield Finding(
            level="warning",
            kind="paper",
            about=f"paper {paper.name}",
            problem=("is out of date: " if out_of_date else "") + "; ".join(paper.reasons[:2]),
            remedy=f"Make it again with facademap papers --only {paper.name}, and recall what was handed out.",
            table="papers",
            row=paper.name,
        )


def _work(project: Project) -> Iterator[Finding]:
    placements, repairs = project.read("placements"), project.read("repairs")
    uses = wall_stone_of(placements, project.read("blocks"), repairs)
    for repair, problem, remedy in faults_of_wall_stone(uses, placements, repairs):
        yield Finding(
            level="fault",
            kind="settled",
            about=f"repair {repair}",
            problem=problem,
            remedy=remedy,
            table="repairs",
            row=repair,
        )
    for row in project.read("repairs").to_dict("records"):
        waiting = row["stage"] in ("approved", "cut out", "cut-out measured", "piece sawn")
        pieced = row["treatment"] in PIECED
        if waiting and pieced and not (placements["repair"] == row["id"]).any():
            yield Finding(
                level="warning",
                about=f"repair {row['id']}",
                kind="stone",
                table="repairs",
                row=row["id"],
                problem=f"is {row['stage']}, but has no block",
                remedy="Match it to a block.",
            )


def _weights(project: Project) -> Iterator[Finding]:
    """Blocks whose weight does not belong to their size: a lift would be planned for the wrong one."""
    for found in impossible_weights(project.read("blocks").to_dict("records")):
        yield Finding(
            level="warning",
            about=f"blocks {found.block}",
            problem=found.problem,
            remedy=found.remedy,
        )
