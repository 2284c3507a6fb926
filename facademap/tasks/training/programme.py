"""The programme of a training, from the project: questions by its values, exercises by rules."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, fields
from importlib import resources
from pathlib import Path
from typing import Any

from facademap.errors import FileError
from facademap.repair.consents import held_by_consents
from facademap.repair.rows import rows_of
from facademap.repair.settings import Settings, TradeValue
from facademap.report.guide.figures import shown_value
from facademap.store.project import Project
from facademap.tables import is_missing
from facademap.tasks.plan.plan import settings_of_project
from facademap.tasks.plan.treatments import jobs_of_project, treatment_values_of_project
from facademap.tasks.record.work import criteria_of
from facademap.tasks.training.kept import FOLDER
from facademap.training import (
    Exercise,
    Known,
    Question,
    choose_exercises,
    choose_spare_stone,
    read_questions,
    why_not,
)
from facademap.treatment import TreatmentValues

__all__ = ["Programme", "known_figures", "programme_of", "questions_of"]

#: Factors of wrong answers, chosen so that their order tells nothing of the right one.
_FACTORS = (0.5, 1.5, 2.5)
_STATUS: Mapping[str, str] = {
    "confirmed": "read", "derived": "worked out", "memory": "from memory, verify", "practice": "common practice",
    "project": "decided for this project",
}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Programme:
    """What is taught.

    Parameters
    ----------
    questions : tuple of Question
    exercises : tuple of Exercise
        On the wall.
    spare : tuple of Exercise
        On spare stone.
    refused : mapping of str to int
        Why repairs are no exercise, and how many.
    """

    questions: tuple[Question, ...]
    exercises: tuple[Exercise, ...]
    spare: tuple[Exercise, ...]
    refused: Mapping[str, int]


def programme_of(project: Project) -> Programme:
    """Questions and exercises of a project."""
    settings = settings_of_project(project)
    candidates = _candidates(project, settings)
    placed = {str(b) for b in project.read("placements")["block"]}
    chosen = [
        Exercise(
            id=e.id,
            what=e.what,
            where=e.where,
            why=e.why,
            criteria=tuple(
                c.name for c in criteria_of(project, e.id).criteria if c.applies(e.what)
            ),
        )
        for e in choose_exercises(candidates)
    ]
    return Programme(
        questions=questions_of(project),
        exercises=tuple(chosen),
        spare=tuple(choose_spare_stone(rows_of(project.read("blocks")), placed)),
        refused=dict(Counter(why for _, why in candidates if why).most_common()),
    )


def questions_of(project: Project) -> tuple[Question, ...]:
    """The questions of a project: the packaged ones, or those of its folder ``training``."""
    own = project.folder / FOLDER / "questions.toml"
    known = known_figures(settings_of_project(project), treatment_values_of_project(project))
    if not own.exists():
        text = resources.files("facademap.training").joinpath("questions.toml").read_text("utf-8")
        return read_questions(text, known, where="packaged questions")
    if own.is_symlink() or own.stat().st_size > 1_000_000:
        raise FileError(f"{own}: is no plain file of questions", "Put the text itself there.")
    try:
        return read_questions(own.read_text("utf-8"), known, where=str(own))
    except UnicodeDecodeError:
        raise FileError(f"{own}: is no UTF-8 text", "Save it as UTF-8.") from None


def known_figures(settings: Settings, values: TreatmentValues) -> dict[str, Known]:
    """Trade values that a question may ask, as people read them, with the same figures times other factors."""
    kinds = {f.name: str(f.metadata["kind"]) for f in fields(settings) if f.metadata}
    found = {}
    for name, value in settings.values.items():
        si, kind = float(getattr(settings, name)), kinds[name]
        found[name] = _known(value, si, kind, inches=settings.inches)
    for name, value in values.values.items():
        found[name] = _known(value, values[name], "", inches=settings.inches)
    return found


def _known(value: TradeValue, si: float, kind: str, *, inches: bool) -> Known:
    temperature = "temperature" in (kind, value.name) or value.unit in ("degC", "degF")
    others = [si + d for d in (-8, 7, 14)] if temperature else [si * f for f in _FACTORS]
    return Known(
        shown=shown_value(value, si, kind=kind, inches=inches),
        others=tuple(shown_value(value, o, kind=kind, inches=inches) for o in others),
        source=f"{value.source} ({_STATUS[value.status]})",
    )


def _candidates(project: Project, settings: Settings) -> list[tuple[dict[str, Any], str]]:
    conditions = {str(c["id"]): c for c in rows_of(project.read("conditions"))}
    parts = {
        str(s["id"]): "" if is_missing(s["part"]) else str(s["part"])
        for s in rows_of(project.read("wall_stones"))
    }
    held = {j.repair for j in jobs_of_project(project) if j.held}
    weights = {str(p["repair"]): p["weight_saturated_kg"] for p in rows_of(project.read("pieces"))}
    placed = {str(r) for r in project.read("placements")["repair"]}
    found = []
    for repair in rows_of(held_by_consents(project.read("repairs"), project.read("consents"))):
        name = str(repair["id"])
        classes = [
            conditions[str(c)]["uc"] for c in repair["conditions"] or () if str(c) in conditions
        ]
        known = bool(classes) and not any(is_missing(c) for c in classes)
        weight = weights.get(name)
        reason = why_not(
            repair,
            part=parts.get(
                "" if is_missing(repair["wall_stone"]) else str(repair["wall_stone"]), ""
            ),
            urgency=max(float(c) for c in classes) if known else None,
            weight_kg=None if weight is None or is_missing(weight) else float(weight),
            one_person_kg=settings.heavy_kg,
            waits="its design holds it" if name in held else "",
            without_stone=str(repair["treatment"]) == "inset" and name not in placed,
        )
        found.append((repair, reason))
    return found


def read_own(path: Path) -> str:
    """The text of a file that an office gives, such as its test."""
    if not path.is_file() or path.stat().st_size > 1_000_000:
        raise FileError(f"{path}: is no file of a test", "Give the path of a TOML file.")
    try:
        return path.read_text("utf-8")
    except UnicodeDecodeError:
        raise FileError(f"{path}: is no UTF-8 text", "Save it as UTF-8.") from None
