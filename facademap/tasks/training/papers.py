"""Papers of a training: the programme and its sheets, a report per person, one of the group, a certificate."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from facademap.errors import InputError
from facademap.io.whole_files import make_folder, write_whole
from facademap.repair.cautions import DEFER
from facademap.report.guide import write_guide_html, write_guide_pdf
from facademap.report.guide.blocks import Chapter
from facademap.report.training import (
    answer_key,
    exercise_sheets,
    group_report,
    person_report,
    programme_chapters,
    question_sheet,
    write_certificate,
)
from facademap.store.project import Project
from facademap.tasks.plan.plan import settings_of_project
from facademap.tasks.record.work import criteria_of_office
from facademap.tasks.training.kept import key_of, read_kept, read_names
from facademap.tasks.training.programme import programme_of
from facademap.tasks.training.record import criteria_seal_of, standing_in
from facademap.training import (
    LEAST_PERSONS,
    GroupFigures,
    SealedTest,
    Sitting,
    analyse_items,
    certificate_from,
    code_of,
    need_same_criteria,
    sittings_of,
    struck_questions,
    test_of,
)

__all__ = ["certificate_paper", "figures_of_group", "programme_papers", "report_papers"]


def programme_papers(
    folder: str | Path, out: str | Path, *, test: str = "", paper: str = "A4"
) -> list[Path]:
    """Programme with exercise sheets, the question sheet, and the key apart from both.

    With ``test`` the questions are those that were sealed.
    """
    with Project.open(folder, read_only=True) as project:
        found, name = programme_of(project), str(project.setting("name", "the project"))
        inches = settings_of_project(project).inches
        texts = {c.name: c.said(inches=inches) for c in criteria_of_office(project).criteria}
    questions, seal = found.questions, ""
    if test:
        sealed = test_of(read_kept(folder), test)
        questions, seal = sealed.questions, sealed.seal
    chapters = [
        *programme_chapters(questions, found.exercises, found.spare, found.refused),
        *exercise_sheets([*found.exercises, *found.spare], texts, defer=DEFER),
    ]
    told = "Made from the project: figures are those of its trade values, exercises are chosen by rules (common practice)."
    files: dict[str, tuple[Sequence[Chapter], str]] = {
        "training": (chapters, "Training programme"),
        "training-questions": (question_sheet(questions, seal=seal), "Training, questions"),
        "training-key": (answer_key(questions, seal=seal), "Training, key"),
    }
    made = []
    for stem, (parts, kind) in files.items():
        made += _write(out, stem, parts, title=name, kind=kind, told=told, paper=paper)
    return made


def report_papers(
    folder: str | Path,
    out: str | Path,
    *,
    test: str,
    person: str = "",
    with_name: bool = False,
    paper: str = "A4",
) -> list[Path]:
    """The report of one person, or that of the group and its questions without anybody in it."""
    with Project.open(folder, read_only=True) as project:
        title = str(project.setting("name", "the project"))
    if person:
        standing = standing_in(folder, test, person)
        name = read_names(folder).get(person, {}).get("name", "") if with_name else ""
        parts = person_report(standing, name=name)
        stem, kind = f"training-{person}", "Training, report"
    else:
        sealed, figures, struck = figures_of_group(folder, test)
        parts, stem, kind = (
            group_report(sealed, figures, struck),
            "training-group",
            "Training, group",
        )
    told = "Criterion-referenced, in the sense of ASTM E2659: compared with a standard that was sealed before."
    return _write(out, stem, parts, title=title, kind=kind, told=told, paper=paper, private=True)


def figures_of_group(
    folder: str | Path, test: str
) -> tuple[SealedTest, GroupFigures | None, tuple[str, ...]]:
    """Figures of the first sittings of a test, ``None`` where too few sat it; and the questions that were struck."""
    book = read_kept(folder)
    sealed = test_of(book, test)
    need_same_criteria(sealed, criteria_seal_of(folder, sealed))
    first: dict[str, Sitting] = {}
    for sitting in sittings_of(book, sealed):
        if not sitting.void:
            first.setdefault(sitting.person, sitting)
    struck = tuple(sorted(struck_questions(book, sealed)))
    if len(first) < LEAST_PERSONS:
        return sealed, None, struck
    right = np.array([s.right for s in first.values()], dtype=np.bool_)
    passed = np.array([s.passed for s in first.values()], dtype=np.bool_)
    return sealed, analyse_items(right, passed, [q.id for q in sealed.questions]), struck


def certificate_paper(
    folder: str | Path, number: str, out: str | Path, *, with_name: bool = True, paper: str = "A4"
) -> Path:
    """A certificate that was given, as a sheet."""
    book = read_kept(folder)
    entry = next((e for e in book.of("certificate") if e.body["number"] == number), None)
    if entry is None or any(w.body["number"] == number for w in book.of("withdrawal")):
        raise InputError(
            f"certificate {number[:20]!r} was not given, or is withdrawn",
            "Give it first: training certify.",
        )
    certificate = certificate_from(entry.body)
    with Project.open(folder, read_only=True) as project:
        name = str(project.setting("name", "the project"))
    kept = read_names(folder).get(certificate.person, {}) if with_name else {}
    sheet = write_certificate(
        certificate,
        code_of(certificate, key_of(folder, make=False)),
        test_of(book, certificate.test),
        name=kept.get("name", ""),
        project=name,
        paper=paper,
    )
    make_folder(out)
    return write_whole(Path(out) / f"certificate-{number}.pdf", sheet, private=True)


def _write(
    out: str | Path,
    stem: str,
    chapters: Sequence[Chapter],
    *,
    title: str,
    kind: str,
    told: str,
    paper: str,
    private: bool = False,
) -> list[Path]:
    make_folder(out)
    page = write_guide_html(chapters, title=title, kind=kind, told=told)
    sheet = write_guide_pdf(chapters, title=title, kind=kind, told=told, paper=paper)
    return [
        write_whole(Path(out) / f"{stem}.html", page, private=private),
        write_whole(Path(out) / f"{stem}.pdf", sheet, private=private),
    ]
