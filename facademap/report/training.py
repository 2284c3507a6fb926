"""Papers of a training, as chapters like the guide's: programme, question sheet, key, exercise sheets, reports; and a certificate."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from facademap.report.guide.blocks import Block, Chapter, Grid, Heading, Items, Run, Words
from facademap.report.page import Page
from facademap.report.paper import paper_named
from facademap.report.pdf import write_pdf
from facademap.report.ticket_page import draw_qr
from facademap.training import (
    LEAST_PERSONS,
    LETTERS,
    Certificate,
    Exercise,
    GroupFigures,
    Question,
    SealedTest,
    Standing,
)

__all__ = [
    "answer_key",
    "exercise_sheets",
    "group_report",
    "person_report",
    "programme_chapters",
    "question_sheet",
    "write_certificate",
]

_INK, _QUIET = "#22313f", "#444444"


def programme_chapters(
    questions: Sequence[Question],
    exercises: Sequence[Exercise],
    spare: Sequence[Exercise],
    refused: Mapping[str, int],
) -> list[Chapter]:
    """What is taught, in order: lectures by the chapters of the guide, demonstrations, exercises, assessment."""
    subjects: dict[str, int] = {}
    for q in questions:
        subjects[q.chapter] = subjects.get(q.chapter, 0) + 1
    lectures = Grid(
        title="Lectures and talks, each with its questions",
        head=("Chapter of the guide", "Questions"),
        rows=tuple((c, str(n)) for c, n in subjects.items()),
        shares=(0.8, 0.2),
    )
    blocks: list[Block] = [
        Heading(level=1, text="Programme"),
        _words(
            "Read a chapter of the guide together at the wall, look at its places, then answer its questions aloud before the next. "
            "Whoever assesses later has sealed the test before; its questions are those of this programme, its figures those of this project."
        ),
        lectures,
        Heading(level=2, text="Demonstrations"),
        _items(
            "One inset from the sized line to the cure, on spare stone, by somebody who holds a certificate or teaches.",
            "A first trial bedding that is not full, taken out, looked at, and bedded again: several beddings are normal in larger pieces.",
            "Sounding of a good and of a hollow place, side by side.",
            "Raking of a thin joint by hand, and what a power tool does to its arrises on a waste stone.",
        ),
        Heading(level=2, text="Exercises on this wall"),
        _words(
            "Chosen by rules: low on the scaffold, plain walling, light, not urgent, waiting for nobody. Each is approved as any repair before it is begun."
        ),
        _exercises(exercises, "No repair of this wall is low in risk: practise on spare stone."),
        Grid(
            title="Why other repairs are no exercise",
            head=("Why", "Repairs"),
            rows=tuple((why, str(n)) for why, n in refused.items()),
            shares=(0.8, 0.2),
        ),
        Heading(level=2, text="Exercises on spare stone"),
        _exercises(
            spare,
            "No stone of the yard is spare: salvaged stone that may serve a repair is not practised on. Get waste stone of the same kind.",
        ),
        Heading(level=2, text="Attendance"),
        Grid(
            title="To fill in, by label",
            head=("Day", "What", "Hours", "Present"),
            rows=tuple(("_" * 12, "_" * 32, "_" * 6, "_" * 28) for _ in range(8)),
            shares=(0.16, 0.4, 0.1, 0.34),
        ),
    ]
    return [Chapter(name="programme", title="Programme", blocks=blocks)]


def question_sheet(questions: Sequence[Question], *, seal: str = "") -> list[Chapter]:
    """The questions without their answers, to be handed out."""
    blocks: list[Block] = [
        Heading(level=1, text="Questions"),
        _words("Label: ____________      Day: ____________      One letter a question."),
    ]
    if seal:
        blocks.append(_words(f"Test sealed under {seal}."))
    for n, q in enumerate(questions, start=1):
        blocks.append(Words(runs=(Run(text=f"{n}. ", strong=True), Run(text=q.text, strong=True))))
        options = tuple(
            (Run(text=f"{LETTERS[k]}   {option}"),) for k, option in enumerate(q.options)
        )
        blocks.append(Items(items=options, look="ticks"))
    return [Chapter(name="questions", title="Questions", blocks=blocks)]


def answer_key(questions: Sequence[Question], *, seal: str = "") -> list[Chapter]:
    """The right answers with their sources, for those who teach and assess."""
    rows = tuple(
        (
            str(n),
            q.id,
            q.letter,
            q.options[q.right],
            q.source + ("; critical" if q.critical else ""),
        )
        for n, q in enumerate(questions, start=1)
    )
    grid = Grid(
        title="Key" + (f", sealed under {seal}" if seal else ""),
        head=("No", "Question", "", "Right answer", "Where it comes from"),
        rows=rows,
        shares=(0.05, 0.16, 0.05, 0.39, 0.35),
    )
    head = Heading(level=1, text="Key, for assessors only")
    return [Chapter(name="key", title=head.text, blocks=[head, grid])]


def exercise_sheets(
    exercises: Sequence[Exercise], texts: Mapping[str, str], *, defer: str
) -> list[Chapter]:
    """One sheet an exercise: what, where, what to tick."""
    found = []
    for e in exercises:
        title = f"{e.id}: {e.what}"
        blocks: list[Block] = [
            Heading(level=1, text=f"Exercise {title}"),
            _words(f"{e.where}. {e.why[:1].upper()}{e.why[1:]}."),
            _words("Label: ____________      Assessor: ____________      Day: ____________"),
            Heading(level=2, text="Good when"),
        ]
        ticks = tuple((Run(text=f"{c}: {texts.get(c, '')}"),) for c in e.criteria)
        blocks.append(
            Items(items=ticks, look="ticks") if ticks else _words("As the job sheet says.")
        )
        blocks += [
            Heading(level=2, text="Result"),
            Items(
                items=(
                    (Run(text="pass"),),
                    (Run(text="redo; what to practise: ______________________________"),),
                ),
                look="ticks",
            ),
            _words(defer),
        ]
        found.append(Chapter(name=e.id, title=f"Exercise {title}", blocks=blocks))
    return found


def person_report(standing: Standing, *, name: str = "") -> list[Chapter]:
    """What one person reached, against the sealed standard and nobody else."""
    test, head = standing.test, Heading(level=1, text=f"Report: {name or standing.person}")
    sittings = tuple(
        (
            str(s.number),
            s.on.isoformat(),
            s.assessor,
            f"{s.share:.0%}",
            ", ".join(s.missed_critical) or "–",
            "void" if s.void else "passed" if s.passed else "not passed",
        )
        for s in standing.sittings
    )
    missed: tuple[tuple[str, str], ...] = ()
    if standing.sittings:
        last = standing.sittings[-1]
        missed = tuple(
            (q.chapter, q.text) for q, ok in zip(test.questions, last.right, strict=True) if not ok
        )
    wanting = (
        [_items(*(f"{w[:1].upper()}{w[1:]}." for w in standing.wanting))]
        if standing.wanting
        else [_words("Everything that the test asks is reached.")]
    )
    blocks: list[Block] = [
        head,
        _words(
            f"Test {test.name}, sealed on {test.sealed_on} under {test.seal}. Compared with this standard only, never with other persons."
        ),
        *wanting,
        Grid(
            title="Sittings",
            head=("Entry", "Day", "Assessor", "Right", "Critical missed", "Result"),
            rows=sittings,
            shares=(0.1, 0.16, 0.14, 0.1, 0.32, 0.18),
            empty="No question was answered.",
        ),
        Grid(
            title="To read again",
            head=("Chapter", "Question"),
            rows=missed,
            shares=(0.35, 0.65),
            empty="Nothing was missed at the last sitting."
            if standing.sittings
            else "It is told after the first sitting.",
        ),
        _words(
            f"Sessions attended: {standing.sessions[0]} of {standing.sessions[1]}. Exercises passed: {standing.exercises} of {test.exercises}. "
            + (
                "Work assessed and passed."
                if standing.work
                else "No work is asked."
                if not test.standard
                else "Work not passed yet."
            )
        ),
        _words(
            f"An appeal may be made within {test.appeal_days} days of a sitting; it is decided by somebody who did not assess. "
            f"{test.attempts} attempts are allowed, {test.wait_days} days apart."
        ),
    ]
    return [Chapter(name="person", title=head.text, blocks=blocks)]


def group_report(
    test: SealedTest, figures: GroupFigures | None, struck: Sequence[str]
) -> list[Chapter]:
    """The group and its questions; no person can be told from it."""
    head = Heading(level=1, text="Group and questions")
    about = _words(f"Test {test.name}, sealed on {test.sealed_on} under {test.seal}.")
    if figures is None:
        few = _words(
            f"Fewer than {LEAST_PERSONS} persons have answered: figures of so few would show single persons, and tell nothing of the questions."
        )
        return [Chapter(name="group", title=head.text, blocks=[head, about, few])]
    rows = tuple(
        (
            i.question + (" (struck)" if i.question in struck else ""),
            f"{i.difficulty:.2f}",
            f"{i.low:.2f} to {i.high:.2f}",
            _number(i.discrimination),
            _number(i.b_index),
            i.remark,
        )
        for i in figures.items
    )
    blocks: list[Block] = [
        head,
        about,
        _words(
            f"{figures.persons} persons, {figures.passed} passed at their first sitting, {figures.mean_share:.0%} right on average. "
            f"Reliability KR-20 {_number(figures.kr20)}, standard error {_number(figures.error_share)} of the questions. "
            + (
                "With fewer than 30 persons these figures are rough."
                if figures.persons < 30
                else ""
            )
        ),
        Grid(
            title="Questions",
            head=("Question", "Share right", "95 % of it", "With the rest", "B-index", "Look at"),
            rows=rows,
            shares=(0.2, 0.1, 0.16, 0.12, 0.1, 0.32),
        ),
        _words(
            "Share right: 1 is easy. With the rest: correlation with the score of the other questions. B-index: share right among those who "
            "passed less that among others (Brennan 1972). First sittings only, void ones left out."
        ),
    ]
    return [Chapter(name="group", title=head.text, blocks=blocks)]


def write_certificate(
    certificate: Certificate,
    code: str,
    test: SealedTest,
    *,
    name: str,
    project: str,
    paper: str = "A4",
) -> bytes:
    """A certificate as one sheet; without a name it has a line for one. It says what it rests on, and no more."""
    width, height = sorted(paper_named(paper), reverse=True)
    page = Page(width_mm=width, height_mm=height, title=f"certificate {certificate.number}")
    middle, top = width / 2, height - 18
    page.box(10, 10, width - 20, height - 20, width_mm=0.9, ink=_INK)
    page.box(12.5, 12.5, width - 25, height - 25, width_mm=0.25, ink=_INK)
    said: dict[str, Any] = {"anchor": "centre", "within_mm": width - 50}
    page.text(middle, top - 16, "Certificate", size_pt=34, weight="bold", ink=_INK, **said)
    page.text(middle, top - 28, f"repair of stone: {project}", size_pt=13, ink=_QUIET, **said)
    if name:
        page.text(middle, top - 52, name, size_pt=24, weight="bold", **said)
    else:
        page.line(middle - 60, top - 54, middle + 60, top - 54, width_mm=0.3)
        page.text(middle, top - 60, "name", size_pt=8.5, ink=_QUIET, **said)
    how = "in questions and at work" if test.standard else "in questions, not at work,"
    page.text(
        middle, top - 72, f"was assessed {how} and reached the standard for", size_pt=12, **said
    )
    page.text(middle, top - 84, certificate.scope, size_pt=15, weight="bold", **said)
    asked = [f"{test.pass_share:.0%} of {len(test.questions)} questions"]
    asked += [f"{test.exercises} exercises passed"] if test.exercises else []
    asked += [f"{test.attendance_share:.0%} of the sessions"] if test.attendance_share else []
    asked += [f"work by the standard {test.standard!r}"] if test.standard else []
    page.text(
        middle, top - 100, f"Asked were: {', '.join(asked)}.", size_pt=10.5, ink=_QUIET, **said
    )
    page.text(
        middle,
        top - 112,
        f"Test: {certificate.test}, sealed under {certificate.seal[:12]}. Standard fixed before the assessment.",
        size_pt=10.5,
        **said,
    )
    left, low = 22.0, 52.0
    for k, (word, told) in enumerate(
        (
            ("Number", certificate.number),
            ("Given on", certificate.issued_on),
            ("Valid until", certificate.valid_until),
            ("Code", code),
        )
    ):
        y = low - 8 * k
        page.text(left, y, word, size_pt=10.5, ink=_QUIET)
        page.text(left + 28, y, told, size_pt=12, weight="bold", within_mm=90)
    page.line(150, low - 16, width - 70, low - 16, width_mm=0.3)
    page.text(150, low - 21, f"for the office ({certificate.issued_by})", size_pt=9, ink=_QUIET)
    draw_qr(page, f"{certificate.number} {code}", width - 56, 20, 34)
    page.text(
        middle,
        16,
        "The office that gave it can verify number and code. It says nothing of structure, access or lifting, which licensed persons decide.",
        size_pt=8,
        ink=_QUIET,
        **said,
    )
    return write_pdf(iter([page]), title=f"Certificate {certificate.number}", subject=project)


def _exercises(exercises: Sequence[Exercise], empty: str) -> Grid:
    return Grid(
        title="Exercises",
        head=("Id", "What", "Where", "Why"),
        rows=tuple((e.id, e.what, e.where, e.why) for e in exercises),
        shares=(0.12, 0.18, 0.35, 0.35),
        empty=empty,
    )


def _words(text: str) -> Words:
    return Words(runs=(Run(text=text),))


def _items(*texts: str) -> Items:
    return Items(items=tuple((Run(text=t),) for t in texts))


def _number(value: float) -> str:
    return "–" if math.isnan(value) else f"{value:.2f}"
