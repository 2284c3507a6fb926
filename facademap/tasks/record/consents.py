"""Conditions of consents of a project: entered, ticked with evidence, and the work that waits for them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from facademap.errors import FileError, InputError
from facademap.io.pictures import hash_file
from facademap.io.whole_files import copy_whole, make_folder, need_file
from facademap.repair.consents import open_consents
from facademap.store.gate import gated_edit
from facademap.store.project import Project
from facademap.tables import CONSENT_POINTS, TREATMENTS, is_missing
from facademap.tables.names import file_name
from facademap.tasks.record.days import day_of
from facademap.tasks.record.plain_rows import plain_row, plain_rows
from facademap.treatment.trials import approved

__all__ = [
    "EVIDENCE",
    "add_consent",
    "evidence_faults",
    "list_consents",
    "meet_consent",
    "need_consent",
    "take_consent_back",
]

#: Folder of the project in which files that prove something are kept.
EVIDENCE = "evidence"
_LARGEST = 200_000_000
_TICK: Mapping[str, Any] = {
    "met": False,
    "met_by": None,
    "met_on": None,
    "evidence_file": None,
    "evidence_sha256": None,
    "evidence_photo": None,
    "evidence_trial": None,
}


def add_consent(
    folder: str | Path,
    *,
    reference: str,
    text: str,
    before: str = "work begins",
    treatments: Sequence[str] = (),
    repairs: Sequence[str] = (),
    surfaces: Sequence[str] = (),
    area_m: Sequence[float] | None = None,
    who: str = "facademap consent",
    **told: Any,
) -> dict[str, Any]:
    """Enter one condition of a consent; it holds the work that it is about until it is met.

    Parameters
    ----------
    folder : path
        Project.
    reference, text : str
        Reference of the consent, and what the condition asks.
    before : str
        What waits: ``work begins``, ``work is accepted`` or ``nothing``.
    treatments, repairs, surfaces : sequence of str
        What it is about; everything where none is given.
    area_m : sequence of four float, optional
        Part of its one surface that it is about: left, bottom, right, top.
    who : str
        Named in the history.
    **told
        Further columns: ``clause``, ``given_by``, ``given_on``, ``wants_trial``, ``note``.

    Raises
    ------
    InputError
        No reference, no text, a treatment or repair that is not known, or an area that is none or of no one surface.
    """
    for value, what, remedy in (
        (reference, "the condition names no consent", "Name the consent by its reference."),
        (text, "the condition asks nothing", "Give what it asks, in its own words."),
    ):
        if not value.strip():
            raise InputError(what, remedy)
    unknown = [t for t in treatments if t not in TREATMENTS]
    if unknown:
        raise InputError(f"{unknown[0]!r} is no treatment", f"Use one of {', '.join(TREATMENTS)}.")
    if before not in CONSENT_POINTS:
        raise InputError(f"{before!r} is no point", f"Use one of {', '.join(CONSENT_POINTS)}.")
    if area_m is not None:
        _need_area(area_m, surfaces, repairs)
    told = {k: v for k, v in told.items() if not is_missing(v) and str(v).strip()}
    if "given_on" in told:
        told["given_on"] = day_of(str(told["given_on"]))
    with Project.open(folder) as project:
        for name in repairs:
            project.row("repairs", name)
        for name in surfaces:
            project.row("surfaces", name)
        with gated_edit(project, who=who, what=f"consent condition: {reference}") as edit:
            row = {
                "id": edit.new_id("L"),
                "reference": reference.strip(),
                "text": text.strip(),
                "before": before,
                "treatments": list(treatments),
                "repairs": list(repairs),
                "surfaces": list(surfaces),
                "area_m": None if area_m is None else [float(m) for m in area_m],
                **told,
            }
            edit.insert("consents", [row])
        return plain_row("consents", project.row("consents", row["id"]))


def _need_area(area_m: Sequence[float], surfaces: Sequence[str], repairs: Sequence[str]) -> None:
    """An area lies on one surface and has a size; repairs that are named need none."""
    if len(surfaces) != 1 or repairs:
        raise InputError(
            "an area lies on one surface, and is told instead of repairs",
            "Name its one surface, and no repair.",
        )
    u0, v0, u1, v1 = area_m
    if not (u0 < u1 and v0 < v1):
        raise InputError(
            f"an area from {u0:g} to {u1:g} m across and {v0:g} to {v1:g} m up",
            "Give left, bottom, right, top, each of the latter larger.",
        )


def meet_consent(
    folder: str | Path,
    name: str,
    *,
    by: str,
    on: str | None = None,
    file: Path | None = None,
    photo: str | None = None,
    trial: str | None = None,
    note: str | None = None,
    who: str = "facademap consent",
) -> dict[str, Any]:
    """Tick a condition, with who, when and what proves it; a file is copied into the project and kept with its checksum.

    Raises
    ------
    InputError
        Nobody is named, no evidence is given, a trial that is not approved, or a day that has not come.
    FileError
        The file cannot be read.
    """
    if not by.strip():
        raise InputError("nobody is named who ticks it", "Name who ticks it.")
    if file is None and not photo and not trial:
        raise InputError(
            f"{name}: nothing proves that it is met",
            "Give what proves it: the file of a letter, a photo, or an approved sample.",
        )
    day = day_of(on)
    with Project.open(folder) as project:
        row = project.row("consents", name)
        if bool(row["met"]):
            raise InputError(
                f"{name} is ticked already, by {row['met_by']} on {row['met_on']}",
                "Take it back first where that was wrong.",
            )
        if photo:
            project.row("photos", photo)
        _need_proof(row, project.row("trials", trial) if trial else None)
        kept = None if file is None else _keep(project.folder, name, file)
        changed: dict[str, Any] = {
            "met": True,
            "met_by": by.strip(),
            "met_on": day,
            "evidence_photo": photo or None,
            "evidence_trial": trial or None,
        }
        if kept is not None:
            changed["evidence_file"], changed["evidence_sha256"] = kept
        if note:
            changed["note"] = note
        with gated_edit(project, who=who, what=f"consent condition {name} is met") as edit:
            edit.update("consents", name, changed, rev=row["rev"])
        return plain_row("consents", project.row("consents", name))


def _need_proof(row: Mapping[Any, Any], trial: Mapping[Any, Any] | None) -> None:
    """The trial that is given is approved, and where the condition wants one it is of that kind and of its work."""
    wanted = None if is_missing(row["wants_trial"]) else str(row["wants_trial"])
    if trial is None:
        if wanted:
            raise InputError(
                f"{row['id']} wants an approved {wanted}",
                "Enter it as a trial, have it approved, and name it here.",
            )
        return
    if not approved(trial):
        raise InputError(
            f"trial {trial['id']} is not approved", "Have it approved by name and date first."
        )
    if wanted and str(trial["kind"]) != wanted:
        raise InputError(f"trial {trial['id']} is: {trial['kind']}", f"Name an approved {wanted}.")
    kinds = list(row["treatments"] or ())
    if kinds and str(trial["treatment"]) not in kinds:
        raise InputError(
            f"trial {trial['id']} is for {trial['treatment']}, not for {', '.join(kinds)}",
            "Name one of that treatment.",
        )


def take_consent_back(
    folder: str | Path, name: str, *, who: str = "facademap consent"
) -> dict[str, Any]:
    """Take a tick back: the work waits again. The file that was given stays in the folder, the tick in the history."""
    with Project.open(folder) as project:
        row = project.row("consents", name)
        if not bool(row["met"]):
            raise InputError(f"{name} is not ticked", "There is nothing to take back.")
        with gated_edit(project, who=who, what=f"consent condition {name}: taken back") as edit:
            edit.update("consents", name, dict(_TICK), rev=row["rev"])
        return plain_row("consents", project.row("consents", name))


def need_consent(project: Project, repair: Mapping[Any, Any], stage: str) -> None:
    """Refuse to enter a stage of work for which a condition of a consent is not met.

    Raises
    ------
    InputError
    """
    wanting = open_consents(project.read("consents").to_dict("records"), repair, stage=stage)
    if wanting:
        more = f" (and {len(wanting) - 1} more)" if len(wanting) > 1 else ""
        raise InputError(
            f"{repair['id']}: {wanting[0]}{more}",
            "Meet it, and tick it with a name and what proves it.",
        )


def evidence_faults(project: Project) -> list[tuple[str, str]]:
    """Conditions whose file is gone or was changed since it was ticked, with what is wrong."""
    found = []
    for row in project.read("consents").to_dict("records"):
        if not bool(row["met"]) or is_missing(row["evidence_file"]):
            continue
        path = project.folder / EVIDENCE / str(row["evidence_file"])
        if path.is_symlink() or not path.is_file():
            found.append((str(row["id"]), f"its evidence {row['evidence_file']} is gone"))
        elif hash_file(path) != row["evidence_sha256"]:
            found.append(
                (
                    str(row["id"]),
                    f"its evidence {row['evidence_file']} was changed since it was ticked",
                )
            )
    return found


def list_consents(folder: str | Path) -> list[dict[str, Any]]:
    """All conditions of a project, by id."""
    with Project.open(folder, read_only=True) as project:
        return plain_rows(project, "consents")


def _keep(folder: Path, name: str, file: Path) -> tuple[str, str]:
    need_file(file)
    if not file.is_file() or file.stat().st_size > _LARGEST:
        raise FileError(f"{file}: is no file that can be kept", "Give a file below 200 MB.")
    if file.stat().st_size == 0:
        raise FileError(f"{file}: is empty", "Give the file that proves it.")
    digest = hash_file(file)
    kind = file.suffix.lower()
    end = kind if kind[1:].isascii() and kind[1:].isalnum() and len(kind) <= 6 else ""
    kept = f"{name}-{digest[:8]}-{file_name(file.stem[:40])}{end}"
    make_folder(EVIDENCE, inside=folder)
    copy_whole(file, f"{EVIDENCE}/{kept}", inside=folder)
    return kept, digest
